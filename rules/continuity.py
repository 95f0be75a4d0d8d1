"""
Is a frame lit like the frames before it?

Whatever a camera's tone curve, two exposures of one scene under one light stand in a single relation: what is brighter
in one is brighter in the other. A lamp that was moved, switched or shaded breaks it, in places. A change that is the
same everywhere can't be told from a tone curve not yet known, and is not looked for.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from lampblack.rules.cells import brightest
from lampblack.rules.radiance import Radiance

_FLOOR = 0.0015  # sRGB code 5: darker cells tell of noise and rounding
_TELLING = 0.004  # ... and one of the two must be this bright
_CLIPPED = 0.02
_BINS = 24
_ALIKE = 0.7  # stops between exposures up to which they should show the same
_CURVE = 0.6  # how wrong a tone curve not yet known may be, in stops for each stop of exposure between two frames


def light_changed(
    known: Radiance | None, light: NDArray[Any], clipped: NDArray[Any], stops: float, off: float
) -> float:
    """
    Return the share of the picture, among what both can tell of, that is lit otherwise than before.

    Args:
        known: the setup's light so far.
        light: (rows, columns, 3) the frame's cells, 1 at white.
        clipped: (rows, columns) share of each cell's pixels at the white level.
        stops: the frame's exposure (`Exposure.stops`).
        off: how many stops off the common relation a cell counts from.
    """
    if known is None or known.light.shape != light.shape:
        return 0.0
    before, now = brightest(known.at(stops)), brightest(np.asarray(light, np.float32))
    telling = (np.maximum(before, now) > _TELLING) & (before < 0.9) & (np.asarray(clipped) < _CLIPPED)
    telling &= known.weight[..., 0] > 0
    if telling.mean() < 0.02:
        return 0.0
    x = np.log2(before[telling] + _FLOOR)
    ratio = np.log2(now[telling] + _FLOOR) - x
    order = np.argsort(x)
    bins = np.array_split(order, _BINS)
    middle = np.array([np.median(ratio[b]) for b in bins])
    centre = np.array([np.median(x[b]) for b in bins])
    # A bin in which half the cells changed has a wrong middle: let its neighbours speak.
    calm = np.median(np.lib.stride_tricks.sliding_window_view(np.pad(middle, 4, mode="edge"), 9), axis=1)
    from_relation = np.abs(ratio - np.interp(x, centre, calm)) > off
    apart = abs(stops - known.most_stops)
    from_sense = np.abs(ratio) > off + _CURVE * apart if apart < _ALIKE else np.zeros_like(from_relation)
    return float((from_relation | from_sense).mean())
