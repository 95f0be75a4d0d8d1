"""
The far edge of a table, where it can be seen in parts only.

What stands on the table hides it here, and there table and backdrop happen to have the same light; but it is straight,
and goes on from one side of the frame to the other.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from lampblack.rules.distribution import middle
from lampblack.rules.edges import LINE_WIDTH
from lampblack.rules.likeness import stops_over
from lampblack.rules.outline import Grid, Mask
from lampblack.rules.thresholds import BackdropSearch


class Horizon(NamedTuple):
    """Masks of cells. line: the far edge, carried on. above, below: strips right beside it, where it is seen."""

    line: Mask
    above: Mask
    below: Mask


def horizon(hard: Mask, coded: Grid, search: BackdropSearch) -> Horizon:
    """
    Return the far edge of a table that ends at a side of the frame, or at a card there, carried on from side to side.

    Where it is seen, it is a step to another light; a shadow along a floor is none.

    hard: (rows, columns) the edges of things. coded: (rows, columns, 3) sRGB codes.
    """
    outlines: Any = cv2.morphologyEx(hard.view(np.uint8), cv2.MORPH_OPEN, np.ones((LINE_WIDTH + 1, 1), np.uint8))
    level, sides = hard & (outlines == 0), _sides(outlines)
    return _far_edge(level, coded, sides, search) or _far_edge_in_the_dark(level, coded, sides, search) or _none(hard)


def _none(hard: Mask) -> Horizon:
    return Horizon(*(np.zeros_like(hard) for _ in Horizon._fields))


def _far_edge_in_the_dark(level: Mask, coded: Grid, sides: Any, search: BackdropSearch) -> Horizon | None:
    """Return a far edge that noise hides from cell to cell, but not along many cells."""
    calm: Any = cv2.blur(coded, (round(_ALONG * coded.shape[1]) | 1, 3))
    mean: Any = cv2.transform(calm, np.full((1, 3), 1 / 3, np.float32))
    faint = _faint(mean, search)
    return _far_edge(level | faint, calm, sides, search) if faint.any() else None


def _rise(bright: Grid, lag: int) -> Grid:
    """Return by how much more there is so many cells down a column than as many up."""
    rise = np.zeros_like(bright)
    rise[lag:-lag] = bright[2 * lag :] - bright[: -2 * lag]
    return rise


def _faint(bright: Grid, search: BackdropSearch) -> Mask:
    """Return where light changes most down a column, and as much over few rows as over more: no bend of a backdrop."""
    rise, more = (np.abs(_rise(bright, lag)) for lag in (_LAG, 2 * _LAG))
    top = rise >= cv2.dilate(rise, np.ones((2 * _LAG + 1, 1), np.uint8))
    least = max(_OVER_NOISE * middle(rise.ravel()), search.weak_edge_codes)
    faint: Mask = top & (rise > least) & (rise > _AT_ONCE * more) & (bright < search.black_code)
    return faint


_ALONG = 0.05  # of the frame's width
_LAG = 4  # cells
_OVER_NOISE = 6.0  # times what half of all cells have, noise most of it
_AT_ONCE = 0.7  # of a step over twice as many cells: of a slow fall it is a half


def _far_edge(level: Mask, coded: Grid, sides: Any, search: BackdropSearch) -> Horizon | None:
    """Return the highest line of level edges that is a table's; None where there is none."""
    for line, support in _level_lines(level, round(search.horizon_share * level.shape[1])):
        ends = _ends_of(support, sides)
        if ends is not None and _is_step(coded, line, support, search):
            drawn = np.zeros(level.shape, np.uint8)
            first, last = (round(float(line[end])) for end in ends)
            cv2.line(drawn, (ends[0], first), (ends[1], last), (1,))
            under = (np.arange(len(level))[:, None] - line) * support
            above, below = ((way * under >= LINE_WIDTH) & (way * under < 3 * LINE_WIDTH) for way in (-1, 1))
            return Horizon(drawn > 0, above, below)
    return None


def _level_lines(level: Mask, least: int) -> list[tuple[Any, Any]]:
    """
    Return lines, (columns,) how far down each lies, and where they are seen; the highest first.

    A table has a front edge below its far one. least: along how many columns they must be seen.
    """
    found = cv2.HoughLines(
        level.view(np.uint8), 1, np.pi / 720, least // 2, min_theta=np.pi / 2 - _SLOPE, max_theta=np.pi / 2 + _SLOPE
    )
    if found is None:
        return []
    across = np.arange(level.shape[1], dtype=np.float64)
    rho, theta = found[:_MOST_LINES, 0].T[..., None]
    lines = (rho - across * np.cos(theta)) / np.sin(theta)
    for off in _NEARER:
        support, down = _support(level, lines, off)
        enough = np.count_nonzero(support, axis=1) >= least
        if not enough.any():
            return []
        support, down = support[enough], down[enough]
        lines = _fitted(across, support, down)
    return sorted(zip(lines, support, strict=True), key=lambda one: float(one[0].mean()))


