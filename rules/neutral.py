"""
The colour of what should be neutral: a plain backdrop, a grey card.

Two questions are answered apart. What colour has the light (CCT, mired, Duv): raw tells, by the camera's own colours
and whatever its white balance was set to; a JPEG tells it through its encoding, so that of a well-balanced one it is
D65. And what cast is left in the picture as it is balanced (CIELAB a*, b*): that is what a custom balance takes away.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from lampblack.rules.cells import darkest, single
from lampblack.rules.cleanness import Tone
from lampblack.rules.colour import SRGB_TO_XYZ, cct_duv, lab, light_from_camera, mired
from lampblack.rules.figures import stops_long
from lampblack.rules.frame import Basis
from lampblack.rules.gels import gel_for
from lampblack.rules.layers import Layer, Layers
from lampblack.rules.look import Look, Part
from lampblack.rules.raw import RAW_MID_GREY
from lampblack.rules.thresholds import Neutral as Limits
from lampblack.rules.tone import MID_GREY, light_of_code

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Source = Literal["backdrop", "patch", "given"]


class NeutralError(ValueError):
    """A place that tells no colour; the text is one line for a person."""


@dataclass(frozen=True)
class Colour:
    """
    The colour of a neutral.

    kelvin, duv: of the light; None where it has no such temperature, or the camera's colours aren't known.
    lightness, a, b: CIELAB of the picture as it is balanced. gains: what R, G, B are to be multiplied by to make it
    neutral, G = 1: of a raw the sensor's own, of a JPEG those of its linear light. source: what it was taken from.
    """

    kelvin: float | None
    duv: float | None
    lightness: float
    a: float
    b: float
    gains: tuple[float, float, float]
    source: Source

    @property
    def mired(self) -> float | None:
        """Return the temperature in mired."""
        return None if self.kelvin is None else mired(self.kelvin)

    @property
    def delta_ab(self) -> float:
        """Return how far it is off the neutral axis."""
        return math.hypot(self.a, self.b)


def colour_of(light: Any, basis: Basis | None, source: Source) -> Colour | None:
    """
    Return the colour of a neutral; None where a channel has no light.

    Args:
        light: (3,) its mean linear sRGB light as developed.
        basis: how it was developed, if it was raw.
        source: what it is.
    """
    light = np.asarray(light, np.float64)
    xyz = SRGB_TO_XYZ @ light
    camera = light if basis is None else np.linalg.solve(basis.to_srgb @ np.diag(basis.balance), light)
    if camera.min() <= 0 or xyz.min() <= 0:
        return None
    seen = xyz if basis is None else light_from_camera(camera, basis.profiles)
    kelvin, duv = (None, None) if seen is None else cct_duv(seen)
    red, green, blue = camera.tolist()
    return Colour(kelvin, duv, *lab(xyz), (green / red, 1.0, green / blue), source)


def backdrop_colour(look: Look, limits: Limits) -> Colour | None:
    """Return the backdrop's colour, or None: it shows none, is too dark, burnt out, or of a colour of its own."""
    where = _telling(look, limits) & (look.parts == Part.BACKDROP)
    backdrop = np.count_nonzero(look.parts == Part.BACKDROP)
    if look.kind == "raw" and look.basis is None:
        return None
    if not backdrop or np.count_nonzero(where) < limits.least_share * backdrop:
        return None
    found = colour_of(_mean(look, where), look.basis, "backdrop")
    return found if found is not None and (found.kelvin is not None or look.basis is not None) else None


