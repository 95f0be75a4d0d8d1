"""Where the line between backdrop and subject runs, against things whose area is known (a disc's is pi r squared)."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scenes import encode, sensor
from sparing import first_quick
from tone_scenes import CURVES

from lampblack.daemon.config import load_thresholds
from lampblack.rules.exposure import Exposure
from lampblack.rules.frame import Picture, Shot
from lampblack.rules.look import Look, Part, look
from lampblack.rules.shoot import judge, new_setup

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


@settings(deadline=None, max_examples=8)
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


@pytest.mark.parametrize("times", first_quick([1, 2, 4]))
def test_its_size_does_not_hang_on_that_of_the_picture(times: int) -> None:
    light = np.kron(disc(90, 300.3, 200.7, 0.4, 0.001), np.ones((times, times, 1)))
    assert subject_pixels(seen(light)) == pytest.approx(np.pi * (90 * times) ** 2, rel=0.004)


def test_a_thin_thing_is_not_swallowed_nor_swollen() -> None:
    """A rod seven cells wide before grey, from the frame's top to its bottom."""
    columns = np.arange(WIDTH) + 0.5
    share = np.clip(4 - np.abs(columns - 300.2), 0, 1)  # seven whole, half of the next on either side
    light = np.broadcast_to((0.2 + (0.03 - 0.2) * share)[None, :, None], (HEIGHT, WIDTH, 3))
    assert subject_pixels(seen(light)) == pytest.approx(7 * HEIGHT, rel=0.08)


@pytest.mark.parametrize("soft", [1.0, 2.0, 3.0])
@pytest.mark.parametrize("lights", [(0.5, 0.001), (0.05, 0.85), (0.6, 0.2)])
def test_a_soft_lens_does_not_make_it_larger(soft: float, lights: tuple[float, float]) -> None:
    """Blurred by a standard deviation of one to three cells, the line still runs where half of each is, or near."""
    light = cv2.GaussianBlur(disc(90, 300.3, 200.7, *lights), (0, 0), soft)
    assert subject_pixels(seen(light)) == pytest.approx(np.pi * 90**2, rel=0.01 + 0.02 * soft)


