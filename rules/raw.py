"""
Sensor samples reduced to cells: levels, saturation, noise, and a plain development for what is judged by eye.

Nothing is demosaiced. A point is one sample of each place of the colour pattern (a 2 x 2 block of a Bayer sensor).
Source of the noise model: EMVA Standard 1288, photon transfer: variance = read noise squared + gain x mean.
"""

from __future__ import annotations

from functools import reduce
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lampblack.rules.cells import CELLS_ACROSS, Cells, Grid, Noise, brightest
from lampblack.rules.frame import Plane, Sensor
from lampblack.rules.thresholds import Thresholds
from lampblack.rules.tone import linear_to_srgb

LEVELS = 1024
"""Bins of the brightest channel's share of saturation, even in its square root: shot noise is even there."""

EDGES: NDArray[np.float64] = np.linspace(0, 1, LEVELS) ** 2
"""Lower edges of the bins, shares of saturation; the last bin is what is saturated."""

RAW_MID_GREY = 0.18 / 2**0.5
"""
Share of saturation where a mid grey card belongs: 12.7 %.

Source: ISO 12232, saturation-based speed: half a stop is kept above a 100 % white, so 18 % / sqrt 2.
"""

_LOWEST_SATURATION = 0.4  # of the tagged span: lower settings of extended ISO fill the well at half of it
_WIDEST_PILE = 0.0015  # standard deviation, share of the span: what noise is added after the well is full
_NO_LIGHT = 2.0**-14  # below the noise of any sensor: what a frame's floor is when its noise can't be told
_CODES = 16384
_CODE_OF_LIGHT = np.rint(linear_to_srgb(np.linspace(0, 1, _CODES + 1)) * 255).astype(np.uint8)


def saturation(plane: Plane) -> float:
    """
    Return the level from which a plane's samples are saturated, from the data where the tag is off.

    A full well, or a full converter, piles samples up at one level with nothing above: then that is the level. Without
    a pile nothing is saturated up to the tag, nor at it if samples lie above it.
    """
    thin = max(1, int(np.sqrt(plane.samples.size / 400_000)))
    samples = plane.samples[::thin, ::thin]
    top = int(samples.max())
    span = plane.white - plane.black
    if top > plane.black + span * _LOWEST_SATURATION:
        counts = cv2.calcHist([np.ascontiguousarray(samples)], [0], None, [top + 1], [0, top + 1]).ravel()
        pile = _pile(counts, span)
        if pile is not None:
            return float(pile)
    return max(plane.white, top + 1.0)


_LEAST_CUT = 50  # samples
_CUT_OFF = 3.0  # times as many as on any of the levels just below


def _is_cut_off(counts: NDArray[Any]) -> bool:
    """
    Say whether the samples end at a wall: many on the highest level there is, fewer on each of those just below.

    A tone that isn't cut off thins out upward as its noise does: its highest level has the fewest.
    """
    filled = np.flatnonzero(counts)
    below = counts[filled[-9:-1]]
    return len(below) > 0 and bool(counts[-1] >= max(_LEAST_CUT, _CUT_OFF * below.max()))


def _pile(counts: NDArray[Any], span: float) -> int | None:
    """
    Return the lower edge of a pile of samples at the top, or None.

    A pile holds several times the samples of the levels below it, and is narrow: full wells have no shot noise. A
    bright plain backdrop has (0.3 % of saturation and more, for wells of 100,000 electrons and fewer), and is no pile.
    """
    top = len(counts) - 1
    if _is_cut_off(counts):
        return top
    wide = max(2, round(span * 0.012))
    if top < 4 * wide:
        return None
    above, below = counts[top - wide + 1 :], counts[top - 4 * wide + 1 : top - wide + 1]
    usual = below.sum() / 3
    if above.sum() < max(30.0, 4 * usual + 5 * np.sqrt(usual)):
        return None
    peak = top - wide + 1 + int(above.argmax())
    upper = np.flatnonzero(counts[peak:] > 0.02 * counts[peak])[-1]
    if upper > max(1.0, 2.8 * _WIDEST_PILE * span):
        return None
    # Down from the peak to where it is no more than what lies below anyway.
    level = max(float(counts[peak]) * 0.02, 3 * usual / wide)
    edge = peak
    while edge > top - 2 * wide and counts[edge - 1] > level:
        edge -= 1
    return edge


