"""A shoot handed over whose every word is hostile: text in the page, in drawings, in the table, and nothing else."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import pytest
from lxml import etree, html

from lampblack.daemon.journal import Kept
from lampblack.daemon.lampbook import CIRCUIT, FLOOR, LAMP, SHOWS, LampBook
from lampblack.daemon.noted import Choice
from lampblack.daemon.page import Page, make_page
from lampblack.daemon.record import SetupRecord, Shoot
from lampblack.daemon.sheet import as_json, table
from lampblack.rules.readings import Reading

MARKUP = "\"><script>alert(1)</script><img src=x onerror=alert(1)> '</title></svg><svg onload=alert(1)> &lt;b&gt;"
HOSTILE = {
    "markup": MARKUP,
    "odd": "={{ 7 * 7 }}{%\x1b[31m\x07\x00\x9b2J\r\nc\u202eb\u2066c\u200fd\ufeffe\ud800 ${x} <%= x %>",
    "long": "<b>" * 3_400,
}
NEVER = ("\x1b", "\x07", "\x00", "\x9b", "\u202e", "\u2066", "\u200f", "\ufeff", "\ud800")
TAGS = {
    *(
        "html",
        "head",
        "meta",
        "title",
        "style",
        "body",
        "header",
        "main",
        "section",
        "nav",
        "article",
        "h1",
        "h2",
        "h3",
    ),
    *("p", "a", "ol", "ul", "li", "span", "strong", "div", "img", "label", "input", "figure", "figcaption"),
    *("table", "thead", "tbody", "tr", "th", "td", "svg", "g", "path", "rect", "line", "circle", "polyline", "polygon"),
    *("text", "tspan"),
}


def verdict(number: int, word: str) -> dict[str, Any]:
    outcome = {"highlights_subject": 0.01, "shadows_subject": 0.02}
    return {
        "file": word, "frame": number, "taken_at": word, "camera": word, "lens": word,
        "exposure": {"f_number": 8.0, "shutter_s": 1 / 60, "iso": 100, "ev100": 12.0},
        "pixels": {"kind": "raw"}, "highlights": {"subject": 0.01, "frame": 0.1}, "shadows": {"subject": 0.02},
        "backdrop": {"tone": word, "clean": False}, "next": {"why": word},
        "notices": [{"kind": "spill", "text": word}],
        "colour": {"mired": 312.0 + number, "from": word},
        "forecast": [{"f_number": f, "shot": f == 8, **outcome} for f in (4.0, 5.6, 8.0, 11.0)],
    }  # fmt: skip


def shoot_of(place: Path, word: str) -> Shoot:
    """A shoot whose journal another has written: nothing in it was cleaned."""
    book = LampBook()
    for name, facts in (
        (word, {"kind": "led", "modifier": word, "gel": word, "role": word, "circuit": word}),
        (f"z{word}", {"kind": "flag", "of": word, "size": 0.4}),
        (f"r{word}", {"kind": None}),
    ):
        told = {"setup": 1, "name": name, "distance": 1.0 + len(facts), "bearing": 130.0, **facts}
        book.note(LAMP, json.dumps(told))
    book.note(LAMP, json.dumps({"setup": 1, "name": f"y{word}", "bearing": -20.0}))
    book.note(FLOOR, json.dumps({"setup": 1, "camera": 2.0, "backdrop": 1.0}))
    book.note(SHOWS, json.dumps({"frame": 1, "what": word}))
    book.note(SHOWS, json.dumps({"frame": 2, "what": f"z{word}"}))
    book.note(CIRCUIT, json.dumps({"name": word, "rating": "230V,16A"}))
    setups = [SetupRecord(number, word, "2026-03-02T10:00:00Z") for number in (1, 2)]
    for setup in setups:
        setup.notes = [word]
        setup.readings = {word: Reading(word, 11.0, word, word)}
        setup.lamps = book.lamps(setup.number)
        setup.frames = [
            Kept(b"gone.jpg", "", setup.number, n, verdict(n, word), {"width": 2, "height": word, "rgb": word})
            for n in (2 * setup.number - 1, 2 * setup.number)
        ]
    return Shoot(place / "x", word, setups, {n: Choice(4, word, word) for n in range(1, 5)}, book)


@pytest.fixture(scope="module", params=HOSTILE)
def made(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Shoot, Page]:
    word = HOSTILE[request.param]
    shoot = shoot_of(tmp_path_factory.mktemp("hostile"), word)
    return word, shoot, make_page(shoot, "class")


def test_the_page_has_no_tags_and_asks_for_nothing_but_its_own(made: tuple[str, Shoot, Page]) -> None:
    word, _, page = made
    text = page.html
    assert not any(char in text for char in NEVER)
    tree = html.fromstring(text)
    assert {each.tag for each in tree.iter(etree.Element)} <= TAGS
    for each in tree.iter(etree.Element):
        assert not any(name.startswith("on") for name in each.attrib), each.tag
        for name in ("src", "href"):
            assert each.get(name, "#").startswith(("data:", "#")), each.attrib
    assert len(tree.findall(".//article")) == 4
    assert "49" not in " ".join(tree.xpath("//h2/text()")), "what looks like a template is no template"
    if word == MARKUP:
        said = tree.text_content()
        assert said.count("<script>alert(1)</script>") > 10, "shown as it was written"
        assert any("<script" in "".join(svg.itertext()) for svg in tree.iter("svg"))
    assert len(text) < 400_000


def test_the_table_stays_a_table_without_formulas(made: tuple[str, Shoot, Page]) -> None:
    _, shoot, _ = made
    text = table(shoot)
    assert not any(char in text for char in NEVER)
    rows = list(csv.reader(io.StringIO(text)))
    assert len(rows) == 5
    assert len({len(row) for row in rows}) == 1
    for row in rows[1:]:
        assert not any(cell[:1] in tuple("=+@\t\r＝＋＠") for cell in row)
        assert max(map(len, row)) <= 2001


def test_data_is_data(made: tuple[str, Shoot, Page]) -> None:
    _, shoot, page = made
    said = json.loads(json.dumps(as_json(shoot, page)))
    assert [len(setup["frames"]) for setup in said["setups"]] == [2, 2]
    assert len(said["setups"][0]["lamps"]) == 4


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "＝", "＋", "－", "＠", " =", "\t=", "\u200b="])
def test_no_cell_begins_as_a_formula_does(start: str, tmp_path: Path) -> None:
    """The characters that OWASP's page on CSV injection lists, full width too, and behind what is not seen."""
    shoot = shoot_of(tmp_path, f"{start}1+1")
    for row in list(csv.DictReader(io.StringIO(table(shoot)))):
        assert row["why"].startswith("'")
        assert row["setup"].startswith("'")


