"""`lampblack review` on a journal without a service: what it prints, what a choice leaves, what it reads."""

from __future__ import annotations

import contextlib
import json
from pathlib import Path
from typing import Any

import pytest
from fakes import preview, verdict

from lampblack.daemon import cli
from lampblack.daemon.config import load_thresholds
from lampblack.daemon.intake import Sight
from lampblack.daemon.journal import NAME, Journal, Kept
from lampblack.daemon.noted import Choice
from lampblack.daemon.reviewing import Book

SIGHT = Sight(1, 1, 1)
BOWLS = ((1, 1, 11.0), (2, 1, 8.0), (3, 3, 5.6))  # frame, setup, aperture; setup 2 has none


@pytest.fixture
def shoot(tmp_path: Path) -> Path:
    kept, _ = Journal.open(tmp_path / NAME)
    with contextlib.closing(kept):
        for setup, name in ((1, None), (2, "tried"), (3, "flag in")):
            kept.begin_setup(setup, name)
        for frame, setup, f_number in BOWLS:
            path, small = f"{frame}.jpg".encode(), preview(24, 16, light=(8.0 / f_number) ** 2)
            (tmp_path / f"{frame}.jpg").write_bytes(b"")
            kept.add_frame(Kept(path, f"d{frame}", setup, frame, verdict(frame, f_number, setup=setup), small), SIGHT)
    return tmp_path


def told(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    status = cli.main(["review", *words])
    out, err = capsys.readouterr()
    return status, out, err


def data(capsys: pytest.CaptureFixture[str], *words: str) -> Any:
    status, out, _ = told(capsys, *words, "--json")
    assert status == 0
    assert out.count("\n") == 1, "one object, one line"
    return json.loads(out)


def test_the_newest_setup_with_frames_is_told_or_the_one_asked_for(
    shoot: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert data(capsys, str(shoot))["setup"]["number"] == 3
    first = data(capsys, str(shoot), "--setup", "1")
    assert [frame["frame"] for frame in first["frames"]] == [1, 2]
    assert first["frames"][1]["differs"][0]["text"] == "exposed 1 stop more: f/11 to f/8"
    assert data(capsys, str(shoot), "--frame", "2")["setup"]["number"] == 1
    assert data(capsys, str(shoot), "--setup", "2")["frames"] == []


def test_in_a_pipe_it_is_lines(shoot: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, err = told(capsys, str(shoot), "--setup", "1")
    assert (status, err) == (0, "")
    assert out.splitlines()[0].startswith("Setup 1, 2 frames")
    assert "They differ in exposure" in out.splitlines()[-1]
    assert told(capsys, str(shoot), "--ascii")[1].isascii()


def test_two_setups_and_two_frames_are_held_against_each_other(shoot: Path, capsys: pytest.CaptureFixture[str]) -> None:
    setups = data(capsys, str(shoot), "--setup", "3", "--against", "1")
    assert [setups[end]["setup"]["number"] for end in ("before", "after")] == [1, 3]
    assert [each["kind"] for each in setups["differences"]] == ["exposure"]
    frames = data(capsys, str(shoot), "--frame", "3", "--against", "1")
    assert [frames[end]["frame"]["frame"] for end in ("before", "after")] == [1, 3]
    assert frames["differences"][0]["amount"] == pytest.approx(2.0)
    assert "From frame 1 to frame 3:" in told(capsys, str(shoot), "--frame", "3", "--against", "1")[1]


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (["--setup", "9"], 1, "There is no setup 9"),
        (["--frame", "9"], 1, "Frame 9 is not in the journal."),
        (["--against", "9"], 1, "There is no setup 9"),
        (["--frame", "1", "--against", "9"], 1, "Frame 9 is not in the journal."),
    ],
)
def test_what_is_not_there_is_told_in_a_line(
    words: list[str], status: int, said: str, shoot: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    got, out, err = told(capsys, str(shoot), *words, "--json")
    assert got == status
    assert err.startswith(said)
    assert json.loads(out)["error"].startswith(said)


def test_a_folder_without_a_journal_is_told_and_none_is_made(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert told(capsys, str(tmp_path))[0] == 1
    assert list(tmp_path.iterdir()) == []
    assert told(capsys, str(tmp_path / "none"))[0] == 1
    with pytest.raises(SystemExit, match="2"):
        told(capsys, str(tmp_path), "--setup", "1", "--frame", "1")


def test_a_choice_is_kept_in_the_journal_and_beside_the_frame(shoot: Path) -> None:
    book = Book(shoot, load_thresholds(), sidecar=True)
    before = book.stamp()
    assert book.keep(2, Choice(4, None, "the rim is clear")) == (
        True,
        "Frame 2: chosen 4 of 5, the rim is clear. Beside it: 2.xmp.",
    )
    assert book.stamp() != before
    assert "<xmp:Rating>4</xmp:Rating>" in (shoot / "2.xmp").read_text()
    assert book.opened(1, None, None).page.tiles[1].choice == Choice(4, None, "the rim is clear")
    assert book.keep(2, Choice(0, None, ""))[1].startswith("Frame 2: not chosen any more.")
    assert book.opened(1, None, None).page.tiles[1].choice == Choice(0, None, None)


def test_a_choice_that_cannot_be_kept_is_told(shoot: Path) -> None:
    book = Book(shoot, load_thresholds(), sidecar=True)
    ok, text = book.keep(9, Choice(4, None, None))
    assert not ok
    assert text.startswith("There is no frame 9")
    (shoot / "1.xmp").write_text("no XMP")
    ok, text = book.keep(1, Choice(4, None, None))
    assert not ok
    assert text.startswith("Frame 1: chosen 4 of 5. ")
    assert (shoot / "1.xmp").read_text() == "no XMP"
    alone = Book(shoot, load_thresholds(), sidecar=False)
    assert alone.keep(3, Choice(4, None, None))[0]
    assert not (shoot / "3.xmp").exists()


def test_reading_changes_nothing_that_is_looked_at(shoot: Path) -> None:
    """Else each look at the journal would be the reason for the next."""
    book = Book(shoot, load_thresholds(), sidecar=True)
    before = book.stamp()
    book.opened(None, None, None)
    assert book.stamp() == before


def test_of_other_setups_no_frame_is_read(shoot: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    read: list[tuple[int | None, int | None]] = []
    frames = Journal.frames

    def noted(self: Journal, setup: int | None = None, number: int | None = None) -> list[Kept]:
        read.append((setup, number))
        return frames(self, setup, number)

    monkeypatch.setattr(Journal, "frames", noted)
    book = Book(shoot, load_thresholds(), sidecar=True)
    book.opened(1, None, None)
    book.opened(3, None, 1)
    book.turned(2)
    assert read == [(1, None), (3, None), (1, None), (2, None)]
