"""
The sensor: light in, counts out.

A Bayer mosaic (RGGB) of 14 bits. Its filters see the three sRGB primaries and nothing else, at unequal strength, as
real ones do: under lamplight green and red fill alike and blue lags far behind. ISO is gain before the converter;
white balance is no business of the sensor.

Speed by saturation (ISO 12232): at ISO S the green wells, in daylight, reach full scale at a focal plane exposure of
78/S lx·s, and the focal plane gets H = 0.65·L·t/N² from a luminance L.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lampblack.mock_camera.body import Settings
from lampblack.rules.exposure import exact_f_number, speed_value

Floats = NDArray[np.float32]
Counts = NDArray[np.uint16]

FOCAL_PLANE = 0.65
"""Share of L·t/N² that reaches the focal plane: lens losses, vignetting, cosine (Lagarde & de Rousiers 2014)."""
SATURATION_LX_S = 78.0
MID_SHARE = 0.18 / 2**0.5
"""An 18 % grey, rightly exposed, as share of full scale: ISO 12232 leaves half a stop over a 100 % white."""
PATTERN = ((0, 1), (1, 2))
"""Colour (0 red, 1 green, 2 blue) by row and column of a 2 by 2 cell."""


@dataclass(frozen=True)
class Sensor:
    """What a sensor is made of."""

    full_well_e: float = 90_000.0
    """Electrons at the converter's full scale, at ISO 100; at ISO S it is 100/S of that."""
    read_noise_e: float = 2.8
    black_dn: int = 512
    white_dn: int = 16_383
    response: tuple[float, float, float] = (0.40, 1.0, 0.60)
    """Of red, green, blue to a neutral light, against green."""

    def full_scale_e(self, iso: float) -> float:
        """Electrons at full scale; `iso` as marked."""
        return self.full_well_e / 2 ** (speed_value(iso) - 5)

    def gain_dn_per_e(self, iso: float) -> float:
        """Overall system gain K of EMVA 1288."""
        return (self.white_dn - self.black_dn) / self.full_scale_e(iso)


def exposed(luminance_cd_m2: float, settings: Settings) -> float:
    """
    Share of full scale that a neutral of this luminance reaches in green, before any clipping.

    >>> at = Settings(8.0, 1 / 64, "1/60", 200, "daylight", ("jpeg",), "2026-01-01T10:00:00.00")
    >>> round(exposed(1.2 * 2**11, at), 2)  # Lmax = 1.2 * 2^EV100 at EV 11
    1.0
    """
    exposure_lx_s = FOCAL_PLANE * luminance_cd_m2 * settings.shutter_s / exact_f_number(settings.f_number) ** 2
    return exposure_lx_s * 3.125 * 2 ** speed_value(settings.iso) / SATURATION_LX_S


def mosaic(shares: Floats) -> Floats:
    """Pick each pixel's own colour: (h, w, 3) of red, green, blue to (h, w). Both sides are even."""
    picked = np.empty(shares.shape[:2], np.float32)
    for row, colours in enumerate(PATTERN):
        for column, colour in enumerate(colours):
            picked[row::2, column::2] = shares[row::2, column::2, colour]
    return picked


def read_out(shares: Floats, sensor: Sensor, iso: float, rng: np.random.Generator) -> Counts:
    """
    Counts from a mosaic of noise-free shares of full scale.

    Shot noise is Gaussian with the variance of Poisson's law: under some thirty electrons the law is skewed, but there
    the read noise, which is Gaussian, covers it.
    """
    full_e, gain = sensor.full_scale_e(iso), sensor.gain_dn_per_e(iso)
    electrons = np.minimum(shares, 4.0) * np.float32(full_e)
    noise = rng.standard_normal(electrons.shape, dtype=np.float32)
    noise *= np.sqrt(electrons + np.float32(sensor.read_noise_e**2))
    electrons += noise
    electrons *= np.float32(gain)
    electrons += np.float32(sensor.black_dn + 0.5)
    np.clip(electrons, 0, sensor.white_dn, out=electrons)
    return electrons.astype(np.uint16)