def hairy(lights: tuple[float, float], strands: int = 160) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the light of a disc with strands all round, drawn four times finer than cells, and its coverage."""
    rng = np.random.default_rng(2)
    drawn = np.zeros((4 * HEIGHT, 4 * WIDTH), np.uint8)
    cv2.circle(drawn, (4 * 300, 4 * 200), 4 * 80, (255,), -1)
    for turn in rng.uniform(0, 2 * np.pi, strands):
        bend, far = turn + rng.normal(0, 0.1), rng.uniform(95, 125)
        ends = [
            (round(4 * (300 + r * np.cos(a))), round(4 * (200 + r * np.sin(a)))) for r, a in ((70, turn), (far, bend))
        ]
        cv2.line(drawn, ends[0], ends[1], (255,), 10)
    share = cv2.resize(drawn, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA) / 255.0
    inside, outside = lights
    return np.repeat((outside + (inside - outside) * share)[..., None], 3, axis=2), share


@pytest.mark.parametrize("lights", [(0.2, 0.004), (0.3, 0.8), (0.05, 0.2)])
def test_between_hairs_there_is_backdrop(lights: tuple[float, float]) -> None:
    light, share = hairy(lights)
    found, true = seen(light).backdrop, share < 0.5
    assert (found & true).sum() / (found | true).sum() > 0.985


@pytest.mark.parametrize("lights", [(0.05, 0.006), (0.02, 0.2), (0.4, 0.85)])
def test_backdrop_shows_through_rungs_and_under_a_beam(lights: tuple[float, float]) -> None:
    """A ladder across the frame: windows in it, and a strip below that only touches the bottom."""
    shape = np.ones((HEIGHT, WIDTH), bool)
    shape[:120] = shape[360:] = False
    for left in range(40, 560, 130):
        shape[150:330, left : left + 100] = False
    light = np.where(shape, *lights) * (1 - 0.2 * np.linspace(0, 1, WIDTH))
    found = seen(np.repeat(light[..., None], 3, axis=2)).backdrop
    assert (found & ~shape).sum() / (found | ~shape).sum() > 0.97


def test_backdrop_between_an_arm_and_a_body_goes_on_as_light_falls() -> None:
    """Light falls by a stop from top to bottom; nothing of the backdrop beside the hole is seen at its height."""
    rows, columns = np.mgrid[0:HEIGHT, 0:WIDTH]
    body = (rows >= 180) & (columns >= 200) & (columns < 400)
    body |= (rows >= 250) & ((rows < 290) | (columns < 40) | (columns >= 400))
    knit = np.where((columns // 4 + rows // 4) % 2 > 0, 0.1, 0.03)
    light = np.where(body, knit, 0.8 * 2 ** (-1.2 * rows / HEIGHT))
    found = seen(np.repeat(light[..., None], 3, axis=2)).backdrop
    assert found[310:395, 50:190].mean() > 0.95
    assert (found & ~body).sum() / (found | ~body).sum() > 0.97


def test_shading_with_the_backdrops_light_is_no_window() -> None:
    """A ball shaded from bright to dark passes through the grey of the backdrop: no hole there."""
    light = disc(110, 300, 200, 0.5, 0.2)
    rows, columns = np.mgrid[0:HEIGHT, 0:WIDTH]
    inside = np.hypot(columns - 300, rows - 200) < 109
    light[inside] *= (np.clip((columns - 190) / 220, 0.05, 1)[inside])[:, None]
    assert subject_pixels(seen(light)) == pytest.approx(np.pi * 110**2, rel=0.03)


def test_where_white_ends_is_no_edge() -> None:
    """A white backdrop, clipped on one side and falling off on the other, is one."""
    fall = np.linspace(1.6, 0.35, WIDTH)
    light = disc(80, 300, 200, 0.05, 1.0)
    light = np.where(light > 0.9, fall[None, :, None], light)
    assert subject_pixels(seen(light)) == pytest.approx(np.pi * 80**2, rel=0.02)


@pytest.mark.parametrize("shape", [(400, 600), (1000, 1500), (1600, 2400)])
def test_points_need_not_be_a_whole_number_to_a_cell(shape: tuple[int, int]) -> None:
    """A raw file of 24 megapixels has two and a half each way."""
    found = seen(disc(90, 300.3, 200.7, 0.4, 0.001))
    points = found.points(shape)
    assert points.shape == shape
    assert np.isin(points, (Part.SUBJECT, Part.GLINT)).mean() * 240_000 == pytest.approx(np.pi * 90**2, rel=0.004)


@pytest.mark.parametrize("name", ["shoulder", "standard", "gamma 1.8", "hard s"])
def test_a_bracket_puts_the_line_right_where_the_backdrop_burns_out_last(name: str) -> None:
    """
    A disc before white, the third frame's backdrop well over white: its light is known from the first, by the camera's
    own curve. Read in sRGB the disc came out half a percent too small: a quarter of a cell all around.
    """
    light, setup = disc(100.0, 301.3, 204.7, 0.2, 0.9), new_setup(1)
    rng = np.random.default_rng(0)
    for number, f_number in enumerate((16.0, 11.0, 8.0)):
        met = light[..., :1] * (11 / f_number) ** 2 * (1 + rng.normal(0, 0.01, (*light.shape[:2], 1)))
        codes = np.rint(255 * CURVES[name](np.clip(met, 0, 1))).astype(np.uint8).repeat(3, axis=2)
        found = look(Picture("jpeg", codes, Shot(Exposure.of(f_number, 1 / 60, 100))), THRESHOLDS, setup.known)
        setup, _ = judge(setup, found, THRESHOLDS, file="x", frame=number)
    assert subject_pixels(found) == pytest.approx(np.pi * 100**2, rel=0.0025)


def as_a_lens_draws(light: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.repeat(cv2.GaussianBlur(light, (0, 0), 0.7)[..., None], 3, axis=2)


def fringed(inside: float, outside: float) -> tuple[NDArray[np.float64], float]:
    """Return the light of a scarf, a fringe hanging from it, cords a little slanted; and its area in pixels."""
    rng, fine = np.random.default_rng(1), 4
    scarf = np.zeros((fine * HEIGHT, fine * WIDTH), np.float32)
    scarf[400:880, 600:1800] = 1
    for x in range(600, 1800, 8 * fine):
        length = int(rng.uniform(250, 420))
        end = x + 6 + int(0.1 * length * rng.uniform(-1, 1))
        cv2.line(scarf, (x + 6, 876), (end, 880 + length), (1,), 3 * fine)
    share = np.asarray(cv2.resize(scarf, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA), np.float64)
    light = as_a_lens_draws(outside + (inside - outside) * share)
    return light * 2.0 ** rng.normal(0, 0.01, (*light.shape[:2], 1)), float(share.sum())


@pytest.mark.parametrize("lights", [(0.3, 0.02), (0.6, 0.15), (0.03, 0.2), (0.05, 0.8)])
def test_between_the_cords_of_a_fringe_there_is_backdrop(lights: tuple[float, float]) -> None:
    """Gaps five pixels wide and dozens long, through which no search squeezes: a tenth and more of the subject."""
    light, area = fringed(*lights)
    assert subject_pixels(seen(light)) == pytest.approx(area, rel=0.095)


@pytest.mark.parametrize("outside", [0.1, 0.15])
@pytest.mark.parametrize("rim", [0.02, 0.05])
def test_a_dark_rim_belongs_to_the_thing_however_bright_the_streak_behind_it(outside: float, rim: float) -> None:
    """Polished metal mirrors the dark beside a lamp along its outline: two pixels of it, then the lamp's own streak."""
    light = np.full((HEIGHT, WIDTH), outside)
    for margin, inside in ((0, rim), (2, 0.8), (10, 0.3)):
        light[100 + margin : 300 - margin, 200 + margin : 400 - margin] = inside
    assert subject_pixels(seen(as_a_lens_draws(light))) == pytest.approx(200 * 200, rel=0.01)


