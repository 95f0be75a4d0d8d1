"""The merged light of a setup: what clips in one frame comes from another without a seam, whatever the tone curve."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from lampblack.rules.grain import Grain, Noise
from lampblack.rules.radiance import merge
from lampblack.rules.response import Response
from lampblack.rules.tone import linear_to_srgb, srgb_to_linear

Floats = Any
FINE = np.linspace(0, 1, 4001)


def shouldered(light: Floats) -> Floats:
    """A camera's curve: steeper than sRGB in the middle, a long shoulder; as the codes read in sRGB."""
    return np.round(255 * np.clip(linear_to_srgb(1 - np.exp(-1.6 * light)) / linear_to_srgb(1 - np.exp(-1.6)), 0, 1))


def flat(light: Floats) -> Floats:
    """Another: lifted blacks, less contrast."""
    return np.round(255 * np.clip(0.06 + 0.94 * np.maximum(light, 0) ** (1 / 3), 0, 1))


def flat_at_white(light: Floats) -> Floats:
    """A third: half a stop under white is four codes under it."""
    return np.round(255 * (1 - (1 - np.clip(light, 0, 1)) ** 3) ** (1 / 1.6))


def seam(curve: Any, order: tuple[float, ...], *, raw: bool = False) -> float:
    """
    Return by how many codes neighbours differ most in the merged picture, beyond what is usual around them.

    The scene: a wall on which the light rises evenly by five stops from left to right. Each frame clips from where on
    it meets white.
    """
    wall = np.repeat(np.exp2(np.linspace(-3, 2, 480))[None], 160, axis=0)
    merged = None
    for number, stops in enumerate(order):
        noise = np.random.default_rng(number).normal(0, 0.01, wall.shape) * np.sqrt(wall * 2**stops)
        met = curve(wall * 2**stops + noise)
        light = np.repeat(srgb_to_linear(met / 255)[..., None], 3, axis=2).astype(np.float32)
        merged = merge(merged, light, (met >= 255).astype(np.float32), stops, raw=raw)
    assert merged is not None
    codes = 255 * 1.055 * np.mean(merged.at(0.0)[..., 1], axis=0) ** (1 / 2.4)
    step = np.abs(codes[8:] - codes[:-8])  # codes: over eight cells the noise of one is gone
    usual = np.array([np.median(step[max(i - 30, 0) : i + 31]) for i in range(len(step))])
    return float((step - usual).max())


ORDERS = [(-3.33, 0.0), (-3.33, 0.0, 0.0), (0.0, -3.33), (-2.0, 0.0, -1.0), (0.0, -2.0, -4.0), (-4.0, -2.0, 0.0)]


@pytest.mark.parametrize("curve", [shouldered, flat, flat_at_white])
@pytest.mark.parametrize("order", ORDERS)
def test_a_brighter_frame_leaves_no_seam_where_it_clips(curve: Any, order: tuple[float, ...]) -> None:
    assert seam(curve, order) < 8  # codes over eight cells: a code a cell, where strong edges begin at 1.6


@pytest.mark.parametrize("curve", [shouldered, flat])
def test_laid_over_each_other_as_they_are_they_would(curve: Any) -> None:
    assert seam(curve, (-3.33, 0.0), raw=True) > 10


def test_a_small_bright_thing_is_read_alike_as_well() -> None:
    """Too few of its cells lie on any one fine level; together they tell."""
    wall = np.full((400, 600), 0.05)
    wall[170:230, 270:330] = np.geomspace(0.1, 1.9, 60)
    merged = None
    for stops in (-2.0, 0.0):
        met = flat_at_white(wall * 2.0**stops)
        light = np.repeat(srgb_to_linear(met / 255)[..., None], 3, axis=2).astype(np.float32)
        merged = merge(merged, light, (met >= 255).astype(np.float32), stops)
    assert merged is not None
    alone = srgb_to_linear(flat_at_white(wall / 4) / 255)  # as the less exposed frame has it
    off = np.log2(merged.at(-2.0)[170:230, 270:330, 1] / alone[170:230, 270:330])
    assert np.abs(off).max() < 0.5


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("raw", [True, False])
def test_frames_that_are_linear_are_left_as_they_are(order: tuple[float, ...], raw: bool) -> None:
    assert seam(lambda light: np.round(255 * linear_to_srgb(light)), order, raw=raw) < 1.5


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("curve", [shouldered, flat])
def test_read_by_the_cameras_own_curve_the_light_is_linear(curve: Any, order: tuple[float, ...]) -> None:
    """Whichever frame's codes it is kept in: as far as the darkest of these tells it, to a seventh of a stop."""
    light_of = np.interp(np.arange(256), curve(FINE), FINE)
    own = Response(light_of, "bracket", 0.1)
    wall = np.repeat(np.exp2(np.linspace(-3, 2, 480))[None], 160, axis=0)
    merged = None
    for stops in order:
        met = curve(np.minimum(wall * 2**stops, 1))
        light = np.repeat(srgb_to_linear(met / 255)[..., None], 3, axis=2).astype(np.float32)
        merged = merge(merged, light, (met >= 255).astype(np.float32), stops)
    assert merged is not None
    told = wall * 2 ** min(order) < 0.9
    off = np.log2(merged.linear(0.0, own)[..., 1][told] / wall[told])
    assert np.abs(off).max() < 0.15


