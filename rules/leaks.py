"""
Where the search for the backdrop got into the subject: through a part of its outline that has the backdrop's light.

A thing of mid tones before a grey backdrop is brighter than that on one side and darker on the other, and between the
two its outline fades. What lies behind such a gap, however wide, is told by the rest of the outline: across that, the
light is another.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cache, partial
from typing import Any, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from lampblack.rules.cells import brightest, pieces_of
from lampblack.rules.distribution import middle, percentiles
from lampblack.rules.holes import LEAST_PIECE
from lampblack.rules.likeness import apart, carried_on, stops_off, stops_over, tint, too_dark_to_tell
from lampblack.rules.outline import Grid, Mask, dilated, opened
from lampblack.rules.thresholds import BackdropSearch


class _Room(NamedTuple):
    """
    What lies behind a neck, and what before it.

    deep: the room's middle, farther from all edges than half of its neck. line: where room and main meet. behind: how
    to have the codes of main, carried on.
    """

    deep: Mask
    whole: Mask
    main: Mask
    line: Mask
    behind: Callable[[], Grid]


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
    small, around, few, gap = _coarse(reached.astype(np.float32)) > _ALL, _coarse(rim), _coarse(coded), gap // _COARSE
    kept = _without_rooms(small, around / around.sum(), few, max(gap, 1), search)
    kept = _without_lights(kept, around > 0, few, max(gap, 1), search)
    lost: Any = cv2.resize((small & ~kept).view(np.uint8), reached.shape[::-1], interpolation=cv2.INTER_NEAREST)
    return reached & ~dilated(lost > 0, _COARSE)  # coarse cells along an edge count as the edge's


_COARSE, _ALL = 2, 0.999
"""Rooms and lights are large: a grid of half as many cells each way tells them as well, in a quarter of the time."""


def border_held(labels: NDArray[Any], rim: Grid, count: int) -> NDArray[Any]:
    """Return how much of the border each of so many pieces holds; 0 for what is none. rim: see `without_leaks`."""
    at_rim = rim > 0
    held: NDArray[Any] = np.bincount(labels[at_rim], rim[at_rim], count)
    held[0] = 0
    return held


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
        for room in _rooms(reached, depth, rim, coded, half_neck, search):
            small = rim[room.whole].sum() < search.least_rim
            odd = small and _is_another_thing(room, coded, half_neck, search, telling)
            if odd or (telling and _is_set_off(room, depth, coded, gap, search)):
                reached = reached & ~room.whole
    return reached


_HALF_NECKS = (3, 5, 8, 13)
"""Half of a neck's width, in gaps that let nothing through: the widest is a sixth of the frame."""


def _without_lights(reached: Mask, border: Mask, coded: Grid, gap: int, search: BackdropSearch) -> Mask:
    """
    Return what was reached, without what is of another light than the backdrop and has an outline against it.

    Half of a thing's outline is often lost: its lit side fades into its dark one, and that into the backdrop. But light
    that falls on the backdrop itself has no outline at all, only where it ends at the thing; nor does it lie there many
    stops over all that is about it.
    """
    depth = _depth_in(reached)
    bright = brightest(coded)
    around = reached & dilated(border, _BORDER)
    around &= stops_over(bright, np.float32(middle(bright[around]))) < search.glow_stops
    behind = brightest(carried_on(coded, around))
    over = np.where(np.abs(bright - behind) > _CODES_OFF, stops_over(bright, behind), 0)
    lost = np.zeros_like(reached)
    for way in (1, -1):
        off = opened(reached & (way * over > search.hole_stops), 1)
        labels, sizes = pieces_of(off, connectivity=4)
        sizes[0] = 0
        plain = reached & ~off
        near = dilated(plain, gap + _EDGE) & (depth <= 1)
        for piece in np.flatnonzero(sizes >= _LEAST_LIGHT * reached.size):
            there = labels == piece
            open_to = dilated(there, 1) & plain
            closed = np.count_nonzero(there & near & ~dilated(open_to, _EDGE))
            glares = way > 0 and middle(over[there]) > search.glow_stops
            if glares or closed > _CLOSED * (closed + np.count_nonzero(open_to)):
                lost |= there
    return reached & ~lost


