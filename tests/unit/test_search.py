"""
Where the search for the backdrop used to go astray: noise in the darks, soft shadows, borders, faded outlines, mesh.

Drawn scenes whose backdrop is known cell by cell; raw with shot and read noise (EMVA 1288).
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scenes import encode, overlap, sensor
from sparing import first_quick

from lampblack.daemon.config import load_thresholds
from lampblack.rules.exposure import Exposure
from lampblack.rules.frame import Picture, Shot
from lampblack.rules.look import Look, Part, look
from lampblack.rules.radiance import merge

THRESHOLDS = load_thresholds()
HEIGHT, WIDTH = 400, 600
SHOT = Shot(Exposure.of(8.0, 1 / 60, 200))
Light = NDArray[np.float64]
Mask = NDArray[np.bool_]


def raw(light: Light, *, electrons: float, read: float, seed: int = 0, step: int = 1) -> Look:
    """Look at a colourless light, (400, 600), as a sensor files it."""
    return look(sensor(light, SHOT, electrons=electrons, read=read, seed=seed, step=step), THRESHOLDS)


def jpeg(light: Light) -> Look:
    grey = light if light.ndim == 3 else np.repeat(light[..., None], 3, axis=2)
    return look(Picture("jpeg", encode(grey), SHOT), THRESHOLDS)


def disc(x: float, y: float, radius: float) -> Light:
    rows, columns = np.mgrid[0:HEIGHT, 0:WIDTH]
    return np.clip(0.5 - (np.hypot(columns + 0.5 - x, rows + 0.5 - y) - radius), 0, 1)


@pytest.mark.parametrize("seed", first_quick(range(4)))
def test_a_dark_thing_before_black_is_found_at_a_high_iso(seed: int) -> None:
    """Twice the backdrop's light, which is five electrons a sample: no single cell can tell them apart."""
    shape = disc(300, 220, 110)
    found = raw(0.0015 * (1 + shape) + 0.5 * disc(300, 180, 12), electrons=3600, read=7, seed=seed)
    assert overlap(found.backdrop, shape < 0.5) > 0.98


@pytest.mark.parametrize("seed", first_quick(range(4)))
def test_noise_in_the_darkest_part_of_a_backdrop_is_no_edge(seed: int) -> None:
    """Spill on the left; on the right next to no light, whose noise the codes spread widest."""
    shape = disc(300, 220, 90)
    spill = np.geomspace(0.02, 0.0006, WIDTH)[None, :]
    found = raw(np.where(shape > 0, 0.3 * shape + spill * (1 - shape), spill), electrons=3600, read=7, seed=seed)
    assert overlap(found.backdrop, shape < 0.5) > 0.98


@pytest.mark.parametrize("step", [10, 20])
def test_a_dark_fall_of_light_filed_in_few_levels_has_no_steps(step: int) -> None:
    """A backdrop of one to five levels of the sensor, whose noise is less than one of them."""
    shape = disc(300, 200, 90)
    fall = np.linspace(1.0, 5.0, HEIGHT)[:, None] * np.ones((1, WIDTH)) * step / 15_000
    found = raw(np.where(shape > 0, 0.3 * shape + fall * (1 - shape), fall), electrons=60_000, read=12, step=step)
    assert overlap(found.backdrop, shape < 0.5) > 0.98


@pytest.mark.parametrize("soft", [0.5, 0.9, 1.3, 1.8])
@pytest.mark.parametrize("lights", [(0.5, 0.002), (0.5, 0.1), (0.2, 0.6)])
def test_raw_puts_a_softly_drawn_line_where_it_is(soft: float, lights: tuple[float, float]) -> None:
    """Blurred by up to two cells, it runs within a tenth of a cell of where half of each is."""
    inside, outside = lights
    light = outside + (inside - outside) * cv2.GaussianBlur(disc(300.3, 200.7, 110), (0, 0), soft)
    found = raw(light, electrons=60_000, read=3)
    share = np.isin(found.points((4 * HEIGHT, 4 * WIDTH)), [Part.SUBJECT, Part.GLINT]).mean()
    wide = np.sqrt(share * HEIGHT * WIDTH / np.pi)
    assert wide == pytest.approx(110, abs=0.1)


