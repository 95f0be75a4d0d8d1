"""
Spots: places on the picture that a person has named, and where their light lies.

The camera stands still, so that a spot holds from frame to frame. Values are stops from mid grey, and zones as the
trade counts them: zone V is mid grey, each zone a stop.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from lampblack.rules.look import Look
from lampblack.rules.raw import RAW_MID_GREY
from lampblack.rules.response import Response
from lampblack.rules.tone import LUMA, MID_GREY, code_of_light, linear_to_srgb
from lampblack.rules.zones import ZONES

Bound = Literal["at least", "at most"]

USUAL_SIZE = 0.02
_MOST_CLIPPED = 0.02  # a mean with more clipped pixels in it is too low
_WIDEST_WANT = 8.0


@dataclass(frozen=True)
class Spot:
    """
    A named place in the upright picture.

    x, y: its middle, 0 to 1 of the width and of the height. size: its diameter, share of the width. want: where its
    light should lie, in stops from mid grey, or None.
    """

    name: str
    x: float
    y: float
    size: float = USUAL_SIZE
    want: float | None = None


@dataclass(frozen=True)
class Reading:
    """
    A spot in one frame.

    stops: its light from mid grey. bound: where that is only a bound, which: it clips, or drowns. clipped: share of its
    pixels at the white level. spread: 95th over 5th percentile of its light, in stops.
    """

    spot: Spot
    stops: float
    bound: Bound | None
    clipped: float
    spread: float


def parse_spot(text: str) -> Spot:
    """
    Return the spot that a person wrote: NAME=X,Y[,SIZE][@WANT], WANT in stops from mid grey or a zone.

    >>> parse_spot("cheek=0.4,0.3@VI")
    Spot(name='cheek', x=0.4, y=0.3, size=0.02, want=1.0)
    >>> parse_spot("glaze=0.5,0.6,0.05@-1.5").want
    -1.5

    Raises:
        ValueError: it is not that; the text says what is wrong.
    """
    name, equals, rest = text.partition("=")
    place, at, want = rest.partition("@")
    if not equals or not name.strip():
        raise ValueError(f"{text!r}: write a spot as NAME=X,Y, say cheek=0.4,0.3")
    try:
        numbers = [float(part) for part in place.split(",")]
    except ValueError:
        numbers = []
    if len(numbers) not in (2, 3) or not all(0 <= n <= 1 for n in numbers) or 0 in numbers[2:]:
        raise ValueError(f"{text!r}: X and Y (and a size) are shares of the picture, 0 to 1, say 0.4,0.3")
    x, y, size = (*numbers, USUAL_SIZE)[:3]
    return Spot(name.strip(), x, y, size, parse_want(want) if at else None)


def written(spot: Spot) -> str:
    """
    Return a spot as a person would write it; `parse_spot` reads it again.

    >>> written(Spot("cheek", 0.4, 0.3, want=1.0))
    'cheek=0.4,0.3,0.02@1'
    """
    want = "" if spot.want is None else f"@{spot.want:g}"
    return f"{spot.name}={spot.x:g},{spot.y:g},{spot.size:g}{want}"


def parse_want(text: str) -> float:
    """
    Return a wish in stops from mid grey, from stops or a zone.

    >>> parse_want("+1"), parse_want("III"), parse_want("zone v")
    (1.0, -2.0, 0.0)

    Raises:
        ValueError: it is neither.
    """
    word = text.strip().upper().removeprefix("ZONE").strip()
    if word in ZONES[1:]:
        return float(ZONES.index(word) - 5)
    try:
        stops = float(word)
    except ValueError:
        stops = math.nan
    if not abs(stops) <= _WIDEST_WANT:
        raise ValueError(f"{text!r}: want stops from mid grey, say +1 or -0.5, or a zone, I to X")
    return stops


@dataclass(frozen=True, eq=False)
class _Shown:
    """
    A spot's cells in one frame, as its file has them.

    light: (n, 3), a JPEG's as its codes read in sRGB. clipped: share of its pixels at the white level. floor: light up
    to which no detail is left. coded: a tone response stands between this and the light.
    """

    light: NDArray[np.float64]
    clipped: float
    floor: float
    coded: bool

    @classmethod
    def of(cls, spot: Spot, look: Look) -> _Shown:
        rows, columns = look.parts.shape
        across, down = spot.x * look.width / look.side, spot.y * look.height / look.side  # in cells
        y, x = np.ogrid[:rows, :columns]
        # Cells whose middle lies in the circle, and the one that holds its own middle.
        inside = np.hypot(y + 0.5 - down, x + 0.5 - across) <= spot.size * look.width / look.side / 2
        inside[min(int(down), rows - 1), min(int(across), columns - 1)] = True
        clipped = float(look.clipped_any[inside].mean()) / 255
        return cls(look.light[inside].astype(np.float64), clipped, look.floor_light, look.kind != "raw")

    def times(self, factor: float) -> _Shown:
        """Return the same with its light multiplied by a factor."""
        return replace(self, light=self.light * factor, floor=self.floor * factor)

    def read(self, spot: Spot, response: Response) -> Reading:
        light, grey, floor = self.light, RAW_MID_GREY, self.floor
        if self.coded:
            light, grey = response.light_of(linear_to_srgb(light) * 255), MID_GREY
            floor = float(response.light_of(code_of_light(floor)))
        luminance = light @ LUMA
        low, high = np.maximum(np.percentile(luminance, [5, 95]), floor)
        mean = float(luminance.mean())
        bound: Bound | None = "at least" if self.clipped > _MOST_CLIPPED else "at most" if mean <= floor else None
        return Reading(spot, float(np.log2(max(mean, floor) / grey)), bound, self.clipped, float(np.log2(high / low)))


def read_spot(spot: Spot, look: Look, response: Response) -> Reading:
    """Return where a spot's light lies in a frame; a JPEG's is read through the camera's tone response."""
    return _Shown.of(spot, look).read(spot, response)


@dataclass(frozen=True)
class Placed:
    """
    A spot in the newest frame.

    reading: as it was read there. stops, bound: its light as the setup's frames together know it.
    """

    reading: Reading
    stops: float
    bound: Bound | None

    @property
    def spot(self) -> Spot:
        """Return which spot it is."""
        return self.reading.spot

    @property
    def off(self) -> float | None:
        """Return how far the light lies over (+) or under (-) what is wanted."""
        return None if self.spot.want is None else self.stops - self.spot.want


@dataclass(frozen=True, eq=False)
class Remembered:
    """
    A spot as the last frame showed it that could tell, and that frame's exposure (`Exposure.stops`).

    Its cells, not its reading: that is read anew, as later frames teach the camera's tone response.
    """

    name: str
    shown: _Shown
    exposure: float


def place_spots(
    spots: Sequence[Spot], look: Look, response: Response, before: Sequence[Remembered]
) -> tuple[tuple[Placed, ...], tuple[Remembered, ...]]:
    """Return the spots in a frame, and what is known after it: another frame knows what clips or drowns in this one."""
    known = {one.name: one for one in before}
    exposure = look.shot.exposure.stops
    placed = []
    for spot in spots:
        shown = _Shown.of(spot, look)
        reading = shown.read(spot, response)
        stops, bound = reading.stops, reading.bound
        if exposure is not None and bound is None:
            known[spot.name] = Remembered(spot.name, shown, exposure)
        elif exposure is not None and spot.name in known:
            told = known[spot.name]
            stops, bound = told.shown.read(spot, response).stops + exposure - told.exposure, None
        placed.append(Placed(reading, stops, bound))
    return tuple(placed), tuple(known.values())
