"""What one frame alone says, against scenes whose content is known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scenes import Scene, vessel

from lampblack.daemon.config import load_thresholds
from lampblack.rules.cleanness import judge_backdrop, tone_of
from lampblack.rules.frame import Picture, Shot
from lampblack.rules.look import Look, Part, look
from lampblack.rules.shoot import judge, new_setup

THRESHOLDS = load_thresholds()


def seen(scene: Scene, f_number: float = 5.6, **how: float) -> Look:
    return look(scene.shot(f_number, **how), THRESHOLDS)


def overlap(found: Look, scene: Scene) -> float:
    """Intersection over union of the backdrop, pixel by pixel."""
    mask = np.kron(found.backdrop, np.ones((found.side, found.side), bool))
    truth = scene.backdrop[: mask.shape[0], : mask.shape[1]]
    return float((mask & truth).sum() / (mask | truth).sum())


@pytest.mark.parametrize("tone", ["black", "grey", "white"])
@pytest.mark.parametrize("f_number", [2.8, 5.6, 11.0])
def test_the_backdrop_is_found_without_help(tone: str, f_number: float) -> None:
    scene = vessel(tone)
    assert overlap(seen(scene, f_number), scene) > 0.95


@pytest.mark.parametrize("side", ["left", "right", "top"])
def test_spill_does_not_hide_the_backdrop(side: str) -> None:
    scene = vessel("black", spill=0.02, side=side)
    assert overlap(seen(scene), scene) > 0.95


@pytest.mark.parametrize("tone", ["black", "grey", "white"])
@pytest.mark.parametrize("f_number", [4.0, 5.6, 8.0])
def test_what_the_backdrop_is_meant_to_be_does_not_hang_on_exposure(tone: str, f_number: float) -> None:
    assert tone_of(seen(vessel(tone), f_number), THRESHOLDS) == tone


def test_a_picture_without_backdrop_has_none() -> None:
    """A frame full of texture: everything is subject."""
    rng = np.random.default_rng(3)
    codes = np.kron(rng.integers(30, 220, (60, 90, 3)), np.ones((10, 10, 1))).astype(np.uint8)
    found = look(Picture("jpeg", codes, Shot()), THRESHOLDS)
    assert not found.backdrop.any()
    assert found.subject.all()


def test_clipped_share_is_that_of_the_light() -> None:
    """No noise: the clipped share is the share of subject pixels whose light reaches white, within half a point."""
    scene = vessel("black", shade=4.0)
    _, verdict = judge(new_setup(1), seen(scene, noise=0), THRESHOLDS, file="x", frame=1)
    truth = (scene.light.max(axis=2) >= 0.99)[~scene.backdrop].mean()
    assert truth > 0.05
    assert verdict.highlights.subject == pytest.approx(truth, abs=0.005)
    assert verdict.highlights.broad == pytest.approx(truth, abs=0.005)


def test_channels_clip_apart() -> None:
    """The vessel is warm: red clips first, blue last."""
    red, green, blue = seen(vessel("black", shade=3.5)).clipped
    assert red > green > blue


def test_a_glint_is_not_a_burnt_area() -> None:
    scene = vessel("black", glint=True)
    _, verdict = judge(new_setup(1), seen(scene, 5.6), THRESHOLDS, file="x", frame=1)
    truth = (scene.light >= 1).all(axis=2).sum() / (~scene.backdrop).sum()
    assert verdict.highlights.specular == pytest.approx(truth, rel=0.35)
    assert verdict.highlights.broad == 0
    assert verdict.highlights.headroom is not None
    assert verdict.highlights.headroom.stops > 0.3


@pytest.mark.parametrize("side", ["left", "right", "top"])
def test_spill_is_seen_and_its_side_named(side: str) -> None:
    found = judge_backdrop(seen(vessel("black", spill=0.01, side=side)), "black", THRESHOLDS)
    assert found is not None
    assert not found.clean
    assert found.spill is not None
    assert found.spill.side == side


def test_over_stops_is_what_it_takes() -> None:
    """Closing by a third more than what is named makes it clean, by a third less does not."""
    scene = vessel("black", spill=0.012)
    found = judge_backdrop(seen(scene), "black", THRESHOLDS)
    assert found is not None
    assert found.spill is not None
    over = found.spill.over_stops
    assert 2 < over < 3
    dimmed = Scene(scene.light * 2 ** -(over + 0.34), scene.backdrop)
    bright = Scene(scene.light * 2 ** -(over - 0.34), scene.backdrop)
    for changed, clean in ((dimmed, True), (bright, False)):
        again = judge_backdrop(seen(changed), "black", THRESHOLDS)
        assert again is not None
        assert again.clean is clean


def test_clean_black_has_slack_and_no_spill() -> None:
    found = judge_backdrop(seen(vessel("black")), "black", THRESHOLDS)
    assert found is not None
    assert found.clean
    assert found.spill is None
    assert found.slack_stops > 0
    assert found.p99 <= 5


def test_a_small_bright_patch_spoils_clean_black() -> None:
    """p99 may be clean and a patch above code 8 of more than 1/2000 of the frame still seen."""
    scene = vessel("black")
    scene.light[20:50, 700:740] = 0.01
    found = judge_backdrop(seen(scene), "black", THRESHOLDS)
    assert found is not None
    assert found.p99 <= 5
    assert not found.clean


def test_noise_in_a_black_whose_light_is_clean_is_told_from_spill() -> None:
    """No flag and no other aperture takes noise away."""
    scene, setup = vessel("black"), new_setup(1, aim="clean-backdrop")
    noisy = look(scene.shot(5.6, noise=6.0), THRESHOLDS)
    _, verdict = judge(setup, noisy, THRESHOLDS, file="x", frame=1)
    found = verdict.backdrop
    assert found is not None
    assert found.p99 > 5
    assert (found.clean, found.only_grain, found.spill) == (False, True, None)
    assert found.slack_stops > 0
    assert verdict.remedies == ()
    assert [notice.text for notice in verdict.notices if notice.kind == "grain"]
    assert "light stays clean" in verdict.step.why
    assert verdict.as_json()["backdrop"]["only_grain"] is True
    spilled = judge_backdrop(look(vessel("black", spill=0.02).shot(5.6, noise=6.0), THRESHOLDS), "black", THRESHOLDS)
    assert spilled is not None
    assert (spilled.clean, spilled.only_grain) == (False, False)
    assert spilled.spill is not None
    assert spilled.spill.side == "right"


@pytest.mark.parametrize(("f_number", "clean"), [(5.6, False), (4.5, True)])
def test_white_is_clean_from_code_250(f_number: float, clean: bool) -> None:
    """White light of 0.78 to 0.85 of full scale is code 226 to 237: not clean; two thirds of a stop more is."""
    found = judge_backdrop(seen(vessel("white"), f_number), "white", THRESHOLDS)
    assert found is not None
    assert found.clean is clean


def test_grey_is_judged_by_its_evenness() -> None:
    even = judge_backdrop(seen(vessel("grey")), "grey", THRESHOLDS)
    uneven = judge_backdrop(seen(vessel("grey", spill=0.15)), "grey", THRESHOLDS)
    assert even is not None
    assert uneven is not None
    assert even.clean
    assert not uneven.clean
    assert uneven.evenness_stops is not None
    assert even.evenness_stops is not None
    assert uneven.evenness_stops > even.evenness_stops + 0.3


def test_sixteen_bit_pictures_read_like_eight_bit_ones() -> None:
    eight = vessel("black").shot(5.6)
    sixteen = Picture("tiff", eight.codes.astype(np.uint16) * 257, eight.shot)
    a, b = look(eight, THRESHOLDS), look(sixteen, THRESHOLDS)
    assert np.array_equal(a.counts, b.counts)
    assert np.array_equal(a.parts, b.parts)


def test_every_pixel_is_counted_once() -> None:
    found = seen(vessel("black"))
    assert found.counts.sum() == found.parts.size * found.side**2
    assert found.counts[Part.BACKDROP].sum() == (found.parts == Part.BACKDROP).sum() * found.side**2


SCENES = st.builds(
    vessel,
    st.sampled_from(["black", "grey", "white"]),
    spill=st.floats(0, 0.03),
    side=st.sampled_from(["left", "right", "top"]),
    shade=st.floats(0.5, 4),
    height=st.just(300),
    width=st.just(450),
)


@settings(deadline=None, max_examples=8)
@given(SCENES)
def test_more_exposure_never_clips_less(scene: Scene) -> None:
    shares = []
    for f_number in (11, 8, 5.6, 4, 2.8):
        shares.append(seen(scene, f_number, noise=0).clipped_frame)
    assert shares == sorted(shares)


@settings(deadline=None, max_examples=8)
@given(SCENES)
def test_mirroring_flips_the_side_and_nothing_else(scene: Scene) -> None:
    plain = seen(scene, noise=0)
    mirrored = seen(Scene(scene.light[:, ::-1].copy(), scene.backdrop[:, ::-1]), noise=0)
    assert plain.clipped_frame == mirrored.clipped_frame
    assert np.array_equal(plain.counts.sum(axis=0), mirrored.counts.sum(axis=0))
    a, b = (judge_backdrop(found, "black", THRESHOLDS) for found in (plain, mirrored))
    assert a is not None
    assert b is not None
    flipped = {"left": "right", "right": "left"}
    if a.spill and b.spill and a.spill.over_stops > 0.5:
        assert b.spill.side == flipped.get(a.spill.side or "", a.spill.side)


@settings(deadline=None, max_examples=10)
@given(SCENES)
def test_a_stop_more_light_and_a_stop_less_aperture_change_nothing(scene: Scene) -> None:
    brighter = Scene(scene.light * 2, scene.backdrop)
    a, b = seen(scene, 5.6, noise=0), seen(brighter, 8.0, noise=0)
    assert np.array_equal(a.counts, b.counts)
