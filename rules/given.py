"""
What a person gives about where the backdrop is: regions that they mark, and a clean plate, the set without its subject.

A region is a rectangle or a polygon of the upright picture, in shares of its width and height.

A region is taken at its word. A plate is evidence: where a frame agrees with it the backdrop is in sight, and where it
doesn't something stands before it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any, Literal, get_args

import cv2
import numpy as np
from numpy.typing import NDArray

from lampblack.rules.backdrop import Found, Mask
from lampblack.rules.outline import opened
from lampblack.rules.polygon import Point, area, cover, crosses_itself
from lampblack.rules.tone import linear_to_srgb

RegionKind = Literal["backdrop", "subject", "ignore"]
KINDS: tuple[RegionKind, ...] = get_args(RegionKind)

_LEAST_CODES = 2.0  # a difference of fewer codes is no thing before the backdrop, but rounding
_OVER_NOISE = 5.0  # times the spread of what differs where nothing stands
_CLIPPED_TOO_MUCH = 5  # of a cell's pixels, in 1/255
_NEAR = 9  # cells: so far from the line that was found a plate may move it


MOST_CORNERS = 60
"""Of a polygon: more is no outline that somebody typed."""


@dataclass(frozen=True)
class Rectangle:
    """An upright rectangle, and what it is."""

    kind: RegionKind
    x: float
    y: float
    width: float
    height: float

    @property
    def corners(self) -> tuple[Point, ...]:
        """Return its corners, around."""
        right, bottom = self.x + self.width, self.y + self.height
        return (self.x, self.y), (right, self.y), (right, bottom), (self.x, bottom)

    @property
    def text(self) -> str:
        """Return it as it is written: the same for every way of writing it."""
        return f"{self.kind}={self.x:g},{self.y:g},{self.width:g},{self.height:g}"


@dataclass(frozen=True)
class Polygon:
    """A polygon that doesn't cross itself, and what it is."""

    kind: RegionKind
    corners: tuple[Point, ...]

    @property
    def text(self) -> str:
        """Return it as it is written: the same for every way of writing it."""
        return f"{self.kind}={'/'.join(f'{x:g},{y:g}' for x, y in self.corners)}"


Region = Rectangle | Polygon


@dataclass(frozen=True, eq=False)
class Plate:
    """
    The empty set.

    light: (rows, columns, 3) linear, 1 at the white of its exposure. clipped, backdrop: (rows, columns); a table that
    stands in it is no backdrop.
    """

    light: NDArray[np.float16]
    clipped: Mask
    backdrop: Mask
    stops: float | None
    raw: bool


@dataclass(frozen=True, eq=False)
class Given:
    """All that a person has given."""

    regions: tuple[Region, ...] = ()
    plate: Plate | None = None


NOTHING_GIVEN = Given()


def parse_region(text: str) -> Region:
    """
    Return the region that a person wrote: KIND=X,Y,W,H, or KIND=X,Y/X,Y/X,Y with three corners or more.

    >>> parse_region("backdrop=0,0,1,0.2")
    Rectangle(kind='backdrop', x=0.0, y=0.0, width=1.0, height=0.2)
    >>> parse_region("subject=0.2,0.1/.6,0.15/0.5,0.9").text
    'subject=0.2,0.1/0.6,0.15/0.5,0.9'

    Raises:
        ValueError: it is not that; the text says what is wrong.
    """
    word, _, rest = text.partition("=")
    kind = next((kind for kind in KINDS if kind == word.strip()), None)
    if kind is None:
        raise ValueError(f"{text!r}: write a region as {'|'.join(KINDS)}=X,Y,W,H, or =X,Y/X,Y/X,Y by its corners")
    if "/" in rest:
        return Polygon(kind, _corners(rest))
    try:
        x, y, width, height = (float(part) for part in rest.split(","))
    except ValueError:
        x = y = width = height = -1.0
    if not (0 <= x < 1 and 0 <= y < 1 and 0 < width <= 1 and 0 < height <= 1):
        raise ValueError(
            f"{text!r}: X, Y, W and H are shares of the picture, 0 to 1, say 0,0,0.5,0.2;"
            " the corners of a polygon are written 0.2,0.1/0.6,0.1/0.4,0.9"
        )
    return Rectangle(kind, x, y, width, height)


def _corners(text: str) -> tuple[Point, ...]:
    """Return the corners of X,Y/X,Y/X,Y; one that is written again at the end closes the outline, and is the first."""
    corners = [_corner(part) for part in text.split("/")]
    if len(corners) > 1 and corners[0] == corners[-1]:
        corners.pop()
    if not 3 <= len(corners) <= MOST_CORNERS:
        raise ValueError(f"a polygon has 3 to {MOST_CORNERS} corners, not {len(corners)}: X,Y/X,Y/X,Y")
    if max(area((corners[0], *pair)) for pair in combinations(corners[1:], 2)) < _LEAST_AREA:
        raise ValueError("the corners lie on one line: there is nothing between them")
    if crosses_itself(corners):
        raise ValueError("the outline crosses or touches itself: give the corners in order, once around")
    if area(corners) < _LEAST_AREA:
        raise ValueError("there is next to nothing between the corners")
    return tuple(corners)


_LEAST_AREA = 1e-6  # of the picture: two dozen pixels of 24 million


def _corner(text: str) -> Point:
    try:
        # As it will be written: what is read again must be the same.
        x, y = (float(f"{float(part):g}") for part in text.split(","))
    except ValueError:
        raise ValueError(f"{text!r} is no corner: write each as X,Y, and a / between them") from None
    if not (0 <= x <= 1 and 0 <= y <= 1):
        raise ValueError(f"the corner {text!r} lies outside the picture: X and Y are shares of it, 0 to 1")
    return x, y


