"""Depth of field, diffraction and lightness against published tables and worked examples."""

from __future__ import annotations

import math

import pytest

from lampblack.daemon.config import load_thresholds
from lampblack.rules.optics import Optics, airy_um, circle_mm, costs, field_mm, hyperfocal_mm, optics_of
from lampblack.rules.raw import RAW_MID_GREY
from lampblack.rules.tone import MID_GREY, code_of_light, light_of_code


@pytest.mark.parametrize(
    ("focal", "f_number", "circle", "distance", "hyperfocal", "near", "far"),
    [
        (50, 8, 0.03, 2000, 10466.7, 1684.6, 2460.6),
        (85, 8, 0.03, 2000, 30189.2, 1880.4, 2135.9),
        (85, 8, 0.02, 2000, 45241.2, 1918.6, 2088.6),
        (70, 8, 0.03, 2500, 20486.7, 2234.1, 2837.8),
        (100, 11, 0.03, 1000, 30403.0, 971.2, 1030.6),
    ],
)
def test_depth_of_field(
    focal: float, f_number: float, circle: float, distance: float, hyperfocal: float, near: float, far: float
) -> None:
    """Worked out by hand from Greenleaf's formulae (Photographic Optics, 1950)."""
    assert hyperfocal_mm(focal, f_number, circle) == pytest.approx(hyperfocal, abs=0.1)
    assert field_mm(focal, f_number, circle, distance) == pytest.approx((near, far), abs=0.1)


@pytest.mark.parametrize(("focal", "f_number", "circle", "metres"), [(50, 8, 0.02, 15.625), (35, 11, 0.03, 3.712)])
def test_hyperfocal_examples(focal: float, f_number: float, circle: float, metres: float) -> None:
    """Published examples of the short form f^2/(N c), which leaves the focal length out."""
    assert (hyperfocal_mm(focal, f_number, circle) - focal) / 1000 == pytest.approx(metres, abs=0.001)


def test_beyond_the_hyperfocal_distance_everything_is_sharp() -> None:
    assert field_mm(50, 8, 0.03, 11_000)[1] == math.inf


@pytest.mark.parametrize(
    ("f_number", "micrometres"), [(4, 5.37), (5.6, 7.52), (8, 10.74), (11, 14.76), (16, 21.47), (22, 29.52)]
)
def test_airy_disc(f_number: float, micrometres: float) -> None:
    """2.44 lambda N at 550 nm (textbook)."""
    assert airy_um(f_number) == pytest.approx(micrometres, abs=0.01)


@pytest.mark.parametrize(("sides", "circle"), [((36, 24), 0.030), ((23.6, 15.7), 0.0197), ((44, 33), 0.038)])
def test_circles_of_confusion(sides: tuple[float, float], circle: float) -> None:
    """0.030 mm for 36 x 24, 0.019 to 0.020 for APS-C, 0.038 for 44 x 33 (common practice)."""
    assert circle_mm(math.hypot(*sides)) == pytest.approx(circle, abs=0.0006)


def lightness(light: float) -> float:
    """CIE 15: L* = 116 (Y/Yn)^(1/3) - 16 above (6/29)^3, else 903.3 Y/Yn."""
    return 116 * light ** (1 / 3) - 16 if light > (6 / 29) ** 3 else 903.3 * light


def test_mid_grey_is_the_middle_of_lightness() -> None:
    """Y 18 % is L* 49.496 and sRGB code 117.65 (CIE 15, IEC 61966-2-1)."""
    assert lightness(MID_GREY) == pytest.approx(49.496, abs=0.001)
    assert code_of_light(MID_GREY) == pytest.approx(117.65, abs=0.01)


def test_clean_black_and_white_in_lightness() -> None:
    """Code 5 is L* 1.371, code 250 L* 98.272 (CIE 15): what thresholds.toml says of paper black."""
    thresholds = load_thresholds()
    assert lightness(light_of_code(thresholds.black.clean_p99_code)) == pytest.approx(1.371, abs=0.001)
    assert lightness(light_of_code(thresholds.white.clean_code)) == pytest.approx(98.272, abs=0.001)


def test_mid_grey_of_a_sensor() -> None:
    """ISO 12232: saturation is half a stop over a 100 % white, so 18 % lies at 12.73 %, 2.974 stops under."""
    assert pytest.approx(0.1273, abs=0.0001) == RAW_MID_GREY
    assert -math.log2(RAW_MID_GREY) == pytest.approx(2.974, abs=0.001)


def test_a_step_says_what_it_costs_and_is_quiet_where_it_costs_nothing() -> None:
    """A 24 MP sensor of 36 x 24 mm has pixels of 6 micrometres: the Airy disc is 2.5 of them at f/11."""
    full = optics_of(85, 85, 1.2, None, 6000)
    assert full.pitch_um == pytest.approx(6.0, abs=0.05)
    assert full.diagonal_mm == pytest.approx(43.27, abs=0.01)
    assert not costs(5.6, 8.0, full)
    (softer,) = costs(8.0, 22.0, full)
    assert softer.kind == "diffraction"
    assert "4.9 pixels" in softer.text
    (shallower,) = costs(8.0, 4.0, full)
    # 85 mm at f/8 and f/4, c 0.03, 1.2 m: 9.0 and 4.5 cm (Greenleaf's formulae).
    assert "from 9 to 4 cm" in shallower.text
    assert not costs(22.0, 22.0, full)


def test_what_a_file_does_not_tell_is_not_guessed() -> None:
    assert optics_of(None, None, None, None, 6000) == Optics()
    assert not costs(8.0, 22.0, Optics())
    assert costs(8.0, 4.0, Optics())[0].text == "depth of field falls to about 50 % of what it is at f/8"
    assert optics_of(50, None, None, 10_000, 6000).pitch_um is None  # a tenth of a micrometre is no pixel