def egg() -> NDArray[np.float64]:
    """Return how far out cells lie, 1 along a body's outline."""
    rows, columns = np.mgrid[0:HEIGHT, 0:WIDTH]
    return np.hypot((columns + 0.5 - 300) / 90, (rows + 0.5 - 200) / 150)


@pytest.mark.parametrize("black", [0.0004, 0.0009, 0.0015])
@pytest.mark.parametrize("noise", [0.0, 0.2])
def test_even_on_black_one_sees_through_a_ring(black: float, noise: float) -> None:
    """noise: stops."""
    light = np.where(egg() < 1, 0.3, black)
    light[egg() < 0.85] = black
    light *= 2.0 ** np.random.default_rng(2).normal(0, noise, light.shape)
    area = np.pi * 90 * 150 * (1 - 0.85**2)
    assert subject_pixels(seen(as_a_lens_draws(light))) == pytest.approx(area, rel=0.02)


def test_where_a_file_holds_nothing_no_ring_is_told_from_a_disc() -> None:
    light = np.where(egg() < 1, 0.3, 0.0)
    light[egg() < 0.85] = 0
    assert subject_pixels(seen(as_a_lens_draws(light))) == pytest.approx(np.pi * 90 * 150, rel=0.02)


def test_a_black_box_that_light_grazes_is_no_frame() -> None:
    """Sharp rims of light on three of its sides, and one from which it falls off inward, down to the backdrop's."""
    light, (top, bottom, left, right) = np.full((HEIGHT, WIDTH), 0.0009), (60, 340, 230, 370)
    fall = 0.4 * np.exp(-np.arange(right - left)[::-1] / 10)
    light[top:bottom, left:right] += fall
    light[top:bottom, left : left + 4] = light[top : top + 4, left:right] = light[bottom - 4 : bottom, left:right] = 0.4
    area = (bottom - top) * (right - left)
    assert subject_pixels(seen(as_a_lens_draws(light))) == pytest.approx(area, rel=0.02)


