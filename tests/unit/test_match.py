"""Today's lamps against stored ones, on balls whose shading is known: Lambert's cosine, and the inverse square."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from balls import FILL, HEIGHT, KEY, THRESHOLDS, WIDTH, lit, normals, seen
from scenes import Scene

from lampblack.rules.colour import SRGB_TO_XYZ, cct_duv
from lampblack.rules.exposure import Exposure
from lampblack.rules.layers import Layers, LayersError, gather
from lampblack.rules.look import look
from lampblack.rules.match import Match, match_frame, match_lamps, what_to_do


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
