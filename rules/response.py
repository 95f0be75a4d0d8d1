"""
The tone response of a camera's JPEGs: which linear light each code stands for.

A JPEG is not linear, and not sRGB either: makers bend the curve to taste. Two exposures of one scene, a known number
of stops apart, tell how: cells that read 90 in one and 150 in the other say that those two codes are that many stops
apart. Codes of many such cells are fitted with one smooth rising curve.

One curve serves all three channels: white balance and colour matrix come before it in a camera, so the channels
share it, and together they see more tones. Where they show that they don't, each gets a curve of its own; the common
one is then the mean, and their distance from it is part of `sure_stops`.

What a bracket cannot tell: the scale (fixed by light 1 at the white code), and a ripple that repeats with the
step of the bracket. Smoothness decides there, and its doubt is part of `sure_stops`.

Sources of the ideas: Debevec and Malik 1997 (smooth inverse response from differently exposed pictures), Mitsunaga
and Nayar 1999 (few parameters), Grossberg and Nayar 2003 (what two exposures can and cannot tell).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import combinations, pairwise
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from lampblack.rules.distribution import middle
from lampblack.rules.tone import LIGHT_OF_CODE

Floats = NDArray[np.float64]
Source = Literal["prior", "bracket", "raw pair"]

ANY_SCALE = 10.0  # stops: more than any two scales of light differ
_CODES: Floats = np.arange(256, dtype=np.float64)
_MIDDLE = slice(13, 243)  # 90 % of the codes
_DISAGREE = 3.0  # times what both may be off together


@dataclass(frozen=True, eq=False)
class Response:
    """
    light: (256,) linear light of each 8-bit code, strictly rising from code 1, 1.0 at the white code.

    sure_stops: how far off it may be, RMS in stops over the middle 90 % of the codes, white held at 1. channels: (3,
    256) the same of red, green and blue, where they were seen to differ.
    """

    light: Floats
    source: Source
    sure_stops: float
    channels: Floats | None = None

    def of_channel(self, channel: int) -> Floats:
        """Return the (256,) light of one channel's codes: 0 red, 1 green, 2 blue."""
        own: Floats = self.light if self.channels is None else self.channels[channel]
        return own

    def light_of(self, codes: Any) -> Floats:
        """Return the light of codes (any shape), between codes too."""
        light: Floats = np.interp(codes, _CODES, self.light)
        return light

    def code_of(self, light: Any) -> Floats:
        """Return the codes (0 to 255, not rounded) of light of any shape."""
        codes: Floats = np.interp(light, self.light, _CODES)
        return codes

    def read(self, light: Any) -> Floats:
        """Return the light (any shape) that codes stand for whose light was read in sRGB."""
        read: Floats = np.interp(light, LIGHT_OF_CODE, self.light)
        return read

    @property
    def is_prior(self) -> bool:
        """Return whether nothing was learned: by what it says, for it may come from another process."""
        return self.source == "prior"

    def contradicts(self, other: Response) -> bool:
        """Return whether this and another can't both be right, by what each says of its own doubt."""
        light = np.maximum([self.light[_MIDDLE], other.light[_MIDDLE]], 1e-9)
        apart = float(np.sqrt(np.mean((np.log2(light[0]) - np.log2(light[1])) ** 2)))
        return apart > _DISAGREE * float(np.hypot(self.sure_stops, other.sure_stops))


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


_CLIPPED_TOO_MUCH = 0.01
"""Cells with this share of clipped pixels have a mean that says too little."""
_UNDER_WHITE = 4.0
"""Cells with a channel this near white, in codes, are left out: some of their pixels may be clipped, or another channel
saturated in the sensor, which a camera covers up with codes a little under white. But no more of them: the curve has to
be guessed from there on, and all light is reckoned from white. A real bracket teaches the same from two codes to eight,
raw with its JPEG too; where the end of the curve isn't known, two are too few."""
_CELLS_A_TONE = 500  # are enough, of each sixteenth of the codes
_BIN = 8.0  # of the sum of two codes: fine against the curve, wide enough for a dozen cells
_BINS_A_STOP = 8  # of raw light
_LEAST_IN_BIN = 12
_LEAST_BINS = 6
_WIDE, _CODE_SPREAD = 2.0, 0.5  # times the others' spread, and codes: more is no tone's own
_LEAST_STEP = 0.3  # stops; exposures nearer than this say little of the curve
_MOST_PAIRS = 6
_DARKEST = 4.0  # codes above the camera's black: below, rounding and noise reduction rule

