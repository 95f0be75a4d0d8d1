"""
The light of a setup, merged from its frames.

Frames of one setup differ in exposure only, so that each tells of the same light: what clipped in one is known
from another. Source of the idea: Debevec and Malik, "Recovering High Dynamic Range Radiance Maps", 1997.

A raw frame and a JPEG stand on different footings: white is the sensor's in the one and the camera's curve's in the
other, a stop apart or more. Each has a light of its own here; neither is merged into the other.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lampblack.rules.cells import brightest, half, single
from lampblack.rules.distribution import middle
from lampblack.rules.grain import Grain
from lampblack.rules.outline import light_per_code_at
from lampblack.rules.response import PRIOR, Response
from lampblack.rules.steadiness import Tiles
from lampblack.rules.wells import NO_WELLS, Full, Wells, rescale

Grid = NDArray[np.float32]

# A cell with one clipped pixel in fifty has a mean that is too low by less than a tenth of a stop.
CLIPPED_TOO_MUCH = 0.02
_COARSE = 4  # cells, each way, in one of a `Past`: noise and a hair's shift are gone, a card's edge is not
_FINE = 16384  # steps of the root of light
_SAME_EXPOSURE = 1 / 6  # stops: of two frames nearer than this the newer tells all that the older did
_MOST_PAST = 24  # exposures, each some forty kilobytes: eight stops in thirds


@dataclass(frozen=True, eq=False)
class Past:
    """
    One frame, small, for comparing a later one with it.

    bright: (rows, columns) float16 the brightest channel's light, 1 at white, as the file's codes read in sRGB.
    clipped: (rows, columns) bool, too many pixels at white for `bright` to be more than a lower bound. backdrop:
    (rows, columns) bool, all backdrop.
    """

    stops: float
    bright: NDArray[np.float16]
    clipped: NDArray[np.bool_]
    backdrop: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Merged:
    """
    The light of frames of one kind.

    light: (rows, columns, 3), in units of the white level of a frame exposed `stops` (`Exposure.stops`).

    weight: (rows, columns, 1), what was measured there is worth (`_worth`); 0 where every frame so far clipped. Both
    float16: they travel between processes, and three digits of light are a thousandth of a stop.
    """

    light: NDArray[np.float16]
    weight: NDArray[np.float16]
    stops: float
    most_stops: float
    """Exposure of the most exposed frame: it shows the darks best."""
    least_stops: float
    """Exposure of the darkest frame."""
    read_at: float
    """Exposure of the frame in whose codes the light is (see `_read_as`)."""
    shown_at: NDArray[np.float16]
    """(rows, columns) exposure of the most exposed frame that shows a cell unclipped; minus infinity where all clip."""
    past: tuple[Past, ...] = ()
    """The frames themselves, one of each exposure, the newest last."""

    def at(self, stops: float) -> Grid:
        """Return the light as a frame of that exposure would meet it, values over 1 unclipped."""
        brought = single(self.light)
        brought *= np.float32(2 ** (stops - self.stops))
        return brought

    def linear(self, stops: float, response: Response) -> Grid:
        """Return the same, read by a camera's own tone response instead of sRGB: light that mixes as light does."""
        light = self.at(self.read_at)
        bright = np.maximum(brightest(light), np.float32(1e-6))
        # By a table: cell by cell `read` takes ten times as long.
        table = response.read((np.arange(_FINE + 1) / _FINE) ** 2).astype(np.float32)
        roots = (np.minimum(np.sqrt(bright), 1) * np.float32(_FINE)).astype(np.uint16)
        times = np.where(bright < 1, table.take(roots) / bright, np.float32(1))
        times *= np.float32(2 ** (stops - self.read_at))
        linear: Grid = _times(light, times)
        return linear

    def noise(self, grain: Grain, light: Grid) -> Grid:
        """
        Return the noise of the light, (rows, columns, 3), its standard deviation.

        Where the most exposed frame clips, or nearly, a darker one tells, of less light; brought to this exposure its
        noise is as many times as much as what was measured there is worth less than that light is. What the darkest
        frame tells next to its white is worth what it is, however little it weighs beside others: there are none.
        light: the same `at` the most exposed frame's exposure.
        """
        of_darkest = _worth(light * np.float32(2 ** (self.least_stops - self.most_stops)))
        told = np.maximum(single(self.weight), of_darkest)
        times = np.sqrt(np.maximum(_worth(light) / told, 1))
        return np.asarray(_times(grain.of(light), times), np.float32)

    def rounding(self, light: Grid) -> Grid | None:
        """
        Return how coarsely light is told, (rows, columns): what one code of the frame that shows it best is, in codes.

        Where the most exposed frame clips, a darker one's step from code to code is that of several; None where no cell
        is told by any but that. light: the same `at` the most exposed frame's exposure.
        """
        less = single(self.shown_at) - np.float32(self.most_stops)
        darker = np.isfinite(less) & (less < -_SAME_EXPOSURE)
        if not darker.any():
            return None
        bright, less = brightest(light)[darker], np.exp2(less[darker])
        found: Grid = np.ones(darker.shape, np.float32)
        found[darker] = np.maximum(light_per_code_at(bright * less) / less / light_per_code_at(bright), 1)
        return found


