"""Shadows on the sweep that things stand on, and pale things much like them: which is backdrop, which subject."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from test_outline import HEIGHT, WIDTH, disc, seen, subject_pixels

BOX = (slice(150, 262), slice(220, 320))
PIXELS = 112 * 100


def box_on_a_sweep(outside: float, dim: float) -> NDArray[np.float64]:
    """
    Return a dark box's light, and its shadow's, which grows softer with its distance from the box.

    dim: how many stops of light the shadow takes off.
    """
    floor = np.zeros((HEIGHT, WIDTH))
    cv2.fillConvexPoly(floor, np.array([[300, 205], [300, 260], [450, 272], [450, 226]]), (1.0,))
    soft = [cv2.GaussianBlur(floor, (0, 0), 1.0 + 0.02 * far) for far in range(0, 150, 10)]
    shade = floor.copy()
    for i, blurred in enumerate(soft):
        shade[:, 300 + 10 * i : 310 + 10 * i] = blurred[:, 300 + 10 * i : 310 + 10 * i]
    shade[:, 450:] = soft[-1][:, 450:]
    light = outside * 2.0 ** (-dim * shade)
    light[BOX] = 0.02
    light *= 2.0 ** np.random.default_rng(5).normal(0, 0.01, light.shape)
    return np.repeat(cv2.GaussianBlur(light, (0, 0), 0.7)[..., None], 3, axis=2)


@pytest.mark.parametrize("outside", [0.9, 0.25])
@pytest.mark.parametrize("dim", [0.35, 0.5, 0.8])
def test_a_shadow_on_the_floor_is_backdrop(outside: float, dim: float) -> None:
    assert subject_pixels(seen(box_on_a_sweep(outside, dim))) == pytest.approx(PIXELS, rel=0.05)


@pytest.mark.parametrize("lights", [(0.85, 0.95), (0.8, 0.9), (0.7, 0.9), (0.6, 0.9), (0.25, 0.3), (0.2, 0.3)])
@pytest.mark.parametrize("beside", [False, True])
def test_a_thing_a_little_darker_than_the_backdrop_is_no_shadow(lights: tuple[float, float], beside: bool) -> None:
    """It has a shadow's light and colour, and backdrop beneath it, but an outline all round. beside: a dark one."""
    light, area = disc(80, 300, 200, *lights), np.pi * 80**2
    if beside:
        light, area = np.minimum(light, disc(60, 430, 200, 0.05, lights[1])), area + np.pi * 60**2
    assert subject_pixels(seen(light)) == pytest.approx(area, rel=0.02)
