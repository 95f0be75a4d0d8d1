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

from lampblack.rules.beside import Beside, each, when_asked
from lampblack.rules.ends import HIGH, LAST, end_of, top_code
from lampblack.rules.frame import Picture
from lampblack.rules.grain import Grain, Noise
from lampblack.rules.thresholds import Thresholds
from lampblack.rules.tone import LIGHT_OF_CODE, LUMA, srgb_to_linear
from lampblack.rules.wells import Full

CELLS_ACROSS = 600
_STRIDE_FROM = 8  # pixels along a cell, from which so many of them, evenly spread, tell as much as all
_STEP = 4
_ROWS = 16  # of cells in one band: what is worked on stays inside the processor's cache

_LIGHT_8 = LIGHT_OF_CODE.astype(np.float32)
_LIGHT_16 = srgb_to_linear(np.arange(65536) / 65535).astype(np.float32)

Grid = NDArray[np.float32]
Codes = NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class Cells:
    """
    A picture in cells; grids are (rows, columns), a border of less than one cell at right and bottom is left out.

    side: pixels along a cell. light: (rows, columns, 3) mean linear light, 1 at white. clipped: (rows, columns, 3)
    share of pixels at the white level, by channel. clipped_any: the same, any channel. over_patch: share of
    pixels whose brightest channel is above the black backdrop's patch code. all_white: share of pixels whose every
    channel is at least the white backdrop's clean code. top: (rows * step, columns * step) brightest channel's 8-bit
    code of the pixels looked at, `step` of them along a cell. clipped_frame: share of the frame's pixels (raw: all of
    them) that have a channel at the white level. end: the last code of the camera's curve (raw: 255). Raw only: level,
    like `top`, the brightest channel's share of saturation in the bins of `raw.EDGES`; noise, that of one sample;
    grain, that of cells; full, where that saturation is known from. Raw light is that of a plain development; where it
    is noisy and dark, or pale, `top`, `over_patch` and `all_white` are of cells whose noise is averaged out.
    """

    side: int
    light: Grid
    clipped: Grid
    clipped_any: Grid
    over_patch: Grid
    all_white: Grid
    top: Codes
    clipped_frame: float
    end: int
    level: NDArray[np.uint16] | None = None
    noise: Noise | None = None
    grain: Grain | None = None
    full: Full | None = None

    @property
    def shape(self) -> tuple[int, int]:
        """Return (rows, columns)."""
        return self.light.shape[0], self.light.shape[1]

    @property
    def bright(self) -> Grid:
        """Return the brightest channel's light."""
        bright: Grid = brightest(self.light)
        return bright


def reduce(picture: Picture, thresholds: Thresholds, beside: Beside = when_asked) -> Cells:
    """
    Reduce a picture to cells, band by band, so that no full-size copy is made.

    In cells of many pixels sixteen are looked at, nearly four million a frame, so that a share is off by less than a
    hundredth of a point.
    """
    side = max(1, round(max(picture.width, picture.height) / CELLS_ACROSS))
    rows, columns = picture.height // side, picture.width // side
    step = side if side < _STRIDE_FROM else _STEP
    grids = {name: np.zeros((rows, columns), np.float32) for name in ("clipped_any", "over_patch", "all_white")}
    light, clipped = np.zeros((2, rows, columns, 3), np.float32)
    top = np.empty((rows * step, columns * step), np.uint8)
    white_code, end = _white_codes(picture, thresholds, beside)
    white, patch, clean = (
        white_code - 1,
        thresholds.black.patch_code,
        thresholds.white.clean_code - 1,
    )

    def take(first: int) -> None:
        last = min(first + _ROWS, rows)
        size = columns, last - first
        band = picture.codes[first * side : last * side, : columns * side]
        seen: Any = cv2.resize(band, (columns * step, (last - first) * step), interpolation=cv2.INTER_NEAREST)
        eight = _eight_bit(seen)
        red, green, blue = split(eight)
        highest: Any = cv2.max(cv2.max(red, green), blue)
        top[first * step : last * step] = highest
        light[first:last] = _mean(_light_of(seen), size)
        grids["over_patch"][first:last] = share_above(highest, patch, size)
        most = cv2.minMaxLoc(highest)[1]
        if most > white:
            clipped[first:last] = share_above(eight, white, size)
            grids["clipped_any"][first:last] = share_above(highest, white, size)
        if most > clean:
            grids["all_white"][first:last] = share_above(cv2.min(cv2.min(red, green), blue), clean, size)

    each(take, range(0, rows, _ROWS), beside)
    return Cells(
        side=side,
        light=light,
        clipped=clipped,
        clipped_any=grids["clipped_any"],
        over_patch=grids["over_patch"],
        all_white=grids["all_white"],
        top=top,
        clipped_frame=float(np.count_nonzero(top > white)) / top.size,
        end=end,
    )


def luminance_of(light: Any) -> NDArray[np.float32]:
    """Return (rows, columns) luminance of (rows, columns, 3) linear light; several times faster than numpy's."""
    luminance: Any = cv2.transform(np.asarray(light, np.float32), LUMA[None].astype(np.float32))
    return luminance  # type: ignore[no-any-return]


def split(image: Any) -> list[Any]:
    """Return the channels of (rows, columns, n) values. Without room made for them, OpenCV's would be copied again."""
    rows, columns, count = image.shape
    channels = [np.empty((rows, columns), image.dtype) for _ in range(count)]
    cv2.split(image, channels)
    return channels


