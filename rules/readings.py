"""
Incident readings: what a hand-held meter said where, brought to one footing, and what follows from them.

A reading is an aperture at a time and an ISO speed, an exposure value, or lux. All become EV at ISO 100 (APEX:
EV100 = Av + Tv - Sv + 5). Lux by ISO 2720: N^2 / t = E S / C, with C = 250 for a flat receptor, 330 for a dome (the
standard allows 240 to 400, and 320 to 540).
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import median

from lampblack.rules.exposure import (
    Exposure,
    aperture_value,
    marked_f_number,
    shutter_seconds,
    speed_value,
    time_value,
)
from lampblack.rules.figures import stops_long

FLAT, DOME = 250.0, 330.0
"""ISO 2720:1974, C for illuminance in lux: the usual ones."""

PLACES = ("key", "fill", "camera", "backdrop")
"""Key side, fill side, from the subject toward the camera, at the backdrop; any other word is a place too."""

_SV_100 = 5.0
_EV_RANGE = -8.0, 24.0
_MOST_PLACES = 20


class ReadingError(ValueError):
    """No reading; the text is one line for a person."""


@dataclass(frozen=True)
class Reading:
    """
    One reading.

    place: where. ev100: exposure value at ISO 100. said: as it was typed. meter: which meter, None for the usual one.
    """

    place: str
    ev100: float
    said: str
    meter: str | None = None

    @property
    def lux(self) -> float:
        """Return the illuminance by a flat receptor."""
        return lux_of(self.ev100)


def lux_of(ev100: float, c: float = FLAT) -> float:
    """
    Return the illuminance in lux of an exposure value at ISO 100.

    >>> lux_of(10), lux_of(10, DOME)
    (2560.0, 3379.2)
    """
    return float(c * 2.0**ev100 / 100)


def ev_of_lux(lux: float, c: float = FLAT) -> float:
    """
    Return the exposure value at ISO 100 of an illuminance in lux.

    >>> ev_of_lux(2560)
    10.0
    """
    return math.log2(lux * 100 / c)


_SHORT = {"k": "key", "f": "fill", "c": "camera", "b": "backdrop"}
_VALUE = r"\d+(?:[.,]\d+)?\s?lu?x|ev\s?-?\d+(?:[.,]\d+)?|(?:f/?)?\d+(?:[.,]\d+)?"
_ONE = re.compile(
    rf"(?P<place>[^\W\d][\w-]*?)(?P<sign>[= ]?)(?P<value>{_VALUE})(?:@(?P<time>[\d/.]+)s?(?:,(?:iso)?(?P<iso>\d+))?)?",
    re.IGNORECASE,
)


def parse_readings(
    text: str, shutter_s: float | None = None, iso: float | None = None, meter: str | None = None
) -> list[Reading]:
    """
    Return the readings that a person wrote: PLACE=VALUE, as many as they like, k f c b for the four usual places.

    Args:
        text: f-numbers (16, f/16), exposure values at ISO 100 (ev12.3) or lux (850lx); @TIME,ISO behind an f-number.
        shutter_s: the time that an f-number is for, if it doesn't say; None if not known.
        iso: the ISO speed, likewise.
        meter: which meter.

    >>> [(r.place, round(r.ev100, 2)) for r in parse_readings("k16 f8 camera=11 backdrop 850lx", 1 / 60, 100)]
    [('key', 14.0), ('fill', 12.0), ('camera', 13.0), ('backdrop', 8.41)]

    Raises:
        ReadingError: it is none; the text says what is wrong.
    """
    found: list[Reading] = []
    rest = text.strip()
    while rest:
        match = _ONE.match(rest)
        if match is None or (match.end() < len(rest) and not rest[match.end()].isspace()):
            raise ReadingError(
                f"{rest[:40]!r}: write a reading as key=16, key=f/16@1/60,400, key=ev12.3 or key=850lx (k, f, c, b for"
                " key, fill, camera, backdrop)"
            )
        found.append(_reading(match, shutter_s, iso, meter))
        rest = rest[match.end() :].strip()
    if not found:
        raise ReadingError("write a reading as key=16 (an f-number), key=ev12.3 or key=850lx")
    return found


def _reading(match: re.Match[str], shutter_s: float | None, iso: float | None, meter: str | None) -> Reading:
    word, value = match["place"].lower(), match["value"].lower().replace(",", ".").replace(" ", "").replace("lux", "lx")
    # `f8` is fill at 8, and `key f/8` an f-number: the place has been taken off already.
    place = _SHORT.get(word, word)
    if len(place) > _LONGEST:
        raise ReadingError(f"{place[:20]!r}...: a place has {_LONGEST} letters at most")
    if value.startswith("ev"):
        ev100 = float(value[2:])
    elif value.endswith("lx"):
        lux = float(value[:-2])
        if lux <= 0:
            raise ReadingError(f"{match[0]!r}: no light is no reading")
        ev100 = ev_of_lux(lux)
    else:
        ev100 = _of_aperture(match, float(value.lstrip("f/")), shutter_s, iso)
    if not _EV_RANGE[0] <= ev100 <= _EV_RANGE[1]:
        raise ReadingError(f"{match[0]!r}: EV {ev100:.1f} at ISO 100 is no light of a studio: see to the figures")
    return Reading(place, ev100, match[0].strip(), meter)


_LONGEST = 20


def _of_aperture(match: re.Match[str], f_number: float, shutter_s: float | None, iso: float | None) -> float:
    if match["time"] is not None:
        try:
            shutter_s = shutter_seconds(match["time"])
        except (ValueError, ZeroDivisionError):
            raise ReadingError(f"{match['time']!r} is no exposure time: write 1/60 or 0.5") from None
    iso = float(match["iso"]) if match["iso"] is not None else iso
    if not 0.5 <= f_number <= 128:
        raise ReadingError(f"f/{f_number:g} is no aperture")
    if shutter_s is None or iso is None or shutter_s <= 0 or iso <= 0:
        raise ReadingError(f"{match[0].strip()!r}: at which time and ISO? Write {match[0].strip()}@1/60,400")
    return aperture_value(f_number) + time_value(shutter_s) - speed_value(iso) + _SV_100


def newest(readings: Iterable[Reading]) -> dict[str, Reading]:
    """Return the last reading of each place, in the order in which the places were first read."""
    found: dict[str, Reading] = {}
    for reading in readings:
        if len(found) < _MOST_PLACES or reading.place in found:
            found[reading.place] = reading
    return found


@dataclass(frozen=True)
class Ratio:
    """
    One place against another, of readings taken with all lamps on: brighter to darker, `n` to 1.

    (Where lamps are read one by one, K and F, the ratio of the lit side to the shadow side is (K + F) : F.)
    """

    brighter: str
    darker: str
    stops: float

    @property
    def n(self) -> float:
        """Return the ratio as n of n:1."""
        return float(2.0**self.stops)


def ratios(readings: Iterable[Reading]) -> tuple[Ratio, ...]:
    """Return key to fill, camera to backdrop (or key, if there is no camera reading), and the two ends of all."""
    known = newest(readings)
    subject = "camera" if "camera" in known else "key"
    ends = sorted(known.values(), key=lambda reading: reading.ev100)
    wanted = [("key", "fill"), (subject, "backdrop")]
    if len(ends) > 1:
        wanted.append((ends[-1].place, ends[0].place))
    found: list[Ratio] = []
    for one, other in wanted:
        if one in known and other in known and one != other:
            ratio = _ratio(known[one], known[other])
            if all({r.brighter, r.darker} != {ratio.brighter, ratio.darker} for r in found):
                found.append(ratio)
    return tuple(found)


def _ratio(one: Reading, other: Reading) -> Ratio:
    high, low = (one, other) if one.ev100 >= other.ev100 else (other, one)
    return Ratio(high.place, low.place, high.ev100 - low.ev100)


def lamp_ratio(key_over_fill_stops: float) -> float:
    """
    Return (K + F) : F of two lamps read one by one, the fill reaching both sides.

    >>> lamp_ratio(1.0), lamp_ratio(0.0)
    (3.0, 2.0)
    """
    return float(2.0**key_over_fill_stops) + 1


@dataclass(frozen=True)
class Offset:
    """
    Between a meter and a camera: by how many stops the camera is to be opened beyond what the meter says.

    spread: standard deviation over the frames that taught it, None of one. frames: how many.
    """

    stops: float
    spread: float | None
    frames: int


NO_OFFSET = Offset(0.0, None, 0)


def offset_of(taught: Sequence[float]) -> Offset:
    """
    Return what frames have taught, each by `taught_by`; outliers don't count: the median, and the spread about it.

    >>> offset_of([0.3, 0.4, 0.35, 3.0]).stops
    0.375
    """
    if not taught:
        return NO_OFFSET
    middle = median(taught)
    spread = None if len(taught) < 2 else 1.4826 * median(abs(value - middle) for value in taught)
    return Offset(middle, spread, len(taught))


def taught_by(reading: Reading, exposure: Exposure, off_mid_grey: float) -> float | None:
    """
    Return what a frame teaches of the offset; None where its exposure isn't known.

    Args:
        reading: the one that the frame should have been exposed by.
        exposure: the frame's.
        off_mid_grey: by how many stops its grey (a card, or the subject's mid tones) came out over mid grey.
    """
    if exposure.ev100 is None:
        return None
    right = exposure.ev100 + off_mid_grey  # the exposure value at which it would have been mid grey
    return reading.ev100 - right


def chosen(readings: Iterable[Reading]) -> Reading | None:
    """Return the reading that the camera goes by: toward the camera, else the key's, else the last."""
    known = newest(readings)
    return known.get("camera") or known.get("key") or (list(known.values())[-1] if known else None)


@dataclass(frozen=True)
class Metered:
    """The reading that a setup is exposed by, and what has been learned of the meter that took it."""

    reading: Reading
    offset: Offset = NO_OFFSET


def wanted_av(reading: Reading, exposure: Exposure, offset: Offset = NO_OFFSET) -> float | None:
    """
    Return the aperture value that a reading asks for, corrected by the offset.

    exposure: whose time and ISO it is wanted for; None where it doesn't tell them.
    """
    if exposure.tv is None or exposure.sv is None:
        return None
    return reading.ev100 - offset.stops - exposure.tv + exposure.sv - _SV_100


def marks_at(readings: Iterable[Reading], exposure: Exposure) -> dict[str, float]:
    """Return the marked f-number that each place's reading asks for at an exposure's time and ISO."""
    wanted = {reading.place: wanted_av(reading, exposure) for reading in readings}
    return {place: marked_f_number(av) for place, av in wanted.items() if av is not None}


_ANY_EXPOSURE = Exposure.of(None, None, None)


def in_words(readings: Sequence[Reading], exposure: Exposure = _ANY_EXPOSURE) -> list[str]:
    """Return a line for each place, with the aperture at an exposure's time and ISO, and for each ratio."""
    lines = []
    marks = marks_at(readings, exposure)
    for reading in newest(readings).values():
        mark = f", f/{marks[reading.place]:g} at the camera's time and ISO" if reading.place in marks else ""
        lines.append(f"{reading.place}: EV {reading.ev100:.1f} at ISO 100{mark}")
    for ratio in ratios(readings):
        n = f"{ratio.n:.1f}".removesuffix(".0")
        lines.append(f"{ratio.brighter} to {ratio.darker}: {stops_long(ratio.stops)}, {n}:1")
    return lines
