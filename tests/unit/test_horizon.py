"""The far edge of a table is carried on from where it can be seen; what only lies along a floor isn't one."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scenes import encode, overlap

from lampblack.daemon.config import load_thresholds
from lampblack.rules.edges import coded_of, edges_of, step_of, steps_of
from lampblack.rules.exposure import Exposure
from lampblack.rules.frame import Picture, Shot
from lampblack.rules.horizon import Horizon, horizon
from lampblack.rules.look import look
from lampblack.rules.tone import srgb_to_linear

THRESHOLDS = load_thresholds()
SEARCH = THRESHOLDS.backdrop
ROWS, COLUMNS = 400, 600
Y, X = np.mgrid[0:ROWS, 0:COLUMNS].astype(np.float64)
Light = NDArray[np.float64]


def seen(light: Light) -> Horizon:
    """Return the horizon of a colourless light."""
    grey = np.repeat(light[..., None], 3, axis=2).astype(np.float32)
    coded, noise = coded_of(grey, None, SEARCH)
    edges = edges_of(step_of(steps_of(coded), coded, noise, None, SEARCH), None, SEARCH)
    return horizon(edges, coded, SEARCH)


def backdrop_of(light: Light) -> NDArray[np.bool_]:
    """Return the backdrop of a JPEG of a colourless light."""
    codes = encode(np.repeat(light[..., None], 3, axis=2))
    return look(Picture("jpeg", codes, Shot(Exposure.of(8.0, 1 / 60, 100))), THRESHOLDS).backdrop


def table(light: Light, over: Light, top: float, slope: float = 0.0) -> Light:
    return np.where(top + slope * (X - COLUMNS / 2) < Y, over, light)


def box(light: Light, left: int, right: int, top: int, low: int, over: float) -> Light:
    return np.where((left <= X) & (right > X) & (top <= Y) & (low > Y), over, light)


@pytest.mark.parametrize("slope", [-0.08, 0.0, 0.05])
@pytest.mark.parametrize("flip", [False, True])
def test_a_table_that_darkens_to_the_backdrops_light_has_its_edge_all_across(slope: float, flip: bool) -> None:
    backdrop = np.full((ROWS, COLUMNS), 0.01)
    x = COLUMNS - 1 - X if flip else X
    scene = table(backdrop, 0.01 * 2 ** (2 * np.clip((x - 300) / 200, 0, 1)), 220, slope)
    scene = box(scene, 250, 330, 170, 260, 0.4)
    found = seen(scene)
    down = np.array([np.flatnonzero(column).mean() if column.any() else -99 for column in found.line.T])
    assert np.abs(down - (220 + slope * (np.arange(COLUMNS) - COLUMNS / 2))).max() < 2.5
    assert (np.argwhere(found.below)[:, 0] > 220 - 0.1 * COLUMNS).all()
    assert found.below.any()


def test_a_block_that_ends_within_the_frame_is_not_carried_on() -> None:
    line = seen(box(np.full((ROWS, COLUMNS), 0.02), 180, 450, 250, 400, 0.2)).line
    assert not line[:, :170].any()
    assert not line[:, 460:].any()


def test_a_shadow_along_the_feet_of_things_is_no_table() -> None:
    """The floor above their shadow, and the shadow above the floor again, as far as the frame's side."""
    scene = np.where(np.abs(Y - 262) < 3, 0.25, 0.5)
    for left, paint in ((90, 0.1), (260, 0.9), (420, 0.1)):
        scene = box(scene, left, left + 90, 160, 260, paint)
    assert not seen(scene).line.any()


