"""
The panel: what a service tells, drawn for someone three metres away. Pure: state and size in, rich renderable out.

Top down: the next step in large letters and why; the backdrop's flag in large letters and where; the newest frame
large beside the bracket and its readings; what was refused, what the service says, the keys.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from lampblack.daemon import halfblocks
from lampblack.daemon.canvas import Canvas, Piece, Sheet, split, wrap
from lampblack.daemon.letters import Face, fitting
from lampblack.daemon.panel_state import ASKED, Cursor, PanelState, Pressed, fold, press
from lampblack.daemon.style import Style
from lampblack.daemon.told import Forecast, Frame, Preview, exposure_text, figure, over_limit, room_text
from lampblack.daemon.words import (
    Headline,
    camera_texts,
    count_headline,
    flag_headline,
    service_text,
    setup_text,
    step_headline,
)
from lampblack.rules.figures import f_text, percent, stops_long, stops_text

__all__ = ["MIN_HEIGHT", "MIN_WIDTH", "PanelState", "Pressed", "Style", "draw", "fold", "press"]

MIN_WIDTH, MIN_HEIGHT = 80, 24

# The sizes of letters are chosen by the longest thing they say often, so that they do not jump from step to step.
_STEP_SAMPLES = ("CLOSE 2⅔ f/5.6",)
_FLAG_SAMPLES = ("NOT CLEAN → 2⅔",)
_LABEL_WIDTH = 11
_LEGEND_WIDTH = 20
_READINGS_WIDTH = 56
_ROOMY_HEIGHT = 34
_TEXT_ROWS = 24  # what bracket, readings, two notices and the forecast want above a picture beneath them
_PICTURE_ROWS = 10  # and the least that is worth having there
_FORECAST_LABEL, _FORECAST_STEP, _FORECAST_ROWS = 10, 5, 5  # columns, columns, rows with the blank one above


@dataclass(frozen=True)
class _Plan:
    """Where things go: rows from the top, columns from the left."""

    step: Face | None
    flag: Face | None
    roomy: bool
    step_row: int
    why_row: int
    flag_row: int
    detail_row: int
    body_row: int
    body_rows: int
    left: int
    """Where bracket and readings begin."""
    picture_row: int
    picture_rows: int
    picture_columns: int


def draw(state: PanelState, width: int, height: int, *, look: Style) -> Sheet:
    """
    Return the panel as a rich renderable of exactly `width` by `height` cells.

    Below 80 by 24 it says so in one line.
    """
    canvas = Canvas(width, height, look)
    if width < MIN_WIDTH or height < MIN_HEIGHT:
        canvas.put(0, 0, f"{width}x{height}: the panel needs 80x24", "strong")
        return canvas.sheet()
    if state.large:
        _draw_large(canvas, state)
        return canvas.sheet()
    if state.cursor is not None and state.newest is not None:
        _draw_placing(canvas, state, state.cursor, state.newest)
        return canvas.sheet()
    shown = state.mix or (state.newest.preview if state.newest else None)
    plan = _plan(width, height, look, 1.5 if shown is None else shown.width / shown.height)
    _draw_header(canvas, state)
    _draw_headline(canvas, step_headline(state), plan.step, plan.step_row, plan.why_row, 2)
    _draw_headline(canvas, flag_headline(state), plan.flag, plan.flag_row, plan.detail_row, 1)
    _draw_body(canvas, state, plan)
    _draw_foot(canvas, state, plan)
    return canvas.sheet()


def _plan(width: int, height: int, look: Style, aspect: float) -> _Plan:
    """
    Place everything; what an upright picture (aspect: width over height) leaves goes to the bracket beside it.

    On a tall and narrow screen the picture goes beneath instead, where it is larger there.
    """
    roomy = height >= _ROOMY_HEIGHT
    least = 5 if look.ascii else 4
    step = fitting(look.ascii, width - 2, max(least, height * 18 // 100), _STEP_SAMPLES)
    flag = fitting(look.ascii, width - 2, max(least, height * 13 // 100), _FLAG_SAMPLES)
    space = 1 if roomy else 0
    step_row = 1 + space
    why_row = step_row + (step.rows if step else 1) + (1 if height >= 50 else 0)
    flag_row = why_row + 2 + space
    detail_row = flag_row + (flag.rows if flag else 1) + (1 if height >= 50 else 0)
    body_row = detail_row + 1 + space
    body_rows = height - (3 if roomy else 4) - body_row
    fills = round(2 * aspect * (body_rows - 1))  # a cell is two pixels high
    columns = max(_LEGEND_WIDTH, min(fills, width * 45 // 100, width - 4 - _READINGS_WIDTH))
    left, picture_row, picture_rows = columns + 3, body_row, body_rows - 1
    beneath = body_rows - _TEXT_ROWS
    wider = min(round(2 * aspect * (beneath - 1)), width - 2)
    if beneath >= _PICTURE_ROWS and wider > columns:
        columns, left, body_rows = wider, 1, _TEXT_ROWS - 1
        picture_row, picture_rows = body_row + _TEXT_ROWS, beneath - 1
    rows = step_row, why_row, flag_row, detail_row, body_row, body_rows
    return _Plan(step, flag, roomy, *rows, left, picture_row, picture_rows, columns)


# --- head ---


def _draw_header(canvas: Canvas, state: PanelState) -> None:
    many = len(state.frames)
    count = f"  {many} frame{'' if many == 1 else 's'}" if canvas.width >= 110 else ""
    name, aim = canvas.style.say(setup_text(state)), f"  aim {state.aim or '?'}"
    left = _draw_camera(canvas, state, max(canvas.width // 2, canvas.width - 4 - len(split(name + count + aim))))
    x = canvas.put(1, 0, name, "strong", width=left - 3 - len(aim) - len(count))
    canvas.put(x, 0, [(count, "dim"), (aim, "plain")], width=left - 2 - x)


def _draw_camera(canvas: Canvas, state: PanelState, room: int) -> int:
    """Draw at the right what the camera is doing, as fully as fits; return the first column taken."""
    troubled = state.camera.state in ("lost", "asleep", "searching")
    mark = f"{canvas.style.marks.trouble} " if troubled else ""
    texts = camera_texts(state)
    label = "" if "camera" in texts[0].lower() else "camera "
    fits = [text for text in texts if len(split(canvas.style.say(f"{label}{mark}{text}"))) <= room]
    told: list[Piece] = [(label, "dim"), (f"{mark}{(fits or texts[-1:])[0]}", "trouble" if troubled else "plain")]
    return canvas.put_right(canvas.width - 1, 0, told, width=room)


def _draw_headline(
    canvas: Canvas, headline: Headline, face: Face | None, row: int, text_row: int, text_rows: int
) -> None:
    room = canvas.width - 2
    fits = [phrase for phrase in headline.phrases if face and face.width(phrase) <= room]
    if face and fits:
        for place, line in enumerate(face.draw(fits[0]), start=row):
            canvas.put(1, place, line, headline.role)
    elif headline.phrases:
        canvas.put(1, row, headline.phrases[0], headline.role)
    for place, line in enumerate(wrap(canvas.style.say(headline.text), room, text_rows), start=text_row):
        canvas.put(1, place, line, "plain", width=room)


def _draw_large(canvas: Canvas, state: PanelState) -> None:
    """Draw three facts: the step, the backdrop, how many frames; each as large as a third of the screen takes."""
    rows = (canvas.height - 1) // 3
    for place, headline in enumerate((step_headline(state), flag_headline(state), count_headline(state))):
        top, room = place * rows, canvas.width - 2
        tried = [(phrase, fitting(canvas.style.ascii, room, rows - 1, (phrase,))) for phrase in headline.phrases]
        fits = [(face.rows, phrase, face) for phrase, face in tried if face is not None]
        if fits:
            most = max(height for height, _, _ in fits)
            phrase, face = next((phrase, face) for height, phrase, face in fits if height >= _NEARLY * most)
            for row, line in enumerate(face.draw(phrase), start=top + (rows - face.rows) // 2):
                canvas.put(1, row, line, headline.role)
        elif headline.phrases:
            canvas.put(1, top, headline.phrases[0], headline.role, width=room)
    said = "" if state.said is None else state.said.text
    canvas.put(1, canvas.height - 1, said or "z all of it  q quit", "dim", width=canvas.width - 2)


# --- a spot to be placed ---

_LIST_WIDTH = 20


def _draw_placing(canvas: Canvas, state: PanelState, cursor: Cursor, frame: Frame) -> None:
    """Draw the newest frame as large as it goes with the cursor on it, beside it the spots, what lies there beneath."""
    last = canvas.height - 1
    _draw_header(canvas, state)
    wide = 0
    if frame.preview is not None:
        picture = halfblocks.draw(frame.preview, canvas.width - 4 - _LIST_WIDTH, last - 3, canvas.style, marked=True)
        wide, high = len(picture[0]), len(picture)
        canvas.cells(1, 1, picture)
        for one in frame.placed:
            canvas.put(1 + _cell_of(one.x, wide), 1 + _cell_of(one.y, high), canvas.style.marks.spot, "key")
        _draw_cursor(canvas, _cell_of(cursor.x, wide), 1 + _cell_of(cursor.y, high), wide)
    left = wide + 3
    canvas.put(left, 1, "spots" if frame.placed else "no spot yet", "dim", width=canvas.width - 1 - left)
    for row, one in enumerate(frame.placed[: last - 7], start=2):
        stands = one.name == cursor.on
        mark = canvas.style.marks.newest if stands else canvas.style.marks.spot
        text = f"{mark} {one.brief or one.name}"
        canvas.put(left, row, text, "strong" if stands else "plain", width=canvas.width - 1 - left)
    marks = canvas.style.marks
    for row, mark, role, word in (
        (last - 4, marks.clipped, "clip", "clipped"),
        (last - 3, marks.spilled, "spill", "spilled"),
    ):
        canvas.put(left, row, [(mark, role), (f" {word}", "plain")])
    _draw_under(canvas, state, cursor, frame, last - 2)
    _draw_message(canvas, state, last - 1)
    _draw_keys(canvas, state, last)


def _cell_of(share: float, size: int) -> int:
    return min(int(share * size), size - 1)


def _draw_cursor(canvas: Canvas, column: int, row: int, wide: int) -> None:
    """Draw it as a bar of three cells, dark on light, whose middle is the place; what lies off the picture is left."""
    for at, glyph in zip(range(column - 1, column + 2), "[+]", strict=True):
        if 0 <= at < wide:
            canvas.put(1 + at, row, glyph, "key", width=1)
            canvas.bar(row, "key", 1 + at, 1)


def _draw_under(canvas: Canvas, state: PanelState, cursor: Cursor, frame: Frame, row: int) -> None:
    """
    Say where the cursor is and what lies under it; of a spot what the setup's frames together know of it.

    What is wrong with a name that is typed in the line beneath is said here.
    """
    if state.typing is not None and state.said is not None and not state.said.ok:
        canvas.put(1, row, f"{canvas.style.marks.trouble} {state.said.text}", "trouble", width=canvas.width - 2)
        return
    number = "newest frame" if frame.number is None else f"frame {frame.number}"
    told = next((one.words for one in frame.placed if one.name == cursor.on), "")
    under = state.under
    asking = "…" if state.link == "up" else "not known while the service is away"
    text = told or (asking if under is None else under.text)
    role = "strong" if told or under is None or under.ok else "trouble"
    where = f"{number} at {cursor.x:g},{cursor.y:g}  "
    if len(split(canvas.style.say(where + text))) > canvas.width - 2:
        text = text.partition(";")[0]  # how far off it is stands in the list too
    canvas.put(1, row, [(where, "dim"), (text, role)], width=canvas.width - 2)


# --- body ---


def _draw_body(canvas: Canvas, state: PanelState, plan: _Plan) -> None:
    frame = state.newest
    if frame is None:
        return
    if state.mix is not None:
        _draw_mix(canvas, state.mix, plan)
    else:
        _draw_newest(canvas, frame, plan)
    left, room = plan.left, canvas.width - 1 - plan.left
    row = _draw_bracket(canvas, state, plan, left, room)
    readings = _shown_readings(frame, canvas.style, plan, room)
    row = max(row, plan.body_row + plan.body_rows - len(readings)) if not plan.roomy else row + 1
    for label, pieces in readings:
        canvas.put(left, row, label, "dim", width=_LABEL_WIDTH)
        canvas.put(left + _LABEL_WIDTH, row, pieces, width=room - _LABEL_WIDTH)
        row += 1
    if plan.roomy:
        row = _draw_notices(canvas, frame, left, row, room, plan.body_row + plan.body_rows - row)
        _draw_forecast(canvas, frame, left, row + 1, room, plan.body_row + plan.body_rows - row - 1)


def _shown_readings(frame: Frame, style: Style, plan: _Plan, room: int) -> list[tuple[str, list[Piece]]]:
    return list(_readings(frame, style, room) if plan.roomy else _readings_short(frame, style))


def _draw_mix(canvas: Canvas, mix: Preview, plan: _Plan) -> None:
    """Draw a mix of lamps: at the left as it is, at the right as it would be."""
    picture = halfblocks.draw(mix, plan.picture_columns, plan.picture_rows, canvas.style, marked=False)
    pad = (plan.picture_columns - len(picture[0])) // 2
    canvas.cells(1 + pad, plan.picture_row, picture)
    row = plan.picture_row + len(picture)
    canvas.put(1, row, "now | as the mix", "key", width=plan.picture_columns if plan.roomy else _LEGEND_WIDTH)


def _draw_newest(canvas: Canvas, frame: Frame, plan: _Plan) -> None:
    marks, top = canvas.style.marks, plan.picture_row
    legend = [(marks.clipped, "clip"), (" clipped  ", "plain"), (marks.spilled, "spill"), (" spilled", "plain")]
    if frame.preview is None:
        canvas.put(1, top, "no picture", "dim", width=plan.picture_columns)
        canvas.put(1, top + plan.picture_rows, legend, width=_LEGEND_WIDTH)
        return
    picture = halfblocks.draw(frame.preview, plan.picture_columns, plan.picture_rows, canvas.style, marked=True)
    pad = (plan.picture_columns - len(picture[0])) // 2
    canvas.cells(1 + pad, top, picture)
    for one in frame.placed:
        across, down = _cell_of(one.x, len(picture[0])), _cell_of(one.y, len(picture))
        canvas.put(1 + pad + across, top + down, marks.spot, "key")
    if frame.placed and plan.roomy:  # small panels have no room to say it
        legend += [("  ", "plain"), (marks.spot, "key"), (" spot", "plain")]
    canvas.put(1, top + len(picture), legend, width=plan.picture_columns if plan.roomy else _LEGEND_WIDTH)


def _draw_bracket(canvas: Canvas, state: PanelState, plan: _Plan, left: int, room: int) -> int:
    """Draw the last frames as a row of tiles that fills the room; return the row beneath them."""
    wanted = 5 if room >= 100 else 4
    lines = 3 if plan.roomy else 2
    spare = plan.body_rows - lines - _beneath_bracket(canvas, state, plan, room)
    if plan.roomy and spare >= _FORECAST_ROWS + 4 and _forecasts_shown(state.newest, room):
        spare -= _FORECAST_ROWS
    few = min(wanted, max(2, len(state.frames)))
    # As few as they are they may be large, but not so large that their height has no room: pictures are 3 to 2 mostly.
    tile = max(13, (room + 1) // wanted - 1, min((room + 1) // few - 1, 3 * spare))
    shown = state.frames[-max(1, (room + 1) // (tile + 1)) :]
    rows = min(tile // 3, spare)
    for place, frame in enumerate(shown):
        x = left + place * (tile + 1)
        if frame.preview is not None and rows >= 2:
            canvas.cells(x, plan.body_row, halfblocks.draw(frame.preview, tile, rows, canvas.style, marked=False))
        top = plan.body_row + (rows if rows >= 2 else 0)
        for row, pieces in enumerate(_tile_lines(frame, frame is state.newest, lines, canvas.style), start=top):
            canvas.put(x, row, pieces, width=tile)
    return plan.body_row + (rows if rows >= 2 else 0) + lines


def _beneath_bracket(canvas: Canvas, state: PanelState, plan: _Plan, room: int) -> int:
    """Return how many rows the readings and notices under the bracket need."""
    frame = state.newest
    if frame is None:
        return 0
    readings = len(_shown_readings(frame, canvas.style, plan, room))
    return 1 + readings + min(4 + len(frame.spots), len(_notice_lines(canvas, frame, room))) if plan.roomy else readings


def _tile_lines(frame: Frame, newest: bool, lines: int, style: Style) -> list[list[Piece]]:
    lead = style.marks.newest if newest else " "
    name: Piece = (f"{lead}{f_text(frame.f_number)}", "strong" if newest else "plain")
    share = percent(frame.clipped)
    over = over_limit(frame)
    clip_mark, clip_role = (style.marks.clipped, "clip") if over else (style.marks.well, "dim")
    if lines == 2:
        return [[name, (f" {clip_mark}{share.replace(' ', '')}", clip_role)], [_tile_flag(frame, style, "")]]
    number = "" if frame.number is None else f"  {frame.number}"
    return [[name, (number, "dim")], [(f" {clip_mark} {share}", clip_role)], [_tile_flag(frame, style, " ")]]


def _tile_flag(frame: Frame, style: Style, lead: str) -> Piece:
    backdrop = frame.backdrop
    if not backdrop.tone or backdrop.clean is None:
        return f"{lead}- none", "dim"
    if backdrop.clean:
        return f"{lead}{style.marks.well} clean", "good"
    if backdrop.only_grain:
        return f"{lead}- noise", "strong"
    size = stops_text(backdrop.over_stops or 0.0)
    by = "not clean" if size == "0" else size
    return f"{lead}{style.marks.spilled} {by} {backdrop.side}".rstrip(), "spill"


def _highlights(frame: Frame, style: Style) -> list[Piece]:
    over = over_limit(frame)
    lead = f"{style.marks.clipped} " if over else ""
    told = f"broad {percent(frame.broad)}, glints {percent(frame.specular)}, {room_text(frame)}"
    return [(f"{lead}{told}", "clip" if over else "plain")]


def _backdrop_figures(frame: Frame, style: Style, *, short: bool = False) -> list[Piece]:
    backdrop = frame.backdrop
    if not backdrop.tone:
        return [("none found", "dim")]
    spilled = not (backdrop.clean or backdrop.only_grain)
    lead = f"{style.marks.spilled} " if spilled else ""
    codes = f"p95 {figure(backdrop.p95)}  p99 {figure(backdrop.p99)}  max {figure(backdrop.top)}"
    below = backdrop.stops_below_white
    under = "" if below is None else f", {(stops_text if short else stops_long)(below)} under white"
    return [(f"{lead}{codes}{under}", "spill" if spilled else "plain")]


def _readings_short(frame: Frame, style: Style) -> Iterator[tuple[str, list[Piece]]]:
    number = "frame" if frame.number is None else f"frame {frame.number}"
    yield number, [(f"{exposure_text(frame)}, shadows {percent(frame.shadows_subject)}", "plain")]
    yield "highlights", _highlights(frame, style)
    yield "backdrop", _backdrop_figures(frame, style, short=True)
    if frame.spots_short:
        yield "spots", [("  ".join(frame.spots_short), "plain")]


def _readings(frame: Frame, style: Style, room: int) -> Iterator[tuple[str, list[Piece]]]:
    number = "frame" if frame.number is None else f"frame {frame.number}"
    yield number, [(frame.file, "strong")]
    yield "exposure", [(f"{exposure_text(frame)}  EV100 {figure(frame.ev100, 1)}", "plain")]
    yield "highlights", _highlights(frame, style)
    told = f"{percent(frame.shadows_subject)} of the subject, {percent(frame.shadows_frame)} of the frame"
    yield "shadows", [(told, "plain")]
    yield "backdrop", _backdrop_figures(frame, style, short=room < 60)
    if frame.backdrop.tone:
        even = frame.backdrop.evenness_stops
        uneven = "" if even is None else f", {stops_long(even)} uneven"
        told = f"{frame.backdrop.tone}, {percent(frame.backdrop.area)} of the frame{uneven}"
        yield "", [(told, "plain")]


def _notice_lines(canvas: Canvas, frame: Frame, room: int) -> list[tuple[str, str]]:
    """Return spots and notices as lines, each behind its label."""
    told = [*(("spot", text) for text in frame.spots), *(("notice", text) for text in frame.notices)]
    return [
        ("" if place else label, line)
        for label, text in told
        for place, line in enumerate(wrap(canvas.style.say(text), room - _LABEL_WIDTH, 2))
    ]


def _draw_notices(canvas: Canvas, frame: Frame, left: int, row: int, room: int, rows: int) -> int:
    for label, line in _notice_lines(canvas, frame, room)[: max(0, rows)]:
        canvas.put(left, row, label, "dim", width=_LABEL_WIDTH)
        canvas.put(left + _LABEL_WIDTH, row, line, "plain", width=room - _LABEL_WIDTH)
        row += 1
    return row


def _draw_forecast(canvas: Canvas, frame: Frame, left: int, row: int, room: int, rows: int) -> None:
    """Draw what each aperture would give: of a long row those around the one just shot."""
    count, step = _forecasts_shown(frame, room), _FORECAST_STEP
    if rows < _FORECAST_ROWS - 1 or not count:
        return
    for place, label in enumerate(("forecast", "clipped %", "backdrop", "shot")):
        canvas.put(left, row + place, label, "dim", width=_FORECAST_LABEL)
    for place, one in enumerate(_around(frame, count)):
        x = left + _FORECAST_LABEL + place * step
        role = "strong" if one.f_number == frame.f_number else "plain"
        canvas.put(x, row, f"{one.f_number:g}", role, width=step - 1)
        share = percent(one.highlights).removesuffix(" %").replace("<0.", "<.")  # four columns are all there is
        canvas.put(x, row + 1, share, "plain", width=step - 1)
        canvas.put(x, row + 2, figure(one.backdrop_p99), "plain", width=step - 1)
        canvas.put(x, row + 3, canvas.style.marks.shot if one.shot else "", "key", width=step - 1)


def _forecasts_shown(frame: Frame | None, room: int) -> int:
    """Return how many apertures of the forecast fit side by side; none where it would be too few to be of use."""
    if frame is None or not frame.forecast:
        return 0
    fit = min(len(frame.forecast), (room - _FORECAST_LABEL + 1) // _FORECAST_STEP)
    return fit if fit >= min(5, len(frame.forecast)) else 0


def _around(frame: Frame, count: int) -> tuple[Forecast, ...]:
    """Return so many forecasts, those around the frame's own aperture and the one suggested."""
    marks = [one.f_number for one in frame.forecast]
    wanted = [n for n in (frame.f_number, frame.step.f_number) if n is not None]
    middle = sum(min(range(len(marks)), key=lambda i: abs(marks[i] - n)) for n in wanted) / max(1, len(wanted))
    first = min(max(0, round(middle - count / 2)), max(0, len(marks) - count))
    return frame.forecast[first : first + count]