def neutral_at(look: Look, at: tuple[float, float, float, float] | None, limits: Limits) -> Colour:
    """
    Return the colour of a neutral patch.

    Args:
        look: the frame.
        at: left, top, width, height of the patch, in shares of the picture; None: the plain backdrop, else whatever is
            plain in the picture's middle, the larger the better.
        limits: the thresholds.

    Raises:
        NeutralError: burnt out, too dark, textured, uneven, too small.
    """
    if look.kind == "raw" and look.basis is None:
        raise NeutralError("a sensor without colours tells no white balance: nothing is to be set")
    if at is not None:
        return _checked(look, _box(look.parts.shape, *at), "given", limits)
    reasons = []
    if np.mean(look.parts == Part.BACKDROP) >= limits.least_share:
        try:
            return _checked(look, look.parts == Part.BACKDROP, "backdrop", limits)
        except NeutralError as wrong:
            reasons.append(f"the backdrop: {wrong}")
    for box in _in_the_middle(look.parts.shape):
        try:
            return _checked(look, box, "patch", limits)
        except NeutralError as wrong:
            reasons.append(f"the picture's middle: {wrong}")
    raise NeutralError(reasons[0])


_BOXES = (0.4, 0.25, 0.15, 0.08)


def _in_the_middle(shape: tuple[int, ...]) -> Iterator[Mask]:
    for side in _BOXES:
        yield _box(shape, 0.5 - side / 2, 0.5 - side / 2, side, side)


def _box(shape: tuple[int, ...], x: float, y: float, width: float, height: float) -> Mask:
    rows, columns = shape[:2]
    inside = np.zeros((rows, columns), bool)
    top, left = min(int(y * rows), rows - 1), min(int(x * columns), columns - 1)
    inside[top : max(round((y + height) * rows), top + 1), left : max(round((x + width) * columns), left + 1)] = True
    return inside


def _telling(look: Look, limits: Limits) -> Mask:
    """Return the cells bright enough, and not burnt out, in every channel."""
    least = max(light_of_code(limits.least_code), limits.over_floor * look.floor_light)
    telling: Mask = (look.clipped_any == 0) & (look.bright >= least) & (darkest(single(look.light)) > 0)
    return telling


def _mean(look: Look, where: Mask) -> Floats:
    mean: Floats = look.light[where].mean(axis=0, dtype=np.float64)
    return mean


def _checked(look: Look, where: Mask, source: Source, limits: Limits) -> Colour:
    """Return a place's colour, or refuse it."""
    if np.mean(look.clipped_any[where] > 0) > limits.most_clipped:
        raise NeutralError("it is burnt out: shoot it darker, white tells no colour")
    telling = where & _telling(look, limits)
    if np.count_nonzero(telling) < 0.9 * np.count_nonzero(where):
        raise NeutralError("it is too dark: open up until it is a mid grey or lighter")
    _refuse_uneven(look, telling, limits)
    found = colour_of(_mean(look, telling), look.basis, source)
    if found is None:
        raise NeutralError("it has a colour that the picture can't hold: this is no neutral")
    return found


def _refuse_uneven(look: Look, where: Mask, limits: Limits) -> None:
    """Refuse a patch of more than one tone or colour; light may fall off a little, and noise is no texture."""
    rows, columns = (np.flatnonzero(where.any(axis=axis)) for axis in (1, 0))
    part = slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1)
    inside = where[part]
    light = np.where(inside[..., None], look.light[part], 0).astype(np.float32)
    weight = inside.astype(np.float32)
    fine, coarse = (_blurred(light, weight, wide) for wide in (3, 9))
    level = np.log2(np.maximum(fine @ D65_LUMA, 1e-9) / np.maximum(coarse @ D65_LUMA, 1e-9))
    # Where the patch is whole all round: along its rim the two means are not of the same place.
    whole = cv2.erode(np.pad(inside, 4).astype(np.uint8), np.ones((9, 9), np.uint8))[4:-4, 4:-4] > 0
    if whole.any() and float(np.sqrt(np.mean(level[whole] ** 2))) > limits.texture_stops:
        raise NeutralError("it is textured: take a plain card or backdrop, or a smaller part of it")
    blocks = _blocks(light, weight)
    bright = np.log2(np.array(blocks) @ D65_LUMA)
    if np.ptp(bright) > limits.uneven_stops:
        raise NeutralError(
            f"it is not evenly lit, {stops_long(float(np.ptp(bright)))} across: turn it, or take a smaller part"
        )
    scale = 0.5 / float(np.exp2(np.median(bright)))
    hues = np.array([lab(SRGB_TO_XYZ @ (np.asarray(block) * scale))[1:] for block in blocks])
    if float(np.hypot(*np.ptp(hues, axis=0))) > limits.uneven_ab:
        raise NeutralError("it is not of one colour: two lamps that differ, or more than one thing is in it")


