"""
What can be reached from the frame's border without crossing an edge, and which of it is backdrop.

A subject that touches the border parts the backdrop in two; a table lies below it, a card or a stand beside it. Which
piece is which, its light tells, against that of the piece that holds most of the border.
"""

from __future__ import annotations

from functools import partial
from typing import Any, Literal, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from lampblack.rules.beside import Beside, when_asked
from lampblack.rules.cells import brightest, pieces_of
from lampblack.rules.distribution import middle
from lampblack.rules.horizon import Horizon, horizon
from lampblack.rules.leaks import border_held, without_leaks
from lampblack.rules.likeness import apart, tint
from lampblack.rules.outline import HALF, Grid, Mask, dilated, eroded
from lampblack.rules.thresholds import BackdropSearch

Kind = Literal["backdrop", "intruder", "other"]


class Reach(NamedTuple):
    """
    Masks of cells.

    backdrop: what can be reached from the border without crossing an edge, nor slipping through a gap in one. intruder:
    pieces at the border that a step in light sets off from it: a card, a stand, the hard edge of a light. other: those
    that are something else: a table, a sitter. table: what of that touches the frame's bottom.
    """

    backdrop: Mask
    intruder: Mask
    other: Mask
    table: Mask


class _Pieces(NamedTuple):
    """
    What lies between edges, parted where gaps in them let nothing through.

    labels: which piece each cell is of, 0 for none. held: how much of the border each piece holds. calm: all but edges.
    seams: cells that part pieces as edges do, but not backdrop from backdrop. table: where one lies, in parts. rim: see
    `without_leaks`.
    """

    labels: NDArray[Any]
    held: NDArray[Any]
    main: int
    calm: Mask
    seams: Mask
    table: Mask
    rim: Grid
    gap: int


def reached_from_border(hard: Mask, coded: Grid, search: BackdropSearch, beside: Beside = when_asked) -> Reach | None:
    """
    Return what can be reached from the border; None where no piece there is large enough to be a backdrop.

    Where the search got across a table's far edge, that edge is carried on, if what lies below it is no backdrop then.

    Args:
        hard: (rows, columns) the edges of things.
        coded: (rows, columns, 3) sRGB codes.
        search: the thresholds.
        beside: how to begin what needs nothing of what comes next.
    """
    pieces = _parted(hard, search)
    if pieces is None:
        return None
    far_edge = beside(partial(horizon, hard, coded, search))
    reach, claimed = _told(pieces, coded, search)
    edge = far_edge()
    if not _got_across(edge, claimed, reach.intruder, hard, pieces.gap):
        return _with_table_under(edge, reach, claimed)
    parted = _parted(hard, search, edge)
    if parted is None:
        return reach
    above_table, claimed = _told(parted, coded, search)
    along = dilated(parted.seams, 2 * parted.gap) & _at_bottom(parted.labels)
    return _with_table_under(edge, above_table, claimed) if _share(along, ~claimed) > _SOME else reach


def _with_table_under(edge: Horizon, reach: Reach, claimed: Mask) -> Reach:
    """
    Return the same with a table from its far edge on where that is seen, with backdrop above and none below.

    A table goes on to the frame's bottom; under a beam there is backdrop again.
    """
    seen = np.flatnonzero(edge.below.any(axis=0))
    if not len(seen) or _share(edge.above, claimed) < HALF or _share(edge.below, claimed) > _SOME:
        return reach
    if reach.table[-1, seen[0] : seen[-1] + 1].mean() < HALF:
        return reach
    along = edge.line.copy()
    along[:, : seen[0]] = along[:, seen[-1] + 1 :] = False
    under = np.logical_or.accumulate(along, axis=0)
    return reach._replace(backdrop=reach.backdrop & ~under, table=reach.table | along)


def _share(mask: Mask, other: Mask) -> float:
    """Return how much of a mask lies in another; 0 of an empty one."""
    return float((mask & other).sum() / max(mask.sum(), 1))


def _got_across(edge: Horizon, claimed: Mask, intruder: Mask, hard: Mask, gap: int) -> bool:
    """
    Say whether what was claimed for backdrop lies above a table's far edge, and some of it below, where none is.

    Where most of that is table, it is the backdrop that passes for a card: one that holds most of the frame's top.
    """
    over = claimed | intruder if intruder[0].mean() > HALF else claimed
    unseen = edge.line & ~hard
    if not unseen.any():
        return False
    below, far = np.zeros_like(hard), 3 * gap
    below[far:] = dilated(unseen, gap)[:-far]
    return _share(below, claimed) > _SOME and bool(_share(edge.above, over) >= HALF)


_SOME = 0.05  # of the cells along the line


def gap_of(search: BackdropSearch, shape: tuple[int, ...]) -> int:
    """Return how many cells wide a gap in an edge may be."""
    return max(1, round(search.gap_share * max(shape)))


def _rim(shape: tuple[int, ...]) -> Grid:
    """Return how likely the border is backdrop, 1 in all: the top, counted double, and the sides; not the bottom."""
    weight = np.zeros(shape[:2], np.float32)
    # The lower the likelier it is a table or a sitter's shoulder that touches the side.
    weight[:, :2] = weight[:, -2:] = np.linspace(1, 0, shape[0])[:, None]
    weight[:2] = 2
    weight /= weight.sum()
    return weight