def test_a_row_of_dark_things_on_a_floor_is_no_table() -> None:
    """Darker above the line of their feet than below it, all along; but it is they who are above it, no backdrop."""
    shadow = 0.4 * np.exp(-(((Y - 262) / 10) ** 2)) * (X > 300)
    floor = np.full((ROWS, COLUMNS), 0.5) * (1 - shadow)
    scene, there = floor, np.zeros((ROWS, COLUMNS), bool)
    for left in (90, 260, 420, 520):
        scene = box(scene, left, left + 80, 120, 262, 0.1)
        there |= (left <= X) & (left + 80 > X) & (Y >= 120) & (Y < 262)
    assert overlap(backdrop_of(scene), ~there) > 0.95


def test_a_round_outline_is_no_table() -> None:
    inside = np.hypot((X - 300) / 420, (Y - 560) / 340) < 1
    assert not seen(np.where(inside, 0.3, 0.02)).line.any()


def test_it_ends_at_a_card_that_stands_at_the_side() -> None:
    scene = table(np.full((ROWS, COLUMNS), 0.1), np.where(X < 300, 0.3, 0.1), 240)
    scene = box(scene, 0, 60, 20, 330, 0.02)
    drawn = np.flatnonzero(seen(scene).line.any(axis=0))
    assert 50 < drawn.min() < 70
    assert drawn.max() > COLUMNS - 5


def test_the_higher_of_two_level_edges_is_the_far_one() -> None:
    scene = table(np.full((ROWS, COLUMNS), 0.02), np.where(X > 280, 0.1, 0.02), 200)
    found = seen(np.where(Y > 330, 0.06, scene))
    assert np.abs(np.argwhere(found.line)[:, 0] - 200).max() < 3


def test_backdrop_beyond_the_end_of_a_block_stays_backdrop() -> None:
    """A block reaches in from the left; its far edge, carried on, would cut backdrop off at the right."""
    light = 0.02 + 0.004 * (X / COLUMNS)
    scene = box(light, 0, 430, 230, 400, 0.15)
    there = (X < 430) & (Y >= 230)
    scene = box(scene, 150, 260, 120, 240, 0.5)
    there |= (X >= 150) & (X < 260) & (Y >= 120) & (Y < 240)
    assert overlap(backdrop_of(scene), ~there) > 0.98


def noisy(light: Light) -> Light:
    """Return a light with the noise of a dark frame, a code and a half: no cell tells a step of three."""
    codes = encode(np.repeat(light[..., None], 3, axis=2))[..., 0] + np.random.default_rng(5).normal(
        0, 1.5, light.shape
    )
    read: Light = srgb_to_linear(np.clip(codes, 0, 255) / 255)
    return read


DARK, LESS_DARK = 4 / 255 / 12.92, 7.5 / 255 / 12.92


def test_far_edge_of_a_dark_table_is_seen_through_noise() -> None:
    scene = box(
        table(np.full((ROWS, COLUMNS), DARK), np.full((ROWS, COLUMNS), LESS_DARK), 220, 0.02), 250, 330, 150, 260, 0.3
    )
    found = seen(noisy(scene))
    down = np.array([np.flatnonzero(column).mean() if column.any() else -99 for column in found.line.T])
    assert np.abs(down - (220 + 0.02 * (np.arange(COLUMNS) - COLUMNS / 2))).max() < 4


@pytest.mark.parametrize("rows", [60, 120])
def test_the_bend_of_a_dark_backdrop_is_no_table(rows: int) -> None:
    slow = DARK + (LESS_DARK - DARK) * np.clip((Y - 200) / rows, 0, 1)
    assert not seen(noisy(box(slow, 250, 330, 150, 260, 0.3))).line.any()


def test_nothing_under_a_far_edge_is_backdrop() -> None:
    """A strip of the table lies in a shadow, and has the backdrop's light there, up to the frame's side."""
    scene = table(np.full((ROWS, COLUMNS), 0.1), np.full((ROWS, COLUMNS), 0.25), 220)
    scene = box(scene, 0, 250, 270, 320, 0.1)
    scene = box(scene, 220, 300, 150, 340, 0.6)
    assert not backdrop_of(scene)[230:].any()
    assert backdrop_of(scene)[:210, :200].all()