D65_LUMA = SRGB_TO_XYZ[1].astype(np.float32)


def _blurred(light: Any, weight: Any, wide: int) -> Any:
    box = (wide, wide)
    return cv2.blur(light, box) / np.maximum(cv2.blur(weight, box), np.float32(1e-6))[..., None]


def _blocks(light: Any, weight: Any) -> list[Floats]:
    """Return the mean light of up to 4 x 4 parts of the patch, those that hold little of it left out."""
    found = []
    for rows in np.array_split(np.arange(light.shape[0]), min(4, light.shape[0])):
        for columns in np.array_split(np.arange(light.shape[1]), min(4, light.shape[1])):
            part = np.ix_(rows, columns)
            held = float(weight[part].sum())
            if held > 0.3 * weight[part].size:
                found.append(light[part].sum(axis=(0, 1), dtype=np.float64) / held)
    return found or [light.sum(axis=(0, 1), dtype=np.float64) / max(float(weight.sum()), 1e-9)]


def lamp_colours(layers: Layers) -> tuple[tuple[Colour | None, ...], Literal["backdrop", "balance"]]:
    """
    Return each lamp's colour, and what tells it.

    A grey or white backdrop tells it by itself. Else the lamps are held against each other where they light the same
    things, whose own colour falls out, and all of them together are taken to be what the camera was balanced for.
    """
    if layers.tone in ("grey", "white"):
        found = tuple(_of_layer(layers, lamp, layers.backdrop, None) for lamp in layers.lamps)
        if any(one is not None for one in found):
            return found, "backdrop"
    total = layers.mix([1.0] * len(layers.lamps))
    return tuple(_of_layer(layers, lamp, layers.subject, total) for lamp in layers.lamps), "balance"


_LEAST_CELLS = 100


def _of_layer(layers: Layers, lamp: Layer, where: Mask, total: Any) -> Colour | None:
    """Return a lamp's colour from its light on a neutral, or, if `total` is given, from its part of that."""
    least = max(_LAMP_OVER_FLOOR * layers.floor, light_of_code(_LAMP_CODE))
    telling = where & ~lamp.clipped & (lamp.light.min(axis=2) > least)
    if np.count_nonzero(telling) < _LEAST_CELLS:
        return None
    light = lamp.light[telling].astype(np.float64)
    if total is None:
        return colour_of(light.mean(axis=0), layers.basis, "backdrop")
    own, whole = (_as_seen(layers.basis, grid) for grid in (light, total[telling].astype(np.float64)))
    sound = (own > 0).all(axis=1) & (whole > 0).all(axis=1)
    if np.count_nonzero(sound) < _LEAST_CELLS:
        return None
    part = np.exp2(np.median(np.log2(own[sound] / whole[sound]), axis=0))
    white = np.ones(3) if layers.basis is None else 1 / layers.basis.balance
    developed = part * white
    if layers.basis is not None:
        developed = layers.basis.to_srgb @ (layers.basis.balance * developed)
    return colour_of(developed / developed.max(), layers.basis, "patch")


_LAMP_OVER_FLOOR, _LAMP_CODE = 16.0, 16