_CODE_OFF = 0.15
"""Compression, rounding and sharpening move all cells of a bin by about this much, in codes."""
_STOPS_OFF = 0.01
_ALIKE = 3.0
"""Neighbouring bins err alike: so many of them count as one."""
_MARKED_OFF = 0.03
"""How far a frame's exposure is from what its marks stand for, in stops: iris, shutter and lamp (common practice)."""
_OUTLIER = 3.0  # times what a bin may be off

_ASTRAY_STOPS, _ASTRAY_CODES = 0.25, 2.5
"""Farther than both off the curve, a cell was lit otherwise, has moved, or lies on an edge."""
_ASTRAY_ONE_WAY = 0.25
"""With so many more of them to one side than to the other, in the mean of all tones, the light changed: edges and
what moved stray to both sides alike, and leave the middle where it was."""
_ASTRAY = 0.6
"""With so many to both sides, the frames show different things."""
_LEAST_TOLD = 40  # cells of a tone, to judge it by
_DISCORD, _FAR_OFF = 3.5, 10.0
"""One channel's tones that lie so many times farther off a curve than they may, in the root mean square, are not of
that curve: 0.4 to 1.6 where channels share one, 4 to 10 where one of them differs by two tenths in its power."""
_MOST_ODD = 2.2
"""A curve so much steeper or flatter all over than sRGB is no camera's: the exposures are not what they claim."""


class _Pair(NamedTuple):
    """Codes of the same cells in the brighter and in the darker frame, the stops between, and which frames."""

    high: Floats
    low: Floats
    stops: float
    frames: Floats
    """(m,) 1 for the brighter, -1 for the darker, 0 for others."""

    def of_channel(self, channel: int) -> _Pair:
        """Return the codes of one channel; those of a cell stand side by side."""
        return self._replace(high=self.high[channel::3], low=self.low[channel::3])


class _Relation(NamedTuple):
    """
    The middle of many cells: light of `high` is `stops` above that of `low`; off: how true a code is.

    Besides, something is unknown of whole frames, and added to `stops`: (rows, m) how much of each goes in.
    """

    high: Floats
    low: Floats
    stops: Floats
    off: Floats
    unknown: Floats


def learn(frames: Sequence[Exposed], *, white_code: float = 254, start: Response = PRIOR) -> Response | None:
    """
    Return the response that makes a bracket agree with itself, or None where nothing can be learned.

    Args:
        frames: one scene in one light, at two exposures or more; cells in the same order.
        white_code: light 1, see `ends.end_code`.
        start: what was thought before; its slopes are kept where the bracket shows no tones.

    None: fewer than two exposures, too few cells or tones seen in two of them, or frames that contradict each
    other (light changed, something moved, exposure not what it claims).
    """
    pairs = list(_pairs(frames, white_code))
    fit = _of_pairs(pairs, white_code, start)
    common = None if fit is None or _contradicted(pairs, fit) else _response(fit, "bracket")
    if fit is not None and common is not None and _is_shared(pairs, fit):
        return common
    return _of_each_channel(pairs, white_code, start) or common


def _is_shared(pairs: Sequence[_Pair], fit: _Fit) -> bool:
    """Return whether each channel agrees with the curve of all; the first pairs share most tones."""
    return all(_discord(pair.of_channel(c), fit) <= _DISCORD for pair in pairs[:2] for c in range(3))


def _of_pairs(pairs: Sequence[_Pair], white_code: float, start: Response) -> _Fit | None:
    relations = [found for pair in pairs if (found := _relation(*pair)) is not None]
    if not relations:
        return None
    relation = _Relation(*(np.concatenate(part) for part in zip(*relations, strict=True)))
    return _best(relation, _MARKED_OFF, white_code, start)


def _of_each_channel(pairs: Sequence[_Pair], white_code: float, start: Response) -> Response | None:
    """Return the response of channels with curves of their own, or None unless each agrees with itself."""
    fits = []
    for channel in range(3):
        own = [pair.of_channel(channel) for pair in pairs]
        fit = _of_pairs(own, white_code, start)
        if fit is None or _contradicted(own, fit) or max(_discord(pair, fit) for pair in own) > _DISCORD:
            return None
        fits.append(fit)
    each = np.array([fit.stops for fit in fits])
    mean = each.mean(axis=0)
    apart = float(np.mean((each - mean)[:, _MIDDLE] ** 2))
    light, channels = 2.0**mean, 2.0**each
    light[0] = channels[:, 0] = 0.0
    sure = float(np.sqrt(np.mean([fit.sure**2 for fit in fits]) + apart))
    return Response(light, "bracket", sure, channels)