@dataclass(frozen=True, eq=False)
class Radiance:
    """What is known of a setup's light: from its JPEGs (or TIFFs), from its raw frames; and how its codes are read."""

    coded: Merged | None = None
    raw: Merged | None = None
    response: Response = PRIOR
    tiles: tuple[Tiles, ...] = ()
    """Of the setup's first frame of each kind: what later ones are held against, whatever the light."""
    shift: tuple[float, float] = (0.0, 0.0)
    """Where the picture of the frames merged here lies against the first one's, in pixels."""
    full: Full | None = None
    """By what the white of `raw` was reckoned."""
    wells: Wells = NO_WELLS
    """What is known of where cameras are full."""

    def of(self, raw: bool) -> Merged | None:
        """Return what frames of one kind have shown."""
        return self.raw if raw else self.coded

    def having(self, raw: bool, merged: Merged) -> Radiance:
        """Return the same with what frames of one kind have shown replaced."""
        return replace(self, raw=merged) if raw else replace(self, coded=merged)

    def on_scale(self, full: Full | None) -> Radiance:
        """Return the same, its raw light in units of the white that another frame goes by."""
        factor = rescale(self.full, full)
        if self.raw is None or factor == 1:
            return self
        return replace(self, raw=_in_units(self.raw, np.float32(factor)), full=full)


def _in_units(merged: Merged, factor: np.float32) -> Merged:
    """Return the same light multiplied by a factor."""
    most = np.float32(np.finfo(np.float16).max)

    def brought(light: NDArray[np.float16]) -> NDArray[np.float16]:
        return half(np.minimum(single(light) * factor, most))

    past = tuple(replace(one, bright=brought(one.bright)) for one in merged.past)
    return replace(merged, light=brought(merged.light), past=past)