def test_in_the_darks_a_seventh_more_light_is_an_edge_to_raw() -> None:
    """A code and a half: a JPEG's rounding hides it, a sensor's samples don't."""
    shape = disc(300, 220, 110)
    found = raw(0.003 * (1 + 0.15 * shape) + 0.5 * disc(300, 180, 12), electrons=60_000, read=3)
    assert overlap(found.backdrop, shape < 0.5) > 0.98


@pytest.mark.parametrize("wide", [3, 5])
def test_a_soft_shadow_is_backdrop(wide: int) -> None:
    """A block on a sweep, and its shadow beside it, half as bright and soft."""
    thing = np.zeros((HEIGHT, WIDTH))
    thing[150:300, 200:300] = 1
    shadow = np.zeros((HEIGHT, WIDTH))
    shadow[230:300, 240:460] = 1
    level = 0.5 * (1 - 0.5 * cv2.GaussianBlur(shadow, (0, 0), wide))
    found = jpeg(np.where(thing > 0, 0.15, level))
    assert overlap(found.backdrop, thing == 0) > 0.985


def test_a_hard_edged_darker_thing_is_none() -> None:
    thing = np.zeros((HEIGHT, WIDTH), bool)
    thing[150:300, 200:300] = thing[270:300, 300:420] = True
    assert overlap(jpeg(np.where(thing, 0.25, 0.5)).backdrop, ~thing) > 0.985


@pytest.mark.parametrize("flip", [False, True])
def test_a_thing_cut_off_by_the_border_is_no_card(flip: bool) -> None:
    """A ball half out of the picture, a bright seam down its middle: the smooth part beyond is the ball's own."""
    shape = disc(540, 200, 150)
    light = 0.004 + 0.25 * shape * np.linspace(0.4, 1, WIDTH)[None, :]
    light[60:340, 500:506] = 0.9
    light[346:352, 430:] = 0.9
    found = jpeg(light[:, ::-1] if flip else light)
    assert not (found.parts == Part.INTRUDER).any()
    assert overlap(found.backdrop, (shape[:, ::-1] if flip else shape) < 0.5) > 0.95


def test_a_card_that_reaches_in_from_the_side_still_is() -> None:
    light = 0.004 + 0.3 * disc(250, 220, 90)
    light[120:260, 540:] = 0.3
    found = jpeg(light)
    assert (found.parts == Part.INTRUDER)[130:250, 545:].mean() > 0.9


@pytest.mark.parametrize("left", [False, True])
def test_a_flag_on_a_stand_at_the_side_is_no_part_of_the_subject(left: bool) -> None:
    """Tall and narrow, along the border down to its foot; a sitter whom side and bottom cut off is wide."""
    light = 0.004 + 0.3 * disc(250, 220, 90)
    light[40:, 555:] = 0.3
    light = cv2.GaussianBlur(light, (0, 0), 0.8)
    found = jpeg(light[:, ::-1] if left else light)
    parts = found.parts[:, ::-1] if left else found.parts
    assert (parts == Part.INTRUDER)[60:390, 560:].mean() > 0.95
    assert not np.isin(parts, [Part.SUBJECT, Part.GLINT])[60:390, 500:].any()
    light[200:, 420:] = 0.3
    assert not (jpeg(light).parts == Part.INTRUDER).any()


def test_a_burnt_flag_whose_edge_is_noisy_is_one_all_the_same() -> None:
    """White with a noise that leaves cells of its own along the border."""
    light = 0.15 + 0.5 * disc(300, 200, 90)
    light[80:, :34] = 1.1 + 0.25 * np.random.default_rng(1).normal(size=(HEIGHT - 80, 34))
    found = jpeg(cv2.GaussianBlur(light, (0, 0), 0.6))
    assert not np.isin(found.parts, [Part.SUBJECT, Part.GLINT])[90:390, :60].any()