def _fitted(across: Any, support: Any, down: Any) -> Any:
    """Return straight lines through points, (lines, columns), by least squares."""
    count = support.sum(axis=1, keepdims=True)
    x, y = ((support * values).sum(axis=1, keepdims=True) / count for values in (across, down))
    off = support * (across - x)
    return y + (off * (down - y)).sum(axis=1, keepdims=True) / (off**2).sum(axis=1, keepdims=True) * (across - x)


_NEARER = (3.0, 3.0, 1.0, 1.0)
"""Cells off a line, as it is drawn better and better: outlines that run along it are round."""


def _sides(outlines: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Return in which columns a table's edge may end: at the frame's two sides, and at cards that stand near them."""
    rows, columns = outlines.shape
    standing = cv2.dilate(outlines, np.ones((1, LINE_WIDTH), np.uint8))
    standing = cv2.morphologyEx(standing, cv2.MORPH_OPEN, np.ones((round(_STANDING * rows), 1), np.uint8))
    sides = np.concatenate([[0], np.flatnonzero(standing.any(axis=0)), [columns]])
    near: NDArray[np.int64] = sides[np.abs(2 * sides / columns - 1) > 1 - 2 * _OUTER]
    return near


_SLOPE = 0.14  # radians: a camera that looks along a table's edge, somewhat from the side
_MOST_LINES = 40
_STANDING, _OUTER = 0.3, 0.3  # a card's edge, of the frame's height; how far in it stands, of the width


def _ends_of(support: Any, sides: Any) -> tuple[int, int] | None:
    """Return from where to where a line goes that is seen up to one of some columns, at least; or None."""
    columns, beside = len(support), round(_BESIDE * len(support))
    starts = [n for n in sides if 2 * n < columns and _mostly(support[n : n + beside], beside)]
    stops = [n for n in sides if 2 * n > columns and _mostly(support[n - beside : n], beside)]
    if not starts and not stops:
        return None
    return int(min(starts, default=0)), int(max(stops, default=columns)) - 1


def _mostly(part: Any, length: int) -> bool:
    return len(part) == length and part.mean() > _HALF_OF_IT


_BESIDE, _HALF_OF_IT = 0.1, 0.5  # of the frame's width; of that


def _is_step(coded: Grid, line: Any, support: Any, search: BackdropSearch) -> bool:
    """
    Say whether the light on one side of a line is brighter than on the other, all along where it is seen.

    Along the feet of things on a floor there is now the floor above their shadow, now the shadow above the floor.
    """
    across = np.flatnonzero(support)
    over, under = (np.rint(line[across] + side * _SIDE).astype(int) for side in (-1, 1))
    inside = (over >= 0) & (under < len(coded))
    if not inside.any():
        return False
    off = stops_over(coded[under[inside], across[inside]], coded[over[inside], across[inside]]).mean(axis=1)
    one_way = max(np.mean(off > 0), np.mean(off < 0))
    return bool(one_way > _ALL_ALONG and middle(np.abs(off)) > search.crease_stops)


_ALL_ALONG = 0.9
"""Of a dozen lines along tables in rendered scenes it was 0.95 and more; of as many along feet 0.84 at the most."""
_SIDE = 9  # cells: the edge itself, and a thin shadow along it, are no wider
_RUN = 0.04  # of the frame's width


def _support(level: Mask, lines: Any, off: float) -> tuple[Any, Any]:
    """
    Return in which columns an edge lies no more than so many cells off each line, and where down the frame it does.

    Only where many do side by side: outlines that cross it lie on it for a few. lines: (lines, columns).
    """
    rows, columns = level.shape
    offsets = np.arange(-(LINE_WIDTH // 2), LINE_WIDTH // 2 + 1)[:, None, None]
    at = np.rint(lines).astype(int) + offsets
    there = level[np.clip(at, 0, rows - 1), np.arange(columns)] & (at >= 0) & (at < rows)
    count = there.sum(axis=0)
    down = (at * there).sum(axis=0) / np.maximum(count, 1)
    near = (count > 0) & (np.abs(down - lines) <= off)
    runs = cv2.morphologyEx(near.view(np.uint8), cv2.MORPH_CLOSE, np.ones((1, LINE_WIDTH), np.uint8))
    runs = cv2.morphologyEx(runs, cv2.MORPH_OPEN, np.ones((1, round(_RUN * columns)), np.uint8))
    return near & (runs > 0), down
