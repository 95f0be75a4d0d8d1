"""
Is a frame lit like the frames before it?

Whatever a camera's tone curve, two exposures of one scene under one light stand in a single relation: what is brighter
in one is brighter in the other, and what is so many stops apart cannot look much farther apart, or much nearer, than
any camera's curve makes it. A lamp that was moved, switched or shaded breaks the one or the other, in places. The
frame is held against the one nearest to it in exposure, where the curve matters least.

A change that is the same everywhere and small can't be told from a tone curve not yet known, and is not looked for.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lampblack.rules.distribution import middle
from lampblack.rules.outline import opened
from lampblack.rules.radiance import Past
from lampblack.rules.response import PRIOR, Response
from lampblack.rules.thresholds import Thresholds

Mask = NDArray[np.bool_]

_FLOOR = 0.0015  # sRGB code 5: darker cells tell of noise and rounding
_TELLING = 0.0024  # sRGB code 8: one of the two must be this bright
_TELLS = 0.02  # of the picture must tell, or there is nothing to compare
_BINS = 24
_STEEPER, _STEEPER_TO = 0.6, 3.0
_FLATTER, _FLATTER_TO = 0.75, 4.0
"""
How many stops darker, or brighter, than sRGB has it a darker frame may look for each stop between the two, and up to
which distance that grows: the widest of two dozen curves, invented and of cameras, blacks lifted by 30 codes and
shoulders of 8 times white among them, with light under code 5 taken as code 5.
"""
_NO_CURVE = 0.5  # of the usual tolerance, between frames of one exposure: no curve comes in
_MOVES = np.ones((7, 7), np.uint8)
"""What a person or a tripod moves by between frames: two hundredths of the picture's width, any way."""
_FALLS_A_STOP, _FALLS = 0.6, 1.2
"""
Stops that a lens may darken the corners of the brighter frame more than of the darker one: wide open most lenses do, by
half a stop to two, the fast ones most; closed by two stops hardly any (common practice). It sets in toward the corners.
"""
_SENSOR = 0.1  # ... of it for a raw file, which is linear but for flare and a lens's own iris


@dataclass(frozen=True)
class Change:
    """Shares, 0 to 1, of what both frames can tell of that is lit otherwise: of the picture, of its backdrop."""

    picture: float = 0.0
    backdrop: float = 0.0

    def counts(self, thresholds: Thresholds) -> bool:
        """Return whether this is another light, not noise or a nudged tripod."""
        steps = thresholds.steps
        return self.picture > steps.same_light_share or self.backdrop > steps.same_backdrop_share


NO_CHANGE = Change()


def light_changed(
    past: Iterable[Past], frame: Past, thresholds: Thresholds, *, raw: bool = False, response: Response = PRIOR
) -> Change:
    """
    Return how much of a frame is lit otherwise than before.

    Args:
        past: the setup's frames of the same kind and size.
        frame: the newest.
        thresholds: the thresholds.
        raw: the frames are of sensor samples, which need no tone response.
        response: the camera's, as well as it is known.
    """
    for before in sorted(past, key=lambda one: abs(one.stops - frame.stops)):
        if before.bright.shape == frame.bright.shape:
            found = _compared(before, frame, thresholds, None if raw else response)
            if found is not None:
                return found
    return NO_CHANGE


def _compared(before: Past, now: Past, thresholds: Thresholds, response: Response | None) -> Change | None:
    """Return the change between two frames; None where they have too little to tell."""
    darker, brighter = (before, now) if before.stops < now.stops else (now, before)
    apart = brighter.stops - darker.stops
    low, high = (light_read(one.bright, response) for one in (darker, brighter))
    meant = high * np.float32(2.0**-apart)
    telling = (np.maximum(low, meant) > _TELLING) & ~(darker.clipped & brighter.clipped)
    if telling.mean() < _TELLS:
        return None
    x, y = np.log2(meant + _FLOOR), np.log2(low + _FLOOR)
    off = thresholds.steps.same_light_stops
    falls = min(_FALLS, _FALLS_A_STOP * apart) * _from_middle(x.shape) ** 3
    # What clips in one says only that it is so bright or brighter.
    told = telling & ~_near(darker.clipped), telling & ~_near(brighter.clipped)
    both = telling & ~darker.clipped & ~brighter.clipped
    wrong = _from_sense(_apart(x, y), told, falls, apart, off, response)
    wrong |= _from_relation(x, y, told, falls, both, off)
    behind = before.backdrop & now.backdrop
    return Change(float(wrong[telling].mean()), _share_of_backdrop(wrong, behind, telling))


