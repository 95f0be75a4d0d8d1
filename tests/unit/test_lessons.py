"""A raw and a JPEG of one shot teach the camera's tone response; raw and JPEG of a setup are never mixed up."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from tone_scenes import CURVES, Curve, Floats, expose, light_of_codes, stops_off, studio

from lampblack.daemon import learning
from lampblack.daemon.config import load_thresholds
from lampblack.rules.exposure import Exposure, aperture_value
from lampblack.rules.frame import Picture, Plane, Sensor, Shot
from lampblack.rules.look import Look, Part, look
from lampblack.rules.radiance import Radiance
from lampblack.rules.response import PRIOR
from lampblack.rules.shoot import Setup, judge, new_setup
from lampblack.rules.verdict import Verdict

THRESHOLDS = load_thresholds()
LIGHT = studio(1, 400, 600).light()


def shot(f_number: float, camera: str | None = "Invented Three") -> Shot:
    return Shot(Exposure.of(f_number, 1 / 60, 200), camera=camera)


def stops(f_number: float) -> float:
    return 6.0 - aperture_value(f_number)


def jpeg(f_number: float, curve: Curve = CURVES["standard"], light: Floats = LIGHT) -> Picture:
    return Picture("jpeg", expose(light, stops(f_number), curve), shot(f_number))


def raw(f_number: float, light: Floats = LIGHT, ends: float = 0.3, margin: int = 0) -> Sensor:
    """
    The sensor's samples of the same shot: RGGB, 14 bits, noise of 30,000 electrons.

    ends: how much more light the sensor holds than the JPEG, in stops. margin: pixels it has more on each side.
    """
    rng = np.random.default_rng(7)
    more = np.pad(light, ((margin, margin), (margin, margin), (0, 0)), mode="reflect") * 2.0 ** (stops(f_number) - ends)
    planes = []
    for (y, x), channel in zip(np.ndindex(2, 2), (0, 1, 1, 2), strict=True):
        wells = np.minimum(rng.poisson(np.minimum(more[y::2, x::2, channel], 2) * 30_000), 30_000)
        samples = np.rint(512 + 0.5 * wells + rng.normal(0, 2, wells.shape))
        planes.append(Plane(np.clip(samples, 0, 16383).astype(np.uint16), channel, 512, 512 + 15_000))
    height, width = more.shape[:2]
    return Sensor(tuple(planes), width, height, (2, 2), np.ones(3), np.eye(3), shot(f_number))


def paired(sensor: Sensor, picture: Picture, known: Radiance | None = None) -> Look:
    shown = look(picture, THRESHOLDS, known)
    return replace(look(sensor, THRESHOLDS, shown.radiance), shown=shown)


def shoot(frames: list[Sensor | Picture], setup: Setup | None = None) -> tuple[Setup, list[Verdict]]:
    setup, verdicts = setup or new_setup(1), []
    for number, frame in enumerate(frames, start=1):
        setup, verdict = judge(setup, look(frame, THRESHOLDS, setup.radiance), THRESHOLDS, file="x", frame=number)
        verdicts.append(verdict)
    return setup, verdicts


# --- brackets -------------------------------------------------------------------------------------------------------


def test_a_small_thing_has_tones_enough_to_tell_the_curve() -> None:
    """A wedge on a black cloth, all the tones that there are: it takes up four thousandths of the picture."""
    light = np.full((400, 600, 3), 0.002)
    light[200:224, 250:286] = (2.0 ** np.linspace(-6.5, 1.2, 36))[None, :, None]
    setup, _ = shoot([jpeg(f_number, light=light) for f_number in (16.0, 8.0, 4.0)])
    assert setup.lessons.from_bracket is not None
    assert stops_off(setup.response.light, light_of_codes(CURVES["standard"])) < 0.03
    assert setup.response.sure_stops < 0.15


def cornered(light: Floats) -> Floats:
    """A curve with a corner at four fifths, straight above it."""
    corner = (0.8 / 1.12) ** 2
    return np.where(light <= corner, 1.12 * np.sqrt(light), 0.8 + 0.2 * (light - corner) / (1 - corner))


def test_what_the_bright_frame_clips_tells_where_white_lies_in_the_dark_one() -> None:
    """Next to white a curve is least known; exposures between two that were shot are foretold by both."""
    light = np.repeat(LIGHT.mean(axis=2, keepdims=True), 3, axis=2)  # of colours a JPEG keeps a quarter of the pixels
    _, verdicts = shoot([jpeg(n, cornered, light) for n in (16.0, 8.0, 4.0)])
    foretold = {one.f_number: one.highlights_subject for one in verdicts[-1].forecast}
    subject = verdicts[-1].look.points(light.shape[:2]) < Part.BACKDROP
    white = light_of_codes(cornered)[254]
    for f_number in (6.3, 5.6, 5.0, 4.5):
        true = (light[..., 0] * 2.0 ** stops(f_number) >= white)[subject].mean()
        assert foretold[f_number] == pytest.approx(true, abs=0.012)


@pytest.mark.parametrize(("end", "shown"), [(248, 248), (252, 252), (255, 255)])
def test_a_darker_frame_tells_what_must_clip_and_so_where_the_curve_ends(end: int, shown: int) -> None:
    """On a curve flat at white, with a wall of pale tones close under its end: no pile stands out from these."""
    light = LIGHT * 0.5
    light[:, :240] = np.linspace(0.55, 0.98, 240)[None, :, None]
    light[200:260, 400:470] = 1.6

    def curve(light: Floats) -> Floats:
        return CURVES["shoulder"](light) * end / 255

    _, (alone,) = shoot([jpeg(8.0, curve, light)])
    assert alone.look.end == 255, "the frame alone shows it, too"
    setup, verdicts = shoot([jpeg(n, curve, light) for n in (16.0, 8.0)])
    assert setup.lessons.end == shown
    assert verdicts[-1].highlights.frame == pytest.approx((light.max(axis=2) >= 1).mean(), abs=0.002)


# --- pairs ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("margin", [0, 8])
@pytest.mark.parametrize("name", ["srgb", "hard s", "high lifted toe", "shoulder", "standard"])
def test_one_pair_teaches_the_curve_at_once_and_it_is_said(name: str, margin: int) -> None:
    """Within the tenth of a stop that a bracket is held to, white held no farther off than twice its own doubt."""
    seen = paired(raw(4.0, margin=margin), jpeg(4.0, CURVES[name]))
    setup, verdict = judge(new_setup(1), seen, THRESHOLDS, file="x", frame=1)
    truth = light_of_codes(CURVES[name])
    assert setup.response.source == "raw pair"
    assert stops_off(setup.response.light, truth) < 0.1
    assert stops_off(setup.response.light, truth, anchored=True) < 2 * setup.response.sure_stops
    said = verdict.as_json()["tone_response"]
    assert said == {"from": "raw pair", "sure_stops": pytest.approx(setup.response.sure_stops, abs=1e-3)}
    assert setup.response.sure_stops < PRIOR.sure_stops / 2


def test_what_a_pair_taught_reads_the_jpegs_after_it() -> None:
    setup, _ = judge(new_setup(1), paired(raw(4.0), jpeg(4.0)), THRESHOLDS, file="x", frame=1)
    _, (verdict,) = shoot([jpeg(8.0)], setup)
    assert verdict.response.source == "raw pair"
    assert verdict.as_json()["tone_response"]["from"] == "raw pair"


def test_a_raw_alone_has_no_tone_response() -> None:
    _, (verdict,) = shoot([raw(5.6)])
    assert verdict.as_json()["tone_response"] is None


def test_a_jpeg_of_another_shape_or_another_scene_teaches_nothing() -> None:
    square = jpeg(4.0, light=LIGHT[:, 100:500])
    other = jpeg(4.0, light=studio(2, 400, 600).light())
    for picture in (square, other):
        setup, _ = judge(new_setup(1), paired(raw(4.0), picture), THRESHOLDS, file="x", frame=1)
        assert setup.response is PRIOR


def test_the_raw_is_the_measure_of_a_pair() -> None:
    """The JPEG clips a third of a stop sooner; what is said of highlights is the raw's."""
    alone = shoot([raw(4.0)])[1][0]
    _, both = judge(new_setup(1), paired(raw(4.0), jpeg(4.0)), THRESHOLDS, file="x", frame=1)
    assert both.highlights == alone.highlights
    assert both.step == alone.step
    assert both.forecast == alone.forecast


