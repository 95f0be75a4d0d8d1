"""
Light at places spread over a small picture: two frames of one camera are held against each other place by place.

What is measured of a subject as a whole changes when the subject is cut out otherwise; what one place sends out does
not. No arrays: some hundred places are quick enough without, and a command that only prints needs no more.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median, quantiles

PLACES = 700
"""About as many places are looked at."""

CLIPPED, BACKDROP = 1, 4
"""Bits of a preview's marks."""

# Under the lower one, sRGB and a plain power curve part by more than a third in contrast; over the upper one, places
# begin to clip in part.
_LOWEST_CODE, _HIGHEST_CODE = 25, 245
_LEAST = 24  # places: fewer say nothing of a surface


def _linear(code: int) -> float:
    value = code / 255
    return value / 12.92 if value <= 0.04045 else float(((value + 0.055) / 1.055) ** 2.4)


_LIGHT = [_linear(code) for code in range(256)]  # IEC 61966-2-1
_RED, _GREEN, _BLUE = 0.2126, 0.7152, 0.0722  # ITU-R BT.709


@dataclass(frozen=True)
class Sample:
    """
    Places of one picture, row by row, `wide` of them in each.

    stops: their light under white, None where it clips or drowns. ground: which are backdrop.
    """

    wide: int
    stops: tuple[float | None, ...]
    ground: tuple[bool, ...]


@dataclass(frozen=True)
class Change:
    """
    How light changed from one frame to the other, exposure taken off.

    stops: of the middle place. spread: between the quartiles, in stops. off: share of the places that did otherwise
    than the middle one; side: where most of these lie ("left", "right"), None for no side; by: their middle, in stops.
    left_over_right: how much more the left half of what is seen gained than the right one, in stops; None where one of
    them shows too little.
    """

    stops: float
    spread: float
    off: float
    side: str | None
    by: float
    left_over_right: float | None


def sample_of(width: int, height: int, rgb: bytes, marks: bytes) -> Sample:
    """
    Return places of a picture.

    Args:
        width: in pixels, at least 1.
        height: likewise.
        rgb: sRGB codes, row by row.
        marks: a byte of marks a pixel.
    """
    step = max(1, round(math.sqrt(width * height / PLACES)))
    columns = range(step // 2, width, step) or range(1)
    rows = range(step // 2, height, step) or range(1)
    places = [y * width + x for y in rows for x in columns]
    stops = tuple(_stops(rgb[3 * at], rgb[3 * at + 1], rgb[3 * at + 2], marks[at]) for at in places)
    return Sample(len(columns), stops, tuple(bool(marks[at] & BACKDROP) for at in places))


def _stops(red: int, green: int, blue: int, mark: int) -> float | None:
    if mark & CLIPPED or not _LOWEST_CODE <= max(red, green, blue) <= _HIGHEST_CODE:
        return None
    return math.log2(_RED * _LIGHT[red] + _GREEN * _LIGHT[green] + _BLUE * _LIGHT[blue])


def change(one: Sample, other: Sample, given: float, apart: float, *, ground: bool) -> Change | None:
    """
    Return how the light of subject or backdrop changed; None where too few places show it in both frames.

    Args:
        one: a frame's places.
        other: those of the frame held against it.
        given: stops more exposure given to the other.
        apart: stops from which on a place does otherwise than the middle one.
        ground: of the backdrop (by both frames' marks), else of the subject (by both).
    """
    if one.wide != other.wide or len(one.stops) != len(other.stops):
        return None
    found = [
        (after - before - given, place % one.wide)
        for place, (before, after) in enumerate(zip(one.stops, other.stops, strict=True))
        if before is not None and after is not None and one.ground[place] == other.ground[place] == ground
    ]
    if len(found) < _LEAST:
        return None
    stops = [each for each, _ in found]
    middle = median(stops)
    low, _, high = quantiles(stops, n=4)
    off = [(each - middle, column) for each, column in found if abs(each - middle) >= apart]
    by = median(each for each, _ in off) if off else 0.0
    side = _side([column for _, column in off], one.wide)
    return Change(middle, high - low, len(off) / len(found), side, by, _left_over_right(found))


def _left_over_right(found: Sequence[tuple[float, int]]) -> float | None:
    """Return what the halves of a thing did apart from each other; they part where half of its places lie."""
    part = median(column for _, column in found)
    left, right = ([each for each, column in found if sign * (column - part) < 0] for sign in (1, -1))
    return median(left) - median(right) if min(len(left), len(right)) >= _LEAST else None


def _side(columns: Sequence[int], wide: int) -> str | None:
    if not columns:
        return None
    left = sum(1 for column in columns if 2 * column + 1 < wide) / len(columns)
    return "left" if left >= _MOST else "right" if left <= 1 - _MOST else None


_MOST = 0.75
