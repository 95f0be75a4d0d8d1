"""What a DNG says of itself: of its picture, where LibRaw would misread it or calls it damaged; of its colours."""

from __future__ import annotations

import io
import logging
from dataclasses import dataclass
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray

from lampblack.rules.colour import Profile

_VERSION, _PATTERN_SIZE, _OPCODES = 50706, 33421, 51009  # DNG 1.6: DNGVersion, CFARepeatPatternDim, OpcodeList2
_LOSSY_JPEG = 34892
_PACKED = {_LOSSY_JPEG: "lossy JPEG", 52546: "JPEG XL", 8: "deflate"}
_ANY, _FLOATS, _COLOURS = (1, 7), 8, _LOSSY_JPEG
"""What LibRaw unpacks: none and lossless JPEG, deflate of floating-point samples, lossy JPEG of whole colours."""
_HEADERS = 4096  # bytes of a tile: its tables and frame header are in them
_SPLIT = (3, 34894, 34895)
_KNOWN_PATTERNS = ((2, 2), (6, 6))
_MATRICES = ((50721, 50723, 50778), (50722, 50724, 50779))
"""ColorMatrix, CameraCalibration, CalibrationIlluminant, for each of two lights; then AnalogBalance."""
_ANALOG_BALANCE = 50727
_KELVIN = {
    1: 5500, 2: 4150, 3: 2856, 4: 5500, 9: 5500, 10: 6504, 11: 7504, 12: 6430, 13: 5000, 14: 4150, 15: 3450,
    17: 2856, 18: 4874, 19: 6774, 20: 5503, 21: 6504, 22: 7504, 23: 5003, 24: 3200,
}  # fmt: skip
"""Exif 2.3, LightSource, to kelvin: CIE 15 for the lettered ones, the rest (common practice)."""


@dataclass(frozen=True)
class Dng:
    """
    The largest picture of a DNG.

    packed: how its samples are compressed (TIFF's number). floats: they are floating-point. pattern: (down, across) of
    its colour pattern, None without one. curved: a lossy picture says how its codes become light. split: bytes of
    floating-point samples stand apart by their weight (TIFF's predictors of that kind). lossless: as JPEG, it is the
    lossless kind.
    """

    packed: int
    floats: bool
    pattern: tuple[int, int] | None
    curved: bool
    split: bool
    lossless: bool
    profiles: tuple[Profile, ...] = ()

    @property
    def misread(self) -> str | None:
        """Return why LibRaw's samples of it are not to be believed, or None."""
        if self.pattern is not None and self.pattern not in _KNOWN_PATTERNS:
            down, across = self.pattern
            return (
                f"a DNG with a colour pattern of {down} x {across}: only 2 x 2 and 6 x 6 are measured; "
                "set the camera to save 2 x 2, or export it as TIFF"
            )
        if self.packed == _LOSSY_JPEG and not self.curved:
            return "a lossy DNG that doesn't say how its codes become light: export it as lossless DNG or TIFF"
        if self.packed == 7 and not self.lossless:
            return "a DNG of lossy JPEG tagged as lossless: export it again, as lossless DNG or TIFF"
        if self.packed == _FLOATS and self.floats and not self.split:
            return "a DNG of deflated floating-point samples without a predictor: export it as lossless DNG or TIFF"
        return None

    @property
    def unread(self) -> str | None:
        """Return why LibRaw may have failed on it though nothing is damaged, or None."""
        reads_floats, reads_colours = (
            self.packed == _FLOATS and self.floats,
            self.packed == _COLOURS and not self.pattern,
        )
        if self.packed in _ANY or reads_floats or reads_colours:
            return None  # what fails is damaged
        how = _PACKED.get(self.packed, f"method {self.packed}")
        return f"a DNG whose samples are packed as {how}, which LibRaw doesn't unpack here: export it as lossless DNG"


def read_dng(data: bytes) -> Dng | None:
    """Return what a DNG's directory says, or None: it is no DNG, or its directory can't be read."""
    if data[:4] not in (b"II*\0", b"MM\0*"):
        return None
    logging.getLogger("tifffile").setLevel(logging.CRITICAL)
    try:
        # Closed here: a directory and its pages hold each other, and would hold the file's bytes for long.
        with io.BytesIO(data) as file, tifffile.TiffFile(file) as tiff:
            first: Any = tiff.pages[0]
            if _VERSION not in first.tags:
                return None
            pages: list[Any] = [first, *(first.pages or ())]
            page = max(pages, key=lambda p: p.imagewidth * p.imagelength)
            size = page.tags.valueof(_PATTERN_SIZE)
            return Dng(
                int(page.compression),
                page.dtype is not None and page.dtype.kind == "f",
                None if size is None else (int(size[0]), int(size[1])),
                _OPCODES in page.tags,
                int(page.predictor) in _SPLIT,
                _is_lossless(data[page.dataoffsets[0] : page.dataoffsets[0] + _HEADERS] if page.dataoffsets else b""),
                _profiles(first.tags),
            )
    except Exception:  # a parser of untrusted bytes may raise anything; LibRaw has the last word
        return None


def _is_lossless(jpeg: bytes) -> bool:
    """Say whether a JPEG's first frame header is the lossless kind (ITU T.81, table B.1), or none is there to tell."""
    at = 2
    while at + 4 <= len(jpeg) and jpeg[at] == 0xFF:
        marker = jpeg[at + 1]
        if 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC):
            return marker in (0xC3, 0xC7, 0xCB, 0xCF)
        at += 2 + int.from_bytes(jpeg[at + 2 : at + 4], "big")
    return True


def _profiles(tags: Any) -> tuple[Profile, ...]:
    """Return the camera's colours under the lights it was measured under; those that make no sense are left out."""
    gains = _numbers(tags, _ANALOG_BALANCE, (3,))
    found = []
    for matrix, calibration, light in _MATRICES:
        from_xyz, own = _numbers(tags, matrix, (3, 3)), _numbers(tags, calibration, (3, 3))
        # A second matrix without its light is of no use; one alone is of daylight, unless it says otherwise.
        kelvin = _KELVIN.get(int(tags.valueof(light) or 0), 6504 if light == _MATRICES[0][2] else 0)
        if from_xyz is None or not kelvin or abs(float(np.linalg.det(from_xyz))) < 1e-6:
            continue
        whole = from_xyz if own is None else own @ from_xyz
        found.append(Profile(float(kelvin), whole if gains is None else np.diag(gains) @ whole))
    return tuple(found)


def _numbers(tags: Any, code: int, shape: tuple[int, ...]) -> NDArray[np.float64] | None:
    """Return a tag of fractions as an array, or None: absent, or not so many."""
    value = tags.valueof(code)
    if value is None or len(value) != 2 * int(np.prod(shape)):
        return None
    parts = np.asarray(value, np.float64).reshape(-1, 2)
    if (parts[:, 1] == 0).any():
        return None
    found: NDArray[np.float64] = (parts[:, 0] / parts[:, 1]).reshape(shape)
    return found
