"""Frames that are not of the light, or not the picture, of those before: nothing earlier is believed of them."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scenes import Scene
from scenes import vessel as large_vessel
from sparing import first_quick
from tone_scenes import CURVES, Floats, expose, studio

from lampblack.daemon.config import load_thresholds
from lampblack.rules.exposure import Exposure
from lampblack.rules.frame import Picture, Shot
from lampblack.rules.look import look
from lampblack.rules.shoot import Setup, judge, new_setup
from lampblack.rules.verdict import Verdict

THRESHOLDS = load_thresholds()


def vessel(tone: str, **how: float) -> Scene:
    return large_vessel(tone, height=400, width=600, **how)  # type: ignore[arg-type]


SPILL, FLAGGED = vessel("black", spill=0.02), vessel("black")
SET_ASIDE = {"light-changed", "size", "camera"}


def shoot(pictures: list[Picture], setup: Setup | None = None) -> tuple[Setup, list[Verdict]]:
    setup, verdicts = setup or new_setup(1), []
    for number, picture in enumerate(pictures, start=1):
        seen = look(picture, THRESHOLDS, setup.radiance)
        setup, verdict = judge(setup, seen, THRESHOLDS, file=f"{number}.jpg", frame=number)
        verdicts.append(verdict)
    return setup, verdicts


def kinds(verdict: Verdict) -> set[str]:
    return {notice.kind for notice in verdict.notices}


def filled(code: int, f_number: float, like: Picture) -> Picture:
    """A frame of one code all over."""
    return Picture("jpeg", np.full_like(like.codes, code), Shot(Exposure.of(f_number, 1 / 60, 200)))


# --- the light changed ----------------------------------------------------------------------------------------------

ORDERS = {
    "the same aperture again": ([5.6], 5.6),
    "a wide-open frame in between": ([5.6, 2.8], 5.6),
    "a wide-open frame first": ([2.8, 5.6], 5.6),
    "a bracket, then the middle": ([11.0, 5.6, 2.8], 5.6),
    "a frame two stops wider": ([5.6], 2.8),
    "a frame a stop closer": ([5.6], 8.0),
    "only wide open before": ([2.8], 5.6),
}


@pytest.mark.parametrize("order", ORDERS)
def test_a_flag_is_noticed_whatever_was_shot_before(order: str) -> None:
    before, then = ORDERS[order]
    pictures = [SPILL.shot(n, seed=i) for i, n in enumerate(before)]
    setup, verdicts = shoot([*pictures, FLAGGED.shot(then, seed=9)])
    assert not any(kinds(verdict) & SET_ASIDE for verdict in verdicts[:-1])
    assert "light-changed" in kinds(verdicts[-1])
    assert len(setup.samples) == 1
    assert [f.f_number for f in verdicts[-1].forecast if f.shot] == [then]


@pytest.mark.parametrize("levels", [(0.0, 1.0), (1.0, 6.0)], ids=["key off", "fill sixfold"])
@pytest.mark.parametrize("back", first_quick([0.0, 2.0]))
def test_a_lamp_changed_is_noticed_at_an_exposure_shot_before(levels: tuple[float, float], back: float) -> None:
    """Whatever the tone curve, and whether or not a brighter frame came in between."""
    lamps = studio(0, 400, 600)
    off = lamps.light(*levels)
    for name in ("hard s", "high lifted toe"):
        shots = [(lamps.light(), 0.0), (lamps.light(), back), (off, 0.0)]
        _, verdicts = shoot([coded(light, stops, CURVES[name], seed) for seed, (light, stops) in enumerate(shots)])
        assert [bool(kinds(v) & SET_ASIDE) for v in verdicts] == [False, False, True], name


def coded(light: Floats, stops: float, curve: object, seed: int = 0) -> Picture:
    shot = Shot(Exposure.of(5.6, 2.0**stops / 64, 200))
    return Picture("jpeg", expose(light, stops, curve, seed=seed), shot)  # type: ignore[arg-type]


@cache
def scene_light(name: str) -> Floats:
    kind, _, what = name.partition(" ")
    return studio(int(what), 400, 600).light() if kind == "studio" else vessel(what, spill=0.01).light


SCENES = ("studio 0", "vessel black", "studio 1", "vessel white", "vessel grey")
EACH = [
    pytest.param(name, scene, marks=[] if i == j else pytest.mark.slow)
    for i, name in enumerate(CURVES)
    for j, scene in enumerate(SCENES)
]


@pytest.mark.parametrize(("name", "scene"), EACH)
def test_a_bracket_up_to_eight_stops_wide_is_one_light_whatever_the_curve(name: str, scene: str) -> None:
    for stops in ((-4.0, 4.0), (0.0, -3.0, 3.0, -5.0)):
        pictures = [coded(scene_light(scene), at, CURVES[name], seed) for seed, at in enumerate(stops)]
        _, verdicts = shoot(pictures)
        assert not any(kinds(verdict) & SET_ASIDE for verdict in verdicts), stops


@pytest.mark.parametrize("then", [5.6, 8.0])
@pytest.mark.parametrize("pixels", [3, 9])
def test_a_nudged_tripod_or_a_sitter_who_moved_is_no_change_of_light(pixels: int, then: float) -> None:
    """By half a per cent, and one and a half, of the frame's width."""
    moved = Scene(np.roll(SPILL.light, (pixels // 2, pixels), axis=(0, 1)), SPILL.backdrop)
    _, verdicts = shoot([SPILL.shot(5.6, seed=1), moved.shot(then, seed=2)])
    assert not kinds(verdicts[-1]) & SET_ASIDE


# --- nothing to be seen ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("aim", ["even", "hold-highlights", "clean-backdrop"])
@pytest.mark.parametrize(("before", "at"), [([], 8.0), ([5.6], 8.0), ([11.0, 8.0, 5.6], 2.8), ([2.8], 2.8)])
def test_a_burnt_out_frame_is_never_advised_to_open(before: list[float], at: float, aim: str) -> None:
    scene = vessel("black", shade=0.5)  # so dim that its own frames ask to be opened
    pictures = [scene.shot(n, seed=i) for i, n in enumerate(before)]
    setup = new_setup(1, aim=aim)  # type: ignore[arg-type]
    _, verdicts = shoot([*pictures, filled(255, at, scene.shot(8.0))], setup)
    burnt = verdicts[-1]
    assert burnt.step.move in ("close", "light")
    assert burnt.step.stops is None or burnt.step.stops < 0
    assert "burnt-out" in kinds(burnt)
    assert burnt.highlights.headroom is None or burnt.highlights.headroom.stops < 0
    assert ("light-changed" in kinds(burnt)) == bool(before)


@pytest.mark.parametrize("code", [0, 2, 30])
@pytest.mark.parametrize("before", [[5.6], [11.0, 5.6], [2.8]])
def test_a_frame_with_the_cap_on_is_told_and_nothing_before_is_believed(before: list[float], code: int) -> None:
    """Black is code 30 in a camera with lifted blacks."""
    scene = vessel("grey")
    pictures = [scene.shot(n, seed=i) for i, n in enumerate(before)]
    setup, verdicts = shoot([*pictures, filled(code, 5.6, scene.shot(5.6))])
    assert {"light-changed", "black-frame"} <= kinds(verdicts[-1])
    assert verdicts[-1].step.move == "light"
    assert "cap" in verdicts[-1].step.why
    assert len(setup.samples) == 1


def test_a_frame_as_black_as_was_to_be_expected_is_to_be_opened() -> None:
    scene = vessel("black")
    dim = replace(scene, light=scene.light / 2**9)
    _, (verdict,) = shoot([dim.shot(8.0)])
    assert "black-frame" in kinds(verdict)
    assert verdict.step.move == "open"
    _, (verdict,) = shoot([dim.shot(2.8)])
    assert verdict.step.move == "light"


def test_a_frame_that_burns_out_as_foretold_is_no_other_light() -> None:
    scene = vessel("white", shade=3.0)
    bright = replace(scene, light=scene.light + 0.3)
    _, verdicts = shoot([bright.shot(8.0, seed=1), bright.shot(1.4, seed=2)])
    assert "burnt-out" in kinds(verdicts[-1])
    assert "light-changed" not in kinds(verdicts[-1])
    assert verdicts[-1].step.move == "close"


# --- the light is back ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("odd", ["cap", "burnt", "flag"])
def test_frames_set_aside_count_again_once_their_light_is_back(odd: str) -> None:
    before = [SPILL.shot(n, seed=i) for i, n in enumerate((11.0, 5.6))]
    between = {
        "cap": filled(0, 5.6, before[0]),
        "burnt": filled(255, 8.0, before[0]),
        "flag": FLAGGED.shot(5.6, seed=5),
    }[odd]
    _, verdicts = shoot([*before, between, SPILL.shot(4.0, seed=9), SPILL.shot(8.0, seed=10)])
    assert [kinds(v) & {*SET_ASIDE, "light-again"} for v in verdicts] == [
        set(), set(), {"light-changed"}, {"light-again"}, set()
    ]  # fmt: skip
    assert [f.f_number for f in verdicts[-2].forecast if f.shot] == [4.0, 5.6, 11.0]
    assert [f.f_number for f in verdicts[-1].forecast if f.shot] == [4.0, 5.6, 8.0, 11.0]


def test_a_third_light_is_neither_the_one_nor_the_other() -> None:
    lamps = studio(0, 400, 600)
    lights = (lamps.light(), lamps.light(0.0, 1.0), lamps.light(1.0, 6.0))
    _, verdicts = shoot([coded(light, 0.0, CURVES["srgb"], i) for i, light in enumerate(lights)])
    assert [kinds(v) & {*SET_ASIDE, "light-again"} for v in verdicts] == [set(), {"light-changed"}, {"light-changed"}]


# --- another picture ------------------------------------------------------------------------------------------------


def test_nothing_is_taken_from_frames_of_another_size() -> None:
    """Not even where both come to as many cells."""
    small = vessel("black", shade=0.3).shot(8.0, seed=1)
    large = vessel("black", shade=3.0).shot(8.0, seed=2)
    large = Picture("jpeg", np.repeat(np.repeat(large.codes, 2, axis=0), 2, axis=1), large.shot)
    setup, verdicts = shoot([small, large])
    assert "size" in kinds(verdicts[-1])
    assert len(setup.samples) == 1
    _, (alone,) = shoot([large])
    assert verdicts[-1].highlights == alone.highlights
    assert verdicts[-1].step == alone.step
    assert verdicts[-1].forecast == alone.forecast
    # ... and from then on the new size is the setup's.
    _, (third,) = shoot([large], setup)
    assert not kinds(third) & SET_ASIDE


def test_nothing_is_taken_from_frames_of_another_camera_not_even_its_curve() -> None:
    def of(camera: str | None, picture: Picture) -> Picture:
        return Picture("jpeg", picture.codes, replace(picture.shot, camera=camera))

    one = [of("Invented One", coded(scene_light("studio 0"), at, CURVES["hard s"])) for at in (-2.0, 0.0, 2.0)]
    setup, _ = shoot(one)
    assert setup.response.source == "bracket"
    other = of("Invented Two", coded(scene_light("studio 0"), 0.0, CURVES["high lifted toe"]))
    setup, (verdict,) = shoot([other], setup)
    assert "camera" in kinds(verdict)
    assert len(setup.samples) == 1
    assert setup.response.source == "prior"
    # A file that doesn't tell its camera may be of any.
    _, (unnamed,) = shoot([of(None, other)], setup)
    assert not kinds(unnamed) & SET_ASIDE
