"""The review: what a journal tells of a setup, what keys do with it, and how it is drawn and told."""

from __future__ import annotations

import io
import json
import os
import re
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from fakes import clean_backdrop, preview, verdict
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from rich.cells import cell_len
from rich.console import Console

from lampblack.daemon.config import load_thresholds
from lampblack.daemon.journal import Kept
from lampblack.daemon.lampbook import Lamp, LampBook
from lampblack.daemon.noted import Choice, choice_of, readings_of
from lampblack.daemon.record import SetupRecord, Shoot
from lampblack.daemon.review import draw
from lampblack.daemon.review_state import Page, ReviewState, opened, page_of, press, turned
from lampblack.daemon.review_told import against_lines, page_json, page_lines
from lampblack.daemon.style import Style
from lampblack.rules.exposure import exact_f_number
from lampblack.rules.readings import Reading

T = load_thresholds()
SNAPSHOTS = Path(__file__).parent.parent / "snapshots"
SIZES = [(80, 24), (81, 25), (120, 40), (160, 48), (100, 33), (80, 60), (200, 24)]
STYLES = [Style("none"), Style("none", ascii=True), Style("16"), Style("true")]
RICH = {"true": "truecolor", "256": "256", "16": "standard", "none": None}
SGR = re.compile(r"\x1b\[([0-9;]*)m")
PICTURE = preview(48, 32)
HOSTILE = "\x1b[2J\x9b31m\u202e[/red]\r\nname\x00" + "x" * 10_000


def kept(number: int, f_number: float, setup: int = 2, **changes: Any) -> Kept:
    told = verdict(number, f_number, setup=setup, **changes)
    return Kept(f"bowls/{number:04d}.jpg".encode(), f"d{number}", setup, number, told, picture_at(f_number))


@cache
def picture_at(f_number: float) -> dict[str, Any]:
    """The same bowl under the same light."""
    return preview(48, 32, light=(8.0 / exact_f_number(f_number)) ** 2)


def page(setup: SetupRecord, choices: dict[int, Choice] | None = None) -> Page:
    return page_of(Shoot(Path("bowls"), "", [setup], choices or {}, LampBook()), setup, T)


METERED = {p: Reading(p, ev, p) for p, ev in (("key", 13.0), ("fill", 11.0), ("camera", 12.0))}
FLAGLESS = SetupRecord(
    2, "rim lower", "2026-03-02T10:00", [kept(n, f) for n, f in ((1, 16.0), (2, 8.0), (3, 4.0), (4, 11.0))], METERED,
    ["card 40 cm left of the rim"], {"rim": Lamp("rim", "tungsten")},
)  # fmt: skip
FLAG = SetupRecord(3, "flag in", "2026-03-02T11:00", [])
FLAG.frames.append(replace(kept(5, 11.0, 3), verdict=clean_backdrop(verdict(5, 11.0, setup=3))))
BEFORE, AFTER = page(FLAGLESS, {2: Choice(4, None, "the rim is clear")}), page(FLAG)
OPEN = opened("bowls", [1, 2, 3], BEFORE, T)
EMPTY = opened("bowls", [1, 2, 3], page(SetupRecord(1, None, "")), T)


def keys(state: ReviewState, *pressed: str) -> ReviewState:
    for key in pressed:
        done = press(state, key)
        state = done.state
        if done.setup is not None:
            state = turned(state, [1, 2, 3], {1: EMPTY.page, 2: BEFORE, 3: AFTER}[done.setup])
    return state


HELD = keys(OPEN, "h", "right", "right")
STATES = {
    "open": OPEN,
    "empty": EMPTY,
    "held": HELD,
    "large": keys(OPEN, "enter"),
    "two": keys(HELD, "enter"),
    "two setups": keys(OPEN, "H", "down", "enter"),
    "against nothing": keys(OPEN, "H", "up"),
    "against nothing, large": replace(keys(OPEN, "H", "up"), large=True),
    "typing": keys(OPEN, "w", *"the rim"),
    "no pictures": opened(
        "bowls", [2], page(SetupRecord(2, None, "", [replace(kept(1, 8.0), preview={}, verdict={})])), T
    ),
    "many": opened("bowls", [2], page(SetupRecord(2, None, "", [kept(n, 8.0) for n in range(1, 40)])), T, 20),
}