def merge(
    known: Merged | None, light: NDArray[Any], clipped: NDArray[Any], stops: float, *, raw: bool = False
) -> Merged:
    """
    Return what is known after one more frame.

    Args:
        known: what was known, or None; a frame of another size starts anew.
        light: (rows, columns, 3) the frame's cells, 1 at white.
        clipped: (rows, columns) share of each cell's pixels at the white level.
        stops: the frame's exposure (`Exposure.stops`).
        raw: it is linear, so that no curve stands between it and the others.
    """
    light = np.asarray(light, np.float32)
    sound = np.asarray(clipped) < CLIPPED_TOO_MUCH
    # Toward white less and less, so that a lens or a curve that is not what it is taken for leaves no seam.
    fading: Grid = np.clip((1 - brightest(light)) * np.float32(2.5), np.float32(0.01), 1)
    worth = _worth(light)
    if known is None or known.light.shape != light.shape:
        first = half(sound * fading * worth)[..., None]
        return Merged(half(light), first, stops, stops, stops, stops, _shown(sound, stops))
    before, had = known.at(stops), known.weight[..., 0] > 0
    if known.most_stops > stops:
        # Its own light is noise where there is little: what brighter frames say of it tells its worth better.
        worth = np.where(had & (_mean(light) < _NOISY), _worth(before), worth)
    weight = np.asarray(sound * fading * worth, np.float32)
    read_at = known.read_at
    if not raw and stops < read_at - _SAME_EXPOSURE:
        before = _read_as(before, had, light, sound)
        read_at = stops
    elif not raw:
        light = _read_as(light, sound, before, had)
    old: Grid = single(known.weight)
    if raw and known.most_stops < stops:
        # As many stops less of what is seen now: a dark frame's noise, where it is bright, weighs as if it were light.
        dark = sound & (_mean(light) < _NOISY)
        np.minimum(old, _worth(light * np.float32(2 ** (known.most_stops - stops))), out=old, where=dark)
    total = np.asarray(old + weight, np.float32)
    mixed: Any = _by_each(cv2.add(_times(before, old), _times(light, weight)), np.maximum(total, 1e-9))
    nowhere = total <= 0
    if nowhere.any():
        # Clipped in all: the most that any frame could say. Not channel by channel, or colours of two frames would mix.
        more = _mean(before) > _mean(light)
        for most, where in ((before, nowhere & more), (light, nowhere & ~more)):
            cv2.copyTo(most, where.view(np.uint8), mixed)
    mixed = np.minimum(mixed, np.finfo(np.float16).max)
    most_stops, least_stops = max(known.most_stops, stops), min(known.least_stops, stops)
    shown = np.maximum(known.shown_at, _shown(sound, stops))
    return Merged(half(mixed), half(total)[..., None], stops, most_stops, least_stops, read_at, shown, known.past)


def _shown(sound: NDArray[np.bool_], stops: float) -> NDArray[np.float16]:
    """Return the exposure of a frame where it shows a cell (see `Merged.shown_at`)."""
    shown = np.full(sound.shape, stops, np.float16)
    shown[~sound] = -np.inf
    return shown


def _worth(light: Grid) -> Grid:
    """
    Return what a cell is worth for a mean over frames, (rows, columns): the inverse of its variance, times its light.

    A stop more light is worth twice as much, and four times as much in the darks, where read noise or rounding rules
    (EMVA 1288). Never nothing: that is for what is clipped.
    """
    mean = np.maximum(_mean(light), 0)
    return np.asarray(mean * mean / (mean + np.float32(_READ_RULES)) + np.float32(1e-7), np.float32)


_NOISY = 0.01  # share of white
_READ_RULES = 2e-4
"""Share of white where shot noise is as large as read noise: 3 electrons in a well of 50,000."""


def _times(light: Grid, factor: Grid) -> Any:
    """Return (rows, columns, 3) light times what (rows, columns) has for each cell; numpy takes many times as long."""
    return cv2.multiply(light, cv2.merge([factor] * 3))


def _by_each(light: Any, divisor: Grid) -> Any:
    return cv2.divide(light, cv2.merge([divisor] * 3))


_LEVELS = np.concatenate(
    [np.arange(-7, -0.5, 0.5), -0.5 * 2.0 ** -np.arange(0, 5, 0.5), np.arange(0, 5.5, 0.5)], dtype=np.float32
)
"""
Stops over white: edges of the levels at which two frames are brought together.

Half a stop each, finer next to white: a curve that grows flat there leaves a stop of light within a few codes.
"""
_LEAST_CELLS = 60
_MOST_BENT = 2.0  # stops


