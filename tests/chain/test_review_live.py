"""A review in a terminal, beside a service: it keeps current, a choice is written down, the terminal comes back."""

from __future__ import annotations

import json
from pathlib import Path

from terminals import Terminal
from watching import journal_rows, jpeg, watching

PROGRAM = "from lampblack.daemon import cli; sys.exit(cli.main(['review', *sys.argv[1:]]))"


def test_a_review_keeps_current_and_its_choice_is_kept_by_the_service(folder: Path) -> None:
    (folder / "1.jpg").write_bytes(jpeg(1))
    with watching(folder) as service:
        service.until(lambda: len(service.files) == 1)
        terminal = Terminal(PROGRAM, str(folder))
        try:
            terminal.shows("f/8  frame 1")
            (folder / "2.jpg").write_bytes(jpeg(2, f_number=11.0))
            terminal.shows("f/11  frame 2")
            terminal.keys(b"\x1b[C4")
            terminal.shows("Frame 2: chosen 4 of 5. Beside it: 2.xmp.")
            terminal.keys(b"h\x1b[D")
            terminal.shows("Frame 1 against frame 2: exposed 1 stop more:")
            service.ask("slate", name="rim lower")
            terminal.shows("1 of 2 setups")
            terminal.keys(b"q")
            assert terminal.ends() == 0
            terminal.assert_given_back()
        finally:
            terminal.close()
    chosen = [json.loads(text) for (text,) in journal_rows(folder, "SELECT text FROM event WHERE kind = 'choice'")]
    assert chosen == [{"frame": 2, "rating": 4, "label": None, "why": None}]
    assert "<xmp:Rating>4</xmp:Rating>" in (folder / "2.xmp").read_text()
    assert (folder / "2.jpg").read_bytes() == jpeg(2, f_number=11.0)
