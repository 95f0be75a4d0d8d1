"""
Counts to files: a JPEG as a camera develops it, and a DNG with every count as it was read.

Both carry the same Exif.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from functools import cache
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
import simplejpeg
from numpy.typing import NDArray

from lampblack.mock_camera.body import Settings
from lampblack.mock_camera.sensor import MID_SHARE, Counts, Sensor
from lampblack.mock_camera.tiff import Directory, Kind, pack, pack_image
from lampblack.rules.exposure import aperture_value

Bytes = NDArray[np.uint8]

MAKE, MODEL, LENS = "Lampblack", "Kiln One", "Bench 110 mm f/2.8"
BODY_SERIAL = "KILN-0001"
FOCAL_LENGTH_MM = 110
QUALITY = 92
THREADS = 2


# --- tone -----------------------------------------------------------------------------------------------------

TONE = (
    (-10.0, 0.15), (-9.0, 0.4), (-8.0, 1.0), (-7.0, 2.4), (-6.0, 5.4), (-5.0, 11.0), (-4.0, 20.5), (-3.0, 35.0),
    (-2.0, 57.0), (-1.0, 83.5), (0.0, 117.65), (1.0, 163.5), (2.0, 214.0), (2.5, 238.0),
    (float(-np.log2(MID_SHARE)), 255.0),
)  # fmt: skip
"""
Codes by stops above or under an 18 % grey: an S, steeper in the middle than sRGB, drawn down in the shadows, its
shoulder reaching 255 where the sensor is full. 117.65 is sRGB's code for 18 % (IEC 61966-2-1).
"""


@cache
def _tone_slopes() -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Knots, values, and slopes that keep a cubic through them monotone (Fritsch and Carlson 1980, harmonic mean)."""
    at, code = np.array(TONE).T
    step, rise = np.diff(at), np.diff(code) / np.diff(at)
    left, right = 2 * step[1:] + step[:-1], step[1:] + 2 * step[:-1]
    inner = (left + right) / (left / rise[:-1] + right / rise[1:])
    return at, code, np.concatenate([rise[:1], inner, rise[-1:]])


def tone(shares: Any) -> NDArray[np.float64]:
    """
    Return codes, 0 to 255 and not rounded, of balanced shares of full scale (1: the sensor is full).

    >>> [round(float(c), 2) for c in tone([0.0, 0.18 / 2**0.5, 1.0, 3.0])]
    [0.0, 117.65, 255.0, 255.0]
    """
    share = np.clip(np.asarray(shares, np.float64), 0, 1)
    at, code, slope = _tone_slopes()
    stops = np.log2(np.maximum(share, 2.0**-40) / MID_SHARE)
    i = np.clip(np.searchsorted(at, stops, side="right") - 1, 0, len(at) - 2)
    width = at[i + 1] - at[i]
    t = np.clip((stops - at[i]) / width, 0, 1)
    curve = (
        code[i] * (1 + 2 * t) * (1 - t) ** 2
        + slope[i] * width * t * (1 - t) ** 2
        + code[i + 1] * t**2 * (3 - 2 * t)
        + slope[i + 1] * width * t**2 * (t - 1)
    )
    below = stops < at[0]
    return np.where(below, code[0] * share / (MID_SHARE * 2 ** at[0]), curve)


# --- development ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Negative:
    """One frame as the sensor gave it, and what the files say of it."""

    counts: Counts
    sensor: Sensor
    gains: tuple[float, float, float]
    """White balance: what makes a neutral's red, green and blue equal to its luminance; all at least 1."""
    settings: Settings
    number: int


def in_bands(rows: int, height: int, work: Callable[[int, int], None]) -> None:
    """Call `work(first, end)` over all rows, a band at a time, on two threads; the rows of a band are even."""
    edges = [*range(0, rows, height), rows]
    with ThreadPoolExecutor(THREADS) as pool:
        for done in [pool.submit(work, a, b) for a, b in pairwise(edges)]:
            done.result()


