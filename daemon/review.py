"""
The review: a setup's frames side by side, drawn. Pure: state and size in, rich renderable out.

Top down: the setup; its frames as pictures, each with its figures; the forecast as a curve over the apertures, with
what was shot and what the meter asks for; what differs, in words; the keys. Or, large: one frame, or two against each
other.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from lampblack.daemon import halfblocks
from lampblack.daemon.canvas import Canvas, Piece, Sheet, split, wrap
from lampblack.daemon.review_state import Held, Page, ReviewState, Tile
from lampblack.daemon.review_told import choice_text
from lampblack.daemon.style import Style
from lampblack.daemon.told import Forecast, Preview, exposure_text, figure, over_limit, room_text
from lampblack.rules.figures import f_text, percent, shutter_text, stops_long, stops_text

MIN_WIDTH, MIN_HEIGHT = 80, 24

_ROOMY_HEIGHT = 34
_ASIDE_WIDTH = 120  # from here on words stand beside the curve, not under it
_TILE_LEAST = 16
_PICTURE_LEAST = 3
_CURVE_LABEL = 9
_LEVELS = {  # shares that rows of the curve begin at, by how many rows there are
    12: (0.5, 0.3, 0.2, 0.1, 0.05, 0.03, 0.02, 0.01, 0.003, 0.001, 0.0003, 0.0),
    8: (0.3, 0.1, 0.03, 0.01, 0.003, 0.001, 0.0003, 0.0),
    6: (0.3, 0.1, 0.03, 0.01, 0.001, 0.0),
    4: (0.1, 0.01, 0.001, 0.0),
}
_CURVE_REST = 5  # rows of a curve beside its levels: title, axis, shot, backdrop, readings
_SAME_EXPOSURE = 1 / 12  # stops


def draw(state: ReviewState, width: int, height: int, *, look: Style) -> Sheet:
    """
    Return the review as a rich renderable of exactly `width` by `height` cells.

    Below 80 by 24 it says so in one line.
    """
    canvas = Canvas(width, height, look)
    if width < MIN_WIDTH or height < MIN_HEIGHT:
        canvas.put(0, 0, f"{width}x{height}: the review needs 80x24", "strong")
        return canvas.sheet()
    top = 2 if height >= _ROOMY_HEIGHT else 1
    area = _Area(top, height - 2 - (1 if height >= _ROOMY_HEIGHT else 0), height >= _ROOMY_HEIGHT)
    if state.tile is None:
        canvas.put(1, area.top, state.page.differs, "dim")
        _draw_words(canvas, _page_words(state), 1, area.top + 2, width - 2, area.end)
    elif state.large:
        _draw_large(canvas, state, area)
    else:
        _draw_row(canvas, state, area)
    _draw_head(canvas, state)
    _draw_foot(canvas, state)
    return canvas.sheet()


@dataclass(frozen=True)
class _Area:
    """Rows between head and foot: from `top` up to, but not with, `end`."""

    top: int
    end: int
    roomy: bool

    @property
    def rows(self) -> int:
        return self.end - self.top


def _draw_head(canvas: Canvas, state: ReviewState) -> None:
    place = state.setups.index(state.page.number) + 1 if state.page.number in state.setups else 1
    where: list[Piece] = [(f"{place} of {len(state.setups)} setups  ", "dim"), (state.folder, "plain")]
    left = canvas.put_right(canvas.width - 1, 0, where, width=canvas.width // 2)
    many = len(state.page.tiles)
    count = f"  {many} frame{'' if many == 1 else 's'}"
    x = canvas.put(1, 0, state.page.title, "strong", width=left - 2 - len(count))
    canvas.put(x, 0, count, "dim", width=max(0, left - 1 - x))


# ---------------------------------------------------------------- the row


def _draw_row(canvas: Canvas, state: ReviewState, area: _Area) -> None:
    """Draw the frames, then the curve with what is left, the words beside it or, where that is narrow, beneath."""
    aside, curve = canvas.width >= _ASIDE_WIDTH, _curve_of(state.page)
    lines, gap = (5, 1) if area.roomy else (4, 0)
    beneath = 0 if aside else 2
    kept = (8 if area.roomy else 4) + _CURVE_REST if curve else 8 * aside
    row = gap + _draw_tiles(canvas, state, area.top, area.rows - lines - gap - beneath - kept, lines)
    words = [*_differs_words(state), *([("", "plain"), *_page_words(state)] if area.roomy else ())]
    levels = next((n for n in _LEVELS if n + _CURVE_REST + beneath <= area.end - row), 0) if curve else 0
    if not levels:
        _draw_words(canvas, words, 1, row, canvas.width - 2, area.end)
        return
    room = (canvas.width - 2) * 2 // 3 if aside else canvas.width - 2
    across, under = _draw_curve(canvas, state, curve, row, room, levels)
    if aside:
        _draw_words(canvas, words, across + 3, row, canvas.width - across - 4, area.end)
    else:
        _draw_words(canvas, words, 1, under, canvas.width - 2, area.end)


def _draw_tiles(canvas: Canvas, state: ReviewState, top: int, rows: int, lines: int) -> int:
    """Draw the frames around the selected one, as many as fit; return the row beneath."""
    tiles, room = state.page.tiles, canvas.width - 2
    fit = max(1, min(len(tiles), (room + 1) // (_TILE_LEAST + 1)))
    wide = (room + 1) // fit - 1
    first = min(max(0, state.selected - fit // 2), len(tiles) - fit)
    shown = tiles[first : first + fit]
    wide = min(wide, max(_TILE_LEAST, *(_columns(tile.frame.preview, rows) for tile in shown)))
    fills = [_rows(tile.frame.preview, wide) for tile in shown]
    tall = max(_PICTURE_LEAST, min(rows, max(fills)))
    for place, tile in enumerate(shown):
        x = 1 + place * (wide + 1)
        _draw_picture(canvas, tile, x, top, wide, tall, marked=False)  # marks would cover what is small
        selected = tile.number == state.page.tiles[state.selected].number
        for row, pieces in enumerate(_tile_lines(tile, state, lines, canvas.style), start=top + tall):
            canvas.put(x, row, pieces, width=wide)
        if selected:
            canvas.bar(top + tall, "key", x, wide)
    if fit < len(tiles):
        told = f"frames {shown[0].number} to {shown[-1].number} of {tiles[0].number} to {tiles[-1].number}"
        canvas.put_right(canvas.width - 1, top + tall + lines - 1, [(told, "dim")], width=canvas.width // 3)
    return top + tall + lines


def _columns(preview: Preview | None, rows: int) -> int:
    """Return how wide a picture is that is so many rows tall: a cell is two pixels high."""
    return 3 * rows if preview is None else round(2 * rows * preview.width / preview.height)


def _rows(preview: Preview | None, columns: int) -> int:
    return _PICTURE_LEAST if preview is None else math.ceil(columns * preview.height / preview.width / 2)


def _draw_picture(canvas: Canvas, tile: Tile, x: int, top: int, wide: int, tall: int, *, marked: bool) -> None:
    if tile.frame.preview is None:
        canvas.put(x, top, "no picture", "dim", width=wide)
        return
    picture = halfblocks.draw(tile.frame.preview, wide, tall, canvas.style, marked=marked)
    canvas.cells(x + (wide - len(picture[0])) // 2, top + tall - len(picture), picture)


def _tile_lines(tile: Tile, state: ReviewState, lines: int, style: Style) -> list[list[Piece]]:
    frame, marks, selected = tile.frame, style.marks, state.tile is tile
    lead = marks.newest if selected else " "
    name: list[Piece] = [
        (f"{lead}{f_text(frame.f_number)}", "strong" if selected else "plain"),
        (f"  frame {tile.number}{' ◂' if selected else ''}", "plain" if selected else "dim"),
    ]
    over = over_limit(frame)
    clipped, blocked = (percent(share).replace(" ", "") for share in (frame.clipped, frame.shadows_subject))
    role, sign = ("clip", marks.trouble) if over else ("plain", " ")
    if lines == 4:
        shares: list[list[Piece]] = [
            [(f" {marks.clipped}{clipped}{sign}", role), (f" {marks.blocked}{blocked}", "plain")]
        ]
    else:
        shares = [
            [(f" {marks.clipped} clipped {clipped}{sign}", role)],
            [(f" {marks.blocked} blocked {blocked}", "plain")],
        ]
    return [name, *shares, [_tile_backdrop(tile, style)], [_tile_choice(tile, state)]]


def _tile_backdrop(tile: Tile, style: Style) -> Piece:
    backdrop = tile.frame.backdrop
    if not backdrop.tone or backdrop.clean is None:
        return " - no backdrop", "dim"
    if backdrop.clean:
        return f" {style.marks.well} {backdrop.tone} clean", "good"
    if backdrop.only_grain:
        return f" - {backdrop.tone}, noise", "strong"
    size = stops_text(backdrop.over_stops or 0.0)
    by = "not clean" if size == "0" else f"{size} over"
    return f" {style.marks.spilled} {by} {backdrop.side}".rstrip(), "spill"


def _tile_choice(tile: Tile, state: ReviewState) -> Piece:
    rating = tile.choice.rating or 0
    chosen = f"chosen {rating}" if rating > 0 else "rejected" if rating < 0 else ""
    held = state.held is not None and state.held.tile is not None and state.held.tile.number == tile.number
    return f"   {', '.join(filter(None, (chosen, 'held' if held else '')))}", "key"


# ---------------------------------------------------------------- the curve


def _curve_of(page: Page) -> tuple[Forecast, ...]:
    return () if page.curve is None else page.curve.frame.forecast


def _draw_curve(
    canvas: Canvas, state: ReviewState, curve: Sequence[Forecast], row: int, room: int, levels: int
) -> tuple[int, int]:
    """Draw what each aperture gives; return the column after it, and the row beneath."""
    step = max(1, min(5, (room - _CURVE_LABEL) // len(curve)))
    shown = curve[: max(1, (room - _CURVE_LABEL) // step)]
    left, marks = 1 + _CURVE_LABEL, canvas.style.marks
    across = left + step * len(shown)
    canvas.put(1, row, _curve_title(state.page, canvas.style), width=room)
    for place, level in enumerate(_LEVELS[levels], start=row + 1):
        label = f"{100 * level:g} % " if level else "less "
        canvas.put_right(left, place, [(label, "dim")], width=_CURVE_LABEL)
    for place, one in enumerate(shown):
        for share, mark, by in ((one.highlights, marks.clipped, 0), (one.shadows, marks.blocked, 1)):
            if share is not None:
                canvas.put(
                    left + place * step + by, row + 1 + _level(share, levels), mark, "clip" if by == 0 else "plain"
                )
    base = row + 1 + levels
    _draw_axis(canvas, state, shown, left, base, step)
    _draw_readings(canvas, state.page, shown, left, base + 3, step, across)
    return across, base + 4


def _curve_title(page: Page, style: Style) -> list[Piece]:
    curve, marks = page.curve, style.marks
    if curve is None:
        return []
    at = f"forecast of {curve.facts.name}, {shutter_text(curve.frame.shutter_s)}, ISO {figure(curve.frame.iso)}"
    return [(marks.clipped, "clip"), (" clipped  ", "plain"), (f"{marks.blocked} blocked  ", "plain"), (at, "dim")]


def _level(share: float, levels: int) -> int:
    return next(place for place, level in enumerate(_LEVELS[levels]) if share >= level)


def _draw_axis(canvas: Canvas, state: ReviewState, shown: Sequence[Forecast], left: int, row: int, step: int) -> None:
    """Draw the apertures, what was shot, and how dark or bright the backdrop's brightest part comes out."""
    for place, label in enumerate(("f/", "shot", "backdrop")):
        canvas.put(1, row + place, label, "dim", width=_CURVE_LABEL)
    every = math.ceil(5 / step)
    here = _selected_place(state, shown)
    for place, one in enumerate(shown):
        x = left + place * step
        if place % every == 0:
            canvas.put(x, row, f"{one.f_number:g}", "strong" if place == here else "plain", width=every * step - 1)
            canvas.put(x, row + 2, figure(one.backdrop_p99), "plain", width=every * step - 1)
        if place == here or one.shot:
            mark = canvas.style.marks.newest if place == here else canvas.style.marks.shot
            canvas.put(x, row + 1, mark, "key", width=1)


