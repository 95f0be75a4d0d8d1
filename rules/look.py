"""
Everything measured from one frame alone: the heavy half of the work.

`look()` turns millions of pixels into counts and small grids, so that whatever is decided later (over the whole
setup, at another threshold, at another aperture) needs no pixels any more.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import IntEnum
from functools import cached_property, partial
from typing import Any, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from lampblack.rules.against import NOTHING_TOLD, Steady, bands_across, held_against, lies_at
from lampblack.rules.backdrop import Found, Mask, find_backdrop
from lampblack.rules.beside import Beside, each, when_asked
from lampblack.rules.cells import Cells, brightest, count_by_label, half, luminance_of, mean_within, reduce, single
from lampblack.rules.continuity import NO_CHANGE, Change, light_changed
from lampblack.rules.distribution import CODE_EDGES, bin_of, middle, percentiles
from lampblack.rules.frame import Basis, Kind, Picture, Sensor, Shot
from lampblack.rules.given import NOTHING_GIVEN, Given, corrected
from lampblack.rules.glints import Heights, fine_bins
from lampblack.rules.grain import Grain
from lampblack.rules.radiance import (
    CLIPPED_TOO_MUCH,
    Merged,
    Past,
    Radiance,
    alone,
    before_backdrop,
    merge,
    past_of,
    remembering,
)
from lampblack.rules.raw import EDGES, LEVELS, RAW_MID_GREY, reduce_raw
from lampblack.rules.response import PRIOR, Response
from lampblack.rules.thresholds import Thresholds
from lampblack.rules.tone import MID_GREY, light_of_code
from lampblack.rules.wells import NO_WELLS, Full, Wells

MIXED_CELLS = 2
"""Between backdrop and subject the lens mixes both: this many cells of backdrop are not judged."""


class Part(IntEnum):
    """What a cell shows."""

    SUBJECT = 0
    GLINT = 1
    BACKDROP = 2
    MIXED = 3
    """Backdrop so near the subject that its light is not its own."""
    INTRUDER = 4
    """A card, a stand or a hard edge of light at the frame's border: neither subject nor backdrop."""


@dataclass(frozen=True, eq=False)
class Thin:
    """
    A few pixels of each cell and where they are, to be cut into subject and backdrop anew when these are better known.

    top: (rows * n, columns * n) uint8 the brightest channel's 8-bit code. bins: the same in the bins of `Look.levels`.
    luminance: (rows, columns) float16 linear.
    """

    top: NDArray[np.uint8]
    bins: NDArray[Any]
    luminance: NDArray[np.float16]

    @classmethod
    def of(cls, cells: Cells, bins: NDArray[Any], luminance: NDArray[np.float32]) -> Thin:
        """Keep four pixels a cell, or all where there are fewer, or the one where four can't be spread evenly."""
        along = cells.top.shape[0] // cells.shape[0]
        every = 1 if along < 4 else along // 2 if along % 2 == 0 else along
        top = np.ascontiguousarray(cells.top[::every, ::every])
        thin = top if bins is cells.top else np.ascontiguousarray(bins[::every, ::every])
        return cls(top, thin, half(luminance))


