"""
What would make a backdrop clean, and by how many stops: the aperture, a flag, distance, another lamp's power.

Inverse square: to fall by s stops, a lamp must stand 2^(s/2) times as far. What a flag can take is what lies over the
backdrop where no light spills: it can't make the rest darker.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from lampblack.rules.cautions import MOVING
from lampblack.rules.cleanness import Cleanness, Side, side_of
from lampblack.rules.distribution import percentiles
from lampblack.rules.figures import stops_long
from lampblack.rules.look import Look, Part
from lampblack.rules.response import Response
from lampblack.rules.thresholds import Thresholds
from lampblack.rules.tone import light_of_code, linear_to_srgb

Do = Literal["aperture", "flag", "distance", "backdrop-lamp", "turn-lamp"]

_CHEAP = 0.67  # stops that the aperture may take from the subject before moving something costs less


@dataclass(frozen=True)
class Remedy:
    """
    One way to a clean backdrop.

    stops: what it brings there; of a flag, the most it can. enough: whether that makes it clean. factor: of distance.
    caution: what to mind, where a hot lamp is moved or a card brought near it.
    """

    do: Do
    stops: float
    enough: bool
    text: str
    side: Side | None = None
    factor: float | None = None
    caution: str | None = None


def remedies(found: Cleanness | None, look: Look, thresholds: Thresholds, response: Response) -> tuple[Remedy, ...]:
    """Return the ways to a clean backdrop, the cheapest that is enough first; none where it is clean."""
    if found is None or found.light_is_clean:
        return ()
    if found.tone == "black":
        ways = _for_black(found, look, thresholds, response)
    else:
        ways = _for_white(found) if found.tone == "white" else _for_grey(found, look, thresholds)
    return tuple(sorted(ways, key=lambda way: not way.enough))


def _for_black(found: Cleanness, look: Look, thresholds: Thresholds, response: Response) -> list[Remedy]:
    over = -found.slack_stops
    side = found.spill.side if found.spill else None
    where = f" on the {side}" if side else ""
    takes = _over_plain(look, response)
    flag = Remedy(
        "flag",
        takes,
        takes >= over,
        f"A flag{where} between lamp and backdrop, to take {stops_long(over)} of light off it; it can take up to"
        f" {stops_long(takes)}.",
        side,
        caution=MOVING,
    )
    factor = 2 ** (over / 2)
    distance = Remedy(
        "distance",
        over,
        True,
        f"Subject and lamps {factor:.1f} times as far from the backdrop as they are.",
        side,
        factor,
        MOVING,
    )
    aperture = Remedy("aperture", over, True, f"Close {stops_long(over)}: the subject gets as much darker.")
    ways = [aperture, flag, distance] if over <= _CHEAP else [flag, distance, aperture]
    return ways if takes > 0.1 else [way for way in ways if way is not flag]


def _over_plain(look: Look, response: Response) -> float:
    """Return by how many stops the backdrop's bright part lies over its plain part, as the camera's curve tells."""
    level = look.calm[look.parts == Part.BACKDROP].astype(np.float64)
    if not level.size:
        return 0.0
    low, high = _light(np.array(percentiles(level, (5, 99))), look, response)
    return max(0.0, float(np.log2(max(high, 1e-7) / max(low, light_of_code(0.5)))))


def _light(level: NDArray[Any], look: Look, response: Response) -> NDArray[Any]:
    if look.kind == "raw" or response.is_prior:
        return level
    return np.asarray(response.light_of(linear_to_srgb(level) * 255))


def _for_white(found: Cleanness) -> list[Remedy]:
    short = -found.slack_stops
    if short > 0:
        lamp = f"{stops_long(short)} more light on the backdrop alone."
        opened = f"Open {stops_long(short)}: the subject gets as much lighter."
        return [
            Remedy("backdrop-lamp", short, True, lamp, caution=MOVING),
            Remedy("aperture", short, True, opened),
        ]
    text = f"Up to {stops_long(found.slack_stops)} less light on the backdrop, or the subject further before it."
    return [Remedy("backdrop-lamp", found.slack_stops, True, text, caution=MOVING)]


def _for_grey(found: Cleanness, look: Look, thresholds: Thresholds) -> list[Remedy]:
    side = side_of(look.calm, look.parts == Part.BACKDROP, thresholds)
    least = max(0.0, (found.evenness_stops or 0.0) - thresholds.grey.even_stops)
    where = f"The {side} is brighter: its" if side else "Its"
    text = f"{where} lamp further away or turned off it, to even out {stops_long(least)}."
    return [Remedy("turn-lamp", least, True, text, side, caution=MOVING)]
