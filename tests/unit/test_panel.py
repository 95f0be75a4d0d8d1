"""The panel fits, says what it must at every size, and lets nothing through that could drive a terminal."""

from __future__ import annotations

import base64
import doctest
import io
import os
import re
import unicodedata
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from fakes import camera, clean_backdrop, preview, shoot_state, verdict
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from rich.cells import cell_len
from rich.console import Console

from lampblack.daemon import halfblocks, panel_state, style, words
from lampblack.daemon.cues import DONE, LOOK, UNCLEAN, cue
from lampblack.daemon.keyboard import Keyboard
from lampblack.daemon.letters import faces, fitting
from lampblack.daemon.panel import PanelState, Style, draw, fold, press
from lampblack.daemon.panel_state import FRAMES_KEPT, name_and_want, owed
from lampblack.daemon.told import Preview
from lampblack.daemon.words import flag_headline, step_headline, tell
from lampblack.rules import figures
from lampblack.rules.spots import parse_spot

SNAPSHOTS = Path(__file__).parent.parent / "snapshots"
SIZES = [(80, 24), (81, 25), (120, 40), (200, 60), (100, 33), (80, 60), (200, 24)]
STYLES = [Style("none"), Style("none", ascii=True), Style("16"), Style("256"), Style("true"), Style("16", ascii=True)]
RICH = {"true": "truecolor", "256": "256", "16": "standard", "none": None}
SGR = re.compile(r"\x1b\[([0-9;]*)m")


def shown(state: PanelState, width: int, height: int, look: Style = STYLES[0]) -> str:
    """What goes to a terminal, escape sequences and all."""
    out = io.StringIO()
    console = Console(
        file=out,
        width=width,
        height=height,
        force_terminal=True,
        color_system=RICH[look.colours],
        legacy_windows=False,
        _environ={},
    )
    console.print(draw(state, width, height, look=look), end="")
    return out.getvalue()


def folded(*events: dict[str, Any], state: PanelState | None = None) -> PanelState:
    state = state or PanelState()
    for event in events:
        state = fold(state, event)
    return state


def hello(**changes: Any) -> dict[str, Any]:
    return {"event": "hello", "protocol": 1, "state": shoot_state(**changes)}


BRACKET = folded(hello())
WELL = folded(
    {"event": "frame", "verdict": clean_backdrop(verdict(5, 14.0)), "preview": preview(spill=False)}, state=BRACKET
)
LIGHT = {"move": "light", "stops": None, "f_number": 16.0, "why": "Keep the light from the right off the backdrop."}
SPOTS = [
    {
        "name": "lip",
        "x": 0.31,
        "y": 0.4,
        "stops": 0.67,
        "zone": "VI",
        "bound": None,
        "want_stops": 1,
        "off_stops": -0.33,
    },
    {"name": "foot", "x": 0.5, "y": 0.97, "stops": -3.1, "zone": "II", "bound": "at most", "want_stops": None},
]
SPOTTED = folded({"event": "frame", "verdict": verdict(5, 9.0, spots=SPOTS), "preview": preview()}, state=BRACKET)


def keyed(state: PanelState, *keys: str) -> PanelState:
    for key in keys:
        state = press(state, key).state
    return state


def answered(state: PanelState, text: str, number: int = 40, **more: Any) -> PanelState:
    """The state once what it owes is asked and answered."""
    assert owed(state) is not None
    state = fold(state, {"event": "sent", "do": "place", "id": number})
    return fold(state, {"event": "reply", "to": number, "ok": True, "text": text, **more})


PLACING = answered(keyed(SPOTTED, ".", "left", "shift-up"), "zone VI, ⅔ stop over mid grey", stops=0.67, bound=None)
STATES = {
    "placing": PLACING,
    "placing at the edge": keyed(BRACKET, ".", ",", *["shift-left"] * 3, *["shift-down"] * 3),
    "on a spot": keyed(PLACING, "."),
    "naming a spot": keyed(PLACING, "enter", *"rim VI"),
    "placing, service lost": fold(PLACING, {"event": "link", "up": False}),
    "nothing": PanelState(),
    "no frames": folded(hello(frames=[], refused=[])),
    "bracket": BRACKET,
    "well": WELL,
    "light": folded({"event": "frame", "verdict": verdict(6, 16.0, next=LIGHT)}, state=BRACKET),
    "no camera": folded({"event": "camera", "camera": {"state": "none"}}, state=BRACKET),
    "camera lost": folded(
        {"event": "camera", "camera": camera(state="lost", text="It doesn't answer.")}, state=BRACKET
    ),
    "folder gone": folded({"event": "service", "service": {"state": "folder-gone", "text": "Gone."}}, state=BRACKET),
    "service lost": folded({"event": "link", "up": False}, state=BRACKET),
    "spots": SPOTTED,
    "typing": replace(BRACKET, typing="card between rim and wall"),
    "bare verdict": folded({"event": "frame", "verdict": {}}, state=BRACKET),
    "many frames": folded(hello(frames=[{"verdict": verdict(n), "preview": preview(8, 6)} for n in range(30)])),
}


# --- snapshots, to be read ---


@pytest.mark.parametrize(
    ("name", "state", "size", "look"),
    [
        ("bracket-80x24", BRACKET, (80, 24), Style("none")),
        ("bracket-120x40", BRACKET, (120, 40), Style("none")),
        ("bracket-200x60", BRACKET, (200, 60), Style("none")),
        ("bracket-80x24-ascii", BRACKET, (80, 24), Style("none", ascii=True)),
        ("well-80x24", WELL, (80, 24), Style("none")),
        ("spots-80x24", SPOTTED, (80, 24), Style("none")),
        ("spots-120x40", SPOTTED, (120, 40), Style("none")),
        ("placing-80x24", PLACING, (80, 24), Style("none")),
        ("placing-80x24-ascii", keyed(PLACING, "."), (80, 24), Style("none", ascii=True)),
        ("placing-120x40", keyed(PLACING, "enter", *"rim VI"), (120, 40), Style("none")),
        ("camera-lost-80x24", STATES["camera lost"], (80, 24), Style("none")),
        ("service-lost-120x40", STATES["service lost"], (120, 40), Style("none")),
    ],
)
def test_the_panel_looks_as_it_did(name: str, state: PanelState, size: tuple[int, int], look: Style) -> None:
    """A snapshot, not a reference: run with UPDATE_SNAPSHOTS=1 after a change, and read what it wrote."""
    lines = "".join(line.rstrip() + "\n" for line in shown(state, *size, look).split("\n"))
    file = SNAPSHOTS / f"{name}.txt"
    if os.environ.get("UPDATE_SNAPSHOTS"):
        SNAPSHOTS.mkdir(exist_ok=True)
        file.write_text(lines, "utf-8")
    assert lines == file.read_text("utf-8")