def warmer_by(before: Any, now: Any, basis: Basis | None) -> float | None:
    """
    Return by how many mireds light on the same things has become warmer (+) or colder; None where it can't be told.

    Args:
        before: (n, 3) linear light as developed.
        now: (n, 3) the same cells' light, at any level.
        basis: how both were developed, if raw.
    """
    old, new = (_as_seen(basis, np.asarray(light, np.float64)) for light in (before, now))
    sound = (old > 0).all(axis=1) & (new > 0).all(axis=1)
    if np.count_nonzero(sound) < _LEAST_CELLS:
        return None
    part = np.exp2(np.median(np.log2(new[sound] / old[sound]), axis=0))
    # Of a white as the camera was balanced for: mireds shift about alike, whatever they start from.
    white = np.ones(3) if basis is None else 1 / basis.balance
    told = []
    for seen in (white, white * part):
        developed = seen if basis is None else basis.to_srgb @ (basis.balance * seen)
        colour = colour_of(developed / developed.max(), basis, "patch")
        told.append(None if colour is None else colour.mired)
    return None if None in told else float(told[1] - told[0])  # type: ignore[operator]


def _as_seen(basis: Basis | None, light: Floats) -> Floats:
    """Return (n, 3) developed light as the sensor saw it, in which lights of different colour simply multiply."""
    if basis is None:
        return light
    return np.asarray(np.linalg.solve(basis.to_srgb @ np.diag(basis.balance), light.T).T, np.float64)


def lamps_apart_notice(names: list[str], colours: tuple[Colour | None, ...], limits: Limits) -> str | None:
    """Return a line on the two lamps that differ most in colour, and the gel that brings one to the other."""
    told = [(one.mired, name) for one, name in zip(colours, names, strict=True) if one is not None and one.mired]
    if len(told) < 2:
        return None
    (cold, cold_name), (warm, warm_name) = min(told), max(told)
    if warm - cold <= limits.two_colours_mired:
        return None
    gel = gel_for(warm - cold)
    cure = "" if gel is None else f": {gel.name} on {cold_name} would do (costs {stops_long(gel.stops)})"
    return f"{cold_name} is {warm - cold:.0f} mired colder than {warm_name}{cure}."


# ---------------------------------------------------------------- in words

_HUES = ((25, "pink"), (75, "orange"), (105, "yellow"), (170, "green"), (225, "cyan"), (300, "blue"), (345, "magenta"))
_TINT, _STRONG_TINT = 0.005, 0.012  # Duv
_D65_DUV = 0.0032


def in_words(colour: Colour, raw: bool, limits: Limits) -> str:
    """Return a cast as it is called: 'orange, about 3000 K, a touch green'."""
    words = [_hue(colour, limits)]
    if colour.kelvin is not None:
        words.append(f"about {float(f'{colour.kelvin:.2g}'):.0f} K")
    off = None if colour.duv is None else colour.duv - (0 if raw else _D65_DUV)
    if off is not None and abs(off) >= _TINT:
        words.append(f"{'a touch ' if abs(off) < _STRONG_TINT else ''}{'green' if off > 0 else 'pink'}")
    return ", ".join(words)


def _hue(colour: Colour, limits: Limits) -> str:
    if colour.delta_ab <= limits.neutral_ab:
        return "neutral"
    angle = math.degrees(math.atan2(colour.b, colour.a)) % 360
    name = next((name for most, name in _HUES if angle < most), "pink")
    return f"a little {name}" if colour.delta_ab < limits.cast_ab else name


def advice_on(colour: Colour, raw: bool, limits: Limits, before: Colour | None = None) -> str:
    """Return what to do about a cast, in a sentence or two; before: the same neutral in an earlier frame."""
    words = in_words(colour, raw, limits)
    said = f"{words[0].upper()}{words[1:]}"
    if before is not None and before.delta_ab > limits.neutral_ab:
        took = f"{before.delta_ab:.1f} off before, {colour.delta_ab:.1f} now"
        if colour.delta_ab <= limits.neutral_ab:
            return f"{said}: the balance took ({took})."
        if colour.delta_ab < 0.7 * before.delta_ab:
            return f"{said}: the balance took in part ({took}): set it once more from this frame."
        return f"{said}: the balance did not take ({took}): see that the camera is set to its custom balance."
    if colour.delta_ab <= limits.neutral_ab:
        return f"{said}: nothing is to be set."
    return f"{said}: set the camera's custom balance from this frame, and shoot it once more."


