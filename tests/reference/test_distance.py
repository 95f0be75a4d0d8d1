"""Distance, size and circuits against published tables; each source beside its check."""

from __future__ import annotations

import pytest

from lampblack.rules.circuits import Circuit, load_lines, parse_circuit
from lampblack.rules.distance import Place, falloff, falloff_of, lines_on, penumbra_m, reflector_stops
from lampblack.rules.distance import short_of_inverse_square as short


# Inverse square: stops are 2 log2 of the factor (calculated; the factors are those of handbook tables).
@pytest.mark.parametrize(
    ("factor", "stops"),
    [(1.0595, 1 / 6), (1.1225, 1 / 3), (1.1892, 0.5), (1.4142, 1), (1.5, 1.17), (2, 2), (2.8284, 3), (4, 4)],
)
def test_the_inverse_square(factor: float, stops: float) -> None:
    assert falloff(1.3, 1.3 * factor) == pytest.approx(stops, abs=5e-4)
    assert falloff(1.3 * factor, 1.3) == pytest.approx(-stops, abs=5e-4)


# Front to back of a subject half a metre deep (calculated).
@pytest.mark.parametrize(("metres", "stops"), [(1, 1.170), (2, 0.644), (4, 0.340)])
def test_the_farther_the_lamp_the_evener_the_depth(metres: float, stops: float) -> None:
    assert falloff(metres, metres + 0.5) == pytest.approx(stops, abs=5e-4)


# A disc of even luminance on its axis, E over that of a point, d^2 / (d^2 + r^2) (calculated from Lambert's law);
# within a per cent from five times its size on (IES).
@pytest.mark.parametrize(
    ("times", "stops"),
    [(0.25, 2.322), (0.5, 1.0), (1, 0.322), (1.5, 0.152), (2, 0.087), (3, 0.040), (5, 0.014)],
)
def test_near_a_large_source_less_than_the_inverse_square(times: float, stops: float) -> None:
    assert short(times * 0.8, 0.8) == pytest.approx(stops, abs=6e-4)
    assert 2 ** -short(5 * 0.8, 0.8) > 0.99


def test_falloff_of_a_large_source_is_gentler() -> None:
    assert falloff_of(1.0, 0.5, 1.0) < falloff(0.5, 1.0)
    assert falloff_of(0.01, 3.0, 6.0) == pytest.approx(2, abs=1e-4)


def test_shadows_soften_with_the_lamp_and_with_what_lies_behind_the_edge() -> None:
    """Similar triangles: a lamp of 60 cm at 1.5 m, 10 cm behind the edge: 4 cm."""
    assert penumbra_m(0.6, 1.5, 0.1) == pytest.approx(0.04)
    assert penumbra_m(1.2, 1.5, 0.1) == 2 * penumbra_m(0.6, 1.5, 0.1)


def test_a_reflector_is_weaker_than_its_lamp_and_better_closer() -> None:
    """(common practice)"""
    near, far = (reflector_stops(0.5, 1.5, metres, 1.5) for metres in (0.4, 1.2))
    assert far < near < 0


def test_what_a_place_means_in_words() -> None:
    lines = lines_on(Place(1.0, 0.6, 0.5, 2.0), moved_to=2.0)
    assert len(lines) == 6
    assert lines[0].startswith("From front to back of the subject (50 cm)")
    assert lines_on(Place(2.0)) == []


# NFPA 70, 210.19(A)(1) and 210.20(A): 120 V, 15 A and 20 A carry 1440 and 1920 W for three hours and more.
@pytest.mark.parametrize(("volts", "amperes", "whole", "lasting"), [(120, 15, 1800, 1440), (120, 20, 2400, 1920)])
def test_north_american_circuits(volts: float, amperes: float, whole: float, lasting: float) -> None:
    circuit = Circuit(volts, amperes)
    assert (circuit.watts, circuit.lasting_watts) == (whole, pytest.approx(lasting))


# Calculated: 650 + 650 + 300 W are 13.33 A at 120 V, over the 12 A that 15 A carry for hours, and 6.96 A at 230 V.
def test_the_load_of_three_lamps() -> None:
    (line,) = load_lines("A", parse_circuit("120V,15A"), [650, 650, 300])
    assert "13.3 A" in line
    assert "three hours" in line
    assert "licensed electrician" in line
    (line,) = load_lines("A", parse_circuit("230 V 16 A"), [650, 650, 300])
    assert "7.0 A" in line
    assert "to spare" in line
    (line,) = load_lines("A", parse_circuit("120V,20A"), [1000, 1000, 650])
    assert "more than it is rated for" in line


def test_a_long_thin_cable_is_worth_a_word_and_a_drum_a_caution() -> None:
    thin = load_lines("A", parse_circuit("120V,20A,30m,0.75mm2"), [1500])
    assert any("thicker" in line for line in thin)
    assert any("Uncoil" in line for line in thin)
    assert any("breaker" in line for line in load_lines("B", None, [800]))


@pytest.mark.parametrize("text", ["", "16A", "230V", "0V,16A", "230V,16A,25m", "x" * 500])
def test_what_is_no_circuit_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="write a circuit as"):
        parse_circuit(text)
