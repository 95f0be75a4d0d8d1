"""Ways to change a lamp, against published figures; each source beside its check."""

from __future__ import annotations

import pytest

from lampblack.rules.ways import ways_of


def by(gain: float) -> dict[str, tuple[float, str]]:
    return {way.do: (way.stops, way.text) for way in ways_of(gain)}


# (common practice): a single wire scrim takes half a stop, a double one.
@pytest.mark.parametrize(
    ("gain", "text"),
    [
        (-0.5, "one single scrim"),
        (-1.0, "one double scrim"),
        (-1.5, "one double scrim and one single"),
        (-2.0, "two double scrims"),
    ],
)
def test_scrims(gain: float, text: str) -> None:
    assert by(gain)["scrim"] == (gain, text)


# Optical density, D / 0.30103 stops (calculated); trade tables call 0.3 a stop (Kodak guide).
@pytest.mark.parametrize(
    ("gain", "density", "stops"), [(-0.5, 0.15, 0.498), (-1, 0.3, 0.997), (-2, 0.6, 1.993), (-3, 0.9, 2.990)]
)
def test_neutral_density(gain: float, density: float, stops: float) -> None:
    assert by(gain)["density"][0] == pytest.approx(-stops, abs=0.001)
    assert f"density {density:g}" in by(gain)["density"][1]


# Inverse square: stops = 2 log2(d1 / d2) (calculated).
@pytest.mark.parametrize(
    ("factor", "stops"), [("1.06", -1 / 6), ("1.19", -1 / 2), ("1.41", -1), ("2.00", -2), ("0.71", 1), ("0.50", 2)]
)
def test_distance(factor: str, stops: float) -> None:
    assert by(stops)["distance"][1].startswith(f"{factor} times")


# SPIE Field Guide to Illumination: 5 % low volts on 3200 K are 3132 K and 0.25 stop less (calculated).
def test_a_dimmed_tungsten_lamp_turns_warmer() -> None:
    shift = 1e6 / 3132 - 1e6 / 3200
    assert f"{shift:.0f} mired warmer" in by(-0.25)["dimmer"][1]


def test_what_cannot_be_done_is_not_said() -> None:
    assert ways_of(0.0) == ()
    assert "scrim" not in by(-4.0)
    assert "distance" not in by(-8.0)
    assert set(by(1.0)) == {"dimmer", "distance", "power"}
    assert "2.0 times the light" in by(1.0)["power"][1]


def test_a_known_distance_is_told_in_metres_and_a_cold_lamp_keeps_its_colour() -> None:
    """Inverse square: a stop less is 1.41 times the distance."""
    told = {way.do: way.text for way in ways_of(-1.0, None, 1.5)}
    assert "from 1.5 m to 2.12 m" in told["distance"]
    assert "warmer" not in told["dimmer"]
