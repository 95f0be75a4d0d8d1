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

import cv2
import numpy as np

from lampblack.rules.beside import Beside, when_asked
from lampblack.rules.cells import pieces_of
from lampblack.rules.distribution import middle
from lampblack.rules.edges import (
    coded_of,
    edges_of,
    lens_of,
    shadow_edges,
    sharp_edges,
    sharpness_of,
    step_of,
    steps_of,
    without_tint,
)
from lampblack.rules.fringes import between_strands, into_fringes
from lampblack.rules.holes import LEAST_PIECE, holes_in, lit_patches, shadows_on
from lampblack.rules.intruders import intruders_in
from lampblack.rules.likeness import too_dark_to_tell
from lampblack.rules.outline import (
    HALF,
    Grid,
    Mask,
    backdrop_shares,
    dilated,
    eroded,
    held_to,
    light_per_code,
    like_backdrop,
    off_backdrop,
)
from lampblack.rules.reach import gap_of, reached_from_border
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
    shown: Grid | None = None,
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
        shown: the same light, where some channel is full none over what that can hold (`Basis.cut_at_white`): a white
            floor isn't pink there. What is a shadow, and what of the border is backdrop, is told by this; edges by all
            of the light, and holes, or what is burnt out of a pale thing before white would be one.
    """
    light = np.asarray(light, np.float32)
    mixed = light if linear is None else linear
    per_code = beside(lambda: light_per_code(mixed))
    if grain is not None:  # nothing was rounded
        search = replace(search, telling_code=search.telling_code_raw)
    grained = None if grain is None else grain / per_code()[..., None]
    coded, noise = coded_of(light, grained, search)
    fine = steps_of(coded)
    told = coded if shown is None else coded_of(shown, grained, search)[0]
    alike = beside(lambda: without_tint(told, fine if told is coded else steps_of(told), search))
    sharp = beside(partial(sharpness_of, coded, fine))
    step = step_of(fine, coded, noise, rounding, search)
    edges = edges_of(step, clipped, search)
    lens = lens_of(edges, sharp())
    hard = edges & ~shadow_edges(edges, alike(), sharp(), lens, search)
    reach = reached_from_border(hard, told, search, beside)
    if reach is None:
        return None
    reached, intruder, other = reach.backdrop, reach.intruder, reach.other
    gap = gap_of(search, hard.shape)
    within = gap + 2
    settled = _settled(reached, step)
    plain = reached & settled
    off, a_code = off_backdrop(mixed, plain, within, beside), per_code()
    plain = like_backdrop(a_code, off, plain, within, search.weak_edge_codes / 2) & ~(intruder | other)
    settled = settled | plain
    below = np.logical_or.accumulate(reach.table, axis=0)  # its front
    holes, plain_holes = (found & ~below for found in holes_in(settled, coded, step, search, beside))
    patches = lit_patches(light, settled | holes, edges, hard, search) & ~(intruder | other)
    outlines = sharp_edges(edges, sharp(), lens)
    shadows = shadows_on(settled | holes, told, step, outlines, search) & ~(intruder | other | below)
    coarse = settled | holes | patches | shadows
    plain = (plain & settled) | plain_holes | patches | eroded(shadows, 1)
    if (holes | patches | shadows).any():
        off = off_backdrop(mixed, plain, within, beside)
    share = backdrop_shares(a_code, off, plain, coarse, within, search.weak_edge_codes, lens)
    if _is_out_of_reach(share, off, plain, within, lens):
        within = 2 * within
        off = off_backdrop(mixed, plain, within, beside)
        share = backdrop_shares(a_code, off, plain, coarse, within, search.weak_edge_codes, lens)
    share = into_fringes(mixed, a_code, share, off, plain, within, search.weak_edge_codes, lens)
    if not too_dark_to_tell(settled, told, search):
        share = between_strands(mixed, a_code, share, gap + 2, search.weak_edge_codes)
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
    far = np.abs(off)
    inner, outer = (
        far[ring & (far > 0)] for ring in (first & ~dilated(plain, reach - 3), last & ~dilated(plain, reach - 1))
    )
    return bool(len(inner) and len(outer) and middle(outer) > _STILL_RISING * middle(inner))


_FAR_LINE = 0.5
_SHARP_LENS = 2.6  # see `lens_of`: lines drawn with a standard deviation of under a cell
_STILL_RISING = 2.0  # times, over two cells


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
