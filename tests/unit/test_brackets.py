"""
However wide a bracket is, and in whatever order it was shot: a later frame finds the backdrop as well as those before.

Drawn scenes whose backdrop is known cell by cell; JPEGs of four tone curves, raw with shot and read noise (EMVA 1288).
What one frame shows well another has burnt out, drowned in noise or rounded away, and none of it may spoil the rest.
"""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from numpy.typing import NDArray
from scenes import overlap, sensor
from tone_scenes import CURVES

from lampblack.daemon.config import load_thresholds
from lampblack.rules.exposure import Exposure
from lampblack.rules.frame import Picture, Sensor, Shot
from lampblack.rules.look import look
from lampblack.rules.shoot import judge, new_setup

THRESHOLDS = load_thresholds()
HEIGHT, WIDTH = 400, 600
Light = NDArray[np.float64]

ROWS, COLUMNS = (np.mgrid[0:HEIGHT, 0:WIDTH] + 0.5) / np.array([HEIGHT, WIDTH])[:, None, None]
THING = np.clip(90.5 - np.hypot((COLUMNS - 0.5) * WIDTH, (ROWS - 0.5) * HEIGHT), 0, 1)
TEXTURE = 1 + 0.25 * np.sin(COLUMNS * WIDTH / 9) * np.sin(ROWS * HEIGHT / 13)
FALL = np.exp2(-1.2 * ((COLUMNS - 0.5) ** 2 + (ROWS - 0.5) ** 2))
SCENES = {
    "white": (1.6 * FALL, 0.3 * TEXTURE),
    "grey": (0.25 * FALL, 0.5 * TEXTURE),
    "black": (0.002 * FALL * (0.2 + COLUMNS), 0.45 * TEXTURE),
}
"""Light of the backdrop and of the thing before it, 1 at white, at 0 stops."""

WIDE = (-6, 0)
OTHERS = [
    *permutations((0, -2, -4)),
    (0, -6),
    (-3, 2),
    (-3, 0),
    (0, -3),
    (-5, 0),
    (0, -5),
    (-7, 0),
    (0, -7),
    (2, -3),
    (-4, 1),
]


def frame(light: Light, shot: Shot, kind: str | int, seed: int) -> Picture | Sensor:
    """Return a JPEG of a tone curve, or what a sensor holds at a speed."""
    if isinstance(kind, int):
        return sensor(light, shot, electrons=60_000 * 100 / kind, read=3, seed=seed)
    noisy = np.clip(light * (1 + np.random.default_rng(seed).normal(0, 0.01, light.shape)), 0, 1)
    return Picture("jpeg", np.rint(255 * CURVES[kind](noisy)).astype(np.uint8)[..., None].repeat(3, axis=2), shot)


@pytest.mark.parametrize("order", [WIDE, *(pytest.param(one, marks=pytest.mark.slow) for one in OTHERS)], ids=str)
@pytest.mark.parametrize("kind", ["srgb", "standard", "soft s", "shoulder", 100, 1600])
@pytest.mark.parametrize("tone", SCENES)
def test_a_later_frame_finds_the_backdrop_as_well(tone: str, kind: str | int, order: tuple[int, ...]) -> None:
    behind, before = SCENES[tone]
    light, setup, found = behind * (1 - THING) + before * THING, new_setup(1), []
    for number, stops in enumerate(order):
        shot = Shot(Exposure.of(8.0, 2.0**stops / 60, 100))
        met = light * 2.0**stops
        picture = frame(met, shot, kind, number)
        seen = look(picture, THRESHOLDS, setup.known)
        setup, _ = judge(setup, seen, THRESHOLDS, file="x", frame=number + 1)
        found.append(overlap(seen.backdrop, THING < 0.5))
    assert found[-1] > max(found) - 0.01
    assert found[-1] > 0.97
