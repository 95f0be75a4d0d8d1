"""
The tone response of a camera's JPEGs: which linear light each code stands for.

A JPEG is not linear, and not sRGB either: makers bend the curve to taste. Two exposures of one scene, a known number
of stops apart, tell how: cells that read 90 in one and 150 in the other say that those two codes are that many stops
apart. Codes of many such cells are fitted with one smooth rising curve.

One curve serves all three channels: white balance and colour matrix come before it in a camera, so the channels
share it, and together they see more tones. Where the channels disagree it shows in `sure_stops`.

What a bracket cannot tell: the scale (fixed by light 1 at the white code), and a ripple that repeats with the
step of the bracket. Smoothness decides there, and its doubt is part of `sure_stops`.

Sources of the ideas: Debevec and Malik 1997 (smooth inverse response from differently exposed pictures), Mitsunaga
and Nayar 1999 (few parameters), Grossberg and Nayar 2003 (what two exposures can and cannot tell).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache
from itertools import combinations
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from lampblack.rules.tone import LIGHT_OF_CODE

Floats = NDArray[np.float64]
Source = Literal["prior", "bracket", "raw pair"]

_CODES: Floats = np.arange(256, dtype=np.float64)
_MIDDLE = slice(13, 243)
"""The middle 90 % of the codes, over which `sure_stops` speaks."""


@dataclass(frozen=True, eq=False)
class Response:
    """
    light: (256,) linear light of each 8-bit code, strictly rising from code 1, 1.0 at the white code.

    sure_stops: how far off it may be, RMS in stops over the middle 90 % of the codes, white held at 1.
    """

    light: Floats
    source: Source
    sure_stops: float

    def light_of(self, codes: Any) -> Floats:
        """Return the light of codes (any shape), between codes too."""
        light: Floats = np.interp(codes, _CODES, self.light)
        return light

    def code_of(self, light: Any) -> Floats:
        """Return the codes (0 to 255, not rounded) of light of any shape."""
        codes: Floats = np.interp(light, self.light, _CODES)
        return codes


PRIOR = Response(LIGHT_OF_CODE, "prior", 0.8)
"""
sRGB (IEC 61966-2-1) for a camera not yet known.