def shown(state: ReviewState, width: int, height: int, look: Style = STYLES[0]) -> str:
    """What goes to a terminal, escape sequences and all."""
    out = io.StringIO()
    system: Any = RICH[look.colours]
    console = Console(
        file=out, width=width, height=height, force_terminal=True, color_system=system, legacy_windows=False,
        _environ={},
    )  # fmt: skip
    console.print(draw(state, width, height, look=look), end="")
    return out.getvalue()


# --- how it looks ---


@pytest.mark.parametrize(
    ("name", "size", "look"),
    [
        ("open", (80, 24), Style("none")),
        ("open", (160, 48), Style("none")),
        ("two setups", (80, 24), Style("none", ascii=True)),
        ("two", (120, 40), Style("none")),
    ],
)
def test_the_review_looks_as_it_did(name: str, size: tuple[int, int], look: Style) -> None:
    """A snapshot, not a reference: run with UPDATE_SNAPSHOTS=1 after a change, and read what it wrote."""
    lines = "".join(line.rstrip() + "\n" for line in shown(STATES[name], *size, look).split("\n"))
    file = SNAPSHOTS / f"review-{name.replace(' ', '-')}-{size[0]}x{size[1]}.txt"
    if os.environ.get("UPDATE_SNAPSHOTS"):
        file.write_text(lines, "utf-8")
    assert lines == file.read_text("utf-8")


@pytest.mark.parametrize("look", STYLES, ids=str)
@pytest.mark.parametrize("size", SIZES, ids=str)
def test_every_line_is_exactly_as_wide_as_the_screen(size: tuple[int, int], look: Style) -> None:
    width, height = size
    for name, state in STATES.items():
        lines = SGR.sub("", shown(state, width, height, look)).split("\n")
        assert len(lines) == height, name
        assert [cell_len(line) for line in lines] == [width] * height, name
        assert not look.ascii or "".join(lines).isascii(), name


@pytest.mark.parametrize("size", [(79, 24), (80, 23), (1, 1), (3, 200)])
def test_too_small_a_screen_is_told_so(size: tuple[int, int]) -> None:
    assert len(shown(OPEN, *size).split("\n")) == size[1]
    assert size[0] < 30 or "the review needs 80x24" in shown(OPEN, *size)


@pytest.mark.parametrize("size", [(80, 24), (160, 48)])
def test_what_is_asked_at_a_glance_is_there(size: tuple[int, int]) -> None:
    """Aperture, clipping, blocked share, backdrop, choice, the forecast's axis, readings, what differs."""
    text = shown(OPEN, *size)
    for said in ("f/16", "0.43%", "2.0%", "1⅓ over right", "chosen 4", "22", "key 16", "fill 8", "camera 11"):
        assert said in text, said
    assert "They differ in exposure (f/4 to f/16," in text


def test_the_selected_frame_is_marked_without_colour_too() -> None:
    assert "▸f/8  frame 2 ◂" in shown(OPEN, 80, 24)
    assert ">f/16  frame 1 <" in SGR.sub("", shown(keys(OPEN, "left"), 80, 24, Style("none", ascii=True)))

    bar = re.search(r"\x1b\[([0-9;]*)m▸f/8  frame 2 ◂ *\x1b", shown(OPEN, 80, 24, Style("16")))
    assert bar is not None
    assert "107" in bar[1].split(";"), "where there is colour its line is a bright bar"


def test_words_that_have_no_room_show_that_there_are_more() -> None:
    lamps = {f"lamp{n}": Lamp(f"lamp{n}", "led") for n in range(40)}
    text = shown(opened("bowls", [2], page(replace(FLAGLESS, lamps=lamps)), T), 160, 48)
    assert "lamp lamp9: led" in text
    assert "lamp39" not in text
    assert "led …" in text


