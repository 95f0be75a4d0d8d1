"""Two balls on a dark backdrop whose shading is known: Lambert's cosine, and the inverse square of the distance."""

from __future__ import annotations

from functools import cache

import numpy as np
from scenes import Scene

from lampblack.daemon.config import load_thresholds
from lampblack.rules.look import Look, look

THRESHOLDS = load_thresholds()
HEIGHT, WIDTH = 600, 900
BALLS = ((0.35, 0.55, 0.2), (0.6, 0.5, 0.22))
"""Middle across and down, and radius, in shares of the height from the left and the top of the middle."""

KEY = (-60.0, 25.0, 1.4)
FILL = (50.0, 10.0, 2.0)
"""Degrees round from the camera, to its right; degrees up; metres."""


@cache
def normals() -> tuple[np.ndarray, np.ndarray]:
    """Unit normals, right, up and toward the camera, of the balls' pixels; and which pixels are none of theirs."""
    y, x = np.mgrid[:HEIGHT, :WIDTH] / HEIGHT
    found = np.zeros((HEIGHT, WIDTH, 3))
    behind = np.ones((HEIGHT, WIDTH), bool)
    for across, down, radius in BALLS:
        right, up = (x - across * WIDTH / HEIGHT) / radius, (down - y) / radius
        inside = right**2 + up**2 < 1
        depth = np.sqrt(np.maximum(1 - right**2 - up**2, 0))
        found[inside] = np.stack([right, up, depth], -1)[inside]
        behind &= ~inside
    return found, behind


def lit(round_deg: float, up_deg: float, metres: float, colour: tuple[float, ...] = (1, 1, 1)) -> np.ndarray:
    surface, behind = normals()
    turn, rise = np.radians([round_deg, up_deg])
    toward = np.array([np.sin(turn) * np.cos(rise), np.sin(rise), np.cos(turn) * np.cos(rise)])
    light = 0.9 * np.maximum(surface @ toward, 0) / metres**2 + 2e-4
    return np.where(behind, 4e-4, light)[..., None] * np.array(colour)


def seen(light: np.ndarray, f_number: float) -> Look:
    texture = np.exp(0.1 * np.random.default_rng(2).normal(size=light.shape[:2]))[..., None]
    return look(Scene(light * texture, normals()[1]).shot(f_number), THRESHOLDS)
