"""
A frame as the socket and the journal tell it: read from JSON, nothing trusted, and its figures in words. Pure.

Quick to import: a command that only prints needs no image library.
"""

from __future__ import annotations

import base64
import binascii
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from lampblack.daemon.loose import (
    Json,
    fraction_of,
    line_of,
    list_of,
    name_of,
    number_of,
    object_of,
    positive_of,
    word_of,
)
from lampblack.rules.figures import f_text, percent, shutter_text, stops_long, stops_text
from lampblack.rules.zones import spot_brief, spot_words

WIDTH_MAX = HEIGHT_MAX = 192
"""Of a preview, in pixels."""


@dataclass(frozen=True)
class Preview:
    """A frame's small picture: sRGB bytes row by row, and one byte of marks a pixel."""

    width: int
    height: int
    rgb: bytes
    marks: bytes


@dataclass(frozen=True)
class Step:
    """The next step as the service suggests it."""

    move: str = ""
    stops: float | None = None
    f_number: float | None = None
    why: str = ""


@dataclass(frozen=True)
class Backdrop:
    """One frame's backdrop. `tone` is empty where none was found; `clean` is None where nobody knows."""

    tone: str = ""
    clean: bool | None = None
    area: float | None = None
    p95: float | None = None
    p99: float | None = None
    top: float | None = None
    stops_below_white: float | None = None
    evenness_stops: float | None = None
    side: str = ""
    spill_area: float | None = None
    over_stops: float | None = None
    only_grain: bool = False
    """Its light is clean; noise or lint is not."""


@dataclass(frozen=True)
class Forecast:
    """What one aperture would give, or gave."""

    f_number: float
    highlights: float | None
    backdrop_p99: float | None
    shot: bool
    shadows: float | None = None


@dataclass(frozen=True)
class Placed:
    """
    A spot on the picture.

    x, y: in shares of its width and height. words, brief: where its light lies. want: where it should, in stops.
    """

    name: str
    x: float
    y: float
    words: str
    brief: str
    want: float | None


@dataclass(frozen=True)
class Frame:
    """One frame's verdict, as far as the panel shows it. Fractions run 0 to 1."""

    file: str = ""
    number: int | None = None
    f_number: float | None = None
    shutter_s: float | None = None
    iso: float | None = None
    ev100: float | None = None
    clipped: float | None = None
    broad: float | None = None
    specular: float | None = None
    headroom_stops: float | None = None
    shadows_frame: float | None = None
    shadows_subject: float | None = None
    backdrop: Backdrop = Backdrop()
    step: Step = Step()
    forecast: tuple[Forecast, ...] = ()
    notices: tuple[str, ...] = ()
    spots: tuple[str, ...] = ()
    """Where each lies, in words."""
    spots_short: tuple[str, ...] = ()
    """The same in a word or two, how far off it is if it is wanted somewhere."""
    placed: tuple[Placed, ...] = ()
    """Those that lie on the picture."""
    spots_wanted: tuple[str, ...] = ()
    """The names of those that are wanted somewhere."""
    preview: Preview | None = None


def frame_of(event: Json) -> Frame | None:
    """Return a frame as it stands in events (`verdict`, `preview`); None where there is no verdict."""
    told = event.get("verdict")
    if not isinstance(told, Mapping):
        return None
    exposure, highlights, shadows = (object_of(told.get(k)) for k in ("exposure", "highlights", "shadows"))
    number = number_of(told.get("frame"))
    spots = [object_of(one) for one in list_of(told.get("spots"))[:20]]
    return Frame(
        file=name_of(told.get("file")),
        number=None if number is None else int(number),
        f_number=positive_of(exposure.get("f_number")),
        shutter_s=positive_of(exposure.get("shutter_s")),
        iso=positive_of(exposure.get("iso")),
        ev100=number_of(exposure.get("ev100")),
        clipped=fraction_of(highlights.get("subject")),
        broad=fraction_of(highlights.get("broad")),
        specular=fraction_of(highlights.get("specular")),
        headroom_stops=number_of(highlights.get("headroom_stops")),
        shadows_frame=fraction_of(shadows.get("frame")),
        shadows_subject=fraction_of(shadows.get("subject")),
        backdrop=_backdrop(object_of(told.get("backdrop"))),
        step=_step(object_of(told.get("next"))),
        forecast=_forecasts(list_of(told.get("forecast"))),
        notices=tuple(text for n in list_of(told.get("notices"))[:20] if (text := line_of(object_of(n).get("text")))),
        spots=tuple(filter(None, map(_spot, spots))),
        spots_short=tuple(filter(None, map(_spot_short, spots))),
        placed=tuple(_placed(spots)),
        spots_wanted=tuple(
            one["name"]
            for one in spots
            if isinstance(one.get("name"), str) and number_of(one.get("want_stops")) is not None
        ),
        preview=preview_of(object_of(event.get("preview"))),
    )


