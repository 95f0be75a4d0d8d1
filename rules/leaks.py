"""
Where the search for the backdrop got into the subject: through a part of its outline that has the backdrop's light.

A thing of mid tones before a grey backdrop is brighter than that on one side and darker on the other, and between the
two its outline fades. What lies behind such a gap, however wide, is told by the rest of the outline: across that, the
light is another.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from lampblack.rules.cells import brightest, pieces_of
from lampblack.rules.distribution import middle, percentiles
from lampblack.rules.holes import LEAST_PIECE, carried_on, stops_off, stops_over, too_dark_to_tell
from lampblack.rules.outline import Grid, Mask, dilated
from lampblack.rules.thresholds import BackdropSearch


class _Room(NamedTuple):
    """
    What lies behind a neck, and what before it.

    deep: the room's middle, farther from all edges than half of its neck. line: where room and main meet.
    """

    deep: Mask
    whole: Mask
    main: Mask
    line: Mask


def without_leaks(reached: Mask, rim: Grid, coded: Grid, gap: int, search: BackdropSearch) -> Mask:
    """
    Return what was reached, without rooms behind a neck that are no backdrop.

    What holds most of the border is backdrop, whatever its light; what holds much of it, unless its outline says
    otherwise; and other rooms are what they look like.

    Args:
        reached: (rows, columns) what can be reached from the border without crossing an edge.
        rim: (rows, columns) how likely the frame's border is backdrop, 1 in all.
        coded: (rows, columns, 3) sRGB codes.
        gap: cells; no narrower gap in an edge lets anything through.
        search: the thresholds.
    """
    small, around = _coarse(reached.astype(np.float32)) > _ALL, _coarse(rim)
    kept = _without_rooms(small, around / around.sum(), _coarse(coded), max(gap // _COARSE, 1), search)
    kept = _without_lights(kept, around, _coarse(coded), max(gap // _COARSE, 1))
    lost: Any = cv2.resize((small & ~kept).view(np.uint8), reached.shape[::-1], interpolation=cv2.INTER_NEAREST)
    return reached & ~dilated(lost > 0, _COARSE)  # coarse cells along an edge count as the edge's


_COARSE, _ALL = 2, 0.999
"""Rooms and lights are large: a grid of half as many cells each way tells them as well, in a quarter of the time."""


def _coarse(grid: Grid) -> Grid:
    rows, columns = grid.shape[:2]
    small: Any = cv2.resize(grid, (-(-columns // _COARSE), -(-rows // _COARSE)), interpolation=cv2.INTER_AREA)
    return small  # type: ignore[no-any-return]


def _depth_in(reached: Mask) -> Grid:
    """Return how far each cell is from any edge."""
    depth: Any = cv2.distanceTransform(reached.view(np.uint8), cv2.DIST_C, 3)
    return depth  # type: ignore[no-any-return]


def _without_rooms(reached: Mask, rim: Grid, coded: Grid, gap: int, search: BackdropSearch) -> Mask:
    telling = not too_dark_to_tell(reached, coded, search)
    for half_neck in (times * gap for times in _HALF_NECKS):
        depth = _depth_in(reached)
        for room in _rooms(reached, depth, rim, half_neck, search):
            small = rim[room.whole].sum() < search.least_rim
            odd = small and _is_another_thing(room, coded, half_neck, search, telling)
            if odd or (telling and _is_set_off(room, depth, coded, gap)):
                reached = reached & ~room.whole
    return reached


_HALF_NECKS = (3, 5, 8, 13)
"""Half of a neck's width, in gaps that let nothing through: the widest is a sixth of the frame."""


def _without_lights(reached: Mask, rim: Grid, coded: Grid, gap: int) -> Mask:
    """
    Return what was reached, without what is of another light than the backdrop and has an outline against it.

    Half of a thing's outline is often lost: its lit side fades into its dark one, and that into the backdrop. But light
    that falls on the backdrop itself has no outline at all, only where it ends at the thing.
    """
    depth = _depth_in(reached)
    bright = brightest(coded)
    behind = brightest(carried_on(coded, reached & dilated(rim > 0, _BORDER)))
    over = np.where(np.abs(bright - behind) > _CODES_OFF, stops_over(bright, behind), 0)
    lost = np.zeros_like(reached)
    for way in (1, -1):
        off = reached & (way * over > _OFF)
        off = cv2.morphologyEx(off.view(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)) > 0
        labels, sizes = pieces_of(off, connectivity=4)
        sizes[0] = 0
        plain = reached & ~off
        near = dilated(plain, gap + _EDGE) & (depth <= 1)
        for piece in np.flatnonzero(sizes >= _LEAST_LIGHT * reached.size):
            there = labels == piece
            open_to = dilated(there, 1) & plain
            closed = np.count_nonzero(there & near & ~dilated(open_to, _EDGE))
            if closed > _CLOSED * (closed + np.count_nonzero(open_to)):
                lost |= there
    return reached & ~lost


