"""Light held against light place by place: what a picture's codes say of it, whatever is called subject in each."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lampblack.rules.sampled import PLACES, Sample, change, sample_of
from lampblack.rules.tone import LIGHT_OF_CODE, LUMA

WIDE, TALL = 96, 64
SEEDED = random.Random(3)
SCENE = [SEEDED.uniform(0.02, 0.2) for _ in range(WIDE * TALL)]


def code(light: float) -> int:
    """sRGB, IEC 61966-2-1: the encoding, where the module has the decoding."""
    light = min(max(light, 0.0), 1.0)
    return round(255 * (12.92 * light if light <= 0.0031308 else 1.055 * light ** (1 / 2.4) - 0.055))


def picture(scene: list[float], stops: float = 0.0, mark: int = 0) -> Sample:
    rgb = bytes(c for light in scene for c in (code(light * 2**stops),) * 3)
    return sample_of(WIDE, TALL, rgb, bytes([mark]) * len(scene))


@given(st.tuples(*[st.integers(25, 245)] * 3))
def test_a_place_has_the_light_that_the_house_reads_off_its_codes(codes: tuple[int, int, int]) -> None:
    expected = math.log2(float(LIGHT_OF_CODE[list(codes)] @ LUMA))
    assert sample_of(1, 1, bytes(codes), b"\0").stops == (pytest.approx(expected, abs=0.001),)


@pytest.mark.parametrize(("codes", "mark"), [((246, 9, 9), 0), ((24, 24, 24), 0), ((100, 100, 100), 1)])
def test_a_place_that_clips_or_drowns_tells_no_light(codes: tuple[int, int, int], mark: int) -> None:
    assert sample_of(1, 1, bytes(codes), bytes([mark])).stops == (None,)


@settings(max_examples=20, deadline=None)
@given(st.floats(-1.5, 2.0), st.floats(-2.0, 2.0))
def test_light_is_what_is_left_when_exposure_is_taken_off(light: float, given_stops: float) -> None:
    total = max(-1.5, min(2.0, light + given_stops))  # what codes can tell of this scene
    found = change(picture(SCENE), picture(SCENE, total), given_stops, 0.6, ground=False)
    assert found is not None
    assert found.stops == pytest.approx(total - given_stops, abs=0.05)
    assert found.spread < 0.1
    assert found.off == 0


def test_a_part_that_is_lit_otherwise_is_told_with_its_side() -> None:
    lit = [light * (2 if place % WIDE >= 72 else 1) for place, light in enumerate(SCENE)]
    found = change(picture(SCENE), picture(lit), 0.0, 0.6, ground=False)
    assert found is not None
    assert found.stops == pytest.approx(0.0, abs=0.02)
    assert (found.off, found.side, found.by) == (pytest.approx(0.25, abs=0.02), "right", pytest.approx(1.0, abs=0.05))


def test_sides_that_part_are_told_in_stops() -> None:
    lit = [light * (2**0.5 if place % WIDE < WIDE / 2 else 1) for place, light in enumerate(SCENE)]
    found = change(picture(SCENE), picture(lit), 0.0, 0.6, ground=False)
    assert found is not None
    assert found.left_over_right == pytest.approx(0.5, abs=0.03)
    alike = change(picture(SCENE), picture(SCENE, 1.0), 0.0, 0.6, ground=False)
    assert alike is not None
    assert alike.left_over_right == pytest.approx(0.0, abs=0.03)


def test_another_subject_is_no_change_of_light() -> None:
    other = [SEEDED.uniform(0.02, 0.2) for _ in SCENE]
    found = change(picture(SCENE), picture(other), 0.0, 0.6, ground=False)
    assert found is not None
    assert found.spread > 0.6


def test_backdrop_and_subject_are_apart_and_by_both_frames_marks() -> None:
    one, other = picture(SCENE, mark=4), picture(SCENE, 1.0, mark=4)
    found = change(one, other, 0.0, 0.6, ground=True)
    assert found is not None
    assert found.stops == pytest.approx(1.0, abs=0.05)
    assert change(one, other, 0.0, 0.6, ground=False) is None
    assert change(one, picture(SCENE, 1.0), 0.0, 0.6, ground=True) is None, "subject in the other"


def test_too_few_places_and_pictures_of_other_shapes_tell_nothing() -> None:
    one = picture(SCENE)
    few = Sample(one.wide, (one.stops[0], *[None] * (len(one.stops) - 1)), one.ground)
    assert change(one, few, 0.0, 0.6, ground=False) is None
    turned = sample_of(TALL, WIDE, bytes([90]) * 3 * WIDE * TALL, bytes(WIDE * TALL))
    assert change(one, turned, 0.0, 0.6, ground=False) is None


@pytest.mark.parametrize("size", [(96, 64), (64, 96), (192, 192), (1, 1), (192, 1), (3, 2)])
def test_places_lie_all_over_a_picture_of_any_size(size: tuple[int, int]) -> None:
    width, height = size
    made = sample_of(width, height, bytes(3 * width * height), bytes(width * height))
    assert 1 <= len(made.stops) <= 1.6 * PLACES
    assert len(made.stops) % made.wide == 0
    assert len(made.stops) == len(made.ground)
