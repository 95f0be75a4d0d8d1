"""
The mix of lamps that meets what a person wants: the smallest change of lamps and aperture that does.

Gains and exposure are stops, so that twice and half are equally far. A solver (SLSQP: Kraft 1988, in SciPy) moves them
until every term holds; where they contradict, each is missed by as little as can be, and the worst is named.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lampblack.rules.cells import brightest
from lampblack.rules.exposure import aperture_value
from lampblack.rules.figures import stops_long
from lampblack.rules.layers import Layers
from lampblack.rules.response import PRIOR
from lampblack.rules.thresholds import Thresholds
from lampblack.rules.tone import LUMA, light_of_code

Floats = NDArray[np.float64]

_LOWEST, _HIGHEST = -10.0, 3.0  # stops a lamp may be turned: down to as good as off, up by as much as a lamp has
_CELLS = 6000  # of each region: they tell a percentile to a hundredth of a stop
_APERTURE_COSTS = 0.1  # of what the same change at a lamp does: a dial against a walk
_DARKER_COSTS = 1.0  # ... and of what it costs that the subject comes out lighter or darker than it was
_MISSED = 1 / 12  # stops; a term missed by less is met, as nearly as a lamp can be set
_MARGIN = 0.1  # stops to spare under a limit, for noise and what a cell's mean hides
_DEAR = 300.0


class TermError(ValueError):
    """A term that can't be read; the text is one line for a person."""


@dataclass(frozen=True)
class Terms:
    """
    What a person wants.

    ratio: stops from the subject's darker half to its brighter. clean: the backdrop clean. hold: the highlights held.
    limits: by lamp, the least and the most stops it may be changed by.
    """

    ratio: float | None = None
    clean: bool = False
    hold: bool = False
    limits: dict[str, tuple[float, float]] = field(default_factory=dict)


def parse_terms(texts: Sequence[str], lamps: Sequence[str]) -> Terms:
    """
    Return the terms as written: ratio=3:1, backdrop=clean, hold-highlights, NAME<=+0.5, NAME>=-1, NAME=0.

    >>> parse_terms(["ratio=4:1", "rim<=0"], ["rim"])
    Terms(ratio=2.0, clean=False, hold=False, limits={'rim': (-10.0, 0.0)})

    Raises:
        TermError: one of them is none of these.
    """
    ratio, clean, hold = None, False, False
    limits: dict[str, tuple[float, float]] = {}
    for text in texts:
        word = text.replace(" ", "")
        if word == "backdrop=clean":
            clean = True
        elif word == "hold-highlights":
            hold = True
        elif word.startswith("ratio=") and "ratio" not in lamps:
            ratio = _ratio(word.removeprefix("ratio="), text)
        else:
            name, low, high = _limit(word, text, lamps)
            before = limits.get(name, (_LOWEST, _HIGHEST))
            limits[name] = max(low, before[0]), min(high, before[1])
            if limits[name][0] > limits[name][1]:
                raise TermError(f"{text!r} contradicts another limit of {name}: leave one out")
    return Terms(ratio, clean, hold, limits)


def _ratio(word: str, text: str) -> float:
    one, _, other = word.partition(":")
    try:
        stops = math.log2(float(one) / float(other or "1"))
    except (ValueError, ZeroDivisionError):
        stops = math.nan
    if not 0 <= stops <= 8:
        raise TermError(f"{text!r}: write a ratio of brighter to darker half as 3:1")
    return stops


def _limit(word: str, text: str, lamps: Sequence[str]) -> tuple[str, float, float]:
    for sign in ("<=", ">=", "="):
        name, found, value = word.rpartition(sign)
        if found and name in [lamp.replace(" ", "") for lamp in lamps]:
            break
    else:
        raise TermError(
            f"{text!r} is no term: ratio=3:1, backdrop=clean, hold-highlights, or LAMP<=+0.5 of {', '.join(lamps)}"
        )
    try:
        stops = float(value)
    except ValueError:
        stops = math.nan
    if not _LOWEST <= stops <= _HIGHEST:
        raise TermError(f"{text!r}: a lamp's limit is stops of change, {_LOWEST:g} to {_HIGHEST:+g}")
    name = next(lamp for lamp in lamps if lamp.replace(" ", "") == name)
    return name, stops if sign != "<=" else _LOWEST, stops if sign != ">=" else _HIGHEST