def test_a_pair_is_remembered_for_the_camera_s_next_setup(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    seen = paired(raw(4.0), jpeg(4.0))
    first, _ = learning.judge(new_setup(1), seen, THRESHOLDS, file="x", frame=1)
    later, verdict = learning.judge(new_setup(2), look(jpeg(8.0), THRESHOLDS), THRESHOLDS, file="y", frame=2)
    assert verdict.response.source == later.response.source == "raw pair"
    np.testing.assert_allclose(later.response.light, first.response.light, rtol=1e-9)
    # Another picture style is another curve.
    styled = jpeg(8.0)
    styled = Picture("jpeg", styled.codes, replace(styled.shot, style="contrast 2"))
    other, _ = learning.judge(new_setup(3), look(styled, THRESHOLDS), THRESHOLDS, file="z", frame=3)
    assert other.response is PRIOR


def test_a_bracket_of_another_curve_disproves_what_was_remembered() -> None:
    """The style was changed on the camera, and its files don't tell."""
    learned, _ = shoot([jpeg(n, CURVES["high lifted toe"]) for n in (8.0, 4.0, 2.8)])
    assert learned.response.source == "bracket"
    setup = new_setup(2)
    setup = replace(setup, lessons=replace(setup.lessons, remembered=learned.response))
    setup, _ = shoot([jpeg(n, CURVES["hard s"]) for n in (8.0, 4.0, 2.8)], setup)
    assert setup.response is not learned.response
    assert stops_off(setup.response.light, light_of_codes(CURVES["hard s"])) < 0.15


def test_two_dim_frames_do_not_unseat_a_surer_curve_remembered() -> None:
    learned, _ = shoot([jpeg(n) for n in (8.0, 4.0, 2.8)])
    setup = new_setup(2)
    setup = replace(setup, lessons=replace(setup.lessons, remembered=learned.response))
    setup, _ = shoot([jpeg(n) for n in (16.0, 11.0)], setup)
    assert setup.response.sure_stops <= learned.response.sure_stops


# --- kinds mixed ----------------------------------------------------------------------------------------------------


def told(verdict: Verdict) -> list[tuple[float | None, float | None, int | None, bool]]:
    return [(f.highlights_subject, f.shadows_subject, f.backdrop_p99, f.shot) for f in verdict.forecast]


@pytest.mark.parametrize("order", [("jpeg", "raw"), pytest.param(("raw", "jpeg"), marks=pytest.mark.slow)])
def test_each_kind_is_foretold_from_its_own(order: tuple[str, str]) -> None:
    """A setup of raw frames and JPEGs says of each what the frames of its own kind say, and why they differ."""
    of = {"jpeg": [jpeg(8.0), jpeg(4.0)], "raw": [raw(8.0), raw(4.0)]}
    mixed = [of[order[0]][0], of[order[1]][0], of[order[0]][1], of[order[1]][1]]
    _, verdicts = shoot(mixed)
    for kind, places in ((order[0], (0, 2)), (order[1], (1, 3))):
        _, pure = shoot(of[kind])
        for one, place in zip(pure, places, strict=True):
            assert told(verdicts[place]) == told(one)
            assert verdicts[place].highlights == one.highlights
    assert ["other-kind" in {n.kind for n in v.notices} for v in verdicts] == [False, True, False, False]
    assert not any({n.kind for n in v.notices} & {"size", "light-changed"} for v in verdicts)


def test_pairs_speak_for_both_kinds() -> None:
    """After two pairs a JPEG alone is foretold from the pairs' JPEGs."""
    setup = new_setup(1)
    for number, f_number in enumerate((8.0, 4.0), start=1):
        seen = paired(raw(f_number, margin=8), jpeg(f_number), setup.radiance)
        setup, pair = judge(setup, seen, THRESHOLDS, file="x", frame=number)
    assert [f.f_number for f in pair.forecast if f.shot] == [4.0, 8.0]
    _, (verdict,) = shoot([jpeg(5.6)], setup)
    assert [f.f_number for f in verdict.forecast if f.shot] == [4.0, 5.6, 8.0]
    assert not {n.kind for n in verdict.notices} & {"size", "light-changed", "other-kind"}
