"""A camera's saturation, seen where frames clip, used where they don't: frames whose white is tagged 8 % too high."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from scenes import vessel
from studio_frames import dng

from lampblack.daemon import eye
from lampblack.daemon.config import load_thresholds
from lampblack.daemon.decode import Decoded, read_raw
from lampblack.daemon.eye import see_here
from lampblack.rules import look as look_module
from lampblack.rules.cells import Cells
from lampblack.rules.frame import Sensor
from lampblack.rules.look import Look, look, reduced, reduced_with
from lampblack.rules.radiance import Radiance
from lampblack.rules.raw import reduce_raw, saturations
from lampblack.rules.response import PRIOR
from lampblack.rules.scaling import spots_in_units_of
from lampblack.rules.shoot import Setup, judge, new_setup
from lampblack.rules.spots import Spot, place_spots
from lampblack.rules.verdict import Verdict
from lampblack.rules.wells import ENOUGH, Body, Full, Wells, agreed, rescale

THRESHOLDS = load_thresholds()
OVER = 1.08
DARK, BRIGHT = 22.0, 8.0  # the studio's glints fill the sensor up to f/16
ASKED = (8.0, 5.6, 4.0, 2.8)
HALF_A_POINT = 0.005


@cache
def frame(f_number: float, number: int = 1, over: float = OVER, iso: float = 200) -> Sensor:
    """The mock studio's raw frame, its white tagged `over` times where its samples really end."""
    made = read_raw(dng(f_number, number, 2, iso=iso), THRESHOLDS)
    planes = tuple(replace(p, white=p.black + over * (p.white - p.black)) for p in made.planes)
    return replace(made, planes=planes)


def seen(setup: Setup, sensor: Sensor, number: int = 1) -> tuple[Setup, Verdict]:
    return judge(setup, look(sensor, THRESHOLDS, setup.known), THRESHOLDS, file="x", frame=number)


def in_order(*f_numbers: float, setup: Setup | None = None) -> tuple[Setup, Verdict]:
    setup = setup or new_setup(1)
    for number, f_number in enumerate(f_numbers, start=1):
        setup, verdict = seen(setup, frame(f_number, number))
    return setup, verdict


def truth(verdict: Verdict) -> dict[float, float]:
    """Full blocks of frames really shot, counted on their samples, as a share of the subject that was found."""
    subject = verdict.look.subject.mean()
    counted = {}
    for f_number in ASKED:
        made = frame(f_number, 9, 1.0)
        counted[f_number] = float(np.logical_or.reduce([p.samples >= p.white for p in made.planes]).mean() / subject)
    return counted


def foretold(verdict: Verdict) -> dict[float, float]:
    return {f.f_number: f.highlights_subject for f in verdict.forecast if f.f_number in ASKED}  # type: ignore[misc]


def worst(verdict: Verdict) -> float:
    true = truth(verdict)
    return max(abs(value - true[f_number]) for f_number, value in foretold(verdict).items())


def kept_from(*shares: float, of: Sensor | None = None) -> Wells:
    return Wells(kept={Body.of(of or frame(DARK)): shares})


# ---------------------------------------------------------------- what it is for


def test_one_unclipped_frame_forecasts_wrongly_by_its_tag_and_rightly_by_what_was_kept() -> None:
    _, by_tag = in_order(DARK)
    assert by_tag.as_json()["saturation"]["from"] == "tag"
    assert worst(by_tag) > 2 * HALF_A_POINT, "else there is nothing to mend"
    full = [in_order(f_number)[1].look.full for f_number in (8.0, 5.6, 11.0)]
    assert all(each is not None and each.source == "data" for each in full)
    wells = Wells(kept={full[0].body: tuple(each.share for each in full)})  # type: ignore[union-attr]
    _, by_kept = in_order(DARK, setup=new_setup(1, wells=wells))
    said = by_kept.as_json()["saturation"]
    assert (said["from"], said["frames"], said["contradicted"]) == ("kept", 3, False)
    assert said["of_tag"] == pytest.approx(1 / OVER, abs=0.001)
    assert said["sure_stops"] < 0.02 < by_tag.as_json()["saturation"]["sure_stops"]
    assert worst(by_kept) < HALF_A_POINT