Its 0.8 stop: of a real bracket 3.00 stops apart it makes 3.7 to 3.9, so it is a quarter of a stop off for each stop
below white, and the middle nine tenths of its codes lie 3.2 stops below white in the root mean square.
"""


@dataclass(frozen=True, eq=False)
class Exposed:
    """
    One frame of a bracket, in cells.

    codes: (n, 3) float32 mean 8-bit codes of the same n cells in every frame. stops: `Exposure.stops`, one more is
    twice the light. clipped: (n,) share of each cell's pixels at white, any channel.
    """

    codes: NDArray[np.float32]
    stops: float
    clipped: NDArray[np.float32]


# Cells with this share of clipped pixels have a mean that says too little.
_CLIPPED_TOO_MUCH = 0.01
_MOST_CELLS = 16_000
_BIN = 8.0  # of the sum of two codes: fine against the curve, wide enough for a dozen cells
_LEAST_IN_BIN = 12
_LEAST_BINS = 6
_LEAST_STEP = 0.3  # stops; exposures nearer than this say little of the curve
_MOST_PAIRS = 6
_DARKEST = 4.0  # codes above the camera's black: below, rounding and noise reduction rule

# Compression, rounding and sharpening move a bin's middle code by about this much, all its cells alike.
_CODE_OFF = 0.35
# ... and a camera's marked stops and its shading are about this true.
_STOPS_OFF = 0.02
# Neighbouring bins err alike: so many of them count as one.
_ALIKE = 4.0
# A cell this far off the common relation (stops; and codes) was lit otherwise, moved, or lies on an edge;
# with so many of them, over all tones, it is another light.
_ASTRAY_STOPS, _ASTRAY_CODES = 0.25, 2.5
_ASTRAY_SHARE = 0.3


class Relation(NamedTuple):
    """Where cells of one pair of frames lie: middle code in the brighter and the darker, and how sure."""

    high: Floats
    low: Floats
    stops: Floats
    code_off: Floats


def learn(frames: Sequence[Exposed], *, white_code: float = 254, start: Response = PRIOR) -> Response | None:
    """
    Return the response that makes a bracket agree with itself, or None where nothing can be learned.

    Args:
        frames: one scene in one light, at two exposures or more; cells in the same order.
        white_code: light 1, see `top_code`.
        start: what was thought before; kept where the bracket shows no tones.

    None: fewer than two exposures, too few cells or tones seen in two of them, or frames that contradict each
    other (light changed, something moved).
    """
    relations = list(_relations(frames, white_code))
    if not relations or sum(len(r.high) for r in relations) < _LEAST_BINS:
        return None
    relation = Relation(*(np.concatenate(part) for part in zip(*relations, strict=True)))
    return _best(relation, white_code, start, "bracket")


def learn_from_raw(
    jpeg_codes: NDArray[Any], raw_light: NDArray[Any], clipped: NDArray[Any], *, white_code: float = 254
) -> Response | None:
    """
    Return the response from one shot filed as raw and JPEG.

    Args:
        jpeg_codes: (n, 3) mean codes of cells.
        raw_light: (n, 3) linear light of the same cells, white-balanced, in the JPEG's primaries; any scale.
        clipped: (n,) share of each cell's pixels at white, in either.
        white_code: light 1.
    """
    return None


def top_code(counts: NDArray[Any]) -> int:
    """Return the code from which a pixel counts as at white."""
    return 254


# --- what a bracket says -------------------------------------------------------------------------------------------


def _relations(frames: Sequence[Exposed], white_code: float) -> Iterator[Relation]:
    """Yield what each telling pair of frames says; nothing at all when one pair contradicts itself."""
    order = sorted(frames, key=lambda frame: frame.stops)
    if len({len(frame.codes) for frame in order}) != 1:
        return
    n = len(order[0].codes)
    chosen = np.random.default_rng(0).permutation(n)[:_MOST_CELLS] if n > _MOST_CELLS else np.arange(n)
    codes = [frame.codes[chosen] for frame in order]
    sound = [frame.clipped[chosen] < _CLIPPED_TOO_MUCH for frame in order]
    pairs = [(i, j) for i, j in combinations(range(len(order)), 2) if order[j].stops - order[i].stops >= _LEAST_STEP]
    pairs.sort(key=lambda pair: (pair[1] - pair[0], pair))
    for i, j in pairs[:_MOST_PAIRS]:
        both = sound[i] & sound[j]
        low, high = codes[i][both].ravel(), codes[j][both].ravel()
        seen = high < white_code - 2
        relation = _relation(
            low[seen].astype(np.float64), high[seen].astype(np.float64), order[j].stops - order[i].stops
        )
        if relation is not None:
            yield relation


def _relation(low: Floats, high: Floats, stops: float) -> Relation | None:
    """
    Return the middle of the cells, in bins of the sum of their two codes.

    Of the sum, because both codes err: bins of either alone would be filled unevenly from its neighbours.
    """
    total, apart = low + high, high - low
    order = np.argsort(total, kind="stable")
    total, apart = total[order], apart[order]
    edges = np.searchsorted(total, np.arange(0, 512 + _BIN, _BIN))
    middles = []
    for first, last in zip(edges[:-1], edges[1:], strict=True):
        if last - first < _LEAST_IN_BIN:
            continue
        m, a = float(np.median(total[first:last])), float(np.median(apart[first:last]))
        spread = 1.4826 * float(np.median(np.abs(apart[first:last] - a)))
        middles.append((m, a, spread, last - first))
    if len(middles) < _LEAST_BINS:
        return None
    m_, a_, spread_, count = np.array(middles).T
    off = np.hypot(_CODE_OFF, 1.25 * spread_ / np.sqrt(count))
    return Relation((m_ + a_) / 2, (m_ - a_) / 2, np.full(len(m_), stops), off)


# --- the curve ------------------------------------------------------------------------------------------------------

_PARTS = 14
_BEND = 0.7  # how much steeper or flatter (natural log) a camera's curve is than sRGB, in places
_TILT = 0.35  # ... and all over
_REACH = 0.16  # over which share of the scale (square root of code) it stays so


@cache
def _shapes() -> Floats:
    """
    Return the shapes that curves are made of: (255, _PARTS), log of the slope between codes, each as likely as 1.

    The few strongest directions in which smooth curves differ (Karhunen-Loeve of a squared exponential covariance).
    """
    place = np.sqrt((np.arange(255) + 0.5) / 255)
    covariance = _TILT**2 + _BEND**2 * np.exp(-0.5 * ((place[:, None] - place) / _REACH) ** 2)
    values, vectors = np.linalg.eigh(covariance)
    shapes: Floats = vectors[:, -_PARTS:] * np.sqrt(np.maximum(values[-_PARTS:], 0))
    return shapes


class _Fit(NamedTuple):
    stops: Floats
    sure: float
    cost: float
    rms: float


def _best(relation: Relation, white_code: float, start: Response, source: Source) -> Response | None:
    """Return the response from the black level that suits best: some cameras file no light as a code above 0."""
    lowest = float(relation.low.min())
    floors = [
        floor for floor in (0.0, 4.0, 8.0, 12.0, 16.0, 20.0, 25.0, 30.0, 36.0) if floor == 0 or floor <= lowest + 0.5
    ]
    fits = [_fit(relation, floor, white_code, start) for floor in floors]
    fit = min(fits, key=lambda one: one.cost)
    light = 2.0**fit.stops
    light[0] = 0.0
    return Response(light, source, fit.sure)


def _base(floor: float, white_code: float, start: Response) -> Floats:
    """Return the start's light in stops, moved to a black level: (256,), rising, 0 at white."""
    codes = (_CODES - floor) * 255 / (255 - floor)
    light = np.interp(np.maximum(codes, 0), _CODES, start.light)
    light = np.maximum(light, start.light[1] * 2.0 ** (-8 + (_CODES - floor) / 8))
    light = np.maximum.accumulate(light * (1 + 1e-9 * _CODES))
    stops = np.log2(np.maximum(light, 1e-15))
    return stops - np.interp(white_code, _CODES, stops)