def test_a_dark_thing_apart_from_the_others_is_no_patch_of_light() -> None:
    """Four stops under the bright one, before black, as sharp as that; a lamp's beam there is soft, and is one."""
    thing = disc(450, 150, 50)
    light = 0.001 + 0.6 * disc(220, 220, 90) + 0.03 * thing
    true = (disc(220, 220, 90) < 0.5) & (thing < 0.5)
    assert overlap(jpeg(light).backdrop, true) > 0.99
    beam = 0.001 + 0.6 * disc(220, 220, 90) + 0.03 * cv2.GaussianBlur(thing, (0, 0), 8)
    assert overlap(jpeg(beam).backdrop, disc(220, 220, 90) < 0.5) > 0.99


def test_a_bright_streak_along_a_rod_hides_little_of_its_sides() -> None:
    """Fifteen cells thick, its streak several times as bright as its sides; drawn as softly as a sharp lens does."""
    rows, columns = np.mgrid[0:HEIGHT, 0:WIDTH]
    across = ((rows - 200.0) - 0.5 * (columns - 300.0)) / 7.3
    rod = (np.abs(across) < 1) & (np.abs(columns - 300) < 150)
    shade = 0.2 + 0.8 * np.sqrt(np.clip(1 - across**2, 0, 1))
    light = np.where(rod, 0.15 * shade + 0.6 * np.exp(-(((across - 0.3) / 0.1) ** 2)), 0.0004)
    found = raw(cv2.GaussianBlur(light, (0, 0), 0.9), electrons=60_000, read=3)
    lost = (found.backdrop & rod).sum() / rod.sum()
    assert lost < 0.2  # of a line that runs half a cell too far in on either side: a fifteenth


def test_a_flag_in_two_pieces_is_one() -> None:
    """Black above and lit below: the one is a card by itself, and what is left would be too short for a flag."""
    light = 0.15 + 0.5 * disc(300, 200, 90)
    light[:240, :34], light[240:, :34] = 0.02, 0.4
    found = jpeg(cv2.GaussianBlur(light, (0, 0), 0.6))
    assert not np.isin(found.parts, [Part.SUBJECT, Part.GLINT])[:, :60].any()


def test_an_outline_that_fades_in_one_place_lets_nothing_in() -> None:
    """Half of the ball's lower rim has the backdrop's own light, and more and more of its own farther in."""
    shape = disc(300, 200, 120)
    rows, columns = np.mgrid[0:HEIGHT, 0:WIDTH]
    depth = np.clip((120 - np.hypot(columns - 300, rows - 200)) / 60, 0, 1)
    fades = np.clip((rows - 290) / 20, 0, 1) * (np.abs(columns - 300) < 14)
    light = 0.004 + shape * 0.2 * (1 - fades * (1 - depth))
    assert overlap(jpeg(light).backdrop, shape < 0.5) > 0.95


def test_through_a_mesh_there_is_backdrop() -> None:
    """Bars five cells wide, twelve apart."""
    bars = np.zeros((HEIGHT, WIDTH), bool)
    bars[100:306:17, 150:450] = False
    for i in range(100, 300, 17):
        bars[i : i + 5, 150:445] = True
    for j in range(150, 440, 17):
        bars[100:292, j : j + 5] = True
    found = jpeg(np.where(bars, 0.02, 0.4))
    assert overlap(found.backdrop, ~bars) > 0.93
    assert found.backdrop[105:117, 155:167].mean() > 0.4


@pytest.mark.parametrize("bars", [0.02, 0.3])
def test_between_bars_a_few_cells_apart_there_is_backdrop(bars: float) -> None:
    """Under a soft lens no cell of such a gap is plain: each slopes to the bars on both sides."""
    columns = np.arange(WIDTH)[None, :]
    backdrop = np.linspace(0.16, 0.1, HEIGHT)[:, None] * np.linspace(0.9, 1.1, WIDTH)[None, :]
    fence = np.zeros((HEIGHT, WIDTH))
    fence[90:330, 150:452] = (columns[:, 150:452] - 150) % 10 < 3
    fence[90:96, 150:452] = fence[324:330, 150:452] = 1
    shape = cv2.GaussianBlur(fence, (0, 0), 0.9)
    found = raw(bars * shape + backdrop * (1 - shape), electrons=40_000, read=3)
    gaps = shape[100:320, 154:448] < 0.5
    assert found.backdrop[100:320, 154:448][gaps].mean() > 0.9
    assert found.backdrop[100:320, 154:448][~gaps].mean() < 0.1


