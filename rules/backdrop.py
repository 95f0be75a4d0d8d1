"""
Where the backdrop is.

The backdrop is plain, reaches the frame's border, and changes slowly even where a lamp spills onto it; whatever
stands before it has an edge. So edges are found first (against the slow change around them, and against noise),
and the backdrop is what can be reached from the border without crossing one. The line itself is then drawn to a
fraction of a cell (`outline`).

Finding is done in codes (sRGB), in which noise and rounding are about the same from dark to bright; the line is drawn
in linear light, in which cells mix.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lampblack.rules.beside import Beside, when_asked
from lampblack.rules.cells import brightest, pieces_of
from lampblack.rules.distribution import middle
from lampblack.rules.edges import (
    coded_of,
    edges_of,
    lens_of,
    shadow_edges,
    sharpness_of,
    step_of,
    steps_of,
    without_tint,
)
from lampblack.rules.holes import LEAST_PIECE, holes_in, lit_patches
from lampblack.rules.intruders import intruders_in
from lampblack.rules.leaks import border_held, without_leaks
from lampblack.rules.likeness import apart, tint
from lampblack.rules.outline import (
    HALF,
    Grid,
    Mask,
    backdrop_shares,
    dilated,
    eroded,
    held_to,
    into_fringes,
    light_per_code,
    like_backdrop,
    off_backdrop,
)
from lampblack.rules.thresholds import BackdropSearch

__all__ = ["Found", "Mask", "find_backdrop"]


@dataclass(frozen=True, eq=False)
class Found:
    """
    Grids of cells.

    share: how much of each cell is backdrop, 0 to 1; where that is a half runs the line, to a fraction of a cell.
    intruder: what stands before the backdrop at the frame's border, apart from the subject.
    """

    share: Grid
    intruder: Mask

    @property
    def backdrop(self) -> Mask:
        """Return the cells that are backdrop for the greater part."""
        half: Mask = self.share >= HALF
        return half


def find_backdrop(
    light: Grid,
    search: BackdropSearch,
    clipped: Mask | None = None,
    grain: Grid | None = None,
    beside: Beside = when_asked,
    *,
    linear: Grid | None = None,
    rounding: Grid | None = None,
) -> Found | None:
    """
    Return the backdrop, or None when no plain surface lies behind the subject.

    Args:
        light: (rows, columns, 3) linear light; values over 1 are welcome (a merged picture).
        search: the thresholds.
        clipped: (rows, columns) where the light is not known for being too bright.
        grain: (rows, columns, 3) the light's noise where it is known, its standard deviation.
        beside: how to begin what needs nothing of what comes next.
        linear: the same light as the camera's own tone response has it, where that is known: in it the line is drawn.
        rounding: see `step_of`.
    """
    light = np.asarray(light, np.float32)
    mixed = light if linear is None else linear
    per_code = beside(lambda: light_per_code(mixed))
    if grain is not None:  # nothing was rounded
        search = replace(search, telling_code=search.telling_code_raw)
    coded, noise = coded_of(light, None if grain is None else grain / per_code()[..., None], search)
    fine = steps_of(coded)
    alike, sharp = beside(partial(without_tint, coded, fine, search)), beside(partial(sharpness_of, coded, fine))
    step = step_of(fine, coded, noise, rounding, search)
    edges = edges_of(step, clipped, search)
    lens = lens_of(edges, sharp())
    hard = edges & ~shadow_edges(edges, alike(), sharp(), lens, search)
    reach = _reached(hard, coded, search)
    if reach is None:
        return None
    reached, intruder, other = reach
    within = _gap(search, intruder) + 2
    settled = _settled(reached, step)
    plain = reached & settled
    off, a_code = off_backdrop(mixed, plain, within, beside), per_code()
    plain = like_backdrop(a_code, off, plain, within, search.weak_edge_codes / 2) & ~(intruder | other)
    settled = settled | plain
    holes, plain_holes = holes_in(settled, coded, step, search, beside)
    patches = lit_patches(light, settled | holes, edges, hard, search) & ~(intruder | other)
    coarse = settled | holes | patches
    plain = (plain & settled) | plain_holes | patches
    if holes.any() or patches.any():
        off = off_backdrop(mixed, plain, within, beside)
    share = backdrop_shares(a_code, off, plain, coarse, within, search.weak_edge_codes, lens)
    if _is_out_of_reach(share, off, plain, within, lens):
        within = 2 * within
        off = off_backdrop(mixed, plain, within, beside)
        share = backdrop_shares(a_code, off, plain, coarse, within, search.weak_edge_codes, lens)
    share = into_fringes(mixed, a_code, share, off, plain, within, search.weak_edge_codes, lens)
    found = _without_specks(share >= HALF)
    if found.mean() < search.least_share:
        return None
    return Found(held_to(share, found), intruders_in(~found, intruder))


def _is_out_of_reach(share: Grid, off: Grid, plain: Mask, reach: int, lens: float) -> bool:
    """
    Say whether the line lies as far from the plain backdrop as it was looked for, or light is far from settled there.

    An edge drawn softly on black grows out of it long before it has half of its light. lens: see `lens_of`.
    """
    first, last = dilated(plain, reach - 2), dilated(plain, reach)
    line = dilated(share >= HALF, 1) & (share < HALF)
    if np.count_nonzero(line & ~first) > _FAR_LINE * np.count_nonzero(line):
        return True
    if lens > _SHARP_LENS:  # what rises then is a bright streak on a thing, well within its outline
        return False
    inner, outer = (
        off[ring & (off > 0)] for ring in (first & ~dilated(plain, reach - 3), last & ~dilated(plain, reach - 1))
    )
    return bool(len(inner) and len(outer) and middle(outer) > _STILL_RISING * middle(inner))


_FAR_LINE = 0.5
_SHARP_LENS = 2.6  # see `lens_of`: lines drawn with a standard deviation of under a cell
_STILL_RISING = 2.0  # times, over two cells


def _gap(search: BackdropSearch, grid: Mask) -> int:
    """Return how many cells wide a gap in an edge may be."""
    rows, columns = grid.shape
    longer: int = max(rows, columns)
    return max(1, round(search.gap_share * longer))


def _rim(shape: tuple[int, ...]) -> Grid:
    """Return how likely the border is backdrop, 1 in all: the top, counted double, and the sides; not the bottom."""
    weight = np.zeros(shape[:2], np.float32)
    # The lower the likelier it is a table or a sitter's shoulder that touches the side.
    weight[:, :2] = weight[:, -2:] = np.linspace(1, 0, shape[0])[:, None]
    weight[:2] = 2
    weight /= weight.sum()
    return weight


def _reached(edges: Mask, coded: Grid, search: BackdropSearch) -> tuple[Mask, Mask, Mask] | None:
    """
    Return what can be reached from the border without crossing an edge, nor slipping through a gap in one.

    And the pieces at the border that a step in light sets off from it: a card, a stand, the hard edge of a light; and
    those that are something else: a table, a sitter.
    """
    gap = _gap(search, edges)
    calm = ~edges
    labels, areas = pieces_of(eroded(calm, gap), connectivity=4)
    rim = _rim(edges.shape)
    held = border_held(labels, rim, len(areas))
    size = areas / labels.size
    size[0] = 0
    main = _main(held, size, search)
    if held[main] < search.least_rim or size[main] < search.least_share / 2:
        return None
    whole = labels == main
    before = dilated(whole, gap) & calm
    alone = without_leaks(before, rim, coded, gap, search)
    whole &= alone  # what got in elsewhere is no measure of the others
    kinds = {"backdrop": whole.copy(), "intruder": np.zeros_like(edges), "else": np.zeros_like(edges)}
    for other in np.flatnonzero(held > search.least_rim / 50):
        if other == main:
            continue
        piece, small = labels == other, held[other] <= search.least_rim / 12
        if small and not _is_corner(coded, whole, piece, search):
            continue
        kind = _beside(coded, whole, piece, gap, search)
        if not small or kind == "backdrop":
            kinds[kind] |= piece
    reached = alone
    if (kinds["backdrop"] & ~whole).any():
        together = dilated(kinds["backdrop"], gap) & calm & (alone | ~before)
        reached = without_leaks(together, rim, coded, gap, search)
    return reached, dilated(kinds["intruder"], gap + 2), dilated(kinds["else"], gap + 2)


def _main(held: NDArray[Any], size: NDArray[Any], search: BackdropSearch) -> int:
    """
    Return which piece is backdrop before all: the one that holds most of the border.

    But a flag lowered into the frame holds all of its top, and is a strip; below it lies a plain surface that is most
    of the frame. held: how much of the border each piece holds. size: its share of the frame.
    """
    main, below = int(held.argmax()), int(size.argmax())
    return below if size[main] < search.strip_share and size[below] > HALF else main


def _is_corner(coded: Grid, main: Mask, piece: Mask, search: BackdropSearch) -> bool:
    """
    Say whether a small piece low at the side may be backdrop too.

    There may be little of it to see, beside a sitter's neck; but it must be the more like it in colour, and what
    touches the bottom is likelier a table's front.
    """
    return not piece[-3:].any() and tint(coded, main, piece) < search.tint_stops / 2


def _beside(coded: Grid, main: Mask, other: Mask, gap: int, search: BackdropSearch) -> str:
    """
    Say what another piece at the border is: "backdrop", "intruder", or "else" (a table, a sitter).

    Backdrop on the subject's other side has its light, give or take a fall across the frame, and its colour. Where
    the two pieces meet, with nothing but an edge between them, a crease has the same light on both sides, a card has
    not.
    """
    wide = 2 * gap + 8
    meeting = dilated(main, wide) & other
    across, down = other.any(axis=0).sum(), other.any(axis=1).sum()
    length = max(meeting.any(axis=0).sum(), meeting.any(axis=1).sum())
    if length < search.meeting_share * max(across, down):
        alike = apart(coded, main, other) < search.other_side_stops and tint(coded, main, other) < search.tint_stops
        alike = alike or max(middle(brightest(coded[piece])) for piece in (main, other)) < search.black_code
        return "backdrop" if alike else "else"
    if apart(coded, dilated(other, wide) & main, meeting) < search.crease_stops:
        return "backdrop"
    # A table or a sitter touches the bottom and not the top; a stand or a card by the side often both. What touches but
    # the side is a card if it has backdrop along its outline, and part of the subject if it has more of that.
    low, high = bool(other[-3:].any()), bool(other[:3].any())
    if high:
        return "intruder"
    if low:
        return "else"
    line = _outline(other)
    return "intruder" if np.count_nonzero(line & meeting) >= search.open_share * np.count_nonzero(line) else "else"


def _outline(piece: Mask) -> Mask:
    """Return the cells along a piece's outer edge, the frame's border left out."""
    drawn = np.zeros(piece.shape, np.uint8)
    contours, _ = cv2.findContours(piece.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    cv2.drawContours(drawn, contours, -1, (1,))
    drawn[:2] = drawn[-2:] = drawn[:, :2] = drawn[:, -2:] = 0
    return drawn > 0


def _settled(reached: Mask, step: Grid) -> Mask:
    """Put the line between backdrop and subject where the light changes most."""
    markers = np.zeros(reached.shape, np.int32)
    markers[~dilated(reached, 2)] = 2
    markers[eroded(reached, 1)] = 1
    relief = np.clip(step * 4, 0, 255).astype(np.uint8)
    cv2.watershed(cv2.merge([relief] * 3), markers)
    # The watershed leaves its line and the frame's rim undecided.
    return np.where(markers < 1, reached, markers == 1)


def _without_specks(mask: Mask) -> Mask:
    """Return the mask without islands, and without holes, too small to matter."""
    for wanted in (True, False):
        labels, areas = pieces_of(mask == wanted, connectivity=4)
        small = areas < LEAST_PIECE * mask.size
        small[0] = False
        if small.any():
            mask = mask ^ small.take(labels)
    return mask
