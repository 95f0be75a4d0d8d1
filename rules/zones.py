"""Where a spot's light lies, in words: the zones of the zone system, 0 to X, a stop each, V at mid grey."""

from __future__ import annotations

from lampblack.rules.figures import stops_long, stops_text

ZONES = ("0", "I", "II", "III", "IV", "V", "VI", "VII", "VIII", "IX", "X")


def zone_of(stops: float) -> str:
    """
    Return the zone, 0 to X, that a light lies in.

    >>> zone_of(0), zone_of(1.4), zone_of(-9)
    ('V', 'VI', '0')
    """
    return ZONES[min(max(round(stops) + 5, 0), 10)]


def place_words(stops: float, bound: str | None) -> str:
    """
    Return where a light lies, for a person.

    >>> place_words(-2.0, None), place_words(2.5, "at least")
    ('zone III, 2 stops under mid grey', 'at least zone VII, 2½ stops over mid grey')
    """
    return f"{f'{bound} ' if bound else ''}zone {zone_of(stops)}, {_from(stops, 'mid grey')}"


def spot_words(name: str, stops: float, bound: str | None, off: float | None) -> str:
    """
    Return where a spot lies, for a person.

    >>> spot_words("cheek", 0.67, None, -0.33)
    'cheek: zone VI, ⅔ stop over mid grey; ⅓ stop under what is wanted'
    """
    text = f"{name}: {place_words(stops, bound)}"
    return text if off is None else f"{text}; {_from(off, 'what is wanted')}"


def spot_brief(name: str, stops: float, bound: str | None, off: float | None) -> str:
    """
    Return where a spot lies, as short as can be.

    >>> spot_brief("cheek", 0.67, None, -0.33), spot_brief("foot", -3, "at most", None)
    ('cheek VI, ⅓ under', 'foot ≤ II')
    """
    sign = {"at least": "≥ ", "at most": "≤ "}.get(bound or "", "")
    text = f"{name} {sign}{zone_of(stops)}"
    if off is None:
        return text
    if abs(off) < 1 / 6:
        return f"{text}, as wanted"
    return f"{text}, {stops_text(off)} {'over' if off > 0 else 'under'}"


def _from(stops: float, what: str) -> str:
    if abs(stops) < 1 / 6:
        return f"at {what}"
    return f"{stops_long(stops)} {'over' if stops > 0 else 'under'} {what}"