def light_read(bright: NDArray[np.float16], response: Response | None) -> NDArray[np.float32]:
    """Return a small picture's light, its codes read through a camera's tone response; None for raw."""
    light = bright.astype(np.float32)
    return light if response is None or response.is_prior else response.read(light).astype(np.float32)


def _from_middle(shape: tuple[int, ...]) -> Any:
    """Return how far each place is from the picture's middle, 1 in its corners."""
    y, x = (np.linspace(-1, 1, n, dtype=np.float32) for n in shape)
    return np.hypot(y[:, None], x) / np.float32(np.sqrt(2))


def _near(mask: Mask) -> Mask:
    near: Mask = cv2.dilate(mask.astype(np.uint8), _MOVES) > 0
    return near


def _apart(meant: Any, seen: Any) -> Any:
    """
    Return by how much each place is brighter (+) or darker (-) than was meant, whatever has moved a little.

    A place is so only if it is more so than all around it were meant to be, or all around it than it was meant to be:
    a sitter who turns, or a nudged tripod, bring to a place what was beside it.
    """
    meant, seen = (np.ascontiguousarray(grid, np.float32) for grid in (meant, seen))
    above = np.maximum(seen - cv2.dilate(meant, _MOVES), cv2.erode(seen, _MOVES) - meant)
    below = np.minimum(seen - cv2.erode(meant, _MOVES), cv2.dilate(seen, _MOVES) - meant)
    return np.maximum(above, 0) + np.minimum(below, 0)


def _from_sense(
    ratio: Any, told: tuple[Mask, Mask], falls: Any, apart: float, off: float, response: Response | None
) -> Mask:
    """Return where the darker frame looks darker or brighter than any curve could make it; told: where it can tell."""
    doubt = _SENSOR if response is None else min(1.0, max(_SENSOR, response.sure_stops / PRIOR.sure_stops))
    off *= min(1.0, _NO_CURVE + apart)
    darker = off + doubt * _STEEPER * min(apart, _STEEPER_TO)
    brighter = off + doubt * _FLATTER * min(apart, _FLATTER_TO)
    wrong: Mask = (told[0] & (ratio < -darker)) | (told[1] & (ratio > brighter + falls))
    return wrong


def _from_relation(x: Any, y: Any, told: tuple[Mask, Mask], falls: Any, both: Mask, off: float) -> Mask:
    """Return where the two differ by more than places of that tone do on the whole."""
    if both.mean() < _TELLS:
        return np.zeros(both.shape, bool)
    order = np.argsort(x[both])
    tones, ratios = x[both][order], (y - x)[both][order]
    bins = np.array_split(np.arange(len(order)), _BINS)
    usual = np.array([middle(ratios[b]) for b in bins])
    centre = np.array([middle(tones[b]) for b in bins])
    # A bin in which half the places changed has a wrong middle: let its neighbours speak.
    calm = np.median(np.lib.stride_tricks.sliding_window_view(np.pad(usual, 4, mode="edge"), 9), axis=1)
    beside = _apart(x + np.interp(x, centre, calm), y)
    wrong: Mask = (told[0] & (beside < -off)) | (told[1] & (beside > off + falls))
    return wrong & both


def _share_of_backdrop(wrong: Mask, behind: Mask, telling: Mask) -> float:
    """Return the changed share of what is backdrop in both frames, lone cells and lines left out."""
    if behind.mean() < _TELLS or not (behind & telling).any():
        return 0.0
    return float(opened(wrong & behind, 1).sum() / behind.sum())
