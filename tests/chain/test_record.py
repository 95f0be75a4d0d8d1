"""A shoot kept and handed over: slate, note, choice, sidecar, page, table; from journals that a real service wrote."""

from __future__ import annotations

import csv
import html.parser
import io
import json
import shutil
import sqlite3
from pathlib import Path

import pytest
from PIL import Image
from watching import journal_rows, jpeg, run, run_here, watching

HOSTILE = '=cmd|"/c calc"!A1 <script>alert(1)</script> & \x1b[31m \u202e"quoted"'


@pytest.fixture(scope="module")
def handed_over(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("kept") / "bowls"
    folder.mkdir()
    (folder / "1.jpg").write_bytes(jpeg(1))
    (folder / "2.jpg").write_bytes(jpeg(2))
    with watching(folder) as service:
        service.until(lambda: len(service.files) == 2)
        assert run("reading", str(folder), "key=11", "fill=5.6").returncode == 0
        assert run("note", str(folder), HOSTILE).returncode == 0
        assert run("choose", str(folder), "2", "--rating", "4", "--why", HOSTILE).returncode == 0
        assert run("slate", str(folder), "rim lower").returncode == 0
        (folder / "3.jpg").write_bytes(jpeg(3))
        service.until(lambda: len(service.files) == 3)
    return folder


@pytest.fixture
def shoot(handed_over: Path, tmp_path: Path) -> Path:
    """A copy of one's own, that may be spoiled."""
    return shutil.copytree(handed_over, tmp_path / "bowls")


class Page(html.parser.HTMLParser):
    """Collects what a browser would ask for, and the tags there are."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.asked: list[str] = []
        self.tags: list[str] = []
        self.text: list[str] = []
        self.alts: list[bool] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        for name, value in attrs:
            if name in ("src", "href", "srcset", "action", "data") and value and not value.startswith(("data:", "#")):
                self.asked.append(value)
        if tag == "img":
            self.alts.append("alt" in dict(attrs))

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def test_the_page_is_whole_and_asks_nothing_of_anybody(shoot: Path) -> None:
    done = run("report", str(shoot), "--for", "class", "--csv", str(shoot / "t.csv"))
    assert done.returncode == 0, done.stderr
    text = (shoot / "report.html").read_text("utf-8")
    page = Page(text)
    assert page.asked == []
    assert "script" not in page.tags
    assert "url(" not in text
    assert all(page.alts), "every picture has words, or says that it needs none"
    assert page.tags.count("article") == 3
    said = " ".join(page.text)
    for fact in (
        "rim lower",
        "key to fill: 2 stops, 4:1",
        "Local codes and a licensed electrician decide",
        "Why this one",
    ):
        assert fact in said, fact
    assert "<script>alert(1)</script>" in said, "hostile words are shown, as text"
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert len(text) < 15_000_000


def test_the_table_holds_no_formula(shoot: Path) -> None:
    assert run_here("report", str(shoot), "--csv", str(shoot / "t.csv")).returncode == 0
    rows = list(csv.DictReader(io.StringIO((shoot / "t.csv").read_text("utf-8-sig"))))
    assert [row["frame"] for row in rows] == ["1", "2", "3"]
    assert rows[1]["rating"] == "4"
    assert rows[1]["why"].startswith("'=cmd")
    assert all(not cell.startswith(("=", "+", "@")) for row in rows for cell in row.values())


def test_a_choice_lies_beside_the_frame_and_never_in_it(shoot: Path) -> None:
    assert (shoot / "2.jpg").read_bytes() == jpeg(2)
    sidecar = (shoot / "2.xmp").read_text("utf-8")
    assert "<xmp:Rating>4</xmp:Rating>" in sidecar
    assert "&lt;script&gt;" in sidecar
    assert run("choose", str(shoot), "9", "--rating", "4").returncode == 1
    assert run_here("choose", str(shoot), "1", "--rating", "7").returncode == 2
    assert not (shoot / "1.xmp").exists()


def test_a_shoot_is_told_as_data_found_and_moved(shoot: Path, tmp_path: Path) -> None:
    done = run_here("report", str(shoot), "--json")
    said = json.loads(done.stdout)
    assert [setup["name"] for setup in said["setups"]] == [None, "rim lower"]
    assert [len(setup["frames"]) for setup in said["setups"]] == [2, 1]
    assert said["setups"][0]["frames"][1]["choice"]["rating"] == 4
    moved = tmp_path / "elsewhere" / "bowls of last week"
    shutil.copytree(shoot, moved)
    shutil.rmtree(shoot)
    found = [json.loads(line) for line in run("shoots", str(tmp_path), "--json").stdout.splitlines()]
    assert [(Path(one["folder"]).name, one["frames"], one["chosen"]) for one in found] == [("bowls of last week", 3, 1)]
    assert run_here("report", str(moved)).returncode == 0


def test_a_shoot_copied_in_mid_run_goes_on_elsewhere(folder: Path, tmp_path: Path) -> None:
    """The copy is sound and, watched, measures no frame again: what is known of it is still known."""
    copy = tmp_path / "other disk" / "bowls"
    with watching(folder) as service:
        for number in (1, 2, 3):
            (folder / f"{number}.jpg").write_bytes(jpeg(number, f_number=(4.0, 5.6, 8.0)[number - 1]))
            service.until(lambda n=number: len(service.files) == n)
        shutil.copytree(folder, copy, ignore=shutil.ignore_patterns(".lampblack.lock"), copy_function=shutil.copyfile)
        (folder / "4.jpg").write_bytes(jpeg(4))
        service.until(lambda: len(service.files) == 4)
    done = run_here("shoots", str(tmp_path), "--check")
    assert (done.returncode, done.stderr) == (0, "")
    assert [line.rpartition(" ")[2] for line in done.stdout.splitlines()] == ["4", "3"]
    with watching(copy) as service:
        # Files this young are looked at twice before they are known to be whole.
        service.until(lambda: service.status()["service"]["state"] == "watching")
        service.until(lambda: service.status()["counts"]["waiting"] == 0)
        assert service.status()["counts"] == {"frames": 3, "refused": 0, "waiting": 0, "duplicates": 0}
        (copy / "5.jpg").write_bytes(jpeg(5, f_number=11.0))
        service.until(lambda: len(service.files) == 4)
        shots = [shot["f_number"] for shot in service.frames[-1]["forecast"] if shot["shot"]]
        assert shots == [4.0, 5.6, 8.0, 11.0], "what the frames taught before the move serves the new one"
    assert journal_rows(copy, "SELECT count(*) FROM verdict") == [(4,)]
    (copy / "1.jpg").unlink()
    done = run_here("shoots", str(copy), "--check", "--json")
    assert done.returncode == 1
    assert json.loads(done.stdout)["gone"] == ["1.jpg"]


def test_a_journal_is_exported_whole(shoot: Path, tmp_path: Path) -> None:
    """As SQL that makes it again, as lines of JSON with all that was ever said; over no journal."""
    assert run_here("shoots", str(shoot), "--export", str(tmp_path / "all.sql")).returncode == 0
    (tmp_path / "again").mkdir()
    made = sqlite3.connect(tmp_path / "again" / "lampblack.journal")
    made.executescript((tmp_path / "all.sql").read_text("utf-8"))
    made.close()
    was, now = (json.loads(run_here("report", str(place), "--json").stdout) for place in (shoot, tmp_path / "again"))
    assert now["setups"] == was["setups"]
    assert run_here("shoots", str(shoot), "--export", str(tmp_path / "all.jsonl")).returncode == 0
    lines = [json.loads(line) for line in (tmp_path / "all.jsonl").read_text("utf-8").splitlines()]
    tables = [line["table"] for line in lines]
    assert (tables.count("frame"), tables.count("setup")) == (3, 2)
    assert [line["row"]["path"] for line in lines if line["table"] == "frame"] == ["1.jpg", "2.jpg", "3.jpg"]
    assert run_here("shoots", str(shoot), "--export", str(shoot / "lampblack.journal")).returncode == 2
    assert run_here("shoots", str(tmp_path), "--export", str(tmp_path / "two.sql")).returncode == 1


def test_setups_can_be_renamed_afterwards(shoot: Path) -> None:
    assert run("slate", str(shoot), "key only", "--rename", "1").returncode == 0
    assert run_here("slate", str(shoot), "x", "--rename", "7").returncode == 1
    said = json.loads(run_here("report", str(shoot), "--json").stdout)
    assert [setup["name"] for setup in said["setups"]] == ["key only", "rim lower"]


def test_contact_sheets_are_written_beside_the_page(shoot: Path, tmp_path: Path) -> None:
    (shoot / "1.jpg").unlink()  # its small picture is in the journal
    done = run_here("report", str(shoot), "--contact", str(tmp_path / "sheet.png"))
    assert "sheet.png" in done.stdout
    with Image.open(tmp_path / "sheet.png") as sheet:
        assert sheet.format == "PNG"
        assert sheet.width == 1800
    assert run_here("report", str(shoot), "--contact", str(tmp_path / "sheet.jpg")).returncode == 2


def test_what_cannot_be_read_is_named_and_the_rest_is_told(shoot: Path) -> None:
    (shoot / "2.jpg").unlink()
    done = run_here("report", str(shoot))
    assert done.returncode == 1
    assert "2.jpg" in done.stderr
    assert Page((shoot / "report.html").read_text("utf-8")).tags.count("article") == 3
    assert run_here("report", str(shoot / "none")).returncode == 1
    assert run_here("report", str(shoot), "--out", str(shoot / "no" / "r.html")).returncode == 1


def test_notes_are_put_right_as_the_readme_says(folder: Path) -> None:
    with watching(folder):
        pass

    def notes(*words: str) -> str:
        done = run("note", str(folder), *words)
        assert done.returncode == 0, done.stderr
        return done.stdout

    notes("card 40 cm left")
    notes("--instead-of", "1", "card 30 cm left of the rim")
    assert notes().startswith("1: card 30 cm left of the rim")
    assert run_here("note", str(folder), "--instead-of", "x", "y").returncode == 1
    notes("--remove", "1")
    assert "Nothing is noted" in notes()
