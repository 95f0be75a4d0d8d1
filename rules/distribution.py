"""How light is spread over a region: shares above and below a level, percentiles, all from counts of codes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lampblack.rules.tone import LIGHT_OF_CODE, code_of_light, light_of_code


class Distribution:
    """
    The light of a region's pixels, brightest channel, from how many pixels have each 8-bit code.

    A pixel of code c stands for light from code c - 0.5 to c + 0.5, evenly; so shares change smoothly with the level.
    """

    def __init__(self, counts: NDArray[np.int64]) -> None:
        """Take (256,) counts."""
        self.counts = counts
        self.pixels = int(counts.sum())
        # below[c]: pixels below code c - 0.5
        self._below = np.concatenate([[0], np.cumsum(counts)]).astype(np.float64)

    def share_from(self, light: float) -> float | None:
        """Return the share of pixels with at least this light (1 at white); None for a region without pixels."""
        return self.share_from_code(code_of_light(min(light, 1.0)))

    def share_from_code(self, code: float) -> float | None:
        """Return the share of pixels at or above a code; a fraction of a code takes that part of its pixels."""
        if not self.pixels:
            return None
        place = np.clip(code + 0.5, 0, 256)
        below = float(np.interp(place, np.arange(257), self._below))
        return 1 - below / self.pixels

    def percentile_code(self, percent: float) -> int | None:
        """Return the least code that at least so many percent of the pixels do not exceed."""
        if not self.pixels:
            return None
        return int(np.searchsorted(self._below[1:], self.pixels * percent / 100 - 1e-9))

    def percentile_light(self, percent: float) -> float | None:
        """Return the light that so many percent of the pixels do not exceed, between codes too."""
        if not self.pixels:
            return None
        edge = float(np.interp(self.pixels * percent / 100, self._below, np.arange(257)))
        return light_of_code(float(np.clip(edge - 0.5, 0, 255)))

    @property
    def max_code(self) -> int | None:
        """Return the highest code that occurs."""
        codes = np.flatnonzero(self.counts)
        return int(codes[-1]) if len(codes) else None

    def mean_light(self) -> float | None:
        """Return the mean light."""
        return float((self.counts * LIGHT_OF_CODE).sum() / self.pixels) if self.pixels else None
