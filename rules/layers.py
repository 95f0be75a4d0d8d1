"""
Lamp layers: one linear picture for each lamp alone, from which any mix of them can be computed.

Light adds. What a set of lamps gives is the sum of what each gives alone, so that one frame a lamp tells every balance
of them before anyone walks to a stand.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lampblack.rules.backdrop import find_backdrop
from lampblack.rules.cells import brightest, luminance_of
from lampblack.rules.cleanness import Side, Tone, side_of, tone_of_light
from lampblack.rules.frame import Basis
from lampblack.rules.look import Look
from lampblack.rules.response import PRIOR, Response
from lampblack.rules.thresholds import Thresholds
from lampblack.rules.tone import light_of_code, linear_to_srgb

Grid = NDArray[np.float32]
Mask = NDArray[np.bool_]
_CLIPPED_TOO_MUCH = 0.02  # share of a cell's pixels; its mean is then too low to add up
_MIXED_CELLS = 2  # between backdrop and subject the lens mixes both
_OVER_FLOOR = 8.0  # times the noise floor: darker cells say nothing of whether light adds up


class LayersError(ValueError):
    """These frames are no layers of one picture; the text is one line for a person."""


@dataclass(frozen=True, eq=False)
class Layer:
    """
    One lamp's light alone.

    light: (rows, columns, 3) linear, 1 at the white level of a frame exposed as `Layers.stops` says. clipped: (rows,
    columns) where it is only a lower bound.
    """

    name: str
    light: Grid
    clipped: Mask

    @cached_property
    def luminance(self) -> Grid:
        """Return (rows, columns) luminance."""
        return luminance_of(self.light)


@dataclass(frozen=True, eq=False)
class Layers:
    """
    The lamps of one picture.

    stops: the exposure that their light is brought to. backdrop, left, right: cells of the backdrop, and of the
    subject's halves as seen in the picture. tone: what the backdrop is meant to be. f_number: the aperture at that
    exposure, if known. floor: light under which a cell says nothing. ambient: light that none of the lamps gives.
    """

    lamps: tuple[Layer, ...]
    stops: float
    f_number: float | None
    av: float | None
    backdrop: Mask
    left: Mask
    right: Mask
    tone: Tone | None
    floor: float
    ambient: Grid
    coded: bool
    response: Response
    basis: Basis | None = None
    """How a raw frame's light was developed."""
    size: tuple[int, int] = (0, 0)
    """Width and height of the frames in pixels."""
    camera: str | None = None

    @property
    def subject(self) -> Mask:
        """Return the subject's cells."""
        both: Mask = self.left | self.right
        return both

    def mix(self, gains: Sequence[float]) -> Grid:
        """Return (rows, columns, 3) the light of the lamps, each times its gain, and of what is lit anyway."""
        light = self.ambient.copy()
        for lamp, gain in zip(self.lamps, gains, strict=True):
            light += lamp.light * np.float32(gain)
        return light


@dataclass(frozen=True)
class Additivity:
    """
    How far a frame of all lamps lies from the sum of their layers, in stops.

    median, p95: of the cells' differences without their sign. signed: the median with its sign, over (+) where the
    frame is brighter than the sum.
    """

    median: float
    p95: float
    signed: float


def light_of(look: Look, response: Response) -> Grid:
    """Return a frame's linear light, (rows, columns, 3), a JPEG's read through its camera's tone response."""
    light = look.light.astype(np.float32)
    if look.kind == "raw" or response.is_prior:
        return light
    read: Grid = response.light_of(linear_to_srgb(light.astype(np.float64)) * 255).astype(np.float32)
    return read


def gather(
    lamps: Sequence[tuple[str, Look]],
    thresholds: Thresholds,
    response: Response = PRIOR,
    *,
    dark: Look | None = None,
    check: Look | None = None,
) -> Layers:
    """
    Bring one frame a lamp to one footing.

    Args:
        lamps: names and frames, each with that lamp alone.
        thresholds: the thresholds.
        response: the camera's tone response, for JPEGs.
        dark: a frame with all of them off: its light is in every other frame too.
        check: a frame with all of them on: its exposure is taken as the one in question.

    Raises:
        LayersError: frames of different cameras, sizes or kinds, or without exposure.
    """
    others = [look for look in (dark, check) if look is not None]
    _same_camera([*(look for _, look in lamps), *others])
    shown = check if check is not None else lamps[0][1]
    stops = shown.shot.exposure.stops
    assert stops is not None
    brought = partial(_brought, response=response, stops=stops, basis=shown.basis)
    ambient = np.zeros_like(shown.light, np.float32) if dark is None else brought(dark)
    layers = tuple(
        Layer(name, np.maximum(brought(look) - ambient, 0), look.clipped_any > 255 * _CLIPPED_TOO_MUCH)
        for name, look in lamps
    )
    total = ambient + sum(layer.light for layer in layers)
    backdrop, subject, tone = _parts(total, thresholds)
    left, right = _halves(subject)
    floor = max(look.floor_light * 2 ** (stops - (look.shot.exposure.stops or stops)) for _, look in lamps)
    exposure = shown.shot.exposure
    return Layers(
        layers,
        stops,
        exposure.f_number,
        exposure.av,
        backdrop,
        left,
        right,
        tone,
        floor,
        ambient,
        shown.kind != "raw",
        response,
        shown.basis,
        (shown.width, shown.height),
        shown.shot.camera,
    )


