"""
Sensor samples reduced to cells: levels, saturation, noise, and a plain development for what is judged by eye.

Nothing is demosaiced. A point is one sample of each place of the colour pattern (a 2 x 2 block of a Bayer sensor).
Source of the noise model: EMVA Standard 1288, photon transfer: variance = read noise squared + gain x mean.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial, reduce
from typing import Any, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from lampblack.rules.beside import Beside, each, when_asked
from lampblack.rules.cells import CELLS_ACROSS, Cells, Grid, brightest, mean_within, share_above, share_flagged, split
from lampblack.rules.distribution import middle, percentile
from lampblack.rules.frame import Plane, Sensor
from lampblack.rules.grain import Grain, Noise
from lampblack.rules.thresholds import Thresholds
from lampblack.rules.tone import linear_to_srgb
from lampblack.rules.wells import NO_WELLS, PILE_OFF, TAG_OFF, Body, Full, Wells

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
_NO_LIGHT = 2.0**-14  # what a frame's floor is when its noise can't be told
_LEAST_READ = 2.0**-16  # below the read noise of any sensor: one electron of 65,000
_CODES = 16384
_CODE_OF_LIGHT = np.rint(linear_to_srgb(np.linspace(0, 1, _CODES + 1)) * 255).astype(np.uint8)


def saturation(plane: Plane) -> float:
    """
    Return the level from which a plane's samples are saturated, from the data where the tag is off.

    A full well, or a full converter, piles samples up at one level with nothing above: then that is the level. Without
    a pile nothing is saturated up to the tag, nor at it if samples lie above it.
    """
    return saturations((plane,))[0]


def saturations(planes: tuple[Plane, ...], beside: Beside = when_asked) -> list[float]:
    """
    Return each plane's `saturation`; one without a pile of its own goes by the others' where it stays below it.

    Else a wrong tag would take light from red and blue, which fill last, and not from green.
    """
    return _saturations(planes, None, beside)[0]


def fullness(sensor: Sensor, wells: Wells, beside: Beside = when_asked) -> tuple[list[float], Full]:
    """
    Return each plane's saturation as `saturations` does, and by what it was reckoned.

    Where no plane has a pile, the level that other frames of this camera are full at is used, unless a sample lies
    above it.
    """
    body = Body.of(sensor)
    known = wells.of(body)
    levels, own, used = _saturations(sensor.planes, None if known is None else known[0].share, beside)
    if own is not None:
        return levels, Full(body, own, "data", PILE_OFF, 1)
    if used is not None and known is not None:
        return levels, Full(body, used, known[1], known[0].sure_stops, known[0].frames)
    return levels, Full(body, 1.0, "tag", TAG_OFF, contradicted=known is not None)


def _saturations(
    planes: tuple[Plane, ...], known: float | None, beside: Beside
) -> tuple[list[float], float | None, float | None]:
    """Return the levels, the lowest pile there is, and the level of those without one; these as shares of the span."""
    found = each(_saturation_of, planes, beside)
    parts = [
        (level - p.black) / (p.white - p.black)
        for (level, _), p in zip(found, planes, strict=True)
        if level is not None
    ]
    own = min(parts, default=None)
    used = known if own is None and known is not None and not _any_above(planes, known) else own
    levels = []
    for (level, top), plane in zip(found, planes, strict=True):
        of_others = plane.white if used is None else plane.black + used * (plane.white - plane.black)
        if level is not None:
            levels.append(level)
        elif top < of_others + 2.8 * _WIDEST_PILE * (plane.white - plane.black):
            levels.append(of_others)
        else:
            levels.append(max(plane.white, top + 1.0))
    return levels, own, used


def _any_above(planes: tuple[Plane, ...], share: float) -> bool:
    """Say whether any sample lies above a level, by more than the noise of full wells."""
    most = share + 2.8 * _WIDEST_PILE
    return any(cv2.minMaxLoc(p.samples)[1] > p.black + most * (p.white - p.black) for p in planes)


def _saturation_of(plane: Plane) -> tuple[float | None, int]:
    """Return the level of a plane's pile, None without one, and its highest sample."""
    thin = max(1, int(np.sqrt(plane.samples.size / 400_000)))
    samples = np.ascontiguousarray(plane.samples[::thin, ::thin])
    top = int(samples.max())
    span = plane.white - plane.black
    if top <= plane.black + span * _LOWEST_SATURATION:
        return None, top
    counts: Any = cv2.calcHist([samples], [0], None, [top + 1], [0, top + 1])  # in half of numpy's time
    pile = _pile(counts.ravel().astype(np.int64), span)
    return (None if pile is None else float(pile)), top


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
    # Down from the peak to where it is no more than what lies below anyway. Levels that no sample can have (samples
    # shifted for room, a maker's curve with steps) are no gap in the pile.
    first = top - 4 * wide + 1
    filled = first + np.flatnonzero(counts[first : peak + 1])
    usual_level = below.sum() / max(1, np.count_nonzero(below))
    fewest = max(float(counts[peak]) * 0.02, 3 * usual_level)
    in_pile = (counts[filled] > fewest) & (filled > top - 2 * wide)
    return int(filled[len(filled) - _trailing(in_pile)])


