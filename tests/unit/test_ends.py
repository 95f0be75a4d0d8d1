"""Where a camera's codes end, and how much of a picture lies there."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tone_scenes import CURVES, Floats, expose, srgb, studio

from lampblack.rules.distribution import Distribution
from lampblack.rules.ends import HIGH, clips_from, end_code, end_of, top_code
from lampblack.rules.tone import light_of_code


@cache
def light_of(seed: int) -> Floats:
    return np.sum(studio(seed, 400, 600).lamps, axis=0)


def counts(codes: np.ndarray) -> np.ndarray:
    return np.bincount(codes.ravel(), minlength=256)


def top(of: np.ndarray) -> int:
    return top_code(of, end_code(of))


@pytest.mark.parametrize("quality", [75, 92])
@pytest.mark.parametrize("end", [248, 250, 251, 253, 254])
def test_a_curve_that_ends_early_shows_it(end: int, quality: int) -> None:
    codes = expose(light_of(1), 3.0, lambda light: srgb(light) * end / 255, quality=quality)
    assert top(counts(codes.max(axis=2))) in (end - 1, end)
    assert end_code(counts(codes.max(axis=2))) == end


@pytest.mark.parametrize("name", CURVES)
@pytest.mark.parametrize("stops", [-2.0, 1.0, 3.0])
def test_a_curve_that_ends_at_the_top_is_not_thought_to_end_early(name: str, stops: float) -> None:
    codes = counts(expose(light_of(1), stops, CURVES[name]).max(axis=2))
    assert (end_code(codes), top(codes) >= 254) == (255, True)


@pytest.mark.parametrize("level", [243, 250, 252, 253, 254])
def test_a_white_sheet_is_no_end_of_the_curve(level: int) -> None:
    """Evenly lit paper piles up as well, but as wide as its noise."""
    light = light_of(1) * 2.0**-1
    light[:, :300] = ((level / 255 + 0.055) / 1.055) ** 2.4
    codes = counts(expose(light, 0.0, srgb).max(axis=2))
    assert (end_code(codes), top(codes) >= 254) == (255, True)


def test_a_white_sheet_that_fills_the_picture_is_no_end_of_the_curve() -> None:
    """Six tenths of it on two codes: noise throws some farther, and from what is clipped there is none."""
    sheet = np.rint(np.random.default_rng(1).normal(247.0, 0.6, (400, 600))).astype(np.uint8)
    sheet[:, :90] = 120
    assert end_code(counts(sheet)) == 255
    burnt = np.where(np.random.default_rng(2).random((400, 600)) < 0.2, 246, 247).astype(np.uint8)
    burnt[:, :90] = 120
    assert end_code(counts(burnt)) == 247


def test_a_pile_of_its_own_at_255_is_the_end_whatever_is_piled_below() -> None:
    """A label of one code, 249, as many as eight times what is burnt; what compression throws up thins out upward."""
    codes = np.zeros(256, np.int64)
    codes[[246, 247, 248, 249, 250]] = 8_000, 30_000, 20_000, 160_000, 18_000
    codes[[251, 252, 253, 254, 255]] = 600, 300, 300, 600, 20_000
    assert end_code(codes) == 255
    codes[255] = 900
    assert end_code(codes) == 249


@pytest.mark.parametrize(("end", "under"), [(255, 0.02), (255, 0.06), (255, 0.5), (251, 0.06), (251, 0.1), (251, 0.5)])
def test_a_pale_tone_just_under_white_is_not_taken_for_white(end: int, under: float) -> None:
    """A third of the picture lies a hair under the end of the curve, a twelfth over it: only that is clipped."""
    light = light_of(1) * 2.0**-2
    light[:, : light.shape[1] // 3] = 2.0 ** -(under * np.linspace(1, 3, len(light)))[:, None, None]
    light[:, -light.shape[1] // 12 :] = 1.5
    codes = expose(light, 0.0, lambda light: srgb(np.minimum(light, 1)) * end / 255).max(axis=2)
    clipped = (codes >= top(counts(codes))).mean()
    assert clipped == pytest.approx((light.max(axis=2) >= 1).mean(), abs=0.02)


def test_no_pixels_and_few_pixels_have_no_end_of_their_own() -> None:
    few = np.zeros(256, np.int64)
    assert top(few) == 254
    few[250] = 20
    assert top(few) == 254
    few[40] = 10**7
    few[250] = 500
    assert top(few) == 254


@pytest.mark.parametrize(("quality", "dark", "bright"), [(70, 243.0, 252.4), (80, 244.0, 251.4), (89, 243.0, 252.4)])
def test_a_smooth_sheet_that_compression_rounds_in_steps_is_no_end(quality: int, dark: float, bright: float) -> None:
    """Its light falls by a few codes from side to side: files of low quality leave some of them out."""
    light = light_of(1) * 2.0**-1
    codes = np.linspace(dark, bright, 600)[None, :450, None] / 255
    light[:, :450] = ((codes + 0.055) / 1.055) ** 2.4
    assert end_code(counts(expose(light, 0.0, srgb, quality=quality).max(axis=2))) == 255


def end_shown(codes: np.ndarray) -> int:
    highest, darkest = codes.max(axis=2), codes.min(axis=2)
    high = highest >= HIGH
    placed = (highest[high].astype(int) - HIGH) * 64 + darkest[high] // 4
    beside = np.bincount(placed, minlength=16 * 64).reshape(16, 64)
    return end_of(np.array([counts(highest), counts(codes[..., 1])]), beside)


def coloured(stops: float, end: int, *, glowing: bool) -> np.ndarray:
    """Copper pipes: light along them rises and falls, over white in red alone; or an orange sheet, its light even."""
    light = light_of(2) * 2.0**-4
    over = 2.0 ** (np.random.default_rng(3).normal(0, 0.005, (400, 600)) + stops)
    ramp = np.linspace(0.3, 2.4, 40) if glowing else np.full(40, 1.0)
    for top in range(20, 380, 60):
        shade = over[top : top + 40, 40:560] * ramp[:, None]
        light[top : top + 40, 40:560] = shade[..., None] * (1.0, 0.4, 0.2)
    return expose(light, 0.0, lambda light: srgb(np.minimum(light, 1)) * end / 255, quality=88)


@pytest.mark.parametrize("end", [248, 250, 251, 252, 255])
def test_a_channel_that_stands_still_while_the_others_go_on_tells_the_end(end: int) -> None:
    assert end_shown(coloured(0.0, end, glowing=True)) == end


@pytest.mark.parametrize("under", [0.03, 0.06, 0.1, 0.2])
def test_a_coloured_sheet_under_white_is_no_end(under: float) -> None:
    assert end_shown(coloured(-under, 255, glowing=False)) == 255


# --- how much lies there -------------------------------------------------------


def piled(codes: np.ndarray, end: int, *, lossy: bool = True) -> float:
    told = Distribution(counts(codes))
    share = told.share_from(clips_from(told.counts, end, lossy=lossy))
    assert share is not None
    return share


@pytest.mark.parametrize("quality", [95, 97])
@pytest.mark.parametrize("end", [255, 251])
def test_of_thin_highlights_a_third_of_what_compression_took_is_found_and_nothing_else(end: int, quality: int) -> None:
    """Strokes some pixels wide, their codes thrown about by compression: some miss the end, by a code or by six."""
    light = light_of(1) * 2.0**-3
    for i in range(25):
        x, y = 24 * i + 3, 17 * i % 300
        cv2.line(light, (x, y), (x + 30, y + 90), (1.4, 1.4, 1.4), 9)
    true = float((light.max(axis=2) >= 1).mean())
    codes = expose(light, 0.0, lambda light: srgb(np.minimum(light, 1)) * end / 255, quality=quality).max(axis=2)
    missed = true - (codes >= end).mean()
    assert 0.3 * missed < piled(codes, end) - (codes >= end).mean() < 1.1 * missed


def test_pale_tones_close_under_the_end_are_left_out() -> None:
    """A backdrop that reaches 254 here and there, and clips nowhere but in a corner: its foot is not the pile's."""
    light = light_of(1) * 2.0**-2
    light[:, :300] = 2.0 ** -np.linspace(0.012, 0.2, 300)[None, :, None]
    light[:80, :80] = 1.5
    codes = expose(light, 0.0, srgb).max(axis=2)
    true = float((light.max(axis=2) >= light_of_code(254.5)).mean())
    assert piled(codes, 255) == pytest.approx(true, abs=0.002)
    assert (codes >= 254).mean() > true + 0.003, "the scene has tones that counting from 254 takes for clipped"


def test_what_was_never_compressed_is_counted_as_it_is() -> None:
    codes = np.repeat(np.arange(256, dtype=np.uint8), 50)
    codes = np.concatenate([codes, np.full(4000, 255, np.uint8), np.full(900, 254, np.uint8)])
    assert piled(codes, 255, lossy=False) == pytest.approx((codes == 255).mean(), abs=1e-6)


@given(st.lists(st.integers(0, 10_000), min_size=256, max_size=256))
def test_whatever_the_counts_at_least_the_end_is_clipped(numbers: list[int]) -> None:
    told = Distribution(np.array(numbers))
    end = end_code(told.counts)
    light = clips_from(told.counts, end, lossy=True)
    assert light <= light_of_code(end - 0.5)
    share = told.share_from(light)
    assert share is None or share >= told.counts[end:].sum() / told.pixels - 1e-9