def _brought(look: Look, *, response: Response, stops: float, basis: Basis | None) -> Grid:
    """Return a frame's light at another exposure, developed as another frame was."""
    own = look.shot.exposure.stops
    assert own is not None
    return _balanced_as(light_of(look, response), look.basis, basis) * np.float32(2 ** (stops - own))


def _balanced_as(light: Grid, own: Basis | None, other: Basis | None) -> Grid:
    """Return raw light developed as another frame was: an automatic balance goes with the lamp that is on."""
    if own is None or other is None or np.allclose(own.balance, other.balance, rtol=1e-4):
        return light
    change = other.to_srgb @ np.diag(other.balance / own.balance) @ np.linalg.inv(own.to_srgb)
    brought: Any = cv2.transform(light, change.astype(np.float32))
    return brought  # type: ignore[no-any-return]


@dataclass(frozen=True, eq=False)
class Today:
    """
    A later frame on the layers' footing.

    light: (rows, columns, 3) linear, at the exposure of the layers. clipped: (rows, columns) where it is only a lower
    bound. floor: light under which a cell says nothing.
    """

    light: Grid
    clipped: Mask
    floor: float


def today_on(layers: Layers, look: Look) -> Today:
    """
    Bring a later frame to the layers' footing, whatever its exposure and balance.

    Raises:
        LayersError: it has another size, is of the other kind, or tells no exposure.
    """
    own = look.shot.exposure.stops
    if own is None:
        raise LayersError("today's frame doesn't tell its aperture, time and ISO: it can't be held against another")
    same = (look.width, look.height) == layers.size and (look.kind != "raw") == layers.coded
    if not same or look.shot.camera != layers.camera:
        raise LayersError("today's frame is of another camera, size or kind than the stored ones: shoot it as then")
    light = _brought(look, response=layers.response, stops=layers.stops, basis=layers.basis)
    return Today(light, look.clipped_any > 255 * _CLIPPED_TOO_MUCH, look.floor_light * 2 ** (layers.stops - own))


def realigned(look: Look) -> Look:
    """Return a frame whose picture a nudge has shifted, laid where the first frame's is (`steadiness`)."""
    moved = look.steady.moved
    if moved is None or moved.shift is None or max(map(abs, moved.shift)) < _STILL_PIXELS:
        return look
    rows, columns = look.light.shape[:2]
    middle = ((columns - 1) / 2, (rows - 1) / 2)
    turn = cv2.getRotationMatrix2D(middle, moved.rotation, 1)  # back by what it was turned, clockwise
    way = np.asarray(turn, np.float64) - [[0, 0, moved.shift[0] / look.side], [0, 0, moved.shift[1] / look.side]]

    def laid(grid: Any) -> Any:
        return cv2.warpAffine(grid, way, (columns, rows), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)

    light = laid(look.light.astype(np.float32)).astype(np.float16)
    return replace(look, light=light, clipped_any=laid(look.clipped_any))


_STILL_PIXELS = 0.5


def _same_camera(looks: Sequence[Look]) -> None:
    first = looks[0]
    for look in looks:
        if look.shot.exposure.stops is None:
            raise LayersError(
                "a frame doesn't tell its aperture, time and ISO: layers can't be brought to one exposure"
            )
        if look.light.shape != first.light.shape or (look.width, look.height) != (first.width, first.height):
            raise LayersError(
                f"frames of {first.width} x {first.height} and {look.width} x {look.height} pixels are no layers of one"
                " picture: shoot all lamps with the same camera, standing still"
            )
        if (look.kind == "raw") != (first.kind == "raw"):
            raise LayersError("raw files and JPEGs stand on different footings: give one kind for all lamps")
        if look.shot.camera != first.shot.camera:
            raise LayersError("the frames come from different cameras: shoot all lamps with the same one")


