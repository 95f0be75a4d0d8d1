"""A bracket is one light whatever the tone curve; a moved lamp or a flag is another."""

from __future__ import annotations

import numpy as np
import pytest
from scenes import Scene, vessel
from sparing import first_quick

from lampblack.daemon.config import load_thresholds
from lampblack.rules.continuity import light_changed
from lampblack.rules.frame import Picture
from lampblack.rules.look import Look, look
from lampblack.rules.radiance import Past
from lampblack.rules.shoot import judge, new_setup

THRESHOLDS = load_thresholds()

# Tone curves on top of sRGB, of the kinds cameras have (invented): codes 0 to 1 in and out.
CURVES = {
    "plain": lambda x: x,
    "contrasty": lambda x: x - 0.1 * np.sin(2 * np.pi * x),
    "lifted": lambda x: 0.03 + 0.97 * x**0.9,
}


def frames(scene: Scene, f_numbers: tuple[float, ...], curve: str = "plain") -> list[Look]:
    known, seen = None, []
    for number, f_number in enumerate(f_numbers):
        shot = scene.shot(f_number, seed=number)
        codes = np.rint(np.clip(CURVES[curve](shot.codes / 255), 0, 1) * 255).astype(np.uint8)
        seen.append(look(Picture("jpeg", codes, shot.shot), THRESHOLDS, known))
        known = seen[-1].radiance
    return seen


@pytest.mark.parametrize("curve", first_quick(list(CURVES)))
@pytest.mark.parametrize("tone", ["black", "grey", "white"])
@pytest.mark.parametrize("f_numbers", [(11, 5.6, 2.8), (2.8, 11), (16, 4), (5.6, 5.6)])
def test_a_bracket_is_one_light(tone: str, curve: str, f_numbers: tuple[float, ...]) -> None:
    scene = vessel(tone, spill=0.01)
    assert not any(seen.change.counts(THRESHOLDS) for seen in frames(scene, f_numbers, curve))


def test_a_moved_lamp_is_another_light() -> None:
    before = vessel("black", spill=0.02)
    after = Scene(before.light[:, ::-1].copy(), before.backdrop)
    known = frames(before, (5.6,))[0].radiance
    assert look(after.shot(5.6, seed=9), THRESHOLDS, known).change.counts(THRESHOLDS)


def test_a_flag_is_another_light_and_old_frames_are_not_believed_any_more() -> None:
    setup = new_setup(1)
    for number, (scene, f_number) in enumerate(((vessel("black", spill=0.02), 5.6), (vessel("black"), 5.6)), start=1):
        seen = look(scene.shot(f_number, seed=number), THRESHOLDS, setup.radiance)
        setup, verdict = judge(setup, seen, THRESHOLDS, file="x", frame=number)
    assert "light-changed" in [notice.kind for notice in verdict.notices]
    assert len(setup.samples) == 1
    assert verdict.backdrop is not None
    assert verdict.backdrop.clean


@pytest.mark.parametrize("raw", [False, True])
@pytest.mark.parametrize("wide_first", [False, True])
def test_corners_darkened_by_a_lens_wide_open_are_no_change_of_light(wide_first: bool, raw: bool) -> None:
    """By a stop and a half at the very corner, setting in with the cube of the distance; frames two stops apart."""
    y, x = np.mgrid[-1:1:100j, -1:1:150j]
    from_middle = np.hypot(y, x) / np.sqrt(2)
    even = np.full((100, 150), 0.15)
    wide = small(4 * even * 2.0 ** (-1.5 * from_middle**3), 2.0)
    closed = small(even, 0.0)
    before, now = (wide, closed) if wide_first else (closed, wide)
    assert not light_changed([before], now, THRESHOLDS, raw=raw).counts(THRESHOLDS)
    # A lamp that lights one half less by as much is a change.
    shaded = small(4 * even * np.where(x > 0, 2.0**-1.5, 1.0), 2.0)
    assert light_changed([shaded], closed, THRESHOLDS, raw=True).counts(THRESHOLDS)


def small(light: np.ndarray, stops: float) -> Past:
    return Past(stops, light.astype(np.float16), np.zeros(light.shape, bool), np.ones(light.shape, bool))
