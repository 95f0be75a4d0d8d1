"""The page in a browser: nothing asked of anybody, switches, both schemes, a phone, paper; names and contrast."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browsing import Browser, needs_browser, npm_script
from watching import jpeg, run, watching

from lampblack.mock_camera.body import Settings
from lampblack.mock_camera.studio import Studio

pytestmark = [pytest.mark.slow, needs_browser]

HOSTILE = '"><img src=http://outside.example/x onerror="document.title=1"> \u202e\x1b[31m'
LAMPS = ("key", "fill", "rim")
MANY = 30  # frames in the last setup: its rows run over more than one page


def photograph(folder: Path, studio: Studio, number: int, f_number: float, kind: str = "jpeg") -> Path:
    settings = Settings(
        f_number=f_number, shutter_s=1 / 64, shutter="1/60", iso=200, white_balance="tungsten", formats=(kind,),
        taken_at=f"2026-03-02T10:{number:02}:00.00",
    )  # fmt: skip
    path = folder / f"bowl{number:02}.{'dng' if kind == 'dng' else 'jpg'}"
    path.write_bytes(studio.photograph(settings, number, 1.5).files[0][1])
    return path


def say(*words: str) -> None:
    done = run(words[0], str(say.folder), *words[1:])  # type: ignore[attr-defined]
    assert done.returncode == 0, done.stderr


@pytest.fixture(scope="module")
def shoot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Lamps on black, told and shot one by one; white, in raw; and many frames."""
    folder = tmp_path_factory.mktemp("shoot") / "bowls"
    folder.mkdir()
    say.folder = folder  # type: ignore[attr-defined]
    studio, count = Studio.load("black"), 0
    with watching(folder) as service:

        def shoot_at(f_number: float, kind: str = "jpeg") -> None:
            nonlocal count
            count += 1
            photograph(folder, studio, count, f_number, kind)
            service.until(lambda: len(service.files) == count)

        say("slate", HOSTILE, "--rename", "1")
        say("reading", "key=11@1/60,200", "fill=5.6@1/60,200")
        say("lamp", "key", "--distance", "1.6", "--at", "45left", "--size", "0.9", "--modifier", HOSTILE)
        say("lamp", "fill", "--distance", "2.2", "--at", "35right")
        say("lamp", "rim", "--distance", "1.1", "--at", "130right", "--size", "0.1")
        say("lamp", "card", "--kind", "flag", "--distance", "1", "--at", "145right", "--size", "0.4", "--for", "rim")
        say("lamp", HOSTILE[:35], "--at", "100left")
        say("lamp", "--camera", "2.4", "--backdrop", "1.3")
        for f_number in (5.6, 11):
            shoot_at(f_number)
        for lamp in LAMPS:
            for other in LAMPS:
                studio.set_lamp(other, 0.0 if other == lamp else None)
            shoot_at(5.6)
            say("lamp", lamp, "--frame", "newest")
        say("choose", "2", "--rating", "4", "--why", HOSTILE)
        say("slate", "white")
        studio.arrange("white")
        for f_number in (8, 5.6):
            shoot_at(f_number, "dng")
        say("slate", "white")  # two may be called alike
        for _ in range(MANY):
            count += 1
            (folder / f"{count}.jpg").write_bytes(jpeg(count))
        service.until(lambda: len(service.files) == count, 120)
    return folder


@pytest.fixture(scope="module")
def page(shoot: Path) -> Path:
    done = run("report", str(shoot), "--for", "class")
    assert done.returncode == 0, done.stderr
    return shoot / "report.html"


@pytest.fixture
def browser(tmp_path: Path) -> Iterator[Browser]:
    return Browser(tmp_path)


def test_it_opens_without_an_error_and_asks_nothing_of_anybody(page: Path, browser: Browser, tmp_path: Path) -> None:
    done = browser.run(page, "--enable-logging=stderr", "--dump-dom")
    assert done.returncode == 0
    assert not re.findall(r"CONSOLE.*", done.stderr)
    assert done.stdout.count("<article") == 7 + MANY
    assert browser.asks(page) == []
    other = tmp_path / "other.html"
    other.write_text('<img src="http://outside.example/x">')
    assert browser.asks(other) == ["http://outside.example/x"], "it would be noticed"


def test_switches_show_what_is_burnt_out_and_what_spilled(page: Path, browser: Browser) -> None:
    script = """
        const shown = (box) => getComputedStyle(box.closest(".card").querySelector(
            box.className == "show-clipped" ? ".over-clipped" : ".over-spilled")).display;
        return [...document.querySelectorAll(".switches input")].map((box) => {
            const off = shown(box); box.click(); const on = shown(box); box.click();
            const over = box.closest(".card").querySelector(".over"), view = over.parentElement.querySelector("img");
            over.style.display = "block";
            return [box.className, off, on, shown(box) == off || shown(box) == "block",
                Math.abs(over.offsetWidth - view.offsetWidth) + Math.abs(over.offsetHeight - view.offsetHeight)];
        });"""
    told = browser.told(page, script)
    assert {name for name, *_ in told} == {"show-clipped", "show-spilled"}
    for name, off, on, again, apart in told:
        assert (off, on, again) == ("none", "block", True), name
        assert apart <= 2, "it lies on the picture"


