"""Backdrop that nothing leads to from the border: seen through the subject, in its shadow, or lit in patches."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray

from lampblack.rules.beside import Beside, when_asked
from lampblack.rules.cells import brightest, darkest, pieces_of
from lampblack.rules.distribution import middle, percentile
from lampblack.rules.likeness import carried_on, is_darker, stops_of, times_of, times_off, times_over
from lampblack.rules.outline import Grid, Mask, dilated, eroded, opened
from lampblack.rules.thresholds import BackdropSearch

LEAST_PIECE = 1.5e-4  # share of the frame; smaller islands and holes are specks


def holes_in(
    backdrop: Mask, coded: Grid, step: Grid, search: BackdropSearch, beside: Beside = when_asked
) -> tuple[Mask, Mask]:
    """
    Return pieces of backdrop cut off by the subject (through a handle, under a beam), and what in them surely is plain.

    They have the light it would have there, are as plain, and have an edge or backdrop all round. Shading that happens
    to pass through the backdrop's light has no such edge, and isn't plain. Where the file holds nothing at all, all is
    alike, and the guess would be idle. And a pale thing before white has its light too, but backdrop all round beyond
    its outline.
    """
    found, plain = np.zeros_like(backdrop), np.zeros_like(backdrop)
    if is_darker(backdrop, coded, search.hole_code):
        return found, plain
    # What is about says best what light it has near by, a fall across the whole frame what it has far off.
    for behind in [beside(partial(carried_on, coded, backdrop, tilted=tilted)) for tilted in (False, True)]:
        more, sure = _holes_before(behind(), backdrop | found, coded, step, search)
        found, plain = found | more, plain | sure
    return found, plain


def _holes_before(behind: Grid, backdrop: Mask, coded: Grid, step: Grid, search: BackdropSearch) -> tuple[Mask, Mask]:
    """Return the same where the backdrop would have this light."""
    found = np.zeros_like(backdrop)
    near = max(4, round(search.near_share * max(backdrop.shape)))
    off = times_off(coded, behind)
    alike = ~backdrop & (step < search.strong_edge_codes) & (off < np.float32(times_of(2 * search.hole_stops)))
    for piece in _pieces(alike, LEAST_PIECE):
        ring = dilated(piece, 2) & ~piece
        enclosed = (step[ring] > search.strong_edge_codes) | backdrop[ring]
        alike_there = enclosed.mean() > _ENCLOSED and middle(off[piece]) < times_of(search.hole_stops)
        if alike_there and _is_cut_off(piece, backdrop, search) and _as_plain(step, piece, backdrop, near):
            found |= piece | (ring & alike)
    same = _same_light(off, backdrop | found, step, search)
    return found | same, eroded(found, 1) | same


_ENCLOSED = 0.7  # of an outline
_STILL_PLAIN = 0.35  # codes from cell to cell: next to edges their blur is no less
_NEAR = 0.4  # of the stops allowed


def _same_light(off: Grid, backdrop: Mask, step: Grid, search: BackdropSearch) -> Mask:
    """
    Return pieces that have the backdrop's very light throughout and an edge all round, plain or not.

    off: how many times it all cells have, see `times_off`.

    Gaps a few cells wide between twigs or wires are steep all over, for what is beside them, but most of each has the
    backdrop's light. Shading on its way past that light lies anywhere within the stops allowed, half of them off on
    the mean.
    """
    alike = opened(~backdrop & (off < np.float32(times_of(search.hole_same_stops))), 1)
    labels, areas = pieces_of(alike, connectivity=4)
    large = areas >= LEAST_PIECE * alike.size
    if not large[1:].any():
        return np.zeros_like(backdrop)
    about = cv2.dilate(labels.astype(np.float32), np.ones((5, 5), np.uint8)).astype(np.int32)
    ring = (about > 0) & ~alike
    edge = ring & ((step > search.strong_edge_codes) | backdrop)
    count = len(areas)
    enclosed = np.bincount(about[edge], minlength=count) / np.maximum(np.bincount(about[ring], minlength=count), 1)
    apart = np.bincount(labels[alike], stops_of(off[alike]), count) / np.maximum(areas, 1)
    told = large & (enclosed > _ENCLOSED) & (apart < _NEAR * search.hole_same_stops)
    told[0] = False
    same: Mask = told.take(labels)
    return same


def _is_cut_off(piece: Mask, backdrop: Mask, search: BackdropSearch) -> bool:
    """Say whether it is the subject that lies beyond a piece's outline, and not the backdrop again."""
    beyond = dilated(piece, _RIM + 2) & ~dilated(piece, _RIM)
    return bool(backdrop[beyond].mean() < search.hole_open_share)


_RIM = 3  # cells: an outline is no wider