def test_of_a_long_row_those_around_the_selected_one_are_shown() -> None:
    many = STATES["many"]
    assert "▸f/8  frame 20" in shown(many, 80, 24)
    assert "frames 18 to 21 of 1 to 39" in shown(many, 80, 24)
    assert "▸f/8  frame 1 " in shown(keys(many, *["left"] * 50), 80, 24)
    assert "▸f/8  frame 39" in shown(keys(many, *["right"] * 50), 80, 24)


def test_hostile_words_are_shown_as_words() -> None:
    """From a journal that anybody may have written: in names, notes, lamps, places, notices, labels, reasons."""
    told = verdict(1, 8.0, file=HOSTILE, notices=[{"kind": HOSTILE, "text": HOSTILE}], next={"why": HOSTILE})
    frames = [Kept(HOSTILE.encode(), "d", 2, 1, told, PICTURE)]
    read = dict(readings_of([{"setup": 1, "place": HOSTILE, "ev100": 12.0, "said": HOSTILE, "meter": HOSTILE}]))
    lamps = {HOSTILE: Lamp(HOSTILE, HOSTILE)}
    setup = SetupRecord(2, HOSTILE, HOSTILE, frames, {one.place: one for one in read.values()}, [HOSTILE], lamps)
    chosen = choice_of({"rating": 5, "label": HOSTILE, "why": HOSTILE})
    state = opened("x", [2], page(setup, {1: chosen}), T)
    told_in_lines = "\n".join(page_lines(state.page))
    for text in (*(SGR.sub("", shown(s, 160, 48)) for s in (state, keys(state, "enter"))), told_in_lines):
        assert not re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f\u202e]", text)
        assert "[/red]" in text
    assert len(told_in_lines) < 30_000


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.recursive(
        st.none() | st.booleans() | st.floats() | st.integers(-(10**12), 10**12) | st.text(max_size=5),
        lambda inner: st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(
                ["exposure", "f_number", "shutter_s", "iso", "highlights", "subject", "backdrop", "tone", "clean",
                 "code", "p50", "p99", "spill", "over_stops", "forecast", "highlights_subject", "colour", "mired",
                 "steadiness", "shift_px", "pixels", "width", "notices", "kind", "text", "next", "move", "mid_stops"]
            ),
            inner,
        ),
    )
)  # fmt: skip
def test_a_journal_of_any_shape_is_drawn_and_told(said: Any) -> None:
    told = said if isinstance(said, dict) else {"forecast": said, "backdrop": said, "exposure": said}
    setup = SetupRecord(2, None, "", [Kept(b"a", "d", 2, 1, told, {"width": said, "rgb": said}), kept(2, 8.0)])
    state = opened("x", [2], page(setup), T)
    for each in (state, keys(state, "h", "left", "enter")):
        assert shown(each, 80, 24)
    assert list(page_lines(state.page))
    json.dumps(page_json(state.page, T), allow_nan=False)


# --- what keys do ---


def test_it_opens_at_the_frame_that_stands_for_its_setup() -> None:
    assert OPEN.tile is not None
    assert OPEN.tile.number == 2, "the chosen one"
    unrated = opened("x", [2], page(FLAGLESS), T)
    assert unrated.tile is not None
    assert unrated.tile.number == 4, "else the newest"
    asked = opened("x", [2], BEFORE, T, 3)
    assert asked.tile is not None
    assert asked.tile.number == 3


def test_one_key_chooses_and_one_takes_it_back() -> None:
    assert press(OPEN, "5").keep == (2, Choice(5, None, "the rim is clear")), "the reason stays"
    assert press(OPEN, "0").keep == (2, Choice(0, None, "the rim is clear"))
    assert press(EMPTY, "5").keep is None


def test_a_reason_is_typed_and_escape_leaves_it() -> None:
    typing = keys(OPEN, "w")
    assert typing.typing == "the rim is clear"
    typed = keys(typing, *["backspace"] * 5, *"q 5")
    assert typed.typing == "the rim is q 5", "keys are letters now"
    assert press(typed, "enter").keep == (2, Choice(4, None, "the rim is q 5"))
    assert keys(typed, "escape") == OPEN
    assert press(keys(typing, *["backspace"] * 99), "enter").keep == (2, Choice(4, None, ""))


