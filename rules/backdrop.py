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

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lampblack.rules.beside import Beside, when_asked
from lampblack.rules.cells import brightest, darkest, pieces_of
from lampblack.rules.distribution import middle, percentile
from lampblack.rules.outline import (
    Grid,
    Mask,
    backdrop_shares,
    dilated,
    eroded,
    into_fringes,
    light_per_code,
    like_backdrop,
    off_backdrop,
    touching,
)
from lampblack.rules.thresholds import BackdropSearch

__all__ = ["Found", "Mask", "find_backdrop"]

_STEP_SCALE = 8.0  # of a step in a byte, for the filters that only take bytes
_LINE_WIDTH = 6  # cells: a straight edge, blurred, is no wider
_LEAST_PIECE = 1.5e-4  # share of the frame; smaller islands and holes are specks


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
        half: Mask = self.share >= 0.5
        return half


def find_backdrop(
    light: Grid,
    search: BackdropSearch,
    clipped: Mask | None = None,
    grain: Grid | None = None,
    beside: Beside = when_asked,
) -> Found | None:
    """
    Return the backdrop, or None when no plain surface lies behind the subject.

    Args:
        light: (rows, columns, 3) linear light; values over 1 are welcome (a merged picture).
        search: the thresholds.
        clipped: (rows, columns) where the light is not known for being too bright.
        grain: (rows, columns, 3) the light's noise where it is known, its standard deviation.
        beside: how to begin what needs nothing of what comes next.
    """
    coded, noise = _coded(light, grain, search)
    step = _step(coded, noise, search)
    edges = _edges(step, clipped, search)
    reach = _reached(edges & ~_shadow_edges(edges, coded, search), coded, search)
    if reach is None:
        return None
    reached, intruder, other = reach
    light = np.asarray(light, np.float32)
    per_code = beside(lambda: light_per_code(light))
    within = _gap(search, intruder) + 2
    settled = _settled(reached, step)
    plain = reached & settled
    off, a_code = off_backdrop(light, plain, within, beside), per_code()
    plain = like_backdrop(a_code, off, plain, within, search.weak_edge_codes / 2) & ~(intruder | other)
    settled = settled | plain
    holes = _holes(settled, coded, step, search)
    patches = _lit_patches(light, settled | holes, search) & ~(intruder | other)
    coarse = settled | holes | patches
    plain = (plain & settled) | eroded(holes, 1) | patches
    if holes.any() or patches.any():
        off = off_backdrop(light, plain, within, beside)
    share = backdrop_shares(a_code, off, plain, coarse, within, search.weak_edge_codes)
    share = into_fringes(light, a_code, share, off, plain, within, search.weak_edge_codes)
    found = _without_specks(share >= 0.5)
    share = np.where(found, np.maximum(share, np.float32(0.5)), np.minimum(share, np.float32(0.49)))
    return Found(share, intruder & ~found) if found.mean() >= search.least_share else None


def _gap(search: BackdropSearch, grid: Mask) -> int:
    """Return how many cells wide a gap in an edge may be."""
    rows, columns = grid.shape
    longer: int = max(rows, columns)
    return max(1, round(search.gap_share * longer))


def _coded(light: Grid, grain: Grid | None, search: BackdropSearch) -> tuple[Grid, Grid | None]:
    """
    Return sRGB codes, carried on above white, with the finest grain taken off (median of 5 x 5 cells).

    And by how much noise alone makes them differ from cell to cell, where it is known. Where that would drown even
    strong edges in a half of the picture, it is first smoothed until it doesn't, at the cost of finer things.
    """
    light, noise = np.asarray(light, np.float32), None
    if grain is not None:
        noise = _STEPS_OF_NOISE * grain / light_per_code(light)[..., None]
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


def _step(coded: Grid, noise: Grid | None, search: BackdropSearch) -> Grid:
    """Return by how many codes neighbouring cells differ, the worst channel counting, noise held under strong edges."""
    steps = _steps(coded)
    if noise is not None:
        # Where noise is known and nothing was rounded, what an eye sees counts in the darks as well: the same share of
        # the light, whatever few codes that is.
        telling = np.clip(_DARK_FROM / np.maximum(coded, 1), 1, _MOST_TELLING)
        steps *= telling / np.maximum(noise * telling / np.float32(search.strong_edge_codes), 1)
    step: Grid = brightest(steps)
    return step


_DARK_FROM, _MOST_TELLING = 40.0, 3.0  # code; times


def _steps(coded: Grid) -> Grid:
    """Return the steps of each channel, of as many as there are, in codes a cell."""
    across, down = cv2.Scharr(coded, cv2.CV_32F, 1, 0), cv2.Scharr(coded, cv2.CV_32F, 0, 1)
    steps: Any = cv2.magnitude(across, down)
    return np.asarray(steps, np.float32) / np.float32(32)