def _as_plain(step: Grid, piece: Mask, backdrop: Mask, near: int) -> bool:
    """Say whether a piece, its rim left out, is about as plain as the backdrop near it, or where none is, all of it."""
    inside = eroded(piece, 2)
    inside = inside if inside.any() else piece
    about = _box_around(piece, near) & backdrop
    about = about if about.any() else backdrop
    least = _STILL_PLAIN if piece[-1].any() else 0.0  # what the frame's bottom cuts off is seldom a fold of cloth
    return middle(step[inside]) < max(1.5 * middle(step[about]) + 0.05, least)


def _box_around(piece: Mask, margin: int) -> Mask:
    rows, columns = np.nonzero(piece.any(axis=1))[0], np.nonzero(piece.any(axis=0))[0]
    box = np.zeros_like(piece)
    box[max(rows[0] - margin, 0) : rows[-1] + margin, max(columns[0] - margin, 0) : columns[-1] + margin] = True
    return box


def shadows_on(backdrop: Mask, coded: Grid, step: Grid, outlines: Mask, search: BackdropSearch) -> Mask:
    """
    Return the shadows of things on the sweep they stand on, as far as they have edges that one sees.

    Next to a thing its shadow is as sharp as the lens draws, and it has the colours of a grey thing. But it lies on the
    floor: it goes over into backdrop along much of its outline, most of that softly, and beneath it there is nothing
    but backdrop, down to the frame's bottom. Beneath the shaded side of a thing there is the thing's own outline, and
    its shadow.

    outlines: edges about as sharp as the lens draws, see `edges.sharp_edges`.
    """
    if is_darker(backdrop, coded, search.black_code):  # what falls on black isn't seen
        return np.zeros_like(backdrop)
    left = times_over(coded, carried_on(coded, backdrop))
    most, least = brightest(left), darkest(left)
    tinted = most >= least * np.float32(times_of(search.shadow_tint_stops))
    alike = ~backdrop & (step < search.shadow_step_codes) & (most < np.float32(times_of(_OVER))) & ~tinted
    beneath = np.cumsum(~backdrop[::-1], axis=0, dtype=np.int32)[::-1]
    about, drawn = dilated(backdrop, 2), dilated(outlines, 1)
    found = np.zeros_like(backdrop)
    for stops in _DEPTHS:
        dim = opened(alike & (least > np.float32(times_of(-stops * search.shadow_stops))), 1)
        for piece in (one for one in _pieces(dim, LEAST_PIECE) if _is_floor(one, beneath)):
            open_enough = backdrop[dilated(piece, 2) & ~piece].mean() > search.shadow_open_share
            if open_enough and drawn[piece & about].mean() < _DRAWN:
                found |= piece
    return found


_DRAWN = 0.5  # of its outline against the backdrop
_OVER = 0.05  # stops
_DEPTHS = (0.3, 0.6, 1.0)  # of the stops allowed: a deeper part may hang together with what is no shadow


def _is_floor(piece: Mask, beneath: NDArray[np.int32]) -> bool:
    """Say whether all under a piece is backdrop. beneath: how many cells from each one down are none."""
    last = len(piece) - 1
    columns = np.flatnonzero(piece.any(axis=0))
    under = last - np.argmax(piece[::-1, columns], axis=0) + _RIM + 2
    free = (under <= last) & (beneath[np.minimum(under, last), columns] < _RIM)
    return bool(free.mean() > _FREE)


_FREE = 0.9  # of its columns


def lit_patches(light: Grid, backdrop: Mask, edges: Mask, hard: Mask, search: BackdropSearch) -> Mask:
    """
    Return patches on the backdrop that a lamp makes: on their own, and far under the subject's bright parts.

    They are brighter than the surface around them, or light would not have made them; and large ones have no outline as
    sharp as a thing's. edges, hard: all edges, and those that are no shadow's.
    """
    found = np.zeros_like(backdrop)
    pieces = list(_pieces(~backdrop, 0.0))
    if len(pieces) < 2:
        return found
    bright: Grid = brightest(np.asarray(light, np.float32))
    largest = max(pieces, key=np.count_nonzero)
    limit = percentile(bright[largest], 90) * 2.0**-search.patch_under_stops
    for piece in pieces:
        if piece is largest or percentile(bright[piece], 95) > limit:
            continue
        ring = dilated(piece, 3) & backdrop
        darker = ring.any() and np.median(bright[ring]) < np.median(bright[piece])
        if darker and not _is_sharp_and_large(piece, edges, hard, search):
            found |= piece
    return found


def _is_sharp_and_large(piece: Mask, edges: Mask, hard: Mask, search: BackdropSearch) -> bool:
    if np.count_nonzero(piece) < search.patch_least_thing * piece.size:
        return False
    outline = edges & dilated(piece, _RIM) & ~eroded(piece, _RIM)
    return bool(np.count_nonzero(outline & hard) > np.count_nonzero(outline) / 2)


def _pieces(mask: Mask, share: float) -> Iterator[Mask]:
    """Give each connected piece of a mask that covers at least a share of the frame."""
    labels, areas = pieces_of(mask, connectivity=4)
    for piece in range(1, len(areas)):
        if areas[piece] >= share * mask.size:
            yield labels == piece