def _parted(hard: Mask, search: BackdropSearch, edge: Horizon | None = None) -> _Pieces | None:
    """
    Return the pieces between edges; None where that which holds most of the border is too small for a backdrop.

    edge: a table's, which parts them as well.
    """
    nothing = np.zeros_like(hard)
    seams, table = (nothing, nothing) if edge is None else (edge.line & ~hard, edge.below)
    calm, gap = ~(hard | seams), gap_of(search, hard.shape)
    labels, areas = pieces_of(eroded(calm, gap), connectivity=4)
    rim = _rim(hard.shape)
    held = border_held(labels, rim, len(areas))
    size = areas / labels.size
    size[0] = 0
    main = _main(held, size, search)
    if held[main] < search.least_rim or size[main] < search.least_share / 2:
        return None
    return _Pieces(labels, held, main, calm, seams, table, rim, gap)


def _main(held: NDArray[Any], size: NDArray[Any], search: BackdropSearch) -> int:
    """
    Return which piece is backdrop before all: the one that holds most of the border.

    But a flag lowered into the frame holds all of its top, and is a strip; below it lies a plain surface that is most
    of the frame. held: how much of the border each piece holds. size: its share of the frame.
    """
    main, below = int(held.argmax()), int(size.argmax())
    return below if size[main] < search.strip_share and size[below] > HALF else main


def _told(pieces: _Pieces, coded: Grid, search: BackdropSearch) -> tuple[Reach, Mask]:
    """Return what each piece at the border is, and all of the backdrop's, with things that the search got into."""
    calm, gap, rim = pieces.calm, pieces.gap, pieces.rim
    main = pieces.labels == pieces.main
    before = dilated(main, gap) & calm
    alone = without_leaks(before, rim, coded, gap, search)
    whole = main & alone  # what got in elsewhere is no measure of the others
    kinds: dict[Kind, Mask] = {"backdrop": whole, "intruder": np.zeros_like(calm), "other": np.zeros_like(calm)}
    same = np.zeros_like(calm)
    for which in (-pieces.held).argsort()[: np.count_nonzero(pieces.held > search.least_rim / 50)]:
        if which != pieces.main:
            kind, piece = _kind_of(int(which), kinds["backdrop"], whole, pieces, coded, search)
            kinds[kind] = kinds[kind] | piece
            if kind == "backdrop" and pieces.held[which] >= search.least_rim and _is_same(coded, whole, piece, search):
                same |= piece
    reached, backdrop = alone, kinds["backdrop"]
    if (backdrop & ~(whole | same)).any():
        together = _up_to_edges(backdrop & ~same, pieces)
        reached = without_leaks(together & (alone | ~before), rim, coded, gap, search)
    if same.any():
        reached = reached | without_leaks(_up_to_edges(same, pieces) & ~before, rim, coded, gap, search)
    table = kinds["other"] & _at_bottom(pieces.labels)
    intruder, other, table = (dilated(mask, gap + 2) for mask in (kinds["intruder"], kinds["other"], table))
    return Reach(reached, intruder, other, table), backdrop | main


def _is_same(coded: Grid, main: Mask, piece: Mask, search: BackdropSearch) -> bool:
    """Say whether a large piece has so nearly the backdrop's light that nothing beyond its outline need tell it."""
    return max(apart(coded, main, piece), tint(coded, main, piece)) < search.crease_stops / 2


def _up_to_edges(piece: Mask, pieces: _Pieces) -> Mask:
    """Return a piece with what lies between it and the edges about it, and no backdrop is parted by."""
    gap = pieces.gap
    up_to: Mask = (dilated(piece, gap) & pieces.calm) | (dilated(piece, gap + 1) & pieces.seams)
    return up_to


def _at_bottom(labels: NDArray[Any]) -> Mask:
    """Return the pieces that touch the frame's bottom."""
    return np.isin(labels, np.setdiff1d(labels[-3:], 0))


def _kind_of(
    which: int, backdrop: Mask, main: Mask, pieces: _Pieces, coded: Grid, search: BackdropSearch
) -> tuple[Kind, Mask]:
    """
    Return what a piece at the border is, and how much of it: nothing of one too small to tell.

    backdrop: what is so far known of it. main: that part which holds most of the border.
    """
    piece, gap, held = pieces.labels == which, pieces.gap, pieces.held[which]
    if _share(pieces.table, piece) > _SOME:
        return "other", piece
    if held <= search.least_rim / 12:
        told = _goes_on(coded, backdrop, piece, gap, search) or (
            _is_corner(coded, main, piece, search) and _beside(coded, backdrop, piece, gap, search) == "backdrop"
        )
        return "backdrop", piece if told else np.zeros_like(piece)
    kind = _beside(coded, backdrop, piece, gap, search)
    if kind != "backdrop" and held >= search.least_rim:  # it may be backdrop, and a thing that it led into
        alone = _alone_at_border(piece, dilated(piece, gap) & pieces.calm, pieces.rim, coded, gap, search)
        if alone.any() and _beside(coded, backdrop, alone, gap, search) == "backdrop":
            return "backdrop", alone
    return kind, piece