# --- it fits ---


@pytest.mark.parametrize("look", STYLES, ids=str)
@pytest.mark.parametrize("size", SIZES, ids=str)
def test_every_line_is_exactly_as_wide_as_the_screen(size: tuple[int, int], look: Style) -> None:
    width, height = size
    for name, state in STATES.items():
        lines = SGR.sub("", shown(state, width, height, look)).split("\n")
        assert len(lines) == height, name
        assert [cell_len(line) for line in lines] == [width] * height, name


@pytest.mark.parametrize("size", [(79, 24), (80, 23), (40, 10), (1, 1), (3, 200)])
def test_a_terminal_too_small_is_told_so_in_one_line(size: tuple[int, int]) -> None:
    lines = shown(BRACKET, *size).split("\n")
    assert [cell_len(line) for line in lines] == [size[0]] * size[1]
    assert not "".join(lines[1:]).strip()
    if size[0] >= 40:
        assert lines[0].rstrip() == f"{size[0]}x{size[1]}: the panel needs 80x24"


@pytest.mark.parametrize("look", [Style("none"), Style("none", ascii=True)], ids=str)
@pytest.mark.parametrize("size", SIZES, ids=str)
def test_what_must_be_known_is_there_at_every_size(size: tuple[int, int], look: Style) -> None:
    text = shown(BRACKET, *size, look)
    said = " ".join(text.split())
    for fact in (
        "setup 2: rim lower",
        "aim hold-highlights",
        "f/11 battery 71 %" if size[0] < 100 else "f/11 1/60 ISO 200 battery 71 %",
        look.say("⅔ stop less brings it under the limit."),
        look.say("Backdrop not clean at the right, 1⅓ stops over black, 8.0 % of the frame."),
        look.say("broad 0.32 %, glints 0.10 %, ⅔ stop over"),
        "shadows",
        "2.0 %",
        "p95 11 p99 19 max 41, 5",
        "Light spills on the backdrop at the right",
        "bowls/0002.part.jpg: The file ends in mid-picture; copy it again.",
        "1/60 s ISO 200",
        f"{look.marks.clipped} clipped {look.marks.spilled} spilled",
        "space step",
        "f fire",
        "b run",
        "w balance" if size[0] < 106 else "w white balance",
        "n setup" if size[0] < 106 else "n new setup",
        "a aim",
        "q quit",
    ):
        assert fact in said, fact
    for f_number, clipped in (("f/16", "0%"), ("f/8", "2.1%"), ("f/11", "0.43%")):
        assert f_number in said
        assert clipped in said.replace(" %", "%")


@pytest.mark.parametrize("look", [Style("none"), Style("none", ascii=True)], ids=str)
@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize(
    ("state", "phrases"),
    [
        (BRACKET, (("CLOSE ⅔ f/14",), ("NOT CLEAN RIGHT 1⅓", "NOT CLEAN → 1⅓"))),
        (WELL, (("KEEP f/14",), ("CLEAN",))),
        (STATES["light"], (("CHANGE THE LIGHT", "CHANGE LIGHT"), ("NOT CLEAN RIGHT 1⅓", "NOT CLEAN → 1⅓"))),
        (STATES["service lost"], (("NO SERVICE",), ())),
        (STATES["camera lost"], (("CAMERA LOST",), ())),
    ],
)
def test_the_headlines_stand_in_large_letters(
    state: PanelState, phrases: tuple[tuple[str, ...], ...], size: tuple[int, int], look: Style
) -> None:
    lines = shown(state, *size, look).split("\n")
    for choices in filter(None, phrases):
        assert any(stands_in(lines, face.draw(phrase)) for face in faces(look.ascii) for phrase in choices), choices


def stands_in(lines: list[str], letters: tuple[str, ...]) -> bool:
    return any(
        all(line.startswith(f" {row}".rstrip()) for line, row in zip(lines[top:], letters, strict=False))
        for top in range(len(lines) - len(letters) + 1)
    )


def test_letters_grow_with_the_room() -> None:
    """Four rows at 80x24, more than twice that at 200x60."""
    sample = ("CLOSE 2⅔ f/5.6",)
    small, large = fitting(False, 78, 4, sample), fitting(False, 198, 10, sample)
    assert small is not None
    assert large is not None
    assert (small.rows, large.rows) == (4, 10)


def test_the_size_of_the_letters_does_not_jump_from_step_to_step() -> None:
    first = {name: shown(STATES[name], 120, 40).split("\n") for name in ("bracket", "well")}
    assert [bool(line.strip()) for line in first["bracket"][:9]] == [bool(line.strip()) for line in first["well"][:9]]


# --- nothing that comes from outside drives the terminal ---

HOSTILE = [
    "\x1b[2J\x1b]52;c;aGk=\x07",
    "\x9b31m\x9d0;title\x9c",
    "a\u202eb\u2066c\u200bd",
    "[red]x[/x][/]",
    "line\nbreak\r\n\tand\x0btab\x0c",
    "x" * 10_000,
    "名" * 500,
    "e" + "\u0301" * 300,
    "\ud800 lone",
    "\u2028\u2029\x00\x7f",
    "🏺" * 40,
]


@pytest.mark.parametrize("look", STYLES, ids=str)
@pytest.mark.parametrize("evil", HOSTILE, ids=range(len(HOSTILE)))
def test_hostile_strings_never_reach_the_terminal(evil: str, look: Style) -> None:
    told = {**verdict(1), "file": evil, "notices": [{"kind": evil, "text": evil}]}
    told["next"] = {"move": "close", "stops": -1, "f_number": 8, "why": evil}
    told["backdrop"] |= {"tone": evil, "spill": {"side": evil, "area": 0.1, "over_stops": 1}}
    state = folded(
        hello(folder=evil, aim=evil, setup={"number": 1, "name": evil}, camera=camera(text=evil, shutter=evil)),
        {"event": "frame", "verdict": told, "preview": preview(8, 6)},
        {"event": "refused", "file": evil, "error": evil},
        {"event": "service", "service": {"state": evil, "text": evil}},
        {"event": "reply", "to": 1, "ok": False, "text": evil},
    )
    for typing in (None, evil):
        for size in ((80, 24), (120, 40)):
            raw = shown(replace(state, typing=typing), *size, look)
            assert_harmless(SGR.sub("", raw))
            assert [cell_len(line) for line in SGR.sub("", raw).split("\n")] == [size[0]] * size[1]
    for line in tell(PanelState(), hello(folder=evil)) + tell(state, {"event": "refused", "file": evil, "error": evil}):
        assert_harmless(line)