@pytest.mark.parametrize("cloth", ["checks", "tweed"])
def test_cloth_with_tones_on_both_sides_of_the_backdrops_is_no_fringe(cloth: str) -> None:
    """Checks of four pixels; or a grain of a stop about a backdrop's own light. Half of it has been taken for gaps."""
    rows, columns = np.mgrid[0:HEIGHT, 0:WIDTH]
    grain = cv2.GaussianBlur(np.random.default_rng(3).normal(size=(HEIGHT, WIDTH)), (0, 0), 1.2)
    woven = {
        "checks": np.where((rows // 4 + columns // 4) % 2, 0.6, 0.08),
        "tweed": 0.14 * 2.0 ** (grain / grain.std()),
    }
    light, there = np.full((HEIGHT, WIDTH), 0.25 if cloth == "checks" else 0.2), (slice(90, 310), slice(180, 420))
    light[there] = woven[cloth][there]
    assert subject_pixels(seen(as_a_lens_draws(light))) == pytest.approx(220 * 240, rel=0.15)


# --- shadows, and pale things much like them ----------------------------------

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
    return as_a_lens_draws(light)


@pytest.mark.parametrize("outside", [0.9, 0.25])
@pytest.mark.parametrize("dim", [0.35, 0.5, 0.8])
def test_a_shadow_on_the_floor_is_backdrop(outside: float, dim: float) -> None:
    assert subject_pixels(seen(box_on_a_sweep(outside, dim))) == pytest.approx(PIXELS, rel=0.05)


MATRICES = {"none": np.eye(3), "a camera's": np.array([[1.75, -0.65, -0.1], [-0.2, 1.55, -0.35], [0.02, -0.5, 1.48]])}
"""From balanced camera colours to sRGB: the second about as usual (common practice)."""


@pytest.mark.parametrize("matrix", MATRICES)
@pytest.mark.parametrize("floor", [(0.7, 1.7), (1.5, 1.5), (1.9, 0.9)])
@pytest.mark.parametrize("dim", [0.35, 0.8])
def test_so_it_is_where_raw_is_full_in_one_channel_first(floor: tuple[float, float], dim: float, matrix: str) -> None:
    """
    Daylight fills green well before balance lifts red and blue as high (common practice: about these shares).

    Where green is full and they are not, a white floor looks pink, and the shadow on it doesn't.
    """
    light = box_on_a_sweep(1.0, dim)[..., 0]
    fall = np.linspace(*floor, HEIGHT)[:, None]
    light = np.where(light < 0.1, light, light * fall)
    shot = Shot(Exposure.of(8.0, 1 / 60, 100))
    colour = (0.6, 1.0, 0.55)
    frame = sensor(light, shot, electrons=40_000, read=3, colour=colour, to_srgb=MATRICES[matrix])
    found = look(frame, THRESHOLDS)
    assert (found.parts == Part.SUBJECT).sum() == pytest.approx(PIXELS, rel=0.05)


@pytest.mark.parametrize("lights", [(0.85, 0.95), (0.8, 0.9), (0.7, 0.9), (0.6, 0.9), (0.25, 0.3), (0.2, 0.3)])
@pytest.mark.parametrize("beside", [False, True])
def test_a_thing_a_little_darker_than_the_backdrop_is_no_shadow(lights: tuple[float, float], beside: bool) -> None:
    """It has a shadow's light and colour, and backdrop beneath it, but an outline all round. beside: a dark one."""
    light, area = disc(80, 300, 200, *lights), np.pi * 80**2
    if beside:
        light, area = np.minimum(light, disc(60, 430, 200, 0.05, lights[1])), area + np.pi * 60**2
    assert subject_pixels(seen(light)) == pytest.approx(area, rel=0.02)
