"""Glints apart from burnt areas, headroom where every frame clips, and what a forecast leaves open."""

from __future__ import annotations

import numpy as np
import pytest
from scenes import Scene, vessel
from sparing import first_quick

from lampblack.daemon.config import load_thresholds
from lampblack.rules.exposure import aperture_value
from lampblack.rules.look import look
from lampblack.rules.shoot import Setup, judge, new_setup
from lampblack.rules.verdict import Verdict

THRESHOLDS = load_thresholds()


def shoot(scene: Scene, f_numbers: list[float], setup: Setup | None = None) -> list[Verdict]:
    setup, verdicts = setup or new_setup(1, aim="hold-highlights"), []
    for number, f_number in enumerate(f_numbers, start=1):
        seen = look(scene.shot(f_number, seed=number), THRESHOLDS, setup.radiance)
        setup, verdict = judge(setup, seen, THRESHOLDS, file=f"{number}.jpg", frame=number)
        verdicts.append(verdict)
    return verdicts


def with_sheen(width: float) -> Scene:
    """A vessel with a soft reflection: four times white at f/5.6, falling off over `width` of the frame."""
    scene = vessel("black")
    h, w = scene.backdrop.shape
    y, x = np.mgrid[0:h, 0:w]
    far = ((x - 0.44 * w) ** 2 + (y - 0.45 * h) ** 2) / (width * w) ** 2
    return Scene(scene.light + 4.0 * np.exp(-far / 2)[..., None], scene.backdrop)


def burnt(scene: Scene, f_number: float) -> float:
    light = scene.light.max(axis=2) * 2.0 ** (5 - aperture_value(f_number))
    return float((light >= 1)[~scene.backdrop].mean())


def test_a_narrow_sheen_is_a_glint_until_it_has_grown() -> None:
    """Ten pixels wide it may burn out; forty wide it is a burnt area, and must be closed down for."""
    narrow, wide = (shoot(with_sheen(width), [16.0])[-1].highlights.headroom for width in (0.004, 0.03))
    assert narrow is not None
    assert wide is not None
    # At f/16 the middle of either has one stop of room.
    assert wide.stops == pytest.approx(1.0, abs=0.35)
    assert narrow.stops > 2.5


@pytest.mark.parametrize("f_number", [2.8, 4.0, 5.6])
def test_clipped_frames_say_that_they_do_not_know_and_hold_the_truth_within(f_number: float) -> None:
    scene = vessel("black", shade=6.0)
    room = shoot(scene, [f_number])[-1].highlights.headroom
    assert room is not None
    assert not room.seen
    over = next(s for s in np.arange(0, 8, 0.1) if burnt(scene, f_number * 2 ** (s / 2)) <= 0.001)
    assert room.least - 0.1 <= -over <= room.most


def test_a_third_more_light_takes_about_a_third_of_the_room_even_where_it_is_guessed() -> None:
    scene = vessel("black", shade=6.0)
    one, other = (shoot(scene, [n])[-1].highlights.headroom for n in (4.5, 4.0))
    assert one is not None
    assert other is not None
    assert 0.0 < one.stops - other.stops < 0.7


@pytest.mark.parametrize("start", first_quick([2.8, 22.0]))
def test_the_highlights_are_held_two_frames_on(start: float) -> None:
    scene = vessel("black", shade=3.0)
    shot = [start]
    for _ in range(3):
        step = shoot(scene, shot)[-1].step
        shot.append(step.f_number or shot[-1])
    assert burnt(scene, shot[-1]) <= 0.001
    assert burnt(scene, shot[-1] * 2 ** (-1 / 3)) > 0.001


def test_a_frame_burnt_out_all_over_is_closed_for() -> None:
    scene = vessel("white", shade=6.0)
    step = shoot(Scene(scene.light * 8, scene.backdrop), [2.8])[-1].step
    assert step.move == "close"
    assert step.stops is not None
    assert step.stops <= -2


@pytest.mark.parametrize("frames", [[8.0], [8.0, 5.6], [11.0, 4.0]])
def test_the_truth_lies_within_what_the_forecast_leaves_open(frames: list[float]) -> None:
    scene = vessel("black", shade=3.0, spill=0.02)
    for foretold in shoot(scene, frames)[-1].forecast:
        within = foretold.within.highlights_subject
        assert within is not None
        low, high = within
        assert low - 0.006 <= burnt(scene, foretold.f_number) <= high + 0.006
        assert low <= (foretold.highlights_subject or 0.0) <= high


def test_clean_and_dark_is_told_apart_from_spilled() -> None:
    """The backdrop is clean because the frame is dark: opening for the subject would lift it."""
    scene = vessel("black", spill=0.03)
    scene.light[~scene.backdrop] *= 3  # or the table sinks into the dark
    dark = new_setup(1, aim="clean-backdrop", backdrop="black")
    verdict = shoot(Scene(scene.light / 32, scene.backdrop), [5.6], dark)[-1]
    assert verdict.backdrop is not None
    assert verdict.backdrop.clean
    assert verdict.step.move == "light"
    assert "is clean here" in verdict.step.why


def test_under_the_lowest_code_nobody_knows_how_far_it_is_to_white() -> None:
    scene = vessel("black")
    light = np.where(scene.backdrop[..., None], 1e-7, scene.light)
    backdrop = shoot(Scene(light, scene.backdrop), [5.6])[-1].backdrop
    assert backdrop is not None
    assert backdrop.stops_below_white is None
    assert backdrop.clean