# --- foot ---


def _draw_foot(canvas: Canvas, state: PanelState, plan: _Plan) -> None:
    last = canvas.height - 1
    if not plan.roomy and state.newest and state.newest.notices:
        _draw_line(canvas, last - 3, "notice", state.newest.notices[0])
    refused = state.refused[-1] if state.refused else None
    _draw_line(canvas, last - 2, "refused", f"{refused.file}: {refused.error}" if refused else "")
    _draw_message(canvas, state, last - 1)
    _draw_keys(canvas, state, last)


def _draw_line(canvas: Canvas, row: int, label: str, text: str) -> None:
    if text:
        canvas.put(1, row, [(f"{label}  ", "dim"), (text, "plain")], width=canvas.width - 2)


def _draw_message(canvas: Canvas, state: PanelState, row: int) -> None:
    room = canvas.width - 2
    if state.typing is not None:
        asked = ASKED[state.typing_what].lead
        # The end of what is typed must stay in sight.
        tail = "".join(split(state.typing)[-(room - len(asked) - 2) :])
        canvas.put(1, row, [(asked, "key"), (tail, "strong"), ("_", "key")], width=room)
        return
    if state.said is not None:
        lead = "" if state.said.ok else f"{canvas.style.marks.trouble} "
        canvas.put(1, row, f"{lead}{state.said.text}", "key" if state.said.ok else "trouble", width=room)
        return
    troubled = state.link != "up" or state.service in ("folder-gone", "stopping")
    if state.note and not troubled:
        canvas.put(1, row, state.note, "key", width=room)
        return
    lead = f"{canvas.style.marks.trouble} " if troubled else ""
    canvas.put(1, row, f"{lead}{service_text(state)}", "trouble" if troubled else "dim", width=room)
    if troubled:
        canvas.bar(row, "trouble")


