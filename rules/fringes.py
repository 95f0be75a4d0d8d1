"""
Hair, grass, a fringe, lace: many thin strands, and backdrop between them.

There the line between backdrop and subject is longer than any other, and runs where the search for the backdrop, which
squeezes through no narrow gap, does not get.
"""

from __future__ import annotations

import cv2
import numpy as np

from lampblack.rules.cells import brightest
from lampblack.rules.likeness import carried_on
from lampblack.rules.outline import (
    GAP_CODES,
    HALF,
    Grid,
    Mask,
    backdrop_shares,
    dilated,
    eroded,
    most_within,
    off_backdrop,
    opened,
    touching,
)

_CROOKED = 3.0  # times the length of a straight line; a rod's two edges have 2, two rods' side by side 4
_SURELY = np.float32(0.85)  # backdrop
_TIMES = 3
_LEAST = 1e-4  # share of the frame worth another look


def into_fringes(
    light: Grid, a_code: Grid, share: Grid, off: Grid, plain: Mask, reach: int, least_codes: float, lens: float
) -> Grid:
    """
    Return the shares with the line carried on into hair, leaves, lace: where it is so crooked that much of it is near.

    Each time the gaps found last become plain backdrop, from which the next are reached. Along a smooth line this would
    creep into a subject that has the backdrop's light. Args: as for `backdrop_shares`; light: (rows, columns, 3) linear
    light; share: what that returned.
    """
    box = (2 * reach + 1, 2 * reach + 1)
    share, off = share.copy(), off.copy()
    alike = GAP_CODES * least_codes * a_code
    for _ in range(_TIMES):
        gaps = _is_crowded(share >= HALF, box) & (share > _SURELY) & (np.abs(off) < alike) & ~plain
        if np.count_nonzero(gaps) < _LEAST * gaps.size:
            break
        gaps = touching(gaps, gaps & dilated(plain, 1))
        rows, columns = (np.flatnonzero(gaps.any(axis=axis)) for axis in (1, 0))
        if not len(rows):
            break
        plain = plain | gaps
        margin = 4 * reach
        part = (
            slice(max(rows[0] - margin, 0), rows[-1] + margin),
            slice(max(columns[0] - margin, 0), columns[-1] + margin),
        )
        off[part] = off_backdrop(light[part], plain[part], reach)
        share[part] = backdrop_shares(
            a_code[part], off[part], plain[part], share[part] >= HALF, reach, least_codes, lens
        )
    return share


def between_strands(light: Grid, a_code: Grid, share: Grid, about: int, least_codes: float) -> Grid:
    """
    Return the shares with backdrop between strands that nothing led to: what is nearer its light than the strands'.

    Where it is looked for, strands are many, thin, well off the backdrop's light and all to one side of it, and between
    them some cells have that light. Cloth and shading that pass it have tones on both sides. about: cells to either
    side within which that is asked. Other args: as for `into_fringes`.
    """
    box, backdrop = (2 * about + 1, 2 * about + 1), share >= HALF
    behind = carried_on(light, eroded(backdrop, 1))
    alike = GAP_CODES * least_codes * a_code
    over, under = (np.maximum(brightest(one - other), 0) for one, other in ((light, behind), (behind, light)))
    off = np.maximum(over, under)
    most = most_within(off, _NEAR)
    level = np.maximum(most, 2 * alike)
    strand = off >= level / 2
    among = _is_crowded(strand, box) & (most > _WELL_OFF * alike)
    if not opened(among, _BREADTH).any():  # so it is in most pictures
        return share

    def how_much(mask: Mask) -> Grid:
        return np.asarray(cv2.blur(mask.astype(np.float32), box), np.float32)

    among &= how_much(off < alike) > _SEEN
    among &= how_much(opened(strand, _THICK)) <= _MOSTLY_THIN * how_much(strand)
    brighter, darker = (how_much(side > alike) for side in (over, under))
    among &= np.minimum(brighter, darker) < _ONE_SIDED * np.maximum(brighter, darker)
    among = opened(among, _BREADTH)
    gaps = touching(among | backdrop, backdrop) & among & ~strand & ~backdrop
    return np.where(gaps, 1 - off / level, share)


_NEAR = 4  # cells each way: as far as the strands on both sides of a gap
_WELL_OFF = 8.0  # times what tells something
_SEEN = 0.05  # of what is about has the backdrop's light: less may be chance
_ONE_SIDED = 0.25  # times as much as to the one side lies to the other: what is behind a strand, and noise
_THICK, _MOSTLY_THIN = 3, 0.6  # cells to either side; how much of the strands may be thicker
_BREADTH = 4  # cells to either side: along one edge or rod no more than that looks like strands


def _is_crowded(mask: Mask, box: tuple[int, int]) -> Mask:
    """Return where the outlines of a mask are several times as long as a straight line across a box of cells."""
    line = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8))
    # A straight line, two cells wide here, fills so much of the box.
    crowded: Mask = cv2.blur(line.astype(np.float32), box) > _CROOKED * 2 / box[0]
    return crowded