def learn_from_raw(
    jpeg_codes: NDArray[Any],
    raw_light: NDArray[Any],
    clipped: NDArray[Any],
    *,
    white_code: float = 254,
    white_off: float = ANY_SCALE,
    start: Response = PRIOR,
) -> Response | None:
    """
    Return the response from one shot filed as raw and JPEG, or None where they have too little in common.

    The less colourful half of the cells is used: makers change colours as they please, greys little.

    Args:
        jpeg_codes: (n, 3) mean codes of cells.
        raw_light: (n, 3) linear light of the same cells, white-balanced, in the JPEG's primaries.
        clipped: (n,) share of each cell's pixels at white, in either.
        white_code: light 1, see `ends.end_code`.
        white_off: how far from raw light 1 that may lie, in stops; by default anything goes.
        start: as for `learn`.
    """
    codes, light = np.asarray(jpeg_codes, np.float64), np.asarray(raw_light, np.float64)
    sound = (np.asarray(clipped) < _CLIPPED_TOO_MUCH) & (light.min(axis=1) > 0)
    sound &= codes.max(axis=1) < white_code - _UNDER_WHITE
    codes, light = codes[sound], light[sound]
    chosen = _some_of_each_tone(codes[:, 1])
    codes, light = codes[chosen], light[chosen]
    colour = np.repeat(np.log2(light.max(axis=1) / light.min(axis=1)), 3)
    z, y = codes.ravel(), np.log2(light).ravel()
    relation = _relation_to_raw(z, y, colour, white_code)
    if relation is None:
        return None
    fit = _best(relation, white_off, white_code, start)
    if fit is None:
        return None
    residual = fit.at(z) - y - fit.unknown[0]
    return None if _strays(z, residual, fit.slope(z)) else _response(fit, "raw pair")


def _response(fit: _Fit, source: Source) -> Response:
    light = 2.0**fit.stops
    light[0] = 0.0
    return Response(light, source, fit.sure)


# --- what the frames say ---------------------------------------------------------------------------------------------


def _pairs(frames: Sequence[Exposed], white_code: float) -> Iterator[_Pair]:
    """Yield the codes of each telling pair of frames, nearest exposures first: they share most tones."""
    order = sorted(frames, key=lambda frame: frame.stops)
    if len({frame.codes.shape for frame in order}) != 1:
        return
    chosen = _some_of_each_tone(np.mean([frame.codes[:, 1] for frame in order], axis=0))
    codes = [frame.codes[chosen] for frame in order]
    sound = [frame.clipped[chosen] < _CLIPPED_TOO_MUCH for frame in order]
    pairs = [(i, j) for i, j in combinations(range(len(order)), 2) if order[j].stops - order[i].stops >= _LEAST_STEP]
    pairs.sort(key=lambda pair: (pair[1] - pair[0], pair))
    for i, j in pairs[:_MOST_PAIRS]:
        both = sound[i] & sound[j]
        low, high = codes[i][both].ravel(), codes[j][both].ravel()
        seen = np.repeat(codes[j][both].max(axis=1) < white_code - _UNDER_WHITE, 3)
        which = np.zeros(len(order))
        which[[i, j]] = -1, 1
        stops = order[j].stops - order[i].stops
        yield _Pair(high[seen].astype(np.float64), low[seen].astype(np.float64), stops, which)


def _some_of_each_tone(codes: NDArray[Any]) -> NDArray[np.intp]:
    """Return indices of cells, as many of each tone as are enough: a dark backdrop is not to drown the rest."""
    shuffled = np.random.default_rng(0).permutation(len(codes))
    tone = (np.clip(codes[shuffled], 0, 255) / 16).astype(np.uint8)
    order = np.argsort(tone, kind="stable")
    starts = np.searchsorted(tone[order], np.arange(17))
    kept: NDArray[np.intp] = np.concatenate(
        [shuffled[order[a : min(b, a + _CELLS_A_TONE)]] for a, b in pairwise(starts)]
    )
    return kept