def test_where_a_brighter_frame_clips_a_darker_ones_codes_are_coarse() -> None:
    """Six stops darker a code is as much as 64 to the power of 5/12 of the brighter frame's: the slope of sRGB."""
    light = np.full((60, 80, 3), 0.02, np.float32)
    light[:, 40:] = 0.001
    clear = np.zeros((60, 80), np.float32)
    merged = merge(None, light, clear, 0.0)
    alone = merged.rounding(merged.at(0.0))
    assert alone is None
    merged = merge(merged, np.minimum(light * 64, 1), (light * 64 >= 1).astype(np.float32).max(axis=2), 6.0)
    coarse = merged.rounding(merged.at(merged.most_stops))
    assert coarse is not None
    assert coarse[:, :40] == pytest.approx(64 ** (1 - (1 - 1 / 2.4)), rel=0.02)
    assert (coarse[:, 40:] == 1).all()


@pytest.mark.parametrize("over", [1.0, 2.0, 3.0])
def test_what_only_a_darker_frame_knows_has_that_frames_noise(over: float) -> None:
    """EMVA 1288: variance = read noise squared + gain x mean. Told from the brighter one's, it was half as much."""
    rng = np.random.default_rng(1)
    grain = Grain(Noise(5e-4, 2e-4), np.eye(3), np.ones(3), np.full(3, 4.0))
    light = np.full((120, 160, 3), 0.01)
    light[:, :80] = 0.6
    merged = None
    for stops in (0.0, over):
        mean = light * 2**stops
        frame = rng.normal(mean, np.sqrt((5e-4**2 + 2e-4 * mean) / 4)).astype(np.float32)
        clipped = (mean >= 1).any(axis=2).astype(np.float32)
        merged = merge(merged, np.minimum(frame, 1), clipped, stops, raw=True)
    assert merged is not None
    seen = merged.at(merged.most_stops)
    told = merged.noise(grain, seen)
    burnt, clear = (slice(10, 110), slice(10, 70)), (slice(10, 110), slice(90, 150))
    assert seen[burnt].std() == pytest.approx(told[burnt].mean(), rel=0.05)
    assert 0.7 < seen[clear].std() / told[clear].mean() < 1.05, "two frames' mean, and no more than one frame's"


def test_next_to_white_a_frame_alone_has_its_own_noise() -> None:
    """However little it weighs there: that is for where there is another."""
    grain = Grain(Noise(5e-4, 2e-4), np.eye(3), np.ones(3), np.full(3, 4.0))
    light = np.repeat(np.linspace(0.01, 0.99, 160, dtype=np.float32)[None, :, None], 120, axis=0).repeat(3, axis=2)
    merged = merge(None, light, np.zeros((120, 160), np.float32), 0.0, raw=True)
    assert merged.noise(grain, merged.at(0.0)) == pytest.approx(grain.of(light), rel=2e-3)


def test_a_dark_frame_that_shows_nothing_takes_nothing_from_a_bright_ones_darks() -> None:
    """Five stops darker half of the cells read 0, the others twice what there is, by rounding alone."""
    rng = np.random.default_rng(0)
    dark = np.where(rng.random((60, 80, 1)) < 0.5, 0.0, 3e-4).astype(np.float32).repeat(3, axis=2)
    bright = (0.005 * (1 + 0.05 * rng.normal(size=(60, 80, 1)))).astype(np.float32).repeat(3, axis=2)
    clear = np.zeros((60, 80), np.float32)
    found = merge(merge(None, dark, clear, 0.0), bright, clear, 5.0).at(5.0)
    assert np.std(found) < 1.2 * np.std(bright)
    assert np.mean(found) == pytest.approx(np.mean(bright), rel=0.05)
