"""
One pass over the pixels: a picture reduced to cells.

A cell is a small square of pixels (about 600 across the frame). Light is averaged as light, not as codes; what must
not be averaged away (clipping, brightest channel) is counted at full resolution on the way.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lampblack.rules.frame import Picture
from lampblack.rules.thresholds import Thresholds
from lampblack.rules.tone import LIGHT_OF_CODE, srgb_to_linear

CELLS_ACROSS = 600
_ROWS = 8  # of cells in one band: keeps a band of a 45-megapixel frame inside the processor's cache

_LIGHT_8 = LIGHT_OF_CODE.astype(np.float32)
_LIGHT_16 = srgb_to_linear(np.arange(65536) / 65535).astype(np.float32)

Grid = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Cells:
    """
    A picture in cells; grids are (rows, columns), a border of less than one cell at right and bottom is left out.

    side: pixels along a cell. light: (rows, columns, 3) mean linear light, 1 at white. clipped: (rows, columns, 3)
    share of pixels at the white level, by channel. clipped_any: the same, any channel. over_patch: share of
    pixels whose brightest channel is above the black backdrop's patch code. all_white: share of pixels whose every
    channel is at least the white backdrop's clean code. top: (rows * side, columns * side)
    brightest channel's 8-bit code of each pixel.
    """

    side: int
    light: Grid
    clipped: Grid
    clipped_any: Grid
    over_patch: Grid
    all_white: Grid
    top: NDArray[np.uint8]

    @property
    def shape(self) -> tuple[int, int]:
        """Return (rows, columns)."""
        return self.light.shape[0], self.light.shape[1]


def reduce(picture: Picture, thresholds: Thresholds) -> Cells:
    """Reduce a picture to cells, band by band, so that no full-size copy but `top` is made."""
    side = max(1, round(max(picture.width, picture.height) / CELLS_ACROSS))
    rows, columns = picture.height // side, picture.width // side
    white, patch = thresholds.highlights.jpeg_white_code - 1, thresholds.black.patch_code
    cells = Cells(
        side=side,
        light=np.empty((rows, columns, 3), np.float32),
        clipped=np.empty((rows, columns, 3), np.float32),
        clipped_any=np.empty((rows, columns), np.float32),
        over_patch=np.empty((rows, columns), np.float32),
        all_white=np.empty((rows, columns), np.float32),
        top=np.empty((rows * side, columns * side), np.uint8),
    )
    for first in range(0, rows, _ROWS):
        last = min(first + _ROWS, rows)
        band = picture.codes[first * side : last * side, : columns * side]
        codes, light = _codes_and_light(band)
        top = cells.top[first * side : last * side]
        red, green, blue = cv2.split(codes)
        cv2.max(cv2.max(red, green), blue, dst=top)
        cells.light[first:last] = _mean(light, last - first, columns)
        cells.clipped[first:last] = _share_above(codes, white, last - first, columns)
        cells.clipped_any[first:last] = _share_above(top, white, last - first, columns)
        low = cv2.min(cv2.min(red, green), blue)
        cells.all_white[first:last] = _share_above(low, thresholds.white.clean_code - 1, last - first, columns)
        cells.over_patch[first:last] = _share_above(top, patch, last - first, columns)
    return cells


def _codes_and_light(band: NDArray[np.uint8] | NDArray[np.uint16]) -> tuple[Any, Any]:
    if band.dtype == np.uint8:
        return band, cv2.LUT(band, _LIGHT_8)
    return ((band.astype(np.uint32) + 128) // 257).astype(np.uint8), _LIGHT_16[band]


def _mean(values: Any, rows: int, columns: int) -> Grid:
    mean: Any = cv2.resize(values, (columns, rows), interpolation=cv2.INTER_AREA)
    return mean  # type: ignore[no-any-return]


def _share_above(codes: Any, code: float, rows: int, columns: int) -> Grid:
    """Return the share of each cell's pixels above a code, to 1/255."""
    above = cv2.threshold(codes, code, 255, cv2.THRESH_BINARY)[1]
    return _mean(above, rows, columns).astype(np.float32) / np.float32(255)


def count_codes(top: NDArray[np.uint8], labels: NDArray[np.uint8], kinds: int) -> NDArray[np.int64]:
    """
    Return how many pixels of each label have each brightest-channel code: shape (kinds, 256).

    `labels` is a grid of cells, each below `kinds`.
    """
    wide = cv2.resize(labels, (top.shape[1], top.shape[0]), interpolation=cv2.INTER_NEAREST)
    counts = cv2.calcHist([top, wide], [0, 1], None, [256, kinds], [0, 256, 0, kinds])
    return counts.T.astype(np.int64)