@dataclass(frozen=True, eq=False)
class Look:
    """
    One frame, measured.

    counts: (5, 256) pixels by `Part` and brightest channel's 8-bit code, of those looked at (`Cells.top`).
    clipped_frame: share of all pixels at the white level in any channel. clipped: (3,) share of the subject's pixels
    at the white level in R, G, B. mid_light: median linear luminance of the subject, None without one. side: pixels
    along a cell. parts: (rows, columns) `Part` of each cell. cover: (rows, columns) uint8, how much of each cell is
    backdrop, in 1/255. light: (rows, columns, 3) float16 mean linear light.
    clipped_any, over_patch, all_white: (rows, columns) uint8, shares of a cell's pixels in 1/255 (see `Cells`).
    levels, edges: (5, n) pixels by `Part` and light of the brightest channel, the (n + 1,) edges of those bins: what
    clipping is foretold from. A JPEG's are its codes; raw has the sensor's own. end: the last code of a JPEG's
    curve (`ends`). white_light, floor_light: from the one a pixel is clipped, up to the other it carries no detail.
    heights: how bright it is where, in the bins of `levels`. shown: of a raw frame, the camera's JPEG of the same shot.
    radiance: the setup's light, this frame's with it; of this frame alone where the light has changed.
    change: how much of the light is not that of the setup's frames before.
    """

    shot: Shot
    kind: Kind
    width: int
    height: int
    side: int
    counts: NDArray[np.int64]
    clipped_frame: float
    clipped: tuple[float, float, float]
    mid_light: float | None
    parts: NDArray[np.uint8]
    cover: NDArray[np.uint8]
    light: NDArray[np.float16]
    clipped_any: NDArray[np.uint8]
    over_patch: NDArray[np.uint8]
    all_white: NDArray[np.uint8]
    levels: NDArray[np.int64]
    edges: NDArray[np.float64]
    heights: Heights
    end: int
    white_light: float
    floor_light: float
    thin: Thin
    radiance: Radiance | None
    change: Change = NO_CHANGE
    shown: Look | None = None
    basis: Basis | None = None
    """Of a raw frame in colour: how its `light` was developed."""
    steady: Steady = NOTHING_TOLD
    full: Full | None = None
    """Of a raw frame: by what its white was reckoned."""
    grain: Grain | None = None
    """Of a raw frame: its noise, where that can be told."""

    @cached_property
    def bright(self) -> NDArray[np.float32]:
        """Return the brightest channel's light, (rows, columns)."""
        bright: NDArray[np.float32] = brightest(single(self.light))
        return bright

    @cached_property
    def calm(self) -> NDArray[np.float32]:
        """Return the same, on the backdrop with its noise averaged out where it is strong: noise is no light."""
        if self.grain is None or self.grain.calm_cells == 1:
            return self.bright
        core = self.parts == Part.BACKDROP
        return np.where(core, brightest(mean_within(core, single(self.light), self.grain.calm_cells)), self.bright)

    @cached_property
    def span(self) -> tuple[float, float]:
        """Return from which light to which all cells lie, but for one in a thousand at either end."""
        low, high = percentiles(self.bright.ravel(), (0.1, 99.9))
        return low, high

    @property
    def backdrop(self) -> Mask:
        """Return the backdrop's cells, the mixed ones too."""
        backdrop: Mask = (self.parts == Part.BACKDROP) | (self.parts == Part.MIXED)
        return backdrop

    @property
    def subject(self) -> Mask:
        """Return the subject's cells, its glints too."""
        return subject_in(self.parts)

    def points(self, shape: tuple[int, ...]) -> NDArray[np.uint8]:
        """Return the `Part` of (rows, columns) points spread evenly over the cells."""
        return parts_of_points(self.parts, self.cover, (shape[0], shape[1]))

    def without_radiance(self) -> Look:
        """Return a copy that is cheap to keep."""
        return replace(self, radiance=None)