def test_a_frame_measured_by_what_was_kept_is_measured_as_by_a_right_tag() -> None:
    kept = look(frame(DARK), THRESHOLDS, new_setup(1, wells=kept_from(*[1 / OVER] * 3)).known)
    right = look(frame(DARK, over=1.0), THRESHOLDS)
    assert kept.mid_light == pytest.approx(right.mid_light, rel=1e-3)
    np.testing.assert_allclose(kept.light, right.light, rtol=2e-3, atol=1e-6)
    np.testing.assert_array_equal(kept.levels.sum(axis=0), right.levels.sum(axis=0))


def test_the_brighter_frame_of_a_bracket_teaches_the_darker_one_after_it() -> None:
    _, verdict = in_order(BRIGHT, DARK)
    said = verdict.as_json()["saturation"]
    assert (said["from"], said["frames"]) == ("setup", 1)
    assert worst(verdict) < HALF_A_POINT


def test_what_a_darker_frame_before_it_said_is_brought_to_the_same_white() -> None:
    """The dark frame is the one that shows what lies over white: unmended it would pull all forecasts off by points."""
    setup, verdict = in_order(DARK, BRIGHT)
    right, right_verdict = new_setup(1), None
    for number, f_number in enumerate((DARK, BRIGHT), start=1):
        right, right_verdict = seen(right, frame(f_number, number, 1.0))
    assert right_verdict is not None
    assert worst(verdict) < HALF_A_POINT
    for f_number, value in foretold(right_verdict).items():
        assert foretold(verdict)[f_number] == pytest.approx(value, abs=0.001)
    assert setup.samples[0].mid_light == pytest.approx(right.samples[0].mid_light, rel=0.01)
    assert setup.samples[0].backdrop.percentile_light(50) == pytest.approx(
        right.samples[0].backdrop.percentile_light(50), rel=0.2, abs=0.0005
    )
    assert setup.radiance is not None
    assert setup.radiance.raw is not None
    assert right.radiance is not None
    assert right.radiance.raw is not None
    ours, theirs = setup.radiance.raw.light.astype(float), right.radiance.raw.light.astype(float)
    assert np.median(ours / np.maximum(theirs, 1e-6)) == pytest.approx(1, abs=0.005)
    assert not verdict.look.change.counts(THRESHOLDS), "the light hasn't changed: white has"


def test_a_spot_remembered_from_the_darker_frame_is_mended_too() -> None:
    place = Spot("lit", 0.5, 0.45)
    (_, ours), (_, theirs) = (
        in_order(DARK, BRIGHT, setup=new_setup(1, spots=(place,))),
        seen(seen(new_setup(1, spots=(place,)), frame(DARK, 1, 1.0))[0], frame(BRIGHT, 2, 1.0), 2),
    )
    assert ours.spots[0].stops == pytest.approx(theirs.spots[0].stops, abs=0.02)


def test_frames_set_aside_with_their_light_are_brought_along() -> None:
    setup, _ = in_order(DARK)
    waiting = replace(new_setup(1), aside=setup)
    after, _ = seen(waiting, frame(BRIGHT, 2), 2)
    assert after.aside is not None
    assert after.aside.samples[0].mid_light == pytest.approx(setup.samples[0].mid_light * OVER, rel=1e-6)
    assert after.aside.radiance is not None
    assert after.aside.radiance.full is not None
    assert after.aside.radiance.full.source == "data"


# ---------------------------------------------------------------- what must not happen


@pytest.mark.parametrize("odd", [0.5, 0.75, 0.86, 0.99])
def test_one_odd_frame_does_not_poison_what_is_kept(odd: float) -> None:
    orders = [[*[1 / OVER] * place, odd, *[1 / OVER] * (3 - place)] for place in range(4)]
    levels = [kept_from(*shares).of(Body.of(frame(DARK))) for shares in orders]
    assert levels[0] is not None
    assert levels == levels[:1] * 4, "whenever it came"
    _, verdict = in_order(DARK, setup=new_setup(1, wells=kept_from(*orders[0])))
    assert verdict.as_json()["saturation"]["frames"] == 3
    assert worst(verdict) < HALF_A_POINT