def assert_harmless(text: str) -> None:
    bad = {c for c in text if c != "\n" and unicodedata.category(c) in ("Cc", "Cf", "Cs", "Co", "Zl", "Zp")}
    assert not bad


def test_markup_is_shown_as_it_is() -> None:
    state = folded({"event": "refused", "file": "[b]a[/x].jpg", "error": "[/]"}, state=BRACKET)
    assert "[b]a[/x].jpg: [/]" in shown(state, 80, 24)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12) | st.sampled_from(HOSTILE),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)
KEYS = [
    *("event", "state", "verdict", "preview", "camera", "setup", "service", "aim", "frames", "refused", "counts"),
    *("highlights", "backdrop", "next", "forecast", "notices", "exposure", "shadows", "number", "name", "f_number"),
    *("move", "stops", "code", "spill", "clean", "tone", "width", "height", "rgb", "marks", "f_numbers", "text"),
]
OBJECTS = st.recursive(
    JSON,
    lambda inner: st.dictionaries(st.sampled_from(KEYS), inner, max_size=6) | st.lists(inner, max_size=3),
    max_leaves=15,
)
NAMES = ["hello", "frame", "refused", "camera", "setup", "service", "aim", "reply", "link", "other"]


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.sampled_from(NAMES), st.dictionaries(st.sampled_from(KEYS), OBJECTS, max_size=8), st.sampled_from(STYLES))
def test_no_event_whatever_its_shape_breaks_the_panel(name: str, body: dict[str, Any], look: Style) -> None:
    state = fold(BRACKET, {**body, "event": name})
    tell(BRACKET, {**body, "event": name})
    raw = shown(state, 80, 24, look)
    assert_harmless(SGR.sub("", raw))
    for key in (" ", "f", "a", "n", "up", "down", "x", "."):
        press(state, key)
    placing = fold(PLACING, {**body, "event": name})
    assert_harmless(SGR.sub("", shown(placing, 80, 24, look)))
    for key in ("up", "shift-left", ".", "delete", "enter", "escape"):
        press(placing, key)
    owed(placing)


# --- characters and colours ---


@pytest.mark.parametrize("name", STATES)
def test_ascii_mode_has_nothing_but_ascii(name: str) -> None:
    for colours in ("none", "16", "true"):
        for size in SIZES[:4]:
            assert shown(STATES[name], *size, Style(colours, ascii=True)).isascii()


def test_without_colours_no_escape_sequence_is_left() -> None:
    for state in STATES.values():
        assert "\x1b" not in shown(state, 120, 40, Style("none"))


def test_sixteen_colours_means_sixteen() -> None:
    allowed = {"", "0", "1", "7", *(str(n) for a in (30, 40, 90, 100) for n in range(a, a + 8))}
    for state in STATES.values():
        used = {part for codes in SGR.findall(shown(state, 120, 40, Style("16"))) for part in codes.split(";")}
        assert used <= allowed


def test_no_meaning_hangs_on_colour_alone() -> None:
    """Clipped or not, clean or not, the newest: each reads differently with colours off."""
    for look in (Style("none"), Style("none", ascii=True)):
        marks = look.marks
        assert len({marks.clipped, marks.spilled, marks.well, marks.newest, marks.shot, marks.trouble}) == 6
        text = shown(BRACKET, 120, 40, look)
        assert f"{marks.clipped} 2.1 %" in text
        assert f"{marks.well} 0 %" in text
        assert f"{marks.well} clean" in text
        assert f"{marks.newest}f/11" in text
        for shades in (halfblocks._SHADES, halfblocks._ASCII_SHADES):
            assert not {marks.clipped, marks.spilled} & set(shades)


@pytest.mark.parametrize(
    ("env", "encoding", "expected"),
    [
        ({"TERM": "xterm-256color", "COLORTERM": "truecolor"}, "utf-8", Style("true")),
        ({"TERM": "tmux-256color"}, "UTF-8", Style("256")),
        ({"TERM": "xterm"}, "utf8", Style("16")),
        ({"TERM": "xterm", "NO_COLOR": "1", "COLORTERM": "truecolor"}, "utf-8", Style("none")),
        ({"TERM": "xterm", "NO_COLOR": ""}, "utf-8", Style("16")),
        ({"TERM": "xterm"}, "latin-1", Style("16", ascii=True)),
        ({"TERM": "linux"}, "utf-8", Style("16", ascii=True)),
        ({"TERM": "dumb"}, "utf-8", Style("none", ascii=True)),
        ({}, None, Style("none", ascii=True)),
    ],
)
def test_the_environment_tells_what_the_terminal_takes(
    env: dict[str, str], encoding: str | None, expected: Style
) -> None:
    """NO_COLOR as no-color.org has it: any value but an empty one."""
    assert style.detect(env, encoding) == expected


def test_what_is_asked_for_outright_wins() -> None:
    env = {"TERM": "xterm", "NO_COLOR": "1"}
    assert style.detect(env, "utf-8", ascii_only=True, colours="true") == Style("true", ascii=True)


# --- pictures and letters ---


def picture(width: int, height: int, code: int, mark: int = 0) -> Preview:
    return Preview(width, height, bytes([code]) * (3 * width * height), bytes([mark]) * (width * height))


@pytest.mark.parametrize("code", [60, 128, 200, 252])
def test_a_plain_picture_keeps_its_code(code: int) -> None:
    """Within half a step of the four codes that neighbours are merged over."""
    cells = halfblocks.draw(picture(30, 20, code), 12, 5, Style("true"), marked=False)
    for _, look in (cell for row in cells for cell in row):
        assert look.bgcolor is not None
        assert max(abs(part - code) for part in look.bgcolor.get_truecolor()) <= 2


def test_a_picture_keeps_its_shape() -> None:
    """Three to two in pixels is three to one in cells, which are twice as tall as wide."""
    cells = halfblocks.draw(picture(96, 64, 100), 60, 60, Style("true"), marked=False)
    assert (len(cells[0]), len(cells)) == (60, 20)


@pytest.mark.parametrize("look", STYLES, ids=str)
def test_a_single_clipped_pixel_is_marked(look: Style) -> None:
    marks = bytearray(96 * 64)
    marks[30 * 96 + 40] = halfblocks.CLIPPED
    preview_ = replace(picture(96, 64, 90), marks=bytes(marks))
    cells = halfblocks.draw(preview_, 48, 16, look, marked=True)
    assert [
        (y, x) for y, row in enumerate(cells) for x, (glyph, _) in enumerate(row) if glyph == look.marks.clipped
    ] == [(7, 20)]
    assert not any(
        look.marks.clipped == glyph for row in halfblocks.draw(preview_, 48, 16, look, marked=False) for glyph, _ in row
    )


