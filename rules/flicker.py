"""
Flicker: lamps ripple at twice the mains frequency; a rolling shutter makes bands of it, a short exposure another level.

Sources: ripple left after an exposure is the sinc of frequency times time (a mean over the exposure); safe times are
whole ripples (common to the guides for filming under discharge lamps, check values of the trade).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lampblack.rules.exposure import SHUTTERS_THIRD, shutter_seconds
from lampblack.rules.figures import percent, shutter_text
from lampblack.rules.thresholds import Flicker as Limits

Grid = NDArray[np.float32]
Mask = NDArray[np.bool_]

MAINS = (50.0, 60.0)
_STRIPS = 24  # of columns, each with a profile of its own
_LEAST_STRIPS = 8
_LAG = 6  # rows over which slopes are taken
_TOLD = 0.4  # of a row of a strip must be sound
LONGEST_S = 0.26
"""An exposure of so many ripples has none left: bands and safe times are no matter any more."""


def ripple_left(shutter_s: float, ripple_hz: float) -> float:
    """
    Return which part of a lamp's ripple an exposure lets through: |sinc(f t)|.

    >>> [round(ripple_left(1 / t, 100.0), 3) for t in (50, 60, 100, 125, 200)]
    [0.0, 0.165, 0.0, 0.234, 0.637]
    """
    return abs(float(np.sinc(shutter_s * ripple_hz)))


def safe_times(mains_hz: float, longest_s: float = LONGEST_S) -> list[float]:
    """
    Return the exposure times, in seconds, that hold whole ripples: k / (2 mains).

    >>> [round(1 / t, 1) for t in safe_times(60.0)[:4]]
    [120.0, 60.0, 40.0, 30.0]
    """
    one = 1 / (2 * mains_hz)
    return [k * one for k in range(1, int(longest_s / one + 1e-9) + 1)]


def safe_marks(mains_hz: float, near_s: float, few: int = 3) -> list[float]:
    """
    Return marked shutter times that let the least ripple through, those nearest to a time first.

    A mark is taken for the time that is written on it. A camera whose 1/60 is 1/64 s lets a twentieth through.
    """
    times = [t for t in _MARKS if t <= LONGEST_S and ripple_left(t, 2 * mains_hz) < _SAFE]
    return sorted(times, key=lambda t: abs(math.log2(t / near_s)))[:few]


_SAFE = 0.02
_MARKS = sorted({*(shutter_seconds(mark) for mark in SHUTTERS_THIRD), 1 / 120})
"""Cameras offer thirds; some have 1/120 besides."""


@dataclass(frozen=True)
class Bands:
    """share: peak to peak, of the mean. period: of one band, in shares of the frame along the readout; None: none."""

    share: float
    period: float | None


NO_BANDS = Bands(0.0, None)


def bands_of(
    light: Grid, sound: Mask, limits: Limits, *, turned: bool = False, known: Grid | None = None, sure: bool = True
) -> Bands:
    """
    Return the bands that a rolling shutter has left across a frame.

    Args:
        light: (rows, columns) linear light of its cells.
        sound: (rows, columns) where it is neither clipped nor dark.
        limits: the thresholds.
        turned: the sensor's rows run down in the upright picture.
        known: the same cells' light in other frames of the setup, if there are any: what stands in the picture falls
            out, and only what changes is left.
        sure: both are read in one and the same way, whatever the exposure.

    A band goes right across the frame, is as strong on the subject as on the backdrop, and is a plain wave: stripes,
    folds and blinds are not all three.
    """
    log = (
        np.log2(np.maximum(light, 1e-5))
        if known is None
        else np.log2(np.maximum(light, 1e-5) / np.maximum(known, 1e-5))
    )
    if turned:
        log, sound = log.T, sound.T
    profiles = _profiles(np.ascontiguousarray(log, np.float32), sound)
    if profiles is None:
        return NO_BANDS
    alone = known is None or not sure
    least = limits.least_bands_alone if alone else limits.least_bands
    found = _common_wave(profiles, (least, limits.most_bands), _MOST_ALONE if known is None else _MOST)
    if found is None:
        return NO_BANDS
    amplitude, count = found
    return Bands(2.0**amplitude - 2.0**-amplitude, 1 / count)


def _profiles(log: Grid, sound: Mask) -> NDArray[np.float64] | None:
    """
    Return (strips, rows) how steeply the light rises down each strip, over `_LAG` rows; NaN where it can't be told.

    Medians of slopes: things have edges, in few places, and between them no slope; a band slopes everywhere.
    """
    rows, columns = log.shape
    if columns < 4 * _STRIPS or rows < 8 * _LAG:
        return None
    slope = np.where(sound[_LAG:] & sound[:-_LAG], log[_LAG:] - log[:-_LAG], np.nan)
    wide = columns // _STRIPS
    parts = np.sort(slope[:, : wide * _STRIPS].reshape(rows - _LAG, _STRIPS, wide), axis=2)  # NaN goes last
    told = np.count_nonzero(np.isfinite(parts), axis=2)
    middle = np.take_along_axis(parts, np.minimum(told // 2, wide - 1)[..., None], axis=2)[..., 0]
    profiles = np.where(told >= _TOLD * wide, middle, np.nan).T
    kept = np.isfinite(profiles).mean(axis=1) >= 0.5
    return profiles[kept].astype(np.float64) if np.count_nonzero(kept) >= _LEAST_STRIPS else None


def _clamped(profiles: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return slopes no steeper than usual in their strip: a long edge is still only an edge."""
    middle = np.nanmedian(profiles, axis=1, keepdims=True)
    usual = 1.48 * np.nanmedian(np.abs(profiles - middle), axis=1, keepdims=True)
    return np.clip(profiles, middle - 2.5 * usual, middle + 2.5 * usual)


