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
Grid = NDArray[np.float32]

_COARSEST = 256
"""Bins that a height is kept in: of 1024 levels of raw four make one, a hundredth of a stop near white."""


@dataclass(frozen=True, eq=False)
class Heights:
    """
    How bright the picture is, twice as fine as cells, in bins whose order is that of light.

    fine: (2 * rows, 2 * columns) uint8 mean bin of the brightest channel. scale: how many bins make one of these (1 for
    a JPEG's codes, 4 for the levels of raw). subject: (rows, columns), the cells that count. limits: the thresholds.
    """

    fine: NDArray[np.uint8]
    scale: int
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
        size = 2 * subject.shape[1], 2 * subject.shape[0]
        scale = 1 if bins.dtype == np.uint8 else 1024 // _COARSEST
        fine: Any = cv2.resize(bins, size, interpolation=cv2.INTER_AREA)
        fine = fine if scale == 1 else (fine // scale).astype(np.uint8)
        fine[cv2.resize(full.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0] = _COARSEST - 1
        return cls(fine, scale, subject, limits)

    @cached_property
    def cells(self) -> int:
        """Return how many cells the subject has."""
        return int(np.count_nonzero(self.subject))

    @cached_property
    def _around(self) -> NDArray[np.uint8]:
        """What lies around each cell's spot, if it is one: no spot survives an opening larger than itself."""
        wide = max(3, 2 * round(np.sqrt(self.limits.glint_share * self.subject.size)) + 1)
        cells = cv2.resize(self.fine, self.subject.shape[::-1], interpolation=cv2.INTER_AREA)
        opened: Any = cv2.morphologyEx(cells, cv2.MORPH_OPEN, np.ones((wide, wide), np.uint8))
        return opened  # type: ignore[no-any-return]

    def glints(self, share: Grid, dark_bin: float) -> Mask:
        """
        Return the cells of small spots around which it is mostly no brighter than `dark_bin`.

        share: (rows, columns) how much of each cell is too bright, 0 to 1; cells that hold none lie between spots.
        """
        high = share > 0
        count, labels = cv2.connectedComponents(high.astype(np.uint8), connectivity=8)
        inside, weight = labels[high], share[high]
        areas = np.bincount(inside, weight, count)
        dark = np.bincount(inside, weight * (self._around[high] * self.scale <= dark_bin), count)
        small = (areas <= self.limits.glint_share * high.size) & (dark > 0.5 * areas)
        small[0] = False
        glints: Mask = small[labels]
        return glints

    def broad_share(self, white_bin: float, dark_bin: float) -> float:
        """Return which share of the subject lies from `white_bin` on and is no glint (see `glints`)."""
        least = min(np.ceil(white_bin / self.scale), _COARSEST - 1)
        high = cv2.threshold(self.fine, least - 1, 255, cv2.THRESH_BINARY)[1]
        share: Any = cv2.resize(high, self.subject.shape[::-1], interpolation=cv2.INTER_AREA)
        share = np.where(self.subject, share, 0).astype(np.float32) / np.float32(255)
        share[self.glints(share, dark_bin)] = 0
        return float(share.sum(dtype=np.float64)) / max(self.cells, 1)
