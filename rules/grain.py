"""
Noise, and what it does to counts of what clips.

Source of the noise model: EMVA Standard 1288, photon transfer: variance = read noise squared + gain x mean.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Grid = NDArray[np.float32]

_FAR = 5.0  # standard deviations from white, where noise decides nothing
_FEW = 3
"""Each way, one cell in so many tells enough of noise."""
_CODES_OF_DARK_LIGHT = 12.92 * 255  # IEC 61966-2-1, next to black
_CALM_CODES = 0.4  # a third of a stop at code 5, where black is clean or not, is one code
_WIDEST_CALM = 11  # cells along: as many as the smallest patch that spoils clean black in a picture of 600
_CALM_SAMPLES = 8
"""A mean over so many samples each way, and some more, has an eighth of their noise."""


@dataclass(frozen=True)
class Noise:
    """Of one sensor sample, in shares of saturation: variance = read**2 + gain * mean."""

    read: float
    gain: float

    @property
    def floor(self) -> float:
        """Return the light at which signal and noise are equal."""
        return float(self.gain / 2 + np.sqrt(self.gain**2 / 4 + self.read**2))

    def times(self, factor: float) -> Noise:
        """Return the same in units in which all light is so many times as much."""
        return Noise(self.read * factor, self.gain * factor)

    def deviation(self, level: Any) -> Any:
        """Return the standard deviation at a level, a share of saturation."""
        return np.sqrt(np.float32(self.read**2) + np.float32(self.gain) * np.maximum(level, np.float32(0)))


@dataclass(frozen=True, eq=False)
class Grain:
    """
    Noise of points and of cells.

    noise: that of one sample. to_light: (3, 3) from channels to linear sRGB. in_point, in_cell: (3,) how many samples
    of each channel a point (see `raw`) and a cell have. rounding: the step from one value that samples can have to the
    next, a share of saturation.
    """

    noise: Noise
    to_light: NDArray[np.float64]
    in_point: NDArray[np.float64]
    in_cell: NDArray[np.float64]
    rounding: float = 0.0

    @property
    def points_are_calm(self) -> bool:
        """Say whether noise makes no difference to what is clean, black or white, where nothing is averaged."""
        return self.in_darks * math.sqrt(float(self.in_cell.max())) <= _CALM_CODES

    @property
    def calm_cells(self) -> int:
        """Return over how many cells along, an odd number, the dark is calm; or nearly so, where that is too far."""
        return min(2 * math.ceil(max(self.in_darks / _CALM_CODES - 1, 0) / 2) + 1, _WIDEST_CALM)

    @property
    def in_darks(self) -> float:
        """Return the standard deviation of a cell without light, in the noisiest channel, in sRGB codes."""
        variance = (self.noise.read**2 + self.rounding**2 / 12) / self.in_cell
        return float(np.sqrt((self.to_light**2 @ variance).max())) * _CODES_OF_DARK_LIGHT

    def of(self, light: Grid) -> Grid:
        """Return the standard deviation of cells' (rows, columns, 3) light, 1 at white."""
        # It changes as light does, slowly but for edges: there one cell in nine tells enough.
        some: Any = cv2.blur(light, (3, 3))[1::3, 1::3]
        # Samples are rounded: of few a cell, medians go up and down by as much as one of them does.
        variance = self.noise.deviation(self._of_sensor(some)) ** 2 / self.in_cell + (self.rounding / self.in_cell) ** 2
        mixed = cv2.transform(variance.astype(np.float32), (self.to_light**2).astype(np.float32))
        wide: Any = cv2.resize(cv2.sqrt(mixed), light.shape[1::-1], interpolation=cv2.INTER_LINEAR)
        return wide  # type: ignore[no-any-return]

    def levels(self, light: Grid) -> Levels:
        """Return the levels of cells, as many as there are points behind each, of their (n, 3) light."""
        levels = self._of_sensor(light[:, None])[:, 0]
        highest = levels.max(axis=1)
        order = np.argsort(highest)
        return Levels(self.noise, self.in_point, np.ascontiguousarray(levels[order].T), highest[order])

    def _of_sensor(self, light: Grid) -> Grid:
        """Return the sensor's channels, shares of saturation, of (rows, columns, 3) light."""
        mixed: Any = cv2.transform(light, np.linalg.inv(self.to_light).astype(np.float32))
        levels: Grid = np.maximum(mixed, np.float32(0))
        return levels


@dataclass(frozen=True, eq=False)
class Sparse:
    """A frame's noise, and the light of some of its cells, (rows, columns, 3)."""

    grain: Grain
    light: NDArray[np.float16]

    @classmethod
    def of(cls, grain: Grain, light: Grid) -> Sparse:
        """Keep some of all cells' light, smoothed until it is calm: else noise would count for light here as well."""
        wide = 1 + 2 * math.ceil(_CALM_SAMPLES / 2 / math.sqrt(grain.in_cell.min()))
        return cls(grain, cv2.blur(light, (wide, wide))[::_FEW, ::_FEW].astype(np.float16))

    def times(self, factor: float) -> Sparse:
        """Return the same in units of another white."""
        return Sparse(replace(self.grain, noise=self.grain.noise.times(factor)), self.light * np.float16(factor))

    def levels(self, where: NDArray[np.bool_]) -> Levels | None:
        """Return the levels of those kept where a mask of all cells says; None where all of a small thing fell out."""
        light = self.light[where[::_FEW, ::_FEW]].astype(np.float32)
        return self.grain.levels(light) if len(light) else None


@dataclass(frozen=True, eq=False)
class Levels:
    """
    What points with noise lie about: the levels of cells, shares of saturation.

    in_point: see `Grain`. levels: (3, n) of each channel. highest: (n,) the highest channel's, rising.
    """

    noise: Noise
    in_point: NDArray[np.float64]
    levels: Grid
    highest: Grid

    def more_over(self, white: float) -> float:
        """
        Return how many more of the points will clip once `white` is where the sensor is full than lie over it here.

        Noise throws points over white: in a dark frame farther, for its light, than where that light fills the sensor.
        So a dark frame has more points over some light than will clip.

        Args:
            white: share of saturation, 0 to 1.

        Returns:
            A share of all points, mostly negative.
        """
        then = self.noise.times(white)
        far = _FAR * self.noise.deviation(white)
        first, last = np.searchsorted(self.highest, [white - far, white + far])
        near = self.levels[:, first:last]
        shown, to_come = (self._share_over(near, white, noise) for noise in (self.noise, then))
        return float((to_come - shown).sum() / max(len(self.highest), 1))

    def _share_over(self, levels: Grid, white: float, noise: Noise) -> Any:
        from scipy.special import ndtr  # a fifth of a second, which no frame but a raw one should have to wait for

        under: Any = np.float32(1)
        for level, samples in zip(levels, self.in_point.astype(int).tolist(), strict=True):
            under = under * ndtr((np.float32(white) - level) / noise.deviation(level)) ** samples
        return 1 - under