def brightest(values: Any) -> Any:
    """Return the largest of the three channels of (rows, columns, 3); ten times faster than a max along an axis."""
    return np.maximum(np.maximum(values[..., 0], values[..., 1]), values[..., 2])


def darkest(values: Any) -> Any:
    """Return the smallest of the three channels, likewise."""
    return np.minimum(np.minimum(values[..., 0], values[..., 1]), values[..., 2])


def mean_within(mask: Any, values: Any, cells: int) -> Any:
    """Return the means of (rows, columns[, 3]) values over so many cells along, of those in a mask alone."""
    there, box = np.asarray(mask, np.float32), (cells, cells)
    count = np.maximum(cv2.blur(there, box), np.float32(1e-3))
    many = (lambda grid: cv2.merge([grid] * 3)) if values.ndim == 3 else (lambda grid: grid)
    return cv2.divide(cv2.blur(cv2.multiply(values, many(there)), box), many(count))


def pieces_of(mask: Any, connectivity: int) -> tuple[NDArray[np.int32], NDArray[np.int64]]:
    """
    Return the label of each cell's piece of a mask, 0 outside of it, and how many cells each label has.

    OpenCV's own statistics have more in them, and take several times as long. Only the mask's own cells are counted:
    mostly it has far fewer than there are.
    """
    count, labels = cv2.connectedComponents(mask.view(np.uint8), connectivity=connectivity)
    inside = np.flatnonzero(mask)
    areas = np.bincount(labels.ravel()[inside], minlength=count)
    areas[0] = mask.size - len(inside)
    return np.asarray(labels, np.int32), areas


_NOTHING: Any = 0.0


def half(grid: Any) -> NDArray[np.float16]:
    """Return light in half precision, as numpy rounds it, in a tenth of its time."""
    halved: Any = cv2.add(grid, _NOTHING, dtype=cv2.CV_16F)
    return halved  # type: ignore[no-any-return]


def single(grid: NDArray[np.float16]) -> Grid:
    """Return light of half precision in single precision, likewise."""
    exact: Any = cv2.add(grid, _NOTHING, dtype=cv2.CV_32F)
    return exact  # type: ignore[no-any-return]


def _eight_bit(codes: Any) -> Any:
    return codes if codes.dtype == np.uint8 else ((codes.astype(np.uint32) + 128) // 257).astype(np.uint8)


def _light_of(codes: Any) -> Any:
    return cv2.LUT(codes, _LIGHT_8) if codes.dtype == np.uint8 else _LIGHT_16[codes]


def _white_codes(picture: Picture, thresholds: Thresholds, beside: Beside) -> tuple[int, int]:
    """
    Return the code from which a channel is at white, and the last one of this camera's curve.

    As set, or lower where the curve ends lower.
    """
    few = picture.codes[:: max(1, picture.height // 500), :: max(1, picture.width // 750)]

    # A JPEG keeps green best: its pile still shows where coarse colour has smeared the brightest channel's.
    parts = each(_tops, np.array_split(few, _STEP), beside)
    counts, darkest = (sum(of) for of in zip(*parts, strict=True))
    end = end_of(counts, darkest)
    top, green = (top_code(of, end) for of in counts)
    usual = thresholds.highlights.jpeg_white_code
    lowest = min(top, green)
    return (lowest if lowest < usual else max(usual, top)), end


def _tops(codes: Any) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return how often each code is there, of the brightest channel and of green, and the darkest beside high ones."""
    codes = np.ascontiguousarray(_eight_bit(codes))
    highest, green = brightest(codes), np.ascontiguousarray(codes[..., 1])
    counts = [_times([plane], [256], [0, 256]) for plane in (highest, green)]
    darkest_beside = _times([highest, darkest(codes)], [LAST + 1 - HIGH, 64], [HIGH, 256, 0, 256])
    return np.stack(counts), darkest_beside


def _times(planes: list[Any], bins: list[int], bounds: list[float]) -> NDArray[np.int64]:
    """Return how often each code, or pair of codes, is there."""
    counts = cv2.calcHist(planes, list(range(len(planes))), None, bins, bounds)
    return np.asarray(counts.reshape(bins), np.int64)


def _mean(values: Any, size: tuple[int, int]) -> Any:
    return cv2.resize(values, size, interpolation=cv2.INTER_AREA)


def share_above(codes: Any, code: float, size: tuple[int, int]) -> Grid:
    """Return the share of each cell's pixels above a code, to 1/255."""
    return share_flagged(cv2.threshold(codes, code, 255, cv2.THRESH_BINARY)[1], size)


def share_flagged(flags: Any, size: tuple[int, int]) -> Grid:
    """Return the share of each cell's pixels that are flagged by 255, to 1/255."""
    share: Grid = _mean(flags, size).astype(np.float32) / np.float32(255)
    return share


def count_by_label(values: Any, labels: NDArray[np.uint8], bins: int, kinds: int) -> NDArray[np.int64]:
    """
    Return how many of the pixels looked at have each label and value: shape (kinds, bins).

    `labels` are as many as `values`, each below `kinds`; `values` are below `bins`; kinds times bins are 65536 at most.
    """
    # Both in one number: counting that takes a fifth of the time of counting pairs.
    both = labels.astype(np.uint16)
    both *= np.uint16(bins)
    both += values
    counts = cv2.calcHist([both], [0], None, [kinds * bins], [0, kinds * bins])
    whole: NDArray[np.int64] = counts.reshape(kinds, bins).astype(np.int64)
    return whole
