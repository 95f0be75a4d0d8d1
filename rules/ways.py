"""
The ways a studio has to change a lamp by so many stops: scrims, neutral density, distance, a dimmer, another lamp.

Sources: inverse square for distance; optical density D lets 10^-D through, 0.30103 a stop; wire scrims take half a stop
(single) or one (double) (common practice); a tungsten lamp's flux goes with the 6.5th power of its current and its
colour temperature with the 0.8th (SPIE Field Guide to Illumination, for small changes; beyond a stop an estimate).
"""

from __future__ import annotations

from dataclasses import dataclass

from lampblack.rules.figures import stops_long

_LEAST = 1 / 12  # stops: less is no change
_NEAR = 1 / 6  # stops that a scrim or a sheet may be off
_ND = (0.15, 0.3, 0.6, 0.9, 1.2)
_STOPS_OF_DENSITY = 0.30103
_NEAREST_TIMES = 5.0
"""Distances a lamp can be moved by; farther is another room."""
TUNGSTEN_KELVIN = 3200.0


@dataclass(frozen=True)
class Way:
    """do: a stable word for scripts. stops: what it brings. text: for a person."""

    do: str
    stops: float
    text: str


def ways_of(
    gain: float, tungsten_k: float | None = TUNGSTEN_KELVIN, distance_m: float | None = None
) -> tuple[Way, ...]:
    """
    Return the ways to change a lamp by `gain` stops, the least trouble first.

    Args:
        gain: stops; negative takes light away.
        tungsten_k: the colour temperature of a tungsten lamp, None for a lamp that keeps its colour when dimmed.
        distance_m: the lamp's from the subject, if it is known.

    >>> [way.text for way in ways_of(-1.5)][:2]
    ['one double scrim and one single', 'a dimmer, 1½ stops down; a tungsten lamp turns 43 mired warmer']
    """
    if abs(gain) < _LEAST:
        return ()
    found = [_scrims(gain), _density(gain), _dimmer(gain, tungsten_k), _distance(gain, distance_m), _other_lamp(gain)]
    return tuple(way for way in found if way is not None)


def _scrims(gain: float) -> Way | None:
    halves = round(-2 * gain)
    if gain >= 0 or not 1 <= halves <= 5 or abs(halves / 2 + gain) > _NEAR:
        return None
    doubles, single = divmod(halves, 2)
    words = {0: "", 1: "one double scrim", 2: "two double scrims"}[doubles]
    if single:
        words = f"{words} and one single" if words else "one single scrim"
    return Way("scrim", -halves / 2, words)


def _density(gain: float) -> Way | None:
    if gain >= 0:
        return None
    density = min(_ND, key=lambda d: abs(d / _STOPS_OF_DENSITY + gain))
    stops = -density / _STOPS_OF_DENSITY
    return None if abs(stops - gain) > _NEAR else Way("density", stops, f"neutral density {density:g} before it")


def _dimmer(gain: float, tungsten_k: float | None) -> Way:
    way = "down" if gain < 0 else "up, if it is not at its full light already"
    text = f"a dimmer, {stops_long(gain)} {way}"
    if tungsten_k is not None and gain < 0:
        shift = 1e6 / (tungsten_k * 2 ** (gain * 0.8 / 6.5)) - 1e6 / tungsten_k
        text += f"; a tungsten lamp turns {shift:.0f} mired warmer"
    return Way("dimmer", gain, text)


def _distance(gain: float, distance_m: float | None) -> Way | None:
    factor = 2 ** (-gain / 2)
    if not 1 / _NEAREST_TIMES <= factor <= _NEAREST_TIMES:
        return None
    metres = "" if distance_m is None else f", from {distance_m:g} m to {factor * distance_m:.2f} m"
    text = f"{factor:.2f} times its distance{metres} (it must stay five times its own size away for this to hold)"
    return Way("distance", gain, text)


def _other_lamp(gain: float) -> Way | None:
    return None if gain < 1 / 3 else Way("power", gain, f"a lamp of {2**gain:.1f} times the light")
