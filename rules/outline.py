"""
Where exactly the line runs between backdrop and subject: how much of each cell along it is backdrop.

A cell on the line mixes the light of both. In linear light the mixture tells the shares: a cell that has gone half of
the way from the backdrop's light to that of the subject beside it is half subject. (In codes, a cell half covered by a
bright subject on black lies far over the middle, and everything bright would come out too large.)
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lampblack.rules.beside import Beside, when_asked
from lampblack.rules.cells import brightest, mean_within
from lampblack.rules.distribution import percentile

Mask = NDArray[np.bool_]
Grid = NDArray[np.float32]

HALF = np.float32(0.5)
_UNDER_HALF = np.float32(0.49)
_SHARP, _SOFT = 1.2, 1.3
"""Two cells against one: how much farther off the subject's light gets from the line inward. An edge drawn within a
cell or so rises by 1.1, one of a standard deviation of two cells by 1.3 and more (the normal distribution)."""
_LACKING = 2 / 3
"""Edges drawn with standard deviations of 0.4 to 1.3 cells come out where they are, to a twentieth of a cell, if what
two cells have over one, to this power, is added once more: seen on drawn edges before black, grey and white."""
GAP_CODES = 4.0  # steps that tell something: less off than so many is plain but for stray light


def backdrop_shares(
    a_code: Grid, off: Grid, plain: Mask, coarse: Mask, reach: int, least_codes: float, lens: float
) -> Grid:
    """
    Return how much of each cell is backdrop, (rows, columns), 0 to 1.

    Args:
        a_code: see `light_per_code`.
        off: how far its light is off the plain backdrop's, negative where it is darker, see `off_backdrop`.
        plain: what surely is backdrop, all but its edge.
        coarse: the backdrop, its line only roughly known: it stands where light tells nothing.
        reach: cells from the plain backdrop within which the line is looked for.
        least_codes: step in sRGB codes from which light tells something.
        lens: how sharply the lens draws, see `edges.lens_of`.
    """
    within, far = dilated(plain, reach), np.abs(off)
    a_step = least_codes * a_code
    most, rise = _most_off(off, within & ~plain, lens, GAP_CODES * a_step)
    zone = within & ~plain & (most > a_step)
    share = coarse.astype(np.float32)
    share[zone] = 1 - np.minimum(far[zone] / most[zone], 1)
    share[plain] = 1
    # Texture of the subject's that happens to have the backdrop's light doesn't hang together with it; and beyond the
    # lens's reach a cell is not mixed: it is a dark part of the subject beside a bright one.
    mixed = dilated(plain | (within & (far < GAP_CODES * a_step)), _mixing_cells(rise))
    behind = touching(mixed & (share >= HALF), plain)
    return held_to(share, behind)


def held_to(share: Grid, backdrop: Mask) -> Grid:
    """Return the shares, half and more where a mask says that it is backdrop, and less elsewhere."""
    return np.where(backdrop, np.maximum(share, HALF), np.minimum(share, _UNDER_HALF))


def _most_off(off: Grid, zone: Mask, lens: float, telling: Grid) -> tuple[Grid, float]:
    """
    Return how far off the subject's own light is next to the line: the most within a cell or two of each, and more.

    One cell is too near where the lens is soft, two are too far where a rim of light falls off fast. Where the whole
    picture is softer still, within two cells or four. What the nearer of the two lacks tells what both lack, see
    `_LACKING`. A dark rim goes by itself, not by the streak beside it, where there is as much of it as is `telling`.
    Returned too: two cells against one, see `_SHARP`.
    """
    ones = [most_within(np.maximum(way, 0), 1) for way in (off, -off)]
    sides = [(one, most_within(one, 1)) for one in ones]
    one, two = (np.maximum(*both) for both in zip(*sides, strict=True))
    most: Any = cv2.sqrt(cv2.multiply(one, two))
    at_line = zone & (np.abs(np.abs(off) - most / 2) < most / 5)
    if not at_line.any():
        return most, 1.0
    rise = _rise(one, two, at_line, lens)
    soft = float(np.clip((rise - _SHARP) / (_SOFT - _SHARP), 0, 1))
    beyond = _rise(two, most_within(two, 2), at_line, lens) if soft else 1.0
    whole, brighter, darker = (_with_lacking(*near, rise, beyond, soft) for near in ((one, two), *sides))
    own = np.where(off < 0, darker, brighter)
    return np.where(own > telling, own, whole), rise


def _with_lacking(one: Grid, two: Grid, rise: float, beyond: float, soft: float) -> Grid:
    """Return how far off light is that has so much within a cell and two, and rises like that (see `_most_off`)."""
    near: Any = cv2.sqrt(cv2.multiply(one, two)) * rise**_LACKING
    if soft:
        wide = cv2.sqrt(cv2.multiply(two, most_within(two, 2))) * beyond**_LACKING
        near = near * (1 - soft) + wide * soft
    return np.asarray(near, np.float32)


def most_within(grid: Grid, cells: int) -> Grid:
    """Return the most of a grid within so many cells each way."""
    most: Any = cv2.dilate(grid, np.ones((2 * cells + 1, 2 * cells + 1), np.uint8))
    return most  # type: ignore[no-any-return]


def _rise(near: NDArray[Any], far: NDArray[Any], at_line: Mask, lens: float) -> float:
    """
    Return how much farther off light gets inward.

    Rims of light rise too, and streaks along a rod: the lower third tells of the lens, or where that draws sharply,
    and lines have little spread of their own, the lowest sixth.
    """
    percent = float(np.interp(lens, *_TELLS))
    return percentile(far[at_line] / near[at_line], percent)


_TELLS = ((1.9, 2.4), (30, 15))  # how sharply the lens draws; per cent


def _mixing_cells(rise: float) -> int:
    """Return how many cells away the line may lie from the first trace of the subject's light: three deviations."""
    return int(np.clip(2 + round((rise - 1.1) / 0.025), 2, 8))


