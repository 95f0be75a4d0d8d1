"""
What the texts on a camera's dials mean in numbers. Pure; knows nothing of libgphoto2.

Every maker writes its settings differently: `f/8`, `8`, `8.0`, `5,6`; `0.0080s`, `1/125`, `300/10`. A setting
is always written back with the camera's own string, so a `Choice` keeps both the number and that string.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from lampblack.rules.exposure import F_NUMBERS_THIRD, SHUTTERS_THIRD, aperture_value, marked_shutter_text

APERTURE_WIDGETS = ("f-number", "aperture")
SHUTTER_WIDGETS = ("shutterspeed2", "shutterspeed")
"""In order of preference: where a body has both, the second one is rounded to ten thousandths."""
ISO_WIDGETS = ("iso",)
BATTERY_WIDGETS = ("batterylevel",)
BALANCE_WIDGETS = ("whitebalance",)
KELVIN_WIDGETS = ("colortemperature",)

_PLAIN = r"([0-9]{1,7}(?:[.,][0-9]{1,7})?)"
_F_NUMBER = re.compile(rf"(?:[fF]\s*/?\s*)?{_PLAIN}")
_SECONDS = re.compile(rf"{_PLAIN}(?:\s*/\s*{_PLAIN})?\s*(?:s|sec|\"|″)?")
_ISO = re.compile(r"(?:ISO\s*)?([0-9]{1,7})", re.IGNORECASE)
_PERCENT = re.compile(r"([0-9]{1,3})\s*%?")

_SMALLEST_F, _LARGEST_F = 0.5, 256.0  # no photographic lens is faster than f/0.5; pinholes end near f/256
_LONGEST_S = 24 * 3600.0
_SAME_STOPS = 0.08  # a quarter of a third stop: two marks this near are one mark, written or rounded differently
_SIXTH = 1 / 6


@dataclass(frozen=True)
class Choice:
    """One position of a dial."""

    number: float
    text: str
    """The camera's own string, never altered: the only thing that may be written to it."""


def f_number(text: str) -> float | None:
    """
    Return the marked f-number that a dial's text stands for, or None if it is none (`auto`, `Unknown …`).

    >>> [f_number(t) for t in ("f/8", "8", "8.0", "5,6", "F4.5", "auto", "f/0")]
    [8.0, 8.0, 8.0, 5.6, 4.5, None, None]
    """
    found = _F_NUMBER.fullmatch(text.strip())
    if found is None:
        return None
    number = round(_float(found[1]), 2)
    return number if _SMALLEST_F <= number <= _LARGEST_F else None


def shutter_s(text: str) -> float | None:
    """
    Return the seconds that a dial's text stands for, as marked, or None (`bulb`, `time`, `Auto`).

    >>> [shutter_s(t) for t in ("1/125", "0.0080s", "300/10", "30", "0,5", "bulb", "1/0")]
    [0.008, 0.008, 30.0, 30.0, 0.5, None, None]
    """
    found = _SECONDS.fullmatch(text.strip())
    if found is None:
        return None
    below = _float(found[2]) if found[2] else 1.0
    seconds = _float(found[1]) / below if below > 0 else 0.0
    return seconds if 0 < seconds <= _LONGEST_S else None


def shutter_text(text: str) -> str:
    """
    Return a shutter setting as a dial shows it.

    A time in ten-thousandths of a second (PTP's own unit, ISO 15740) is brought to the nearest mark within a
    sixth of a stop, because 1/800 s arrives as 0.0012s. What is no time (`bulb`) stays as it is.

    >>> [shutter_text(t) for t in ("0.0166s", "0.0012s", "300/10", "1/125", "bulb")]
    ['1/60', '1/800', '30', '1/125', 'bulb']
    """
    seconds = shutter_s(text)
    if seconds is None:
        return text
    mark = marked_shutter_text(seconds)
    near = min(SHUTTERS_THIRD, key=lambda other: abs(math.log2(_seconds(other) / seconds)))
    known = mark in SHUTTERS_THIRD or abs(math.log2(_seconds(near) / seconds)) > _SIXTH
    return mark if known or "." not in text else near


def marked_s(text: str) -> float | None:
    """
    Return the seconds of the mark that a dial's text stands for (see `shutter_text`), or None.

    >>> marked_s("0.0166s") == 1 / 60
    True
    """
    return shutter_s(shutter_text(text))


def iso(text: str) -> int | None:
    """
    Return an ISO speed, or None (`Auto`, absent).

    >>> [iso(t) for t in ("100", "ISO 6400", "Auto")]
    [100, 6400, None]
    """
    found = _ISO.fullmatch(text.strip())
    return int(found[1]) or None if found else None


BY_KELVIN = 0.0
"""Stands for the balance that goes by a second dial, in kelvin."""

_BALANCES = (
    (re.compile(r"(?!.*auto).*(kelvin|colou?r temp|^k\b|k \[).*"), BY_KELVIN),
    (re.compile(r"tungsten|incandescent.*"), 3200.0),
    (re.compile(r"(white |cool.white )?fluorescent"), 4000.0),
    (re.compile(r"daylight|sunny|direct sunlight|fine weather"), 5300.0),
    (re.compile(r"flash"), 5500.0),
    (re.compile(r"cloudy"), 6000.0),
    (re.compile(r"shade|shadow"), 7500.0),
)
_KELVIN = re.compile(r"([0-9]{4,5})\s*K?", re.IGNORECASE)