def look(
    picture: Picture | Sensor,
    thresholds: Thresholds,
    known: Radiance | None = None,
    *,
    no_backdrop: bool = False,
    given: Given = NOTHING_GIVEN,
    cells: Cells | None = None,
    beside: Beside = when_asked,
) -> Look:
    """
    Measure one frame.

    Args:
        picture: its pixels or sensor samples, upright.
        thresholds: the thresholds.
        known: the setup's light so far; helps to find the backdrop in what this frame alone shows too dark or clipped.
        no_backdrop: the photographer says there is none.
        given: what they say of where it is.
        cells: the picture `reduced`, where that is done already: it is the part that needs no other frame.
        beside: how to begin what needs nothing of what comes next.
    """
    raw = isinstance(picture, Sensor)
    cells = cells or reduced(picture, thresholds, NO_WELLS if known is None else known.wells, beside)
    known = None if known is None else known.on_scale(cells.full)
    scale, stops = _scale(cells, thresholds), picture.shot.exposure.stops
    lit = beside(partial(_lit, known, cells, stops, thresholds, raw))
    luminance = luminance_of(cells.light)
    # What takes long first: once the backdrop is looked for, it must not be under way in front of what that waits for.
    bands = beside(lambda: bands_across(picture, cells, lit().known, thresholds))
    thin = beside(partial(Thin.of, cells, scale.bins, luminance))
    fine = beside(partial(fine_bins, scale.bins, cells.clipped_any > 0.5))
    told = beside(lambda: _told(lit(), known, picture, cells, thresholds))
    basis = picture.basis if isinstance(picture, Sensor) and len(picture.planes) > 1 else None
    merged, response = _merged(cells, stops, raw, known), PRIOR if raw or known is None else known.response
    if lit().known is not known:
        merged = _merged(cells, stops, raw, lit().known)
    found = None if no_backdrop else _find(cells, merged, response, basis, thresholds, beside)
    before = told()
    if before.known is not lit().known:  # by then it has been of no help
        merged = _merged(cells, stops, raw, before.known)
        found = None if no_backdrop else _find(cells, merged, response, basis, thresholds, beside)
    if given is not NOTHING_GIVEN and not no_backdrop:
        size = picture.width / cells.side, picture.height / cells.side
        found = corrected(found, given, cells.light, stops, raw, size)
    parts = _parts(cells, found)
    joined = beside(partial(_joined, before, merged, cells, parts == Part.BACKDROP, thresholds, raw))
    subject = parts == Part.SUBJECT
    heights = Heights(*fine(), subject, thresholds.highlights)
    dark = bin_of(scale.white / 2.0**thresholds.highlights.glint_contrast_stops, scale.edges)
    parts[heights.glints(np.where(subject, cells.clipped_any, 0), dark)] = Part.GLINT
    cover = np.zeros(cells.shape, np.uint8) if found is None else _as_bytes(found.share)
    counts, levels = _counted(cells, scale, parts, cover, beside)
    radiance, change = joined()
    return Look(
        shot=picture.shot,
        kind=picture.kind,
        width=picture.width,
        height=picture.height,
        side=cells.side,
        counts=counts,
        end=cells.end,
        clipped_frame=cells.clipped_frame,
        clipped=_mean_by_channel(cells.clipped, subject),
        mid_light=mid_light_of(luminance[subject], raw=raw),
        parts=parts,
        cover=cover,
        light=half(cells.light),
        clipped_any=_as_bytes(cells.clipped_any),
        over_patch=_as_bytes(cells.over_patch),
        all_white=_as_bytes(cells.all_white),
        radiance=None if radiance is None else _handed_on(radiance, known, before.shift, cells.full),
        change=change,
        steady=replace(before.steady, bands=bands()),
        levels=levels,
        edges=scale.edges,
        heights=heights,
        thin=thin(),
        white_light=scale.white,
        floor_light=scale.floor,
        basis=basis,
        full=cells.full,
        grain=cells.grain,
    )


def reduced(
    picture: Picture | Sensor, thresholds: Thresholds, wells: Wells = NO_WELLS, beside: Beside = when_asked
) -> Cells:
    """Return a picture in cells; wells: what is known of where raw frames are full."""
    if isinstance(picture, Sensor):
        return reduce_raw(picture, thresholds, wells, beside)
    return reduce(picture, thresholds, beside)


def reduced_with(
    cells: Cells, picture: Picture | Sensor, thresholds: Thresholds, wells: Wells, beside: Beside = when_asked
) -> Cells:
    """Return a picture in cells, anew where what has become known of its camera bears on it."""
    return reduced(picture, thresholds, wells, beside) if wells.know_better(cells.full) else cells


_OFF_CELLS = 0.5


@dataclass(frozen=True, eq=False)
class _Lit:
    """
    Whether a frame is lit like those before it.

    now: it, small; None if its exposure isn't known. known: the light that was known, None where it is of another.
    """

    now: Past | None
    change: Change
    known: Radiance | None


def _lit(known: Radiance | None, cells: Cells, stops: float | None, thresholds: Thresholds, raw: bool) -> _Lit:
    now = None if stops is None else past_of(cells.light, cells.clipped_any, None, stops)
    change = NO_CHANGE if now is None else _changed(known, now, thresholds, raw)
    return _Lit(now, change, None if change.counts(thresholds) else known)


@dataclass(frozen=True, eq=False)
class _Told(_Lit):
    """
    What else the frames before tell of one.

    shift: where its picture lies against the first one's, in pixels. known: None where that is elsewhere, too.
    """

    steady: Steady
    shift: tuple[float, float]


def _told(lit: _Lit, known: Radiance | None, picture: Picture | Sensor, cells: Cells, thresholds: Thresholds) -> _Told:
    """Hold a frame against those before it; known: their light, whether or not it still is."""
    steady = held_against(picture, cells, lit.known, () if known is None else known.tiles, lit.now, thresholds)
    shift = lies_at(steady, lit.known)
    known = lit.known
    if known is not None and np.hypot(*np.subtract(shift, known.shift)) > _OFF_CELLS * cells.side:
        known = None  # a nudged tripod: what was known lies elsewhere
    return _Told(lit.now, lit.change, known, steady, shift)