def develop(negative: Negative) -> tuple[Bytes, Bytes, Bytes]:
    """Return Y, Cb, Cr (chroma at half size both ways) of the developed picture."""
    sensor = negative.sensor
    scale = sensor.white_dn - sensor.black_dn
    shares = (np.arange(sensor.white_dn + 1) - sensor.black_dn) / scale
    curves = [np.rint(tone(shares * gain)).astype(np.uint8) for gain in negative.gains]
    for curve in curves:
        curve[sensor.white_dn] = 255
    height, width = negative.counts.shape
    luma = np.empty((height, width), np.uint8)
    blue, red = np.empty((height // 2, width // 2), np.uint8), np.empty((height // 2, width // 2), np.uint8)
    margin = 8

    def work(first: int, end: int) -> None:
        top, bottom = max(first - margin, 0), min(end + margin, height)
        colour = cv2.demosaicing(negative.counts[top:bottom], cv2.COLOR_BayerRGGB2RGB_EA)
        kept = colour[first - top : end - top]
        codes = np.stack([curve.take(kept[..., i].astype(np.uint16, copy=False)) for i, curve in enumerate(curves)], -1)
        whole = cv2.cvtColor(codes, cv2.COLOR_RGB2YCrCb)
        luma[first:end] = whole[..., 0]
        half = cv2.resize(whole[..., 1:], (width // 2, (end - first) // 2), interpolation=cv2.INTER_AREA)
        red[first // 2 : end // 2], blue[first // 2 : end // 2] = half[..., 0], half[..., 1]

    in_bands(height, 256, work)
    # What every camera does to colour noise: it goes first, lightness keeps its grain.
    smooth = [np.asarray(cv2.GaussianBlur(plane, (5, 5), 1.1), np.uint8) for plane in (blue, red)]
    return luma, smooth[0], smooth[1]


def jpeg(negative: Negative) -> bytes:
    """Return a JPEG with Exif. Light that filled the sensor is 255 in it."""
    plain = simplejpeg.encode_jpeg_yuv_planes(*develop(negative), quality=QUALITY)
    info = b"Exif\0\0" + pack(_describe(negative, jpeg=True))
    exif = b"\xff\xe1" + struct.pack(">H", len(info) + 2) + info
    body = 2
    if plain[2:4] == b"\xff\xe0":  # DCF files have Exif in JFIF's place
        body = 4 + struct.unpack(">H", plain[4:6])[0]
    return b"".join([plain[:2], exif, plain[body:]])


# --- raw ------------------------------------------------------------------------------------------------------

XYZ_TO_SRGB = ((3.2406, -1.5372, -0.4986), (-0.9689, 1.8758, 0.0415), (0.0557, -0.2040, 1.0570))
"""IEC 61966-2-1."""
ROWS_IN_STRIP = 256


def dng(negative: Negative) -> bytes:
    """Return a DNG 1.4 whose samples are the counts. Tags by Adobe's DNG specification 1.4."""
    sensor, counts = negative.sensor, negative.counts
    matrix = [response * v for response, row in zip(sensor.response, XYZ_TO_SRGB, strict=True) for v in row]
    neutral = [min(negative.gains) / gain for gain in negative.gains]
    directory = _describe(negative, jpeg=False)
    height, width = counts.shape
    fields: dict[int, tuple[Kind, Any]] = {
        **directory.fields,
        254: (Kind.LONG, 0),
        256: (Kind.LONG, width),
        257: (Kind.LONG, height),
        258: (Kind.SHORT, 16),
        259: (Kind.SHORT, 1),
        262: (Kind.SHORT, 32803),  # a colour filter array
        277: (Kind.SHORT, 1),
        278: (Kind.LONG, ROWS_IN_STRIP),
        284: (Kind.SHORT, 1),
        33421: (Kind.SHORT, (2, 2)),
        33422: (Kind.BYTE, bytes([0, 1, 1, 2])),
        50706: (Kind.BYTE, bytes([1, 4, 0, 0])),
        50707: (Kind.BYTE, bytes([1, 1, 0, 0])),
        50708: (Kind.ASCII, f"{MAKE} {MODEL}"),
        50711: (Kind.SHORT, 1),  # a rectangular layout
        50713: (Kind.SHORT, (1, 1)),
        50714: (Kind.SHORT, sensor.black_dn),
        50717: (Kind.LONG, sensor.white_dn),
        50721: (Kind.SRATIONAL, matrix),
        50728: (Kind.RATIONAL, neutral),
        50730: (Kind.SRATIONAL, 0),
        50735: (Kind.ASCII, BODY_SERIAL),
        50778: (Kind.SHORT, 21),  # the matrix holds for D65
    }
    little = counts.astype("<u2", copy=False)
    strips = [little[at : at + ROWS_IN_STRIP].tobytes() for at in range(0, height, ROWS_IN_STRIP)]
    return pack_image(Directory(fields, directory.below), strips)


# --- Exif -----------------------------------------------------------------------------------------------------

EXIF, INTEROPERABILITY = 34665, 40965


def _marked_time(shutter: str) -> Fraction:
    return Fraction(shutter.replace('"', "").replace("s", "").strip())


def _describe(negative: Negative, jpeg: bool) -> Directory:
    """Return the directories that both files share. Tags and types by Exif 2.32 (CIPA DC-008)."""
    settings, (height, width) = negative.settings, negative.counts.shape
    day, _, clock = settings.taken_at.partition("T")
    clock, _, hundredths = clock.partition(".")
    zone = datetime.fromisoformat(settings.taken_at).astimezone().strftime("%z")
    zone = f"{zone[:3]}:{zone[3:5]}"  # the camera's clock shows this machine's local time
    taken = f"{day.replace('-', ':')} {clock}"
    balance = 0 if settings.white_balance == "automatic" else 1
    source = {"daylight": 1, "fluorescent": 2, "tungsten": 3}.get(settings.white_balance, 0)
    exif: dict[int, tuple[Kind, Any]] = {
        33434: (Kind.RATIONAL, _marked_time(settings.shutter)),
        33437: (Kind.RATIONAL, Fraction(str(settings.f_number))),
        34850: (Kind.SHORT, 1),  # exposure by hand
        34855: (Kind.SHORT, settings.iso),
        34864: (Kind.SHORT, 2),  # the speed below is a recommended exposure index
        34866: (Kind.LONG, settings.iso),
        36864: (Kind.UNDEFINED, b"0232"),
        36867: (Kind.ASCII, taken),
        36868: (Kind.ASCII, taken),
        36880: (Kind.ASCII, zone),
        36881: (Kind.ASCII, zone),
        37377: (Kind.SRATIONAL, Fraction(-np.log2(settings.shutter_s)).limit_denominator(1000)),
        37378: (Kind.RATIONAL, Fraction(aperture_value(settings.f_number)).limit_denominator(1000)),
        37380: (Kind.SRATIONAL, 0),
        37381: (Kind.RATIONAL, 3),
        37383: (Kind.SHORT, 5),
        37384: (Kind.SHORT, source),
        37385: (Kind.SHORT, 16),  # no flash: the light burns all the time
        37386: (Kind.RATIONAL, FOCAL_LENGTH_MM),
        37521: (Kind.ASCII, hundredths or "00"),
        37522: (Kind.ASCII, hundredths or "00"),
        40961: (Kind.SHORT, 1),
        41986: (Kind.SHORT, 1),
        41987: (Kind.SHORT, balance),
        41989: (Kind.SHORT, FOCAL_LENGTH_MM),
        41990: (Kind.SHORT, 0),
        42033: (Kind.ASCII, BODY_SERIAL),
        42034: (Kind.RATIONAL, (FOCAL_LENGTH_MM, FOCAL_LENGTH_MM, Fraction(14, 5), Fraction(14, 5))),
        42036: (Kind.ASCII, LENS),
    }
    below = {}
    if jpeg:
        exif |= {
            37121: (Kind.UNDEFINED, b"\1\2\3\0"),
            40960: (Kind.UNDEFINED, b"0100"),
            40962: (Kind.LONG, width),
            40963: (Kind.LONG, height),
        }
        below[INTEROPERABILITY] = Directory({1: (Kind.ASCII, "R98"), 2: (Kind.UNDEFINED, b"0100")})
    fields: dict[int, tuple[Kind, Any]] = {
        271: (Kind.ASCII, MAKE),
        272: (Kind.ASCII, MODEL),
        274: (Kind.SHORT, 1),
        282: (Kind.RATIONAL, 300),
        283: (Kind.RATIONAL, 300),
        296: (Kind.SHORT, 2),
        306: (Kind.ASCII, taken),
    }
    if jpeg:
        fields[531] = (Kind.SHORT, 1)
    return Directory(fields, {EXIF: Directory(exif, below)})
