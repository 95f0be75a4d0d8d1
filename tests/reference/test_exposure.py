"""APEX arithmetic against published tables."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest

from lampblack.rules.exposure import (
    F_NUMBERS_HALF,
    F_NUMBERS_THIRD,
    ISOS_THIRD,
    SHUTTERS_HALF,
    SHUTTERS_THIRD,
    Exposure,
    aperture_value,
    exact_f_number,
    exact_shutter_s,
    marked_f_number,
    marked_shutter_text,
    speed_value,
    time_value,
)

# Exif (CIPA DC-008), annex on APEX units: the tables of Av, Tv and Sv.
AV = {1: 0, 1.4: 1, 2: 2, 2.8: 3, 4: 4, 5.6: 5, 8: 6, 11: 7, 16: 8, 22: 9, 32: 10}
TV = {
    "1": 0,
    "1/2": 1,
    "1/4": 2,
    "1/8": 3,
    "1/15": 4,
    "1/30": 5,
    "1/60": 6,
    "1/125": 7,
    "1/250": 8,
    "1/500": 9,
    "1/1000": 10,
}
SV = {25: 3, 50: 4, 100: 5, 200: 6, 400: 7, 800: 8, 1600: 9, 3200: 10}


@pytest.mark.parametrize(("f_number", "av"), AV.items())
def test_aperture_values_of_the_exif_table(f_number: float, av: float) -> None:
    assert aperture_value(f_number) == pytest.approx(av, abs=1e-12)


@pytest.mark.parametrize(("time", "tv"), TV.items())
def test_time_values_of_the_exif_table(time: str, tv: float) -> None:
    assert time_value(float(Fraction(time))) == pytest.approx(tv, abs=1e-12)


@pytest.mark.parametrize(("iso", "sv"), SV.items())
def test_speed_values_of_the_exif_table(iso: int, sv: float) -> None:
    assert speed_value(iso) == pytest.approx(sv, abs=1e-12)


# ISO 517, marked and exact f-numbers (calculated: 2^(i/6), 2^(i/4)).
THIRDS = {
    **{1.1: 1.1225, 1.2: 1.2599, 1.4: 1.4142, 1.6: 1.5874, 1.8: 1.7818, 2.2: 2.2449, 2.5: 2.5198, 2.8: 2.8284},
    **{3.2: 3.1748, 3.5: 3.5636, 4.5: 4.4898, 5: 5.0397, 5.6: 5.6569, 6.3: 6.3496, 7.1: 7.1272, 9: 8.9797},
    **{10: 10.0794, 11: 11.3137, 13: 12.6992, 14: 14.2544, 18: 17.9594, 20: 20.1587, 22: 22.6274, 29: 28.5088},
}
HALVES = {1.7: 1.6818, 2.4: 2.3784, 3.3: 3.3636, 4.8: 4.7568, 6.7: 6.7272, 9.5: 9.5137, 19: 19.0273, 27: 26.9087}


@pytest.mark.parametrize(("marked", "exact"), [*THIRDS.items(), *HALVES.items()])
def test_marked_apertures_stand_for_exact_ones(marked: float, exact: float) -> None:
    assert exact_f_number(marked) == pytest.approx(exact, abs=5e-5)


def test_a_mark_of_both_series_is_told_by_its_apex_tag() -> None:
    """f/13 is 12.699 among thirds and 13.454 among halves; a tag made from the mark itself decides nothing."""
    assert aperture_value(13) == pytest.approx(22 / 3)
    assert aperture_value(13, 7.5) == 7.5
    assert aperture_value(13, 2 * math.log2(13)) == pytest.approx(22 / 3)
    assert aperture_value(1.2, 0.5) == 0.5


# ISO 516: 1/15, 1/30, 1/60 are 1/16, 1/32, 1/64; 15 and 30 s are 16 and 32; 0.3 s is 0.315 (calculated).
TIMES = {
    "1/15": 1 / 16,
    "1/30": 1 / 32,
    "1/60": 1 / 64,
    "1/125": 1 / 128,
    "15": 16,
    "30": 32,
    "0.3": 0.31498,
    "0.6": 0.62996,
    "1/50": 1 / 50.797,
    "1/6": 1 / 6.3496,
}


@pytest.mark.parametrize(("marked", "exact"), TIMES.items())
def test_marked_times_stand_for_exact_ones(marked: str, exact: float) -> None:
    assert exact_shutter_s(float(Fraction(marked))) == pytest.approx(exact, rel=1e-4)


@pytest.mark.parametrize(
    ("series", "value", "first", "step"),
    [
        (F_NUMBERS_THIRD, aperture_value, 0, 1 / 3),
        (SHUTTERS_THIRD, time_value, -5, 1 / 3),
        (ISOS_THIRD, speed_value, 3, 1 / 3),
    ],
)
def test_each_series_climbs_in_exact_thirds(series, value, first, step) -> None:
    for place, mark in enumerate(series):
        assert value(float(Fraction(mark) if isinstance(mark, str) else mark)) == pytest.approx(first + place * step)


@pytest.mark.parametrize(
    ("series", "value", "first"), [(F_NUMBERS_HALF, aperture_value, 0), (SHUTTERS_HALF, time_value, -5)]
)
def test_each_half_stop_is_a_half_or_a_mark_that_thirds_own(series, value, first) -> None:
    thirds = {float(Fraction(m)) for m in SHUTTERS_THIRD} | set(F_NUMBERS_THIRD)
    for place, mark in enumerate(series):
        number = float(Fraction(mark) if isinstance(mark, str) else mark)
        if number not in thirds:
            assert value(number) == pytest.approx(first + place / 2)


# How cameras wrote one and the same setting (read from real files; see the table in check values of the trade):
# APEX tags from marks, in 1/32 steps, times as odd ratios.
@pytest.mark.parametrize(
    ("f_number", "tag", "av"), [(5.6, 4.9709, 5), (8, 6, 6), (4.9, 149 / 32, 2 * math.log2(4.9)), (11, 6.918863, 7)]
)
def test_real_cameras_aperture_tags(f_number: float, tag: float, av: float) -> None:
    assert aperture_value(f_number, tag) == pytest.approx(av, abs=1e-9)


@pytest.mark.parametrize(
    ("shutter_s", "tag", "tv"),
    [(1 / 60, 193557 / 32768, 6), (1 / 250, 7.9658, 8), (10 / 3511, None, math.log2(351.1)), (1 / 500, 287 / 32, 9)],
)
def test_real_cameras_time_tags(shutter_s: float, tag: float | None, tv: float) -> None:
    assert time_value(shutter_s, tag) == pytest.approx(tv, abs=1e-9)


# EV = log2(N^2 / t); the exact series gives whole numbers (Exif annex; calculated table).
@pytest.mark.parametrize(("f_number", "first"), [(2.8, 6), (4, 7), (5.6, 8), (8, 9), (11, 10), (16, 11)])
def test_ev_table(f_number: float, first: int) -> None:
    for place, time in enumerate((1 / 8, 1 / 15, 1 / 30, 1 / 60, 1 / 125, 1 / 250)):
        assert Exposure.of(f_number, time, 100).ev100 == pytest.approx(first + place)


def test_readings_two_stops_apart() -> None:
    """f/16, f/8, f/4 lie two stops apart, four end to end (common practice)."""
    av = [aperture_value(n) for n in (16, 8, 4)]
    assert [av[0] - av[1], av[1] - av[2], av[0] - av[2]] == pytest.approx([2, 2, 4])


def test_a_stop_of_iso_or_time_moves_the_aperture_by_a_stop() -> None:
    """The aperture that suits a light moves a stop when ISO or time does (common practice)."""
    light = Exposure.of(5.6, 1 / 60, 200).ev100
    assert Exposure.of(8, 1 / 60, 400).ev100 == pytest.approx(light)
    assert Exposure.of(4, 1 / 125, 200).ev100 == pytest.approx(light)


@pytest.mark.parametrize("value", [0, -1, math.nan, math.inf])
def test_absurd_values_are_the_callers_mistake(value: float) -> None:
    for function in (aperture_value, time_value, speed_value, marked_shutter_text):
        with pytest.raises(ValueError, match="above zero"):
            function(value)


def test_marks_for_people() -> None:
    assert [marked_f_number(av) for av in (3, 5.0, 7.34, 9.1)] == [2.8, 5.6, 13, 22]
    assert [marked_shutter_text(t) for t in (1 / 64, 1 / 60, 0.0166, 1 / 128, 2, 1 / 90, 1 / 117)] == [
        *("1/60", "1/60", "1/60", "1/125", "2", "1/90", "1/117"),
    ]


def test_unknown_parts_stay_unknown() -> None:
    assert Exposure.of(8, None, 200).ev100 is None
    assert Exposure.of(8, 1 / 60, None).stops == pytest.approx(5 - 6 - 6)
    assert Exposure.of(None, None, None, av_tag=5.0, tv_tag=6.0).stops == pytest.approx(-6)
