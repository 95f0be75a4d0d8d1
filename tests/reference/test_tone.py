"""The sRGB transfer function against the published table."""

from __future__ import annotations

import numpy as np
import pytest

from lampblack.rules.tone import (
    LIGHT_OF_CODE,
    code_of_light,
    light_of_code,
    linear_to_srgb,
    srgb_to_linear,
    stops_below_white,
)

# IEC 61966-2-1; percent of white and stops under it, made with colour-science 0.4.7.
TABLE = {
    **{5: (0.152, 9.364), 16: (0.518, 7.592), 46: (2.732, 5.194), 100: (12.744, 2.972), 118: (18.116, 2.465)},
    **{128: (21.586, 2.212), 188: (50.289, 0.992), 235: (83.077, 0.267), 243: (89.627, 0.158), 250: (95.597, 0.065)},
}


@pytest.mark.parametrize(("code", "percent", "stops"), [(c, *v) for c, v in TABLE.items()])
def test_light_of_codes(code: int, percent: float, stops: float) -> None:
    light = light_of_code(code)
    assert light * 100 == pytest.approx(percent, abs=6e-4)
    assert stops_below_white(light) == pytest.approx(stops, abs=1e-3)
    assert LIGHT_OF_CODE[code] == pytest.approx(light)


def test_mid_grey_has_code_117_65() -> None:
    """18 % grey: sRGB 117.65 (colour-science 0.4.7)."""
    assert code_of_light(0.18) == pytest.approx(117.65, abs=0.005)


def test_the_breaks_of_the_standard() -> None:
    """Linear up to 0.0031308 of light, 0.04045 of code (IEC 61966-2-1); the pieces meet there."""
    assert linear_to_srgb(0.0031308) == pytest.approx(0.04045, abs=1e-5)
    assert srgb_to_linear(0.04045) == pytest.approx(0.0031308, abs=1e-6)


def test_there_and_back() -> None:
    light = np.linspace(0, 1, 4097)
    assert np.abs(srgb_to_linear(linear_to_srgb(light)) - light).max() < 1e-9


def test_no_light_has_no_stops() -> None:
    assert stops_below_white(0.0) is None