def _common_wave(
    profiles: NDArray[np.float64], counts_from: tuple[float, float], most: float
) -> tuple[float, float] | None:
    """Return amplitude in stops, and waves along the frame, of the wave that all strips share; None where none does."""
    rows = profiles.shape[1] + _LAG
    at = (np.arange(rows - _LAG) + _LAG / 2 + 0.5) / rows
    whole, profiles = profiles, _clamped(profiles)
    slow = _slow(at)
    flat = np.array([_without(strip, slow) for strip in profiles])
    there = np.isfinite(flat).mean(axis=0) > 0.5
    common = np.where(there, np.nanmedian(np.where(there, flat, 0), axis=0), 0)
    counts = np.arange(counts_from[0], counts_from[1] + 1e-9, 0.1)
    explained = _explained(common[there], at[there], slow[there], counts)
    best = int(np.argmax(explained))
    # A bell of light is fitted best by the longest wave there is, and not well by any.
    if best == 0 or explained[best] < _EXPLAINS * float(np.square(common[there]).sum()):
        return None
    count = float(counts[best])
    waves = _waves(profiles, at, count)
    middle = _middle(waves)
    if not _is_band(profiles, at, waves, count, most) or _has_edges(whole, at, count, middle):
        return None
    return abs(middle) / _as_slope(count, rows), count


def _has_edges(whole: Any, at: Any, count: float, middle: complex) -> bool:
    """Say whether edges keep time with a wave: then they are what made it, slats or steps."""
    in_time = (_waves(whole, at, count) * np.conj(middle)).real / abs(middle)
    return float(np.median(in_time)) > _EDGES * abs(middle)


_EDGES = 2.0


def _as_slope(count: float, rows: int) -> float:
    """Return by how much a wave of light comes out larger, or smaller, as a wave of its slopes."""
    return 2 * math.sin(math.pi * count * _LAG / rows)


_EXPLAINS = 0.3  # of what is common to all strips


def _slow(at: Any) -> Any:
    """Return the terms of a slow course of slopes: that of light that goes with a cubic."""
    centred = 2 * at - 1
    return np.stack([np.ones_like(at), centred, centred**2], axis=1)


def _without(strip: Any, slow: Any) -> Any:
    known = np.isfinite(strip)
    return strip - slow @ np.linalg.lstsq(slow[known], strip[known], rcond=None)[0]


def _explained(common: Any, at: Any, slow: Any, counts: Any) -> Any:
    """Return how much of the strips' common course a wave of each frequency explains, beside the slow course."""
    turns = 2 * np.pi * counts[:, None] * at
    waves = np.stack([np.cos(turns), np.sin(turns)], axis=2)
    calm = np.linalg.qr(slow)[0]
    waves -= calm @ (calm.T @ waves)
    return np.square(common @ np.linalg.qr(waves)[0]).sum(axis=1)


