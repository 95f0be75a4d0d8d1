"""What a backdrop is meant to be, told from how far it lies under the subject, whatever the subject is like."""

from __future__ import annotations

import numpy as np
import pytest

from lampblack.daemon.config import load_thresholds
from lampblack.rules.cleanness import tone_of_light

THRESHOLDS = load_thresholds()
GREY_CARD_STOPS = np.log2(0.9 / 0.18)
"""White paper over a grey card in the same light (reflectances: common practice)."""


def tone(backdrop: float, *subject: tuple[float, float]) -> str | None:
    """Return the tone of a backdrop's light behind a subject of (light, share of it)."""
    light = np.full(10_000, backdrop)
    parts = np.concatenate([np.full(round(100 * share), value) for value, share in subject])
    light[: len(parts)] = parts
    there = np.arange(10_000) < len(parts)
    return tone_of_light(light, ~there, there, THRESHOLDS)


@pytest.mark.parametrize("exposure", [0.25, 0.5, 1.0])
def test_a_dark_subject_before_black_has_bright_parts_all_the_same(exposure: float) -> None:
    """A dark table and dark things on it, and a hundredth and a half of it lit as bright as white."""
    assert tone(0.005 * exposure, (0.03 * exposure, 38), (0.9 * exposure, 1.5)) == "black"


@pytest.mark.parametrize("exposure", [0.25, 0.5, 1.0])
def test_grey_with_less_light_than_the_subject_is_grey(exposure: float) -> None:
    """A twentieth of the subject is white, and a stop and a half less light on a grey backdrop."""
    under = 2 ** -(GREY_CARD_STOPS + 1.5)
    assert tone(0.9 * under * exposure, (0.2 * exposure, 20), (0.9 * exposure, 1)) == "grey"


def test_white_is_about_as_bright_as_the_brightest_of_the_subject() -> None:
    assert tone(0.95, (0.3, 30), (0.9, 3)) == "white"
    assert tone(0.4, (0.3, 30), (0.95, 3)) == "grey"  # white things before a pale grey
