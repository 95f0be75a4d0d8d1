"""Numbers as the trade writes them: the one way of rounding wherever a person reads. JSON has them unrounded."""

from __future__ import annotations


def f_text(f_number: float | None) -> str:
    """
    Return an aperture as it is marked.

    >>> [f_text(n) for n in (8.0, 5.6, 11.0, 0.95, None)]
    ['f/8', 'f/5.6', 'f/11', 'f/0.95', 'f/?']
    """
    if f_number is None:
        return "f/?"
    return f"f/{round(f_number, 2 if f_number < 2 else 1):g}"


def stops_text(stops: float) -> str:
    """
    Return the size of a step in whole stops and thirds, without its sign; a plain half stays a half.

    >>> [stops_text(x) for x in (-0.67, 1.0, 1.3, 0.5, 1.57, 2.68, 0.05)]
    ['⅔', '1', '1⅓', '½', '1⅔', '2⅔', '0']
    """
    whole, part = divmod(abs(stops), 1.0)
    if abs(part - 0.5) < 0.005:
        return f"{whole:.0f}½" if whole else "½"
    thirds = round(3 * part)
    whole += thirds == 3
    sign = ("", "⅓", "⅔", "")[thirds]
    return f"{whole:.0f}{sign}" if whole or not sign else sign


def stops_long(stops: float) -> str:
    """
    Return an amount of stops with its noun.

    >>> [stops_long(x) for x in (0.67, 1.0, 1.3, 0.1, 0.0)]
    ['⅔ stop', '1 stop', '1⅓ stops', 'under ⅓ stop', '0 stops']
    """
    text = stops_text(stops)
    if text == "0" and stops:
        return "under ⅓ stop"
    return f"{text} stop" if text in ("1", "⅓", "½", "⅔") else f"{text} stops"


def percent(fraction: float | None) -> str:
    """
    Return a fraction in percent, with two digits that matter.

    >>> [percent(x) for x in (0.0, 0.00003, 0.0043, 0.031, 0.52, None)]
    ['0 %', '<0.01 %', '0.43 %', '3.1 %', '52 %', '? %']
    """
    if fraction is None:
        return "? %"
    if fraction == 0:
        return "0 %"
    if fraction < 0.0001:
        return "<0.01 %"
    digits = 2 if fraction < 0.00995 else 1 if fraction < 0.0995 else 0
    return f"{100 * fraction:.{digits}f} %"


def shutter_text(seconds: float | None) -> str:
    """
    Return an exposure time as it is marked.

    >>> [shutter_text(t) for t in (1 / 60, 0.5, 2.0, 1 / 1.6, None)]
    ['1/60 s', '1/2 s', '2 s', '0.6 s', '? s']
    """
    if seconds is None:
        return "? s"
    if seconds <= 0.5:
        return f"1/{1 / seconds:.0f} s"
    return f"{seconds:.1f}".removesuffix(".0") + " s"
