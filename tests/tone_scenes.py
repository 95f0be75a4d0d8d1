"""
Made-up studio scenes, cameras with tone curves of their own, and the frames they would file.

Drawn with formulas; shares no code with what measures it. Light is linear, 1 where the camera clips.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
import simplejpeg
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Curve = Callable[[Floats], Floats]
"""Light 0 to 1 in, code 0 to 1 out."""


def srgb(light: Floats) -> Floats:
    """IEC 61966-2-1, written out here."""
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-12) ** (1 / 2.4) - 0.055)


def gamma(power: float) -> Curve:
    return lambda light: light ** (1 / power)


def s_curve(strength: float, middle: float = 0.46) -> Curve:
    """More contrast about the middle, ends held: a logistic in sRGB code."""

    def of(light: Floats) -> Floats:
        low, high = (1 / (1 + np.exp(-strength * (end - middle))) for end in (0.0, 1.0))
        return (1 / (1 + np.exp(-strength * (srgb(light) - middle))) - low) / (high - low)

    return of


def lifted(floor: float, power: float) -> Curve:
    """No light files as a code above 0."""
    return lambda light: floor + (1 - floor) * srgb(light) ** power


def shoulder(white: float) -> Curve:
    """The last stops are pressed together, as film does (Reinhard and others 2002, equation 4)."""

    def of(light: Floats) -> Floats:
        x = light * white
        return srgb(x * (1 + x / white**2) / (1 + x))

    return of


def toe_and_shoulder(light: Floats) -> Floats:
    """A contrasty toe and a soft end, brighter in between: about what a camera's standard style does."""
    lifted_mids = 1 - (1 - srgb(light)) ** 1.55
    return lifted_mids**1.25 * (0.85 + 0.15 * lifted_mids)


CURVES: dict[str, Curve] = {
    "srgb": srgb,
    "gamma 1.8": gamma(1.8),
    "gamma 2.2": gamma(2.2),
    "gamma 2.6": gamma(2.6),
    "soft s": s_curve(3.0),
    "hard s": s_curve(5.5),
    "lifted toe": lifted(16 / 255, 1.1),
    "high lifted toe": lifted(30 / 255, 0.95),
    "shoulder": shoulder(4.0),
    "long shoulder": shoulder(8.0),
    "standard": toe_and_shoulder,
}


CHANNELS: dict[str, tuple[Curve, Curve, Curve]] = {
    "powers": (gamma(2.0), gamma(2.2), gamma(2.5)),
    "crossing": (s_curve(4.0), srgb, lifted(12 / 255, 1.0)),
    "ends": (shoulder(4.0), toe_and_shoulder, s_curve(3.0)),
}
"""Cameras whose red, green and blue have curves of their own."""


def each(red: Curve, green: Curve, blue: Curve) -> Curve:
    """Put three curves together, for light whose last axis is the channels."""
    return lambda light: np.stack([of(light[..., c]) for c, of in enumerate((red, green, blue))], axis=-1)


def light_of_codes(curve: Curve) -> Floats:
    """Return the light of each 8-bit code, (256,); 0 for codes that the curve never gives."""
    light = np.concatenate([[0.0], 2.0 ** np.linspace(-20, 0, 40_000)])
    return np.interp(np.arange(256) / 255, curve(light), light)


@dataclass(frozen=True, eq=False)
class Studio:
    """lamps: layers of linear light, (h, w, 3) each; all on, the brightest diffuse place is about 1."""

    lamps: tuple[Floats, ...]

    def light(self, *levels: float) -> Floats:
        levels = levels or (1.0,) * len(self.lamps)
        return np.sum([level * lamp for level, lamp in zip(levels, self.lamps, strict=True)], axis=0)