def test_spill_is_marked_where_it_is_and_leaves_the_picture_seen() -> None:
    marks = bytes(
        halfblocks.SPILLED | halfblocks.BACKDROP if x >= 72 else halfblocks.BACKDROP
        for _ in range(64)
        for x in range(96)
    )
    cells = halfblocks.draw(replace(picture(96, 64, 20), marks=marks), 24, 8, Style("true"), marked=True)
    spilled = [x for row in cells for x, (glyph, _) in enumerate(row) if glyph == "○"]
    assert min(spilled) >= 18
    assert len(spilled) == 6 * 8 // 2


def test_sixteen_colours_keep_the_mean_brightness_by_dither() -> None:
    greys = {name: level for level, name in halfblocks._GREYS}
    cells = halfblocks.draw(picture(96, 64, 155), 48, 16, Style("16"), marked=False)
    levels = []
    for glyph, look in (cell for row in cells for cell in row):
        assert look.bgcolor is not None
        levels += [
            greys[look.color.name] if look.color and glyph == "▀" else greys[look.bgcolor.name],
            greys[look.bgcolor.name],
        ]
    assert abs(sum(levels) / len(levels) - 155) < 12


@pytest.mark.parametrize("ascii_only", [False, True])
def test_all_letters_of_a_face_stand_on_one_line_and_differ(ascii_only: bool) -> None:
    for face in faces(ascii_only):
        # O is left out: it is the same as 0, and nothing we say mixes the two.
        drawn = {char: face.draw(char) for char in "ABCDEFGHIJKLMNPQRSTUVWXYZ0123456789f/.-+?!→←↑↓"}
        assert all(len(rows) == face.rows and len({len(row) for row in rows}) == 1 for rows in drawn.values())
        assert len(set(drawn.values())) == len(drawn)
        assert all(row.isascii() for rows in drawn.values() for row in rows) or not ascii_only
        assert face.draw("⅔") != face.draw("⅓") != face.draw("½")


def test_a_fraction_stays_apart_from_its_whole_in_ascii() -> None:
    for face in faces(True):
        assert face.draw("1⅔") == face.draw("1 2/3")
    assert Style(ascii=True).say("1⅓ stops, ⅔ stop") == "1 1/3 stops, 2/3 stop"


# --- events ---


def test_hello_brings_the_whole_state() -> None:
    assert BRACKET.link == "up"
    assert (BRACKET.setup_number, BRACKET.setup_name, BRACKET.aim) == (2, "rim lower", "hold-highlights")
    assert [frame.f_number for frame in BRACKET.frames] == [4.0, 16.0, 8.0, 11.0]
    assert BRACKET.camera.battery == 71
    assert (BRACKET.frames_count, BRACKET.refused_count) == (9, 1)
    assert BRACKET.newest is not None
    assert BRACKET.newest.step.f_number == 14.0
    assert BRACKET.newest.preview is not None


def test_a_frame_joins_the_bracket_and_a_second_verdict_on_it_replaces_the_first() -> None:
    event = {"event": "frame", "verdict": verdict(5, 14.0), "preview": preview(8, 6)}
    after = fold(BRACKET, event)
    assert len(after.frames) == 5
    assert after.frames_count == 10
    again = fold(after, {**event, "verdict": verdict(5, 16.0)})
    assert len(again.frames) == 5
    assert again.frames[-1].f_number == 16.0
    assert again.frames_count == 10


def test_a_refused_file_is_kept_with_its_reason() -> None:
    after = fold(BRACKET, {"event": "refused", "file": "x.jpg", "error": "It is empty."})
    assert (after.refused[-1].file, after.refused[-1].error) == ("x.jpg", "It is empty.")
    assert after.refused_count == 2


def test_a_new_setup_clears_the_row_and_a_renamed_one_does_not() -> None:
    assert fold(BRACKET, {"event": "setup", "setup": {"number": 3, "name": "flag in"}}).frames == ()
    same = fold(BRACKET, {"event": "setup", "setup": {"number": 2, "name": "rim lowest"}})
    assert same.frames == BRACKET.frames
    assert same.setup_name == "rim lowest"


def test_camera_service_and_aim_are_taken_over() -> None:
    after = folded(
        {"event": "camera", "camera": camera(state="asleep", f_numbers=[8, "x", None, 4.0])},
        {"event": "service", "service": {"state": "catching-up", "text": "catching up"}},
        {"event": "aim", "aim": "even"},
        state=BRACKET,
    )
    assert after.camera.state == "asleep"
    assert after.camera.f_numbers == (4.0, 8.0)
    assert after.service == "catching-up"
    assert after.aim == "even"


def test_a_reply_is_shown_until_the_next_key() -> None:
    after = fold(BRACKET, {"event": "reply", "to": 1, "ok": False, "text": "The camera is busy."})
    assert "! The camera is busy." in shown(after, 80, 24)
    assert "busy" not in shown(press(after, "f").state, 80, 24)


def test_a_lost_service_is_said_and_a_new_one_taken() -> None:
    lost = fold(BRACKET, {"event": "link", "up": False})
    assert lost.link == "lost"
    assert "The service has stopped." in shown(lost, 80, 24)
    assert fold(lost, hello()).link == "up"


def test_a_panel_left_alone_all_day_keeps_a_bounded_number_of_frames() -> None:
    state = folded(*({"event": "frame", "verdict": {"file": str(n)}} for n in range(FRAMES_KEPT + 50)), state=BRACKET)
    assert len(state.frames) == FRAMES_KEPT


@pytest.mark.parametrize(
    "broken",
    [
        {"width": 10**9, "height": 10**9, "rgb": "", "marks": ""},
        {"width": 2, "height": 1, "rgb": "####", "marks": ""},
        {"width": 2, "height": 1, "rgb": base64.b64encode(b"12345").decode(), "marks": ""},
        {"width": True, "height": 1, "rgb": base64.b64encode(b"123").decode(), "marks": ""},
        {"width": 0, "height": 0, "rgb": "", "marks": ""},
        None,
    ],
)
def test_a_preview_that_does_not_add_up_is_left_out(broken: Any) -> None:
    state = fold(BRACKET, {"event": "frame", "verdict": verdict(9), "preview": broken})
    assert state.newest is not None
    assert state.newest.preview is None
    assert "no picture" in shown(state, 80, 24)


