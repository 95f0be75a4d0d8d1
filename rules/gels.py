"""Filters that turn light of one colour into another: their shifts in mired, and what light they cost."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Gel:
    """mired: shift, positive warmer. stops: light lost."""

    name: str
    mired: float
    stops: float


LAMP_GELS = (
    Gel("full CTB", -137, 1.51),
    Gel("half CTB", -78, 0.91),
    Gel("quarter CTB", -35, 0.50),
    Gel("quarter CTO", 64, 0.28),
    Gel("half CTO", 109, 0.42),
    Gel("full CTO", 159, 0.67),
)
"""Sheets for lamps. Source: maker's data for LEE 201, 202, 203, 206, 205, 204; stops by tungsten light."""

LENS_FILTERS = (
    Gel("80A", -131, 2.0),
    Gel("80B", -112, 1 + 2 / 3),
    Gel("80C", -81, 1.0),
    Gel("80D", -56, 1 / 3),
    Gel("82C", -45, 2 / 3),
    Gel("82B", -32, 2 / 3),
    Gel("82A", -21, 1 / 3),
    Gel("82", -10, 1 / 3),
    Gel("81", 9, 1 / 3),
    Gel("81A", 18, 1 / 3),
    Gel("81B", 27, 1 / 3),
    Gel("81C", 35, 1 / 3),
    Gel("81D", 42, 2 / 3),
    Gel("81EF", 52, 2 / 3),
    Gel("85C", 81, 1 / 3),
    Gel("85", 112, 2 / 3),
    Gel("85B", 131, 2 / 3),
)
"""
For the lens. Source: Kodak, Essential Reference Guide for Filmmakers; which 81s and 82s cost a third of a stop and
which two is (from memory).
"""


def gel_for(shift: float, gels: tuple[Gel, ...] = LAMP_GELS) -> Gel | None:
    """
    Return the one that comes nearest to a shift in mired; None where none is better.

    >>> gel_for(120.0).name, gel_for(-10.0)
    ('half CTO', None)
    """
    best = min(gels, key=lambda gel: abs(gel.mired - shift))
    return best if abs(best.mired - shift) < abs(shift) else None
