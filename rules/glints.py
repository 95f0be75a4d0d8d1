"""
Glints apart from burnt areas: the reflection of a lamp may burn out, the lit surface may not.

What is a glint hangs on the exposure: opened far enough, the spot and the sheen around it grow into a burnt area.
So it is asked anew at every level, on the picture's heights: a spot is a glint when it is small and what lies
around it is well below it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lampblack.rules.thresholds import Highlights

Mask = NDArray[np.bool_]

_FINE = 16
"""Steps to a bin: a cell's height is the mean of several pixels' bins."""


@dataclass(frozen=True, eq=False)
class Heights:
    """
    How bright each cell is, in bins whose order is that of light: a JPEG's codes, the levels of raw.

    fine: (rows, columns) uint16 mean bin of a cell's brightest channel, times 16. subject: (rows, columns), the cells
    that count. limits: the thresholds.
    """

    fine: NDArray[np.uint16]
    subject: Mask
    limits: Highlights

    @classmethod
    def of(cls, bins: NDArray[Any], full: Mask, subject: Mask, limits: Highlights) -> Heights:
        """
        Take what `Heights` is made of.

        Args:
            bins: (rows * n, columns * n) bins of pixels, below 1024.
            full: (rows, columns) cells of which most is clipped: they count as clipped, whatever noise takes off.
            subject: (rows, columns) the subject's cells.
            limits: the thresholds.
        """
        size = subject.shape[1], subject.shape[0]
        fine: Any = cv2.resize(bins.astype(np.uint16) * _FINE, size, interpolation=cv2.INTER_AREA)
        fine[full] = np.iinfo(np.uint16).max
        return cls(fine, subject, limits)

    @cached_property
    def cells(self) -> int:
        """Return how many cells the subject has."""
        return int(np.count_nonzero(self.subject))

    @cached_property
    def _around(self) -> NDArray[np.uint16]:
        """What lies around each cell's spot, if it is one: no spot survives an opening larger than itself."""
        wide = max(3, 2 * round(np.sqrt(self.limits.glint_share * self.fine.size)) + 1)
        opened: Any = cv2.morphologyEx(self.fine, cv2.MORPH_OPEN, np.ones((wide, wide), np.uint8))
        return opened  # type: ignore[no-any-return]

    def glints(self, high: Mask, dark_bin: float) -> Mask:
        """Return those of some cells that lie in small spots around which it is mostly no brighter than `dark_bin`."""
        count, labels, stats, _ = cv2.connectedComponentsWithStats(high.astype(np.uint8), connectivity=8)
        areas = stats[:, cv2.CC_STAT_AREA]
        dark = np.bincount(labels[high], self._around[high] <= dark_bin * _FINE, count)
        small = (areas <= self.limits.glint_share * high.size) & (dark > 0.5 * areas)
        small[0] = False
        glints: Mask = small[labels]
        return glints

    def broad_share(self, white_bin: float, dark_bin: float) -> float:
        """Return which share of the subject lies from `white_bin` on and is no glint (see `glints`)."""
        high: Mask = (self.fine >= white_bin * _FINE) & self.subject
        return float(np.count_nonzero(high & ~self.glints(high, dark_bin)) / max(self.cells, 1))
