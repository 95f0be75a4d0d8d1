"""
Made-up pictures whose content is known exactly: linear light in, a picture and its truth out.

They are drawn with formulas, and share no code with what measures them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lampblack.rules.exposure import Exposure
from lampblack.rules.frame import Picture, Plane, Sensor, Shot


@dataclass(frozen=True, eq=False)
class Scene:
    """light: (h, w, 3) linear, white at 1 for an exposure of f/5.6; backdrop: (h, w) its true place."""

    light: NDArray[np.float64]
    backdrop: NDArray[np.bool_]

    def shot(self, f_number: float, *, noise: float = 1.0, seed: int = 0, shutter_s: float = 1 / 60) -> Picture:
        """Return the frame at an aperture: f/5.6 and 1/60 leave the light as it is."""
        exposure = Exposure.of(f_number, shutter_s, 200)
        assert exposure.av is not None
        assert exposure.tv is not None
        light = self.light * 2.0 ** (5 - exposure.av + 6 - exposure.tv)
        return Picture("jpeg", encode(light, noise=noise, seed=seed), Shot(exposure))


def encode(light: NDArray[np.float64], *, noise: float = 1.0, seed: int = 0) -> NDArray[np.uint8]:
    """Return sRGB codes (IEC 61966-2-1, written out here) of linear light with shot and read noise."""
    rng = np.random.default_rng(seed)
    noisy = light + noise * rng.normal(size=light.shape) * np.sqrt(np.maximum(light, 0) * 4e-5 + 1e-8)
    x = np.clip(noisy, 0, 1)
    coded = np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 1e-9) ** (1 / 2.4) - 0.055)
    return np.rint(coded * 255).astype(np.uint8)


BACKDROPS = {"black": 0.0006, "grey": 0.15, "white": 0.85}


def sensor(
    light: NDArray[np.float64],
    shot: Shot,
    *,
    electrons: float,
    read: float,
    seed: int = 0,
    step: int = 1,
    colour: tuple[float, float, float] = (1.0, 1.0, 1.0),
    to_srgb: NDArray[np.float64] | None = None,
) -> Sensor:
    """
    Return what a sensor of (h, w) cells of four points holds of a colourless light, 1 where it is full.

    With shot and read noise (EMVA 1288), in 14 bits, rounded to so many levels. colour: how much of such a light each
    channel takes in; balance lifts it to 1. to_srgb: see `Sensor`.
    """
    rng = np.random.default_rng(seed)
    light = np.kron(light, np.ones((2, 2)))
    planes = []
    for channel in (0, 1, 1, 2):
        taken = light * colour[channel] * electrons
        wells = np.minimum(rng.poisson(taken) + read * rng.normal(size=light.shape), electrons)
        levels = step * np.rint((600 + wells * (15_000 / electrons)) / step)
        samples = np.clip(levels, 0, 16_383).astype(np.uint16)
        planes.append(Plane(samples, channel, 600, 15_600))
    height, width = light.shape
    matrix = np.eye(3) if to_srgb is None else to_srgb
    return Sensor(tuple(planes), 2 * width, 2 * height, (2, 2), 1 / np.array(colour), matrix, shot)


def overlap(one: NDArray[np.bool_], other: NDArray[np.bool_]) -> float:
    """Return the intersection of two masks over their union."""
    return float((one & other).sum() / (one | other).sum())


def vessel(
    tone: str = "black",
    *,
    spill: float = 0.0,
    side: str = "right",
    glint: bool = False,
    shade: float = 1.0,
    height: int = 600,
    width: int = 900,
) -> Scene:
    """
    A round vessel on a dark table before a plain backdrop.

    spill: light added to the backdrop at its brightest place, on `side`. glint: a lamp's small reflection, ten times
    white. shade: factor on the vessel's light.
    """
    y, x = np.mgrid[0:height, 0:width]
    u, v = (x + 0.5) / width * 2 - 1, (y + 0.5) / height * 2 - 1
    inside = (u / 0.38) ** 2 + ((v - 0.15) / 0.72) ** 2
    body = inside < 1
    rounded = np.sqrt(np.clip(1 - inside, 0, 1))
    grain = 1 + 0.12 * np.sin(x / 7.0) * np.sin(y / 11.0)
    lit = shade * 0.3 * (0.25 + np.clip(0.4 * rounded - 1.2 * u, 0, None)) * grain
    along = {"right": u, "left": -u, "top": -v, "bottom": v}[side]
    behind = BACKDROPS[tone] * (1 - 0.08 * u**2) + spill * np.clip((along + 0.2) / 1.2, 0, None) ** 2
    table = v > 0.72
    light = np.where(body, lit, np.where(table, 0.045 * (1 + 0.2 * np.sin(x / 3.0)), behind))
    rgb = light[..., None] * np.where(body[..., None], [1.08, 1.0, 0.8], 1.0)
    if glint:
        rgb[(u + 0.12) ** 2 + (v + 0.1) ** 2 < 0.012**2] = 10.0
    return Scene(rgb, ~(body | table))
