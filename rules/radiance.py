"""
The light of a setup, merged from its frames.

Frames of one setup differ in exposure only, so that each tells of the same light: what clipped in one is known
from another. Source of the idea: Debevec and Malik, "Recovering High Dynamic Range Radiance Maps", 1997.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Grid = NDArray[np.float32]

# A cell with one clipped pixel in fifty has a mean that is too low by less than a tenth of a stop.
_CLIPPED_TOO_MUCH = 0.02


@dataclass(frozen=True, eq=False)
class Radiance:
    """
    light: (rows, columns, 3), in units of the white level of a frame exposed `stops` (`Exposure.stops`).

    weight: (rows, columns, 1), how much light it was measured with; 0 where every frame so far clipped. Both float16:
    they travel between processes, and three digits of light are a thousandth of a stop.
    """

    light: NDArray[np.float16]
    weight: NDArray[np.float16]
    stops: float
    most_stops: float
    """Exposure of the most exposed frame: it shows the darks best."""

    def at(self, stops: float) -> Grid:
        """Return the light as a frame of that exposure would meet it, values over 1 unclipped."""
        brought: Grid = self.light.astype(np.float32) * np.float32(2 ** (stops - self.stops))
        return brought


def merge(known: Radiance | None, light: NDArray[Any], clipped: NDArray[Any], stops: float) -> Radiance:
    """
    Return what is known after one more frame.

    Args:
        known: what was known, or None; a frame of another size starts anew.
        light: (rows, columns, 3) the frame's cells, 1 at white.
        clipped: (rows, columns) share of each cell's pixels at the white level.
        stops: the frame's exposure (`Exposure.stops`).
    """
    light = np.asarray(light, np.float32)
    # The more light fell on the sensor, the less noise and rounding: weight by it, none for the clipped.
    sound = (np.asarray(clipped)[..., None] < _CLIPPED_TOO_MUCH).astype(np.float32)
    # Toward white less and less, so that a lens or a curve that is not what it is taken for leaves no seam.
    fading = np.clip((1 - light.max(axis=2, keepdims=True)) * np.float32(2.5), np.float32(0.01), 1)
    weight = sound * fading * (light.mean(axis=2, keepdims=True) + np.float32(1e-4))
    if known is None or known.light.shape != light.shape:
        return Radiance(light.astype(np.float16), weight.astype(np.float16), stops, stops)
    # An exposure of its own scale: a stop more light is worth as much more.
    before = known.at(stops)
    old = known.weight.astype(np.float32)
    total = old + weight
    mixed = (before * old + light * weight) / np.maximum(total, 1e-9)
    # Clipped in all: the most that any frame could say. Not channel by channel, or colours of two frames would mix.
    most = np.where(before.mean(axis=2, keepdims=True) > light.mean(axis=2, keepdims=True), before, light)
    mixed = np.where(total > 0, mixed, most)
    mixed = np.minimum(mixed, np.finfo(np.float16).max)
    return Radiance(mixed.astype(np.float16), total.astype(np.float16), stops, max(known.most_stops, stops))