def _selected_place(state: ReviewState, shown: Sequence[Forecast]) -> int | None:
    """Return where the selected frame stands on the curve; None where it was exposed by another time or ISO."""
    tile, curve = state.tile, state.page.curve
    if tile is None or curve is None or tile.frame.f_number is None:
        return None
    mine, its = tile.facts.exposure, curve.facts.exposure
    if None in (mine.tv, mine.sv, its.tv, its.sv):
        return None
    if abs(((mine.tv or 0) - (mine.sv or 0)) - ((its.tv or 0) - (its.sv or 0))) > _SAME_EXPOSURE:
        return None
    return round(_along([one.f_number for one in shown], tile.frame.f_number))


def _along(f_numbers: Sequence[float], wanted: float) -> float:
    """
    Return where an aperture lies among ascending ones, in places; what is beyond their ends lies at the end.

    >>> _along([4.0, 5.6, 8.0], 8.0), round(_along([4.0, 5.6, 8.0], 6.7), 2), _along([4.0, 5.6, 8.0], 32.0)
    (2.0, 1.5, 2.0)
    """
    logs = [math.log2(max(n, 0.01)) for n in f_numbers]
    at = math.log2(max(wanted, 0.01))
    for place, (low, high) in enumerate(pairwise(logs)):
        if at <= high:
            return place + max(0.0, (at - low) / (high - low) if high > low else 0.0)
    return float(max(0, len(logs) - 1))