@dataclass(frozen=True)
class Outcome:
    """A mix, foretold. ratio: stops from darker to brighter half. clean: None without a backdrop."""

    ratio: float | None
    backdrop_p99: int | None
    highlights: float
    clean: bool | None
    f_number: float | None


@dataclass(frozen=True)
class Plan:
    """
    What to change.

    gains: stops by lamp, in order. change: of exposure, in stops. f_number: the aperture that makes it. met: every
    term holds. why: one sentence.
    """

    gains: tuple[float, ...]
    change: float
    f_number: float | None
    before: Outcome
    after: Outcome
    met: bool
    why: str


def plan(
    layers: Layers, terms: Terms, f_numbers: Sequence[float], thresholds: Thresholds, *, f_number: float | None = None
) -> Plan:
    """
    Return the smallest change that meets the terms.

    Args:
        layers: the lamps.
        terms: what is wanted.
        f_numbers: the apertures on offer; the mix is foretold for one of them.
        thresholds: the thresholds.
        f_number: the aperture to hold to, or None where it is free.
    """
    task = _Task(layers, terms, thresholds)
    changes = _changes(layers, f_numbers, f_number)
    free = min(changes), max(changes)
    first = task.solve(free)
    # Apertures come in marks: of the two around the free answer the better, lamps set anew for each.
    near = sorted(changes, key=lambda change: abs(change - first.x[-1]))[:2]
    best = min((task.solve((change, change), first.x) for change in near), key=lambda found: found.fun)
    gains = tuple(round(float(stops), 2) + 0.0 for stops in best.x[:-1])
    change = float(best.x[-1])
    mark = changes[min(changes, key=lambda one: abs(one - change))]
    before = _outcome(layers, [0.0] * len(gains), 0.0, layers.f_number, thresholds)
    after = _outcome(layers, gains, change, mark, thresholds)
    missed = task.missed(np.array([*gains, change]))
    return Plan(gains, change, mark, before, after, not missed, _why(layers, gains, change, mark, missed, terms))


def _changes(layers: Layers, f_numbers: Sequence[float], f_number: float | None) -> dict[float, float | None]:
    """Return the changes of exposure on offer, each with its mark."""
    if layers.av is None:
        return {0.0: None}
    marks = {layers.f_number, *f_numbers} - {None} if f_number is None else {f_number}
    return {layers.av - aperture_value(mark): mark for mark in marks if mark is not None}