@pytest.mark.parametrize(
    "shares",
    [(), (0.92,), (0.92, 0.92), (0.92, 0.6, 0.92, 0.6), (0.5, 0.6, 0.7, 0.8), (0.92, 0.92, 0.92, 0.6, 0.98, 0.99)],
)
def test_too_few_frames_or_frames_at_odds_are_not_believed(shares: tuple[float, ...]) -> None:
    _, verdict = in_order(DARK, setup=new_setup(1, wells=kept_from(*shares)))
    assert verdict.as_json()["saturation"] == {
        "from": "tag", "of_tag": 1.0, "sure_stops": 0.15, "frames": 0, "contradicted": False,
    }  # fmt: skip


def test_a_kept_level_that_a_single_sample_lies_above_is_never_used() -> None:
    """Too low a level, from another mode of the camera perhaps; the frame's own samples say so, and that is told."""
    dark = frame(DARK)
    top = max((int(p.samples.max()) - p.black) / (p.white - p.black) for p in dark.planes)
    _, verdict = in_order(DARK, setup=new_setup(1, wells=kept_from(*[top - 0.02] * 5)))
    assert verdict.as_json()["saturation"] == {
        "from": "tag", "of_tag": 1.0, "sure_stops": 0.15, "frames": 0, "contradicted": True,
    }  # fmt: skip
    assert [n.kind for n in verdict.notices].count("white-unsure") == 1
    planes = []
    for place, p in enumerate(dark.planes):
        samples = p.samples.copy()
        if place == 3:
            samples[501, 433] = round(p.black + 0.915 * (p.white - p.black))
        planes.append(replace(p, samples=samples))
    hot = replace(dark, planes=tuple(planes))
    for sensor, contradicted in ((dark, False), (hot, True)):
        _, verdict = seen(new_setup(1, wells=kept_from(*[0.9] * 3)), sensor)
        assert verdict.as_json()["saturation"]["contradicted"] == contradicted
    assert saturations(dark.planes) == [p.white for p in dark.planes]


def test_a_frame_with_a_pile_goes_by_its_own() -> None:
    _, verdict = in_order(BRIGHT, setup=new_setup(1, wells=kept_from(*[0.99] * 9)))
    said = verdict.as_json()["saturation"]
    assert (said["from"], said["frames"]) == ("data", 1)
    assert said["of_tag"] == pytest.approx(1 / OVER, abs=0.001)


