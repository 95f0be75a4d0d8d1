"""The setup over frames: forecast, next step, notices, and the printed contract."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from scenes import Scene, vessel

from lampblack.daemon.config import load_thresholds
from lampblack.rules.advice import AIMS, suggest_step
from lampblack.rules.exposure import LADDER, Exposure, aperture_value
from lampblack.rules.forecast import Headroom, Sample
from lampblack.rules.frame import Picture, Shot
from lampblack.rules.look import look
from lampblack.rules.shoot import Setup, judge, new_setup
from lampblack.rules.verdict import Notice, Verdict, by_cost

THRESHOLDS = load_thresholds()


def shoot(
    scene: Scene, f_numbers: list[float], setup: Setup | None = None, **how: float
) -> tuple[Setup, list[Verdict]]:
    setup = setup or new_setup(1)
    verdicts = []
    for number, f_number in enumerate(f_numbers, start=1):
        seen = look(scene.shot(f_number, seed=number, **how), THRESHOLDS, setup.radiance)
        setup, verdict = judge(setup, seen, THRESHOLDS, file=f"{number}.jpg", frame=number)
        verdicts.append(verdict)
    return setup, verdicts


def true_clipped(scene: Scene, f_number: float) -> float:
    light = scene.light.max(axis=2) * 2 ** (5 - aperture_value(f_number))
    return float((light >= 0.99)[~scene.backdrop].mean())


def test_a_dark_frame_foretells_the_clipping_of_wider_ones() -> None:
    """From one unclipped frame, every wider aperture within a point of the truth."""
    scene = vessel("black", shade=2.0)
    _, (verdict,) = shoot(scene, [11.0])
    for foretold in verdict.forecast:
        assert foretold.highlights_subject == pytest.approx(true_clipped(scene, foretold.f_number), abs=0.01)


def test_a_clipped_frame_foretells_what_a_darker_one_taught() -> None:
    """What clipped in the newest frame is known from the darker one before it."""
    scene = vessel("black", shade=3.0)
    _, verdicts = shoot(scene, [8.0, 2.8])
    between = {f.f_number: f for f in verdicts[-1].forecast}
    for f_number in (4.0, 5.6, 7.1):
        assert between[f_number].highlights_subject == pytest.approx(true_clipped(scene, f_number), abs=0.006)


def test_an_end_of_the_curve_found_late_undoes_what_was_merged_before() -> None:
    """Frames before it took for light what was clipped; they are still there to foretell from, read anew."""
    scene, setup = vessel("black", shade=3.0), new_setup(1)
    for number, (f_number, end) in enumerate([(4.0, 255), (5.6, 255), (8.0, 251)]):
        seen = replace(look(scene.shot(f_number, seed=number), THRESHOLDS, setup.radiance), end=end)
        setup, _ = judge(setup, seen, THRESHOLDS, file="x", frame=number)
        assert setup.radiance is not None
        assert setup.radiance.coded is not None
        assert len(setup.radiance.coded.past) == (1 if end == 251 else number + 1)
    assert len(setup.samples) == 3


def test_frames_that_never_came_near_that_end_stay_merged() -> None:
    """They took nothing for light that was clipped, and alone tell how bright it is."""
    scene, setup = vessel("white"), new_setup(1)
    for number, (f_number, end) in enumerate([(16.0, 255), (11.0, 255), (4.0, 251)]):
        seen = replace(look(scene.shot(f_number, seed=number), THRESHOLDS, setup.radiance), end=end)
        assert number == 2 or seen.counts[:, 250:].sum() == 0, "the scene is too bright for this test"
        setup, _ = judge(setup, seen, THRESHOLDS, file="x", frame=number)
    assert setup.radiance is not None
    assert setup.radiance.coded is not None
    assert [past.stops for past in setup.radiance.coded.past] == sorted(sample.stops or 0 for sample in setup.samples)


@pytest.mark.parametrize(("stops", "holds", "then"), [(-0.2, True, 0.0), (0.2, False, -1 / 64), (0.2, True, 0.2)])
def test_a_frame_that_was_shot_says_itself_whether_its_highlights_hold(stops: float, holds: bool, then: float) -> None:
    assert Headroom(stops, stops - 0.1, stops + 0.1, seen=True).as_shot(holds=holds).stops == then


def test_headroom_that_is_plain_to_see_or_is_not_seen_stays() -> None:
    for room in (Headroom(-1.0, -1.1, -0.9, seen=True), Headroom(-0.2, -0.4, -0.1, seen=False)):
        assert room.as_shot(holds=True) is room


@pytest.mark.parametrize(("least", "raw", "closes"), [(-3.0, True, 5.0), (-3.0, False, 3.0), (-1.0, True, 1.0)])
def test_raw_far_over_is_closed_by_two_stops_more(least: float, raw: bool, closes: float) -> None:
    """The frame after it shows exactly how far it is under; one that is a little over again would tell little."""
    sample = replace(Sample.of(look(vessel("black").shot(5.6), THRESHOLDS)), coded=not raw)
    room = Headroom(least / 2, least, least / 4, seen=False)
    here = Exposure.of(4.0, 1 / 60, 100)
    step = suggest_step("hold-highlights", [sample], here, None, room, LADDER, THRESHOLDS)
    assert step.stops == pytest.approx(-closes, abs=0.01)


def test_the_forecast_covers_the_ladder_and_marks_what_was_shot() -> None:
    _, verdicts = shoot(vessel("black"), [11.0, 5.6])
    assert [f.f_number for f in verdicts[-1].forecast] == list(LADDER)
    assert [f.f_number for f in verdicts[-1].forecast if f.shot] == [5.6, 11.0]


def test_the_forecast_of_the_backdrop_follows_the_light() -> None:
    """Within two stops either way; darker frames show too little to judge a forecast by."""
    scene = vessel("black", spill=0.02)
    _, (verdict,) = shoot(scene, [5.6])
    for foretold in (f for f in verdict.forecast if f.f_number <= 11):
        _, (then,) = shoot(scene, [foretold.f_number])
        assert then.backdrop is not None
        assert foretold.backdrop_p99 == pytest.approx(then.backdrop.p99, abs=1.5)


def test_without_exposure_there_is_no_forecast_and_it_is_said() -> None:
    picture = Picture("jpeg", vessel("black").shot(5.6).codes.copy(), Shot())
    _, verdict = judge(new_setup(1), look(picture, THRESHOLDS), THRESHOLDS, file="x", frame=1)
    assert verdict.forecast == ()
    assert verdict.step.f_number is None
    assert "no-exposure" in [n.kind for n in verdict.notices]


@pytest.mark.parametrize("start", [2.8, 4.0, 5.6, 8.0, 11.0, 16.0])
@pytest.mark.parametrize("aim", ["even", "hold-highlights"])
def test_following_the_advice_ends_and_does_not_swing(start: float, aim: str) -> None:
    """From any start the steps end in 'keep' within three more frames and stay there."""
    scene = vessel("black", shade=1.5)
    setup = new_setup(1, aim=aim)  # type: ignore[arg-type]
    f_number, path = start, [start]
    for number in range(1, 6):
        seen = look(scene.shot(f_number, seed=number), THRESHOLDS, setup.radiance)
        setup, verdict = judge(setup, seen, THRESHOLDS, file="x", frame=number)
        if verdict.step.move == "keep":
            break
        assert verdict.step.f_number in setup.f_numbers
        f_number = verdict.step.f_number or 0.0
        path.append(f_number)
    assert verdict.step.move == "keep", path
    assert len(path) <= 4


def packshot(*things: tuple[float, float, float]) -> Scene:
    """Return discs of (x, radius, light) before a white of three times what a sensor holds at f/5.6."""
    rows, columns = np.mgrid[0:400, 0:600]
    light, backdrop = np.full((400, 600, 3), 3.0), np.ones((400, 600), bool)
    for x, radius, level in things:
        disc = np.hypot(columns - x, rows - 200) < radius
        light[disc] = level * (1 - 0.3 * (columns[disc] - x)[:, None] / radius)
        backdrop &= ~disc
    return Scene(light, backdrop)


def test_what_a_burnt_white_may_hide_is_looked_for() -> None:
    """A dark and a pale thing: at f/2.8 the pale one is as white as what is behind it, the dark one well held."""
    scene = packshot((170, 60, 0.04), (420, 80, 1.2))
    setup, (verdict,) = shoot(scene, [2.8], new_setup(1, aim="hold-highlights"))
    assert verdict.highlights.subject == 0
    assert verdict.step.f_number == 11.0
    assert "may hide" in verdict.step.why
    _, verdicts = shoot(scene, [11.0, 7.1], setup)
    assert verdicts[0].step.f_number == 7.1
    assert true_clipped(scene, 7.1) <= THRESHOLDS.highlights.broad_limit < true_clipped(scene, 6.3)
    assert verdicts[1].step.move == "keep"


def test_what_closing_has_left_burnt_hides_nothing_between_either() -> None:
    """From f/5 to f/6.3 as much stayed burnt; at f/5.6, a third of a stop from both, that needs no darker frame."""
    scene = packshot((300, 100, 0.45))
    _, verdicts = shoot(scene, [2.8, 5.0, 6.3, 5.6], new_setup(1, aim="hold-highlights"))
    assert verdicts[-1].look.clipped_frame > 0.8
    assert "may hide" not in verdicts[-1].step.why


def test_a_small_thing_may_leave_the_rest_of_the_frame_burnt() -> None:
    """Of three parts in a hundred; darker frames have shown that it should be so."""
    scene = packshot((300, 48, 0.6))
    _, verdicts = shoot(scene, [16.0, 5.0], new_setup(1, aim="hold-highlights"))
    assert verdicts[-1].look.clipped_frame > 0.95
    assert verdicts[-1].step.move == "keep"
    assert "burnt-out" not in [notice.kind for notice in verdicts[-1].notices]
    _, (alone,) = shoot(scene, [5.0], new_setup(1, aim="hold-highlights"))
    assert "burnt-out" in [notice.kind for notice in alone.notices]


@pytest.mark.parametrize(("tone", "f_numbers"), [("grey", [8.0, 1.0, 1.0]), ("white", [8.0, 1.0])])
def test_a_frame_burnt_out_all_over_stays_one_whatever_was_seen_before(tone: str, f_numbers: list[float]) -> None:
    """What is behind it is no whiter for that, and nothing of it is the one."""
    setup, verdicts = shoot(vessel(tone), f_numbers, new_setup(1, aim="clean-backdrop"))
    assert set(setup.tones) == {tone}
    for verdict in verdicts[1:]:
        assert verdict.blind == "burnt"
        assert "burnt-out" in [notice.kind for notice in verdict.notices]


def test_a_plain_frame_burnt_all_over_tells_nothing_of_room() -> None:
    """A grey backdrop four stops over, every thing before it lost in it, filed two codes under white by its camera."""
    shot = vessel("grey").shot(5.6)
    codes = np.full_like(shot.codes, 253)
    codes[200:206, 300:306] = 120  # a speck
    seen = look(Picture("jpeg", codes, shot.shot), THRESHOLDS)
    _, verdict = judge(new_setup(1, aim="hold-highlights"), seen, THRESHOLDS, file="x", frame=1)
    assert verdict.step.stops == pytest.approx(-4.0, abs=0.01)


def test_even_puts_the_middle_of_the_subject_at_mid_grey() -> None:
    scene = vessel("black")
    _, (verdict,) = shoot(scene, [11.0])
    luminance = scene.light @ np.array([0.2126, 0.7152, 0.0722])  # IEC 61966-2-1
    wanted = 5 - np.log2(0.18 / np.median(luminance[~scene.backdrop]))  # Av at which the median is mid grey
    assert verdict.step.f_number is not None
    assert aperture_value(verdict.step.f_number) == pytest.approx(wanted, abs=0.34)


def test_hold_highlights_is_the_widest_that_clips_under_the_limit() -> None:
    scene = vessel("black", shade=1.7)
    _, verdicts = shoot(scene, [11.0], new_setup(1, aim="hold-highlights"))
    truth = [n for n in LADDER if true_clipped(scene, n) <= THRESHOLDS.highlights.broad_limit]
    suggested = verdicts[-1].step.f_number
    assert suggested is not None
    assert abs(aperture_value(suggested) - aperture_value(min(truth))) < 0.34


def test_clean_backdrop_closes_until_it_is_clean() -> None:
    scene = vessel("black", spill=0.0045, shade=2.5)
    setup = new_setup(1, aim="clean-backdrop")
    setup, (verdict,) = shoot(scene, [5.6], setup)
    assert verdict.step.move == "close"
    assert verdict.step.f_number is not None
    _, verdicts = shoot(scene, [verdict.step.f_number], setup)
    assert verdicts[-1].backdrop is not None
    assert verdicts[-1].backdrop.clean


def test_when_no_aperture_will_do_the_light_must_change() -> None:
    """Spill five stops over clean: closing would lose the subject, and the sentence says which side to shade."""
    _, (verdict,) = shoot(vessel("black", spill=0.06, side="left"), [5.6], new_setup(1, aim="clean-backdrop"))
    assert verdict.step.move == "light"
    assert "left" in verdict.step.why


def test_at_the_end_of_the_ladder_the_rest_is_named() -> None:
    _, (verdict,) = shoot(vessel("black", shade=0.1), [2.8])
    assert verdict.step.move == "light"
    assert "slower shutter" in verdict.step.why


def test_the_camera_s_own_apertures_are_kept_to() -> None:
    setup = new_setup(1, f_numbers=(4.0, 5.6, 8.0, 11.0))
    _, (verdict,) = shoot(vessel("black"), [11.0], setup)
    assert verdict.step.f_number in (4.0, 5.6)


def test_a_person_s_word_on_the_backdrop_wins() -> None:
    seen = look(vessel("black").shot(5.6), THRESHOLDS)
    _, verdict = judge(new_setup(1, backdrop="grey"), seen, THRESHOLDS, file="x", frame=1)
    assert verdict.backdrop is not None
    assert verdict.backdrop.tone == "grey"


def test_one_overexposed_frame_does_not_change_what_the_backdrop_is() -> None:
    _, verdicts = shoot(vessel("black", spill=0.01), [8.0, 5.6, 1.4])
    assert verdicts[-1].backdrop is not None
    assert verdicts[-1].backdrop.tone == "black"


CONTRACT = {
    "": (
        "file frame setup taken_at camera lens exposure pixels highlights shadows backdrop colour steadiness next"
        " forecast notices"
    ),
    "exposure": "f_number av shutter_s tv iso sv ev100",
    "pixels": "kind width height",
    "highlights": "frame subject channels broad specular headroom_stops",
    "shadows": "frame subject",
    "backdrop": "tone area clean code stops_below_white evenness_stops spill",
    "colour": "cct_k mired duv a b from",
    "steadiness": "shift_px sharpness banding",
    "next": "move stops f_number why",
}


@pytest.mark.parametrize("aim", AIMS)
@pytest.mark.parametrize("tone", ["black", "grey", "white", "none"])
def test_every_key_of_the_contract_is_printed_and_nothing_is_nan(aim: str, tone: str) -> None:
    setup = new_setup(1, aim=aim, backdrop=tone)  # type: ignore[arg-type]
    seen = look(vessel("black").shot(5.6), THRESHOLDS, no_backdrop=tone == "none")
    _, verdict = judge(setup, seen, THRESHOLDS, file="x", frame=1)
    said = json.loads(json.dumps(verdict.as_json(), allow_nan=False))
    for place, keys in CONTRACT.items():
        assert set(keys.split()) <= set(said[place] if place else said)
    assert set(said["backdrop"]["code"]) == {"p50", "p95", "p99", "max"}
    assert set(said["forecast"][0]) >= {"f_number", "highlights_subject", "shadows_subject", "backdrop_p99", "shot"}


def test_a_frame_of_another_size_is_noticed() -> None:
    setup, _ = shoot(vessel("black"), [5.6])
    small = look(vessel("black", height=400).shot(5.6), THRESHOLDS, setup.radiance)
    _, verdict = judge(setup, small, THRESHOLDS, file="x", frame=2)
    assert "size" in [n.kind for n in verdict.notices]


def test_exposure_is_that_of_the_marks() -> None:
    _, (verdict,) = shoot(vessel("black"), [11.0])
    exposure = verdict.as_json()["exposure"]
    assert (exposure["av"], exposure["tv"], exposure["sv"], exposure["ev100"]) == (7.0, 6.0, 6.0, 12.0)
    assert exposure["shutter_s"] == 0.016667
    assert Exposure().ev100 is None


def test_what_costs_the_picture_most_comes_first() -> None:
    told = [Notice(kind, kind) for kind in ("of another version", "cast", "spill", "softer", "camera", "spill")]
    assert [n.kind for n in by_cost(told)] == ["camera", "softer", "spill", "spill", "cast", "of another version"]