def _relation(high: Floats, low: Floats, stops: float, frames: Floats) -> _Relation | None:
    """
    Return the middle of the cells, in bins of the sum of their two codes.

    Of the sum, because both codes err: bins of either alone would be filled unevenly from its neighbours.
    """
    edges = np.arange(0, 512 + _BIN, _BIN)
    middles = _middles(*_sorted(high + low, high - low), edges)
    if len(middles) < _LEAST_BINS:
        return None
    total, apart, off = middles.T
    return _Relation(
        (total + apart) / 2,
        (total - apart) / 2,
        np.full(len(total), stops),
        np.hypot(_CODE_OFF, off),
        np.tile(frames, (len(total), 1)),
    )


def _relation_to_raw(codes: Floats, light: Floats, colour: Floats, white_code: float) -> _Relation | None:
    """Return the middle code of the cells in bins of raw light (stops), whose scale is unknown."""
    if len(codes) < _LEAST_IN_BIN:
        return None
    edges = np.arange(np.floor(light.min()), light.max() + 1, 1 / _BINS_A_STOP)
    place = np.searchsorted(edges, light)
    order = np.lexsort((colour, place))
    starts = np.searchsorted(place[order], np.arange(len(edges) + 1))
    rank = np.arange(len(order)) - starts[place[order]]
    half = np.bincount(place, minlength=len(edges) + 1)[place[order]] / 2
    grey = order[rank < half]
    middles = _middles(*_sorted(light[grey], codes[grey]), edges)
    if len(middles) < _LEAST_BINS:
        return None
    stops, code, off = middles.T
    one = np.ones((len(code), 1))
    return _Relation(code, np.full(len(code), white_code), stops, np.hypot(_CODE_OFF, off), one)


def _sorted(key: Floats, value: Floats) -> tuple[Floats, Floats]:
    order = np.argsort(key)
    return key[order], value[order]


def _middles(key: Floats, value: Floats, edges: Floats) -> Floats:
    """
    Return, of each bin with enough in it, the median key and value and the latter's standard error: (bins, 3).

    Bins that are much wider than the others hold edges for the most part, whose middle is no tone's.
    """
    places = np.searchsorted(key, edges)
    middles = []
    for first, last in pairwise(places):
        if last - first >= _LEAST_IN_BIN:
            each = value[first:last]
            at = middle(each)
            spread = 1.4826 * middle(np.abs(each - at))
            middles.append((middle(key[first:last]), at, 1.25 * spread / np.sqrt(last - first), spread))
    found: Floats = np.array(middles).reshape(-1, 4)
    if not middles:
        return found[:, :3]
    return found[found[:, 3] <= _WIDE * np.median(found[:, 3]) + _CODE_SPREAD][:, :3]


def _discord(pair: _Pair, fit: _Fit) -> float:
    """Return how far off the middles of a pair's tones are from a curve, in units of how far they may be: RMS."""
    relation = _relation(*pair)
    if relation is None:
        return 0.0
    use = np.minimum(relation.high, relation.low) > fit.floor + 2 * _DARKEST
    high, low = relation.high[use], relation.low[use]
    if not len(high):
        return 0.0
    residual = fit.at(high) - fit.at(low) - pair.stops - float(pair.frames @ fit.unknown)
    off = np.hypot(_STOPS_OFF, relation.off[use] * np.hypot(fit.slope(high), fit.slope(low)))
    return float(np.sqrt(np.mean(np.minimum(np.abs(residual / off), _FAR_OFF) ** 2)))


def _contradicted(pairs: Sequence[_Pair], fit: _Fit) -> bool:
    """Return whether any pair of frames shows another light or other things than the curve allows."""
    return any(
        _strays(
            pair.high,
            fit.at(pair.high) - fit.at(pair.low) - pair.stops - float(pair.frames @ fit.unknown),
            np.hypot(fit.slope(pair.high), fit.slope(pair.low)),
        )
        for pair in pairs
    )


def _strays(codes: Floats, residual: Floats, slope: Floats) -> bool:
    """Return whether too many cells are off by more than noise (residual in stops, slope in stops a code)."""
    tone = (codes / 16).astype(np.intp)
    count = np.bincount(tone, minlength=16)
    told = count >= _LEAST_TOLD
    if not told.any():
        return False
    most = np.maximum(_ASTRAY_STOPS, _ASTRAY_CODES * slope)
    above, below = (np.bincount(tone, weights=off, minlength=16) for off in (residual > most, residual < -most))
    one_way = np.abs(above - below)[told] / count[told]
    any_way = (above + below)[told] / count[told]
    return bool(one_way.mean() > _ASTRAY_ONE_WAY or any_way.mean() > _ASTRAY)


