"""Where the line between backdrop and subject runs, against discs whose area is known (pi r squared)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scenes import encode

from lampblack.daemon.config import load_thresholds
from lampblack.rules.frame import Picture, Shot
from lampblack.rules.look import Look, Part, look

THRESHOLDS = load_thresholds()
HEIGHT, WIDTH = 400, 600


def disc(radius: float, x: float, y: float, inside: float, outside: float) -> NDArray[np.float64]:
    """Return a picture's light: a disc, its edge as a lens draws it, over two pixels."""
    rows, columns = np.mgrid[0:HEIGHT, 0:WIDTH]
    far = np.hypot(columns + 0.5 - x, rows + 0.5 - y) - radius
    share = np.clip(0.5 - far / 2, 0, 1)
    return np.repeat((outside + (inside - outside) * share)[..., None], 3, axis=2)


def seen(light: NDArray[np.float64]) -> Look:
    return look(Picture("jpeg", encode(light), Shot()), THRESHOLDS)


def subject_pixels(found: Look) -> int:
    return int(found.counts[[Part.SUBJECT, Part.GLINT]].sum())


@settings(deadline=None, max_examples=20)
@given(
    radius=st.floats(60, 120),
    x=st.floats(250, 350),
    y=st.floats(180, 220),
    lights=st.sampled_from([(0.5, 0.001), (0.9, 0.02), (0.02, 0.2), (0.5, 0.2), (0.05, 0.85), (0.5, 0.8)]),
)
def test_the_subject_is_as_large_as_it_is(radius: float, x: float, y: float, lights: tuple[float, float]) -> None:
    """Bright on dark or dark on bright: neither swells. A fifth of a cell along the line is 0.4 % of such a disc."""
    found = seen(disc(radius, x, y, *lights))
    assert subject_pixels(found) == pytest.approx(np.pi * radius**2, rel=0.4 / radius)


@pytest.mark.parametrize("times", [1, 2, 4])
def test_its_size_does_not_hang_on_that_of_the_picture(times: int) -> None:
    light = np.kron(disc(90, 300.3, 200.7, 0.4, 0.001), np.ones((times, times, 1)))
    assert subject_pixels(seen(light)) == pytest.approx(np.pi * (90 * times) ** 2, rel=0.004)


def test_a_thin_thing_is_not_swallowed_nor_swollen() -> None:
    """A rod seven cells wide before grey, from the frame's top to its bottom."""
    columns = np.arange(WIDTH) + 0.5
    share = np.clip(4 - np.abs(columns - 300.2), 0, 1)  # seven whole, half of the next on either side
    light = np.broadcast_to((0.2 + (0.03 - 0.2) * share)[None, :, None], (HEIGHT, WIDTH, 3))
    assert subject_pixels(seen(light)) == pytest.approx(7 * HEIGHT, rel=0.08)