def _edges(step: Grid, clipped: Mask | None, search: BackdropSearch) -> Mask:
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


def _shadow_edges(edges: Mask, coded: Grid, search: BackdropSearch) -> Mask:
    """
    Return the edges that are a shadow's: soft, and of no colour of their own.

    A thing's outline is as sharp as the lens draws it; a shadow's grows soft with its distance, and dims all channels
    alike. Soft is a step that is hardly less in a picture smoothed over three cells. Near sharp ones nothing is taken
    away: where a shadow runs up to a thing it would open its outline.
    """
    fine, smoothed = _steps(coded), cv2.GaussianBlur(brightest(coded), (0, 0), _SMOOTHED)
    around = cv2.dilate(_steps(np.asarray(smoothed, np.float32)), np.ones((3, 3), np.uint8))
    sharp = brightest(fine) / np.maximum(around, np.float32(1e-6))
    # Where the lens draws all softly, soft is what is much softer than its sharpest.
    lens = percentile(sharp[edges], 90) if edges.any() else 0.0
    soft = sharp < min(search.sharp_times, _MUCH_SOFTER * lens)
    shares = fine / np.maximum(coded, np.float32(_DARKEST_TO_TELL))
    most = brightest(shares)
    alike = most - darkest(shares) < search.shadow_tint * most
    shadow = edges & soft & alike
    alone: Mask = shadow & ~dilated(edges & ~shadow, 2)
    return alone


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
        if not long or area[line] >= _LINE_WIDTH * max(across, down):  # an outline has two sides and more
            continue
        box = piece[top : top + down, left : left + across]
        points = (np.argwhere(box)[:, ::-1] + (left, top)).astype(np.float32)
        x_way, y_way, x, y = cv2.fitLine(points, cv2.DIST_HUBER, 0, 0.01, 0.01).ravel().tolist()
        off = np.abs((points[:, 0] - x) * y_way - (points[:, 1] - y) * x_way)
        if float(np.percentile(off, 95)) < _LINE_WIDTH / 2:
            far = float(sum(edges.shape))
            ends = [(round(x + sign * far * x_way), round(y + sign * far * y_way)) for sign in (-1, 1)]
            cv2.line(drawn, ends[0], ends[1], (1,))
    return drawn > 0


@dataclass(frozen=True, eq=False)
class _Rim:
    """The frame's border where backdrop is likely: the top, counted double, and the sides; not the bottom."""

    cells: Mask
    weight: Grid

    @classmethod
    def of(cls, shape: tuple[int, ...]) -> _Rim:
        weight = np.zeros(shape[:2], np.float32)
        # The lower the likelier it is a table or a sitter's shoulder that touches the side.
        weight[:, :2] = weight[:, -2:] = np.linspace(1, 0, shape[0])[:, None]
        weight[:2] = 2
        return cls(weight > 0, weight / weight.sum())


def _reached(edges: Mask, coded: Grid, search: BackdropSearch) -> tuple[Mask, Mask, Mask] | None:
    """
    Return what can be reached from the border without crossing an edge, nor slipping through a gap in one.

    And the pieces at the border that a step in light sets off from it: a card, a stand, the hard edge of a light; and
    those that are something else: a table, a sitter.
    """
    gap = _gap(search, edges)
    calm = ~edges
    count, labels = cv2.connectedComponents(eroded(calm, gap).astype(np.uint8), connectivity=4)
    rim = _Rim.of(edges.shape)
    held = np.bincount(labels[rim.cells], rim.weight[rim.cells], count)
    held[0] = 0
    main = int(held.argmax())
    if held[main] < search.least_rim or (labels == main).mean() < search.least_share / 2:
        return None
    kinds = {"backdrop": labels == main, "intruder": np.zeros_like(edges), "else": np.zeros_like(edges)}
    for other in np.flatnonzero(held > search.least_rim / 50):
        if other != main:
            piece = labels == other
            kind = _beside(coded, labels == main, piece, gap, search)
            if held[other] > search.least_rim / 12 or (
                kind == "backdrop" and _is_corner(coded, labels == main, piece, search)
            ):
                kinds[kind] |= piece
    reached = _without_leaks(dilated(kinds["backdrop"], gap) & calm, coded, gap, search)
    return reached, dilated(kinds["intruder"], gap + 2), dilated(kinds["else"], gap + 2)


def _is_corner(coded: Grid, main: Mask, piece: Mask, search: BackdropSearch) -> bool:
    """
    Say whether a small piece low at the side is backdrop too, that happens to be like it in light.

    There may be little of it to see, beside a sitter's neck; but it must be the more like it in colour, and what
    touches the bottom is likelier a table's front.
    """
    return not piece[-3:].any() and _tint(coded, main, piece) < search.tint_stops / 2