def _draw_readings(
    canvas: Canvas, page: Page, shown: Sequence[Forecast], left: int, row: int, step: int, across: int
) -> None:
    """Draw what the meter asks for, each reading under its aperture; where two collide the later one moves on."""
    if not page.marks:
        return
    canvas.put(1, row, "meter", "dim", width=_CURVE_LABEL)
    f_numbers, free = [one.f_number for one in shown], left
    for place, mark in sorted(page.marks, key=lambda one: one[1]):
        x = max(free, left + round(_along(f_numbers, mark) * step))
        free = canvas.put(x, row, f"{canvas.style.marks.asks}{place} {mark:g}", "key", width=max(0, across - x)) + 1


# ---------------------------------------------------------------- words


def _draw_words(canvas: Canvas, words: Iterable[Piece], left: int, row: int, room: int, end: int) -> None:
    """Draw texts one beneath the other, each wrapped; that some had no room shows."""
    lines = [(line, role) for text, role in words for line in wrap(canvas.style.say(text), room, 12)]
    rows = max(0, end - row)
    while rows and len(lines) > rows and not lines[rows - 1][0]:
        del lines[rows - 1]
    if len(lines) > rows > 0:
        lines[rows - 1] = f"{lines[rows - 1][0]} …", lines[rows - 1][1]
    for place, (line, role) in enumerate(lines[:rows], start=row):
        canvas.put(left, place, line, role, width=room)