_BORDER = 4  # coarse cells
_CODES_OFF = 3.0  # less is noise in the darks, whatever it is in stops
_LEAST_LIGHT = 3e-3  # share of the frame: a fold of cloth has smaller ones with half an outline
_CLOSED = 0.45
"""Of some 1,900 such lights on drawn backdrops three had more of their outline closed, slivers all; of 240 in things
that were got into, 70 had."""


def _rooms(
    reached: Mask, depth: Grid, rim: Grid, coded: Grid, half_neck: int, search: BackdropSearch
) -> Iterator[_Room]:
    """Give each room behind a neck of a width, cut off at the neck. depth: how far each cell is from any edge."""
    labels, sizes = pieces_of(depth > half_neck, connectivity=4)
    held = border_held(labels, rim, len(sizes))
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
    behind = cache(partial(carried_on, coded, main))
    for group in np.setdiff1d(groups[deep], 0):
        whole = groups == group
        yield _Room(whole & deep, whole, main, line & dilated(whole, 1), behind)


_LIKELY_RIM = 0.2  # times as likely as the likeliest
_AS_MUCH = 0.5  # of the border that the first one holds


def _is_set_off(room: _Room, depth: Grid, coded: Grid, gap: int, search: BackdropSearch) -> bool:
    """
    Say whether most of a room's outline is a step to another light, with backdrop beyond, and the room is of another.

    Where a rod or a wire parts backdrop from backdrop, both its sides have the same light; and where a fall of light on
    the backdrop is taken for a room, most of its outline is no edge.
    """
    across = gap + _EDGE
    edge = room.whole & dilated(room.main, across) & ~dilated(room.line, across)
    closed, left_open = np.count_nonzero(edge & (depth <= 1)), np.count_nonzero(room.line)
    inner = edge & (depth >= 2) & (depth <= _EDGE)
    if closed < left_open or not inner.any():
        return False
    off = stops_off(coded[inner], room.behind()[inner])
    least = search.set_off_stops / (2 if closed > _SHUT * left_open else 1)  # specks of noise close some of any outline
    set_off = float(np.mean(off > least)) >= _MOSTLY
    return set_off and middle(np.abs(_over(room, coded, room.whole))) > search.set_off_stops


_EDGE = 3  # coarse cells: no edge is wider
_SHUT = 1.5  # times as much of the outline closed as open
_MOSTLY = 0.6
"""Of 98 rooms of true backdrop in drawn scenes none was so much set off; of 100 scenes in whose things the search had
got, 93 had one that was."""


def _over(room: _Room, coded: Grid, where: Mask) -> NDArray[np.floating]:
    """Return by how many stops some cells lie over the backdrop."""
    return stops_over(brightest(coded[where]), brightest(room.behind()[where]))


def _is_another_thing(room: _Room, coded: Grid, half_neck: int, search: BackdropSearch, telling: bool) -> bool:
    """
    Say whether a room looks like no backdrop by itself.

    Backdrop in a corner has the light of the backdrop next to it. What lies inside the frame, all but closed, has the
    light of the backdrop around it throughout, if it is backdrop; shading goes from under that light to over it.
    """
    deep = room.deep
    if telling and not (deep[[0, -1]].any() or deep[:, [0, -1]].any()):
        spread = _spread(_over(room, coded, deep))
        much = spread > 2 * search.hole_stops and spread > _MORE * _spread(_over(room, coded, room.main))
        return much and _is_all_but_closed(room)
    near = dilated(deep, 4 * half_neck) & room.main
    if not near.any():
        return False
    return apart(coded, near, deep) > search.leak_stops or tint(coded, near, deep) > search.tint_stops


def _spread(stops: NDArray[np.floating]) -> float:
    low, high = percentiles(stops, (10, 90))
    return high - low


_MORE = 2.0  # times as much as the backdrop, whose noise is many stops in the darks


def _is_all_but_closed(room: _Room) -> bool:
    """Say whether little of a room's outline is open to what else was reached."""
    outline = dilated(room.whole, 1) & ~room.whole
    return bool(np.count_nonzero(room.line) < _ALL_BUT_CLOSED * np.count_nonzero(outline))


_ALL_BUT_CLOSED = 0.2