def _read_as(one: Grid, sound: NDArray[np.bool_], other: Grid, known: NDArray[np.bool_]) -> Grid:
    """
    Return light as the codes of a less exposed frame have it.

    A tone curve that isn't known reads two exposures of one scene differently, the more so toward white. Laid over each
    other as they are, they would leave a seam where the brighter one clips; and seams look like the edges of things.

    Args:
        one: (rows, columns, 3) the light.
        sound: (rows, columns) where it didn't clip.
        other: that of the less exposed frame, on the same footing.
        known: where that didn't clip.
    """
    every = (slice(None, None, 3), slice(None, None, 3))
    here, there = (np.log2(np.maximum(brightest(grid[every]), np.float32(1e-4))) for grid in (one, other))
    sound, known = sound[every], known[every]
    here, there, known = here[sound], there[sound], known[sound]
    at = np.digitize(here, _LEVELS)
    order = np.argsort(at, kind="stable")
    here, apart, known = here[order], (there - here)[order], known[order]
    bounds = np.searchsorted(at[order], np.arange(1, len(_LEVELS) + 1))
    levels, moves = [], []
    for first, last in _joined(bounds):
        # Where part of a level clips in the other, the rest of it is the part that noise made darker.
        if known[first:last].mean() > 0.95:
            levels.append(float(here[first:last].mean()))
            moves.append(middle(apart[first:last]))
    if not levels:
        return one
    bent = np.maximum.accumulate(np.clip(moves, -_MOST_BENT, _MOST_BENT) + levels) - levels
    stops = np.log2(np.maximum(brightest(one), np.float32(1e-6)))
    read: Any = _times(one, np.exp2(np.interp(stops, levels, bent)).astype(np.float32))
    return read  # type: ignore[no-any-return]


def _joined(bounds: NDArray[np.intp]) -> list[tuple[int, int]]:
    """
    Return from where to where cells of a level lie, rising; from the brightest down levels are joined until they tell.

    bounds: where each level begins, and the last one ends.
    """
    parts: list[tuple[int, int]] = []
    last = int(bounds[-1])
    for first in bounds[-2::-1].tolist():
        if last - first >= _LEAST_CELLS:
            parts.append((first, last))
            last = first
    return parts[::-1]


def _mean(light: Grid) -> Grid:
    """Return the mean of the channels, (rows, columns); several times faster than numpy's."""
    mean: Any = cv2.transform(light, np.full((1, 3), 1 / 3, np.float32))
    return mean  # type: ignore[no-any-return]


def past_of(light: NDArray[Any], clipped: NDArray[Any], backdrop: NDArray[np.bool_] | None, stops: float) -> Past:
    """Return a frame's cells (as for `merge`; backdrop: (rows, columns)) as a small picture."""
    size = max(1, light.shape[1] // _COARSE), max(1, light.shape[0] // _COARSE)
    bright = _small(brightest(np.asarray(light, np.float32)), size)
    past = Past(stops, half(bright), _small(clipped, size) >= CLIPPED_TOO_MUCH, np.zeros(bright.shape, bool))
    return past if backdrop is None else before_backdrop(past, backdrop)


def before_backdrop(past: Past, backdrop: NDArray[np.bool_]) -> Past:
    """Return the same frame, now that its backdrop, (rows, columns) of its cells, is known."""
    rows, columns = past.bright.shape
    return replace(past, backdrop=_small(backdrop, (columns, rows)) > 0.99)


def _small(grid: NDArray[Any], size: tuple[int, int]) -> Any:
    return cv2.resize(np.asarray(grid, np.float32), size, interpolation=cv2.INTER_AREA)


def remembering(merged: Merged, frame: Past) -> Merged:
    """Return the same with a frame among its past."""
    others = [
        one
        for one in merged.past
        if abs(one.stops - frame.stops) >= _SAME_EXPOSURE and one.bright.shape == frame.bright.shape
    ]
    return replace(merged, past=(*others[1 - _MOST_PAST :], frame))


def alone(light: NDArray[Any], clipped: NDArray[Any], backdrop: NDArray[np.bool_], stops: float) -> Merged:
    """Return what one frame shows, nothing before it believed; see `merge` and `past_of`."""
    return remembering(merge(None, light, clipped, stops), past_of(light, clipped, backdrop, stops))
