"""
Today's light against a stored one: which lamp is off, by how many stops and mireds, and which was moved.

Light adds: a frame of all lamps is what their stored layers give, each times a gain. A lamp whose power differs keeps
its pattern; one that was moved does not, so that a gain which changes across the subject tells it from the others.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from lampblack.rules.cells import luminance_of
from lampblack.rules.figures import stops_long
from lampblack.rules.layers import Layers, LayersError, Today, today_on
from lampblack.rules.look import Look
from lampblack.rules.neutral import warmer_by
from lampblack.rules.tone import light_of_code

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Way = Literal["left", "right", "higher", "lower", "elsewhere"]

_MIREDS = 10.0  # less is a lamp's warming up (common practice)

MATCHES = 1 / 6
"""Stops within which a lamp stands as it stood: half of a third, as nearly as a dial is set."""

_CELLS, _LEAST_CELLS = 3000, 100
_UNSURE = 1 / 3  # stops
_OVER_FLOOR = 8.0
_ROBUST = 0.05  # stops: residuals beyond it count less and less
_OFF = -7.0  # stops: as good as switched off


@dataclass(frozen=True)
class Standing:
    """
    One lamp against how it stood.

    off: stops over (+) or under (-) the stored light, on what it lights. within: how sure that is (a standard error).
    moved: which way it has gone as the camera sees it (elsewhere: that can't be told), None where its pattern is as it
    was. mired: warmer (+) or colder than it was, None where it can't be told. weight: its share of the stored light.
    """

    name: str
    off: float
    within: float
    moved: Way | None = None
    mired: float | None = None
    weight: float = 1.0

    @property
    def is_off(self) -> bool:
        """Say whether it gives no light to speak of."""
        return self.off <= _OFF

    @property
    def tells(self) -> bool:
        """Say whether the frame shows enough of its light to go by."""
        return self.within <= _UNSURE

    @property
    def matches(self) -> bool:
        """Say whether it stands as it stood, as far as that can be told."""
        return self.moved is None and (abs(self.off) <= MATCHES or not self.tells)


@dataclass(frozen=True)
class Match:
    """Every lamp against how it stood. misfit: stops by which the frame differs from what those gains give."""

    lamps: tuple[Standing, ...]
    misfit: float

    @property
    def matches(self) -> bool:
        """Say whether every lamp stands as it stood."""
        return all(lamp.matches for lamp in self.lamps)

    @property
    def first(self) -> Standing | None:
        """Return the lamp to see to first: one that was moved, for no power can be set before; else the most."""
        wrong = [lamp for lamp in self.lamps if not lamp.matches]
        return max(wrong, key=lambda lamp: (lamp.moved is not None, abs(2**lamp.off - 1) * lamp.weight), default=None)


def match_frame(layers: Layers, look: Look) -> Match:
    """
    Return how the lamps stand in one frame with all of them on.

    Args:
        layers: each of them alone, as stored.
        look: today's frame, of the same camera from the same place.

    Raises:
        LayersError: of another camera or size, or its exposure isn't known, or too little in it tells.
    """
    return _matched(layers, today_on(layers, look))


def match_lamps(layers: Layers, looks: Sequence[tuple[str, Look]]) -> Match:
    """
    Return how lamps stand, of each of which there is a frame alone today too; those without are left out.

    Raises:
        LayersError: as for `match_frame`.
    """
    found, misfits = [], []
    for name, look in looks:
        lamp = next(lamp for lamp in layers.lamps if lamp.name == name)
        alone = _matched(replace(layers, lamps=(lamp,)), today_on(layers, look))
        found.append(alone.lamps[0])
        misfits.append(alone.misfit)
    return Match(tuple(found), max(misfits, default=0.0))


# ---------------------------------------------------------------- the fit


def _matched(layers: Layers, today: Today) -> Match:
    now, ambient = luminance_of(today.light), luminance_of(layers.ambient)
    lamps = np.stack([lamp.luminance for lamp in layers.lamps])
    sound = _sound(layers, today, now, ambient + lamps.sum(axis=0))
    # Subject and backdrop by themselves: a lamp that was drawn back has not lost as much on what is farther off.
    tried = [_fit(now, lamps, ambient, sound & place) for place in (layers.subject, layers.backdrop)]
    fits = [fit for fit in tried if fit is not None]
    if not fits:
        raise LayersError("too little of today's frame can be held against the stored ones: too dark, or burnt out")
    best = [max(fits, key=lambda fit: fit.shares[k]) for k in range(len(lamps))]
    gains = np.array([fit.gains[k] for k, fit in enumerate(best)])
    meant, parts = _meant(fits, lamps, ambient)
    left = np.where(sound, np.log2(np.maximum(now, 1e-9) / np.maximum(meant, 1e-9)), np.nan)
    plain = _plain(layers, sound, meant)
    patterns = [_pattern(left, part, meant, plain) for part in parts]
    moved = _moved(patterns)
    whole = float(lamps.sum())
    standings = []
    for k, lamp in enumerate(layers.lamps):
        stands = _standing(lamp.name, float(gains[k]), float(best[k].errors[k]), patterns[k], patterns[k] is moved)
        where = sound & (parts[k] > _MOST_OF_IT * meant)
        warmer = None if stands.is_off else _warmer(layers, today, gains, k, where)
        standings.append(replace(stands, mired=warmer, weight=float(lamps[k].sum()) / whole))
    return Match(tuple(standings), float(np.nanmedian(np.abs(left[sound]))))


@dataclass(frozen=True, eq=False)
class _Fit:
    """Gains in stops of the lamps over one part of the picture, their errors, and each one's share of its light."""

    where: Mask
    gains: Floats
    errors: Floats
    shares: Floats


def _fit(now: Any, lamps: Any, ambient: Any, where: Mask) -> _Fit | None:
    if np.count_nonzero(where) < _LEAST_CELLS:
        return None
    at = tuple(index[:: max(1, len(index) // _CELLS)] for index in np.nonzero(where))
    light = lamps[:, at[0], at[1]].astype(float)
    gains, errors = _gains(now[at].astype(float), light, ambient[at].astype(float))
    given = light.sum(axis=1)
    return _Fit(where, gains, errors, given / max(float(given.sum()), 1e-9))


def _meant(fits: Sequence[_Fit], lamps: Any, ambient: Any) -> tuple[Any, Any]:
    """Return the light that the fitted gains give, and each lamp's part of it."""
    parts = lamps.copy()
    for fit in fits:
        parts[:, fit.where] *= np.exp2(fit.gains)[:, None].astype(parts.dtype)
    return ambient + parts.sum(axis=0), parts


def _sound(layers: Layers, today: Today, now: Any, whole: Any) -> Mask:
    """Return where both lights can be told."""
    least = max(_OVER_FLOOR * max(layers.floor, today.floor), light_of_code(8) if layers.coded else 0.0)
    sound: Mask = ~today.clipped & (np.minimum(now, whole) > least) & (layers.subject | layers.backdrop)
    for lamp in layers.lamps:
        sound &= ~lamp.clipped
    return sound


def _gains(now: Floats, lamps: Floats, ambient: Floats) -> tuple[Floats, Floats]:
    """Return the lamps' gains in stops that make today's light, cells that don't go with the rest left out; errors."""
    from scipy.optimize import least_squares  # a quarter of a second, which no service should need to start

    def off(stops: Floats) -> Floats:
        left: Floats = np.log2(now) - np.log2(np.maximum(ambient + np.exp2(stops) @ lamps, 1e-9))
        return left

    start = np.full(len(lamps), np.clip(np.median(off(np.zeros(len(lamps)))), -6, 3))
    done = least_squares(off, start, bounds=(_LEAST, _MOST), loss="soft_l1", f_scale=_ROBUST)
    spread = 1.4826 * float(np.median(np.abs(off(done.x))))
    slopes = np.asarray(done.jac, np.float64)
    curve = slopes.T @ slopes + 1e-9 * np.eye(len(lamps))
    # Neighbouring cells err alike: their number says less than it seems to.
    return done.x, np.sqrt(np.diag(np.linalg.inv(curve))) * spread * _ALIKE


_LEAST, _MOST = -8.0, 4.0  # stops
_ALIKE = 10.0


@dataclass(frozen=True)
class _Pattern:
    """
    What gains leave unexplained of the subject's light, as the doing of one lamp.

    explained: share of it that a small turn of this lamp explains. spread, middle: where the lamp gives most of the
    light, stops from its tenth to its ninetieth percentile, and its median. right, up: how far the lamp's light has
    wandered over things, in cells.
    """

    explained: float
    spread: float
    middle: float
    right: float
    up: float


def _pattern(left: Any, lamp: Any, meant: Any, plain: Mask) -> _Pattern:
    """
    Ask whether it was this lamp that moved.

    A lamp carried to the right brings its light farther to the right on whatever is round: its pattern wanders. What
    is left is then like that pattern's slopes, and unlike the other lamps'.
    """
    calm = cv2.GaussianBlur(lamp, (0, 0), 1.0)
    down, right = (slope[plain] / meant[plain] for slope in np.gradient(calm))
    wanders = np.stack([-right, down, lamp[plain] / meant[plain]], axis=1)
    risen = np.clip(left[plain], -1, 1)
    found = np.linalg.lstsq(wanders, risen, rcond=None)[0]
    explained = 1 - float(np.square(risen - wanders @ found).sum() / max(np.square(risen).sum(), 1e-9))
    most = plain & (lamp > _MOST_OF_IT * meant)
    low = middle = high = 0.0
    if np.count_nonzero(most) >= _LEAST_CELLS:
        low, middle, high = np.percentile(left[most], [10, 50, 90]).tolist()
    return _Pattern(explained, high - low, middle, float(found[0]), float(found[1]))


_MOST_OF_IT = 0.6


def _plain(layers: Layers, sound: Mask, meant: Any) -> Mask:
    """Return the subject's cells away from edges, which are edges of things and not of light."""
    log = np.log2(np.maximum(meant, 1e-9)).astype(np.float32)
    steep = cv2.morphologyEx(log, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8)) > _EDGE
    inside = cv2.erode(layers.subject.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    plain: Mask = sound & inside & ~steep
    return plain


_EDGE = 0.8  # stops from a cell to the next


def _warmer(layers: Layers, today: Today, gains: Floats, k: int, where: Mask) -> float | None:
    """Return by how many mireds a lamp is warmer where it gives most of the light, the others' part taken off."""
    others = layers.ambient[where].astype(float)
    for j, lamp in enumerate(layers.lamps):
        if j != k:
            others += lamp.light[where] * 2.0 ** gains[j]
    return warmer_by(layers.lamps[k].light[where], today.light[where] - others, layers.basis)


def _moved(patterns: Sequence[_Pattern]) -> _Pattern | None:
    """Return the pattern of the lamp that was moved, if any was: one at a time, of those that light the subject."""
    telling = [pattern for pattern in patterns if pattern.spread > 0]
    if not telling or max(pattern.spread for pattern in telling) < _CHANGED:
        return None
    return max(telling, key=lambda pattern: pattern.explained)


_CHANGED = 0.2
"""Stops: what a curve not quite known and a lens leave is under a tenth; ten degrees round a thing, 0.4 and more."""


# ---------------------------------------------------------------- what it means


def _standing(name: str, gain: float, within: float, pattern: _Pattern, moved: bool) -> Standing:
    if not moved:
        return Standing(name, gain, within, None)
    return Standing(name, gain + pattern.middle, within, _way(pattern))


def _way(pattern: _Pattern) -> Way:
    """Return which way a lamp has gone, where that is plain: on grooves and in gloss light wanders as it will."""
    right, up = pattern.right, pattern.up
    if pattern.explained < _EXPLAINED:
        return "elsewhere"
    if abs(right) >= abs(up):
        return "right" if right > 0 else "left"
    return "higher" if up > 0 else "lower"


_EXPLAINED = 0.2


def what_differs(standing: Standing) -> str:
    """Return in words how a lamp's light differs from its own frame."""
    if standing.is_off:
        return f"{standing.name} is off"
    moved = f" and lies {_WAYS[standing.moved][0]}" if standing.moved is not None else ""
    return f"{standing.name} gives {stops_long(standing.off)} {'more' if standing.off > 0 else 'less'}{moved}"


def what_to_do(standing: Standing) -> str:
    """Return a line on one lamp."""
    if standing.is_off:
        return f"{standing.name} gives no light: switch it on."
    parts = []
    if standing.moved is not None:
        where, back = _WAYS[standing.moved]
        parts.append(f"stands {where} than it did: carry it {back} until its light lies as before")
    if abs(standing.off) > MATCHES and standing.tells:
        factor = 2 ** (standing.off / 2)
        nearer = f"{abs(factor - 1):.0%} {'farther off' if factor > 1 else 'nearer'}"
        more = "less" if standing.off > 0 else "more"
        parts.append(
            f"gives {stops_long(standing.off)} {'more' if standing.off > 0 else 'less'} than it did: "
            f"{stops_long(standing.off)} {more}, or {nearer} if it was shifted"
        )
    if standing.mired is not None and abs(standing.mired) > _MIREDS:
        parts.append(f"is {abs(standing.mired):.0f} mired {'warmer' if standing.mired > 0 else 'colder'} than it was")
    if not standing.tells:
        return f"{standing.name} can't be told from this frame, too little of its light is in it: shoot it alone."
    if not parts:
        return f"{standing.name} stands as it stood."
    return f"{standing.name} {', and '.join(parts)}."


_WAYS = {
    "left": ("farther to the left", "to the right"),
    "right": ("farther to the right", "to the left"),
    "higher": ("higher", "down"),
    "lower": ("lower", "up"),
    "elsewhere": ("otherwise (higher, lower or farther round)", "back"),
}
