"""
What distance and size do to a lamp's light: falloff, softness, a reflector's part.

Sources: the inverse square of distance; a round source of even luminance on its axis, E = pi L r^2 / (r^2 + d^2)
(textbook, Lambert's law); the distance of five times the source's largest dimension, from which the inverse square
holds within a per cent (IES, definition of far field). Beams of lenses and mirrors keep to none of these.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from lampblack.rules.figures import stops_long

FAR_FIELD = 5.0
"""Times a source's largest dimension (IES)."""


def falloff(nearer_m: float, farther_m: float) -> float:
    """
    Return the stops lost from one distance to another, of a small source; negative where the second one is nearer.

    >>> falloff(1.0, 2.0), round(falloff(1.0, 1.5), 3)
    (2.0, 1.17)

    Raises:
        ValueError: a distance that is none.
    """
    if not (0 < nearer_m < math.inf and 0 < farther_m < math.inf):
        raise ValueError("a distance is a number of metres over 0")
    return 2 * math.log2(farther_m / nearer_m)


def short_of_inverse_square(distance_m: float, diameter_m: float) -> float:
    """
    Return the stops by which a round source near by gives less than the inverse square of its far light says.

    >>> [round(short_of_inverse_square(times, 1.0), 3) for times in (0.5, 1.0, 2.0, 5.0)]
    [1.0, 0.322, 0.087, 0.014]
    """
    return math.log2(1 + (diameter_m / (2 * distance_m)) ** 2)


def falloff_of(diameter_m: float, nearer_m: float, farther_m: float) -> float:
    """
    Return the stops lost from one distance to another, of a round source of a size.

    >>> round(falloff_of(1.0, 0.5, 1.0), 3), round(falloff_of(0.0, 0.5, 1.0), 3)
    (1.322, 2.0)
    """
    near, far = (short_of_inverse_square(d, diameter_m) for d in (nearer_m, farther_m))
    return falloff(nearer_m, farther_m) + far - near


def penumbra_m(size_m: float, lamp_to_edge_m: float, edge_to_surface_m: float) -> float:
    """
    Return how wide the soft rim of a shadow is, by similar triangles.

    >>> round(penumbra_m(0.6, 1.5, 0.1), 6)
    0.04

    Raises:
        ValueError: the edge lies in the lamp.
    """
    if lamp_to_edge_m <= 0:
        raise ValueError("what casts the shadow lies in the lamp")
    return size_m * edge_to_surface_m / lamp_to_edge_m


def reflector_stops(
    area_m2: float, lamp_to_reflector_m: float, reflector_to_subject_m: float, lamp_to_subject_m: float,
    reflectance: float = 0.85,
) -> float:  # fmt: skip
    """
    Return by how many stops a matt reflector's light on the subject lies under the lamp's own; an estimate.

    The reflector faces halfway between lamp and subject, 45 degrees off each, and scatters evenly (Lambert): its light
    is that of a disc of its area. A silvered one throws more in one direction, and less elsewhere.

    >>> round(reflector_stops(0.5, 1.5, 0.8, 1.5), 1), round(reflector_stops(0.5, 1.5, 0.4, 1.5), 1)
    (-3.6, -2.2)
    """
    slant = math.cos(math.radians(45))
    on_reflector = slant / lamp_to_reflector_m**2
    radius2 = area_m2 / math.pi
    on_subject = reflectance * on_reflector * slant * radius2 / (radius2 + reflector_to_subject_m**2)
    return math.log2(on_subject * lamp_to_subject_m**2)


@dataclass(frozen=True)
class Place:
    """
    Where a lamp stands and what it lights, in metres. size: its largest dimension, 0 for a small one. depth: of the
    subject, from front to back. backdrop: from the subject to it. to_backdrop: from the lamp to the backdrop's middle;
    None where its angle isn't known: the lamp is then taken to stand straight before both.
    """

    distance: float
    size: float = 0.0
    depth: float | None = None
    backdrop: float | None = None
    to_backdrop: float | None = None


def lines_on(place: Place, moved_to: float | None = None) -> list[str]:
    """Return what a lamp's place means, a line each; and what it would mean to move it."""
    here, size = place.distance, place.size
    found = []
    if place.depth:
        lost = falloff_of(size, here, here + place.depth)
        found.append(f"From front to back of the subject ({place.depth * 100:.0f} cm) it falls by {stops_long(lost)}.")
    if place.backdrop:
        lost = falloff_of(size, here, place.to_backdrop or here + place.backdrop)
        more = "less" if lost >= 0 else "more"
        found.append(f"On the backdrop, {place.backdrop:g} m behind, there is {stops_long(lost)} {more} of it.")
    if size > 0:
        soft = penumbra_m(size, max(here - _EDGE_M, _EDGE_M), _EDGE_M) * 100
        found.append(f"A shadow's rim, 10 cm behind the edge that casts it, is {soft:.1f} cm wide.")
        if here < FAR_FIELD * size:
            short = short_of_inverse_square(here, size)
            found.append(
                f"Nearer than {FAR_FIELD * size:.1f} m it gives less than the inverse square would have it:"
                f" {stops_long(short)} less at this distance."
            )
    if moved_to is not None:
        gain = -falloff_of(size, here, moved_to)
        more = "more" if gain > 0 else "less"
        found.append(f"Moved to {moved_to:g} m it gives {stops_long(gain)} {more}.")
        if place.backdrop:
            change = falloff_of(size, moved_to, moved_to + place.backdrop) - falloff_of(
                size, here, here + place.backdrop
            )
            word = "deeper" if change > 0 else "higher"
            found.append(f"The backdrop then lies {stops_long(change)} {word} under the subject.")
    return found


_EDGE_M = 0.1