def like_backdrop(a_code: Grid, off: Grid, plain: Mask, reach: int, most_codes: float) -> Mask:
    """
    Return the plain backdrop and what lies between its parts, has its light and hangs together with it.

    Such are the edges of shadows. Args: as for `backdrop_shares`; most_codes: how far off is the same light.
    """
    between = eroded(dilated(plain, reach), reach)
    alike = between & (np.abs(off) < most_codes * a_code)
    return touching(alike | plain, plain)


_NOWHERE = np.float32(1e6)


def off_backdrop(light: Grid, plain: Mask, reach: int, beside: Beside = when_asked) -> Grid:
    """
    Return how far each cell's light lies outside of all that the plain backdrop has within reach; 0 where it has none.

    Negative where it is darker. Outside of all: the edge of a shadow on the backdrop lies between its two sides, and is
    backdrop.
    """
    rows, near = len(light), reach + 1  # so far a cell is told by those around it
    if rows < 4 * near:
        return _off_backdrop(light, plain, reach)
    middle = rows // 2
    upper, lower = slice(0, middle + near), slice(middle - near, rows)
    below = beside(lambda: _off_backdrop(light[lower], plain[lower], reach)[near:])
    return np.concatenate([_off_backdrop(light[upper], plain[upper], reach)[:middle], below()])


def _off_backdrop(light: Grid, plain: Mask, reach: int) -> Grid:
    calm = mean_within(plain, light, 3)
    elsewhere = cv2.merge([(1 - plain.astype(np.float32)) * _NOWHERE] * 3)
    box = np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)
    low = cv2.erode(cv2.add(calm, elsewhere), box)
    high = cv2.dilate(cv2.subtract(calm, elsewhere), box)
    off = cv2.subtract(light, cv2.min(cv2.max(light, low), high))
    off = cv2.threshold(off, float(_NOWHERE) / 2, 0, cv2.THRESH_TOZERO_INV)[1]
    every = np.ones((1, 3), np.float32)
    distance: Any = cv2.sqrt(cv2.transform(cv2.multiply(off, off), every))
    signed: Grid = np.copysign(distance, cv2.transform(off, every))
    return signed


def light_per_code(light: Grid) -> Grid:
    """Return the light that one sRGB code more stands for (IEC 61966-2-1), in the brightest channel."""
    return light_per_code_at(brightest(light))


def light_per_code_at(bright: Grid) -> Grid:
    """Return the same for the light of one channel, of any shape."""
    slope: Grid = np.maximum(bright, np.float32(0.0031308)) ** np.float32(1 - 1 / 2.4) * np.float32(2.4 / 1.055 / 255)
    return slope


def touching(allowed: Mask, seeds: Mask) -> Mask:
    """Return the parts of `allowed` that hold a seed."""
    labels: Any
    count, labels = cv2.connectedComponents(allowed.view(np.uint8), connectivity=8)
    wanted = np.zeros(count, bool)
    wanted[labels[seeds]] = True
    wanted[0] = False
    found: Mask = wanted.take(labels)
    return found


def eroded(mask: Mask, cells: int) -> Mask:
    """Return a mask shrunk by so many cells each way; it goes on beyond the frame."""
    kernel = np.ones((2 * cells + 1, 2 * cells + 1), np.uint8)
    return cv2.erode(mask.view(np.uint8), kernel, borderType=cv2.BORDER_REPLICATE) > 0


def opened(mask: Mask, cells: int) -> Mask:
    """Return a mask without what is no wider than so many cells and so many more."""
    kernel = np.ones((2 * cells + 1, 2 * cells + 1), np.uint8)
    return cv2.morphologyEx(mask.view(np.uint8), cv2.MORPH_OPEN, kernel) > 0


def dilated(mask: Mask, cells: int) -> Mask:
    """Return a mask grown by so many cells each way."""
    return cv2.dilate(mask.view(np.uint8), np.ones((2 * cells + 1, 2 * cells + 1), np.uint8)) > 0
