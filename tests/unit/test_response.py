"""
Tone curves come back out of brackets of made-up scenes, and doubt is stated honestly.

The cameras' curves, scenes and files are those of tone_scenes.py: light, noise, a tone curve, 8 bits, JPEG 4:2:0.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tone_scenes import (
    CURVES,
    Curve,
    Floats,
    cells_of,
    expose,
    light_of_codes,
    srgb,
    stops_off,
    studio,
)

from lampblack.rules.response import PRIOR, Exposed, Response, learn, learn_from_raw

MARKED_OFF = 0.03  # stops that a frame's true exposure is off what it claims (common practice)


@cache
def scene(seed: int) -> tuple[Floats, ...]:
    return studio(seed, 400, 600).lamps


def light_of(seed: int, *levels: float) -> Floats:
    lamps = scene(seed)
    return np.sum([level * lamp for level, lamp in zip(levels or (1.0, 1.0), lamps, strict=True)], axis=0)


def frame(light: Floats, stops: float, curve: Curve, *, claims: float | None = None, **how: int) -> Exposed:
    side, white = how.pop("side", 5), how.pop("white", 254)
    codes, clipped = cells_of(expose(light, stops, curve, **how), side, white)
    return Exposed(codes, stops if claims is None else claims, clipped)


def bracket(light: Floats, stops: Sequence[float], curve: Curve, **how: int) -> list[Exposed]:
    return [frame(light, at, curve, **how) for at in stops]


def learned(frames: Sequence[Exposed], **how: float) -> Response:
    response = learn(frames, **how)  # type: ignore[arg-type]
    assert response is not None
    return response


# --- recovery ---------------------------------------------------------


@pytest.mark.parametrize("seed", [0, 1])
@pytest.mark.parametrize("name", CURVES)
def test_three_frames_two_stops_apart_give_the_curve(name: str, seed: int) -> None:
    """Within 0.1 stop RMS over the middle 90 % of the codes, up to scale; seen: 0.03 at most."""
    response = learned(bracket(light_of(seed), (-2.0, 0.0, 2.0), CURVES[name], seed=seed))
    assert stops_off(response.light, light_of_codes(CURVES[name])) < 0.06
    assert response.source == "bracket"


@pytest.mark.parametrize("name", CURVES)
def test_white_too_is_where_it_should_be(name: str) -> None:
    """Light relative to white, which forecasts of clipping go by."""
    response = learned(bracket(light_of(0), (-2.0, 0.0, 2.0), CURVES[name]))
    assert stops_off(response.light, light_of_codes(CURVES[name]), anchored=True) < 0.2


@pytest.mark.parametrize(("name", "most"), [("hard s", 0.035), ("shoulder", 0.016), ("standard", 0.05)])
def test_codes_are_used_up_to_white_and_little_is_guessed(name: str, most: float) -> None:
    """All light is reckoned from white: what a curve does in its last eight codes moves all that is foretold."""
    light, frames = 2.0 ** np.linspace(-9, 3, 9600), []
    for stops in (-2.0, 0.0, 2.0):
        codes = 255 * CURVES[name](np.minimum(light * 2.0**stops, 1))
        cells = np.repeat(codes[:, None], 3, axis=1).astype(np.float32)
        frames.append(Exposed(cells, stops, (codes >= 254).astype(np.float32)))
    found, truth = (np.log2(of[150:247] / of[254]) for of in (learned(frames).light, light_of_codes(CURVES[name])))
    np.testing.assert_allclose(found, truth, atol=most)


@pytest.mark.parametrize(
    "stops", [(-1.0, 1.0), (-1.0, 0.0, 1.0), (-3.0, 0.0, 3.0), (-2.0, -1.0, 0.0, 1.0, 2.0)], ids=str
)
def test_other_brackets_do_too(stops: tuple[float, ...]) -> None:
    for name in ("hard s", "lifted toe", "shoulder"):
        response = learned(bracket(light_of(2), stops, CURVES[name]))
        assert stops_off(response.light, light_of_codes(CURVES[name])) < 0.1, name


def test_what_two_dim_frames_don_t_show_is_no_wild_guess() -> None:
    """Above the brightest tones seen the curve goes on about as it did, and says its doubt."""
    for name in ("gamma 2.2", "soft s", "srgb"):
        response = learned(bracket(light_of(1) / 8, (-1.0, 0.0), CURVES[name]))
        off = stops_off(response.light, light_of_codes(CURVES[name]), anchored=True)
        assert off < min(0.6, 2 * response.sure_stops)


def test_compression_and_cell_size_matter_little() -> None:
    for side, quality in ((3, 95), (10, 75)):
        frames = bracket(light_of(1), (-2.0, 0.0, 2.0), CURVES["standard"], side=side, quality=quality)
        assert stops_off(learned(frames).light, light_of_codes(CURVES["standard"])) < 0.1


def test_the_order_of_the_frames_does_not_matter() -> None:
    frames = bracket(light_of(0), (-2.0, 0.0, 2.0), CURVES["soft s"])
    np.testing.assert_array_equal(learned(frames).light, learned(frames[::-1]).light)


def test_a_stop_more_on_every_frame_changes_nothing() -> None:
    """Only differences of exposure are known."""
    frames = bracket(light_of(0), (-2.0, 0.0, 2.0), CURVES["soft s"])
    later = [Exposed(one.codes, one.stops + 7.0, one.clipped) for one in frames]
    np.testing.assert_allclose(learned(frames).light, learned(later).light, rtol=1e-9)


def test_channels_may_be_permuted() -> None:
    frames = bracket(light_of(0), (-2.0, 0.0, 2.0), CURVES["soft s"])
    turned = [Exposed(np.roll(one.codes, 1, axis=1), one.stops, one.clipped) for one in frames]
    assert stops_off(learned(turned).light, learned(frames).light) < 0.01


def test_a_curve_that_ends_below_254_is_anchored_there() -> None:
    def curve(light: Floats) -> Floats:
        return srgb(light) * 250 / 255

    frames = bracket(light_of(0), (-2.0, 0.0, 2.0), curve, white=249)
    response = learned(frames, white_code=249)
    assert response.light_of(249) == pytest.approx(1.0)
    assert stops_off(response.light, light_of_codes(curve), white=249, anchored=True) < 0.1


def test_what_was_learned_helps_a_bracket_that_shows_little() -> None:
    curve = CURVES["hard s"]
    truth = light_of_codes(curve)
    before = learned(bracket(light_of(0), (-2.0, 0.0, 2.0), curve))
    little = bracket(light_of(1) / 4, (-1.0, 0.0), curve)
    alone, helped = learned(little), learned(little, start=before)  # type: ignore[arg-type]
    assert stops_off(helped.light, truth, anchored=True) < stops_off(alone.light, truth, anchored=True)
    assert helped.sure_stops < alone.sure_stops


def test_many_cells_are_no_hindrance() -> None:
    frames = bracket(light_of(0), (-2.0, 0.0, 2.0), CURVES["standard"])
    many = [Exposed(np.tile(one.codes, (40, 1)), one.stops, np.tile(one.clipped, 40)) for one in frames]
    assert stops_off(learned(many).light, light_of_codes(CURVES["standard"])) < 0.06


# --- doubt ---------------------------------------------------------


@pytest.mark.slow
def test_doubt_is_honest() -> None:
    """
    True errors (white held at 1, exposures a little off their marks) stand to `sure_stops` as errors to a deviation.

    An error of one degree of freedom lies within half to twice its deviation in 57 of 100 cases, and below twice in
    95: the bounds are what 66 cases leave of that.
    """
    ratios = []
    for number, (name, curve) in enumerate(CURVES.items()):
        truth = light_of_codes(curve)
        for k, stops in enumerate(((-1.0, 1.0), (-2.0, 0.0), (-2.0, 0.0, 2.0))):
            for seed in (0, 3):
                rng = np.random.default_rng([number, k, seed])
                really = stops + MARKED_OFF * rng.normal(size=len(stops))
                light = light_of(seed)
                pairs = zip(really, stops, strict=True)
                response = learned([frame(light, at, curve, claims=claims) for at, claims in pairs])
                ratios.append(stops_off(response.light, truth, anchored=True) / response.sure_stops)
                assert ratios[-1] < 4, (name, stops, seed)
    assert np.mean(np.array(ratios) < 2) > 0.9
    assert 0.25 < np.median(ratios) < 1.0
    assert 0.4 < np.sqrt(np.mean(np.square(ratios))) < 1.4


def test_more_frames_make_it_surer_and_a_bracket_surer_than_the_prior() -> None:
    curve = CURVES["soft s"]
    two = learned(bracket(light_of(0), (-2.0, 0.0), curve))
    three = learned(bracket(light_of(0), (-2.0, 0.0, 2.0), curve))
    assert three.sure_stops < two.sure_stops < PRIOR.sure_stops


def test_the_prior_is_srgb() -> None:
    """IEC 61966-2-1; its doubt is a quarter of a stop for each below white, as a real bracket showed."""
    np.testing.assert_allclose(PRIOR.light, light_of_codes(srgb), atol=2e-5)
    assert PRIOR.source == "prior"
    below = np.log2(PRIOR.light[13:243])
    assert PRIOR.sure_stops == pytest.approx(0.25 * np.sqrt(np.mean(below**2)), abs=0.1)


# --- nothing to learn ---------------------------------------------------------


def test_no_frame_one_frame_or_one_exposure_teach_nothing() -> None:
    one = frame(light_of(0), 0.0, srgb)
    again = frame(light_of(0), 0.0, srgb, seed=1)
    for frames in ([], [one], [one, again]):
        assert learn(frames) is None


def test_too_few_cells_tones_or_nothing_in_common_teach_nothing() -> None:
    light = light_of(0)
    few = [Exposed(one.codes[:40], one.stops, one.clipped[:40]) for one in bracket(light, (-1.0, 1.0), srgb)]
    flat = [Exposed(np.full((5000, 3), code, np.float32), stops, np.zeros(5000, np.float32))
            for code, stops in ((90, 0.0), (128, 1.0))]  # fmt: skip
    apart = bracket(np.clip(light, 0.05, 1), (-9.0, 6.0), srgb)
    black = bracket(light * 0, (-1.0, 1.0), srgb)
    unlike = [frame(light, -1.0, srgb), frame(light, 1.0, srgb, side=6)]
    empty = [Exposed(np.zeros((0, 3), np.float32), s, np.zeros(0, np.float32)) for s in (0.0, 1.0)]
    for frames in (few, flat, apart, black, unlike, empty):
        assert learn(frames) is None


@pytest.mark.parametrize("levels", [(0.0, 1.0), (0.5, 1.0), (0.5, 0.5), (1.0, 4.0)], ids=str)
@pytest.mark.parametrize("which", [0, 1, 2])
def test_a_lamp_that_changed_between_frames_is_noticed(levels: tuple[float, float], which: int) -> None:
    """Key lamp off, key halved, both halved, fill fourfold: in the first, middle or last frame."""
    for name in ("srgb", "hard s"):
        frames = [
            frame(light_of(2, *(levels if k == which else (1.0, 1.0))), stops, CURVES[name])
            for k, stops in enumerate((-2.0, 0.0, 2.0))
        ]
        response = learn(frames)
        # Halving all in the first or last frame is a bracket of other steps, and only the middle contradicts it.
        if response is not None:
            assert levels in ((0.5, 0.5), (1.0, 4.0))
            assert stops_off(response.light, light_of_codes(CURVES[name]), anchored=True) < 2 * response.sure_stops


def test_another_scene_is_noticed() -> None:
    frames = [frame(light_of(2 if stops else 3), stops, srgb) for stops in (-2.0, 0.0, 2.0)]
    assert learn(frames) is None


def test_exposures_that_are_not_what_they_claim_are_noticed() -> None:
    assert learn([frame(light_of(0), 0.0, srgb, claims=claims, seed=int(claims)) for claims in (0.0, 2.0)]) is None


def test_a_small_shift_is_outvoted() -> None:
    """The camera moved by two pixels, or a person by a little."""
    light = light_of(2)
    frames = [frame(np.roll(light, 2, axis=1) if not at else light, at, CURVES["hard s"]) for at in (-2.0, 0.0, 2.0)]
    assert stops_off(learned(frames).light, light_of_codes(CURVES["hard s"])) < 0.06


# --- raw pairs ---------------------------------------------------------


def raw_pair(name: str, stops: float, *, saturation: float = 1.0) -> tuple[Response | None, Floats]:
    light = light_of(1) * 2.0**stops
    codes, clipped = cells_of(expose(light_of(1), stops, CURVES[name]))
    shown = light.reshape(80, 5, 120, 5, 3).mean(axis=(1, 3)).reshape(-1, 3)
    grey = shown.mean(axis=1, keepdims=True)
    raw = np.maximum(grey + saturation * (shown - grey), 0) * 0.37
    return learn_from_raw(codes, raw, clipped), light_of_codes(CURVES[name])


@pytest.mark.parametrize("name", CURVES)
def test_one_raw_pair_gives_the_curve(name: str) -> None:
    response, truth = raw_pair(name, 1.0)
    assert response is not None
    assert response.source == "raw pair"
    assert stops_off(response.light, truth) < 0.06
    assert stops_off(response.light, truth, anchored=True) < 2.5 * response.sure_stops


def test_a_camera_that_heightens_colour_is_read_off_the_greys() -> None:
    response, truth = raw_pair("standard", 1.0, saturation=0.75)
    assert response is not None
    assert stops_off(response.light, truth) < 0.1


def test_raw_and_jpeg_of_different_scenes_teach_nothing() -> None:
    codes, clipped = cells_of(expose(light_of(1), 0.0, srgb))
    other = light_of(2).reshape(80, 5, 120, 5, 3).mean(axis=(1, 3)).reshape(-1, 3)
    assert learn_from_raw(codes, other, clipped) is None
    assert learn_from_raw(codes[:20], other[:20], clipped[:20]) is None
    assert learn_from_raw(codes, other * 0, clipped) is None


# --- the curve as a value ---------------------------------------------------------


@settings(max_examples=25, deadline=None)
@given(
    st.integers(0, 2**32 - 1),
    st.lists(st.floats(-8, 8), min_size=2, max_size=5),
    st.sampled_from([240.0, 250.0, 254.0, 255.0]),
)
def test_whatever_it_is_given_the_curve_rises_and_is_finite(seed: int, stops: list[float], white: float) -> None:
    rng = np.random.default_rng(seed)
    rise = np.sort(rng.uniform(0, 255, 2000)) if seed % 2 else rng.uniform(0, 255, 2000)
    frames = [
        Exposed(
            np.clip(rise[:, None] * rng.uniform(0.3, 1) + rng.normal(0, 3, (2000, 3)), 0, 255).astype(np.float32),
            at,
            (rng.random(2000) < 0.1).astype(np.float32),
        )
        for at in stops
    ]
    response = learn(frames, white_code=white)
    if response is not None:
        assert np.isfinite(response.light).all()
        assert (np.diff(response.light[1:]) > 0).all()
        assert response.light[0] >= 0
        assert response.light_of(white) == pytest.approx(1.0)
        assert 0 < response.sure_stops < 20


def test_codes_and_light_there_and_back() -> None:
    response = learned(bracket(light_of(0), (-2.0, 0.0, 2.0), CURVES["standard"]))
    codes = np.linspace(1, 254.5, 400).reshape(20, 20)
    np.testing.assert_allclose(response.code_of(response.light_of(codes)), codes, atol=1e-6)
    assert response.light_of(254) == pytest.approx(1.0)
    assert response.light_of(np.float32(300)) == response.light[255]
