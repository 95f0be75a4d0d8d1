"""
What a step of the aperture costs in sharpness: depth of field and diffraction.

Sources: Greenleaf, "Photographic Optics", 1950 (depth of field); the Airy disc of a round aperture, 2.44 lambda N, a
textbook relation. The circle of confusion is taken as the sensor's diagonal over 1442: 0.030 mm for 36 x 24 mm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

_GREEN_UM = 0.55
AIRY = 2.44
"""The Airy disc's diameter over wavelength times f-number."""
_CIRCLE_OF_DIAGONAL = 1 / 1442
_FULL_DIAGONAL_MM = math.hypot(36, 24)
_SOFT_PIXELS = 2.5
"""An Airy disc of so many pixels takes fine detail; from 2 on it begins to. Sources disagree: this is the later one."""
_SHALLOWER = 0.8  # of the depth of field: a loss of less is not worth a word


@dataclass(frozen=True)
class Optics:
    """
    What a file tells of its lens and sensor; None where it doesn't.

    focal_mm: focal length. pitch_um: from one pixel to the next on the sensor. diagonal_mm: the sensor's. distance_m:
    at which the lens was focused.
    """

    focal_mm: float | None = None
    pitch_um: float | None = None
    diagonal_mm: float | None = None
    distance_m: float | None = None


def airy_um(f_number: float) -> float:
    """
    Return the Airy disc's diameter in micrometres, in green light of 550 nm.

    >>> [round(airy_um(n), 2) for n in (4, 8, 22)]
    [5.37, 10.74, 29.52]
    """
    return AIRY * _GREEN_UM * f_number


def circle_mm(diagonal_mm: float) -> float:
    """
    Return the circle of confusion that a sensor is commonly allowed.

    >>> round(circle_mm(43.27), 3)
    0.03
    """
    return diagonal_mm * _CIRCLE_OF_DIAGONAL


def hyperfocal_mm(focal_mm: float, f_number: float, circle: float) -> float:
    """Return the distance focused at which everything from half of it to infinity is sharp."""
    return focal_mm**2 / (f_number * circle) + focal_mm


def field_mm(focal_mm: float, f_number: float, circle: float, distance_mm: float) -> tuple[float, float]:
    """Return the near and the far limit of what is sharp; the far one may be infinite. All in millimetres."""
    hyperfocal = hyperfocal_mm(focal_mm, f_number, circle)
    near = distance_mm * (hyperfocal - focal_mm) / (hyperfocal + distance_mm - 2 * focal_mm)
    if distance_mm >= hyperfocal:
        return near, math.inf
    return near, distance_mm * (hyperfocal - focal_mm) / (hyperfocal - distance_mm)


@dataclass(frozen=True)
class Cost:
    """What a step costs: kind is a stable word for scripts."""

    kind: str
    text: str


def costs(here: float | None, there: float | None, optics: Optics) -> tuple[Cost, ...]:
    """Return what going from one f-number to another costs in sharpness, where it is worth a word."""
    if here is None or there is None or here == there:
        return ()
    if there > here:
        return _diffraction(here, there, optics)
    return _shallower(here, there, optics)


def _diffraction(here: float, there: float, optics: Optics) -> tuple[Cost, ...]:
    if not optics.pitch_um:
        return ()
    pixels = airy_um(there) / optics.pitch_um
    if pixels <= _SOFT_PIXELS:
        return ()
    text = f"diffraction at f/{there:g}: the Airy disc is {airy_um(there):.0f} µm, {pixels:.1f} pixels wide"
    more = "more fine detail is lost" if airy_um(here) / optics.pitch_um > _SOFT_PIXELS else "fine detail softens"
    return (Cost("diffraction", f"{text}: {more}"),)


def _shallower(here: float, there: float, optics: Optics) -> tuple[Cost, ...]:
    if there / here > _SHALLOWER:
        return ()
    known = optics.focal_mm and optics.diagonal_mm and optics.distance_m
    if known and optics.focal_mm and optics.diagonal_mm and optics.distance_m:
        circle, distance = circle_mm(optics.diagonal_mm), 1000 * optics.distance_m
        if distance > 2 * optics.focal_mm:
            deep, shallow = (_depth_mm(field_mm(optics.focal_mm, n, circle, distance)) for n in (here, there))
            if math.isfinite(deep):
                text = f"depth of field falls from {deep / 10:.0f} to {shallow / 10:.0f} cm at {optics.distance_m:g} m"
                return (Cost("depth-of-field", text),)
    # Near, where the field is shallow, it goes with the f-number.
    text = f"depth of field falls to about {100 * there / here:.0f} % of what it is at f/{here:g}"
    return (Cost("depth-of-field", text),)


def _depth_mm(field: tuple[float, float]) -> float:
    return field[1] - field[0]


def optics_of(
    focal_mm: float | None, focal35_mm: float | None, distance_m: float | None, per_mm: float | None, across: int
) -> Optics:
    """
    Return what can be told from a file's figures.

    Args:
        focal_mm: focal length.
        focal35_mm: the same as for a 36 x 24 mm sensor (Exif: by the diagonal).
        distance_m: distance focused.
        per_mm: pixels in a millimetre of the sensor.
        across: pixels along the picture's longer side.
    """
    diagonal = _FULL_DIAGONAL_MM * focal_mm / focal35_mm if focal_mm and focal35_mm else None
    pitch = 1000 / per_mm if per_mm else None
    if pitch is None and diagonal and across:
        pitch = 1000 * diagonal * math.cos(math.atan2(2, 3)) / across  # a sensor of 3:2
    elif pitch is not None and diagonal is None:
        diagonal = pitch / 1000 * across / math.cos(math.atan2(2, 3))
    if pitch is not None and not 0.8 < pitch < 20:
        pitch = None  # no camera's: the file's figures are of something else
    return Optics(focal_mm, pitch, diagonal, distance_m)
