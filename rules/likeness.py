"""How alike the light of two pieces of a picture is, in stops, and what the backdrop's would be where it is hidden."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lampblack.rules.cells import brightest, darkest
from lampblack.rules.distribution import middle
from lampblack.rules.outline import Grid, Mask
from lampblack.rules.thresholds import BackdropSearch

_DARKS = np.float32(4)  # codes, added to both: in the darks a code more is many stops, and nothing


def stops_over(coded: NDArray[np.floating], level: NDArray[np.floating] | np.float32) -> NDArray[np.floating]:
    """Return how far codes lie over a level, in stops as a display shows them (exponent 2.2), calm in the darks."""
    return stops_of((coded + _DARKS) / (level + _DARKS))


def stops_of(times: NDArray[np.floating]) -> NDArray[np.floating]:
    """Return the stops of so many times, see `times_over`."""
    stops: NDArray[np.floating] = np.log2(times) * 2.2
    return stops


def times_of(stops: float) -> float:
    """Return the times of so many stops."""
    return 2 ** (stops / 2.2)


def times_over(coded: Grid, level: Grid) -> Grid:
    """Return how many times a level (rows, columns, 3) codes are, calm in the darks as `stops_over` is."""
    # A fall of light carried on in a straight line may go below nothing.
    times: Any = cv2.divide(coded + _DARKS, np.maximum(level + _DARKS, np.float32(1e-3)))
    return times  # type: ignore[no-any-return]


def times_off(coded: Grid, level: Grid) -> Grid:
    """Return how many times (1 and more) codes are a level, or it is them, the worst channel counting."""
    times = times_over(coded, level)
    off: Grid = np.maximum(brightest(times), 1 / darkest(times))
    return off


def stops_off(coded: NDArray[np.floating], level: NDArray[np.floating]) -> NDArray[np.floating]:
    """Return how far they lie from it, over or under, the worst of (..., 3) channels counting."""
    off: NDArray[np.floating] = brightest(np.abs(stops_over(coded, level)))
    return off


def apart(coded: Grid, one: Mask, other: Mask) -> float:
    """Return by how many stops the light of two pieces differs, the worst channel counting."""
    return float(stops_off(np.median(coded[one], axis=0), np.median(coded[other], axis=0)))


def tint(coded: Grid, one: Mask, other: Mask) -> float:
    """Return by how many stops two pieces differ in colour: the channel that differs most against the least."""
    return float(np.ptp(stops_over(np.median(coded[one], axis=0), np.median(coded[other], axis=0))))


def too_dark_to_tell(backdrop: Mask, coded: Grid, search: BackdropSearch) -> bool:
    """Say whether a backdrop is so dark that other things that are dark look no different."""
    return is_darker(backdrop, coded, search.telling_code)


def is_darker(backdrop: Mask, coded: Grid, code: float) -> bool:
    """Say whether most of a backdrop lies under a code, or there is none."""
    thin = brightest(coded[::3, ::3])[backdrop[::3, ::3]]
    return not len(thin) or middle(thin) < code


def carried_on(coded: Grid, backdrop: Mask, *, tilted: bool = False) -> Grid:
    """
    Return the backdrop's codes, where it is hidden as they would go on from what is about.

    Coarser and coarser means of what is there fill what is not (pull-push: Gortler and others, "The Lumigraph", 1996);
    tilted: of how far off a plane that is, as which light falls from one side of the frame to the other.
    """
    few = 4  # cells: this is smooth
    size = -(-coded.shape[1] // few), -(-coded.shape[0] // few)
    there = backdrop.astype(np.float32)
    shown, there = _smaller(cv2.multiply(coded, cv2.merge([there] * 3)), size), _smaller(there, size)
    plane = _plane(shown, there) if tilted else np.zeros_like(shown)
    filled = _filled(shown - plane * there[..., None], there) + plane
    whole: Any = cv2.resize(filled, (coded.shape[1], coded.shape[0]), interpolation=cv2.INTER_LINEAR)
    return whole  # type: ignore[no-any-return]


def _smaller(grid: Any, size: tuple[int, int]) -> Grid:
    small: Any = cv2.resize(grid, size, interpolation=cv2.INTER_AREA)
    return small  # type: ignore[no-any-return]


def _plane(shown: Grid, there: Grid) -> Grid:
    """Return (rows, columns, 3) the plane nearest to codes, of which only the share `there` of a cell is shown."""
    down, across = (np.linspace(-1, 1, n, dtype=np.float32) for n in there.shape)
    basis = np.stack([np.ones_like(there), *np.meshgrid(across, down)], -1).reshape(-1, 3)
    weighed = basis * there.reshape(-1, 1)
    factors = np.linalg.lstsq(weighed.T @ basis, basis.T @ shown.reshape(-1, 3), rcond=1e-4)[0]
    plane: Grid = (basis @ factors).reshape(shown.shape).astype(np.float32)
    return plane


def _filled(shown: Grid, there: Grid) -> Grid:
    """Return (rows, columns, 3) values where some are shown, times the share `there` of a cell, and else means."""
    known: list[tuple[Any, Any]] = [(shown, there)]
    while max(there.shape) > 1:
        size = -(-there.shape[1] // 2), -(-there.shape[0] // 2)
        shown, there = _smaller(shown, size), _smaller(there, size)
        known.append((shown, there))
    filled: Any = None
    for values, weight in reversed(known):
        mean = cv2.divide(values, cv2.merge([np.maximum(weight, np.float32(1e-6))] * 3))
        if filled is None:
            filled = mean
            continue
        wide = cv2.resize(filled, (weight.shape[1], weight.shape[0]), interpolation=cv2.INTER_LINEAR)
        # A quarter of it there tells enough of a coarse cell; what is nearer goes before what is farther.
        told = cv2.merge([np.minimum(4 * weight, np.float32(1))] * 3)
        filled = cv2.add(cv2.multiply(mean, told), cv2.multiply(wide, 1 - told))
    return filled  # type: ignore[no-any-return]
