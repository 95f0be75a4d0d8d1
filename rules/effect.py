"""What a reflector, a flag, a scrim brought: one frame without it against one with it, in stops."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lampblack.rules.cells import luminance_of
from lampblack.rules.figures import stops_long
from lampblack.rules.layers import Layers, LayersError, Today, today_on
from lampblack.rules.look import Look
from lampblack.rules.tone import light_of_code

Mask = NDArray[np.bool_]

_OVER_FLOOR = 8.0
_LEAST_CELLS = 50
_WORTH = 1 / 12  # stops


@dataclass(frozen=True)
class Effect:
    """
    Stops gained (+) or lost by part of the picture; None where it can't be told.

    left, right: the subject's halves as seen. shadow: which of them was the darker one. ratio_before, ratio_after:
    stops from the darker to the brighter half. backdrop: its mean light.
    """

    left: float | None
    right: float | None
    shadow: str | None
    ratio_before: float | None
    ratio_after: float | None
    backdrop: float | None


def effect(layers: Layers, look: Look) -> Effect:
    """
    Return what has changed in a frame.

    Args:
        layers: one layer, of the frame without it (`layers.gather`).
        look: the frame with it, all else as it was.

    Raises:
        LayersError: of another camera or size, or its exposure isn't known, or too little in it tells.
    """
    today = today_on(layers, look)
    before, now = layers.lamps[0].luminance, luminance_of(today.light)
    sound = _sound(layers, today, before, now)
    if np.count_nonzero(sound & (layers.subject | layers.backdrop)) < _LEAST_CELLS:
        raise LayersError("too little of the two frames can be held against each other: too dark, or burnt out")
    sides = {"left": layers.left & sound, "right": layers.right & sound}
    means = {side: (_mean(before, where), _mean(now, where)) for side, where in sides.items()}
    left, right = (_gain(*means[side]) for side in ("left", "right"))
    old = _gain(means["right"][0], means["left"][0])
    new = _gain(means["right"][1], means["left"][1])
    shadow = None if old is None else "left" if old < 0 else "right"
    behind = layers.backdrop & sound
    return Effect(
        left, right, shadow, None if old is None else abs(old), None if new is None else abs(new),
        _gain(_mean(before, behind), _mean(now, behind)),
    )  # fmt: skip


def _sound(layers: Layers, today: Today, before: Any, now: Any) -> Mask:
    least = max(_OVER_FLOOR * max(layers.floor, today.floor), light_of_code(4) if layers.coded else 0.0)
    # Cells that the frame without it shows too dark may be told by the other: one of the two must be bright enough.
    sound: Mask = ~layers.lamps[0].clipped & ~today.clipped & (np.maximum(before, now) > least)
    return sound & (cv2.erode(sound.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0)


def _mean(light: Any, where: Mask) -> float | None:
    return float(light[where].mean(dtype=np.float64)) if np.count_nonzero(where) >= _LEAST_CELLS else None


def _gain(before: float | None, now: float | None) -> float | None:
    if before is None or now is None or before <= 0 or now <= 0:
        return None
    return float(np.log2(now / before))


def in_words(found: Effect) -> list[str]:
    """Return what it brought, a line each."""
    lines = []
    for side, gain in (("left", found.left), ("right", found.right)):
        if gain is not None:
            shadow = " (the shadow side)" if found.shadow == side else ""
            lines.append(f"The subject's {side} half{shadow}: {_stops(gain)}.")
    if found.ratio_before is not None and found.ratio_after is not None:
        lines.append(
            f"Ratio of its halves: {2**found.ratio_before:.1f}:1 before, {2**found.ratio_after:.1f}:1 with it."
        )
    if found.backdrop is not None:
        lines.append(f"The backdrop: {_stops(found.backdrop)}.")
    return lines


def _stops(gain: float) -> str:
    if abs(gain) < _WORTH:
        return "as it was"
    return f"{stops_long(gain)} {'more' if gain > 0 else 'less'}"