@pytest.mark.parametrize("dark", [False, True])
def test_names_and_roles_pass_the_accessibility_checker(
    page: Path, browser: Browser, tmp_path_factory: pytest.TempPathFactory, dark: bool
) -> None:
    """All of axe-core's rules: WCAG 2.2 A and AA, and its best practices."""
    axe = npm_script(tmp_path_factory.getbasetemp() / "npm", "axe-core@4", "axe.min.js")
    script = """
        const told = await axe.run(document, {resultTypes: ["violations", "incomplete"]});
        const brief = (rules) => rules.map((r) => [r.id, r.nodes.length, r.nodes[0].html.slice(0, 200)]);
        return {dark: matchMedia("(prefers-color-scheme: dark)").matches, passed: told.passes.length,
            wrong: brief(told.violations), unsure: brief(told.incomplete)};"""
    told = browser.told(page, script, dark=dark, before=axe)
    assert told["dark"] == dark
    assert told["passed"] > 20
    assert told["wrong"] == []
    assert {rule for rule, *_ in told["unsure"]} <= {"color-contrast"}, "that is measured below, in drawings too"
    broken = tmp_path_factory.mktemp("broken") / "broken.html"
    broken.write_text(page.read_text("utf-8").replace(' alt="', ' data-alt="').replace(' lang="en"', ""), "utf-8")
    assert {"image-alt", "html-has-lang"} <= {
        rule for rule, *_ in browser.told(broken, script, dark=dark, before=axe)["wrong"]
    }, "it would be noticed"


CONTRAST = """
    const linear = (v) => (v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
    const light = (c) => { const [r, g, b] = c.map(linear); return 0.2126 * r + 0.7152 * g + 0.0722 * b };
    const rgba = (text) => { const v = text.match(/[0-9.]+/g).map(Number); return [v.slice(0, 3), v[3] ?? 1] };
    const behind = (el) => { for (; el; el = el.parentElement) {
        const [c, a] = rgba(getComputedStyle(el).backgroundColor); if (a == 1) return c } return [255, 255, 255] };
    const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT), found = [];
    for (let node; (node = walker.nextNode()); ) {
        const el = node.parentElement;
        if (!node.data.trim() || !el.getClientRects().length || /^(script|title|style)$/i.test(el.tagName)) continue;
        const style = getComputedStyle(el), drawn = el.closest("svg");
        const [c] = rgba(drawn ? style.fill : style.color), two = [light(c), light(behind(el))].sort((a, b) => b - a);
        found.push([(two[0] + 0.05) / (two[1] + 0.05), node.data.trim().slice(0, 60), Boolean(drawn)]);
    }
    return found;"""


@pytest.mark.parametrize("dark", [False, True])
def test_words_stand_out_from_what_is_behind_them(page: Path, browser: Browser, dark: bool) -> None:
    """At least 4.5:1 (WCAG 2.2, 1.4.3 and its definition of contrast ratio); words in drawings too."""
    told = browser.told(page, CONTRAST, dark=dark)
    assert sum(drawn for *_, drawn in told) > 50
    assert [one for one in told if one[0] < 4.5] == []


@pytest.mark.parametrize("wide", [360, 390, 800])
def test_nothing_is_wider_than_a_phone(page: Path, browser: Browser, wide: int) -> None:
    """What must be wide is moved inside its own frame, which the keyboard reaches; letters stay legible."""
    script = """
        const small = [...document.querySelectorAll("svg text")].filter((t) => t.getBoundingClientRect().height > 0)
            .map((t) => t.getBoundingClientRect().height / (t.querySelectorAll("tspan").length || 1));
        return [innerWidth, document.documentElement.scrollWidth, Math.min(...small),
            [...document.querySelectorAll(".wide")].filter((e) => e.scrollWidth > e.clientWidth && e.tabIndex).length];
    """
    inner, scrolled, least, unreachable = browser.told(page, script, wide=wide)
    assert inner == wide
    assert scrolled <= inner
    assert least >= 9
    assert unreachable == 0


@pytest.mark.parametrize(("paper", "size"), [("A4", (595.3, 841.9)), ("letter", (612, 792))])
def test_no_table_is_cut_on_paper(page: Path, browser: Browser, paper: str, size: tuple[float, float]) -> None:
    """Each row stands whole on one page, with its table's head above it; nothing runs off the paper."""
    pdfium: Any = pytest.importorskip("pypdfium2")
    rows = browser.told(
        page,
        """return [...document.querySelectorAll("table")].map((t) => [...t.querySelectorAll("tr")].map(
            (r) => [...r.cells].map((c) => c.innerText.trim())));""",
    )
    pages = []
    for sheet in pdfium.PdfDocument(browser.printed(page, paper)):
        assert sheet.get_size() == pytest.approx(size, abs=1.5)
        text = sheet.get_textpage()
        boxes = [text.get_charbox(i) for i in range(text.count_chars())]
        assert all(left >= 30 and right <= size[0] - 30 for left, _, right, _ in boxes if right > left)
        pages.append(re.sub(r"\s+", "", text.get_text_bounded()))
    assert len(pages) > 5
    assert [len(table) for table in rows] == [1 + len(LAMPS), 1 + 7 + MANY]
    for head, *body in rows:
        spread = set()
        for row in body:
            found = [i for i, text in enumerate(pages) if re.sub(r"\s+", "", "".join(row)) in text]
            assert found, f"cut: {row}"
            assert re.sub(r"\s+", "", "".join(head)) in pages[found[-1]], "its head is on the page"
            spread.add(found[-1])
    assert len(spread) > 1, "the long table runs over more than one page"


def test_hostile_words_are_text_and_nothing_else(page: Path, browser: Browser) -> None:
    """In a title, a lamp's name and facts, a reason: markup is shown, direction overrides and escapes are gone."""
    text = page.read_text("utf-8")
    assert "\u202e" not in text
    assert "\x1b" not in text
    images, titled, said = browser.told(
        page,
        """return [[...document.images].filter((i) => !i.src.startsWith("data:")).length, document.title,
            document.body.innerText.split("onerror=").length - 1 +
            [...document.querySelectorAll("svg")].filter((s) => s.textContent.includes("<img src=")).length];""",
    )
    assert images == 0
    assert titled.startswith("bowls")
    assert said > 5
