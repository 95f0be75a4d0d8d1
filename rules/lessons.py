"""
What the frames of a setup teach of the camera's tone response.

Two ways: a bracket of JPEGs against each other, and one shot filed as raw and JPEG, where the raw says what light
each code of the JPEG stands for.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache, partial
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lampblack.rules.ends import LAST, end_between
from lampblack.rules.look import Look
from lampblack.rules.response import PRIOR, Exposed, Response, learn, learn_from_raw

_MOST_LEARNED_FROM = 6  # frames; more teach little and take time
_EVERY = 2  # cells, each way: with four, tones that few cells have go untold, and the curve is half as far off again
_EVERY_PAIRED = 4  # ... of a raw and its JPEG, which are not in register to a cell
_OTHER_EXPOSURE = 0.3  # stops, from which a frame teaches something new
_MARGIN = 0.1  # a camera's JPEG is cut out of the middle of its raw, less than this share of it lost
_OTHER_SHAPE = 0.03  # ... or made smaller, its shape the same to this
_JPEG_ENDS, _JPEG_ENDS_OFF = 0.3, 0.5
"""Stops under the sensor's white where a camera's JPEG ends, and how much that differs (common practice)."""
_PLAIN_CODES = 24  # a cell whose neighbours differ by more lies on an edge: raw and JPEG are not in register to a pixel


@dataclass(frozen=True)
class Lessons:
    """
    bracket: JPEGs of different exposures. paired: exposures of which a raw and a JPEG were held together.

    remembered: what was known of the camera beforehand. from_bracket, from_pair: what was learned of it here.
    end: the lowest code at which a frame was seen to end, 255 if none ended early.
    """

    bracket: tuple[Exposed, ...] = ()
    paired: tuple[float, ...] = ()
    remembered: Response = PRIOR
    from_bracket: Response | None = None
    from_pair: Response | None = None
    end: int = LAST

    @property
    def shown(self) -> Response:
        """Return the surest of what was learned here, or the prior: the one to hold frames against each other by."""
        learned = [one for one in (self.from_pair, self.from_bracket) if one is not None]
        return min(learned, key=lambda one: one.sure_stops, default=PRIOR)

    @property
    def response(self) -> Response:
        """Return the surest there is: what was remembered, unless what was learned here is surer or disproves it."""
        shown = self.shown
        if self.remembered.sure_stops <= shown.sure_stops and not shown.contradicts(self.remembered):
            return self.remembered
        return shown

    def after(self, look: Look) -> Lessons:
        """Return the lessons with those of one more frame, if its exposure is a new one."""
        coded = look.shown if look.kind == "raw" else look
        if coded is None:
            return self
        lessons = replace(self, end=min(self.end, coded.end))
        if look is not coded:
            lessons = lessons._with_pair(look, coded)
        return lessons._with_frame(coded)

    def of_other_light(self) -> Lessons:
        """Return what holds when the light has changed: the curve does, frames can't be compared any more."""
        return replace(self, bracket=())

    def _with_pair(self, raw: Look, shown: Look) -> Lessons:
        stops = raw.shot.exposure.stops or 0.0
        if self.from_pair is not None and _is_known(stops, self.paired):
            return self
        cells = _in_register(raw, shown)
        if cells is None:
            return self
        codes, light, clipped = cells
        light = light * np.float32(2.0**_JPEG_ENDS)
        pair = partial(learn_from_raw, codes, light, clipped, white_code=self.end, white_off=_JPEG_ENDS_OFF)
        found = self._helped(pair)
        if found is None:
            return self
        best = found if self.from_pair is None else min(found, self.from_pair, key=lambda one: one.sure_stops)
        return replace(self, paired=(*self.paired, stops), from_pair=best)

    def _with_frame(self, look: Look) -> Lessons:
        stops = look.shot.exposure.stops
        if stops is None or _is_known(stops, tuple(frame.stops for frame in self.bracket)):
            return self
        codes = _code_of_half()[look.light[::_EVERY, ::_EVERY].view(np.uint16)].reshape(-1, 3)
        clipped = look.clipped_any[::_EVERY, ::_EVERY].ravel().astype(np.float32) / np.float32(255)
        frame = Exposed(codes, stops, clipped)
        if self.bracket and len(self.bracket[0].codes) != len(frame.codes):
            return self
        bracket = (*self.bracket, frame)
        if not self.bracket:
            return replace(self, bracket=bracket)
        found = self._helped(partial(learn, bracket, white_code=self.end))
        end = min(self.end, _end_beside(frame, self.bracket, found or self.response))
        if end < self.end:
            found = self._helped(partial(learn, bracket, white_code=end))
        return replace(self, bracket=bracket, end=end, from_bracket=found or self.from_bracket)

    def _helped(self, lesson: Callable[..., Response | None]) -> Response | None:
        """Return what a lesson teaches, begun from what was remembered if that is not disproved by it."""
        found = lesson()
        if found is None or self.remembered is PRIOR or found.contradicts(self.remembered):
            return found
        return lesson(start=self.remembered) or found