def _changed(known: Radiance | None, frame: Past, thresholds: Thresholds, raw: bool) -> Change:
    own = None if known is None else known.of(raw)
    if known is None or own is None:
        return NO_CHANGE
    return light_changed(own.past, frame, thresholds, raw=raw, response=known.response)


def _joined(
    before: _Told, merged: Merged | None, cells: Cells, behind: Mask, thresholds: Thresholds, raw: bool
) -> tuple[Radiance | None, Change]:
    """Return the setup's light with this frame in it, and how much has changed, by the backdrop too."""
    known, change = before.known, before.change
    if merged is None or before.now is None:
        return None, change
    frame = before_backdrop(before.now, behind)
    if not change.counts(thresholds):
        change = _changed(known, frame, thresholds, raw)
        if change.counts(thresholds):
            # Seen only now, by the backdrop alone, which earlier frames helped to find.
            return Radiance().having(raw, alone(cells.light, cells.clipped_any, behind, merged.stops)), change
    return (known or Radiance()).having(raw, remembering(merged, frame)), change


def _merged(cells: Cells, stops: float | None, raw: bool, known: Radiance | None) -> Merged | None:
    """Return the setup's light with this frame's."""
    own = None if known is None else known.of(raw)
    return None if stops is None else merge(own, cells.light, cells.clipped_any, stops, raw=raw)


def _handed_on(radiance: Radiance, known: Radiance | None, shift: tuple[float, float], full: Full | None) -> Radiance:
    """Return the setup's light with what else the next frame is held against, whatever the light that was known."""
    by_tag = full is None or full.source == "tag"
    white = radiance.full if by_tag and radiance.full is not None else full
    return replace(radiance, tiles=() if known is None else known.tiles, shift=shift, full=white)


def _find(
    cells: Cells,
    merged: Merged | None,
    response: Response,
    basis: Basis | None,
    thresholds: Thresholds,
    beside: Beside,
) -> Found | None:
    """Return the backdrop, from all that the setup's frames show together."""
    light, unknown, over = cells.light, cells.clipped_any >= CLIPPED_TOO_MUCH, np.float32(1)
    linear = rounding = grain = None
    white = np.float32(1)  # of the darkest frame, in units of the most exposed one's
    if merged is not None:
        light, unknown = merged.at(merged.most_stops), merged.weight[..., 0] == 0
        # The most exposed frame shows the darks best; but where most of it is burnt out, what it says has no place.
        over = np.maximum(middle(brightest(light[::4, ::4]).ravel()), over)
        white = np.float32(2.0 ** (merged.most_stops - merged.least_stops))
        linear = None if response.is_prior else merged.linear(merged.most_stops, response) / over
        if cells.grain is None:
            rounding = merged.rounding(light)
        else:
            grain = merged.noise(cells.grain, light) / over
    elif cells.grain is not None:
        grain = cells.grain.of(light)
    shown = None
    if basis is not None and 0 < unknown.mean() < _ALL_BURNT:
        # Cut only where it is clipped, what lies just under that would look another colour.
        shown = basis.cut_at_white(light / white) * (white / over)
    return find_backdrop(
        light / over, thresholds.backdrop, unknown, grain, beside, linear=linear, rounding=rounding, shown=shown
    )


_ALL_BURNT = 0.99  # of the frame: then what the last channel shows, in whatever colour, is all there is
_BAND = 48  # rows of cells