@pytest.mark.parametrize("ribs", [0, 2])
def test_a_thing_shaded_from_under_the_backdrops_light_to_over_it_stays_whole(ribs: int) -> None:
    """Its outline is lost at top and bottom, where the two lights meet."""
    shape = disc(300, 200, 130) > 0.5
    rows = np.arange(HEIGHT)[:, None]
    shading = np.geomspace(0.03, 0.5, WIDTH)[None, :] * np.where(rows % 12 < ribs, 0.5, 1)
    found = raw(np.where(shape, shading, 0.12), electrons=40_000, read=3)
    assert overlap(found.backdrop, ~shape) > 0.99


def test_a_pocket_of_backdrop_behind_a_narrow_neck_stays_backdrop() -> None:
    """In a falling light, with the neck as wide as an outline's lost part above."""
    ring = (disc(300, 200, 130) > 0.5) & (disc(300, 200, 110) < 0.5)
    ring[:200, 290:310] = False
    backdrop = np.geomspace(0.03, 0.2, HEIGHT)[:, None] * np.ones((1, WIDTH))
    found = raw(np.where(ring, 0.4, backdrop), electrons=40_000, read=3)
    assert overlap(found.backdrop, ~ring) > 0.99


def test_raw_finds_a_black_backdrop_between_things_that_stand_on_the_border() -> None:
    """Two stems cut by the bottom, joined above: at code 3 a JPEG's rounding would tell nothing, samples do."""
    stems = np.zeros((HEIGHT, WIDTH), bool)
    stems[120:, 200:230] = stems[120:, 370:400] = stems[120:150, 200:400] = True
    found = raw(np.where(stems, 0.1, 0.001), electrons=40_000, read=3)
    assert overlap(found.backdrop, ~stems) > 0.99


def test_a_dark_frame_does_not_drown_the_darks_of_a_bright_one() -> None:
    """Five stops apart, read noise alike: merged, the darks are hardly noisier than the bright frame has them."""
    rng = np.random.default_rng(3)
    shape = (60, 80, 3)
    bright, dark = (np.maximum(level + 2e-4 * rng.normal(size=shape), 0) for level in (8e-4, 8e-4 / 32))
    clear = np.zeros(shape[:2])
    known = merge(None, bright, clear, 5.0, raw=True)
    merged = merge(known, dark, clear, 0.0, raw=True).at(5.0)
    assert merged.std() < 1.2 * bright.std()
    assert merged.mean() == pytest.approx(bright.mean(), rel=0.05)


@pytest.mark.parametrize(("level", "noise"), [(0.05, 0.0), (0.05, 0.6), (0.08, 0.3)])
def test_what_a_dark_frame_rounds_is_no_edge_of_a_wall_that_burns_out_in_the_next(level: float, noise: float) -> None:
    """
    A wall filed at code 60 or so, its light a little less toward the corners, noise of a part of a code on it.

    Five stops brighter each of these codes is half a dozen, and the contours that rounding draws look like edges.
    """
    rows, columns = np.mgrid[0:HEIGHT, 0:WIDTH]
    thing = disc(300, 200, 80) > 0.5
    fall = np.exp2(-1.2 * ((columns / WIDTH - 0.5) ** 2 + (rows / HEIGHT - 0.5) ** 2))
    wall = level * np.where(thing, 0.08, fall)
    codes = 255 * (1.055 * wall ** (1 / 2.4) - 0.055) + np.random.default_rng(0).normal(0, noise, wall.shape)
    dark = np.rint(codes).astype(np.uint8)[..., None].repeat(3, axis=2)
    first = look(Picture("jpeg", dark, SHOT), THRESHOLDS)
    burnt = encode(np.minimum(32 * wall, 1)[..., None].repeat(3, axis=2))
    second = look(Picture("jpeg", burnt, Shot(Exposure.of(8.0, 32 / 60, 200))), THRESHOLDS, first.radiance)
    assert overlap(second.backdrop, ~thing) > 0.99