def test_an_old_flag_is_not_shown_for_a_frame_without_backdrop() -> None:
    state = fold(BRACKET, {"event": "frame", "verdict": verdict(9, backdrop=None)})
    assert flag_headline(state).phrases[0] == "NO BACKDROP"
    assert "CLEAN" not in step_headline(state).phrases[0]


def test_noise_in_a_black_whose_light_is_clean_is_called_noise() -> None:
    told = verdict(9)["backdrop"] | {"only_grain": True, "spill": {"side": None, "area": 0.0, "over_stops": 0.0}}
    flag = flag_headline(fold(BRACKET, {"event": "frame", "verdict": verdict(9, backdrop=told)}))
    assert flag.phrases == ("NOT CLEAN NOISE", "NOISE")
    assert flag.role != "spill", "read from three metres it would send for a flag"
    assert flag.text == "Backdrop not clean: noise or lint, its light is clean black."
    unknown = told | {"only_grain": False}  # by a service of another version
    flag = flag_headline(fold(BRACKET, {"event": "frame", "verdict": verdict(9, backdrop=unknown)}))
    assert "noise" not in flag.text
    assert flag.role == "spill"


# --- keys ---


@pytest.mark.parametrize(
    ("key", "request_"),
    [
        (" ", {"do": "step"}),
        ("f", {"do": "fire"}),
        ("a", {"do": "aim", "aim": "clean-backdrop"}),
        ("up", {"do": "aperture", "f_number": 10.0}),
        ("down", {"do": "aperture", "f_number": 13.0}),
        ("x", None),
    ],
)
def test_a_key_asks_the_service(key: str, request_: dict[str, Any] | None) -> None:
    assert press(BRACKET, key).request == request_


def test_aims_come_round() -> None:
    state, seen = BRACKET, []
    for _ in range(4):
        asked = press(state, "a").request
        assert asked is not None
        seen.append(asked["aim"])
        state = fold(state, {"event": "aim", "aim": asked["aim"]})
    assert sorted(seen) == ["clean-backdrop", "even", "hold-highlights", "meter"]


def test_the_ends_of_the_aperture_ladder_are_said() -> None:
    at_end = fold(BRACKET, {"event": "camera", "camera": camera(f_number=22.0)})
    done = press(at_end, "down")
    assert done.request is None
    assert done.state.said is not None
    assert done.state.said.text == "f/22 is as far as it goes."


@pytest.mark.parametrize("key", [" ", "f", "up", "down"])
def test_keys_that_need_a_camera_say_so_without_one(key: str) -> None:
    done = press(STATES["no camera"], key)
    assert done.request is None
    text = shown(done.state, 80, 24)
    assert "No camera is tethered: this key needs one." in text
    assert "step and fire need a camera" in text


@pytest.mark.parametrize(
    ("move", "hint"), [("keep", "no step to take"), ("light", "change the light"), ("", "No step")]
)
def test_there_is_not_always_a_step_to_take(move: str, hint: str) -> None:
    step = {"move": move, "stops": 0, "f_number": 8.0, "why": "."}
    state = fold(BRACKET, {"event": "frame", "verdict": verdict(9, next=step)})
    done = press(state, " ")
    assert done.request is None
    assert done.state.said is not None
    assert hint in done.state.said.text


def test_a_name_is_typed_and_sent_clean() -> None:
    state = press(BRACKET, "n").state
    for key in [*"flag inq", "backspace", "up", "é"]:
        state = press(state, key).state
    assert "name of the new setup: flag iné" in shown(state, 80, 24).replace("_", "")
    done = press(state, "enter")
    assert done.request == {"do": "slate", "name": "flag iné"}
    assert done.state.typing is None


def test_no_name_lets_the_service_number_the_setup_and_escape_leaves_it() -> None:
    state = press(BRACKET, "n").state
    assert press(state, "enter").request == {"do": "slate", "name": None}
    left = press(state, "escape")
    assert left.request is None
    assert left.state.typing is None


def test_q_leaves_but_not_in_the_middle_of_a_name() -> None:
    assert press(BRACKET, "q").leave
    assert press(PanelState(), "q").leave
    assert not press(press(BRACKET, "n").state, "q").leave


def test_without_a_service_nothing_is_sent() -> None:
    done = press(STATES["service lost"], " ")
    assert done.request is None
    assert done.state.said is not None
    assert "nothing was sent" in done.state.said.text


@given(st.lists(st.integers(1, 4)))
def test_keys_come_out_the_same_however_their_bytes_are_cut(cuts: list[int]) -> None:
    data = "f\x1b[A\x1bOBé\r\x1b\x1b[3~\x7f \x1b[1;5Aq".encode()
    keyboard, keys = Keyboard(), []
    for size in cuts:
        keys += keyboard.feed(data[:size])
        data = data[size:]
    keys += keyboard.feed(data)
    assert keys == ["f", "up", "down", "é", "enter", "escape", "delete", "backspace", " ", "q"]


def test_an_escape_alone_is_a_key_once_nothing_follows() -> None:
    keyboard = Keyboard()
    assert keyboard.feed(b"\x1b") == []
    assert keyboard.waiting
    assert keyboard.settle() == ["escape"]
    assert not keyboard.waiting


def test_arrows_held_with_shift_are_keys_of_their_own() -> None:
    """As xterm and its like send them, and as rxvt does (from memory); with other keys held they say nothing."""
    data = b"\x1b[1;2A\x1b[1;2B\x1b[1;2C\x1b[1;2D\x1b[a\x1b[d\x1b[1;3A\x1b[2~\x1b[200~q"
    ways = ["shift-up", "shift-down", "shift-right", "shift-left", "shift-up", "shift-left"]
    assert Keyboard().feed(data) == [*ways, "q"]


# --- a spot to be placed ---


def place_of(state: PanelState) -> tuple[float, float]:
    assert state.cursor is not None
    return state.cursor.x, state.cursor.y


def test_arrows_move_the_cursor_and_it_stays_on_the_picture() -> None:
    state = keyed(SPOTTED, ".")
    assert place_of(state) == (0.5, 0.5)
    assert place_of(keyed(state, "left", "up")) == (0.49, 0.49)
    assert place_of(keyed(state, "shift-right", "down")) == (0.55, 0.51)
    assert place_of(keyed(state, ",", "left", "shift-down")) == (0.45, 0.75)
    assert place_of(keyed(state, ",", ",", "left")) == (0.49, 0.5)
    assert place_of(keyed(state, *["shift-left"] * 30, *["shift-down"] * 30)) == (0, 1)
    assert press(state, "f").request is None, "nothing is fired while a place is chosen"
    assert press(state, " ").request is None
    assert press(state, "q").leave
    assert keyed(state, "escape").cursor is None