def _differs_words(state: ReviewState) -> list[Piece]:
    told = state.against
    return [(state.page.differs, "strong") if told is None else (told.sentence, "strong")]


def _page_words(state: ReviewState) -> Iterator[Piece]:
    """Yield what else is known, the selected frame's first."""
    tile, page = state.tile, state.page
    if tile is not None:
        yield from ((text, "plain") for text in tile.frame.notices)
    if page.readings or page.notes or page.lamps:
        yield "", "plain"
    yield from ((line, "plain") for line in page.readings)
    yield from ((f"note: {text}", "plain") for text in page.notes)
    yield from ((f"lamp {name}: {text}", "plain") for name, text in page.lamps)


# ---------------------------------------------------------------- large


def _draw_large(canvas: Canvas, state: ReviewState, area: _Area) -> None:
    """Draw the selected frame as large as it goes; two side by side, where one is held against the other."""
    told, tile = state.against, state.tile
    here = Held(state.page, tile, state.held is not None and state.held.whole)
    pair = [here] if told is None else [told.before, told.after]
    words: list[Piece] = [] if told is None else [(f"- {line}", "strong") for line in told.lines]
    words += _page_words(state) if told is None else ()
    wide = (canvas.width - 1 - len(pair)) // len(pair)
    lines = [_held_lines(one, state, canvas.style) for one in pair]
    beneath = len(lines[0]) + min(len(words), area.rows // 4) + (1 if area.roomy else 0)
    shown = [one.tile.frame.preview for one in pair if one.tile is not None]
    tall = max(_PICTURE_LEAST, min(area.rows - beneath, max((_rows(each, wide) for each in shown), default=0)))
    for place, one in enumerate(pair):
        x = 1 + place * (wide + 1)
        if one.tile is None:
            canvas.put(x, area.top, "no frame", "dim", width=wide)
        else:
            _draw_picture(canvas, one.tile, x, area.top, wide, tall, marked=state.marked)
        for row, pieces in enumerate(lines[place], start=area.top + tall):
            canvas.put(x, row, pieces, width=wide)
    _draw_words(canvas, words, 1, area.top + tall + len(lines[0]) + area.roomy, canvas.width - 2, area.end)


def _held_lines(one: Held, state: ReviewState, style: Style) -> list[list[Piece]]:
    """Return a frame's facts as lines; always as many."""
    tile, held = one.tile, one is state.held
    lead = "held: " if held else ""
    title = one.title if tile is None else f"{tile.facts.name} of {one.page.title}"
    head: list[Piece] = [(f"{lead}{title}", "key" if held else "strong")]
    if tile is None:
        return [head, *([[]] * 5)]
    frame, over = tile.frame, over_limit(tile.frame)
    mark = f"{style.marks.clipped} " if over else ""
    return [
        head,
        [(exposure_text(frame), "plain")],
        [(f"{mark}clipped {percent(frame.clipped)}, {room_text(frame)}", "clip" if over else "plain")],
        [(f"blocked {percent(frame.shadows_subject)}", "plain"), (_light_text(tile), "plain")],
        [_large_backdrop(tile, style)],
        [(choice_text(tile.choice) or "not chosen", "key" if choice_text(tile.choice) else "dim")],
    ]


def _light_text(tile: Tile) -> str:
    """Return the light's colour, where a raw frame's neutral tells it: a JPEG's is as the camera was balanced."""
    mired = tile.facts.mired if tile.facts.raw else None
    return "" if not mired or mired < 0 else f", light {1e6 / mired:.0f} K, {mired:.0f} mired"


def _large_backdrop(tile: Tile, style: Style) -> Piece:
    backdrop = tile.frame.backdrop
    if not backdrop.tone or backdrop.clean is None:
        return "no backdrop", "dim"
    if backdrop.clean:
        return f"{style.marks.well} backdrop {backdrop.tone}, clean", "good"
    if backdrop.only_grain:
        return f"backdrop {backdrop.tone}, not clean by noise or lint", "strong"
    over = "not clean" if not backdrop.over_stops else f"{stops_long(backdrop.over_stops)} over"
    return ", ".join(filter(None, (f"{style.marks.spilled} backdrop {backdrop.tone}", over, backdrop.side))), "spill"


# ---------------------------------------------------------------- foot


def _draw_foot(canvas: Canvas, state: ReviewState) -> None:
    last, room, tile = canvas.height - 1, canvas.width - 2, state.tile
    if state.typing is not None and tile is not None:
        asked = f"why frame {tile.number}: "
        tail = "".join(split(canvas.style.say(state.typing))[-(room - len(asked) - 2) :])
        canvas.put(1, last - 1, [(asked, "key"), (tail, "strong"), ("_", "key")], width=room)
        canvas.put(1, last, "enter keeps it  escape leaves it as it was", "dim", width=room)
        return
    if state.said:
        lead = f"{canvas.style.marks.trouble} " if state.amiss else ""
        canvas.put(1, last - 1, f"{lead}{state.said}", "trouble" if state.amiss else "key", width=room)
    elif tile is not None:
        told = f"{tile.file}  {exposure_text(tile.frame)}"
        canvas.put(1, last - 1, [(told, "plain"), (f"  {choice_text(tile.choice)}", "key")], width=room)
    canvas.put(1, last, list(_keys(state, canvas.style, room)), width=room)


def _keys(state: ReviewState, style: Style, room: int) -> Iterator[Piece]:
    held = state.held is not None
    short = (
        ("arrows", "go"),
        ("0-5", "choose"),
        ("w", "why"),
        ("h", "hold"),
        ("H", "setup"),
        ("m", "marks"),
        ("enter", "row" if state.large else "large"),
        ("q", "quit"),
    )
    full = (
        ("arrows", "frame, setup"),
        ("1-5", "choose, and how much"),
        ("0", "take it back"),
        ("w", "why"),
        ("h", "hold this frame"),
        ("H", "the setup"),
        *([("m", "marks")] if state.large else []),
        ("enter", "the row" if state.large else "side by side" if held else "large"),
        ("q", "quit"),
    )
    width = sum(len(key) + len(word) + 3 for key, word in full)
    for place, (key, word) in enumerate(full if width <= room else short):
        yield ("  " if place else "") + key, "key"
        yield f" {word}", "dim"
