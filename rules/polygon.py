"""Polygons in shares of the picture: do they cross themselves, and how much of each cell they cover."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Point = tuple[float, float]
"""Across and down."""


def crosses_itself(corners: Sequence[Point]) -> bool:
    """
    Say whether an outline crosses or touches itself, or folds back onto itself.

    >>> crosses_itself([(0, 0), (1, 0), (1, 1), (0, 1)]), crosses_itself([(0, 0), (1, 1), (1, 0), (0, 1)])
    (False, True)
    """
    edges = list(zip(corners, [*corners[1:], corners[0]], strict=True))
    for place, (a, b) in enumerate(edges):
        after = edges[(place + 1) % len(edges)][1]
        if _side(a, b, after) == 0 and (b[0] - a[0]) * (after[0] - b[0]) + (b[1] - a[1]) * (after[1] - b[1]) <= 0:
            return True  # no way on, or back the way it came
        last = len(edges) - (place == 0)  # the first edge and the last share a corner
        if any(_meet(a, b, *edges[other]) for other in range(place + 2, last)):
            return True
    return False


def _meet(a: Point, b: Point, c: Point, d: Point) -> bool:
    """Say whether two edges have a point in common."""
    if _side(a, b, c) != _side(a, b, d) and _side(c, d, a) != _side(c, d, b):
        return True
    on_it = ((a, b, c), (a, b, d), (c, d, a), (c, d, b))
    return any(_side(*three) == 0 and _between(*three) for three in on_it)


def _between(a: Point, b: Point, c: Point) -> bool:
    """Say whether c lies in the upright rectangle that a and b are corners of."""
    return all(min(p, q) <= r <= max(p, q) for p, q, r in zip(a, b, c, strict=True))


def _side(a: Point, b: Point, c: Point) -> int:
    """Return on which side of the line from a to b c lies: -1, 1, or 0 for on it."""
    turn = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
    return 0 if abs(turn) < 1e-12 else 1 if turn > 0 else -1


def area(corners: Sequence[Point]) -> float:
    """
    Return the area of an outline that doesn't cross itself, by the shoelace formula.

    >>> area([(0, 0), (1, 0), (0, 1)])
    0.5
    """
    pairs = zip(corners, [*corners[1:], corners[0]], strict=True)
    return abs(sum(a[0] * b[1] - b[0] * a[1] for a, b in pairs)) / 2


def cover(corners: Sequence[Point], shape: tuple[int, int]) -> NDArray[np.float32]:
    """
    Return how much of each cell lies inside an outline that doesn't cross itself, 0 to 1, exactly.

    Each piece of an edge within a cell adds what lies to its right in that row, with a sign for whether it runs up or
    down; summed from left to right that is the cover.

    Args:
        corners: in cells, across and down.
        shape: (rows, columns) of the grid; what lies beyond it is left out.

    >>> cover([(0.5, 0), (2, 0), (2, 1), (0.5, 1)], (1, 3)).tolist()
    [[0.5, 1.0, 0.0]]
    """
    rows, columns = shape
    sums = np.zeros((rows, columns + 1))
    for a, b in zip(corners, [*corners[1:], corners[0]], strict=True):
        x, y = _pieces(a, b)
        down, middle = np.diff(y), (x[:-1] + x[1:]) / 2
        row = np.floor((y[:-1] + y[1:]) / 2).astype(int)
        column = np.floor(middle).astype(int)
        left = np.where(column < 0, 1.0, np.clip(column + 1 - middle, 0, 1))  # share of its cell that lies to the right
        inside = (row >= 0) & (row < rows) & (column < columns)
        row, column, down, left = row[inside], np.maximum(column[inside], 0), down[inside], left[inside]
        np.add.at(sums, (row, column), down * left)
        np.add.at(sums, (row, column + 1), down * (1 - left))
    covered = np.abs(np.cumsum(sums[:, :columns], axis=1))
    return np.clip(covered, 0, 1).astype(np.float32)


def _pieces(a: Point, b: Point) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return an edge's ends and where it meets the grid's lines, in order: across, and down."""
    start, way = np.array(a, np.float64), np.subtract(b, a)
    cuts = [np.array([0.0, 1.0])]
    for from_, by in zip(start, way, strict=True):
        if by:
            low, high = sorted((from_, from_ + by))
            cuts.append((np.arange(np.ceil(low), np.floor(high) + 1) - from_) / by)
    at = np.unique(np.clip(np.concatenate(cuts), 0, 1))
    return start[0] + at * way[0], start[1] + at * way[1]