NO_LESSONS = Lessons()


def _end_beside(frame: Exposed, others: Sequence[Exposed], response: Response) -> int:
    """Return the lowest end of the curve that a frame shows beside others."""
    ends = [LAST]
    for other in others:
        dark, bright = sorted((frame, other), key=lambda one: one.stops)
        known = dark.clipped == 0
        sure = bright.stops - dark.stops - _END_OFF - 2 * response.sure_stops
        foretold = response.light_of(dark.codes[known].max(axis=1)) * 2.0**sure
        ends.append(end_between(foretold, bright.codes[known].max(axis=1)))
    return min(ends)


_END_OFF = 0.2  # stops by which a curve may be off that is learned without knowing where it ends


@cache
def _code_of_half() -> NDArray[np.float32]:
    """Return the code of each light that half precision has, by its bits: cells' channels are three times as many."""
    with np.errstate(invalid="ignore"):  # some of the bits are no number
        return PRIOR.code_of(np.arange(65536, dtype=np.uint16).view(np.float16)).astype(np.float32)


def _is_known(stops: float, before: tuple[float, ...]) -> bool:
    return len(before) >= _MOST_LEARNED_FROM or any(abs(one - stops) < _OTHER_EXPOSURE for one in before)


def _in_register(raw: Look, shown: Look) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]] | None:
    """Return a pair's plain cells as `learn_from_raw` takes them, or None where the two are not of one shape."""
    part = _part_shown(raw, shown)
    if part is None:
        return None
    size = shown.light.shape[1] // _EVERY_PAIRED, shown.light.shape[0] // _EVERY_PAIRED
    left, top, right, bottom = part
    # Place of each small cell's middle in the raw's cells, whose first has its middle at 0.
    across, down = (right - left) / size[0], (bottom - top) / size[1]
    place = np.array([[across, 0, left + across / 2 - 0.5], [0, down, top + down / 2 - 0.5]])

    def of_raw(grid: NDArray[Any]) -> Any:
        smooth = cv2.blur(np.asarray(grid, np.float32), (max(1, round(across)), max(1, round(down))))
        return cv2.warpAffine(smooth, place, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)

    def of_shown(grid: NDArray[Any]) -> Any:
        return cv2.resize(np.asarray(grid, np.float32), size, interpolation=cv2.INTER_AREA)

    codes = PRIOR.code_of(of_shown(shown.light)).astype(np.float32)
    clipped = np.maximum(of_raw(raw.clipped_any), of_shown(shown.clipped_any)) / np.float32(255)
    around = np.ones((3, 3), np.uint8)
    plain = (cv2.dilate(codes, around) - cv2.erode(codes, around)).max(axis=2) <= _PLAIN_CODES
    return codes[plain], of_raw(raw.light)[plain], clipped[plain]


def _part_shown(raw: Look, shown: Look) -> tuple[float, float, float, float] | None:
    """Return the part of a raw frame that its JPEG shows, in the raw's cells: left, top, right, bottom."""
    wide, high = shown.width / raw.width, shown.height / raw.height
    if not all(1 - _MARGIN <= share <= 1 for share in (wide, high)):
        if abs(wide / high - 1) > _OTHER_SHAPE:
            return None
        wide = high = 1.0
    across, down = raw.width / raw.side, raw.height / raw.side
    left, top = across * (1 - wide) / 2, down * (1 - high) / 2
    return left, top, across - left, down - top