# --- the curve -------------------------------------------------------------------------------------------------------

_PARTS = 12
_BEND = 0.4
"""How much steeper or flatter (natural log) a camera's curve is than sRGB, in places."""
_TILT = 0.25
"""... and all over."""
_REACH = 0.2
"""Over which part of the scale that goes on."""
_END = 0.06
"""How much the scale is stretched near white."""
_RARE = 2.0  # of the log of how likely they are, than none
_UNLIKELY = 5.0  # of the same, less likely than the best: not worth a thought
_FLOORS = (0.0, 4.0, 8.0, 12.0, 16.0, 20.0, 25.0, 30.0, 36.0)
"""Codes that stand for no light in one camera or another."""
_LEAST_LOOSE = 0.3  # of what sRGB may be bent, a curve learned before may: it could be of another style
_ROUNDS = 15


@cache
def _shapes() -> Floats:
    """
    Return the shapes that curves are made of: (255, _PARTS), log of the slope between codes, each as likely as 1.

    The few strongest directions in which smooth curves differ (Karhunen-Loeve of a squared exponential covariance).
    The scale is about even in stops in the darks, and stretched at its end, where shoulders run out.
    """
    code = (np.arange(255) + 0.5) / 255
    place = np.sqrt(code) - _END * np.log(1 - code + 0.02)
    bend = _BEND * (1 + code**6)
    near = np.exp(-0.5 * ((place[:, None] - place) / _REACH) ** 2)
    values, vectors = np.linalg.eigh(_TILT**2 + bend[:, None] * bend * near)
    shapes: Floats = vectors[:, -_PARTS:] * np.sqrt(np.maximum(values[-_PARTS:], 0))
    return shapes


@dataclass(frozen=True, eq=False)
class _Fit:
    """
    stops: (256,) light of each code, 0 at white. slopes: (255,) between codes. unknown: see `_Relation`.

    middle: the middle 90 % of the codes; sure: RMS doubt over them. cost: minus the log of how likely it is, but for a
    constant. odd: how much steeper than sRGB, all over. floor: the code that stands for no light.
    """

    stops: Floats
    slopes: Floats
    unknown: Floats
    middle: slice
    sure: float
    cost: float
    odd: float
    floor: float

    def at(self, codes: Floats) -> Floats:
        return np.interp(codes, _CODES, self.stops)

    def slope(self, codes: Floats) -> Floats:
        return _slope(codes, self.slopes)


def _best(relation: _Relation, unknown_off: float, white_code: float, start: Response) -> _Fit | None:
    """Return the curve from the black level that suits best: some cameras file no light as a code above 0."""
    darkest = float(np.minimum(relation.high, relation.low).min())
    floors = [floor for floor in _FLOORS if floor == 0 or floor <= darkest + 0.5]
    loose = min(1.0, max(_LEAST_LOOSE, start.sure_stops / PRIOR.sure_stops))
    fits = [_fit(relation, unknown_off, loose, _base(floor, white_code, start), floor, white_code) for floor in floors]
    best = min(fits, key=lambda one: one.cost)
    if not 1 / _MOST_ODD < best.odd < _MOST_ODD:
        return None
    return _mixed(best, [fit for fit in fits if fit.cost < best.cost + _UNLIKELY])


def _mixed(best: _Fit, fits: Sequence[_Fit]) -> _Fit:
    """Return the mean of what may be, each as much as it is likely: what they disagree on is in doubt."""
    likely = np.exp([best.cost - fit.cost for fit in fits])
    likely /= likely.sum()
    each = np.array([fit.stops for fit in fits])
    stops = likely @ each
    apart = np.mean((each - stops)[:, best.middle] ** 2, axis=1)
    return replace(
        best,
        stops=stops,
        slopes=np.diff(stops),
        unknown=likely @ np.array([fit.unknown for fit in fits]),
        sure=float(np.sqrt(likely @ (np.array([fit.sure for fit in fits]) ** 2 + apart))),
    )


def _base(floor: float, white_code: float, start: Response) -> Floats:
    """Return the start's light in stops, squeezed between a black level and white: (256,), rising."""
    codes = (_CODES - floor) * float(start.code_of(1.0)) / (white_code - floor)
    # Below its first code all light is a guess: down by an eighth of a stop for each code, so that the curve rises;
    # above its last likewise.
    stops: Floats = np.log2(np.interp(np.clip(codes, 1, 255), _CODES, start.light))
    return stops + np.minimum(codes - 1, 0) / 8 + np.maximum(codes - 255, 0) / 80