def reduce_raw(sensor: Sensor, thresholds: Thresholds) -> Cells:
    """Reduce sensor samples to cells. Clipping is counted on every sample there is."""
    whites = [saturation(plane) for plane in sensor.planes]
    full = [_from(plane.samples, white) for plane, white in zip(sensor.planes, whites, strict=True)]
    any_full = _any_full(full, sensor.period)
    rows, columns = sensor.planes[0].samples.shape
    side = max(1, round(max(rows, columns) / CELLS_ACROSS))
    size = columns // side, rows // side
    stride = max(1, side // 2)  # of the levels, two or more points along a cell tell enough
    on_cells = slice(0, size[1] * side), slice(0, size[0] * side)
    some = slice(0, size[1] * side, stride), slice(0, size[0] * side, stride)

    def share(flags: Any) -> Grid:
        grid: Grid = _shrunk(flags[on_cells], size).astype(np.float32) / np.float32(255)
        return grid

    points = _scaled(sensor, whites, lambda samples: samples[some].astype(np.float32))
    light = _by_channel(sensor, points)
    cell_light = _by_channel(
        sensor, _scaled(sensor, whites, lambda samples: _shrunk(samples[on_cells], size).astype(np.float32))
    )
    developed = _developed(sensor, light)
    top, low = _code_of(brightest(developed)), _code_of(-brightest(-developed))
    of_channel = [
        [f for f, plane in zip(full, sensor.planes, strict=True) if plane.channel == c] or [np.zeros_like(any_full)]
        for c in range(3)
    ]
    return Cells(
        side=sensor.period[0] * side,
        light=np.maximum(_developed(sensor, cell_light), 0),
        clipped=np.stack([share(_either(flags)) for flags in of_channel], axis=2),
        clipped_any=share(any_full),
        over_patch=_shrunk((top > thresholds.black.patch_code).astype(np.float32), size),
        all_white=_shrunk((low >= thresholds.white.clean_code).astype(np.float32), size),
        top=top,
        clipped_pixels=round(cv2.mean(any_full)[0] / 255 * sensor.width * sensor.height),
        white_code=255,
        level=_levels(_highest(sensor, points, light), any_full[some]),
        noise=_noise(sensor, whites, any_full),
    )


def _from(samples: NDArray[np.uint16], level: float) -> NDArray[np.uint8]:
    """Return 255 where a sample is at or over a level."""
    flags: Any = cv2.compare(samples, np.array([np.ceil(level)]), cv2.CMP_GE)
    return flags  # type: ignore[no-any-return]


def _either(flags: list[NDArray[np.uint8]]) -> NDArray[np.uint8]:
    return reduce(lambda one, other: np.asarray(cv2.bitwise_or(one, other)), flags)


def _any_full(full: list[NDArray[np.uint8]], period: tuple[int, int]) -> NDArray[np.uint8]:
    """Return the share of saturated points behind each of a plane's samples in 1/255: all or none, or quarters."""
    if period != (6, 6):
        return _either(full)
    # A 6 x 6 pattern has every colour in each of its 3 x 3 quarters: those are its points.
    quarters: list[list[NDArray[np.uint8]]] = [[], [], [], []]
    for place, flags in enumerate(full):
        quarters[place // 18 * 2 + place % 6 // 3].append(flags)
    shares: NDArray[np.uint8] = np.mean([_either(flags) for flags in quarters], axis=0).astype(np.uint8)
    return shares


def _scaled(sensor: Sensor, whites: list[float], pick: Any) -> list[Grid]:
    """Return each plane's shares of saturation; `pick` thins the samples."""
    return [
        (pick(plane.samples) - np.float32(plane.black)) * np.float32(1 / (white - plane.black))
        for plane, white in zip(sensor.planes, whites, strict=True)
    ]


def _by_channel(sensor: Sensor, scaled: list[Grid]) -> Grid:
    """Return shares of saturation, (rows, columns, 3), each channel its planes' mean."""
    found: list[list[Grid]] = [[], [], []]
    for plane, values in zip(sensor.planes, scaled, strict=True):
        found[plane.channel].append(values)
    means = [sum(planes[1:], planes[0]) / np.float32(len(planes)) if planes else None for planes in found]
    there = next(mean for mean in means if mean is not None)
    # A sensor without colours: its one channel stands for all.
    merged: Any = cv2.merge([mean if mean is not None else there for mean in means])
    return merged  # type: ignore[no-any-return]


def _developed(sensor: Sensor, light: Grid) -> Grid:
    """Return linear sRGB light, 1 where the least balanced channel is full: white balance and matrix, nothing else."""
    matrix = (sensor.to_srgb @ np.diag(sensor.balance)).astype(np.float32)
    developed: Any = cv2.transform(light, matrix)
    return developed  # type: ignore[no-any-return]


def _code_of(light: Grid) -> NDArray[np.uint8]:
    """Return 8-bit sRGB codes."""
    codes: NDArray[np.uint8] = _CODE_OF_LIGHT[
        (np.clip(light, 0, 1) * np.float32(_CODES) + np.float32(0.5)).astype(np.int32)
    ]
    return codes


def _highest(sensor: Sensor, points: list[Grid], light: Grid) -> Grid:
    """Return each point's highest sample, noise and all: the first to be full when more light falls."""
    if sensor.period == (6, 6):  # 36 samples are four points; the mean of each colour stands for them
        highest: Grid = brightest(light)
        return highest
    return reduce(lambda one, other: np.asarray(cv2.max(one, other)), points)


def _levels(highest: Grid, full: NDArray[np.uint8]) -> NDArray[np.uint16]:
    """Return the bin (see `EDGES`) of each point; the last is for saturated points."""
    root = np.sqrt(np.clip(highest, 0, 1))
    level: NDArray[np.uint16] = np.minimum(root * np.float32(LEVELS - 1), LEVELS - 2).astype(np.uint16)
    level[full > 0] = LEVELS - 1
    return level


def _noise(sensor: Sensor, whites: list[float], any_full: NDArray[np.uint8]) -> Noise:
    """
    Return the noise of one sample, fitted to the frame itself (EMVA 1288: photon transfer).

    Two samples of one colour side by side differ by noise alone where the picture is plain; of cells alike in light the
    quieter ones are taken to be plain.
    """
    same = [i for i, plane in enumerate(sensor.planes) if plane.channel == 1][:2]
    if len(same) < 2:
        return Noise(_NO_LIGHT, 0.0)
    box = 8
    # Bands of so many rows, as many as make a thousand cells and more.
    bands = max(1, len(any_full) // box // 40)
    rows = np.concatenate(
        [np.arange(y, y + box) for y in range(0, len(any_full) - box + 1, box * bands)] or [np.zeros(1, int)]
    )
    one, other = (
        (sensor.planes[i].samples[rows].astype(np.float32) - np.float32(sensor.planes[i].black))
        / np.float32(whites[i] - sensor.planes[i].black)
        for i in same
    )
    size = one.shape[1] // box, one.shape[0] // box
    if min(size) < 4:
        return Noise(_NO_LIGHT, 0.0)
    apart, level = one - other, (one + other) / 2
    mean_apart, mean, square = (_shrunk(values, size) for values in (apart, level, apart * apart))
    sound = _shrunk(any_full[rows], size) == 0
    return _fit_noise(mean[sound], np.maximum(square - mean_apart**2, 0)[sound] / 2, box * box - 1)


def _fit_noise(mean: NDArray[np.float32], variance: NDArray[np.float32], freedom: int) -> Noise:
    """Fit read noise and gain to the quieter quarter of cells at each level."""
    if len(mean) < 200:
        return Noise(_NO_LIGHT, 0.0)
    order = np.argsort(mean)
    points = []
    for part in np.array_split(order, 24):
        points.append((float(np.median(mean[part])), float(np.percentile(variance[part], 25))))
    x, y = np.array(points).T
    # The lower quartile of a variance of so many samples (Wilson and Hilferty 1931).
    y = y / (1 - 2 / (9 * freedom) - 0.6745 * np.sqrt(2 / (9 * freedom))) ** 3
    y = np.maximum(y, 1e-12)
    x = np.maximum(x, 0)
    for keep in (1.0, 1.5):  # levels that texture alone fills lie far above the line: leave them out and fit again
        terms = np.stack([np.ones_like(x), x], axis=1) / y[:, None]
        square, gain = np.maximum(np.linalg.lstsq(terms, np.ones_like(y), rcond=None)[0], 0)
        fits = y < keep * 2 * (square + gain * x) + 1e-12
        if fits.sum() < 4:
            break
        x, y = x[fits], y[fits]
    return Noise(float(np.sqrt(max(square, _NO_LIGHT**2))), float(gain))


def _shrunk(values: Any, size: tuple[int, int]) -> Any:
    return cv2.resize(np.ascontiguousarray(values), size, interpolation=cv2.INTER_AREA)