def balance_k(text: str) -> float | None:
    """
    Return the temperature that a named white balance is made for (common practice; makers differ by a few hundred
    kelvin), `BY_KELVIN` for the one that goes by a dial of its own, or None (`Automatic`, `Manual`, `Preset`).

    >>> [balance_k(t) for t in ("Tungsten", "Sunny", "Color Temperature", "Choose Color Temperature", "Automatic")]
    [3200.0, 5300.0, 0.0, 0.0, None]
    """
    plain = text.strip().lower()
    return next((kelvin for pattern, kelvin in _BALANCES if pattern.fullmatch(plain)), None)


def kelvin(text: str) -> float | None:
    """
    Return the temperature that a dial in kelvin shows, or None.

    >>> [kelvin(t) for t in ("5200", "3200 K", "auto")]
    [5200.0, 3200.0, None]
    """
    found = _KELVIN.fullmatch(text.strip())
    return float(found[1]) if found else None


def kelvin_choices(low: float, high: float, step: float) -> tuple[Choice, ...]:
    """
    Return the positions of a dial in kelvin that is a bare number range.

    >>> [c.number for c in kelvin_choices(2500, 2530, 10)]
    [2500.0, 2510.0, 2520.0, 2530.0]
    """
    if not (math.isfinite(low) and math.isfinite(high) and math.isfinite(step)) or not 0 < low <= high or step <= 0:
        return ()
    marks = [float(low + i * step) for i in range(min(int((high - low) / step + 1e-6) + 1, _MOST_MARKS))]
    return tuple(Choice(mark, f"{mark:g}") for mark in marks)


_MOST_MARKS = 2000


def nearest_balance(offered: Sequence[Choice], wanted_k: float) -> Choice | None:
    """Return the position with the fewest mireds to a temperature; None where there is none."""
    told = [choice for choice in offered if choice.number > 0]
    return min(told, key=lambda choice: abs(1e6 / choice.number - 1e6 / wanted_k), default=None)


def percent(text: str) -> int | None:
    """
    Return a battery's charge in percent, or None (`Low`, `external`).

    >>> [percent(t) for t in ("50%", "100", "Low", "255")]
    [50, 100, None, None]
    """
    found = _PERCENT.fullmatch(text.strip())
    return int(found[1]) if found and int(found[1]) <= 100 else None


def choices(texts: Iterable[str], parse: Callable[[str], float | None]) -> tuple[Choice, ...]:
    """
    Return a dial's usable positions, ascending, each number once (with the first text that gave it).

    Makers' tables repeat entries and hold `auto`, `bulb` and `Unknown value …`; none of those is usable here.

    >>> [c.text for c in choices(["auto", "8", "5.6", "8"], f_number)]
    ['5.6', '8']
    """
    first: dict[float, Choice] = {}
    for text in texts:
        number = parse(text)
        if number is not None:
            first.setdefault(number, Choice(number, text))
    return tuple(first[number] for number in sorted(first))


def range_choices(low: float, high: float, step: float) -> tuple[Choice, ...]:
    """
    Return the marked thirds that a body with a bare number range accepts; the step is the body's own.

    A step as coarse as whole numbers leaves only what lies on it.

    >>> [c.number for c in range_choices(2.8, 5.6, 0.1)]
    [2.8, 3.2, 3.5, 4.0, 4.5, 5.0, 5.6]
    """
    if not (math.isfinite(low) and math.isfinite(high) and math.isfinite(step)):
        return ()
    return tuple(
        Choice(mark, repr(mark))
        for mark in F_NUMBERS_THIRD
        if low - 0.01 <= mark <= high + 0.01 and _on_step(mark - low, step)
    )


def find(offered: Sequence[Choice], wanted: float) -> Choice | None:
    """
    Return the position that is the wanted f-number, at most written or rounded differently; None if not there.

    >>> find(choices(["f/5.6", "f/8"], f_number), 2**2.5)
    Choice(number=5.6, text='f/5.6')
    """
    if not (math.isfinite(wanted) and wanted > 0) or not offered:
        return None
    near = nearest(offered, wanted)
    return near if _stops_between(near.number, wanted) <= _SAME_STOPS else None


def find_time(offered: Sequence[Choice], wanted_s: float) -> Choice | None:
    """
    Return the position that is the wanted time, at most written or rounded differently; None if not there.

    >>> find_time(choices(["1/60", "0.0080s"], shutter_s), 1 / 125)
    Choice(number=0.008, text='0.0080s')
    """
    if not (math.isfinite(wanted_s) and wanted_s > 0) or not offered:
        return None
    near = nearest_time(offered, wanted_s)
    return near if abs(math.log2(near.number / wanted_s)) <= _SAME_TIME else None


_SAME_TIME = 0.12  # 1/60 is 1/64 by some, and 1/800 arrives as 0.0012s


def nearest_time(offered: Sequence[Choice], wanted_s: float) -> Choice:
    """Return the position with the fewest stops to the wanted time."""
    return min(offered, key=lambda choice: abs(math.log2(choice.number / wanted_s)))


def nearest(offered: Sequence[Choice], wanted: float) -> Choice:
    """Return the position with the fewest stops to the wanted f-number."""
    return min(offered, key=lambda choice: _stops_between(choice.number, wanted))


def _stops_between(one: float, other: float) -> float:
    return abs(aperture_value(one) - aperture_value(other))


def _float(text: str) -> float:
    return float(text.replace(",", "."))


def _seconds(mark: str) -> float:
    above, _, below = mark.partition("/")
    return float(above) / float(below or 1)


def _on_step(distance: float, step: float) -> bool:
    if step < 0.05:  # fine enough for every mark
        return True
    return abs(distance / step - round(distance / step)) < 0.05