def _parts(light: Grid, thresholds: Thresholds) -> tuple[Mask, Mask, Tone | None]:
    """Return backdrop (its mixed rim left out), subject, and what the backdrop is meant to be."""
    bright = brightest(light)
    # As an exposure would show it that puts the brightest parts just under white.
    top = max(float(np.percentile(bright, 99.5)), 1e-6)
    found = find_backdrop(light / np.float32(top), thresholds.backdrop)
    if found is None:
        return np.zeros(light.shape[:2], bool), np.ones(light.shape[:2], bool), None
    wide = np.ones((2 * _MIXED_CELLS + 1,) * 2, np.uint8)
    core = (
        cv2.erode(found.backdrop.astype(np.uint8), wide, borderType=cv2.BORDER_CONSTANT, borderValue=(1,)).astype(bool)
        & ~found.intruder
    )
    subject = ~found.backdrop & ~found.intruder
    return core, subject, tone_of_light(bright / top, core, subject, thresholds)


def _halves(subject: Mask) -> tuple[Mask, Mask]:
    """Return the subject's left and right halves, as many cells each."""
    columns = np.nonzero(subject)[1]
    middle = float(np.median(columns)) if len(columns) else subject.shape[1] / 2
    left = subject & (np.arange(subject.shape[1]) < middle)[None]
    return left, subject & ~left


def add_up(layers: Layers, check: Look) -> Additivity | None:
    """Hold a frame of all lamps against the sum of their layers; None where no cell can tell."""
    seen = _brought(check, response=layers.response, stops=layers.stops, basis=layers.basis)
    total = layers.mix([1.0] * len(layers.lamps))
    sound = check.clipped_any <= 255 * _CLIPPED_TOO_MUCH
    for lamp in layers.lamps:
        sound &= ~lamp.clipped
    one, other = (luminance_of(grid) for grid in (seen, total))
    sound &= np.minimum(one, other) > max(_OVER_FLOOR * layers.floor, light_of_code(12))
    if np.count_nonzero(sound) < 100:
        return None
    off = np.log2(one[sound] / other[sound])
    return Additivity(float(np.median(np.abs(off))), float(np.percentile(np.abs(off), 95)), float(np.median(off)))


@dataclass(frozen=True)
class Share:
    """
    What one lamp gives.

    subject, backdrop: its share of all light there, 0 to 1. left, right: its mean light on the subject's halves as seen
    in the picture, in stops below white; None for none. clipped: its frame clips there: the figures are lower bounds.
    """

    name: str
    subject: float | None
    backdrop: float | None
    left: float | None
    right: float | None
    clipped: bool


def spilling(layers: Layers, thresholds: Thresholds) -> tuple[str, float, Side | None, float] | None:
    """
    Return the lamp that spoils a black backdrop most: its name, its share of the light there, from which side that
    comes, and the stops that the backdrop would fall by without it. None where the backdrop is clean, or not black.
    """
    if layers.tone != "black" or not layers.backdrop.any():
        return None
    behind = layers.backdrop
    total = layers.mix([1.0] * len(layers.lamps))
    worst = float(np.percentile(brightest(total)[behind], 99))
    if worst <= light_of_code(thresholds.black.clean_p99_code + 0.5):
        return None
    whole = float(luminance_of(total)[behind].sum(dtype=np.float64))
    lamp = max(layers.lamps, key=lambda each: float(each.luminance[behind].sum(dtype=np.float64)))
    own = float(lamp.luminance[behind].sum(dtype=np.float64))
    fall = float(-np.log2(max(1 - own / whole, 2.0**-10)))
    return lamp.name, own / whole, side_of(brightest(lamp.light), behind, thresholds), fall


def shares(layers: Layers) -> tuple[Share, ...]:
    """Return what each lamp gives, of the light of all of them and of what is lit anyway."""
    total = luminance_of(layers.mix([1.0] * len(layers.lamps)))
    subject = layers.subject

    def part(lamp: Layer, where: Mask) -> float | None:
        whole = float(total[where].sum(dtype=np.float64))
        return float(lamp.luminance[where].sum(dtype=np.float64)) / whole if whole > 0 else None

    def below(lamp: Layer, where: Mask) -> float | None:
        mean = float(lamp.luminance[where].mean(dtype=np.float64)) if where.any() else 0.0
        return float(-np.log2(mean)) if mean > 0 else None

    return tuple(
        Share(
            lamp.name,
            part(lamp, subject),
            part(lamp, layers.backdrop),
            below(lamp, layers.left),
            below(lamp, layers.right),
            bool((lamp.clipped & (subject | layers.backdrop)).mean() > 1e-4),
        )
        for lamp in layers.lamps
    )
