"""The mock camera's sensor obeys the standards that real ones are measured by."""

import math
from itertools import pairwise

import numpy as np
import pytest

from lampblack.mock_camera.body import Settings
from lampblack.mock_camera.sensor import MID_SHARE, Sensor, exposed, mosaic, read_out
from lampblack.rules.exposure import F_NUMBERS_THIRD

SENSOR = Sensor()


def settings(f_number: float = 8.0, shutter_s: float = 1 / 64, iso: int = 200) -> Settings:
    return Settings(f_number, shutter_s, "1/60", iso, "custom", ("jpeg",), "2026-03-02T10:15:22.40")


def flat(share: float, side: int = 400) -> np.ndarray:
    return np.full((side, side), share, np.float32)


@pytest.mark.parametrize(("f_number", "shutter_s", "iso", "ev100"), [(8.0, 1 / 64, 200, 11), (5.6, 1 / 8, 100, 8)])
def test_full_scale_is_where_saturation_speed_puts_it(f_number: float, shutter_s: float, iso: int, ev100: int) -> None:
    """Lmax = 1.2 * 2^EV100 (Lagarde & de Rousiers 2014, from ISO 12232: 78 / (100 * 0.65))."""
    assert exposed(1.2 * 2.0**ev100, settings(f_number, shutter_s, iso)) == pytest.approx(1, rel=0.001)


def test_a_grey_card_metered_by_incident_light_lands_a_little_under_the_mid_tone() -> None:
    """ISO 2720, C 250: E = 5120 lx at EV100 11; an 18 % card then has L = 0.18 E / pi, 0.09 stop under 18/sqrt 2 %."""
    share = exposed(0.18 * 5120 / math.pi, settings(8.0, 1 / 64, 200))
    assert math.log2(share / MID_SHARE) == pytest.approx(-0.09, abs=0.01)


def test_each_mark_of_the_dials_is_its_exact_stop() -> None:
    """Three thirds make one stop whatever the marks say: f/5.6 to f/8 is a half, ISO 125 is 100 * 2^(1/3)."""
    for wide, narrow in zip(F_NUMBERS_THIRD, F_NUMBERS_THIRD[3:], strict=False):
        assert exposed(100, settings(wide)) == pytest.approx(2 * exposed(100, settings(narrow)), rel=1e-9)
    assert exposed(100, settings(iso=125)) == pytest.approx(2 ** (1 / 3) * exposed(100, settings(iso=100)), rel=1e-9)


def test_a_stop_halves_the_mean_above_black_until_the_well_is_full() -> None:
    rng = np.random.default_rng(3)
    means = [
        float(read_out(flat(share), SENSOR, 200, rng).mean()) - SENSOR.black_dn for share in (2, 0.8, 0.4, 0.2, 0.1)
    ]
    assert means[0] == SENSOR.white_dn - SENSOR.black_dn
    for brighter, darker in pairwise(means[1:]):
        assert brighter / darker == pytest.approx(2, rel=0.002)


@pytest.mark.parametrize("iso", [100, 200, 1600])
def test_photon_transfer_gives_back_gain_and_read_noise(iso: int) -> None:
    """EMVA 1288: K is the slope of temporal variance on the mean; read noise is sqrt(dark variance - 1/12) / K."""
    rng = np.random.default_rng(4)

    def mean_and_variance(share: float) -> tuple[float, float]:
        one, two = (read_out(flat(share), SENSOR, iso, rng).astype(np.float64) for _ in range(2))
        return float(one.mean() + two.mean()) / 2, float((one - two).var()) / 2

    dark_mean, dark_variance = mean_and_variance(0)
    points = np.array([mean_and_variance(share) for share in np.linspace(0.05, 0.7, 12)])
    slope = float(np.polyfit(points[:, 0] - dark_mean, points[:, 1] - dark_variance, 1)[0])
    assert slope == pytest.approx(SENSOR.gain_dn_per_e(iso), rel=0.02)
    assert math.sqrt(dark_variance - 1 / 12) / slope == pytest.approx(SENSOR.read_noise_e, rel=0.03)
    assert dark_mean == pytest.approx(SENSOR.black_dn, abs=0.05)


def test_the_variance_falls_to_nothing_where_the_converter_is_full() -> None:
    rng = np.random.default_rng(5)
    assert np.all(read_out(flat(1.5), SENSOR, 200, rng) == SENSOR.white_dn)
    assert read_out(flat(0.9), SENSOR, 200, rng).std() > 20


def test_each_pixel_sees_one_colour_of_a_red_green_green_blue_cell() -> None:
    shares = np.zeros((4, 6, 3), np.float32) + np.array([1, 2, 3], np.float32)
    assert np.array_equal(mosaic(shares), np.tile([[1, 2], [2, 3]], (2, 3)))