def test_a_class_is_told_each_piece_of_physics_once_and_what_was_moved(tmp_path: Path) -> None:
    """Three setups: the second as the first, in the third the rim stands twice as far off."""
    book = LampBook()
    told = {"setup": 1, "name": "rim", "kind": "led", "distance": 1.0, "bearing": 120.0}
    book.note(LAMP, json.dumps(told))
    book.note(FLOOR, json.dumps({"setup": 1, "camera": 2.0, "backdrop": 1.0}))
    book.note(LAMP, json.dumps({"setup": 3, "name": "rim", "distance": 2.0}))
    setups = [SetupRecord(number, f"set {number}", "", lamps=book.lamps(number)) for number in (1, 2, 3)]
    for setup in setups:
        setup.frames = [
            Kept(b"gone.jpg", "", setup.number, n, verdict(n, "black"), {})
            for n in (2 * setup.number - 1, 2 * setup.number)
        ]
    shoot = Shoot(tmp_path / "x", "2026-03-02T10:00:00Z", setups, {}, book)
    text, short = (
        " ".join(html.fromstring(make_page(shoot, reader).html).text_content().split())
        for reader in ("class", "client")
    )
    assert text.count("from above, to scale") == 2
    assert text.count("As in the setup before.") == 1
    assert "rim is 2 m from the subject (1 m before: 2 stops less)" in text
    assert text.count("A card between the two takes it away") == 3, "once a setup, though each has two such frames"
    assert text.count("On the backdrop, 1 m behind, there is") == 2, "anew only where the lamp was moved"
    assert "A card between" not in short
    assert "On the backdrop, 1 m behind" not in short
    assert "rim: led, at 1 m" in short
