"""
APEX arithmetic, and the difference between what a dial says and what a camera does.

A dial marked f/5.6 stands for 2^2.5 = 5.657, one marked 1/60 for 1/64 s. Everything here is reckoned with the
exact value; the marked one is for people.

Source: Exif (CIPA DC-008), annex on APEX units: Av = 2 log2 N, Tv = -log2 t, Sv = log2(ISO / 3.125),
Ev = Av + Tv. The marked series are those of ISO 517 (apertures) and ISO 516 (times).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

F_NUMBERS_THIRD: tuple[float, ...] = (
    *(1.0, 1.1, 1.2, 1.4, 1.6, 1.8, 2.0, 2.2, 2.5, 2.8, 3.2, 3.5, 4.0, 4.5, 5.0, 5.6, 6.3, 7.1),
    *(8.0, 9.0, 10.0, 11.0, 13.0, 14.0, 16.0, 18.0, 20.0, 22.0, 25.0, 29.0, 32.0, 36.0, 40.0, 45.0),
    *(51.0, 57.0, 64.0),
)
"""Marked f-numbers in thirds of a stop from f/1; the i-th is exactly 2^(i/6)."""

F_NUMBERS_HALF: tuple[float, ...] = (
    *(1.0, 1.2, 1.4, 1.7, 2.0, 2.4, 2.8, 3.3, 4.0, 4.8, 5.6, 6.7, 8.0, 9.5, 11.0, 13.0, 16.0, 19.0, 22.0),
    *(27.0, 32.0, 38.0, 45.0, 54.0, 64.0),
)
"""Marked f-numbers in halves of a stop from f/1; the i-th is exactly 2^(i/4)."""

SHUTTERS_THIRD: tuple[str, ...] = (
    *("30", "25", "20", "15", "13", "10", "8", "6", "5", "4", "3.2", "2.5", "2", "1.6", "1.3", "1"),
    *("0.8", "0.6", "0.5", "0.4", "0.3", "1/4", "1/5", "1/6", "1/8", "1/10", "1/13", "1/15", "1/20", "1/25"),
    *("1/30", "1/40", "1/50", "1/60", "1/80", "1/100", "1/125", "1/160", "1/200", "1/250", "1/320", "1/400"),
    *("1/500", "1/640", "1/800", "1/1000", "1/1250", "1/1600", "1/2000", "1/2500", "1/3200", "1/4000"),
    *("1/5000", "1/6400", "1/8000", "1/10000", "1/12500", "1/16000"),
)
"""Marked times in thirds from 30 s (exactly 32 s, Tv -5); the i-th has Tv -5 + i/3."""

SHUTTERS_HALF: tuple[str, ...] = (
    *("30", "20", "15", "10", "8", "6", "4", "3", "2", "1.5", "1", "0.7", "0.5", "0.3", "1/4", "1/6", "1/8"),
    *("1/10", "1/15", "1/20", "1/30", "1/45", "1/60", "1/90", "1/125", "1/180", "1/250", "1/350", "1/500"),
    *("1/750", "1/1000", "1/1500", "1/2000", "1/3000", "1/4000", "1/6000", "1/8000"),
)
"""Marked times in halves from 30 s (exactly 32 s, Tv -5); the i-th has Tv -5 + i/2."""

ISOS_THIRD: tuple[int, ...] = (
    *(25, 32, 40, 50, 64, 80, 100, 125, 160, 200, 250, 320, 400, 500, 640, 800, 1000, 1250, 1600, 2000),
    *(2500, 3200, 4000, 5000, 6400, 8000, 10000, 12800, 16000, 20000, 25600, 32000, 40000, 51200, 64000),
    *(80000, 102400),
)
"""Marked speeds in thirds from ISO 25 (Sv 3); the i-th has Sv 3 + i/3."""


def _table(marks: Iterable[float], first: float, step: float) -> tuple[tuple[float, float], ...]:
    return tuple((mark, first + i * step) for i, mark in enumerate(marks))


def shutter_seconds(mark: str) -> float:
    """
    Return the seconds that a marked time says.

    >>> shutter_seconds("1/125")
    0.008
    """
    return float(Fraction(mark))


_AV = (_table(F_NUMBERS_THIRD, 0, 1 / 3), _table(F_NUMBERS_HALF, 0, 1 / 2))
# Files also store 0.3, 0.6 and 0.8 s as fractions.
_AS_FRACTIONS = ((1 / 3, 5 / 3), (10 / 16, 2 / 3), (10 / 13, 1 / 3))
_TV = (
    _table((shutter_seconds(m) for m in SHUTTERS_THIRD), -5, 1 / 3) + _AS_FRACTIONS,
    _table((shutter_seconds(m) for m in SHUTTERS_HALF), -5, 1 / 2),
)
_SV = (_table(ISOS_THIRD, 3, 1 / 3),)

# A mark is stored as itself (1/60, 10/600, 0.016667): this near is the same, 1/351 is not 1/350.
_SAME_MARK = 0.0015
# Cameras write APEX tags from the marks (0.08 stop off the exact value at worst) or in coarse steps (1/32).
_APEX_TAG_TOLERANCE = 0.02


Series = tuple[tuple[tuple[float, float], ...], ...]


def _exact(value: float, tables: Series, raw: float, tag: float | None) -> float:
    """Return the exact APEX value of a mark; where two series share it, the tag decides, else the thirds."""
    found = [apex for table in tables for mark, apex in table if abs(math.log(value / mark)) < _SAME_MARK]
    if not found:
        return raw
    if tag is not None and abs(tag - raw) > _APEX_TAG_TOLERANCE:
        return min(found, key=lambda apex: abs(apex - tag))
    return found[0]


def _positive(value: float, what: str) -> float:
    if not (math.isfinite(value) and value > 0):
        raise ValueError(f"{what} must be finite and above zero, not {value}")
    return value


def aperture_value(f_number: float, tag: float | None = None) -> float:
    """
    Return Av of a marked f-number, at its exact third or half stop.

    Args:
        f_number: as marked (5.6) or computed (4.9: not on a series, taken as it is); finite and > 0.
        tag: the file's ApertureValue, if any. It tells thirds from halves where a mark belongs to both
            (f/1.2, f/13); a tag that was itself made from the mark says nothing and is passed over.

    Raises:
        ValueError: zero, negative, NaN or infinite. A lens without contacts reports f/0: make that
            None first.

    Source: Exif (CIPA DC-008), annex on APEX units; ISO 517 for the marks.

    >>> aperture_value(5.6), round(aperture_value(11.0), 3), round(aperture_value(4.9), 2)
    (5.0, 7.0, 4.59)
    """
    raw = 2 * math.log2(_positive(f_number, "an f-number"))
    return _exact(f_number, _AV, raw, tag)


def time_value(shutter_s: float, tag: float | None = None) -> float:
    """
    Return Tv of a marked exposure time in seconds, at its exact third or half stop.

    `tag` is the file's ShutterSpeedValue, used as in `aperture_value`.

    Raises:
        ValueError: zero, negative, NaN or infinite.

    Source: Exif (CIPA DC-008), annex on APEX units; ISO 516 for the marks.

    >>> time_value(1 / 60), time_value(1 / 125), time_value(30)
    (6.0, 7.0, -5.0)
    """
    raw = -math.log2(_positive(shutter_s, "an exposure time"))
    return _exact(shutter_s, _TV, raw, tag)


def speed_value(iso: float) -> float:
    """
    Return Sv of a marked ISO speed: log2(ISO / 3.125), at its exact third.

    Raises:
        ValueError: zero, negative, NaN or infinite.

    >>> speed_value(100), speed_value(200), round(speed_value(160), 3)
    (5.0, 6.0, 5.667)
    """
    raw = math.log2(_positive(iso, "an ISO speed") / 3.125)
    return _exact(iso, _SV, raw, None)


def exact_f_number(f_number: float) -> float:
    """
    Return the f-number that a mark stands for: 2^(Av/2).

    >>> round(exact_f_number(5.6), 4), round(exact_f_number(11), 4)
    (5.6569, 11.3137)
    """
    return float(2 ** (aperture_value(f_number) / 2))


def exact_shutter_s(shutter_s: float) -> float:
    """
    Return the time in seconds that a mark stands for: 2^-Tv.

    >>> exact_shutter_s(1 / 60), exact_shutter_s(1 / 125)
    (0.015625, 0.0078125)
    """
    return float(2 ** -time_value(shutter_s))


def marked_shutter_text(shutter_s: float) -> str:
    """
    Return how a dial shows a time: the nearest mark, or the plain figure if none is near.

    >>> [marked_shutter_text(t) for t in (1 / 64, 0.0166, 2.0, 1 / 90)]
    ['1/60', '1/60', '2', '1/90']
    """
    tv = -math.log2(_positive(shutter_s, "an exposure time"))
    for marks, first, step in ((SHUTTERS_THIRD, -5, 1 / 3), (SHUTTERS_HALF, -5, 1 / 2)):
        place = round((tv - first) / step)
        if 0 <= place < len(marks):
            mark = marks[place]
            if min(abs(math.log2(shutter_s / shutter_seconds(mark))), abs(tv - first - place * step)) < 0.02:
                return mark
    if shutter_s < 0.3:
        return f"1/{round(1 / shutter_s)}"
    return f"{shutter_s:.3g}"


def marked_f_number(av: float) -> float:
    """
    Return the mark of the thirds series nearest to an aperture value.

    >>> marked_f_number(5.0), marked_f_number(7.33), marked_f_number(6.9)
    (5.6, 13.0, 11.0)
    """
    place = min(max(round(av * 3), 0), len(F_NUMBERS_THIRD) - 1)
    return F_NUMBERS_THIRD[place]


LADDER: tuple[float, ...] = F_NUMBERS_THIRD[F_NUMBERS_THIRD.index(2.8) : F_NUMBERS_THIRD.index(22.0) + 1]
"""Every third stop from f/2.8 to f/22: what is assumed to be on offer when no camera says otherwise."""


@dataclass(frozen=True)
class Exposure:
    """
    Aperture, time and speed of one frame; None where the file doesn't say.

    f_number, shutter_s and iso are as marked, av, tv and sv exact (APEX). ev100 = Av + Tv - (Sv - 5): the
    light that this exposure suits.
    """

    f_number: float | None = None
    av: float | None = None
    shutter_s: float | None = None
    tv: float | None = None
    iso: float | None = None
    sv: float | None = None

    @property
    def ev100(self) -> float | None:
        """Return the exposure value brought to ISO 100, in stops, or None when a part is unknown."""
        if self.av is None or self.tv is None or self.sv is None:
            return None
        return self.av + self.tv - (self.sv - 5)

    @property
    def stops(self) -> float | None:
        """
        Return the exposure given, in stops: Sv - Av - Tv; one more is twice the signal.

        ISO missing counts as the same for every frame of a camera; aperture or time missing: None.
        """
        if self.av is None or self.tv is None:
            return None
        return (self.sv if self.sv is not None else 5.0) - self.av - self.tv

    @classmethod
    def of(
        cls,
        f_number: float | None = None,
        shutter_s: float | None = None,
        iso: float | None = None,
        *,
        av_tag: float | None = None,
        tv_tag: float | None = None,
    ) -> Exposure:
        """
        Build from marked values; a tag fills in for a missing mark.

        >>> Exposure.of(11, 1 / 60, 200).ev100
        12.0
        """
        if f_number is None and av_tag is not None:
            f_number = float(2 ** (av_tag / 2))
        if shutter_s is None and tv_tag is not None:
            shutter_s = float(2**-tv_tag)
        return cls(
            f_number=f_number,
            av=None if f_number is None else aperture_value(f_number, av_tag),
            shutter_s=shutter_s,
            tv=None if shutter_s is None else time_value(shutter_s, tv_tag),
            iso=iso,
            sv=None if iso is None else speed_value(iso),
        )
