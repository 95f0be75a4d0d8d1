"""
A setup seen from above: where lamps, cards, camera and backdrop stand, from the distances and angles a person measured.

The subject is the middle. x runs to the right of the picture, y from the camera's side to the backdrop's, in metres.
Angles are told at the subject, from the line to the camera, to the left or right as the picture shows it: 0 is at the
camera, 90 at the side, 180 behind the subject. Plane geometry; what wasn't told has no place.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

Point = tuple[float, float]
What = Literal["lamp", "flag", "reflector"]

_WRITTEN = re.compile(r"(?P<degrees>\d{1,3}(?:\.\d+)?)\s*(?:deg|°)?\s*(?P<side>left|right)?", re.IGNORECASE)


@dataclass(frozen=True)
class Thing:
    """
    A lamp, flag or reflector as far as it was told.

    distance: metres from the subject's middle to it. bearing: degrees, left of the camera's line below 0. above: metres
    over the subject's middle; None is taken as level with it. size: metres across. of: the lamp it works with.
    """

    name: str
    what: What = "lamp"
    distance: float | None = None
    bearing: float | None = None
    above: float | None = None
    size: float | None = None
    of: str | None = None

    @property
    def place(self) -> Point | None:
        """
        Return where it stands on the floor; None where distance or angle weren't told.

        >>> [round(v, 3) for v in Thing("rim", distance=2.0, bearing=-150.0).place or ()]
        [-1.0, 1.732]

        Raises:
            ValueError: it is told to be as far up as it is away, or farther.
        """
        reach = self.reach
        if reach is None or self.bearing is None:
            return None
        turn = math.radians(self.bearing)
        return reach * math.sin(turn), -reach * math.cos(turn)

    @property
    def reach(self) -> float | None:
        """
        Return how far from the subject it stands on the floor, which is less than its distance if it is raised.

        >>> Thing("key", distance=2.5, above=1.5).reach
        2.0

        Raises:
            ValueError: it is told to be as far up as it is away, or farther.
        """
        if self.distance is None:
            return None
        up = self.above or 0.0
        if abs(up) >= self.distance:
            raise ValueError(f"{self.name} can't be {abs(up):g} m up or down at a distance of {self.distance:g} m.")
        return math.sqrt(self.distance**2 - up**2)


def to_backdrop(thing: Thing, backdrop: float) -> float | None:
    """
    Return how far a lamp is from the backdrop's middle, level with the subject; None where it has no place.

    >>> to_backdrop(Thing("rim", distance=1.5, bearing=180.0), 2.0), to_backdrop(Thing("key", distance=1.5), 2.0)
    (0.5, None)

    Raises:
        ValueError: as of `Thing.place`.
    """
    here = thing.place
    return None if here is None else math.hypot(math.dist(here, (0.0, backdrop)), thing.above or 0.0)


def parse_bearing(text: str) -> float:
    """
    Return an angle as written: 40left, 150 right, 0 (at the camera), 180 (behind the subject).

    >>> [parse_bearing(text) for text in ("40left", "150 Right", "0", "180", "12.5deg left")]
    [-40.0, 150.0, 0.0, 180.0, -12.5]

    Raises:
        ValueError: it is none; the text is one line for a person.
    """
    found = _WRITTEN.fullmatch(text.strip())
    degrees = 999.0 if found is None else float(found["degrees"])
    if found is None or degrees > 180 or (found["side"] is None and degrees not in (0, 180)):
        raise ValueError(
            f"{text[:40]!r}: write an angle as 40left or 150right, as the picture shows it, from 0 at the camera to 180"
            " behind the subject"
        )
    return -degrees if (found["side"] or "").lower() == "left" and 0 < degrees < 180 else degrees


def bearing_text(bearing: float) -> str:
    """
    Return an angle in words.

    >>> [bearing_text(b) for b in (-40.0, 150.0, 0.0, 180.0)]
    ['40° to the left', '150° to the right, behind the subject', 'at the camera', 'straight behind the subject']
    """
    if bearing == 0:
        return "at the camera"
    if abs(bearing) == 180:
        return "straight behind the subject"
    behind = ", behind the subject" if abs(bearing) > 90 else ""
    return f"{abs(bearing):g}° to the {'left' if bearing < 0 else 'right'}{behind}"


def facing(thing: Thing, lamps: Mapping[str, Thing]) -> Point | None:
    """
    Return the unit vector from a thing to what it faces; None where it has no place.

    A lamp faces the subject. A flag stands square to the light it takes, a reflector halfway between lamp and subject
    (both common practice), where the lamp was told and has a place; else they face the subject too.
    """
    here = thing.place
    if here is None:
        return None
    home = _unit((0.0, 0.0), here)
    lamp = None if thing.of is None else lamps.get(thing.of)
    there = None if lamp is None else lamp.place
    if there is None or thing.what == "lamp" or math.dist(here, there) < 1e-6:
        return home
    light = _unit(there, here)
    if thing.what == "flag":
        return light
    half = light[0] + home[0], light[1] + home[1]
    return home if math.hypot(*half) < 1e-6 else _unit(half, (0.0, 0.0))


def edges(thing: Thing, lamps: Mapping[str, Thing]) -> tuple[Point, Point] | None:
    """Return both ends of a thing seen from above, across the way it faces; None without place or size."""
    here, way = thing.place, facing(thing, lamps)
    if here is None or way is None or thing.size is None:
        return None
    across = -way[1] * thing.size / 2, way[0] * thing.size / 2
    return (here[0] - across[0], here[1] - across[1]), (here[0] + across[0], here[1] + across[1])


def shaded(flag: Thing, lamps: Mapping[str, Thing], backdrop: float) -> tuple[float, float] | None:
    """
    Return from where to where a flag takes its lamp's light off the backdrop, as x in metres; None where that isn't
    known, or the shadow has no end there.

    By similar triangles, for a small lamp; a large one softens both ends.

    >>> rim = Thing("rim", distance=1.0, bearing=90.0)
    >>> card = Thing("card", "flag", distance=2**0.5, bearing=135.0, size=0.5, of="rim")
    >>> [round(x, 3) for x in shaded(card, {"rim": rim}, 2.0) or ()]
    [0.5, 1.5]

    Args:
        flag: the card.
        lamps: by name.
        backdrop: metres from the subject to it.
    """
    lamp = lamps.get(flag.of or "")
    ends = edges(flag, lamps)
    source = None if lamp is None or lamp.what != "lamp" else lamp.place
    if ends is None or source is None:
        return None
    found = [_through(source, end, backdrop) for end in ends]
    if found[0] is None or found[1] is None:
        return None
    low, high = sorted((found[0], found[1]))
    return low, high


def _through(lamp: Point, edge: Point, backdrop: float) -> float | None:
    """Return x where a ray from a lamp past an edge meets the backdrop; None where it doesn't, or not behind it."""
    rise = edge[1] - lamp[1]
    if rise <= 1e-6 or edge[1] > backdrop:
        return None
    return lamp[0] + (edge[0] - lamp[0]) * (backdrop - lamp[1]) / rise


def _unit(to: Point, start: Point) -> Point:
    far = math.dist(to, start)
    return (to[0] - start[0]) / far, (to[1] - start[1]) / far


def bar_metres(per_metre: float) -> float:
    """
    Return a round length for a scale bar, 60 to 150 units long.

    >>> [bar_metres(units) for units in (200.0, 100.0, 55.0, 30.0, 9.0)]
    [0.5, 1.0, 2.0, 2.0, 10.0]
    """
    return next((m for m in (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0) if m * per_metre >= 60), 100.0)