@pytest.mark.parametrize("look", STYLES, ids=str)
@pytest.mark.parametrize("size", SIZES, ids=str)
def test_the_cursor_is_seen_wherever_it_is(size: tuple[int, int], look: Style) -> None:
    """Its middle lies in the cell of the place, within the picture's frame; at an edge a bracket is left out."""
    for keys in ((), (",", *["shift-left"] * 3), (",", *["shift-right"] * 3, *["shift-down"] * 3)):
        state = keyed(BRACKET, ".", *keys)
        lines = SGR.sub("", shown(state, *size, look)).split("\n")
        found = [(place, seen) for place, line in enumerate(lines) for seen in re.finditer(r"\[\+|\+\]", line)]
        row, seen = found[0]
        assert {place for place, _ in found} == {row}
        column = seen.start() + seen.group().index("+")
        picture = halfblocks.draw(state.newest.preview, size[0] - 24, size[1] - 4, look, marked=True)  # type: ignore[union-attr]
        x, y = place_of(state)
        assert column == 1 + min(int(x * len(picture[0])), len(picture[0]) - 1)
        assert row == 1 + min(int(y * len(picture)), len(picture) - 1)


@pytest.mark.parametrize("size", SIZES, ids=str)
def test_what_lies_under_the_cursor_and_the_keys_are_said_whole(size: tuple[int, int]) -> None:
    for look in (Style("none"), Style("none", ascii=True)):
        lines = shown(PLACING, *size, look).split("\n")
        assert look.say("frame 5 at 0.49,0.45  zone VI, ⅔ stop over mid grey") in lines[-3]
        for word in ("move", "shift", " 1 %", ". next", "del drop", "enter name it", "esc leave"):
            assert word in lines[-1]
        assert "setup 2: rim lower" in lines[0]


def test_the_place_is_asked_for_once_and_again_when_it_or_the_frame_changes() -> None:
    state = keyed(SPOTTED, ".")
    assert owed(SPOTTED) is None
    assert owed(state) == {"do": "place", "frame": 5, "x": 0.5, "y": 0.5}
    waiting = fold(state, {"event": "sent", "do": "place", "id": 3})
    assert owed(waiting) is None
    moved = keyed(waiting, "left")
    assert owed(moved) is None, "one question at a time"
    late = fold(moved, {"event": "reply", "to": 3, "ok": True, "text": "zone X"})
    assert late.under is None, "that was said of another place"
    assert "zone X" not in shown(late, 80, 24)
    assert late.said is None
    assert owed(late) == {"do": "place", "frame": 5, "x": 0.49, "y": 0.5}
    known = answered(late, "zone II", 4, stops=-3.0)
    assert owed(known) is None
    assert owed(keyed(known, "right", "left")) is None
    again = fold(known, {"event": "frame", "verdict": verdict(5, 9.0), "preview": preview(), "again": True})
    assert again.under is None
    assert owed(again) is not None, "the curve may be known better now"
    newer = fold(known, {"event": "frame", "verdict": verdict(6, 9.0), "preview": preview()})
    assert owed(newer) == {"do": "place", "frame": 6, "x": 0.49, "y": 0.5}


def test_other_replies_are_shown_as_ever_while_a_place_is_chosen() -> None:
    state = fold(keyed(PLACING, "right"), {"event": "sent", "do": "place", "id": 9})
    state = fold(state, {"event": "reply", "to": 8, "ok": False, "text": "No."})
    assert state.said is not None
    assert state.said.text == "No."
    assert "! No." in shown(state, 80, 24)
    assert keyed(state, "left").said is None


def test_a_service_that_does_not_know_says_so_under_the_cursor() -> None:
    state = fold(keyed(SPOTTED, "."), {"event": "sent", "do": "place", "id": 1})
    state = fold(state, {"event": "reply", "to": 1, "ok": False, "text": "Nothing is called place."})
    assert "Nothing is called place." in shown(state, 80, 24).split("\n")[-3]
    assert owed(state) is None


def test_after_the_service_was_away_it_is_asked_anew() -> None:
    lost = fold(fold(PLACING, {"event": "sent", "do": "place", "id": 1}), {"event": "link", "up": False})
    assert owed(lost) is None
    assert "not known while the service is away" in shown(lost, 80, 24)
    back = fold(lost, hello(frames=[{"verdict": verdict(5, 9.0), "preview": preview()}]))
    assert owed(back) is not None


@pytest.mark.parametrize(
    "event",
    [
        {"event": "setup", "setup": {"number": 3, "name": None}},
        {"event": "frame", "verdict": verdict(6, 9.0)},
        {"event": "run", "run": {"state": "waiting", "text": "Now rim alone.", "end": None, "prompt": "rim"}},
    ],
    ids=["no frame any more", "a frame without a picture", "a lamp is waited for"],
)
def test_the_cursor_goes_where_there_is_no_picture_for_it(event: dict[str, Any]) -> None:
    for state in (PLACING, keyed(PLACING, "enter", *"rim")):
        after = fold(state, event)
        assert (after.cursor, after.typing) == (None, None)


@pytest.mark.parametrize(
    ("typed", "spot"),
    [
        ("rim VI", "rim=0.49,0.45@1"),
        ("rim -1", "rim=0.49,0.45@-1"),
        ("rim +0,5", "rim=0.49,0.45@0.5"),
        ("left cheek zone iv", "left cheek=0.49,0.45@-1"),
        ("rim", "rim=0.49,0.45@0.67"),
        ("  rim   V ", "rim=0.49,0.45@0"),
        ("lamp 2 rim", "lamp 2 rim=0.49,0.45@0.67"),
    ],
)
def test_a_spot_is_named_in_one_line(typed: str, spot: str) -> None:
    """Name, then zone or stops; without them it is wanted where it lies now."""
    done = press(keyed(PLACING, "enter", *typed), "enter")
    assert done.request == {"do": "spot", "spot": spot}
    assert parse_spot(spot).name == " ".join(typed.split()[: len(spot.split("=")[0].split())])
    assert (done.state.cursor, done.state.typing) == (None, None)