def _counted(
    cells: Cells, scale: _Scale, parts: NDArray[np.uint8], cover: NDArray[np.uint8], beside: Beside
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return how many of the pixels looked at have each `Part` and 8-bit code, and each `Part` and bin."""
    rows, size = cells.shape[0], (cells.top.shape[0], cells.top.shape[1])
    along = size[0] // rows
    whole = size == (rows * along, cells.shape[1] * along)  # else no row of cells begins with one of points

    def count(first: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        above, last = max(first - 1, 0), min(first + _BAND, rows)  # the cover is asked for between rows
        cut = slice(above, last + 1)
        points = parts_of_points(parts[cut], cover[cut], (len(parts[cut]) * along, size[1]))
        return of_points(points[(first - above) * along :], slice(first * along, last * along))

    def of_points(points: NDArray[np.uint8], band: slice) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        points = points[: len(cells.top[band])]
        counts = count_by_label(cells.top[band], points, 256, len(Part))
        same = scale.bins is cells.top
        return counts, counts if same else count_by_label(scale.bins[band], points, LEVELS, len(Part))

    if whole:
        found = each(count, range(0, rows, _BAND), beside)
    else:
        points = parts_of_points(parts, cover, size)
        bands = [slice(first, first + _BAND * along) for first in range(0, size[0], _BAND * along)]
        found = each(lambda band: of_points(points[band], band), bands, beside)
    counts, levels = zip(*found, strict=True)
    return sum(counts), sum(levels)


_BEHIND = 16
"""Added to the part of a cell where a point in it is backdrop."""


def _part_of_point() -> NDArray[np.uint8]:
    """Return the table from a cell's part, and whether the point is backdrop, to the point's part."""
    table = np.arange(256, dtype=np.uint8) % _BEHIND
    table[Part.MIXED] = Part.SUBJECT
    table[[_BEHIND + Part.SUBJECT, _BEHIND + Part.GLINT]] = Part.MIXED
    return table


_PART_OF_POINT = _part_of_point()


def subject_in(parts: NDArray[np.uint8]) -> Mask:
    """Return where parts are the subject's, its glints too."""
    subject: Mask = (parts == Part.SUBJECT) | (parts == Part.GLINT)
    return subject


def parts_of_points(parts: NDArray[np.uint8], cover: NDArray[np.uint8], shape: tuple[int, int]) -> NDArray[np.uint8]:
    """
    Return the `Part` of each of (rows, columns) points spread evenly over the cells, as many as `shape` says.

    Between cells the cover changes evenly, so that the line crosses them at any angle.
    """
    size = shape[1], shape[0]
    of_cell = cv2.resize(parts, size, interpolation=cv2.INTER_NEAREST)
    wide = cv2.resize(cover, size, interpolation=cv2.INTER_LINEAR)
    behind = cv2.threshold(wide, 127, _BEHIND, cv2.THRESH_BINARY)[1]
    points: Any = cv2.LUT(cv2.add(of_cell, behind), _PART_OF_POINT)
    return points  # type: ignore[no-any-return]


_HIGHEST_OF_TWO = 1.56
"""A point's level is its highest sample, mostly the higher of two greens, and that lies 0.56 noise over their mean."""


class _Scale(NamedTuple):
    """What forecasts of clipping go by: of raw the sensor's levels, of a JPEG its codes (see `Look`)."""

    bins: NDArray[Any]
    edges: NDArray[np.float64]
    white: float
    floor: float


def _scale(cells: Cells, thresholds: Thresholds) -> _Scale:
    if cells.level is not None and cells.noise is not None:
        return _Scale(cells.level, np.append(EDGES, 1.01), 1.0, cells.noise.floor * _HIGHEST_OF_TWO)
    floor = light_of_code(thresholds.shadows.blocked_code + 0.5)
    return _Scale(cells.top, CODE_EDGES, light_of_code(cells.end - 0.5), floor)


def mid_light_of(luminance: NDArray[Any], *, raw: bool) -> float | None:
    """Return the median, so scaled that mid grey is 0.18."""
    if not len(luminance):
        return None
    return middle(luminance) * (MID_GREY / RAW_MID_GREY if raw else 1.0)


def _mean_by_channel(shares: NDArray[np.float32], where: Mask) -> tuple[float, float, float]:
    if not where.any():
        return 0.0, 0.0, 0.0
    red, green, blue, _ = cv2.mean(shares, where.view(np.uint8))
    return red, green, blue


def _as_bytes(shares: NDArray[np.float32]) -> NDArray[np.uint8]:
    return np.rint(shares * 255).astype(np.uint8)


def _parts(cells: Cells, found: Found | None) -> NDArray[np.uint8]:
    parts = np.full(cells.shape, Part.SUBJECT, np.uint8)
    if found is not None:
        wide = 2 * MIXED_CELLS + 1
        parts[found.intruder] = Part.INTRUDER
        parts[found.backdrop] = Part.MIXED
        core = cv2.erode(
            found.backdrop.astype(np.uint8),
            np.ones((wide, wide), np.uint8),
            borderType=cv2.BORDER_CONSTANT,
            borderValue=(1,),
        )
        parts[core > 0] = Part.BACKDROP
    return parts
