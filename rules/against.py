"""
A frame against those before it in its setup: has the picture moved, has anything come in, do the lamps flicker?

What is asked lives in `steadiness` and `flicker`; here it is settled which frames may answer.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from lampblack.rules.cells import Cells, brightest
from lampblack.rules.continuity import light_read
from lampblack.rules.flicker import LONGEST_S, NO_BANDS, Bands, bands_of
from lampblack.rules.frame import Picture, Sensor
from lampblack.rules.radiance import CLIPPED_TOO_MUCH, Past, Radiance
from lampblack.rules.response import Response
from lampblack.rules.steadiness import Moved, Reached, Tiles, moved, reaching_in, tiles_of
from lampblack.rules.thresholds import Thresholds
from lampblack.rules.tone import light_of_code

_TELLING_LIGHT = light_of_code(10)
_SAME_EXPOSURE = 1 / 24  # stops
_CURVE_IS_NEAR = 0.5  # stops: so far apart any tone response reads light alike
_FAR, _CURVE_IS_KNOWN = 2.5, 0.1  # stops
_LEVEL_SHARE = 0.02


@dataclass(frozen=True, eq=False)
class Steady:
    """
    What a frame tells of itself against those before it.

    tiles: its own, where there were none to hold it against. moved, reached: see `steadiness`; None: nothing to
    compare, nothing has come in. bands: see `flicker`. level: by how many stops it is brighter than an earlier frame
    of the same exposure, None without one.
    """

    tiles: Tiles | None = None
    moved: Moved | None = None
    reached: Reached | None = None
    bands: Bands = NO_BANDS
    level: float | None = None


NOTHING_TOLD = Steady()


def held_against(
    picture: Picture | Sensor,
    cells: Cells,
    known: Radiance | None,
    firsts: Iterable[Tiles],
    now: Past | None,
    thresholds: Thresholds,
) -> Steady:
    """
    Hold a frame against those before it; its bands, which nothing else hangs on, are told apart (`bands_across`).

    Args:
        picture: its pixels.
        cells: the same, reduced.
        known: the light that the frames before have shown; None if there are none, or if they were lit otherwise.
        firsts: tiles of the setup's first frame of each kind, whatever its light.
        now: the frame, small; None if its exposure isn't known.
        thresholds: the thresholds.
    """
    raw = isinstance(picture, Sensor)
    first = next((one for one in firsts if one.raw == raw and one.size == (picture.width, picture.height)), None)
    return Steady(
        tiles=tiles_of(picture, cells.bright) if first is None else None,
        moved=None if first is None else moved(first, picture),
        reached=None if now is None else _reached(known, now, raw, thresholds),
        level=None if now is None else _level(known, now, raw),
    )


def lies_at(steady: Steady, known: Radiance | None) -> tuple[float, float]:
    """Return where a frame's picture lies against the first one's; where that can't be told, with those before it."""
    if steady.moved is not None and steady.moved.shift is not None:
        return steady.moved.shift
    return (0.0, 0.0) if known is None else known.shift


def bands_across(picture: Picture | Sensor, cells: Cells, known: Radiance | None, thresholds: Thresholds) -> Bands:
    """Return the bands that lamps have left across a frame; args as for `held_against`."""
    exposure, raw, bright = picture.shot.exposure, isinstance(picture, Sensor), cells.bright
    own = None if known is None else known.of(raw)
    if exposure.shutter_s is not None and exposure.shutter_s > LONGEST_S:
        return NO_BANDS
    sound = (cells.clipped_any < CLIPPED_TOO_MUCH) & (bright > _TELLING_LIGHT)
    stops, before = exposure.stops, None
    if own is not None and stops is not None and own.light.shape == cells.light.shape:
        before = brightest(own.at(stops))
        sound &= before > _TELLING_LIGHT
    # Where all frames before were of about this exposure, any tone response reads them alike.
    near = own is not None and stops is not None and all(abs(one.stops - stops) < _CURVE_IS_NEAR for one in own.past)
    return bands_of(bright, sound, thresholds.flicker, turned=picture.turned, known=before, sure=raw or near)


def _before(known: Radiance | None, now: Past, raw: bool, most: float) -> list[Past]:
    """Return the earlier frames of a frame's kind and size up to so many stops from it, the nearest first."""
    own = None if known is None else known.of(raw)
    past = () if own is None else own.past
    near = [one for one in past if one.bright.shape == now.bright.shape and abs(one.stops - now.stops) <= most]
    return sorted(near, key=lambda one: abs(one.stops - now.stops))


def _reached(known: Radiance | None, now: Past, raw: bool, thresholds: Thresholds) -> Reached | None:
    """Hold a frame against the one nearest to it in exposure: what has come in at the edge?"""
    response = None if raw or known is None else known.response
    most = _FAR if response is None or response.sure_stops < _CURVE_IS_KNOWN else _CURVE_IS_NEAR
    before = next(iter(_before(known, now, raw, most)), None)
    return None if before is None else _come_in(before, now, response, thresholds)


def _come_in(before: Past, now: Past, response: Response | None, thresholds: Thresholds) -> Reached | None:
    old, new = (light_read(one.bright, response) for one in (before, now))
    meant = old * np.float32(2 ** (now.stops - before.stops))
    telling = ~before.clipped & ~now.clipped & (np.maximum(meant, new) > _TELLING_LIGHT)
    return reaching_in(meant, new, telling, thresholds.steadiness)


def _level(known: Radiance | None, now: Past, raw: bool) -> float | None:
    """Return by how many stops a frame is brighter than an earlier one of its exposure."""
    for one in _before(known, now, raw, _SAME_EXPOSURE):
        old, new = one.bright.astype(np.float32), now.bright.astype(np.float32)
        sound = ~one.clipped & ~now.clipped & (np.minimum(old, new) > _TELLING_LIGHT)
        if sound.mean() > _LEVEL_SHARE:
            return float(np.median(np.log2(new[sound] / old[sound])))
    return None