@pytest.mark.parametrize("typed", ["", "   ", "rim XIV", "rim 20", "rim 1.2.3", "a=b VI", "zone"])
def test_what_names_no_spot_is_said_and_can_be_mended(typed: str) -> None:
    done = press(keyed(PLACING, "enter", *typed), "enter")
    if typed == "zone":
        assert done.request == {"do": "spot", "spot": "zone=0.49,0.45@0.67"}, "a name like any other"
        return
    assert done.request is None
    assert done.state.typing == typed
    assert done.state.cursor is not None
    assert done.state.said is not None
    for look in (Style("none"), Style("none", ascii=True)):
        lines = shown(done.state, 80, 24, look).split("\n")
        assert f"! {done.state.said.text}" in lines[-3]
        assert f"(rim VI, rim -1): {typed}" in lines[-2], "both at once: what is wrong, and what was typed"
    assert keyed(done.state, "x").said is None


def test_with_the_service_away_a_spot_is_neither_lost_nor_dropped() -> None:
    gone = fold(keyed(PLACING, "enter", *"rim VI"), {"event": "link", "up": False})
    done = press(gone, "enter")
    assert done.request is None
    assert done.state.typing == "rim VI"
    assert "nothing was sent" in shown(done.state, 80, 24)
    drop = press(fold(keyed(PLACING, "."), {"event": "link", "up": False}), "delete")
    assert drop.request is None
    assert drop.state.said is not None
    other = press(fold(keyed(BRACKET, "n", "x"), {"event": "link", "up": False}), "enter")
    assert other.request is None
    assert other.state.said is not None


def test_a_spot_whose_light_is_only_a_bound_or_not_known_yet_is_named_without_a_wish() -> None:
    bound = answered(keyed(SPOTTED, "."), "at least zone VII", stops=2.4, bound="at least")
    for state in (bound, keyed(SPOTTED, ".")):
        assert press(keyed(state, "enter", *"rim"), "enter").request == {"do": "spot", "spot": "rim=0.5,0.5"}


def test_escape_leaves_the_name_first_and_then_the_cursor() -> None:
    state = keyed(PLACING, "enter", *"ri", "escape")
    assert state.typing is None
    assert state.cursor is not None
    assert keyed(state, "escape").cursor is None


def test_spots_are_gone_through_and_one_is_dropped() -> None:
    first = keyed(PLACING, ".")
    assert place_of(first) == (0.31, 0.4)
    assert "lip: zone VI, ⅔ stop over mid grey; ⅓ stop under" in shown(first, 120, 40)
    assert press(first, "delete").request == press(first, "backspace").request == {"do": "spot", "remove": "lip"}
    second = keyed(first, ".")
    assert place_of(second) == (0.5, 0.97)
    assert place_of(keyed(second, ".")) == (0.31, 0.4), "round"
    beside = press(keyed(first, "left"), "delete")
    assert beside.request is None
    assert beside.state.said is not None
    none = press(keyed(BRACKET, "."), ".")
    assert none.state.said is not None
    assert "enter names one" in none.state.said.text
    assert press(keyed(first, "delete"), "delete").request is None, "it is dropped once"


def test_a_spot_that_is_there_is_named_anew_as_it_was() -> None:
    state = keyed(PLACING, ".", "enter")
    assert state.typing == "lip +1"
    assert press(state, "enter").request == {"do": "spot", "spot": "lip=0.31,0.4@1"}
    moved = keyed(PLACING, ".", "left", "enter")
    assert moved.typing == "", "a place beside it is another"


def test_without_a_picture_or_in_large_letters_no_cursor_is_offered() -> None:
    for state, said in (
        (replace(BRACKET, frames=()), "No picture yet"),
        (STATES["bare verdict"], "No picture yet"),
        (keyed(BRACKET, "z"), "z shows all of it"),
    ):
        done = press(state, ".")
        assert done.state.cursor is None
        assert done.state.said is not None
        assert said in done.state.said.text
        assert said in shown(done.state, 80, 24)


def test_the_examples_of_names_hold() -> None:
    assert doctest.testmod(panel_state).failed == 0
    assert name_and_want("x y z VIII")[:2] == ("x y z", 3.0)


# --- it uses its room ---


def bracket_of(count: int, width: int, height: int) -> PanelState:
    """So many frames with pictures of a size."""
    said = [verdict(number, (4.0, 16.0, 8.0, 11.0)[number % 4]) for number in range(count)]
    return folded(hello(frames=[{"verdict": each, "preview": preview(width, height)} for each in said]))


def row_of(text: str, lines: list[str]) -> int:
    return next(row for row, line in enumerate(lines) if text in line)


@pytest.mark.parametrize("size", [(120, 40), (200, 60)])
def test_a_few_frames_are_drawn_larger(size: tuple[int, int]) -> None:
    """One frame's tile takes the room of two, and never the notices'."""
    few, many = (shown(bracket_of(count, 96, 64), *size).split("\n") for count in (1, 4))
    assert row_of("▸f/4", few) > row_of("▸f/11", many)
    assert row_of("Light spills on", few) <= row_of("rim and backdrop.", few)


def test_an_upright_picture_leaves_its_width_to_the_rest() -> None:
    """Where a wide one has no room for the forecast beside it, around the frame's own aperture."""
    wide, upright = (shown(bracket_of(4, *size), 120, 40).split("\n") for size in ((96, 64), (64, 96)))
    assert wide[row_of("exposure ", wide)].index("exposure") - 20 > upright[row_of("exposure ", upright)].index(
        "exposure"
    )
    assert not any("forecast" in line for line in wide)
    forecast = upright[row_of("forecast", upright)].split()
    assert {"11", "14"} <= set(forecast[1:])  # the newest frame's, and the one suggested


def test_on_a_tall_and_narrow_screen_the_picture_goes_where_it_is_larger() -> None:
    """A wide one beneath the readings, an upright one beside them."""
    wide, upright = (shown(bracket_of(3, *size), 80, 60).split("\n") for size in ((96, 64), (64, 96)))
    assert row_of("clipped  ○ spilled", wide) > row_of("forecast", wide) + 10
    assert wide[row_of("exposure ", wide)].startswith(" exposure")
    assert not upright[row_of("exposure ", upright)].startswith(" exposure")
    assert len({row_of("q quit", lines) for lines in (wide, upright)}) == 1


# --- the aperture's keys ---


def pressed(state: PanelState, key: str, number: int) -> tuple[PanelState, float]:
    """Press a key and send what it asks for under a number."""
    done = press(state, key)
    assert done.request is not None
    return fold(done.state, {"event": "sent", "do": "aperture", "id": number}), done.request["f_number"]


