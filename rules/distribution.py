"""How light is spread over a region: shares above and below a level, percentiles, all from counts in bins."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lampblack.rules.tone import srgb_to_linear

CODE_EDGES: NDArray[np.float64] = srgb_to_linear(np.clip(np.arange(257) - 0.5, 0, None) / 255)
"""Lower edges of the light that each 8-bit sRGB code stands for, and the upper edge of the last; shape (257,)."""


def middle(values: NDArray[Any]) -> float:
    """
    Return the median.

    Parting the values at one place, which numpy does several at a time, is ten times as quick as its own median: that
    parts them at several places, one value after the other.
    """
    half = len(values) // 2
    parted = np.partition(values, half)
    return float(parted[half] if len(values) % 2 else (parted[:half].max() + parted[half]) / 2)


def percentile(values: NDArray[Any], percent: float) -> float:
    """Return a percentile, between two values where it lies there, as numpy's own; likewise."""
    before, after, part = _about(values, percent)
    away = after - before
    return float(before + away * part if part < 0.5 else after - away * (1 - part))


def percentiles(values: NDArray[Any], percents: Sequence[float]) -> list[float]:
    """Return several: of those numpy says in double precision where between two values they lie."""
    found = []
    for before, after, part in (_about(values, percent) for percent in percents):
        away = float(after - before)
        found.append(float(before) + away * part if part < 0.5 else float(after) - away * (1 - part))
    return found


def _about(values: NDArray[Any], percent: float) -> tuple[Any, Any, float]:
    """Return the values on both sides of a percentile, and how far from the one to the other it lies, 0 to 1."""
    place = (len(values) - 1) * (percent / 100)
    first, part = int(place), place % 1
    parted = np.partition(values, first)
    return parted[first], parted[first + 1 :].min() if part else parted[first], part


def bin_of(light: float, edges: NDArray[np.float64]) -> float:
    """
    Return in which bin a light lies, between bins too; bins are taken to be even in the root of light.

    >>> bin_of(0.25, np.array([0.0, 0.0625, 0.25, 1.0])), bin_of(0.5625, np.array([0.0, 0.25, 1.0]))
    (2.0, 1.5)
    """
    return float(np.interp(np.sqrt(max(light, 0.0)), np.sqrt(edges), np.arange(len(edges))))


class Distribution:
    """
    The light of a region's pixels, brightest channel, from how many pixels lie in each bin.

    Within a bin they are taken to lie evenly (in the root of light, in which codes are about even), so that shares
    change smoothly with the level.
    """

    def __init__(self, counts: NDArray[np.int64], edges: NDArray[np.float64] = CODE_EDGES) -> None:
        """Take (n,) counts and the (n + 1,) edges of the bins in linear light, 1 at white."""
        self.counts = counts
        self.edges = edges
        self.pixels = int(counts.sum())
        self._below = np.concatenate([[0], np.cumsum(counts)]).astype(np.float64)
        self._roots = np.sqrt(edges)

    def share_from(self, light: float) -> float | None:
        """Return the share of pixels with at least this light; None for a region without pixels."""
        if not self.pixels:
            return None
        below = float(np.interp(np.sqrt(max(light, 0.0)), self._roots, self._below))
        return 1 - below / self.pixels

    def percentile_code(self, percent: float) -> int | None:
        """Return the least bin, a code where bins are codes, that so many percent of the pixels do not exceed."""
        if not self.pixels:
            return None
        return int(np.searchsorted(self._below[1:], self.pixels * percent / 100 - 1e-9))

    def percentile_light(self, percent: float) -> float | None:
        """Return the light that so many percent of the pixels do not exceed, within bins too."""
        if not self.pixels:
            return None
        root = np.interp(self.pixels * percent / 100, self._below, self._roots)
        return float(root) ** 2

    @property
    def max_code(self) -> int | None:
        """Return the highest bin that is filled."""
        filled = np.flatnonzero(self.counts)
        return int(filled[-1]) if len(filled) else None
