"""
Glints apart from burnt areas: the reflection of a lamp may burn out, the lit surface may not.

What is a glint hangs on the exposure: opened far enough, the spot and the sheen around it grow into a burnt area.
So it is asked anew at every level, on the picture's heights: a spot is a glint when it is small and what lies
around it is well below it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
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


def fine_bins(bins: NDArray[Any], full: Mask) -> tuple[NDArray[np.uint8], int]:
    """
    Return a picture's heights, and how many bins make one (see `Heights`).

    Args:
        bins: (rows * n, columns * n) bins of pixels, below 1024.
        full: (rows, columns) cells of which most is clipped: they count as clipped, whatever noise takes off.
    """
    size = 2 * full.shape[1], 2 * full.shape[0]
    scale = 1 if bins.dtype == np.uint8 else 1024 // _COARSEST
    fine: Any = cv2.resize(bins, size, interpolation=cv2.INTER_AREA)
    fine = fine if scale == 1 else (fine // scale).astype(np.uint8)
    fine[cv2.resize(full.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0] = _COARSEST - 1
    return fine, scale


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
    _known: dict[tuple[int, int], float] = field(default_factory=dict, init=False, repr=False)
    """Broad shares asked for already: a bisection asks again and again."""

    @cached_property
    def cells(self) -> int:
        """Return how many cells the subject has."""
        return int(np.count_nonzero(self.subject))

    @cached_property
    def _of_subject(self) -> NDArray[np.uint8]:
        return self.subject.astype(np.uint8) * np.uint8(255)

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
        labels, _, glints = self._spots(share, self._coarse(dark_bin))
        return glints[labels]

    def broad_share(self, white_bin: float, dark_bin: float) -> float:
        """Return which share of the subject lies from `white_bin` on and is no glint (see `glints`)."""
        key = int(min(np.ceil(white_bin / self.scale), _COARSEST - 1)), self._coarse(dark_bin)
        if key not in self._known:
            high = cv2.threshold(self.fine, key[0] - 1, 255, cv2.THRESH_BINARY)[1]
            share = cv2.resize(high, self.subject.shape[::-1], interpolation=cv2.INTER_AREA)
            share = cv2.bitwise_and(share, self._of_subject)
            _, areas, glints = self._spots(share, key[1])
            self._known[key] = float(areas[1:][~glints[1:]].sum()) / max(self.cells, 1)
        return self._known[key]

    def _coarse(self, dark_bin: float) -> int:
        return int(dark_bin // self.scale)

    def _spots(self, share: NDArray[Any], dark: int) -> tuple[NDArray[np.int32], NDArray[np.float64], Mask]:
        """Return the label of each cell's spot (0: none), and by label its area in cells and whether it is a glint."""
        high = share > 0
        count, labels = cv2.connectedComponents(high.view(np.uint8), connectivity=8)
        at = np.flatnonzero(high)
        spots, weight = labels.ravel()[at], share.ravel()[at].astype(np.float64)
        if share.dtype == np.uint8:
            weight /= 255
        areas = np.bincount(spots, weight, count)
        in_dark = np.bincount(spots, weight * (self._around.ravel()[at] <= dark), count)
        glints = (areas <= self.limits.glint_share * high.size) & (in_dark > 0.5 * areas)
        glints[0] = False
        return np.asarray(labels, np.int32), areas.astype(np.float64), glints