_SURE = 6.0
_LEAST_AMPLITUDE = 0.004  # stops: half a per cent peak to peak
_MOST_ALONE, _MOST = 0.09, 0.6
"""In stops. In a single frame stronger waves are blinds and the like; against other frames those have fallen out."""
_ALIKE = 0.7  # of the strips have the wave within half of its strength
_OVERTONES = ((2, 0.45), (3, 0.25))


def _middle(waves: Any) -> complex:
    """Return the wave that most strips are near to."""
    return complex(np.median(waves.real), np.median(waves.imag))


def _is_band(profiles: Any, at: Any, waves: Any, count: float, most: float) -> bool:
    """Say whether a wave goes right across, as strong everywhere, and is no more than a wave."""
    common = _middle(waves)
    amplitude = abs(common)
    off = np.median(np.abs(waves - common)) / math.sqrt(len(waves))
    alike = np.mean(np.abs(waves - common) < 0.5 * abs(common))
    rows = profiles.shape[1] + _LAG
    light = amplitude / _as_slope(count, rows)
    overtones = ((n * count, part) for n, part in _OVERTONES)
    if not (_LEAST_AMPLITUDE < light < most and amplitude > _SURE * off and alike >= _ALIKE):
        return False
    return all(abs(_middle(_waves(profiles, at, n))) / _as_slope(n, rows) < part * light for n, part in overtones)


def _waves(profiles: Any, at: Any, count: float) -> Any:
    """Return each strip's wave of that frequency as a complex amplitude, fitted beside a slow course (a cubic)."""
    turn = 2 * np.pi * count * at
    terms = np.column_stack([_slow(at), np.cos(turn), np.sin(turn)])
    there = np.isfinite(profiles)
    if there.all():
        fit = np.linalg.lstsq(terms, profiles.T, rcond=None)[0]
        return fit[-2] - 1j * fit[-1]
    waves = []
    for strip, known in zip(profiles, there, strict=True):
        fit = np.linalg.lstsq(terms[known], strip[known], rcond=None)[0]
        waves.append(fit[-2] - 1j * fit[-1])
    return np.array(waves)


def bands_text(bands: Bands, shutter_s: float | None, limits: Limits) -> str:
    """Return a line on bands: how strong, and which times are free of them."""
    said = f"Lamp flicker: bands of {percent(bands.share)} across the frame"
    return f"{said}. {cure_text(shutter_s, limits)}"


def cure_text(shutter_s: float | None, limits: Limits) -> str:
    """Return which shutter times are safe, of the mains that is known or told by the very fact, else of both."""
    near = shutter_s if shutter_s is not None and shutter_s < LONGEST_S else 1 / 60
    known = mains_of(shutter_s, limits)
    parts = [
        f"{', '.join(shutter_text(t).removesuffix(' s') for t in safe_marks(mains, near))} s at {mains:.0f} Hz"
        for mains in ((known,) if known is not None else MAINS)
    ]
    return f"Safe times: {'; '.join(parts)}."


def mains_of(shutter_s: float | None, limits: Limits) -> float | None:
    """Return the mains frequency as set, or as flicker at this time tells it: what is safe for one is not this one."""
    if limits.mains_hz in MAINS:
        return limits.mains_hz
    if shutter_s is None:
        return None
    left = {mains: ripple_left(shutter_s, 2 * mains) for mains in MAINS}
    told = [mains for mains, rest in left.items() if rest > 4 * _SAFE]
    return told[0] if len(told) == 1 and min(left.values()) < _SAFE else None


def level_text(stops: float, shutter_s: float | None, limits: Limits) -> str:
    """Return a line on a level that is not that of the last frame of the same exposure."""
    more = "brighter" if stops > 0 else "darker"
    said = f"{abs(stops):.1f} stop {more} than the last frame of this exposure"
    if shutter_s is not None and all(ripple_left(shutter_s, 2 * mains) < _SAFE for mains in MAINS):
        return f"{said}: are lamps warming up or dimmed, or did the aperture stick?"
    return f"{said}: lamps may flicker. {cure_text(shutter_s, limits)}"
