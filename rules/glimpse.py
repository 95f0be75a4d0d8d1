"""
Has a lamp been switched? Told by small pictures of what the lens sees, without a shot.

Such a picture is no measurement: cameras bend it as they like, and many brighten it by themselves where it is dark.
But whichever lamp is on, it lights other places than the one before it, over most of what can be seen; a person who
walks through changes a part of the picture, and not for long.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from lampblack.rules.thresholds import Thresholds
from lampblack.rules.tone import LIGHT_OF_CODE, LUMA

Glimpse = NDArray[np.float32]
"""Linear luminance, 0 to 1, (16, 24): the picture in cells."""

CELLS = (16, 24)
_FLOOR = float(LIGHT_OF_CODE[6])  # darker codes tell of noise
_TELLING = float(LIGHT_OF_CODE[24])  # one of the two must be this bright
_LEAST = 0.02  # of the picture must tell, or there is nothing to see


def glimpse_of(codes: Any) -> Glimpse:
    """
    Return a small picture in cells.

    Args:
        codes: (rows, columns, 3) 8-bit sRGB, at least 16 by 24.

    Raises:
        ValueError: it is smaller.

    >>> glimpse_of(np.full((64, 96, 3), 255, np.uint8)).mean()
    np.float32(1.0)
    """
    rows, columns = codes.shape[0] // CELLS[0], codes.shape[1] // CELLS[1]
    if rows < 1 or columns < 1:
        raise ValueError("smaller than 24 by 16")
    light = LIGHT_OF_CODE.astype(np.float32)[codes[: rows * CELLS[0], : columns * CELLS[1]]] @ LUMA.astype(np.float32)
    cells: Glimpse = light.reshape(CELLS[0], rows, CELLS[1], columns).mean(axis=(1, 3))
    return cells


def changed(before: Glimpse, now: Glimpse, by_stops: float) -> float:
    """
    Return the share, 0 to 1, of what one of two pictures can tell that is lit otherwise by so many stops in the other.

    >>> changed(np.full(CELLS, 0.2), np.full(CELLS, 0.4), by_stops=0.33)
    1.0
    """
    tells = np.maximum(before, now) > _TELLING
    if tells.mean() < _LEAST:
        return 0.0
    stops = np.log2(np.maximum(now, _FLOOR) / np.maximum(before, _FLOOR))
    return float((np.abs(stops[tells]) > by_stops).mean())


class Switch:
    """
    Watches for a lamp to be switched, picture by picture.

    Args:
        before: the picture before anybody was asked to.
        thresholds: the thresholds.
    """

    def __init__(self, before: Glimpse, thresholds: Thresholds) -> None:
        self._before, self._steps = before, thresholds.steps
        self._last, self._since_s = before, 0.0

    def seen(self, now: Glimpse, at_s: float) -> bool:
        """Take the next picture, at a time in seconds; return whether a lamp has been switched and the light stands."""
        by_stops, share = self._steps.switched_stops, self._steps.switched_share
        moves = changed(self._last, now, by_stops) > share / 2
        as_before = changed(self._before, now, by_stops) < share
        if moves or as_before:
            self._last, self._since_s = now, at_s
        return at_s - self._since_s >= self._steps.switched_s and not as_before
