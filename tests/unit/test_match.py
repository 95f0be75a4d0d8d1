"""Today's lamps against stored ones, on balls whose shading is known: Lambert's cosine, and the inverse square."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scenes import Scene

from lampblack.daemon.config import load_thresholds
from lampblack.rules.colour import SRGB_TO_XYZ, cct_duv
from lampblack.rules.exposure import Exposure
from lampblack.rules.layers import Layers, LayersError, gather
from lampblack.rules.look import Look, look
from lampblack.rules.match import Match, match_frame, match_lamps, what_to_do

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


@pytest.fixture(scope="module")
def layers() -> Layers:
    return gather([("key", seen(lit(*KEY), 4.0)), ("fill", seen(lit(*FILL), 2.8))], THRESHOLDS)


def today(layers: Layers, key: np.ndarray, fill: np.ndarray, f_number: float = 5.6) -> Match:
    return match_frame(layers, seen(key + fill, f_number))


def test_light_as_it_was_matches_at_any_exposure(layers: Layers) -> None:
    for f_number in (4.0, 5.6, 11.0):
        found = today(layers, lit(*KEY), lit(*FILL), f_number)
        assert found.matches, found
        assert found.first is None
        assert all(abs(lamp.off) < 0.05 for lamp in found.lamps)


@pytest.mark.parametrize("stops", [-2.0, -1.0, -0.5, 0.5])
@pytest.mark.parametrize("which", [0, 1])
def test_a_lamp_turned_up_or_down_is_named_with_its_stops(layers: Layers, which: int, stops: float) -> None:
    lamps = [lit(*KEY), lit(*FILL)]
    lamps[which] = lamps[which] * 2**stops
    found = today(layers, lamps[0], lamps[1])
    assert found.first is not None
    assert found.first.name == ("key", "fill")[which]
    assert found.lamps[which].off == pytest.approx(stops, abs=0.06)
    assert found.lamps[which].moved is None
    assert found.lamps[1 - which].off == pytest.approx(0, abs=0.06)


@pytest.mark.parametrize(
    ("change", "way"),
    [((12, 0, 0), "right"), ((-12, 0, 0), "left"), ((0, 14, 0), "higher"), ((0, -14, 0), "lower")],
)
def test_a_lamp_carried_elsewhere_is_named_with_its_way(layers: Layers, change: tuple[float, ...], way: str) -> None:
    moved = tuple(was + by for was, by in zip(KEY, change, strict=True))
    found = today(layers, lit(*moved), lit(*FILL))
    assert found.first is not None
    assert found.first.name == "key"
    assert found.first.moved == way, found
    assert found.lamps[1].moved is None
    assert "carry it" in what_to_do(found.first)


def test_a_lamp_drawn_back_is_off_by_the_inverse_square(layers: Layers) -> None:
    """15 % farther: 2 log2 1.15 = 0.40 stop."""
    found = today(layers, lit(KEY[0], KEY[1], 1.15 * KEY[2]), lit(*FILL))
    assert found.lamps[0].off == pytest.approx(-0.403, abs=0.06)
    assert "13% nearer" in what_to_do(found.lamps[0])


def test_a_lamp_that_is_off_is_said_to_be_off(layers: Layers) -> None:
    found = today(layers, lit(*KEY), np.zeros((HEIGHT, WIDTH, 3)))
    assert found.lamps[1].is_off or found.lamps[1].off < -4
    assert found.first is not None
    assert found.first.name == "fill"


def test_a_gel_is_told_in_mireds(layers: Layers) -> None:
    """Red up, blue down: as much as the two colours lie apart by themselves."""
    warm = (1.1, 1.0, 0.8)
    far = [1e6 / (cct_duv(SRGB_TO_XYZ @ np.array(light))[0] or 1) for light in ((1, 1, 1), warm)]
    found = today(layers, lit(*KEY, warm), lit(*FILL))
    assert found.lamps[0].mired == pytest.approx(far[1] - far[0], abs=4)
    assert found.lamps[1].mired == pytest.approx(0, abs=4)
    assert "warmer" in what_to_do(found.lamps[0])


def test_lamps_shot_one_by_one_are_told_one_by_one(layers: Layers) -> None:
    moved = lit(KEY[0] + 12, KEY[1], KEY[2])
    found = match_lamps(layers, [("key", seen(moved, 4.0)), ("fill", seen(lit(*FILL) / 2, 2.8))])
    assert found.lamps[0].moved == "right"
    assert found.lamps[1].off == pytest.approx(-1, abs=0.05)
    assert found.first is not None
    assert found.first.name == "key", "a power can't be set before the lamp is back"


def test_what_cannot_be_held_against_the_stored_is_refused(layers: Layers) -> None:
    with pytest.raises(LayersError, match="too dark"):
        match_frame(layers, seen(np.zeros((HEIGHT, WIDTH, 3)), 5.6))
    other = look(Scene(lit(*KEY)[::2, ::2], normals()[1][::2, ::2]).shot(5.6), THRESHOLDS)
    with pytest.raises(LayersError, match="another camera"):
        match_frame(layers, other)
    frame = seen(lit(*KEY), 5.6)
    with pytest.raises(LayersError, match="aperture"):
        match_frame(layers, replace(frame, shot=replace(frame.shot, exposure=Exposure.of(None, 1 / 60, 200))))