def test_arrows_go_among_frames_and_setups_and_stop_at_the_ends() -> None:
    assert [keys(OPEN, *walked).selected for walked in (["left"] * 9, ["right"] * 9, ["x"])] == [0, 3, 1]
    assert press(OPEN, "down").setup == 3
    assert press(OPEN, "up").setup == 1
    assert press(EMPTY, "up").setup is None
    assert keys(EMPTY, "up").said == "This is the first setup."
    assert press(OPEN, "q").leave


def test_a_frame_that_is_held_tells_what_differs_from_it_even_in_another_setup() -> None:
    assert HELD.against is not None
    assert HELD.against.sentence.startswith("Frame 4 against frame 2: exposed 1 stop less: f/8 to f/11")
    elsewhere = keys(HELD, "down").against
    assert elsewhere is not None
    assert elsewhere.after.title == "frame 5"
    assert any("clean" in line for line in elsewhere.lines)
    assert keys(HELD, "left", "left").against is None, "itself"
    assert keys(HELD, "escape").held is None
    assert keys(HELD, "left", "left", "h").held is None, "the same key lets go"


def test_a_setup_that_is_held_is_told_with_its_lamps_and_backdrop() -> None:
    told = keys(OPEN, "H", "down").against
    assert told is not None
    assert told.sentence.startswith("Setup 3 against setup 2: ")
    assert "lamp rim is not named any more" in told.lines
    assert "the backdrop is clean, and was 1⅓ stops over" in told.lines
    assert keys(OPEN, "H").against is None, "itself"
    none = keys(OPEN, "H", "up").against
    assert none is not None
    assert none.lines[0] == "setup 1 has no frame yet"


def test_a_journal_read_anew_keeps_what_is_selected_and_held() -> None:
    grown = page(replace(FLAGLESS, frames=[*FLAGLESS.frames, kept(6, 5.6)]), {2: Choice(5, None, None)})
    after = turned(HELD, [1, 2, 3], grown)
    assert after.tile is not None
    assert (after.tile.number, len(after.page.tiles)) == (4, 5)
    assert after.held is not None
    assert after.held.tile is not None
    assert after.held.tile.choice.rating == 5, "as it is told now"
    gone = turned(HELD, [2], page(replace(FLAGLESS, frames=FLAGLESS.frames[2:3])))
    assert gone.held is None
    assert gone.tile is not None


# --- as lines and as data ---


def test_it_is_told_in_whole_sentences() -> None:
    lines = list(page_lines(BEFORE))
    assert lines[0] == "Setup 2: rim lower, 4 frames, begun 2026-03-02 10:00 UTC."
    assert "Note: card 40 cm left of the rim." in lines
    frame = next(line for line in lines if line.startswith("Frame 2,"))
    assert "f/8, 1/60 s, ISO 200." in frame
    assert "Subject clipped 0.43 %, ⅔ stop over, blocked 2.0 %." in frame
    assert "Chosen 4 of 5, the rim is clear." in frame
    assert any(line.startswith("  f/16: ") and line.endswith(", shot, reading key") for line in lines)


def test_two_setups_are_told_in_lines() -> None:
    told = keys(OPEN, "H", "down").against
    assert told is not None
    lines = list(against_lines(told))
    assert lines[0].startswith("Setup 2: rim lower. Frame 2, ")
    assert lines[2] == "From setup 2 to setup 3:"


def test_as_data_it_has_every_figure_and_what_differs() -> None:
    data = page_json(BEFORE, T)
    assert [frame["frame"] for frame in data["frames"]] == [1, 2, 3, 4]
    assert data["frames"][0]["differs"] == []
    assert data["frames"][1]["differs"][0]["kind"] == "exposure"
    assert data["frames"][1]["differs"][0]["amount"] == pytest.approx(2.0)
    assert data["readings"][0] == {"place": "key", "f_number": 16.0}
    assert len(data["forecast"]) == 19
