"""
What stands before the backdrop at the frame's border and is no subject: cards, flags, stands.

They have straight edges, and the subject is elsewhere. What is round is photographed, though the border cuts it off;
and so is what stands there alone, whatever its shape.
"""

from __future__ import annotations

import cv2
import numpy as np

from lampblack.rules.cells import pieces_of
from lampblack.rules.distribution import percentiles
from lampblack.rules.outline import Mask, dilated, eroded


def intruders_in(before: Mask, candidates: Mask) -> Mask:
    """
    Return the intruders, a mask.

    Args:
        before: (rows, columns) all that is no backdrop.
        candidates: (rows, columns) pieces at the border that a step in light sets off from the backdrop.
    """
    found = _flags(before)
    upright = [piece for piece in _pieces(before) if _is_upright(piece)]
    for piece in (*_pieces(candidates & before), *upright):
        if _is_straight(piece):
            found |= piece
    found = _with_its_edge(found, before)
    return found & ~_alone(before, found)


def _pieces(mask: Mask) -> list[Mask]:
    """Return the pieces of a mask that touch the frame's top or a side, but for specks."""
    labels, sizes = pieces_of(mask, connectivity=8)
    at_border = np.unique(np.concatenate([labels[0], labels[:, 0], labels[:, -1]]))
    return [labels == piece for piece in at_border if piece and sizes[piece] >= _LEAST * mask.size]


_LEAST = 5e-4  # of the frame


def _is_straight(piece: Mask) -> bool:
    """Say whether most of a piece's outline, the frame's border left out, runs straight for a third of its length."""
    rows, columns = piece.shape
    contours, _ = cv2.findContours(piece.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    line = max(contours, key=len)
    _, _, wide, high = cv2.boundingRect(line)
    corners = cv2.approxPolyDP(line, max(1.0, _STRAIGHT_TO * max(wide, high)), True)[:, 0].astype(float)
    starts, ends = corners, np.roll(corners, -1, axis=0)
    last = np.array([columns - 1, rows - 1])
    on_border = (((starts <= 1) & (ends <= 1)) | ((starts >= last - 1) & (ends >= last - 1))).any(axis=1)
    lengths = np.hypot(*(ends - starts).T)[~on_border]
    long = lengths >= _LONG * max(wide, high)
    return bool(lengths[long].sum() >= _MOSTLY * lengths.sum() > 0)


_STRAIGHT_TO, _LONG, _MOSTLY = 0.012, 0.33, 0.6
"""An arc of a circle, drawn with straight lines to 0.012 of its width, has none longer than a quarter of that."""


def _is_upright(piece: Mask) -> bool:
    """Say whether a piece that stands on the bottom beside the border is as a flag is: taller than wide, one oblong."""
    _, _, wide, high = cv2.boundingRect(piece.view(np.uint8))
    oblong = np.count_nonzero(piece) >= _FILLED * wide * high
    return bool(oblong and wide <= _UPRIGHT_WIDE * piece.shape[1] and high >= _TALLER * wide)


_FILLED, _UPRIGHT_WIDE, _TALLER = 0.8, 0.3, 1.5


def _flags(before: Mask) -> Mask:
    """
    Return what stands along a side as a flag on a stand does: tall, narrow and straight, from the border on.

    It may be of several lights, and stand against the subject. before: what is no backdrop.
    """
    found = np.zeros_like(before)
    rows, columns = before.shape
    for way in (1, -1):
        from_side = before[:, ::way]
        wide = np.where(from_side.all(axis=1), columns, from_side.argmin(axis=1))
        flag = (wide > 0) & (wide <= _NARROW * columns)
        if flag.sum() < _TALL * rows:
            continue
        least, most = percentiles(wide[flag].astype(np.float64), (10, 90))
        if most - least <= _LEANING * columns:
            found[:, ::way] |= flag[:, None] & (np.arange(columns) < wide[:, None])
    return found


_TALL, _NARROW = 0.5, 0.1  # of the frame's height and width
_LEANING = 0.03  # of its width


def _with_its_edge(intruder: Mask, before: Mask) -> Mask:
    """Return what intrudes with the strip between it and backdrop that its own soft edge leaves: no subject so thin."""
    if not intruder.any():
        return intruder
    rest = before & ~intruder
    thin = rest & ~dilated(eroded(rest, _THIN), _THIN)
    return intruder | (thin & dilated(intruder, 2 * _THIN))


_THIN = 2  # cells


def _alone(before: Mask, intruder: Mask) -> Mask:
    """Return the largest of what seems to intrude, where nothing else is there that it could intrude on."""
    rest = before & ~intruder
    if not intruder.any() or np.count_nonzero(eroded(rest, _THIN)) >= _LEAST * before.size:
        return np.zeros_like(before)
    labels, sizes = pieces_of(intruder, connectivity=8)
    sizes[0] = 0
    largest: Mask = labels == sizes.argmax()
    return largest