def test_each_press_counts_from_the_aperture_asked_for_last() -> None:
    """However late the camera reports, no press is lost; once the last is answered, what it reports counts again."""
    state, first = pressed(BRACKET, "up", 1)
    state, second = pressed(state, "up", 2)
    assert (first, second) == (10.0, 9.0)
    state = fold(state, {"event": "camera", "camera": camera(f_number=10.0)})
    state = fold(state, {"event": "reply", "to": 1, "ok": True, "text": "Aperture f/10."})
    state, third = pressed(state, "up", 3)
    assert third == 8.0
    state = fold(state, {"event": "reply", "to": 3, "ok": False, "text": "The camera stands at f/10."})
    assert pressed(state, "up", 4)[1] == 9.0
    assert pressed(state, "down", 4)[1] == 11.0


def test_a_service_that_went_leaves_no_aperture_asked_for() -> None:
    state, _ = pressed(BRACKET, "up", 1)
    state = folded({"event": "link", "up": False}, hello(), state=state)
    assert pressed(state, "up", 2)[1] == 10.0


# --- plain lines ---


def test_a_frame_is_told_in_one_line() -> None:
    (line,) = tell(BRACKET, {"event": "frame", "verdict": verdict(5, 11.0), "preview": None})
    for part in ("Frame 5", "bowls/0005.jpg", "f/11", "1/60 s", "not clean at the right, 1⅓ stops", "CLOSE ⅔ f/14"):
        assert part in line
    assert "⅔ stop less" in line
    assert verdict(5)["notices"][0]["text"].rstrip(".") in line


def test_each_kind_of_event_has_its_line() -> None:
    assert tell(PanelState(), hello())[1:3] == [
        "Setup 2: rim lower, aim hold-highlights.",
        "Camera: ready, f/11, 1/60, ISO 200, battery 71 %.",
    ]
    assert tell(BRACKET, {"event": "aim", "aim": "even"}) == ["Aim: even."]
    assert tell(BRACKET, {"event": "setup", "setup": {"number": 3, "name": "flag in"}}) == ["Setup 3: flag in begins."]
    assert tell(BRACKET, {"event": "camera", "camera": camera()}) == []
    assert tell(BRACKET, {"event": "camera", "camera": camera(text="busy")})[0].startswith("Camera: busy")
    assert "stopped" in tell(BRACKET, {"event": "link", "up": False})[0]


def test_plain_lines_are_whole_sentences() -> None:
    """Read aloud they must not run into each other: each ends with a stop, none has a gap or two stops."""
    told = {"event": "service", "service": {"state": "watching", "text": "There is room again."}}
    gone = {"event": "camera", "camera": camera(state="lost", text="It doesn't answer.")}
    bare = {"event": "frame", "verdict": {"file": "x.jpg"}}
    for event in (hello(), told, gone, bare, {"event": "frame", "verdict": clean_backdrop(verdict(6, 14.0))}):
        for line in tell(BRACKET, event):
            assert line.endswith("."), line
            assert not re.search(r"  |\.\.|[.;,] ?[;,]", line), line


def test_who_looks_for_a_service_is_told_how_to_start_one() -> None:
    """With the folder itself, quoted for a shell."""
    (line,) = tell(PanelState(folder="/shoots/two bowls"), {"event": "link", "up": False})
    assert "lampblack watch '/shoots/two bowls'" in line


def test_the_examples_in_words_hold() -> None:
    assert doctest.testmod(words).failed == doctest.testmod(figures).failed == 0


def test_the_aim_key_goes_on_to_the_spots_that_are_wanted_somewhere() -> None:
    state = replace(SPOTTED, aim="meter")
    asked = press(state, "a").request
    assert asked is not None
    assert asked["aim"] == "spot:lip"
    asked = press(replace(state, aim="spot:lip"), "a").request
    assert asked is not None
    assert asked["aim"] == "even"


def test_spots_out_of_the_picture_have_no_mark() -> None:
    wrong = [{**SPOTS[0], "x": x} for x in (-1, 7, "left", None)]
    state = folded({"event": "frame", "verdict": verdict(5, spots=wrong), "preview": preview()}, state=BRACKET)
    assert state.newest is not None
    assert state.newest.placed == ()


def test_a_frame_is_marked_with_its_lamp() -> None:
    state = press(BRACKET, "l").state
    for key in "rim":
        state = press(state, key).state
    assert "this frame shows (lamp, all, none): rim" in shown(state, 80, 24).replace("_", "")
    assert press(state, "enter").request == {"do": "lamp", "name": "rim", "frame": "newest"}
    assert press(state, "escape").request is None
    assert press(replace(BRACKET, frames=()), "l").state.typing is None


def test_a_mix_of_lamps_is_shown_until_the_next_key() -> None:
    pixels, marks = bytes(range(96)) * 3, bytes(96)
    preview = {
        "width": 12, "height": 8, "rgb": base64.b64encode(pixels).decode(), "marks": base64.b64encode(marks).decode()
    }  # fmt: skip
    state = fold(BRACKET, {"event": "mix", "preview": preview, "text": "rim down 1 stop"})
    assert "now | as the mix" in shown(state, 80, 24)
    assert "rim down 1 stop" in shown(state, 80, 24)
    assert press(state, "f").state.mix is None
    assert fold(BRACKET, {"event": "mix", "preview": "none"}).mix is None


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (200, 60)])
def test_large_says_three_facts_across_the_whole_screen(size: tuple[int, int]) -> None:
    state = press(BRACKET, "z").state
    lines = shown(state, *size).split("\n")
    inked = [sum(char in "█▀▄" for char in line) for line in lines]
    third = size[1] // 3
    for part in range(3):
        assert max(inked[part * third : (part + 1) * third]) > 8, "each third has its letters"
    plain = shown(BRACKET, *size).split("\n")
    assert sum(inked[:third]) >= sum(sum(char in "█▀▄" for char in line) for line in plain[:6]), "the aperture with it"
    assert not press(state, "z").state.large


def test_a_run_over_lamps_is_prompted_for_large_and_answered_by_space() -> None:
    run = {"state": "waiting", "text": "Now rim alone: the others off.", "end": None, "prompt": "rim"}
    state = fold(BRACKET, {"event": "run", "run": run})
    said = " ".join(shown(state, 120, 40).split())
    assert "Now rim alone: the others off. Space: it is done." in said
    assert press(state, " ").request == {"do": "switched"}
    ended = fold(state, {"event": "run", "run": {"state": "ended", "text": "done", "end": "shot"}})
    assert not ended.prompt
    assert cue(state, ended) == DONE
    assert cue(BRACKET, state) == LOOK
    assert cue(state, fold(state, {"event": "link", "up": False})) == LOOK
    assert cue(BRACKET, BRACKET) == 0
    first = replace(BRACKET, frames=BRACKET.frames[:1])
    assert cue(first, BRACKET) == UNCLEAN