def _draw_keys(canvas: Canvas, state: PanelState, row: int) -> None:
    canvas.put(1, row, list(_keys(state, canvas.style, canvas.width - 2)), width=canvas.width - 2)


_NEARLY = 0.6  # of the largest letters: so much smaller a phrase may be that says more
_LONG_KEYS = 112
_ANYWHERE = (
    (("w", "balance"), ("n", "setup"), ("r", "meter"), ("a", "aim"), ("q", "quit")),
    (("w", "white balance"), ("l", "lamp"), ("n", "new setup"), ("r", "reading"), ("a", "aim"), ("q", "quit")),
)
_WHERE_THERE_IS_ROOM = ((".", "spot"), ("z", "large"), ("s", "sound"))
_NO_CAMERA = "  step and fire need a camera"


def _keys(state: PanelState, style: Style, width: int) -> Iterator[Piece]:
    if not state.keys:
        yield "The keys are off: the input is no terminal.", "dim"
        return
    long = width >= _LONG_KEYS
    if state.typing is not None:
        pairs = [("enter", ASKED[state.typing_what].done), ("esc", "leave it")]
    elif state.cursor is not None:
        pairs = list(_cursor_keys(state, state.cursor, style, long))
    elif state.tethered:
        arrows = "↑↓" if not style.ascii else "up/down" if long else "^/v"
        pairs = [("space", "step"), ("f", "fire"), (arrows, "aperture" if long else "f/")]
        pairs += [("b", "end the run" if state.running and long else "run"), *_ANYWHERE[long]]
    else:
        pairs = list(_ANYWHERE[long])
    after = _NO_CAMERA if state.typing is None and state.cursor is None and not state.tethered else ""
    for pair in _WHERE_THERE_IS_ROOM if state.typing is None and state.cursor is None else ():
        if len("  ".join(map(" ".join, [*pairs, pair]))) + len(after) <= width:
            pairs.insert(-1, pair)
    for place, (key, meaning) in enumerate(pairs):
        yield f"{'  ' if place else ''}{key} ", "key"
        yield meaning, "plain"
    if after:
        yield after, "dim"


def _cursor_keys(state: PanelState, cursor: Cursor, style: Style, long: bool) -> Iterator[tuple[str, str]]:
    arrows = "arrows" if style.ascii else "←↑↓→"
    yield arrows, "move"
    yield "shift", "farther" if long else "far"
    yield ",", f"{'steps of' if long else 'by'} {cursor.hundredths} %"
    if state.newest is not None and state.newest.placed:
        yield ".", "next spot" if long else "next"
        yield "del", "drop it" if long else "drop"
    yield "enter", "name it"
    yield "esc", "leave"