def _placed(spots: Iterable[Json]) -> Iterator[Placed]:
    for one in spots:
        x, y = number_of(one.get("x")), number_of(one.get("y"))
        if x is not None and y is not None and 0 <= x <= 1 and 0 <= y <= 1:
            yield Placed(
                line_of(one.get("name"), 60), x, y, _spot(one), _spot_short(one), number_of(one.get("want_stops"))
            )


def _spot(told: Json) -> str:
    name, stops, bound = word_of(told.get("name")), number_of(told.get("stops")), word_of(told.get("bound"))
    return "" if not name or stops is None else spot_words(name, stops, bound or None, number_of(told.get("off_stops")))


def _spot_short(told: Json) -> str:
    name, stops, off = word_of(told.get("name")), number_of(told.get("stops")), number_of(told.get("off_stops"))
    return "" if not name or stops is None else spot_brief(name, stops, word_of(told.get("bound")) or None, off)


def _backdrop(told: Json) -> Backdrop:
    code, spill = object_of(told.get("code")), object_of(told.get("spill"))
    clean_told = told.get("clean")
    return Backdrop(
        tone=word_of(told.get("tone")),
        clean=clean_told if isinstance(clean_told, bool) else None,
        only_grain=told.get("only_grain") is True,
        area=fraction_of(told.get("area")),
        p95=number_of(code.get("p95")),
        p99=number_of(code.get("p99")),
        top=number_of(code.get("max")),
        stops_below_white=number_of(told.get("stops_below_white")),
        evenness_stops=number_of(told.get("evenness_stops")),
        side=word_of(spill.get("side")),
        spill_area=fraction_of(spill.get("area")),
        over_stops=number_of(spill.get("over_stops")),
    )


def _step(told: Json) -> Step:
    return Step(
        word_of(told.get("move")),
        number_of(told.get("stops")),
        positive_of(told.get("f_number")),
        line_of(told.get("why"), 400),
    )


def _forecasts(told: list[Any]) -> tuple[Forecast, ...]:
    out = []
    for item in map(object_of, told[:100]):
        f_number = positive_of(item.get("f_number"))
        if f_number is not None:
            highlights, p99 = fraction_of(item.get("highlights_subject")), number_of(item.get("backdrop_p99"))
            shadows = fraction_of(item.get("shadows_subject"))
            out.append(Forecast(f_number, highlights, p99, item.get("shot") is True, shadows))
    return tuple(out)


def preview_of(told: Json) -> Preview | None:
    """Return a small picture; None where it is none, or of a size that none has."""
    width, height = told.get("width"), told.get("height")
    if type(width) is not int or type(height) is not int:
        return None
    if not (1 <= width <= WIDTH_MAX and 1 <= height <= HEIGHT_MAX):
        return None
    rgb, marks = _bytes(told.get("rgb")), _bytes(told.get("marks"))
    if len(rgb) != 3 * width * height:
        return None
    if len(marks) != width * height:
        marks = bytes(width * height)
    return Preview(width, height, rgb, marks)


def _bytes(value: Any) -> bytes:
    if not isinstance(value, str) or len(value) > 8 * WIDTH_MAX * HEIGHT_MAX:
        return b""
    try:
        return base64.b64decode(value, validate=True)
    except (binascii.Error, ValueError):
        return b""


# --- in words ---

AT = {"left": "at the left", "right": "at the right", "top": "at the top", "bottom": "at the bottom"}
"""Sides of the picture, in words."""


def exposure_text(frame: Frame) -> str:
    """Return a frame's aperture, time and ISO."""
    iso = "ISO ?" if frame.iso is None else f"ISO {frame.iso:g}"
    return f"{f_text(frame.f_number)}  {shutter_text(frame.shutter_s)}  {iso}"


def figure(value: float | None, digits: int = 0) -> str:
    """Return a number, or a question mark."""
    return "?" if value is None else f"{value:.{digits}f}"


def over_limit(frame: Frame) -> bool:
    """Tell whether a frame's highlights must come down: they have negative room."""
    return frame.headroom_stops is not None and frame.headroom_stops < 0


def room_text(frame: Frame) -> str:
    """Return how far a frame's highlights are over or under their limit."""
    stops = frame.headroom_stops
    if stops is None:
        return "room unknown"
    if stops_text(stops) == "0":
        return "at the limit" if stops >= 0 else "just over the limit"
    return f"{stops_long(stops)} {'over' if stops < 0 else 'of room'}"


def not_clean_text(backdrop: Backdrop) -> str:
    """Return where a backdrop is not clean and by how much, as one sentence."""
    if backdrop.only_grain:
        return "Backdrop not clean: noise or lint, its light is clean black."
    parts = []
    if backdrop.side in AT:
        parts.append(AT[backdrop.side])
    if backdrop.over_stops:
        parts.append(f"{stops_long(backdrop.over_stops)} over {backdrop.tone}")
    if backdrop.spill_area:
        parts.append(f"{percent(backdrop.spill_area)} of the frame")
    if backdrop.tone != "black" and backdrop.evenness_stops is not None:
        parts.append(f"uneven by {stops_long(backdrop.evenness_stops)}")
    told = ", ".join(parts) or "no side stands out"
    return f"Backdrop not clean {told}."