@pytest.mark.parametrize("change", ["iso", "camera", "white", "size"])
def test_another_iso_camera_kind_of_file_or_size_is_another_sensor(change: str) -> None:
    body = Body.of(frame(DARK))
    other = {
        "iso": body._replace(iso=400.0), "camera": body._replace(camera="Invented Two"),
        "white": body._replace(white=body.white // 4), "size": body._replace(long=body.long // 2),
    }[change]  # fmt: skip
    _, verdict = in_order(DARK, setup=new_setup(1, wells=Wells(kept={other: (1 / OVER,) * 5})))
    assert verdict.as_json()["saturation"]["from"] == "tag"
    assert rescale(Full(other, 1.0, "tag", 0.15), Full(body, 0.92, "data", 0.006)) == 1


def test_an_upright_frame_is_of_the_same_sensor() -> None:
    lying = frame(DARK)
    turned = tuple(replace(p, samples=np.ascontiguousarray(np.rot90(p.samples))) for p in lying.planes)
    standing = replace(lying, planes=turned, width=lying.height, height=lying.width)
    assert Body.of(standing) == Body.of(lying)


def test_one_frame_of_this_setup_does_not_outweigh_many_before_it_but_three_do() -> None:
    body = Body("Invented", 100.0, 60_000, 6000, 4000)

    def level(*here: float) -> tuple[float, str]:
        found = Wells({body: here}, {body: (0.92,) * 5}).of(body)
        assert found is not None
        return found[0].share, found[1]

    assert level() == (0.92, "kept")
    assert level(0.7) == (0.92, "kept")
    assert level(0.921)[1] == "setup"
    assert level(*[0.95] * ENOUGH) == (0.95, "setup")


def test_the_pile_of_a_frame_that_clips_a_little_differs_by_less_than_what_is_taken_for_one() -> None:
    shares = [in_order(f_number)[1].look.full for f_number in (16.0, 8.0, 2.8)]
    level = agreed([each.share for each in shares if each is not None], ENOUGH)
    assert level is not None
    assert level.sure_stops < 0.01


def test_without_raw_frames_nothing_is_different() -> None:
    """A JPEG looked at with nothing known but cameras' saturation reads as one of which nothing is known at all."""
    picture = vessel("black").shot(8.0)
    plain = look(picture, THRESHOLDS)
    known = look(picture, THRESHOLDS, Radiance(wells=kept_from(0.9, 0.9, 0.9)))
    assert known.full is None
    one, other = (judge(new_setup(1), each, THRESHOLDS, file="x", frame=1)[1].as_json() for each in (plain, known))
    assert one == other
    assert one["saturation"] is None


def test_cells_reduced_ahead_are_reduced_anew_only_where_more_is_known() -> None:
    dark, wells = frame(DARK), kept_from(*[1 / OVER] * 3)
    ahead = reduced(dark, THRESHOLDS)
    assert reduced_with(ahead, dark, THRESHOLDS, Wells()) is ahead
    bright = reduced(frame(BRIGHT), THRESHOLDS)
    assert reduced_with(bright, frame(BRIGHT), THRESHOLDS, wells) is bright
    anew, at_once = reduced_with(ahead, dark, THRESHOLDS, wells), reduced(dark, THRESHOLDS, wells)
    assert anew.full == at_once.full != ahead.full
    np.testing.assert_array_equal(anew.light, at_once.light)


@pytest.mark.parametrize(("waits", "f_number", "times"), [(False, DARK, 1), (True, DARK, 2), (True, BRIGHT, 1)])
def test_a_file_is_reduced_by_what_is_known_twice_only_where_that_came_late(
    monkeypatch: pytest.MonkeyPatch, waits: bool, f_number: float, times: int
) -> None:
    """Whoever is asked for the light answers at once, or only after the part that needs none."""
    wells, steps = kept_from(*[1 / OVER] * 3), list[str]()
    monkeypatch.setattr(eye, "decode_file", lambda *_: Decoded(frame(f_number), "digest"))

    def counted(sensor: Sensor, *rest: Any) -> Cells:
        steps.append("reduced")
        return reduce_raw(sensor, *rest)

    def told() -> Radiance:
        steps.append("told")
        return Radiance(wells=wells)

    monkeypatch.setattr(look_module, "reduce_raw", counted)
    seen = see_here(b"a.dng", THRESHOLDS, known=told, waits=waits).look
    assert steps == (["reduced", "told"] if waits else ["told"]) + ["reduced"] * (times - waits)
    at_once = look(frame(f_number), THRESHOLDS, Radiance(wells=wells))
    assert seen.full == at_once.full
    np.testing.assert_array_equal(seen.levels, at_once.levels)


def test_of_remembered_spots_only_those_seen_in_raw_frames_are_brought_to_another_white() -> None:
    spot = Spot("lit", 0.5, 0.45)
    for picture, moved in ((frame(DARK), 1.0), (vessel("black").shot(8.0), 0.0)):
        _, known = place_spots((spot,), look(picture, THRESHOLDS), PRIOR, ())
        before, after = (each.shown.read(spot, PRIOR).stops for each in (*known, *spots_in_units_of(known, 2.0)))
        assert after - before == pytest.approx(moved, abs=0.001)


def a_look(setup: Setup) -> Look:
    return look(frame(DARK), THRESHOLDS, setup.known)


def test_a_setup_that_knows_nothing_passes_nothing_on() -> None:
    assert new_setup(1).known is None
    assert new_setup(1, wells=Wells()).known is None
    assert a_look(new_setup(1)).full == a_look(new_setup(1, wells=Wells())).full