def studio(seed: int, height: int = 600, width: int = 900) -> Studio:
    """
    A dark backdrop with a little spill, a table, and a few glazed vessels under two lamps.

    The subject's tones run over six stops or more, the backdrop lies seven to ten stops under white.
    """
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:height, 0:width].astype(np.float64)
    u, v = x / width * 2 - 1, y / height * 2 - 1
    paint = np.full((height, width, 3), 2.0 ** rng.uniform(-9.5, -7))
    key = 0.3 + np.clip(rng.uniform(-0.7, 0.7) * u + 0.5, 0, None)
    fill = 0.3 + 0.2 * np.clip(v, 0, None)
    table = v > rng.uniform(0.6, 0.8)
    paint[table] = rng.uniform(0.02, 0.3, 3) * np.array([1, 0.95, 0.85])
    for _ in range(int(rng.integers(4, 8))):
        cx, cy, r = rng.uniform(-0.7, 0.7), rng.uniform(-0.2, 0.5), rng.uniform(0.15, 0.45)
        tall = rng.uniform(0.8, 1.8)
        rho = ((u - cx) / r) ** 2 + ((v - cy) / (r * tall)) ** 2
        body = rho < 1
        colour = 2.0 ** rng.uniform(-5, 0) * (1 - rng.uniform(0, 0.5, 3) * rng.uniform(0, 1))
        paint[body] = colour
        nz = np.sqrt(np.clip(1 - rho, 0, 1))
        lx = rng.uniform(-0.9, 0.9)
        lit = np.clip(0.6 * nz + lx * (u - cx) / r - 0.4 * (v - cy) / (r * tall), 0.01, None)
        key = np.where(body, lit, key)
        fill = np.where(body, 0.1 + 0.6 * np.clip(0.5 * nz - lx * (u - cx) / r, 0, None), fill)
        glint = ((u - cx - lx * r * 0.3) ** 2 + (v - cy + 0.3 * r) ** 2) < (0.03 * r) ** 2
        key = np.where(glint, 40.0, key)
    grain = _grain(rng, height, width)
    return Studio((paint * (grain * key * 0.8)[..., None], paint * (grain * fill * 0.25)[..., None]))


def _grain(rng: np.random.Generator, height: int, width: int) -> Floats:
    """Texture of several sizes, a third of a stop or so."""
    grain = np.zeros((height, width))
    for cells in (6, 24, 90, 300):
        noise = rng.normal(size=(cells, cells)).astype(np.float32)
        grain += 0.12 * cv2.resize(noise, (width, height), interpolation=cv2.INTER_CUBIC)
    return 2.0**grain


def expose(
    light: Floats,
    stops: float,
    curve: Curve,
    *,
    seed: int = 0,
    quality: int = 92,
    noise: float = 1.0,
    subsampling: str = "420",
) -> NDArray[np.uint8]:
    """Return the codes that come back out of the JPEG a camera would file."""
    rng = np.random.default_rng([seed, round(stops * 1000) + 50_000])
    fell = light * 2.0**stops
    # Full well 30,000 electrons, 4 electrons of read noise (EMVA 1288's relations).
    fell = fell + noise * rng.normal(size=fell.shape) * np.sqrt(np.maximum(fell, 0) / 30_000 + (4 / 30_000) ** 2)
    codes = np.rint(255 * curve(np.clip(fell, 0, 1))).astype(np.uint8)
    filed = simplejpeg.encode_jpeg(np.ascontiguousarray(codes), quality=quality, colorsubsampling=subsampling)
    back: NDArray[np.uint8] = simplejpeg.decode_jpeg(filed, strict=True)
    return back


def cells_of(
    codes: NDArray[np.uint8], side: int = 5, white: int = 254
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return the mean codes (n, 3) of squares of pixels and the share (n,) of each at white in any channel."""
    rows, columns = codes.shape[0] // side, codes.shape[1] // side
    squares = codes[: rows * side, : columns * side].reshape(rows, side, columns, side, 3)
    means = squares.mean(axis=(1, 3), dtype=np.float64).reshape(-1, 3)
    clipped = (squares.max(axis=4) >= white).mean(axis=(1, 3)).reshape(-1)
    return means.astype(np.float32), clipped.astype(np.float32)


def stops_off(light: Floats, truth: Floats, *, anchored: bool = False, white: int = 254) -> float:
    """
    Return the RMS error in stops over the middle 90 % of the codes the camera files.

    anchored: light 1 is light 1 at the white code; else up to a common factor.
    """
    seen = np.flatnonzero(truth > 0)
    first, last = int(seen[0]) - 1, white
    codes = np.arange(round(first + 0.05 * (last - first)), round(first + 0.95 * (last - first)) + 1)
    off = np.log2(np.maximum(light[codes], 1e-12) / light[white]) - np.log2(truth[codes] / truth[white])
    return float(np.sqrt(np.mean(off**2)) if anchored else np.std(off))