@dataclass(frozen=True)
class Balance:
    """What the camera's white balance is to be. kelvin: the light's own; None: to be moved by `mireds`."""

    kelvin: float | None
    mireds: float = 0.0


def balance_for(colour: Colour, raw: bool) -> Balance | None:
    """
    Return what takes a cast away; None where the light has no temperature to go by.

    Raw tells the light itself. A JPEG tells only what is left after the balance that it was shot at: how far that is
    off, near enough, since mireds add up.
    """
    if colour.kelvin is None:
        return None
    return Balance(colour.kelvin) if raw else Balance(None, mired(colour.kelvin) - mired(_D65_K))


_D65_K = 6504.0

# ---------------------------------------------------------------- what is worth a line of its own


def cast_notice(colour: Colour, tone: Tone, raw: bool, limits: Limits) -> str | None:
    """Return a line on a backdrop that should be neutral and is not."""
    if tone == "black" or colour.delta_ab <= limits.cast_ab:
        return None
    return f"The backdrop is {in_words(colour, raw, limits)}: set a custom balance from it, or mean it so."


def drift_notice(first: Colour, frame: int, now: Colour, raw: bool, limits: Limits) -> str | None:
    """Return a line on colour that has changed since a frame of the same setup."""
    if first.mired is None or now.mired is None or abs(now.mired - first.mired) <= limits.drift_mired:
        return None
    warmer = "warmer" if now.mired > first.mired else "colder"
    why = "are lamps still warming up?" if raw else "did the camera change its balance, or are lamps warming up?"
    return f"Colour is {abs(now.mired - first.mired):.0f} mired {warmer} than in frame {frame}: {why}"


def two_colours_notice(look: Look, limits: Limits) -> str | None:
    """Return a line on a backdrop lit by lamps of different colour, and the gel that brings one to the other."""
    where = _telling(look, limits) & (look.parts == Part.BACKDROP)
    thirds = np.array_split(np.arange(where.shape[1]), 3)
    found = []
    for columns in (thirds[0], thirds[2]):
        side = np.zeros_like(where)
        side[:, columns] = where[:, columns]
        if np.mean(side) < limits.least_side:
            return None
        found.append(colour_of(_mean(look, side), look.basis, "backdrop"))
    left, right = (None if one is None else one.mired for one in found)
    if left is None or right is None or abs(left - right) <= limits.two_colours_mired:
        return None
    cold, warm = ("left", "right") if left < right else ("right", "left")
    gel = gel_for(abs(left - right))
    cure = "" if gel is None else f": {gel.name} on its lamp would do (costs {stops_long(gel.stops)})"
    return f"The backdrop is {abs(left - right):.0f} mired colder on the {cold} than on the {warm}{cure}."


def meter_notice(look: Look, limits: Limits, tone: str | None) -> str | None:
    """
    Return a line on a plain backdrop that an automatic mode has made mid grey, with the stops that correct it.

    tone: what it is meant to be, as far as anybody said.
    """
    if not look.shot.automatic:
        return None
    backdrop = look.parts == Part.BACKDROP
    if backdrop.mean() < limits.plain_share:
        return None
    level = float(np.median(look.bright[backdrop]))
    grey = RAW_MID_GREY if look.kind == "raw" else MID_GREY
    if abs(math.log2(max(level, 1e-6) / grey)) > limits.metered_stops:
        return None
    up, down = math.log2(1 / level), math.log2(level / light_of_code(_BLACK_CODE))
    cures = {"white": f"white needs {stops_long(up)} more", "black": f"black needs {stops_long(down)} less"}
    cure = cures.get(tone or "", f"{cures['white']}, {cures['black']}")
    return f"The camera's meter made this plain backdrop mid grey, as it makes any: {cure}. Set exposure by hand (M)."


_BLACK_CODE = 5