_BORDER = 4  # coarse cells
_OFF, _CODES_OFF = 0.3, 3.0  # stops, as much as a piece of backdrop may be off; codes: less is noise in the darks
_LEAST_LIGHT = 3e-3  # share of the frame: a fold of cloth has smaller ones with half an outline
_CLOSED = 0.45
"""Of some 1,900 such lights on drawn backdrops three had more of their outline closed, slivers all; of 240 in things
that were got into, 70 had."""


def _rooms(reached: Mask, depth: Grid, rim: Grid, half_neck: int, search: BackdropSearch) -> Iterator[_Room]:
    """Give each room behind a neck of a width, cut off at the neck. depth: how far each cell is from any edge."""
    labels, sizes = pieces_of(depth > half_neck, connectivity=4)
    at_rim = rim > 0
    held = np.bincount(labels[at_rim], rim[at_rim], len(sizes))
    held[0] = 0
    is_main = held >= max(search.least_rim, _AS_MUCH * held.max())
    is_main[held.argmax()] = True
    large = sizes >= LEAST_PIECE * reached.size
    large[0] = False
    is_room = large & ~is_main
    if not is_room.any() or min(reached.shape) < 3:
        return
    is_main[0] = False
    deep = is_room.take(labels)
    seeds: Any = np.zeros(reached.shape, np.int32)
    seeds[(reached & (rim > _LIKELY_RIM * rim.max()) & ~dilated(deep, half_neck)) | is_main.take(labels)] = 1
    seeds[deep] = 2
    cv2.watershed(cv2.merge([(~reached).view(np.uint8)] * 3), seeds)  # on the level: they meet half way
    seeds = cv2.copyMakeBorder(seeds[1:-1, 1:-1], 1, 1, 1, 1, cv2.BORDER_REPLICATE)  # which it leaves undecided
    main, line = (seeds == 1) & reached, (seeds == -1) & reached
    line &= dilated(main, 1)
    if not main.any():
        return
    # Rooms that lead to one another stand and fall together: edges of a texture part them.
    groups, _ = pieces_of((seeds == 2) & reached, connectivity=4)
    for group in np.setdiff1d(groups[deep], 0):
        whole = groups == group
        yield _Room(whole & deep, whole, main, line & dilated(whole, 1))


_LIKELY_RIM = 0.2  # times as likely as the likeliest
_AS_MUCH = 0.5  # of the border that the first one holds


def _is_set_off(room: _Room, depth: Grid, coded: Grid, gap: int) -> bool:
    """
    Say whether most of a room's outline is a step to another light, with backdrop beyond, and the room is of another.

    Where a rod or a wire parts backdrop from backdrop, both its sides have the same light; and where a fall of light on
    the backdrop is taken for a room, most of its outline is no edge.
    """
    across = gap + _EDGE
    edge = room.whole & dilated(room.main, across) & ~dilated(room.line, across)
    closed, opened = np.count_nonzero(edge & (depth <= 1)), np.count_nonzero(room.line)
    inner = edge & (depth >= 2) & (depth <= _EDGE)
    if closed < opened or not inner.any():
        return False
    behind = carried_on(coded, room.main)
    off = stops_off(coded[inner], behind[inner])
    if np.mean(off > _ANOTHER / 2) < _MOSTLY:
        return False
    within = brightest(coded), brightest(behind)
    return middle(np.abs(stops_over(*(grid[room.whole] for grid in within)))) > _ANOTHER


_EDGE = 3  # coarse cells: no edge is wider
_ANOTHER, _MOSTLY = 0.2, 0.6
"""Stops, next to the outline half of it, along so much of that. Of 98 rooms of true backdrop in drawn scenes none was
so; where things were got into, some room was in 93 scenes of 100."""


def _is_another_thing(room: _Room, coded: Grid, half_neck: int, search: BackdropSearch, telling: bool) -> bool:
    """
    Say whether a room looks like no backdrop by itself.

    Backdrop in a corner has the light of the backdrop next to it. What lies inside the frame, all but closed, has the
    light of the backdrop around it throughout, if it is backdrop; shading goes from under that light to over it.
    """
    deep = room.deep
    if telling and not (deep[[0, -1]].any() or deep[:, [0, -1]].any()):
        over = stops_over(brightest(coded), brightest(carried_on(coded, room.main)))
        spread = _spread(over[deep])
        return spread > max(2 * search.hole_stops, _MORE * _spread(over[room.main])) and _is_all_but_closed(room)
    near = dilated(deep, 4 * half_neck) & room.main
    if not near.any():
        return False
    over = stops_over(np.median(coded[near], axis=0), np.median(coded[deep], axis=0))
    return bool(np.abs(over).max() > search.leak_stops or np.ptp(over) > search.tint_stops)


def _spread(stops: NDArray[np.floating]) -> float:
    low, high = percentiles(stops, (10, 90))
    return high - low


_MORE = 2.0  # times as much as the backdrop, whose noise is many stops in the darks


def _is_all_but_closed(room: _Room) -> bool:
    """Say whether little of a room's outline is open to what else was reached."""
    outline = dilated(room.whole, 1) & ~room.whole
    return bool(np.count_nonzero(room.line) < _ALL_BUT_CLOSED * np.count_nonzero(outline))


_ALL_BUT_CLOSED = 0.2
