"""
The studio: lamp layers of linear light, mixed, and the camera that looks at them.

A layer is the radiance of one lamp alone in one arrangement, in cd/m² of white light at full output. Light adds: a
frame is the layers times each lamp's gain and colour. Layers are small; a frame is drawn at any size by enlarging every
surface by itself and putting them together along finely drawn outlines, so that no edge blurs.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from threading import Lock
from typing import Any

import cv2
import imagecodecs
import numpy as np
from numpy.typing import NDArray

from lampblack.mock_camera import files
from lampblack.mock_camera.body import Exposed, Settings
from lampblack.mock_camera.sensor import MID_SHARE, Sensor, exposed, mosaic, read_out
from lampblack.rules.exposure import marked_f_number, speed_value

Floats = NDArray[np.float32]

LIGHT = Path(__file__).parent / "light"

BLACK_BODY = (
    (2700, 2.407, 0.239), (2856, 2.233, 0.283), (3200, 1.939, 0.376), (4000, 1.530, 0.577), (5600, 1.164, 0.906),
    (6500, 1.061, 1.052),
)  # fmt: skip
"""Kelvin, R/G, B/G in linear sRGB primaries, unadapted: Planck's law through CIE 1931 2°, summed at 1 nm."""
LUMINANCE = (0.2126, 0.7152, 0.0722)
"""Of the linear sRGB primaries (IEC 61966-2-1)."""
FLAT_METER_C = 250.0
"""Incident calibration constant for a flat receptor (ISO 2720: 240 to 400)."""
KELVIN = {"key": 3200.0, "fill": 3200.0, "rim": 2856.0, "back": 3200.0}
BALANCES = {"daylight": 5600.0, "tungsten": 3200.0, "fluorescent": 4000.0}
BAND_ROWS = 128


def colour_of(kelvin: float) -> NDArray[np.float64]:
    """
    Return R, G, B of a lamp whose luminance is 1.

    >>> float(colour_of(3200) @ LUMINANCE), round(float(colour_of(3200)[0] / colour_of(3200)[1]), 3)
    (1.0, 1.939)
    """
    table = np.array(BLACK_BODY)[::-1]
    mired, wanted = 1e6 / table[:, 0], 1e6 / kelvin
    rgb = np.array([math.exp(np.interp(wanted, mired, np.log(table[:, i]))) if i else 1.0 for i in (1, 0, 2)])
    return rgb / float(rgb @ LUMINANCE)


@dataclass(frozen=True, eq=False)
class Surface:
    """One surface as the camera sees it, its light carried a little beyond its own edge."""

    coverage: Floats
    """At map size, 0 to 1."""
    light: Floats
    """At layer size, cd/m²."""