def _without_leaks(reached: Mask, coded: Grid, gap: int, search: BackdropSearch) -> Mask:
    """
    Return what was reached, without rooms behind a narrow neck that have another light than what lies before it.

    An outline that fades into the backdrop somewhere lets the search into the subject. Backdrop in a corner has the
    light of the backdrop next to it.
    """
    wide = _LEAK_GAPS * gap
    count, labels = cv2.connectedComponents(eroded(reached, wide).astype(np.uint8), connectivity=4)
    if count <= 2:
        return reached
    sizes = np.bincount(labels.ravel())
    sizes[0] = 0
    main = labels == int(sizes.argmax())
    before = dilated(main, wide + 1)
    leaks = np.zeros_like(reached)
    for room in np.flatnonzero(sizes >= _LEAST_PIECE * reached.size):
        piece = labels == room
        near = dilated(piece, 4 * wide) & main
        if room != sizes.argmax() and near.any():
            other = _apart(coded, near, piece) > search.leak_stops or _tint(coded, near, piece) > search.tint_stops
            leaks |= dilated(piece, wide + 2) if other else False
    return reached & ~(leaks & ~before)


_LEAK_GAPS = 3  # times as wide as a gap in an edge that lets nothing through


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
        alike = _apart(coded, main, other) < search.other_side_stops and _tint(coded, main, other) < search.tint_stops
        return "backdrop" if alike else "else"
    if _apart(coded, dilated(other, wide) & main, meeting) < search.crease_stops:
        return "backdrop"
    # A table or a sitter touches the bottom and not the top; a stand or a card by the side often both. What touches but
    # the side is a card if it has backdrop along its outline, and part of the subject if it has more of that.
    low, high = bool(other[-3:].any()), bool(other[:3].any())
    if low or high:
        return "intruder" if high else "else"
    line = _outline(other)
    return "intruder" if np.count_nonzero(line & meeting) >= search.open_share * np.count_nonzero(line) else "else"


