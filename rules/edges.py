"""
Where the edges of things are: steps in codes, steeper than what is around them and than noise, and no shadow's.

In codes (sRGB), in which noise and rounding are about the same from dark to bright; of raw, whose noise is known,
against that noise itself.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

from lampblack.rules.cells import brightest, darkest, pieces_of
from lampblack.rules.distribution import middle, percentile
from lampblack.rules.outline import Grid, Mask, dilated, touching
from lampblack.rules.thresholds import BackdropSearch

_STEP_SCALE = 8.0  # of a step in a byte, for the filters that only take bytes
LINE_WIDTH = 6  # cells: a straight edge, blurred, is no wider


def coded_of(light: Grid, noise: Grid | None, search: BackdropSearch) -> tuple[Grid, Grid | None]:
    """
    Return sRGB codes, carried on above white, with the finest grain taken off (median of 5 x 5 cells).

    And by how much noise alone makes them differ from cell to cell, where it is known. Where that would drown even
    strong edges in a half of the picture, it is first smoothed until it doesn't, at the cost of finer things.

    noise: (rows, columns, 3) its standard deviation in codes, where it is known.
    """
    if noise is not None:
        noise = _STEPS_OF_NOISE * noise
        some = noise[::3, ::3]
        best, worst = (middle(of(some).ravel()) for of in (darkest, brightest))
        if worst > search.weak_edge_codes:
            over = best / search.strong_edge_codes
            wide = float(np.clip(np.sqrt(max(over - 1, 0) / _CALMED), _NARROWEST, _WIDEST))
            light = np.asarray(cv2.GaussianBlur(light, (0, 0), wide), np.float32)
            noise /= np.float32(1 + _CALMED * wide**2)
    x = np.maximum(light, 0)
    coded = x ** np.float32(1 / 2.4)
    coded *= 1.055
    coded -= 0.055
    np.copyto(coded, 12.92 * x, where=x <= 0.0031308)
    coded *= np.float32(255)
    calm: Grid = cv2.medianBlur(coded, 5) if min(coded.shape[:2]) >= 5 else coded  # type: ignore[assignment]
    return calm, noise


_STEPS_OF_NOISE, _CALMED = 0.55, 0.64
"""Of noise of standard deviation 1 and 5 x 5 medians one step in ten thousand is larger than this; after a Gaussian of
so many cells, smaller by 1 + 0.64 times their square. Both counted on four million simulated cells."""
_NARROWEST, _WIDEST = 0.7, 3.0  # cells


def step_of(fine: Grid, coded: Grid, noise: Grid | None, rounding: Grid | None, search: BackdropSearch) -> Grid:
    """
    Return by how many codes neighbouring cells differ, the worst channel counting, noise held under strong edges.

    rounding: (rows, columns) how many codes apart rounding alone can put two cells, where it is more than one: else the
    contours that it draws on a slow fall of light are edges.
    """
    steps = fine
    if noise is not None:
        # Where noise is known and nothing was rounded, what an eye sees counts in the darks as well: the same share of
        # the light, whatever few codes that is.
        telling = np.clip(_DARK_FROM / np.maximum(coded, 1), 1, _MOST_TELLING)
        steps = fine * np.asarray(
            telling / np.maximum(noise * telling / np.float32(search.strong_edge_codes), 1), np.float32
        )
    step: Grid = brightest(steps)
    return step if rounding is None else step / rounding


_DARK_FROM, _MOST_TELLING = 40.0, 3.0  # code; times


def steps_of(coded: Grid) -> Grid:
    """Return the steps of each channel, of as many as there are, in codes a cell."""
    across, down = cv2.Scharr(coded, cv2.CV_32F, 1, 0), cv2.Scharr(coded, cv2.CV_32F, 0, 1)
    steps: Any = cv2.magnitude(across, down)
    return np.asarray(steps, np.float32) / np.float32(32)


def edges_of(step: Grid, clipped: Mask | None, search: BackdropSearch) -> Mask:
    """
    Return the cells on edges: steeper than what is around them, and steeper than noise.

    A line of weak steps counts as far as it hangs together with a strong one (hysteresis).
    """
    known = step if clipped is None else _gone_on(step, clipped, search)
    scaled = np.minimum(known * _STEP_SCALE, 255).astype(np.uint8)
    around = cv2.medianBlur(scaled, search.slow_cells | 1).astype(np.float32) / _STEP_SCALE
    sharp = step - around
    # Where all is texture there is no plain part to tell the noise by; more than this it never is in cells.
    noise = min(percentile(np.abs(sharp[::3, ::3]).ravel(), 40), search.most_noise_codes)
    weak = sharp > max(search.weak_edge_codes, search.edge_over_noise * noise)
    strong = sharp > max(search.strong_edge_codes, 2 * search.edge_over_noise * noise)
    edges = touching(weak, strong)
    return edges | _straight_on(edges, search)


def sharpness_of(coded: Grid, fine: Grid) -> Grid:
    """Return how many times as steep each step is as in a picture smoothed over three cells. fine: see `steps_of`."""
    smooth = steps_of(np.asarray(cv2.GaussianBlur(coded, (0, 0), _SMOOTHED), np.float32))
    around = cv2.dilate(brightest(smooth), np.ones((3, 3), np.uint8))
    sharp: Grid = brightest(fine) / np.maximum(around, np.float32(1e-6))
    return sharp


def without_tint(coded: Grid, fine: Grid, search: BackdropSearch) -> Mask:
    """Return where a step takes about the same share of each channel."""
    shares = fine / np.maximum(cv2.GaussianBlur(coded, (0, 0), 1), np.float32(_DARKEST_TO_TELL))
    most = brightest(shares)
    alike: Mask = most - darkest(shares) < search.shadow_tint * most
    return alike


def shadow_edges(edges: Mask, alike: Mask, sharp: Grid, lens: float, search: BackdropSearch) -> Mask:
    """
    Return the edges that are a shadow's: soft, of no colour of their own (`sharpness_of`, `without_tint`, `lens_of`).

    A thing's outline is as sharp as the lens draws it; a shadow's grows soft with its distance, and dims all channels
    alike. Near sharp ones nothing is taken away: where a shadow runs up to a thing it would open its outline.
    """
    # Where the lens draws all softly, soft is what is much softer than its sharpest.
    soft = sharp < min(search.sharp_times, _MUCH_SOFTER * lens)
    shadow = edges & soft & alike
    alone: Mask = shadow & ~dilated(edges & ~shadow, 2)
    return alone


def sharp_edges(edges: Mask, sharp: Grid, lens: float) -> Mask:
    """Return the edges about as sharp as the lens draws, see `sharpness_of` and `lens_of`."""
    drawn: Mask = edges & (sharp >= _MUCH_SOFTER * lens)
    return drawn


def lens_of(edges: Mask, sharp: Grid) -> float:
    """
    Return how sharply the lens draws, see `sharpness_of`: by the sharpest tenth of all edges; 0 without one.

    A line drawn with a standard deviation of half a cell has 3.3 and more, one of 0.9 about 2.5, of two 1.6.
    """
    return percentile(sharp[edges], 90) if edges.any() else 0.0


_SMOOTHED = 3.0  # cells
_MUCH_SOFTER = 0.65  # times as sharp as the sharpest tenth
_DARKEST_TO_TELL = 8.0  # code; below, channels differ by noise


def _gone_on(step: Grid, clipped: Mask, search: BackdropSearch) -> Grid:
    """
    Return the steps, those in clipped parts no less than around them.

    White is flat; a fall of light that sets in where it ends would look like an edge against it.
    """
    if not clipped.any():
        return step
    there = (~clipped).astype(np.float32)
    box = (search.slow_cells | 1, search.slow_cells | 1)
    slow = cv2.blur(np.minimum(step, np.float32(search.strong_edge_codes)) * there, box)
    return np.where(clipped, np.maximum(step, slow / np.maximum(cv2.blur(there, box), np.float32(0.01))), step)


def _straight_on(edges: Mask, search: BackdropSearch) -> Mask:
    """
    Return long straight edges carried on to the frame's border.

    The edge of a card or a table is a straight line; where the light on its two sides happens to be the same it goes
    on all the same.
    """
    drawn = np.zeros(edges.shape, np.uint8)
    labels, area = pieces_of(edges, connectivity=8)
    # A piece has as many cells as it is long, and more.
    for line in np.flatnonzero(area >= search.straight_share * min(edges.shape)):
        piece = labels == line
        left, top, across, down = cv2.boundingRect(piece.view(np.uint8))
        long = max(across / edges.shape[1], down / edges.shape[0]) >= search.straight_share
        if not long or area[line] >= LINE_WIDTH * max(across, down):  # an outline has two sides and more
            continue
        box = piece[top : top + down, left : left + across]
        points = (np.argwhere(box)[:, ::-1] + (left, top)).astype(np.float32)
        x_way, y_way, x, y = cv2.fitLine(points, cv2.DIST_HUBER, 0, 0.01, 0.01).ravel().tolist()
        off = np.abs((points[:, 0] - x) * y_way - (points[:, 1] - y) * x_way)
        if float(np.percentile(off, 95)) < LINE_WIDTH / 2:
            far = float(sum(edges.shape))
            ends = [(round(x + sign * far * x_way), round(y + sign * far * y_way)) for sign in (-1, 1)]
            cv2.line(drawn, ends[0], ends[1], (1,))
    return drawn > 0
