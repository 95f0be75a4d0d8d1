"""
Codes, linear light, stops.

Linear light is relative to the white level: 1.0 is the light that the top code stands for. Stops are
counted from there, positive downward ("stops below white") wherever a name says so.

Source: IEC 61966-2-1 (sRGB).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LUMA = np.array([0.2126, 0.7152, 0.0722])
"""What red, green and blue of linear light add to its luminance (IEC 61966-2-1)."""
MID_GREY = 0.18
"""Reflectance of the card that the trade calls mid grey; sRGB code 117.65 when white is 1."""


def srgb_to_linear(value: Floats | float) -> Floats:
    """
    Return linear light (0 to 1) of sRGB values (0 to 1).

    >>> srgb_to_linear(np.array([5, 118, 250]) / 255).round(5)
    array([0.00152, 0.18116, 0.95597])
    """
    v = np.asarray(value, dtype=np.float64)
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def linear_to_srgb(light: Floats | float) -> Floats:
    """
    Return sRGB values (0 to 1) of linear light; outside 0 to 1 it is clipped.

    >>> float((linear_to_srgb(0.18) * 255).round(2))
    117.65
    """
    x = np.clip(np.asarray(light, dtype=np.float64), 0.0, 1.0)
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 1e-12) ** (1 / 2.4) - 0.055)


LIGHT_OF_CODE: Floats = srgb_to_linear(np.arange(256) / 255)
"""Linear light of each 8-bit sRGB code, shape (256,)."""


def stops_below_white(light: float) -> float | None:
    """
    Return how many stops a linear light lies under white; None for no light at all.

    >>> stops_below_white(0.5), stops_below_white(0.0)
    (1.0, None)
    """
    return float(-np.log2(light)) if light > 0 else None


def light_of_code(code: float) -> float:
    """
    Return the linear light of an 8-bit sRGB code, between codes too.

    >>> round(light_of_code(5), 5)
    0.00152
    """
    return float(srgb_to_linear(code / 255))


def code_of_light(light: float) -> float:
    """
    Return the 8-bit sRGB code (0 to 255, not rounded) of a linear light.

    >>> round(code_of_light(0.18), 2)
    117.65
    """
    return float(linear_to_srgb(light) * 255)