def plate_of(
    light: NDArray[Any], clipped_any: NDArray[np.uint8], backdrop: Mask, stops: float | None, raw: bool
) -> Plate:
    """Return the plate that a frame makes; args as a `Look` has them."""
    return Plate(light, clipped_any > _CLIPPED_TOO_MUCH, backdrop, stops, raw)


def corrected(
    found: Found | None,
    given: Given,
    light: NDArray[Any],
    stops: float | None,
    raw: bool,
    size: tuple[float, float] | None = None,
) -> Found | None:
    """
    Return what was found of the backdrop, corrected by what a person gave.

    Args:
        found: as `find_backdrop` returns it.
        given: what the person gave.
        light: (rows, columns, 3) the frame's linear light, 1 at white.
        stops: its exposure.
        raw: whether it is raw; a plate of the other kind says nothing.
        size: (across, down) of the whole picture in cells, with the border of less than a cell that has none; None:
            there is no such border.
    """
    plate = given.plate
    if plate is not None and found is not None and plate.raw == raw and plate.light.shape == light.shape:
        found = _against_plate(found, plate, np.asarray(light, np.float32), stops)
    shape = light.shape[0], light.shape[1]
    return _with_regions(found, given.regions, shape, size or (shape[1], shape[0]))


def _with_regions(
    found: Found | None, regions: tuple[Region, ...], shape: tuple[int, int], size: tuple[float, float]
) -> Found | None:
    if not regions:
        return found
    if found is None:
        if all(region.kind != "backdrop" for region in regions):
            return None
        found = Found(np.zeros(shape, np.float32), np.zeros(shape, bool))
    share, intruder = found.share.copy(), found.intruder.copy()
    for region in regions:
        inside = cover([(x * size[0], y * size[1]) for x, y in region.corners], shape)
        mostly = inside >= 0.5
        if region.kind == "ignore":
            # Cells are left out whole: no line runs between what is ignored and the rest.
            share[mostly], intruder[mostly] = 0.0, True
            continue
        # Backdrop and subject are told apart within a cell: as much of it as the region covers is what it says.
        share += inside * (np.float32(region.kind == "backdrop") - share)
        intruder[mostly] = False
    return replace(found, share=share, intruder=intruder)


def _against_plate(found: Found, plate: Plate, light: NDArray[np.float32], stops: float | None) -> Found:
    """Move the line of the backdrop to where the frame stops agreeing with the plate."""
    empty = plate.light.astype(np.float32)
    if stops is not None and plate.stops is not None:
        empty = empty * np.float32(2 ** (stops - plate.stops))
    off, sound = _difference(light, empty, plate.clipped, found.backdrop)
    noise = float(np.median(np.abs(off[found.backdrop & sound]))) / 0.6745 if (found.backdrop & sound).any() else 0.0
    differs = off > max(_LEAST_CODES, _OVER_NOISE * noise)
    agrees = opened(~differs & sound & plate.backdrop, 1)
    # Near the line the plate decides; far inside the subject a tone may be the backdrop's by chance, and far outside
    # a shadow of the subject may lie.
    line = cv2.morphologyEx(found.backdrop.astype(np.uint8), cv2.MORPH_GRADIENT, np.ones((_NEAR, _NEAR), np.uint8)) > 0
    share = found.share.copy()
    share[line & differs & sound] = np.minimum(share[line & differs & sound], 0.25)
    share[line & agrees] = np.maximum(share[line & agrees], 0.75)
    # What differs clearly and holds together is no backdrop, wherever it is.
    thing = opened(differs & sound, 2)
    strongly = off > 2 * max(_LEAST_CODES, _OVER_NOISE * noise)
    share[thing & strongly] = 0.0
    return replace(found, share=share)


def _difference(
    light: NDArray[np.float32], empty: NDArray[np.float32], clipped: Mask, backdrop: Mask
) -> tuple[NDArray[np.float32], Mask]:
    """
    Return by how many codes frame and plate differ, and where that can be told.

    What changes slowly over the backdrop (light that the subject sends back, a tone curve that is not what it is taken
    for, a lamp that drifts) is taken off first.
    """
    one, other = (np.asarray(linear_to_srgb(grid.astype(np.float64)) * 255, np.float32) for grid in (light, empty))
    apart = np.asarray(cv2.medianBlur(np.ascontiguousarray(one - other), 3), np.float32)
    sound = ~clipped & (one.min(axis=2) < 254)
    slow = np.stack([_slow_part(apart[..., c], backdrop & sound) for c in range(3)], axis=2)
    return np.abs(apart - slow).max(axis=2), sound


def _slow_part(apart: NDArray[np.float32], where: Mask) -> NDArray[np.float32]:
    """Return the plane, bent once each way, through most of the backdrop's differences (least squares, trimmed)."""
    rows, columns = apart.shape
    down, across = np.meshgrid(np.linspace(-1, 1, rows), np.linspace(-1, 1, columns), indexing="ij")
    terms = np.stack([np.ones_like(down), down, across, down * across, down**2, across**2], axis=-1)
    place = np.flatnonzero(where)
    place = place[:: max(1, len(place) // 8000)]
    if len(place) < 100:
        return np.zeros_like(apart)
    x, y = terms.reshape(-1, 6)[place], apart.ravel()[place].astype(np.float64)
    # What differs most is a thing, not light: start from the middle, and let no thing pull.
    fit = np.array([np.median(y), 0, 0, 0, 0, 0])
    for _ in range(4):
        off = np.abs(y - x @ fit)
        near = off <= max(3 * float(np.median(off)), 1.0)
        fit = np.linalg.lstsq(x[near], y[near], rcond=None)[0]
    return np.asarray(terms @ fit, np.float32)