def _fit(relation: Relation, floor: float, white_code: float, start: Response) -> _Fit:
    base = _base(floor, white_code, start)
    steps = np.diff(base)
    remapped = np.clip((np.arange(255) + 0.5 - floor) * 255 / (white_code - floor) - 0.5, 0, 254)
    shapes = np.stack([np.interp(remapped, np.arange(255), shape) for shape in _shapes().T], axis=1)
    use = relation.low > floor + _DARKEST
    high, low, stops, code_off = (part[use] for part in relation)
    weights = np.zeros(shapes.shape[1])
    for _ in range(12):
        slope = steps * np.exp(shapes @ weights)
        curve = np.concatenate([[0.0], np.cumsum(slope)])
        moved = np.concatenate([np.zeros((1, shapes.shape[1])), np.cumsum(slope[:, None] * shapes, axis=0)])
        residual = _at(high, curve) - _at(low, curve) - stops
        rows = _at(high, moved) - _at(low, moved)
        # A code that is off by so much is off by so many stops, here.
        off = np.hypot(_STOPS_OFF, code_off * np.hypot(_slope(high, slope), _slope(low, slope))) * np.sqrt(_ALIKE)
        scaled = residual / off
        trust = 1 / (1 + (scaled * np.sqrt(_ALIKE) / 3) ** 2)  # Cauchy
        normal = (rows * (trust / off**2)[:, None]).T
        hessian = normal @ rows + np.eye(len(weights))
        step = np.linalg.solve(hessian, -(normal @ residual) - weights)
        weights = weights + step * min(1.0, 1.0 / max(1e-9, float(np.abs(step).max())))
        if np.abs(step).max() < 1e-3:
            break
    slope = steps * np.exp(shapes @ weights)
    curve = np.concatenate([[0.0], np.cumsum(slope)])
    moved = np.concatenate([np.zeros((1, shapes.shape[1])), np.cumsum(slope[:, None] * shapes, axis=0)])
    white = np.array([white_code])
    curve, moved = curve - _at(white, curve), moved - _at(white, moved)
    scatter = float(np.sum(trust * scaled**2 * _ALIKE) / max(1e-9, float(trust.sum())))
    covariance = np.linalg.inv(hessian) * max(1.0, scatter)
    first, last = round(floor + 0.05 * (white_code - floor)), round(floor + 0.95 * (white_code - floor))
    middle = moved[first : last + 1]
    sure = float(np.sqrt(np.mean(np.sum((middle @ covariance) * middle, axis=1))))
    cost = float(np.sum(np.log1p((scaled * np.sqrt(_ALIKE) / 3) ** 2)) * 9 / 2 / _ALIKE + weights @ weights / 2)
    cost += 4.5 * float(np.sum(~use)) / _ALIKE * 0.3  # what a floor leaves unexplained is no gain
    return _Fit(curve, sure, cost, float(np.sqrt(np.sum(trust * residual**2) / max(1e-9, float(trust.sum())))))


def _at(codes: Floats, table: Floats) -> Any:
    """Return a table by code (256, ...) at codes between."""
    whole = np.minimum(codes.astype(np.intp), 254)
    part = codes - whole
    if table.ndim > 1:
        part = part[:, None]
    return table[whole] * (1 - part) + table[whole + 1] * part


def _slope(codes: Floats, slope: Floats) -> Floats:
    taken: Floats = slope[np.minimum(codes.astype(np.intp), 254)]
    return taken
