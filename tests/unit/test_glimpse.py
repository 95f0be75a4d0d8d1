"""A lamp switched, told from small live pictures: lamps drawn on a ball and a backdrop, noise, people walking by."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from lampblack.daemon.config import load_thresholds
from lampblack.rules.glimpse import CELLS, Switch, changed, glimpse_of
from lampblack.rules.tone import linear_to_srgb

Floats = Any
THRESHOLDS = load_thresholds()


def lamp(x: float, backdrop: float = 0.02) -> Floats:
    """A ball lit from a side (x from -1 to 1) before a backdrop that the same lamp spills on."""
    rows, columns = np.mgrid[-1:1:160j, -1.5:1.5:240j]
    inside = rows**2 + columns**2 < 0.7
    depth = np.sqrt(np.maximum(0.7 - rows**2 - columns**2, 0))
    lit = np.maximum(0, (columns * x + depth * (1 - abs(x))) / 0.84)
    return np.where(inside, 0.6 * lit, backdrop * (1 + x * columns / 1.5))


def picture(light: Floats, seed: int, gain: float = 1.0) -> Any:
    """What a live view makes of it: brightened as it likes, noisy."""
    noisy = gain * light + np.random.default_rng(seed).normal(0, 0.004, light.shape)
    return glimpse_of((255 * linear_to_srgb(np.repeat(noisy[..., None], 3, axis=2))).astype(np.uint8))


def walked_through(light: Floats, at: int) -> Floats:
    hidden = light.copy()
    hidden[20:, at : at + 60] = 0.05
    return hidden


def seconds_until_told(lights: list[Floats], gains: list[float] | None = None) -> float | None:
    """Look twice a second; return when a switch is told, None: never."""
    switch = Switch(picture(lights[0], 1), THRESHOLDS)
    for k, light in enumerate(lights):
        if switch.seen(picture(light, k + 2, gains[k] if gains else 1.0), 0.5 * k):
            return 0.5 * k
    return None


KEY, FILL = lamp(-0.8), 0.4 * lamp(0.5)
NONE = 0 * KEY


@pytest.mark.parametrize(
    ("before", "after"),
    [(KEY, FILL), (FILL, KEY), (KEY + FILL, KEY), (KEY + FILL, FILL), (KEY, NONE), (NONE, KEY + FILL), (NONE, FILL)],
)
@pytest.mark.parametrize("gain", [1.0, 0.25])
def test_a_switched_lamp_is_told_once_the_light_stands(before: Floats, after: Floats, gain: float) -> None:
    half = [0.5 * (before + after)]  # a lamp that warms up, or is brought in
    told = seconds_until_told([gain * x for x in [before] * 4 + half + [after] * 8])
    assert told is not None
    assert 2.0 + THRESHOLDS.steps.switched_s <= told <= 5.0


def test_a_camera_that_brightens_its_picture_by_itself_shows_a_switch_all_the_same() -> None:
    gains = [1.0] * 4 + [1.3, 2.0] + [2.5] * 8
    assert seconds_until_told([KEY] * 4 + [FILL] * 10, gains) is not None


def test_light_that_stands_is_no_switch_nor_is_somebody_who_walks_by() -> None:
    walk = [walked_through(KEY, at) for at in (0, 30, 60, 90, 120, 150, 180)]
    assert seconds_until_told([KEY] * 20) is None
    assert seconds_until_told([KEY] * 3 + walk + [KEY] * 8) is None
    assert seconds_until_told([KEY] * 3 + walk[::2] + walk[::-1] + [KEY] * 8) is None


def test_in_the_dark_nothing_is_told() -> None:
    assert changed(picture(0.002 * KEY, 1), picture(0.002 * FILL, 2), 0.33) == 0.0
    with pytest.raises(ValueError, match="smaller"):
        glimpse_of(np.zeros((CELLS[0] - 1, 40, 3), np.uint8))