class _Task:
    """The terms as functions of the changes: (lamps' stops..., exposure's stops)."""

    def __init__(self, layers: Layers, terms: Terms, thresholds: Thresholds) -> None:
        self.layers, self.terms = layers, terms
        self.bounds = [terms.limits.get(lamp.name, (_LOWEST, _HIGHEST)) for lamp in layers.lamps]
        self.halves = np.array([_sums(layers, where) for where in (layers.left, layers.right)])  # (2, lamps + 1)
        self.brighter = int(np.argmax(self.halves.sum(axis=1)))
        self.limits: list[tuple[str, Callable[[Floats], float]]] = []
        if terms.ratio is not None and layers.subject.any():
            self.limits += [("ratio", self._off_ratio), ("ratio", lambda x: -self._off_ratio(x))]
        if terms.clean and layers.tone is not None:
            self.limits += _of_backdrop(layers, thresholds)
        if terms.hold and layers.subject.any():
            share = 100 * (1 - thresholds.highlights.broad_limit)
            self.limits.append(("highlights", _under(layers, layers.subject, share, 1.0)))

    def _light(self, x: Floats) -> Floats:
        """Return the light of the subject's halves."""
        found: Floats = self.halves @ np.append(2.0 ** x[:-1], 1.0)
        return found

    def _off_ratio(self, x: Floats) -> float:
        light = np.maximum(self._light(x), 1e-12)
        return float(np.log2(light[self.brighter] / light[1 - self.brighter])) - (self.terms.ratio or 0.0)

    def cost(self, x: Floats) -> float:
        """Return how much there is to do, and how far the subject's brightness moves."""
        before = max(self.halves.sum(), 1e-12)
        lighter = float(np.log2(max(self._light(x).sum(), 1e-12) / before)) + x[-1]
        return float((x[:-1] ** 2).sum() + _APERTURE_COSTS * x[-1] ** 2 + _DARKER_COSTS * lighter**2)

    def missed(self, x: Floats) -> dict[str, float]:
        """Return by how many stops each term is missed, if it is."""
        found: dict[str, float] = {}
        for name, room in self.limits:
            if (short := -room(x)) > _MISSED:
                found[name] = max(short, found.get(name, 0.0))
        return found

    def solve(self, exposure: tuple[float, float], near: Floats | None = None) -> _Found:
        """Return the least change within bounds that meets the terms, or misses them least; near: where it lies."""
        bounds = [*self.bounds, exposure]
        best: _Found | None = None
        starts = self._starts(bounds) if near is None else [np.clip(near, *np.array(bounds).T)]
        for start in starts:
            found = self._from(start, bounds)
            best = found if best is None or found.fun < best.fun else best
        assert best is not None
        return best

    def _starts(self, bounds: list[tuple[float, float]]) -> list[Floats]:
        low, high = np.array(bounds).T
        usual = np.clip(np.zeros(len(bounds)), low, high)
        starts = [usual]
        # A term may ask for one lamp to go: from the middle alone a solver can miss that.
        for i in range(len(bounds) - 1):
            other = usual.copy()
            other[i] = np.clip(-2.0, low[i], high[i])
            starts.append(other)
        return starts

    def _from(self, start: Floats, bounds: list[tuple[float, float]]) -> _Found:
        """Solve with a slack for each term, dear but not without price, so that contradictions end somewhere too."""
        from scipy.optimize import minimize  # a quarter of a second, which no service should need to start

        n, terms = len(start), len(self.limits)

        def dear(z: Floats) -> float:
            return self.cost(z[:n]) + _DEAR * float(z[n:].sum())

        def rooms(z: Floats) -> Floats:
            return np.array([room(z[:n]) for _, room in self.limits]) + z[n:]

        slack = [max(0.0, -room(start)) for _, room in self.limits]
        rules: Any = [{"type": "ineq", "fun": rooms}] if terms else []
        answer: Any = minimize(
            dear,
            np.append(start, slack),
            method="SLSQP",
            bounds=[*bounds, *[(0.0, 40.0)] * terms],
            constraints=rules,
            options={"maxiter": 200, "ftol": 1e-6},
        )
        low, high = np.array(bounds).T
        x = np.clip(answer.x[:n], low, high)
        short = sum(max(0.0, -room(x)) for _, room in self.limits)
        return _Found(x, self.cost(x) + _DEAR * short)


@dataclass(frozen=True, eq=False)
class _Found:
    x: Floats
    fun: float


def _sums(layers: Layers, where: NDArray[np.bool_]) -> list[float]:
    """Return each lamp's mean luminance in a place, and that of what is lit anyway."""
    if not where.any():
        return [0.0] * (len(layers.lamps) + 1)
    parts = [float(lamp.luminance[where].mean(dtype=np.float64)) for lamp in layers.lamps]
    return [*parts, float(layers.ambient[where].mean(axis=0, dtype=np.float64) @ LUMA)]