def _fit(relation: _Relation, unknown_off: float, loose: float, base: Floats, floor: float, white_code: float) -> _Fit:
    """
    Fit log slopes to a relation by Gauss and Newton, outliers held down (Cauchy's weights).

    The logarithm of the slope is what is smooth and about as likely up as down; and any such curve rises.
    """
    curve = _Curve(base, floor, white_code)
    n = curve.shapes.shape[1]
    use = np.minimum(relation.high, relation.low) > floor + _DARKEST
    high, low, stops, code_off, unknown = (part[use] for part in relation)
    known = np.concatenate([np.full(n, loose**-2), np.full(unknown.shape[1], unknown_off**-2)])
    weights = np.zeros(len(known))
    if unknown_off > _MARKED_OFF:
        weights[n:] = np.median(_at(high, curve.start) - stops)
    for turn in range(_ROUNDS):
        curve.bend(weights[:n])
        residual = _at(high, curve.stops) - _at(low, curve.stops) - stops - unknown @ weights[n:]
        rows = np.concatenate([_at(high, curve.moves) - _at(low, curve.moves), -unknown], axis=1)
        off = np.hypot(_STOPS_OFF, code_off * np.hypot(_slope(high, curve.slopes), _slope(low, curve.slopes)))
        # Far off at first is no reason for mistrust.
        trust = 1 / (1 + (residual / off / _OUTLIER / max(1.0, 2.0 ** (4 - turn))) ** 2)
        scatter = max(1.0, float(trust @ (residual / off) ** 2) / max(1e-9, float(trust.sum())))
        normal = (rows * (trust / off**2 / _ALIKE / scatter)[:, None]).T
        hessian = normal @ rows + np.diag(known)
        step = np.linalg.solve(hessian, -(normal @ residual) - known * weights)
        weights = weights + step * min(1.0, 1.0 / max(1e-9, float(np.abs(step[:n]).max())))
        if turn > 4 and np.abs(step).max() < 1e-3:
            break
    curve.bend(weights[:n])
    first, last = (round(floor + share * (white_code - floor)) for share in (0.05, 0.95))
    doubt = curve.moves[first : last + 1] @ np.linalg.inv(hessian)[:n, :n]
    lost = float(np.sum(np.log1p((residual / off / _OUTLIER) ** 2))) * _OUTLIER**2 / 2
    lost += float(np.sum(~use))  # what a floor leaves unexplained is no gain
    return _Fit(
        stops=curve.stops,
        slopes=curve.slopes,
        unknown=weights[n:],
        middle=slice(first, last + 1),
        sure=float(np.sqrt(np.mean(np.sum(doubt * curve.moves[first : last + 1], axis=1)))),
        cost=lost / _ALIKE + float(known @ weights**2) / 2 + (_RARE if floor else 0.0),
        floor=floor,
        odd=float((curve.stops[last] - curve.stops[first]) / (base[last] - base[first])),
    )


class _Curve:
    """A base bent by weights: stops (256,), slopes (255,), and moves (256, n): what the weights do to the stops."""

    def __init__(self, base: Floats, floor: float, white_code: float) -> None:
        place = (np.arange(255) + 0.5 - floor) * 255 / (white_code - floor) - 0.5
        self.shapes = np.stack([np.interp(place, np.arange(255), shape) for shape in _shapes().T], axis=1)
        self._steps = np.diff(base)
        self._white = np.array([white_code])
        self.start: Floats = base - _at(self._white, base)

    def bend(self, weights: Floats) -> None:
        self.slopes = self._steps * np.exp(np.clip(self.shapes @ weights, -4, 4))
        stops = np.concatenate([[0.0], np.cumsum(self.slopes)])
        moves = np.concatenate([np.zeros((1, len(weights))), np.cumsum(self.slopes[:, None] * self.shapes, axis=0)])
        self.stops: Floats = stops - _at(self._white, stops)
        self.moves: Floats = moves - _at(self._white, moves)


def _at(codes: Floats, table: Floats) -> Any:
    """Return a table by code (256, ...) at codes between."""
    whole = np.minimum(codes.astype(np.intp), 254)
    part = codes - whole
    if table.ndim > 1:
        part = part[:, None]
    return table[whole] * (1 - part) + table[whole + 1] * part


def _slope(codes: Floats, slopes: Floats) -> Floats:
    taken: Floats = slopes[np.minimum(codes.astype(np.intp), 254)]
    return taken