def _alone_at_border(piece: Mask, before: Mask, rim: Grid, coded: Grid, gap: int, search: BackdropSearch) -> Mask:
    """
    Return what of a piece at the border is a plain surface by itself, without the things that the search got into.

    before: the piece as far as the edges about it.
    """
    open_parts = eroded(piece & without_leaks(before, rim, coded, gap, search), 2 * gap)
    labels, areas = pieces_of(open_parts, connectivity=4)
    held = border_held(labels, rim, len(areas))
    if not len(held) or held.max() < search.least_rim:
        return np.zeros_like(piece)
    return dilated(labels == held.argmax(), 2 * gap) & piece


def _is_corner(coded: Grid, main: Mask, piece: Mask, search: BackdropSearch) -> bool:
    """
    Say whether a small piece low at the side may be backdrop too.

    There may be little of it to see, beside a sitter's neck; but it must be the more like it in colour, and what
    touches the bottom is likelier a table's front.
    """
    return not piece[-3:].any() and tint(coded, main, piece) < search.tint_stops / 2


def _beside(coded: Grid, main: Mask, other: Mask, gap: int, search: BackdropSearch) -> Kind:
    """
    Say what another piece at the border is: "backdrop", "intruder", or "other" (a table, a sitter).

    Backdrop on the subject's other side has its light, give or take a fall across the frame, and its colour. Where
    the two pieces meet, with nothing but an edge between them, a crease has the same light on both sides, a card has
    not.
    """
    meeting, length = _meeting(main, other, gap)
    if length < search.meeting_share:
        one, two, between = _nearest(main, other)
        allowed = min(search.crease_stops + search.fall_stops * between, search.other_side_stops)
        alike = apart(coded, one, two) < allowed and tint(coded, main, other) < search.tint_stops
        alike = alike or max(middle(brightest(coded[piece])) for piece in (main, other)) < search.black_code
        return "backdrop" if alike else "intruder" if other[:3].any() and between < _NARROW else "other"
    if _is_crease(coded, main, other, meeting, gap, search):
        return "backdrop"
    # A table or a sitter touches the bottom and not the top; a stand or a card by the side often both. What touches but
    # the side is a card if it has backdrop along its outline, and part of the subject if it has more of that.
    low, high = bool(other[-3:].any()), bool(other[:3].any())
    if high:  # what the search got into beside it may be what differs
        same = max(apart(coded, main, other), tint(coded, main, other)) < search.hole_stops
        return "backdrop" if same else "intruder"
    if low:
        return "other"
    line = _outline(other)
    return "intruder" if np.count_nonzero(line & meeting) >= search.open_share * np.count_nonzero(line) else "other"


def _meeting(main: Mask, other: Mask, gap: int) -> tuple[Mask, float]:
    """Return where another piece lies along the backdrop, and along what share of its width or height at the most."""
    meeting = _next_to(main, gap) & other
    across, down = other.any(axis=0).sum(), other.any(axis=1).sum()
    return meeting, max(meeting.any(axis=0).sum(), meeting.any(axis=1).sum()) / max(across, down, 1)


def _next_to(piece: Mask, gap: int) -> Mask:
    """Return a piece, and what lies right beside it with nothing but an edge between."""
    return dilated(piece, 2 * gap + 8)


def _nearest(main: Mask, other: Mask) -> tuple[Mask, Mask, float]:
    """Return what of two pieces is nearest to the other, and how far that is, a share of the frame's longer side."""
    far: Any = cv2.distanceTransform((~main).view(np.uint8), cv2.DIST_L2, 3)
    least = float(far[other].min())
    two = other & (far <= least + _NEAR)
    back: Any = cv2.distanceTransform((~two).view(np.uint8), cv2.DIST_L2, 3)
    return main & (back <= float(back[main].min()) + _NEAR), two, least / max(main.shape)


_NEAR = 12  # cells
_NARROW = 0.06  # of the frame: a card's thickness, a stand


def _is_crease(coded: Grid, main: Mask, other: Mask, meeting: Mask, gap: int, search: BackdropSearch) -> bool:
    """Say whether two pieces have the same light on both sides of the edge between them."""
    return apart(coded, _next_to(other, gap) & main, meeting) < search.crease_stops


def _goes_on(coded: Grid, main: Mask, piece: Mask, gap: int, search: BackdropSearch) -> bool:
    """Say whether a small piece is backdrop that some straight line was carried on across."""
    meeting, length = _meeting(main, piece, gap)
    return bool(length > HALF) and _is_crease(coded, main, piece, meeting, gap, search)


def _outline(piece: Mask) -> Mask:
    """Return the cells along a piece's outer edge, the frame's border left out."""
    drawn = np.zeros(piece.shape, np.uint8)
    contours, _ = cv2.findContours(piece.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    cv2.drawContours(drawn, contours, -1, (1,))
    drawn[:2] = drawn[-2:] = drawn[:, :2] = drawn[:, -2:] = 0
    return drawn > 0