def _outline(piece: Mask) -> Mask:
    """Return the cells along a piece's outer edge, the frame's border left out."""
    drawn = np.zeros(piece.shape, np.uint8)
    contours, _ = cv2.findContours(piece.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    cv2.drawContours(drawn, contours, -1, (1,))
    drawn[:2] = drawn[-2:] = drawn[:, :2] = drawn[:, -2:] = 0
    return drawn > 0


def _apart(coded: Grid, one: Mask, other: Mask) -> float:
    """Return by how many stops the light of two pieces differs, the worst channel counting."""
    return float(_stops_off(np.median(coded[one], axis=0), np.median(coded[other], axis=0)))


def _tint(coded: Grid, one: Mask, other: Mask) -> float:
    """Return by how many stops two pieces differ in colour: the channel that differs most against the least."""
    ratio = np.log2((np.median(coded[one], axis=0) + 4) / (np.median(coded[other], axis=0) + 4)) * 2.2
    return float(np.ptp(ratio))


def _stops_off(coded: NDArray[np.floating], level: NDArray[np.floating]) -> NDArray[np.floating]:
    """Return how far codes lie from a level, in stops as a display shows them (exponent 2.2), calm in the darks."""
    off: NDArray[np.floating] = brightest(np.abs(np.log2((coded + 4) / (level + 4)))) * 2.2
    return off


def _settled(reached: Mask, step: Grid) -> Mask:
    """Put the line between backdrop and subject where the light changes most."""
    markers = np.zeros(reached.shape, np.int32)
    markers[~dilated(reached, 2)] = 2
    markers[eroded(reached, 1)] = 1
    relief = np.clip(step * 4, 0, 255).astype(np.uint8)
    cv2.watershed(cv2.merge([relief] * 3), markers)
    # The watershed leaves its line and the frame's rim undecided.
    return np.where(markers < 1, reached, markers == 1)


def _holes(backdrop: Mask, coded: Grid, step: Grid, search: BackdropSearch) -> Mask:
    """
    Return pieces of backdrop cut off by the subject (through a handle, under a beam).

    They have the light it would have there, are as plain, and have an edge or backdrop all round. Shading that happens
    to pass through the backdrop's light has no such edge, and isn't plain. In the darkest all is alike, and the guess
    would be idle. And a pale thing before white has its light too, but backdrop all round beyond its outline.
    """
    found = np.zeros_like(backdrop)
    thin = brightest(coded[::3, ::3])[backdrop[::3, ::3]]
    level = middle(thin) if len(thin) else 0.0
    if level < search.telling_code:
        return found
    near = max(4, round(search.near_share * max(backdrop.shape)))
    behind = _carried_on(coded, backdrop)
    alike = ~backdrop & (step < search.strong_edge_codes) & _within(coded, behind, 2 * search.hole_stops)
    for piece in _pieces(alike, _LEAST_PIECE):
        ring = dilated(piece, 2) & ~piece
        enclosed = (step[ring] > search.strong_edge_codes) | backdrop[ring]
        off = _stops_off(coded[piece], behind[piece])
        alike_there = enclosed.mean() > 0.7 and middle(off) < search.hole_stops
        beyond = dilated(piece, _RIM + 2) & ~dilated(piece, _RIM)
        cut_off = backdrop[beyond].mean() < search.hole_open_share
        if alike_there and cut_off and _as_plain(step, piece, backdrop, near):
            found |= piece | (ring & alike)
    return found


_RIM = 3  # cells: an outline is no wider


def _carried_on(coded: Grid, backdrop: Mask) -> Grid:
    """
    Return the backdrop's codes, where it is hidden as they would go on from what is about.

    Coarser and coarser means of what is there fill what is not (pull-push: Gortler and others, "The Lumigraph", 1996).
    """
    few = 4  # cells: this is smooth
    size = -(-coded.shape[1] // few), -(-coded.shape[0] // few)
    there = backdrop.astype(np.float32)
    shown = cv2.multiply(coded, cv2.merge([there] * 3))
    known: list[tuple[Any, Any]] = []
    while True:
        shown, there = (cv2.resize(grid, size, interpolation=cv2.INTER_AREA) for grid in (shown, there))  # type: ignore[assignment]
        known.append((shown, there))
        if max(size) == 1:
            break
        size = -(-size[0] // 2), -(-size[1] // 2)
    filled: Any = None
    for codes, weight in reversed(known):
        mean = cv2.divide(codes, cv2.merge([np.maximum(weight, np.float32(1e-6))] * 3))
        if filled is None:
            filled = mean
            continue
        wide = cv2.resize(filled, (weight.shape[1], weight.shape[0]), interpolation=cv2.INTER_LINEAR)
        # A quarter of it there tells enough of a coarse cell; what is nearer goes before what is farther.
        told = cv2.merge([np.minimum(4 * weight, np.float32(1))] * 3)
        filled = cv2.add(cv2.multiply(mean, told), cv2.multiply(wide, 1 - told))
    whole: Any = cv2.resize(filled, (coded.shape[1], coded.shape[0]), interpolation=cv2.INTER_LINEAR)
    return whole  # type: ignore[no-any-return]


def _within(coded: Grid, level: Grid, stops: float) -> Mask:
    """Return where codes lie within so many stops of a level (see `_stops_off`), in every channel."""
    times = 2 ** (stops / 2.2)
    over = cv2.addWeighted(coded, 1, level, -times, 4 - 4 * times)
    under = cv2.addWeighted(level, 1, coded, -times, 4 - 4 * times)
    near: Mask = brightest(cv2.max(over, under)) < 0
    return near


def _as_plain(step: Grid, piece: Mask, backdrop: Mask, near: int) -> bool:
    """Say whether a piece, its rim left out, is about as plain as the backdrop near it, or where none is, all of it."""
    inside = eroded(piece, 2)
    inside = inside if inside.any() else piece
    about = _box_around(piece, near) & backdrop
    about = about if about.any() else backdrop
    return middle(step[inside]) < 1.5 * middle(step[about]) + 0.05


def _box_around(piece: Mask, margin: int) -> Mask:
    rows, columns = np.nonzero(piece.any(axis=1))[0], np.nonzero(piece.any(axis=0))[0]
    box = np.zeros_like(piece)
    box[max(rows[0] - margin, 0) : rows[-1] + margin, max(columns[0] - margin, 0) : columns[-1] + margin] = True
    return box


def _lit_patches(light: Grid, backdrop: Mask, search: BackdropSearch) -> Mask:
    """
    Return patches on the backdrop that a lamp makes: on their own, and far under the subject's bright parts.

    They are brighter than the surface around them, or light would not have made them.
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
        if ring.any() and np.median(bright[ring]) < np.median(bright[piece]):
            found |= piece
    return found


def _pieces(mask: Mask, share: float) -> Iterator[Mask]:
    """Give each connected piece of a mask that covers at least a share of the frame."""
    labels, areas = pieces_of(mask, connectivity=4)
    for piece in range(1, len(areas)):
        if areas[piece] >= share * mask.size:
            yield labels == piece


def _without_specks(mask: Mask) -> Mask:
    """Return the mask without islands, and without holes, too small to matter."""
    for wanted in (True, False):
        labels, areas = pieces_of(mask == wanted, connectivity=4)
        small = areas < _LEAST_PIECE * mask.size
        small[0] = False
        if small.any():
            mask = mask ^ small.take(labels)
    return mask
