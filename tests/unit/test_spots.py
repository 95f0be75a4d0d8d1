"""Spots that a person has named: where they lie, and the step that brings one to its value."""

from __future__ import annotations

import numpy as np
import pytest
from scenes import Scene, vessel
from sparing import first_quick

from lampblack.daemon.config import load_thresholds
from lampblack.rules.exposure import aperture_value
from lampblack.rules.look import look
from lampblack.rules.response import PRIOR, Response
from lampblack.rules.shoot import judge, new_setup
from lampblack.rules.spots import Spot, parse_spot, parse_want, place_spots, read_spot
from lampblack.rules.verdict import Verdict
from lampblack.rules.zones import zone_of

THRESHOLDS = load_thresholds()
SHADE = Spot("shade", 0.62, 0.6)
LIT = Spot("lit", 0.4, 0.5, want=1.0)


def shoot(scene: Scene, f_numbers: list[float], *spots: Spot, aim: str = "even") -> list[Verdict]:
    setup, verdicts = new_setup(1, aim=aim, spots=spots), []
    for number, f_number in enumerate(f_numbers, start=1):
        seen = look(scene.shot(f_number, seed=number), THRESHOLDS, setup.radiance)
        setup, verdict = judge(setup, seen, THRESHOLDS, file=f"{number}.jpg", frame=number)
        verdicts.append(verdict)
    return verdicts


def true_stops(scene: Scene, spot: Spot, f_number: float) -> float:
    """The mean light of the spot over mid grey, 0.18 of white (sRGB luminance, IEC 61966-2-1)."""
    h, w = scene.backdrop.shape
    y, x = np.mgrid[0:h, 0:w]
    inside = (x + 0.5 - spot.x * w) ** 2 + (y + 0.5 - spot.y * h) ** 2 <= (spot.size * w / 2) ** 2
    light = (scene.light[inside] @ [0.2126, 0.7152, 0.0722]).mean() * 2.0 ** (5 - aperture_value(f_number))
    return float(np.log2(light / 0.18))


@pytest.mark.parametrize("f_number", [5.6, 8.0, 11.0])
def test_a_spot_lies_where_its_light_is(f_number: float) -> None:
    scene = vessel("black")
    for placed in shoot(scene, [f_number], SHADE, LIT)[-1].spots:
        assert placed.bound is None
        assert placed.stops == pytest.approx(true_stops(scene, placed.spot, f_number), abs=0.1)


def test_a_spot_holds_from_frame_to_frame_at_any_size() -> None:
    """Shares of the picture: a frame of twice the size reads the same."""
    wide = Spot("wide", LIT.x, LIT.y, size=0.1)  # over the scene's grain, whose size is in pixels
    small, large = (shoot(vessel("black", height=h, width=w), [8.0], wide) for h, w in ((600, 900), (1200, 1800)))
    assert small[-1].spots[0].stops == pytest.approx(large[-1].spots[0].stops, abs=0.1)


def test_a_clipped_spot_is_a_bound_until_a_darker_frame_knows_it() -> None:
    scene = vessel("black", shade=3.0)
    alone = shoot(scene, [2.8], LIT)[-1].spots[0]
    assert alone.bound == "at least"
    assert alone.stops < true_stops(scene, LIT, 2.8)
    known = shoot(scene, [11.0, 2.8], LIT)[-1].spots[0]
    assert known.bound is None
    assert known.reading.bound == "at least"
    assert known.stops == pytest.approx(true_stops(scene, LIT, 2.8), abs=0.15)


def test_what_a_darker_frame_knew_is_read_by_the_curve_learned_since() -> None:
    """Else spots last seen in different frames would lie wrongly to each other, by half a stop under a harsh curve."""
    scene, learned = vessel("black", shade=3.0), Response(PRIOR.light**1.4, "bracket", 0.05)
    dark, bright = (look(scene.shot(f_number, seed=1), THRESHOLDS) for f_number in (11.0, 2.8))
    _, known = place_spots([LIT], dark, PRIOR, ())
    (placed,), _ = place_spots([LIT], bright, learned, known)
    apart = aperture_value(11.0) - aperture_value(2.8)
    assert placed.bound is None
    assert placed.stops == pytest.approx(read_spot(LIT, dark, learned).stops + apart)
    assert abs(placed.stops - read_spot(LIT, dark, PRIOR).stops - apart) > 0.2


def test_a_drowned_spot_is_a_bound_too() -> None:
    placed = shoot(vessel("black"), [22.0], Spot("far", 0.05, 0.05))[-1].spots[0]
    assert placed.bound == "at most"


@pytest.mark.parametrize("start", first_quick([2.8, 5.6, 22.0]))
@pytest.mark.parametrize("spot", [LIT, Spot("shade", 0.62, 0.6, want=-2.0)])
def test_the_step_brings_a_spot_to_its_value(spot: Spot, start: float) -> None:
    scene = vessel("black", shade=1.5)
    shot = [start]
    for _ in range(4):
        step = shoot(scene, shot, spot, aim=f"spot:{spot.name}")[-1].step
        shot.append(step.f_number or shot[-1])
    assert step.move == "keep"
    assert spot.want is not None
    assert true_stops(scene, spot, shot[-1]) == pytest.approx(spot.want, abs=0.25)


def test_the_forecast_says_where_a_spot_would_lie() -> None:
    scene = vessel("black")
    said = shoot(scene, [8.0], LIT)[-1].as_json()
    for line in said["forecast"]:
        assert line["spots"][0]["stops"] == pytest.approx(true_stops(scene, LIT, line["f_number"]), abs=0.1)
    assert said["spots"][0]["off_stops"] == pytest.approx(said["spots"][0]["stops"] - 1.0)


@pytest.mark.parametrize("aim", ["spot:nose", "spot:shade"])
def test_an_unknown_spot_or_one_without_a_wish_suggests_nothing(aim: str) -> None:
    step = shoot(vessel("black"), [8.0], SHADE, aim=aim)[-1].step
    assert step.move is None
    assert aim.removeprefix("spot:") in step.why


def test_zones_are_stops_around_mid_grey() -> None:
    """Zone V is mid grey and each zone a stop (common practice)."""
    assert [zone_of(stops) for stops in (-5, -2, 0, 1, 3, 7)] == ["0", "III", "V", "VI", "VIII", "X"]
    assert [parse_want(text) for text in ("VI", "zone III", "+1", "-0.5", "0")] == [1.0, -2.0, 1.0, -0.5, 0.0]


@pytest.mark.parametrize(
    "text",
    [
        "",
        "cheek",
        "cheek=",
        "cheek=0.4",
        "cheek=0.4,1.2",
        "cheek=a,b",
        "=0.4,0.3",
        "c=0.4,0.3,0",
        "c=1,1@XI",
        "c=1,1@nan",
    ],
)
def test_what_is_no_spot_is_said_in_one_line(text: str) -> None:
    with pytest.raises(ValueError, match=r"^[^\n]+$"):
        parse_spot(text)


@pytest.mark.parametrize("place", [(0.0, 0.0), (1.0, 1.0), (1.0, 0.0)])
def test_a_spot_in_a_corner_is_read(place: tuple[float, float]) -> None:
    assert len(shoot(vessel("white"), [8.0], Spot("corner", *place, size=0.001))[-1].spots) == 1
