"""Incident readings, ratios and exposure constants against published values; each source beside its check."""

from __future__ import annotations

import math

import pytest

from lampblack.rules.exposure import Exposure
from lampblack.rules.readings import (
    DOME,
    FLAT,
    Metered,
    Offset,
    ReadingError,
    chosen,
    ev_of_lux,
    in_words,
    lamp_ratio,
    lux_of,
    marks_at,
    offset_of,
    parse_readings,
    ratios,
    taught_by,
    wanted_av,
)


# ISO 2720:1974, C 250 (flat) and 330 (dome); the same as colour_hdri `illuminance_to_exposure_value`.
@pytest.mark.parametrize(
    ("ev100", "flat", "dome"),
    [(3, 20, 26.4), (6, 160, 211.2), (9, 1280, 1690), (10, 2560, 3379), (12, 10240, 13517), (15, 81920, 108134)],
)
def test_lux_of_exposure_values(ev100: float, flat: float, dome: float) -> None:
    assert lux_of(ev100, FLAT) == pytest.approx(flat, rel=1e-3)
    assert lux_of(ev100, DOME) == pytest.approx(dome, rel=1e-3)
    assert ev_of_lux(flat) == pytest.approx(ev100, abs=1e-3)


def f_number_for(ev100: float, shutter_s: float, iso: float) -> float:
    """The exact f-number, no marks in between: N^2 = t S 2^EV / 100."""
    return math.sqrt(2.0**ev100 * shutter_s * iso / 100)


# Calculated from ISO 2720's relation, N^2 / t = E S / C.
@pytest.mark.parametrize(
    ("lux", "iso", "time", "at_250", "at_330"),
    [(500, 400, 50, 4.000, 3.482), (1000, 100, 60, 2.582, 2.247), (3200, 100, 60, 4.619, 4.020)],
)
def test_worked_apertures(lux: float, iso: float, time: float, at_250: float, at_330: float) -> None:
    assert f_number_for(ev_of_lux(lux), 1 / time, iso) == pytest.approx(at_250, abs=0.001)
    assert f_number_for(ev_of_lux(lux, DOME), 1 / time, iso) == pytest.approx(at_330, abs=0.001)


# Kodak EXR 500T, data sheet TI2082: EI 500, 24 frames a second through 170 degrees (0.019676 s), footcandles for f/1.4
# to f/16. By exact f-numbers its C is 265, within the standard's 240 to 400: 0.08 stop from 250.
@pytest.mark.parametrize(
    ("footcandles", "av"), [(5, 1), (10, 2), (20, 3), (40, 4), (80, 5), (160, 6), (320, 7), (640, 8)]
)
def test_a_published_table_of_footcandles(footcandles: float, av: float) -> None:
    f_number = f_number_for(ev_of_lux(footcandles * 10.7639), 0.019676, 500)
    assert 2 * math.log2(f_number) == pytest.approx(av, abs=0.09)


# (common practice): three readings two stops apart are four stops, 16:1, end to end, 4:1 between neighbours.
def test_readings_two_stops_apart() -> None:
    readings = parse_readings("key=16 camera=8 fill=4", 1 / 60, 200)
    told = {(r.brighter, r.darker): r for r in ratios(readings)}
    assert told[("key", "fill")].stops == 4
    assert told[("key", "fill")].n == 16
    neighbours = ratios(parse_readings("key=16 fill=8", 1 / 60, 200))
    assert [r.n for r in neighbours] == [4]
    assert "key to fill: 4 stops, 16:1" in in_words(readings)


# ASC definition, (key + fill) : fill; calculated.
@pytest.mark.parametrize(("stops", "ratio"), [(0, 2), (0.5, 2.41), (1, 3), (1.5, 3.83), (2, 5), (3, 9), (4, 17)])
def test_lamps_read_one_by_one(stops: float, ratio: float) -> None:
    assert lamp_ratio(stops) == pytest.approx(ratio, abs=0.005)


# (common practice): change ISO or time by a stop, and the aperture answer moves by a stop.
def test_readings_at_other_settings_are_on_one_footing() -> None:
    wanted = parse_readings("key=11@1/60,200")[0].ev100
    for text in ("key=16@1/60,400", "key=8@1/125,200", "key=11@1/30,100", "key=f/11@1/60,200"):
        assert parse_readings(text)[0].ev100 == pytest.approx(wanted, abs=1e-9)
    assert parse_readings("key=ev12")[0].ev100 == 12
    assert parse_readings("key=2560lx")[0].ev100 == 10


def test_what_the_camera_should_be_at() -> None:
    exposure = Exposure.of(5.6, 1 / 60, 200)
    reading = chosen(parse_readings("key=16 camera=11 backdrop=4", 1 / 60, 200))
    assert reading is not None
    assert reading.place == "camera"
    assert wanted_av(reading, exposure) == pytest.approx(7)
    assert wanted_av(reading, exposure, Offset(0.5, 0.1, 3)) == pytest.approx(6.5)
    assert marks_at([reading], exposure) == {"camera": 11}
    assert marks_at([reading], Exposure.of(5.6, None, 200)) == {}


def test_a_frame_teaches_by_how_much_the_meter_is_off() -> None:
    (reading,) = parse_readings("camera=11@1/60,200")
    as_read = Exposure.of(11, 1 / 60, 200)
    assert taught_by(reading, as_read, 0.0) == pytest.approx(0)
    assert taught_by(reading, as_read, -1.0) == pytest.approx(1), "it came out a stop under: open by one"
    assert taught_by(reading, Exposure.of(8, 1 / 60, 200), 0.0) == pytest.approx(1)
    assert offset_of([0.3, 0.35, 0.4, 3.0]).stops == pytest.approx(0.375), "one strange subject doesn't count"
    assert offset_of([0.3]).spread is None


@pytest.mark.parametrize(
    "text",
    ["", "key", "16", "key=16", "key=16@0/0,100", "key=0@1/60,100", "key=ev99", "key=0lx", "k16x", "x" * 40 + "=8"],
)
def test_what_is_no_reading_is_refused_in_a_line(text: str) -> None:
    with pytest.raises(ReadingError) as refused:
        parse_readings(text)
    assert "\n" not in str(refused.value)


def test_a_setups_reading_is_the_toward_camera_one_else_the_keys() -> None:
    assert chosen([]) is None
    reading = chosen(parse_readings("k16 f8", 1 / 60, 200))
    assert reading is not None
    assert Metered(reading).reading.place == "key"
