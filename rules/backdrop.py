"""
Where the backdrop is.

The backdrop is plain and reaches the frame's border; its light is a smooth surface, even where a lamp spills
onto it. So: take the border's likeliest smooth surface, let it grow inward as far as the light follows it, and
put the line to the subject where the light changes most (watershed on the gradient).
"""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from lampblack.rules.thresholds import BackdropSearch

Mask = NDArray[np.bool_]
Grid = NDArray[np.float32]
Model = NDArray[np.float32]

_DRAWS = 300
_GROWTHS = 8
_GROWN_ACROSS = 200  # cells: a smooth surface needs no finer grid
_GROWN_STEP = 2.0  # ... on which neighbours lie further apart
_PLANE, _COARSE, _FINE = 1, 2, 4  # orders of the surface


def find_backdrop(light: Grid, search: BackdropSearch) -> Mask | None:
    """
    Return the backdrop as a mask of cells, or None when no plain surface lies behind the subject.

    Args:
        light: (rows, columns, 3) linear light; values over 1 are welcome (a merged picture).
        search: the thresholds.
    """
    stops = _stops(light, search.floor_light)
    thin = max(1, round(max(stops.shape[:2]) / _GROWN_ACROSS))
    model = _grow(np.ascontiguousarray(stops[::thin, ::thin]), search)
    if model is None:
        return None
    surface = _surface(model, stops.shape[:2], _FINE)
    mask = _settle(stops, surface, search)
    return mask if mask.mean() >= search.least_share else None


def _grow(stops: Grid, search: BackdropSearch) -> Model | None:
    """Return the smooth surface of the backdrop: the border's plane, grown inward as far as the light follows it."""
    border = _border(stops.shape[:2])
    plane = _plane_of_border(stops, border, search)
    if plane is None:
        return None
    calm = _step(stops) < search.step_stops * _GROWN_STEP
    surface = _surface(plane, stops.shape[:2], _PLANE)
    inside, model = border, plane
    for growth in range(_GROWTHS):
        grown = _connected(calm & _near(stops, surface, search.reach_stops), border)
        if grown.mean() < search.least_share:
            return None
        order = _COARSE if growth < 2 else _FINE
        model = _fit(stops, grown, order)
        if growth > 2 and np.array_equal(grown, inside):
            break
        inside, surface = grown, _surface(model, stops.shape[:2], order)
    return model


def _stops(light: Grid, floor: float) -> Grid:
    """Return light in stops, calm in the darks: the floor keeps noise from looking like structure."""
    smooth = cv2.medianBlur(np.ascontiguousarray(light, np.float32), 5) if min(light.shape[:2]) >= 5 else light
    stops: Grid = np.log2(np.maximum(smooth, 0) + np.float32(floor))
    return stops


def _step(stops: Grid) -> Grid:
    """Return by how many stops neighbouring cells differ, the worst channel counting."""
    across = cv2.Scharr(stops, cv2.CV_32F, 1, 0) / 32
    down = cv2.Scharr(stops, cv2.CV_32F, 0, 1) / 32
    step: Grid = np.hypot(across, down).max(axis=2)
    return step


def _border(shape: tuple[int, ...]) -> Mask:
    """Return the strip along left, top and right. The bottom is mostly table or sitter."""
    strip = np.zeros(shape[:2], bool)
    wide = max(2, round(max(shape) * 0.015))
    strip[:wide] = strip[:, :wide] = strip[:, -wide:] = True
    return strip


@lru_cache(maxsize=8)
def _terms(shape: tuple[int, int], order: int) -> Grid:
    """Return the polynomial terms of every cell, (rows, columns, terms), coordinates from -1 to 1."""
    y, x = np.meshgrid(np.linspace(-1, 1, shape[0]), np.linspace(-1, 1, shape[1]), indexing="ij")
    terms = [x**i * y**j for i in range(order + 1) for j in range(order + 1 - i)]
    return np.stack(terms, axis=-1).astype(np.float32)


def _surface(model: Model, shape: tuple[int, ...], order: int) -> Grid:
    surface: Grid = _terms((shape[0], shape[1]), order) @ model
    return surface


def _plane_of_border(stops: Grid, border: Mask, search: BackdropSearch) -> Model | None:
    """
    Return the plane, in stops, that most of the border's cells lie on; None if no plane holds a third of it.

    The top counts double: it is where backdrop is likeliest. Drawn at random with a fixed seed, so that the same
    frame gets the same answer.
    """
    rows, columns = np.nonzero(border)
    keep = np.random.default_rng(7).permutation(len(rows))[:600]
    rows, columns = rows[keep], columns[keep]
    terms = _terms((stops.shape[0], stops.shape[1]), _PLANE)[rows, columns]
    values = stops[rows, columns]
    weight = np.where(rows < stops.shape[0] * 0.1, 2.0, 1.0)
    draws = np.random.default_rng(11).integers(0, len(rows), (_DRAWS, 3))
    models = _candidates(terms[draws], values[draws])
    off = np.abs(values[None] - terms[None] @ models).max(axis=2)
    held = ((off < search.reach_stops) @ weight) / weight.sum()
    best = int(held.argmax())
    return models[best] if held[best] >= 1 / 3 else None