def _cells(layers: Layers, where: NDArray[np.bool_]) -> Floats:
    """Return (lamps + 1, cells, 3) light in a place, evenly thinned."""
    every = max(1, int(np.count_nonzero(where)) // _CELLS)
    grids = [*(lamp.light for lamp in layers.lamps), layers.ambient]
    return np.stack([grid[where][::every] for grid in grids]).astype(np.float64)


def _under(layers: Layers, where: NDArray[np.bool_], percent: float, limit: float) -> Callable[[Floats], float]:
    """Return by how many stops so many percent of the brightest channel lie under a limit."""
    cells = _cells(layers, where)

    def room(x: Floats) -> float:
        bright = np.tensordot(np.append(2.0 ** x[:-1], 1.0), cells, 1).max(axis=1)
        level = max(float(np.percentile(bright, percent)), 1e-9)
        return float(np.log2(limit / level) - x[-1]) - _MARGIN

    return room


def _of_backdrop(layers: Layers, thresholds: Thresholds) -> list[tuple[str, Callable[[Floats], float]]]:
    where = layers.backdrop
    if layers.tone == "black":
        share = float(where.mean())
        # No patch of that size, if not more than that is over the patch code at all.
        patch = 100 * (1 - min(0.5, thresholds.black.patch_share / max(share, 1e-6)))
        return [
            ("backdrop", _under(layers, where, 99.0, _light_at(layers, thresholds.black.clean_p99_code))),
            ("backdrop", _under(layers, where, patch, _light_at(layers, thresholds.black.patch_code))),
        ]
    cells = _cells(layers, where)

    def bright(x: Floats, pick: Callable[[Floats], Floats]) -> Floats:
        return pick(np.tensordot(np.append(2.0 ** x[:-1], 1.0), cells, 1))

    if layers.tone == "white":
        limit = _light_at(layers, thresholds.white.clean_code)

        def over(x: Floats) -> float:
            low = np.percentile(bright(x, lambda light: light.min(axis=1)), 100 * (1 - thresholds.white.clean_share))
            return float(np.log2(max(float(low), 1e-9) / limit) + x[-1]) - _MARGIN

        return [("backdrop", over)]

    def even(x: Floats) -> float:
        low, high = np.percentile(bright(x, lambda light: light.max(axis=1)), [5, 95])
        return thresholds.grey.even_stops - float(np.log2(max(high, 1e-9) / max(low, 1e-9)))

    return [("backdrop", even)]


def _light_at(layers: Layers, code: float) -> float:
    """Return the light of a code as it will be seen: by the camera's own curve in a JPEG."""
    return float(layers.response.light_of(code)) if layers.coded else light_of_code(code)


def _outcome(
    layers: Layers, gains: Sequence[float], change: float, f_number: float | None, thresholds: Thresholds
) -> Outcome:
    light = layers.mix([2.0**stops for stops in gains]) * np.float32(2**change)
    bright = brightest(light)
    p99 = None
    if layers.backdrop.any():
        level = float(np.percentile(bright[layers.backdrop], 99))
        p99 = round(float((layers.response if layers.coded else PRIOR).code_of(level)))
    subject = bright[layers.subject]
    x = np.array([*gains, change])
    halves = np.array([_sums(layers, where) for where in (layers.left, layers.right)])
    both = np.maximum(halves @ np.append(2.0 ** x[:-1], 1.0), 1e-12)
    clean = None
    if layers.tone is not None and layers.backdrop.any():
        clean = all(room(x) > -_MARGIN for _, room in _of_backdrop(layers, thresholds))
    return Outcome(
        ratio=float(abs(np.log2(both[0] / both[1]))) if layers.subject.any() else None,
        backdrop_p99=p99,
        highlights=float((subject >= 1).mean()) if len(subject) else 0.0,
        clean=clean,
        f_number=f_number,
    )


_TERM_WORDS = {
    "ratio": "the ratio stays {} off",
    "backdrop": "the backdrop stays {} from clean",
    "highlights": "the highlights stay {} over",
}


def _why(
    layers: Layers,
    gains: Sequence[float],
    change: float,
    f_number: float | None,
    missed: dict[str, float],
    terms: Terms,
) -> str:
    moves = [
        f"{lamp.name} {stops_long(gain)} {'up' if gain > 0 else 'down'}" if gain > _LOWEST + 0.5 else f"{lamp.name} off"
        for lamp, gain in zip(layers.lamps, gains, strict=True)
        if abs(gain) >= 0.05
    ]
    if f_number is not None and abs(change) > 0.05:
        moves.append(f"f/{f_number:g}")
    text = ", ".join(moves) if moves else "nothing needs to change"
    if not missed:
        return f"{text[0].upper()}{text[1:]}."
    rest = "; ".join(_TERM_WORDS[name].format(stops_long(short)) for name, short in missed.items())
    limited = " within the lamps' limits" if terms.limits else ""
    return f"Not all of it can be had{limited}: with {text}, {rest}."
