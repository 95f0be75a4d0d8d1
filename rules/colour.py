"""
Colour in figures: chromaticity, correlated colour temperature, mired, Duv, CIELAB.

CCT and Duv are by the nearest point of the Planckian locus in CIE 1960 u, v (CIE 15; Ohno, "Practical use and
calculation of CCT and Duv", Leukos 10, 2013: Duv is positive above the locus, greenish, negative below, pinkish).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.polynomial import Chebyshev
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SRGB_TO_XYZ: Floats = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
)
"""Linear sRGB to XYZ, white at D65 (IEC 61966-2-1)."""

D65: Floats = SRGB_TO_XYZ.sum(axis=1)

_RANGE = 25.0, 1000.0  # mired: 40,000 to 1,000 K
_LOCUS_U = Chebyshev(
    [0.3100144, 0.1402855, 0.0029237, -0.0069028, 0.0020221, -0.0003239, -5.8e-05, 8.26e-05, -4.69e-05, 2.03e-05,
     -6.4e-06, 1.1e-06, 9e-07], domain=_RANGE,
)  # fmt: skip
_LOCUS_V = Chebyshev(
    [0.3358133, 0.0366988, -0.0242479, 0.0070298, -7.32e-05, -0.0010607, 0.000666, -0.0002662, 7.31e-05, -6.5e-06,
     -1.05e-05, 9e-06, -5.9e-06], domain=_RANGE,
)  # fmt: skip
"""The Planckian locus over mired, to 5e-6: fitted to sums of Planck's law over the CIE 1931 observer at 1 nm."""

_FARTHEST = 0.05
"""Duv beyond which a correlated colour temperature means nothing (CIE 15)."""
_MIREDS = np.linspace(*_RANGE, 977)
_LOCUS = np.stack([_LOCUS_U(_MIREDS), _LOCUS_V(_MIREDS)], axis=1)


@dataclass(frozen=True, eq=False)
class Profile:
    """A camera's colours, measured under one light. kelvin: of that light. from_xyz: (3, 3) XYZ to camera R, G, B."""

    kelvin: float
    from_xyz: Floats


def xyz_of_xy(x: float, y: float) -> Floats:
    """Return XYZ of a chromaticity, Y = 1."""
    return np.array([x / y, 1.0, (1 - x - y) / y])


def cct_duv(xyz: Any) -> tuple[float | None, float | None]:
    """
    Return CCT in kelvin and Duv of XYZ; None, None where there is no such temperature.

    >>> tuple(round(value, n) for value, n in zip(cct_duv([1.09850, 1, 0.35585]), (0, 4)))  # CIE illuminant A
    (2856.0, 0.0)
    """
    x, y, z = (float(value) for value in xyz)
    whole = x + 15 * y + 3 * z
    if not np.isfinite(whole) or whole <= 0 or y <= 0:
        return None, None
    at = np.array([4 * x / whole, 6 * y / whole])
    far = np.hypot(*(_LOCUS - at).T)
    nearest = int(np.clip(far.argmin(), 1, len(far) - 2))
    if far.argmin() in (0, len(far) - 1):
        return None, None
    # A parabola through the squares of three distances has its foot where the locus is nearest.
    before, here, after = far[nearest - 1 : nearest + 2] ** 2
    step = _MIREDS[1] - _MIREDS[0]
    mired = float(_MIREDS[nearest] + step * (before - after) / (2 * (before - 2 * here + after)))
    off = at - (float(_LOCUS_U(mired)), float(_LOCUS_V(mired)))
    duv = float(np.hypot(*off)) * (1.0 if off[1] >= 0 else -1.0)
    return (1e6 / mired, duv) if abs(duv) <= _FARTHEST else (None, None)


def mired(kelvin: float) -> float:
    """
    Return a temperature in mired: equal steps look about equal, and filters shift by them.

    >>> mired(3200.0), mired(5600.0)
    (312.5, 178.57142857142858)
    """
    return 1e6 / kelvin


def lab(xyz: Any, white: Any = D65) -> tuple[float, float, float]:
    """
    Return CIELAB L*, a*, b* (CIE 15) of XYZ against a white.

    >>> tuple(round(value, 2) + 0.0 for value in lab(0.18 * D65))
    (49.5, 0.0, 0.0)
    """
    ratio = np.asarray(xyz, np.float64) / np.asarray(white, np.float64)
    cube = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio * (29 / 6) ** 2 / 3 + 4 / 29)
    return float(116 * cube[1] - 16), float(500 * (cube[0] - cube[1])), float(200 * (cube[1] - cube[2]))


def light_from_camera(camera: Any, profiles: Sequence[Profile]) -> Floats | None:
    """
    Return XYZ (Y = 1) of the light by which a neutral surface has these camera colours; None where it can't be told.

    Args:
        camera: (3,) R, G, B of the sensor, in shares of saturation: no white balance.
        profiles: the camera's, for one light or two.

    Between two lights the matrix goes evenly with the reciprocal of the temperature, which is found by turns (Adobe,
    Digital Negative specification 1.6, chapter 6).
    """
    if not profiles or not np.all(np.asarray(camera) > 0):
        return None
    kelvin = 5000.0
    found: Floats | None = None
    for _ in range(_TURNS):
        try:
            xyz = np.linalg.solve(_between(profiles, kelvin), np.asarray(camera, np.float64))
        except np.linalg.LinAlgError:
            return None
        if not np.isfinite(xyz).all() or xyz[1] <= 0:
            return None
        found = xyz / xyz[1]
        told, _ = cct_duv(found)
        if told is None or abs(told - kelvin) < _SAME:
            break
        kelvin = told
    return found


_TURNS, _SAME = 30, 0.05


def _between(profiles: Sequence[Profile], kelvin: float) -> Floats:
    first, last = min(profiles, key=lambda p: p.kelvin), max(profiles, key=lambda p: p.kelvin)
    if first.kelvin == last.kelvin:
        return first.from_xyz
    part = (mired(kelvin) - mired(last.kelvin)) / (mired(first.kelvin) - mired(last.kelvin))
    part = min(max(part, 0.0), 1.0)
    return part * first.from_xyz + (1 - part) * last.from_xyz
