"""Bands on pictures of every kind, and none where there are only stripes, folds and blinds; safe times as published."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest
from sparing import first_quick

from lampblack.daemon.config import load_thresholds
from lampblack.rules.flicker import bands_of, cure_text, mains_of, ripple_left, safe_marks, safe_times

LIMITS = load_thresholds().flicker
ROWS, COLUMNS = 400, 600
KINDS = ("shapes", "stripes", "blinds", "folds", "slope", "fabric", "soft")


def scene(kind: str, seed: int) -> np.ndarray:
    """Light of a frame's cells, with the grain that is left in them."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:ROWS, :COLUMNS]
    light: Any = np.full((ROWS, COLUMNS), 0.2)
    if kind == "shapes":
        light = np.full((ROWS, COLUMNS), 0.1, np.float32)
        for _ in range(40):
            centre = int(rng.integers(COLUMNS)), int(rng.integers(ROWS))
            cv2.circle(light, centre, int(rng.integers(5, 90)), (float(rng.uniform(0.02, 0.8)),), -1)
    elif kind == "stripes":
        wave = np.sin(2 * np.pi * (y + rng.uniform(-0.5, 0.5) * x) / rng.uniform(10, 120) + rng.uniform(0, 6))
        worn = (x > rng.integers(50, 250)) & (x < rng.integers(300, 550))
        light = np.where(worn, 0.2 * (1 + rng.uniform(0.1, 0.9) * np.sign(wave)), 0.2)
    elif kind == "blinds":
        wide = rng.uniform(20, 100)
        slat = ((y + rng.uniform(0, wide)) % wide) / wide
        light = 0.1 + 0.5 * (slat < rng.uniform(0.3, 0.8)) + 0.1 * slat
    elif kind == "folds":
        light = 0.2 * np.exp(0.4 * np.sin(2 * np.pi * (x + rng.uniform(-3, 3) * y) / rng.uniform(20, 150)))
    elif kind == "slope":
        down = y / ROWS - 0.5
        light = 0.1 * np.exp2(
            rng.uniform(-3, 3) * down + rng.uniform(-8, 8) * down**2 + rng.uniform(-2, 2) * x / COLUMNS
        )
    elif kind == "fabric":
        light = 0.2 * (
            1 + 0.3 * np.sin(2 * np.pi * y / rng.uniform(6, 40)) * np.sin(2 * np.pi * x / rng.uniform(6, 40))
        )
    else:
        noise = cv2.GaussianBlur(rng.normal(size=(ROWS, COLUMNS)).astype(np.float32), (0, 0), rng.uniform(1, 12))
        light = 0.2 * np.exp(rng.uniform(0.3, 1.5) * noise)
    return (light * np.exp(rng.normal(0, 0.01, (ROWS, COLUMNS)))).astype(np.float32)


def banded(light: np.ndarray, share: float, count: float, phase: float = 1.0) -> np.ndarray:
    wave = 1 + share / 2 * np.sin(2 * np.pi * count * np.arange(ROWS) / ROWS + phase)
    return (light * wave[:, None]).astype(np.float32)


def sound(light: np.ndarray) -> np.ndarray:
    return (light > 0.01) & (light < 0.95)


@pytest.mark.parametrize("kind", first_quick(list(KINDS)))
def test_no_bands_are_seen_where_there_are_none(kind: str) -> None:
    """30 frames of each kind: 210 in all."""
    for seed in range(30):
        light = scene(kind, seed)
        assert bands_of(light, sound(light), LIMITS).share == 0, seed
        again = light * np.exp(np.random.default_rng(seed + 1000).normal(0, 0.01, light.shape)).astype(np.float32)
        assert bands_of(again, sound(light), LIMITS, known=light).share == 0, seed


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("count", first_quick([3.3, 1.7, 6.0]))
def test_bands_of_two_per_cent_are_seen_on_any_texture_against_another_frame(kind: str, count: float) -> None:
    for seed in range(6):
        light = scene(kind, seed)
        grain = np.exp(np.random.default_rng(seed + 1000).normal(0, 0.01, light.shape))
        found = bands_of(banded(light, 0.02, count) * grain.astype(np.float32), sound(light), LIMITS, known=light)
        assert found.share == pytest.approx(0.02, rel=0.2), seed
        assert found.period == pytest.approx(1 / count, rel=0.1), seed


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("share", [0.015, 0.02, 0.1])
def test_one_frame_with_a_plain_backdrop_is_enough(share: float, turned: bool) -> None:
    for seed in range(6):
        light = banded(scene("slope", seed), share, 3.3)
        light = np.ascontiguousarray(light.T) if turned else light
        found = bands_of(light, sound(light), LIMITS, turned=turned)
        assert found.share == pytest.approx(share, rel=0.15), seed
        assert bands_of(light, sound(light), LIMITS, turned=not turned).share == 0, seed


@pytest.mark.slow
def test_one_frame_with_much_in_it_tells_more_often_than_not() -> None:
    """A single frame can't tell bands from a picture of bands; things with edges leave slopes between them."""
    seen = [
        bands_of(banded(light, 0.02, 3.3), sound(light), LIMITS).share > 0.015
        for kind in ("shapes", "stripes")
        for light in (scene(kind, seed) for seed in range(20))
    ]
    assert np.mean(seen) > 0.5


# Check values of the trade: t = k / (2 mains); sinc of ripple frequency times time (calculated).
@pytest.mark.parametrize(
    ("time", "at_100", "at_120"),
    [(50, 0, 0.126), (60, 0.165, 0), (64, 0.200, 0.065), (80, 0.180, 0.212), (100, 0, 0.156), (125, 0.234, 0.042),
     (200, 0.637, 0.505), (500, 0.935, 0.908)],
)  # fmt: skip
def test_what_an_exposure_leaves_of_a_ripple(time: float, at_100: float, at_120: float) -> None:
    assert ripple_left(1 / time, 100) == pytest.approx(at_100, abs=0.001)
    assert ripple_left(1 / time, 120) == pytest.approx(at_120, abs=0.001)


def test_safe_times_are_the_published_ones() -> None:
    assert [round(1 / t) for t in safe_times(50)[:4] if round(1 / t) in (100, 50, 25)] == [100, 50, 25]
    assert [round(1 / t) for t in safe_times(60)[:4]] == [120, 60, 40, 30]
    assert {round(1 / t) for t in safe_marks(50, 1 / 60)} >= {50, 100, 25}
    assert {round(1 / t) for t in safe_marks(60, 1 / 60)} >= {60, 120}


def test_flicker_at_a_time_that_is_safe_for_one_mains_tells_the_other() -> None:
    assert mains_of(1 / 60, LIMITS) == 50
    assert mains_of(1 / 50, LIMITS) == 60
    assert mains_of(1 / 200, LIMITS) is None
    assert "50 Hz" in cure_text(1 / 60, LIMITS)
    assert "60 Hz" not in cure_text(1 / 60, LIMITS)
    assert "50 Hz" in cure_text(1 / 200, LIMITS)
    assert "60 Hz" in cure_text(1 / 200, LIMITS)