def _trailing(flags: NDArray[np.bool_]) -> int:
    """Return how many flags are set at the end, before the first that isn't; at least one."""
    unset = np.flatnonzero(~flags)
    return max(1, len(flags) - 1 - int(unset[-1]) if len(unset) else len(flags))


def reduce_raw(sensor: Sensor, thresholds: Thresholds, wells: Wells = NO_WELLS, beside: Beside = when_asked) -> Cells:
    """Reduce sensor samples to cells. Clipping is counted on every sample there is."""
    whites, known_full = fullness(sensor, wells, beside)
    planes = list(zip(sensor.planes, whites, strict=True))
    rows, columns = sensor.planes[0].samples.shape
    side = max(1, round(max(rows, columns) / CELLS_ACROSS))
    size = columns // side, rows // side
    stride = max(1, side // 2)  # of the levels, two or more points along a cell tell enough
    on_cells = slice(0, size[1] * side), slice(0, size[0] * side)
    some = slice(0, size[1] * side, stride), slice(0, size[0] * side, stride)

    def scaled(one: tuple[Plane, float]) -> tuple[NDArray[np.uint8], Grid, Grid]:
        plane, white = one
        shrunk = _shrunk(plane.samples[on_cells], size)
        point, cell = (_from_black(picked, plane.black, white) for picked in (plane.samples[some], shrunk))
        return _from(plane.samples, white), point, cell

    full, points, of_cells = zip(*each(scaled, planes, beside), strict=True)
    any_full = _any_full(full, sensor.period)
    of_channel = [
        [f for f, plane in zip(full, sensor.planes, strict=True) if plane.channel == c] or [np.zeros_like(any_full)]
        for c in range(3)
    ]
    light_of_cells = _by_channel(sensor, of_cells)
    noise = beside(partial(_noise, sensor, whites, any_full))
    grain = beside(lambda: _grain(sensor, noise(), side, whites))
    calm = beside(lambda: _calm(sensor, light_of_cells, grain()))
    clipped = beside(partial(_shares, [*of_channel, [any_full]], size, side))
    light = _by_channel(sensor, points)
    level = beside(lambda: _levels(_highest(sensor, points, light), any_full[some]))
    shown = _cut_at_white(sensor, light) if cv2.countNonZero(any_full) else light
    brightest_of, least = _ends(_developed(sensor, shown))
    top: Any = _code_of(brightest_of)
    under_white = _under_code(thresholds.white.clean_code)
    over_patch = share_above(top, thresholds.black.patch_code, size)
    all_white = share_flagged(cv2.compare(least, np.array([under_white]), cv2.CMP_GT), size)
    shares = clipped()
    if (calmed := calm()) is not None:
        top = _where(calmed.is_dark, calmed.code, top)
        over_patch = np.where(calmed.is_dark, np.float32(calmed.in_patches > thresholds.black.patch_code), over_patch)
        all_white = np.where(calmed.is_pale, np.float32(calmed.least > under_white), all_white)
    return Cells(
        side=sensor.period[0] * side,
        light=np.maximum(_developed(sensor, light_of_cells), 0),
        clipped=np.dstack(shares[:3]),
        clipped_any=shares[3],
        over_patch=over_patch,
        all_white=all_white,
        top=top,
        clipped_frame=cv2.mean(any_full)[0] / 255,
        end=255,
        level=level(),
        noise=noise(),
        grain=grain(),
        full=known_full,
    )


def _ends(light: Grid) -> tuple[Any, Any]:
    """Return the brightest and the darkest channel of (rows, columns, 3) light."""
    red, green, blue = split(light)
    return cv2.max(cv2.max(red, green), blue), cv2.min(cv2.min(red, green), blue)


class _Calm(NamedTuple):
    """
    Cells whose light is calmed, so that noise is no spill in black, nor a lack of light in white.

    code: of the dark ones, the brightest channel's, as shown; in_patches: the same, not so calm, but with small patches
    left as they are. least: of the pale ones, the darkest channel's light.
    """

    code: Any
    in_patches: Any
    is_dark: Any
    least: Any
    is_pale: Any


_IN_PATCHES = 5  # cells along
_DARK_CODE, _PALE_LIGHT = 12, 0.85
"""Well over what is clean black, and under what is clean white: beyond, noise turns no verdict."""


def _calm(sensor: Sensor, of_cells: Grid, grain: Grain | None) -> _Calm | None:
    """
    Return cells calmed; None where points are calm enough as they are, or nothing can be told.

    Dark ones go by none but others that are dark and not next to what is bright.
    """
    if grain is None or grain.points_are_calm:
        return None
    bright, least = _shown_ends(sensor, cv2.blur(of_cells, (3, 3)))
    limit = _DARK_CODE + grain.in_darks  # a mean of nine has a third of that noise, and the highest of nine is taken
    is_dark = cv2.dilate(_code_of(bright), np.ones((3, 3), np.uint8)) < limit

    def code_of(cells: int) -> Any:
        return _code_of(_shown_ends(sensor, mean_within(is_dark, of_cells, cells))[0])

    code, narrow = code_of(grain.calm_cells), min(grain.calm_cells, _IN_PATCHES)
    in_patches = code if narrow == grain.calm_cells else code_of(narrow)
    is_pale = least >= _PALE_LIGHT
    if is_pale.any():
        least = _shown_ends(sensor, mean_within(is_pale, of_cells, max(grain.calm_cells, _IN_PATCHES)))[1]
    return _Calm(code, in_patches, is_dark, least, is_pale)


def _shown_ends(sensor: Sensor, of_sensor: Any) -> tuple[Any, Any]:
    """Return the light of the brightest and the darkest channel as shown, of shares of saturation."""
    return _ends(_developed(sensor, _cut_at_white(sensor, of_sensor)))


def _where(cells: Any, code: Any, points: Any) -> Any:
    """Return points' codes, those in such cells their cell's."""
    size = points.shape[1::-1]
    inside, of_cell = (cv2.resize(each, size, interpolation=cv2.INTER_NEAREST) for each in (cells.view(np.uint8), code))
    return cv2.copyTo(of_cell, inside, points)


def _grain(sensor: Sensor, noise: Noise, side: int, whites: list[float]) -> Grain | None:
    """Return the noise of points, and of cells so many of them along; None where it can't be told."""
    if noise.read == _NO_LIGHT:
        return None
    of_channel = np.bincount([plane.channel for plane in sensor.planes], minlength=3)
    # A sensor without colours: its one channel stands for all.
    in_block = np.where(of_channel, of_channel, of_channel.max()).astype(np.float64)
    to_light = sensor.to_srgb @ np.diag(sensor.balance)
    plane = sensor.planes[0]
    rounding = _step_of(plane.samples) / (whites[0] - plane.black)
    return Grain(noise, to_light, _in_point(sensor, of_channel), in_block * side * side, rounding)


def _step_of(samples: NDArray[np.uint16]) -> int:
    """Return the step between values, more than one where fewer bits were shifted up; one sample in so many tells."""
    thin = max(1, int(np.sqrt(samples.size / 50_000)))
    filled = np.flatnonzero(np.bincount(np.ravel(samples[::thin, ::thin])))
    return int(np.gcd.reduce(np.diff(filled))) if len(filled) > 1 else 1


def _in_point(sensor: Sensor, of_channel: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return how many samples of each channel a point's level is the highest of; none where means stand for them."""
    return np.zeros(3) if sensor.period == (6, 6) else of_channel.astype(np.float64)


def _from(samples: NDArray[np.uint16], level: float) -> NDArray[np.uint8]:
    """Return 255 where a sample is at or over a level."""
    flags: Any = cv2.compare(samples, np.array([np.ceil(level)]), cv2.CMP_GE)
    return flags  # type: ignore[no-any-return]


def _either(flags: Sequence[NDArray[np.uint8]]) -> NDArray[np.uint8]:
    return reduce(lambda one, other: np.asarray(cv2.bitwise_or(one, other)), flags)


def _any_full(full: Sequence[NDArray[np.uint8]], period: tuple[int, int]) -> NDArray[np.uint8]:
    """Return the share of saturated points behind each of a plane's samples in 1/255: all or none, or quarters."""
    if period != (6, 6):
        return _either(full)
    # A 6 x 6 pattern has every colour in each of its 3 x 3 quarters: those are its points.
    quarters: list[list[NDArray[np.uint8]]] = [[], [], [], []]
    for place, flags in enumerate(full):
        quarters[place // 18 * 2 + place % 6 // 3].append(flags)
    shares: NDArray[np.uint8] = np.mean([_either(flags) for flags in quarters], axis=0).astype(np.uint8)
    return shares


def _shares(flagged: list[Sequence[NDArray[np.uint8]]], size: tuple[int, int], side: int) -> list[Grid]:
    """
    Return the shares of each cell's points that are flagged, each way; the last is flagged where any other is.

    Nobody needs to look beyond the rows and columns of those.
    """
    left, top, wide, high = cv2.boundingRect(flagged[-1][0][: size[1] * side, : size[0] * side])
    cells = slice(top // side, -(-(top + high) // side)), slice(left // side, -(-(left + wide) // side))
    rows, columns = (slice(part.start * side, part.stop * side) for part in cells)
    shares: list[Grid] = [np.zeros((size[1], size[0]), np.float32) for _ in flagged]
    for share, flags in zip(shares, flagged, strict=True):
        few = share[cells]
        if few.size:
            either = _either([each[rows, columns] for each in flags])
            few[...] = share_flagged(either, (few.shape[1], few.shape[0]))
    return shares


def _from_black(samples: NDArray[np.uint16], black: float, white: float) -> Grid:
    """Return samples as shares of saturation."""
    shares = samples.astype(np.float32)
    shares -= np.float32(black)
    shares *= np.float32(1 / (white - black))
    return shares


def _by_channel(sensor: Sensor, scaled: Sequence[Grid]) -> Grid:
    """Return shares of saturation, (rows, columns, 3), each channel its planes' mean."""
    found: list[list[Grid]] = [[], [], []]
    for plane, values in zip(sensor.planes, scaled, strict=True):
        found[plane.channel].append(values)
    means = [sum(planes[1:], planes[0]) / np.float32(len(planes)) if planes else None for planes in found]
    there = next(mean for mean in means if mean is not None)
    # A sensor without colours: its one channel stands for all.
    merged: Any = cv2.merge([mean if mean is not None else there for mean in means])
    return merged  # type: ignore[no-any-return]


def _cut_at_white(sensor: Sensor, light: Grid) -> Grid:
    """Return shares of saturation as they are shown; `Basis.cut_at_white` does it to light developed already."""
    most: Any = (*(1 / sensor.balance).tolist(), 0.0)
    cut: Any = cv2.min(light, most)
    return cut  # type: ignore[no-any-return]


def _developed(sensor: Sensor, light: Grid) -> Grid:
    """Return linear sRGB light, 1 where the least balanced channel is full: white balance and matrix, nothing else."""
    matrix = (sensor.to_srgb @ np.diag(sensor.balance)).astype(np.float32)
    developed: Any = cv2.transform(light, matrix)
    return developed  # type: ignore[no-any-return]


def _code_of(light: Any) -> NDArray[np.uint8]:
    """Return 8-bit sRGB codes."""
    steps: Any = np.clip(light, 0, 1)
    steps *= np.float32(_CODES)
    steps += np.float32(0.5)
    codes: NDArray[np.uint8] = _CODE_OF_LIGHT[steps.astype(np.uint16)]
    return codes


def _under_code(code: int) -> float:
    """Return the highest light whose `_code_of` is below a code."""
    first = int(np.searchsorted(_CODE_OF_LIGHT, code))
    return float(np.nextafter(np.float32((first - 0.5) / _CODES), np.float32(0)))


def _highest(sensor: Sensor, points: Sequence[Grid], light: Grid) -> Grid:
    """Return each point's highest sample, noise and all: the first to be full when more light falls."""
    if sensor.period == (6, 6):  # 36 samples are four points; the mean of each colour stands for them
        highest: Grid = brightest(light)
        return highest
    return reduce(lambda one, other: np.asarray(cv2.max(one, other)), points)


def _levels(highest: Grid, full: NDArray[np.uint8]) -> NDArray[np.uint16]:
    """Return the bin (see `EDGES`) of each point; the last is for saturated points."""
    root = np.maximum(highest, np.float32(0))
    np.sqrt(root, out=root)
    root *= np.float32(LEVELS - 1)
    level: NDArray[np.uint16] = np.minimum(root, np.float32(LEVELS - 2), out=root).astype(np.uint16)
    level[full > 0] = LEVELS - 1
    return level


def _noise(sensor: Sensor, whites: list[float], any_full: NDArray[np.uint8]) -> Noise:
    """
    Return the noise of one sample, fitted to the frame itself (EMVA 1288: photon transfer).

    Two samples of one colour side by side differ by noise alone where the picture is plain; of cells alike in light the
    quieter ones are taken to be plain.
    """
    alike = _two_alike(sensor, whites)
    if alike is None:
        return Noise(_NO_LIGHT, 0.0)
    box = 8
    single = len(sensor.planes) == 1
    full = _either([any_full[::2, ::2][: len(any_full) // 2], any_full[1::2, ::2]]) if single else any_full
    # Bands of so many rows, as many as make a thousand cells and more.
    bands = max(1, len(full) // box // 40)
    rows = np.concatenate(
        [np.arange(y, y + box) for y in range(0, len(full) - box + 1, box * bands)] or [np.zeros(1, int)]
    )
    one, other = (
        (samples[rows].astype(np.float32) - np.float32(black)) / np.float32(span) for samples, black, span in alike
    )
    size = one.shape[1] // box, one.shape[0] // box
    if min(size) < 4:
        return Noise(_NO_LIGHT, 0.0)
    apart, level = one - other, (one + other) / 2
    mean_apart, mean, square = (_shrunk(values, size) for values in (apart, level, apart * apart))
    sound = _shrunk(full[rows], size) == 0
    count = box * box  # a variance about its own mean has one degree of freedom less
    variance = np.maximum(square - mean_apart**2, 0) * np.float32(count / (count - 1) / 2)
    return _fit_noise(mean[sound], variance[sound], count - 1)


def _two_alike(sensor: Sensor, whites: list[float]) -> list[tuple[NDArray[np.uint16], float, float]] | None:
    """
    Return two grids of samples of one colour side by side, each with its black and span; None where there are none.

    Green has two planes on most sensors. A sensor without colours has one plane, whose rows are taken in turn. Colours
    that were interpolated have three, and what noise they had is smeared: it can't be told.
    """
    if len(sensor.planes) == 1:
        plane, span = sensor.planes[0], whites[0] - sensor.planes[0].black
        even = len(plane.samples) // 2 * 2
        return [(plane.samples[y:even:2, ::2], plane.black, span) for y in (0, 1)]
    same = [(p.samples, p.black, w - p.black) for p, w in zip(sensor.planes, whites, strict=True) if p.channel == 1]
    return same[:2] if len(same) >= 2 else None


def _fit_noise(mean: NDArray[np.float32], variance: NDArray[np.float32], freedom: int) -> Noise:
    """
    Fit read noise and gain to the quieter quarter of cells at each level.

    Levels are compared by what each cell has over what is fitted so far: cells of one level aren't equally bright.
    """
    if len(mean) < 200:
        return Noise(_NO_LIGHT, 0.0)
    order = np.argsort(mean)
    light, noise = np.maximum(mean[order], 0).astype(np.float64), variance[order].astype(np.float64)
    x = np.array([middle(part) for part in np.array_split(light, _NOISE_LEVELS)])
    # The lower quartile of a variance of so many samples (Wilson and Hilferty 1931).
    usual = (1 - 2 / (9 * freedom) - 0.6745 * np.sqrt(2 / (9 * freedom))) ** 3
    square, gain = 1.0, 0.0
    for _ in range(_NOISE_ROUNDS):
        over = np.array_split(noise / (square + gain * light), _NOISE_LEVELS)
        quieter = np.array([percentile(part, 25) for part in over])
        square, gain = _line(x, np.maximum((square + gain * x) * quieter / usual, 1e-12))
    return Noise(float(np.sqrt(square)), gain)


_NOISE_LEVELS = 24
_NOISE_ROUNDS = 4


def _line(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[float, float]:
    """Return read noise squared and gain of variances y at levels x."""
    square, gain = _LEAST_READ**2, 0.0
    for keep in (1.0, 1.5):  # levels that texture alone fills lie far above the line: leave them out and fit again
        terms = np.stack([np.ones_like(x), x], axis=1) / y[:, None]
        square, gain = np.maximum(np.linalg.lstsq(terms, np.ones_like(y), rcond=None)[0], 0).tolist()
        fits = y < keep * 2 * (square + gain * x) + 1e-12
        if fits.sum() < 4:
            break
        x, y = x[fits], y[fits]
    return max(square, _LEAST_READ**2), gain


def _shrunk(values: Any, size: tuple[int, int]) -> Any:
    if values.strides[-1] != values.itemsize:  # rows may lie apart, what is in them may not
        values = np.ascontiguousarray(values)
    return cv2.resize(values, size, interpolation=cv2.INTER_AREA)