class Studio:
    """
    A jug and a bowl on a plinth before a backdrop, lamps, and a camera on a stand.

    Args:
        arrangement: one of `arrangements`.
        seed: of all noise; frame n of two studios with the same seed is the same frame.
        folder: where the light is.

    Raises:
        KeyError: no such arrangement.
    """

    def __init__(self, arrangement: str = "black", seed: int = 0, folder: Path = LIGHT) -> None:
        self._folder, self._seed = folder, seed
        self._index: dict[str, Any] = json.loads((folder / "studio.json").read_text())
        self._gains: dict[str, float | None] = dict.fromkeys(self.lamps, 0.0)
        self._layers: dict[str, Floats] = {}
        self._maps: dict[str, Floats] = {}
        self._mixed: list[Surface] | None = None
        self.sensor = Sensor()
        self.arrange(arrangement)

    @classmethod
    def load(cls, arrangement: str = "black", seed: int = 0) -> Studio:
        """Return the studio that ships."""
        return cls(arrangement, seed)

    # --- what can be moved ------------------------------------------------------------------------------------

    @property
    def arrangements(self) -> tuple[str, ...]:
        """The arrangements by name."""
        return tuple(self._index["arrangements"])

    @property
    def lamps(self) -> tuple[str, ...]:
        """The lamps by name."""
        return tuple(self._index["lamps"])

    @property
    def gains(self) -> Mapping[str, float | None]:
        """Each lamp's gain in stops from its full output; None: off."""
        return dict(self._gains)

    def arrange(self, name: str) -> None:
        """Set an arrangement up. Its backdrop decides whether the lamps behind are lit; the others stay as they are."""
        if name not in self._index["arrangements"]:
            raise KeyError(f"no arrangement {name!r}; there are {', '.join(self.arrangements)}")
        self.arrangement = name
        self._gains["back"] = None if self._set["backdrop"] == "black" else 0.0
        self._mixed = None

    def set_lamp(self, name: str, gain_stops: float | None) -> None:
        """Turn a lamp up or down, in stops from its full output; None: off."""
        if name not in self._gains:
            raise KeyError(f"no lamp {name!r}; there are {', '.join(self.lamps)}")
        if gain_stops is not None and not math.isfinite(gain_stops):
            raise ValueError(f"a lamp's gain is in stops or None, not {gain_stops}")
        self._gains[name] = gain_stops
        self._mixed = None

    # --- light ------------------------------------------------------------------------------------------------

    @property
    def _set(self) -> dict[str, Any]:
        return dict(self._index["arrangements"][self.arrangement])

    def _lit(self) -> Iterator[tuple[str, float]]:
        """Lamps that burn, with their linear gain."""
        return ((name, 2.0**gain) for name, gain in self._gains.items() if gain is not None)

    def layer(self, lamp: str) -> Floats:
        """Radiance of one lamp alone at full output, white, (h, w, 3), cd/m²."""
        name = str(self._set["layers"][lamp])
        if name not in self._layers:
            planes = imagecodecs.jpegxl_decode((self._folder / name).read_bytes()).astype(np.int32)
            green = planes[..., 0]
            codes = np.stack([planes[..., 1] - 32768 + green, green, planes[..., 2] - 32768 + green], -1)
            light = np.exp2((codes / self._index["steps_per_stop"]).astype(np.float32)) * self._index["floor_cd_m2"]
            self._layers[name] = np.where(codes > 0, light, 0).astype(np.float32)
        return self._layers[name]

    def coverage(self) -> Floats:
        """How far each surface covers each point: (planes, h, w), 0 to 1, in the order of `planes`."""
        name = str(self._set["map"])
        if name not in self._maps:
            sheet = imagecodecs.jpegxl_decode((self._folder / name).read_bytes())
            planes = sheet.reshape(len(self.planes), -1, sheet.shape[1])
            self._maps[name] = (planes * np.float32(1 / 255)).astype(np.float32)
        return self._maps[name]

    @property
    def planes(self) -> tuple[str, ...]:
        """Names of the coverage planes; the backdrop is what none covers."""
        return tuple(self._index["planes"])

    def mix(self) -> Floats:
        """All lamps together at layer size: linear light in sRGB primaries, cd/m², (h, w, 3)."""
        first = self.layer(self.lamps[0])
        total = np.zeros_like(first)
        for lamp, gain in self._lit():
            total += self.layer(lamp) * (gain * colour_of(KELVIN[lamp])).astype(np.float32)
        return total

    def _surfaces(self) -> list[Surface]:
        if self._mixed is None:
            light = self.mix()
            size = light.shape[1::-1]
            planes = dict(zip(self.planes, self.coverage(), strict=True))
            solid = [planes[name] for name in ("jug", "bowl", "plinth", "card")]
            self._mixed = []
            for cover in [np.clip(1 - sum(solid), 0, 1), *solid]:
                inside = cv2.resize(cover, size, interpolation=cv2.INTER_AREA) > 0.995
                if not self._mixed:  # the backdrop is smooth and dim: nothing bright at its edge may leak into it
                    inside = cv2.erode(inside.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
                if inside.any():
                    self._mixed.append(Surface(np.asarray(cover, np.float32), carried_out(light, inside)))
        return self._mixed

    def light(self, width: int, height: int) -> Floats:
        """Scene radiance, linear in sRGB primaries, cd/m², (height, width, 3)."""
        drawing = _Drawing(self, width, height)
        whole = np.empty((height, width, 3), np.float32)

        def work(first: int, end: int) -> None:
            whole[first:end] = drawing.band(first, end).light

        files.in_bands(height, BAND_ROWS, work)
        return whole

    def masks(self, width: int, height: int) -> dict[str, NDArray[np.bool_]]:
        """
        Where things are in a frame of this size, from the scene itself: (height, width) each.

        `subject` is jug and bowl where they fill half a pixel or more, `backdrop` likewise, `alone` backdrop and
        nothing else. Plinth and card are in none.
        """
        drawing = _Drawing(self, width, height)
        found = {name: np.empty((height, width), np.bool_) for name in ("subject", "backdrop", "alone")}

        def work(first: int, end: int) -> None:
            band = drawing.band(first, end)
            for name, mask in found.items():
                mask[first:end] = getattr(band, name)

        files.in_bands(height, BAND_ROWS, work)
        return found

    def meter(self, iso: int = 200, shutter_s: float = 1 / 64) -> dict[str, dict[str, float]]:
        """
        Read a flat incident meter at the subject, the lamps as they are.

        Returns:
            By place ("key side", "far side", "toward camera"): `lux`; `f_number`, the nearest mark of the thirds
            series; `f_exact`, N = sqrt(E t S / C) with C 250 (ISO 2720).
        """
        lux = self._index["lux"][self.arrangement]
        fallback = self._index["lux"]["black"]
        found = {}
        for place in lux["key"]:
            total = sum(gain * lux.get(lamp, fallback[lamp])[place] for lamp, gain in self._lit())
            exact = math.sqrt(total * shutter_s * 3.125 * 2 ** speed_value(iso) / FLAT_METER_C)
            mark = marked_f_number(2 * math.log2(exact)) if exact > 0 else 0.0
            found[place] = {"lux": round(total, 1), "f_number": mark, "f_exact": round(exact, 3)}
        return found

    # --- frames -----------------------------------------------------------------------------------------------

    def photograph(self, settings: Settings, number: int, megapixels: float = 6.0) -> Exposed:
        """
        Take frame `number`.

        Two calls with the same lamps, seed, number and settings give the same bytes. `truth` is counted on the light
        of this frame before any noise.
        """
        width, height = frame_size(megapixels)
        drawing = _Drawing(self, width, height)
        truth = _Truth(self, settings, width, height)
        counts = np.empty((height, width), np.uint16)
        scale = exposed(1.0, settings) * np.array(self.sensor.response, np.float32)
        gains = self._balance(settings.white_balance)
        seeds = np.random.SeedSequence([self._seed, number]).spawn(height // BAND_ROWS + 1)

        def work(first: int, end: int) -> None:
            band = drawing.band(first, end)
            light = band.light
            light *= scale
            truth.count(first, band, gains)
            rng = np.random.default_rng(seeds[first // BAND_ROWS])
            counts[first:end] = read_out(mosaic(light), self.sensor, settings.iso, rng)

        files.in_bands(height, BAND_ROWS, work)
        negative = files.Negative(counts, self.sensor, gains, settings, number)
        made = {"jpeg": files.jpeg, "dng": files.dng}
        written = tuple(("JPG" if kind == "jpeg" else "DNG", made[kind](negative)) for kind in settings.formats)
        return Exposed(written, truth.told())

    def _balance(self, name: str) -> tuple[float, float, float]:
        """White balance gains. Custom: a grey card at the subject, facing the camera. Automatic: halfway there."""
        if name in BALANCES:
            light = colour_of(BALANCES[name])
        else:
            lux = {**self._index["lux"]["black"], **self._index["lux"][self.arrangement]}
            light = sum(
                (gain * lux[lamp]["toward camera"] * colour_of(KELVIN[lamp]) for lamp, gain in self._lit()), np.zeros(3)
            )
            light = light / float(light @ LUMINANCE) if light.any() else colour_of(BALANCES["daylight"])
            if name == "automatic":
                light = np.sqrt(light * colour_of(4000))
                light /= float(light @ LUMINANCE)
        gains = 1 / (light * self.sensor.response)
        # None under 1, or a channel that is full on the sensor would not be full in the file.
        red, green, blue = (gains / min(float(gains.min()), 1.0)).tolist()
        return red, green, blue


def frame_size(megapixels: float) -> tuple[int, int]:
    """
    Return width and height, 3 to 2, in whole JPEG blocks.

    >>> frame_size(6), frame_size(24), frame_size(45)
    ((3008, 2000), (6000, 4000), (8208, 5472))
    """
    height = max(16, 16 * round(math.sqrt(megapixels * 1e6 / 1.5) / 16))
    return 16 * round(height * 1.5 / 16), height


# --- drawing --------------------------------------------------------------------------------------------------


def carried_out(light: Floats, inside: NDArray[np.bool_], steps: int = 6) -> Floats:
    """Keep `light` where a surface alone is seen; carry it outward from there, a pixel a step."""
    known = inside.astype(np.float32)
    kept = light * known[..., None]
    for _ in range(steps):
        near = cv2.blur(known, (3, 3))
        spread = cv2.blur(kept, (3, 3)) / np.maximum(near, 1e-9)[..., None]
        new = (known == 0) & (near > 1e-6)
        kept[new] = np.asarray(spread, np.float32)[new]
        known[new] = 1
    return kept


def spline_taps(first: int, end: int, size: int, source: int) -> tuple[NDArray[np.intp], Floats]:
    """
    Return which three samples of a row of `source` make samples `first` to `end` of its enlargement to `size`, and how.

    The quadratic B-spline: smooth, and no weight is below zero, so that a lamp's glint, ten thousand times brighter
    than what is beside it, digs no hole there; and linear, so that light still adds.
    """
    at = (np.arange(first, end) + 0.5) * (source / size) - 0.5
    middle = np.rint(at).astype(np.intp)
    t = at - middle
    weights = np.stack([0.5 * (0.5 - t) ** 2, 0.75 - t**2, 0.5 * (0.5 + t) ** 2], 1).astype(np.float32)
    return np.clip(middle[:, None] + np.arange(-1, 2), 0, source - 1), weights


def multiply(a: Floats, b: Floats, out: Floats, block: int = 512) -> None:
    """Matrix product in blocks so small that BLAS starts no threads of its own, to fight with ours for the cores."""
    whole = b.shape[1] // block * block
    np.matmul(
        a,
        b[:, :whole].reshape(b.shape[0], -1, block).swapaxes(0, 1),
        out=out[:, :whole].reshape(out.shape[0], -1, block).swapaxes(0, 1),
    )
    np.matmul(a, b[:, whole:], out=out[:, whole:])


@dataclass(frozen=True, eq=False)
class _Wide:
    """A picture enlarged sideways, its rows still to be made; holds columns `left` to `right` only."""

    pixels: Floats
    left: int
    right: int

    def band(self, first: int, end: int, rows: int) -> Floats:
        made = np.empty((end - first, *self.pixels.shape[1:]), np.float32)
        flat = made.reshape(end - first, -1)
        for at in range(first, end, 32):
            to = min(at + 32, end)
            places, taps = spline_taps(at, to, rows, self.pixels.shape[0])
            low, high = int(places.min()), int(places.max()) + 1
            weights = np.zeros((to - at, high - low), np.float32)
            np.add.at(weights, (np.arange(to - at)[:, None], places - low), taps)
            multiply(weights, self.pixels[low:high].reshape(high - low, -1), flat[at - first : to - first])
        return made


def _widened(small: Floats, width: int, height: int, left: int, right: int) -> _Wide:
    if small.shape[1] > width:
        shrunk = cv2.resize(small, (width, min(height, small.shape[0])), interpolation=cv2.INTER_AREA)
        small = np.asarray(shrunk, np.float32)
    places, taps = spline_taps(left, right, width, small.shape[1])
    shape = (1, -1) + (1,) * (small.ndim - 2)
    wide = small[:, places[:, 0]] * taps[:, 0].reshape(shape)
    for i in (1, 2):
        wide += small[:, places[:, i]] * taps[:, i].reshape(shape)
    return _Wide(wide, left, right)


@dataclass(frozen=True, eq=False)
class _Band:
    """Some rows of the lit studio."""

    light: Floats
    """(rows, width, 3), cd/m²."""
    subject: NDArray[np.bool_]
    """Jug and bowl, where they fill at least half of the pixel."""
    standing: NDArray[np.bool_]
    """Everything that stands before the backdrop and belongs there: jug, bowl and plinth."""
    backdrop: NDArray[np.bool_]
    alone: NDArray[np.bool_]
    """Backdrop and nothing else."""


class _Drawing:
    """The lit studio at one size, drawn a band at a time so that 45 megapixels need little memory."""

    def __init__(self, studio: Studio, width: int, height: int) -> None:
        self.width, self.height = width, height
        surfaces = studio._surfaces()
        map_height, map_width = surfaces[0].coverage.shape
        self.sharpness = max(width / map_width, 1.0)
        self.parts: list[tuple[_Wide, _Wide, int, int]] = []
        for surface in surfaces:
            seen = surface.coverage > 0
            columns, lines = np.flatnonzero(seen.any(0)), np.flatnonzero(seen.any(1))
            left, right = _reach(columns, map_width, width)
            top, bottom = _reach(lines, map_height, height)
            self.parts.append(
                (
                    _widened(surface.coverage, width, height, left, right),
                    _widened(surface.light, width, height, left, right),
                    top,
                    bottom,
                )
            )
        clay = studio.coverage()[studio.planes.index("clay")]
        jug = self.parts[1]
        self.clay = _widened(clay, width, height, jug[0].left, jug[0].right)
        self.texture = _Texture(width)

    def band(self, first: int, end: int) -> _Band:
        """Draw rows `first` to `end`."""
        rows = end - first
        light = np.zeros((rows, self.width, 3), np.float32)
        weight = np.zeros((rows, self.width), np.float32)
        covers = [np.zeros((rows, self.width), np.float32) for _ in range(3)]
        for i, (cover, lit, top, bottom) in enumerate(self.parts):
            if bottom <= first or top >= end:
                continue
            columns = slice(cover.left, cover.right)
            alpha = np.clip((cover.band(first, end, self.height) - 0.5) * self.sharpness + 0.5, 0, 1)
            own = lit.band(first, end, self.height)
            if i in (0, 1, 2):
                clay = self.clay.band(first, end, self.height) if i == 1 else None
                self.texture.lay(own, first, cover.left, clay, plain=i == 0)
            light[:, columns] += own * alpha[..., None]
            weight[:, columns] += alpha
            if i < 4:
                covers[(0, 1, 1, 2)[i]][:, columns] += alpha
        light /= np.maximum(weight, 1e-6)[..., None]
        backdrop, subject, plinth = covers
        alone = (backdrop > 0.999) & (weight - backdrop < 1e-5)
        return _Band(light, subject >= 0.5, subject + plinth >= 0.5, backdrop >= 0.5, alone)


def _reach(places: NDArray[np.intp], size: int, wanted: int) -> tuple[int, int]:
    """Return where a run of map pixels lies in a picture of another size, with room for the cubic's reach."""
    scale = wanted / size
    return max(int((places[0] - 3) * scale), 0), min(int((places[-1] + 4) * scale) + 1, wanted)


class _Texture:
    """Grain too fine for the layers: grit in the clay, iron spots in the glaze, a breath of it in the paper."""

    SIDE = 1024

    def __init__(self, width: int) -> None:
        rng = np.random.default_rng(77)
        grit = np.zeros((self.SIDE, self.SIDE), np.float32)
        for octave, share in ((0.8, 1.0), (1.6, 1.1), (3.2, 0.8)):
            noise = rng.standard_normal(grit.shape, dtype=np.float32)
            soft = cv2.GaussianBlur(noise, (0, 0), octave, borderType=cv2.BORDER_REFLECT)
            grit += (share / soft.std() * soft).astype(np.float32)
        grit /= grit.std()
        self.clay = np.exp(0.055 * grit - 0.0015).astype(np.float32)
        self.paper = (1 + 0.006 * grit).astype(np.float32)
        spots = np.zeros_like(grit)
        radius = max(width / 3000, 0.5)
        for x, y, size in rng.uniform((0, 0, 0.5), (self.SIDE, self.SIDE, 2.0), (int(260 / max(radius, 1) ** 1.5), 3)):
            cv2.circle(spots, (int(x * 16), int(y * 16)), max(int(size * radius * 16), 12), 1.0, -1, cv2.LINE_AA, 4)
        spots = np.asarray(cv2.GaussianBlur(spots, (0, 0), 0.45 * radius + 0.5), np.float32)
        self.glaze = np.exp(0.012 * grit - 0.7 * np.minimum(spots, 1)).astype(np.float32)

    def lay(self, light: Floats, row: int, column: int, clay: Floats | None, plain: bool) -> None:
        """Multiply the grain into a band that begins at `row` and `column`."""
        places = np.ix_(
            np.arange(row, row + light.shape[0]) % self.SIDE, np.arange(column, column + light.shape[1]) % self.SIDE
        )
        grain = self.paper[places] if plain else self.glaze[places]
        if clay is not None:
            grain = grain + (self.clay[places] - grain) * np.clip(clay, 0, 1)
        light *= grain[..., None]


# --- truth ----------------------------------------------------------------------------------------------------


_TALLY = Lock()


class _Truth:
    """Counts what the frame's light is, band by band. The surfaces come from the scene, not from the picture."""

    BINS = 4096
    CODE_CLEAN, CODE_PATCH, PATCH_SHARE, CODE_WHITE = 5, 8, 0.0005, 250

    def __init__(self, studio: Studio, settings: Settings, width: int, height: int) -> None:
        self.studio, self.settings, self.pixels = studio, settings, width * height
        self.tone_name = str(studio._set["backdrop"])
        self.mids = np.zeros((2, self.BINS), np.int64)
        self.codes = np.zeros(256, np.int64)
        self.plain_codes = np.zeros(256, np.int64)
        self.light = np.zeros(self.BINS, np.int64)
        self.subject = self.clipped = self.clipped_jpeg = self.backdrop = self.white = 0
        self.standing = self.standing_clipped = self.standing_clipped_jpeg = 0
        self.sides = np.zeros((2, 2))
        self.above = np.zeros((height, width), np.uint8)
        self.curve = np.rint(files.tone(np.arange(65536) / 65535)).astype(np.uint8)
        self.plain = np.rint(255 * _srgb(np.arange(65536) / 65535)).astype(np.uint8)

    def count(self, first: int, band: _Band, gains: tuple[float, float, float]) -> None:
        """Add a band whose light is now shares of full scale; `gains` is the white balance."""
        own, behind = band.subject, band.alone
        full = band.light.max(axis=2) >= 1
        shares = np.minimum(band.light, np.float32(1))  # a full well is full, whatever the balance makes of it
        red, green, blue = (shares[..., i] for i in range(3))
        top = np.maximum(np.maximum(red * gains[0], green * gains[1]), blue * gains[2])
        code = self.curve.take(_sixteen(top))
        if self.tone_name == "black":
            self.above[first : first + len(code)] = behind & (code > self.CODE_PATCH)
        counted = {
            "subject": own.sum(),
            "clipped": (own & full).sum(),
            "clipped_jpeg": (own & (code == 255)).sum(),
            "backdrop": band.backdrop.sum(),
            "standing": band.standing.sum(),
            "standing_clipped": (band.standing & full).sum(),
            "standing_clipped_jpeg": (band.standing & (code == 255)).sum(),
        }
        if self.tone_name == "white":
            low = np.minimum(np.minimum(red * gains[0], green * gains[1]), blue * gains[2])
            counted["white"] = (behind & (self.curve.take(_sixteen(low)) >= self.CODE_WHITE)).sum()
        parts = [np.float32(gain * share) for gain, share in zip(gains, LUMINANCE, strict=True)]
        mids = [
            self._bins(red[part] * parts[0] + green[part] * parts[1] + blue[part] * parts[2])
            for part in (own, band.standing)
        ]
        third = top.shape[1] // 3
        sides = [(top[:, side][behind[:, side]].sum(), behind[:, side].sum()) for side in _outer(third)]
        fewer = np.ascontiguousarray(shares[::4, ::4])[behind[::4, ::4]]
        light = self._bins(fewer[:, 0] * parts[0] + fewer[:, 1] * parts[1] + fewer[:, 2] * parts[2])
        codes = np.bincount(code[behind], minlength=256)
        plain_codes = np.bincount(self.plain.take(_sixteen(top[behind])), minlength=256)
        with _TALLY:
            self.mids += mids
            self.codes += codes
            self.plain_codes += plain_codes
            self.light += light
            self.sides += sides
            for name, number in counted.items():
                setattr(self, name, getattr(self, name) + int(number))

    def _bins(self, luminance: NDArray[np.floating]) -> NDArray[np.int64]:
        """Count shares of full scale by 1/128 stops from mid grey, 20 stops down to 12 up."""
        stops = np.log2(np.maximum(luminance, 1e-9) / np.float32(MID_SHARE))
        place = np.clip((stops + 20) * 128, 0, self.BINS - 1).astype(np.int32)
        return np.bincount(place, minlength=self.BINS)

    def _patch(self) -> float:
        """Largest connected patch of backdrop above the patch code, as a share of the frame."""
        if not self.above.any():
            return 0.0
        _, _, stats, _ = cv2.connectedComponentsWithStats(self.above, connectivity=8)
        return float(stats[1:, cv2.CC_STAT_AREA].max()) / self.pixels if len(stats) > 1 else 0.0

    def _lit_from(self) -> str | None:
        """Return the side where the backdrop has twice the light of the other, if it has."""
        left, right = (self.sides[:, 0] / np.maximum(self.sides[:, 1], 1)).tolist()
        return "left" if left > 2 * right else "right" if right > 2 * left else None

    def told(self) -> dict[str, object]:
        """Return the truth, as JSON can hold it."""
        codes = {f"backdrop_code_p{p}": _percentile(self.codes, p) for p in (50, 95, 99)}
        patch, seen = self._patch(), int(self.codes.sum())
        spread = (_percentile(self.light, 99) - _percentile(self.light, 1)) / 128
        clean = {
            "black": codes["backdrop_code_p99"] <= self.CODE_CLEAN and patch <= self.PATCH_SHARE,
            "grey": spread <= 1 / 3,
            "white": seen > 0 and self.white >= 0.99 * seen,
        }[self.tone_name]
        studio = self.studio
        return {
            "arrangement": studio.arrangement,
            "lamps": studio.gains,
            "subject_area": self.subject / self.pixels,
            "subject_clipped": self.clipped / max(self.subject, 1),
            "subject_clipped_jpeg": self.clipped_jpeg / max(self.subject, 1),
            "subject_mid_stops": (_percentile(self.mids[0], 50) + 0.5) / 128 - 20,
            "standing_clipped": self.standing_clipped / max(self.standing, 1),
            "standing_clipped_jpeg": self.standing_clipped_jpeg / max(self.standing, 1),
            "standing_mid_stops": (_percentile(self.mids[1], 50) + 0.5) / 128 - 20,
            "backdrop": self.tone_name,
            "backdrop_area": self.backdrop / self.pixels,
            **codes,
            "backdrop_plain_code_p99": _percentile(self.plain_codes, 99),
            "backdrop_code_max": int(np.flatnonzero(self.codes)[-1]) if seen else None,
            "backdrop_patch": patch,
            "lit_from": self._lit_from(),
            "backdrop_spread_stops": spread,
            "clean": bool(clean),
        }


def _srgb(light: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return sRGB (IEC 61966-2-1) of linear light, both from 0 to 1: a raw frame developed plainly."""
    bent = 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055
    return np.where(light <= 0.0031308, 12.92 * light, bent)


def _outer(third: int) -> tuple[slice, slice]:
    """Return the columns of a picture's left and right third."""
    return slice(None, third), slice(-third, None)


def _sixteen(shares: Floats) -> NDArray[np.uint16]:
    """Return shares of full scale in 16 bits."""
    return (np.clip(shares, 0, 1) * np.float32(65535) + np.float32(0.5)).astype(np.uint16)


def _percentile(histogram: NDArray[np.int64], percent: float) -> int:
    """Return the lowest bin at or under which `percent` of all lie."""
    return int(np.searchsorted(np.cumsum(histogram), percent / 100 * histogram.sum()))