def _candidates(terms: Grid, values: Grid) -> Grid:
    """Return level and sloping planes through drawn cells: (models, terms, 3)."""
    level = np.zeros((len(terms), terms.shape[2], 3), np.float32)
    level[:, 0] = values[:, 0]
    sound = np.abs(np.linalg.det(terms)) > 0.2
    sloping = np.linalg.solve(terms[sound], values[sound])
    # Spill can be steep, but five stops across a frame is a lamp in the picture.
    sloping = sloping[np.abs(sloping[:, 1:]).max(axis=(1, 2)) < 2.5]
    return np.concatenate([level, sloping]).astype(np.float32)


def _near(stops: Grid, surface: Grid, reach: float) -> Mask:
    near: Mask = np.abs(stops - surface).max(axis=2) < reach
    return near


def _connected(allowed: Mask, seeds: Mask) -> Mask:
    """Return the parts of `allowed` that touch a seed."""
    count, labels = cv2.connectedComponents(allowed.astype(np.uint8), connectivity=4)
    wanted = np.zeros(count, bool)
    wanted[labels[seeds]] = True
    wanted[0] = False
    touching: Mask = wanted[labels]
    return touching


def _fit(stops: Grid, inside: Mask, order: int) -> Model:
    """Return the smooth surface of least squares through the cells inside, as its polynomial: (terms, 3)."""
    rows, columns = np.nonzero(inside)
    thin = max(1, len(rows) // 4000)
    rows, columns = rows[::thin], columns[::thin]
    terms = _terms((stops.shape[0], stops.shape[1]), order)[rows, columns].astype(np.float64)
    # A little pull toward flat keeps the surface from swinging where it has nothing to hold on to.
    pull = 1e-3 * len(rows) * np.eye(terms.shape[1])
    pull[0, 0] = 0
    model = np.linalg.solve(terms.T @ terms + pull, terms.T @ stops[rows, columns].astype(np.float64))
    return model.astype(np.float32)


def _settle(stops: Grid, surface: Grid, search: BackdropSearch) -> Mask:
    """Put the line between backdrop and subject where the light changes most."""
    step = _step(stops)
    off = np.abs(stops - surface).max(axis=2)
    near = off < search.reach_stops
    inside = _connected((step < search.step_stops) & near, _border(stops.shape[:2]))
    markers = np.zeros(inside.shape, np.int32)
    markers[_eroded(inside, 1)] = 1
    markers[_eroded(~inside & ~near, 1)] = 2
    relief = np.clip(step * (255 / 2.0), 0, 255).astype(np.uint8)
    cv2.watershed(cv2.merge([relief] * 3), markers)
    # The watershed leaves a line one cell wide and the frame's rim undecided: both go to the nearer surface.
    backdrop = np.where(markers < 1, near, markers == 1)
    return _without_specks(backdrop | _holes(backdrop, off, step, surface, search))


def _holes(backdrop: Mask, off: Grid, step: Grid, surface: Grid, search: BackdropSearch) -> Mask:
    """
    Return pieces of backdrop seen through the subject (a handle), recognised by their light.

    Near the noise floor everything has the same light, and the guess would be idle: such pieces stay subject.
    """
    telling = surface.max(axis=2) > np.log2(6 * search.floor_light)
    alike = ~backdrop & telling & (off < search.reach_stops / 2) & (step < search.step_stops)
    return _without_specks(_eroded(alike, 1) & alike)


def _eroded(mask: Mask, cells: int) -> Mask:
    kernel = np.ones((2 * cells + 1, 2 * cells + 1), np.uint8)
    return cv2.erode(mask.astype(np.uint8), kernel, borderType=cv2.BORDER_REPLICATE) > 0


def _without_specks(mask: Mask, share: float = 5e-4) -> Mask:
    """Return the mask without islands, and without holes, smaller than a share of the frame."""
    for wanted in (True, False):
        _, labels, stats, _ = cv2.connectedComponentsWithStats((mask == wanted).astype(np.uint8), connectivity=4)
        small = stats[:, cv2.CC_STAT_AREA] < share * mask.size
        small[0] = False
        mask = mask ^ small[labels]
    return mask
