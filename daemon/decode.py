"""
Untrusted bytes in, a `Picture` out, or one line that says why not.

Runs in the eye (a process with limits); nothing here trusts a name, a header or a tag.
"""

from __future__ import annotations

import hashlib
import io
import logging
import math
import os
import re
import stat
from dataclasses import dataclass
from typing import Any

import cv2
import exifread
import numpy as np
import simplejpeg
import tifffile

from lampblack.daemon.clean import clean
from lampblack.rules.exposure import Exposure
from lampblack.rules.frame import Picture, Shot
from lampblack.rules.thresholds import Thresholds

JPEG_SUFFIXES = frozenset({".jpg", ".jpeg", ".jpe"})
TIFF_SUFFIXES = frozenset({".tif", ".tiff"})
_RAW_ENDINGS = (
    "3fr arw cr2 cr3 crw dcr dng erf fff gpr iiq kdc mef mos mrw nef nrw orf pef raf raw rw2 rwl sr2 srf srw x3f"
)
RAW_SUFFIXES = frozenset(f".{ending}" for ending in _RAW_ENDINGS.split())
FRAME_SUFFIXES = JPEG_SUFFIXES | TIFF_SUFFIXES | RAW_SUFFIXES

_MOST_BYTES = 1 << 30
# Markers of tables and headers (DHT, DQT, APPn ...), as libjpeg names them in its complaint.
_BEFORE_PIXELS = re.compile(r"extraneous bytes before marker 0x(c[0-9a-f]|d[a-f]|e[0-9a-f]|fe)")


class FrameRefusedError(Exception):
    """The file cannot be measured; the text is one line: what is wrong and what to do. `final` as in `Refused`."""

    def __init__(self, reason: str, *, final: bool = True) -> None:
        """Take the line, and whether waiting could help."""
        super().__init__(clean(reason))
        self.final = final


@dataclass(frozen=True)
class Refused:
    """A frame that cannot be measured. final: False when the file looks unfinished and may still grow."""

    reason: str
    final: bool


@dataclass(frozen=True, eq=False)
class Decoded:
    """A picture, and the digest of the file it came from."""

    picture: Picture
    digest: str


def decode_file(path: bytes, thresholds: Thresholds) -> Decoded:
    """
    Read a frame from disk.

    Raises:
        FrameRefusedError: not a regular file, unreadable, unfinished, damaged, too large, or of a kind that
            can't be measured.
    """
    data = read_regular(path)
    suffix = os.path.splitext(os.fsdecode(path))[1].lower()
    if suffix in RAW_SUFFIXES:
        raise FrameRefusedError("raw without its JPEG: shoot RAW+JPEG, raw alone is not measured yet")
    return Decoded(decode(data, thresholds), hashlib.sha256(data).hexdigest())


def read_regular(path: bytes) -> bytes:
    """
    Return a regular file's bytes, never following a link, never waiting at a pipe.

    Raises:
        FrameRefusedError: it is something else, or can't be read.
    """
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError as wrong:
        if os.path.islink(path):
            raise FrameRefusedError("a link, not a file: links are not followed") from None
        raise FrameRefusedError(f"cannot be read: {wrong.strerror}", final=not os.path.exists(path)) from None
    found = os.fstat(handle)
    if not stat.S_ISREG(found.st_mode):
        os.close(handle)
        raise FrameRefusedError("not a regular file")
    with open(handle, "rb") as file:
        if found.st_size > _MOST_BYTES:
            raise FrameRefusedError(f"{found.st_size / 1e9:.1f} GB is no frame of a camera")
        try:
            return file.read()
        except OSError as wrong:
            raise FrameRefusedError(f"cannot be read: {wrong.strerror}", final=False) from None


def decode(data: bytes, thresholds: Thresholds) -> Picture:
    """
    Decode a JPEG or TIFF file's bytes, by what they are and not by a name.

    Raises:
        FrameRefusedError: see `decode_file`.
    """
    if not data:
        raise FrameRefusedError("the file is empty", final=False)
    if not data.strip(b"\0"):
        raise FrameRefusedError("the file holds nothing but zeros: its copy failed, copy it again", final=False)
    if data[:2] == b"\xff\xd8":
        kind, codes = "jpeg", _jpeg(data, thresholds)
    elif data[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        kind, codes = "tiff", _tiff(data, thresholds)
    else:
        raise FrameRefusedError("neither JPEG nor TIFF by its first bytes", final=len(data) > 4)
    shot, orientation = read_shot(data)
    return Picture(kind, _upright(codes, orientation), shot)  # type: ignore[arg-type]


def _jpeg(data: bytes, thresholds: Thresholds) -> Any:
    try:
        height, width, colours, _ = simplejpeg.decode_jpeg_header(data, strict=False)
    except (ValueError, KeyError) as wrong:  # KeyError: a colour space that the library has no name for
        raise FrameRefusedError(f"damaged or unfinished JPEG header: {wrong}", final=False) from None
    _refuse_bomb(width, height, 3, len(data), thresholds)
    if colours in ("CMYK", "YCCK"):
        raise FrameRefusedError("a CMYK JPEG is a print file, not a camera's frame")
    try:
        return _rgb(data)
    except MemoryError:
        raise FrameRefusedError(f"{width} x {height} pixels do not fit into the memory allowed") from None
    except ValueError as wrong:
        text = str(wrong)
    cut = "Premature end" in text
    what = "the JPEG ends too early: its copy is unfinished or was cut short" if cut else f"damaged JPEG: {text}"
    raise FrameRefusedError(what, final=not cut)


def _rgb(data: bytes) -> Any:
    try:
        return simplejpeg.decode_jpeg(data, colorspace="RGB", strict=True)
    except ValueError as wrong:
        # Junk between the headers of a file that has its end is odd, and nothing of the picture is lost.
        if not (_BEFORE_PIXELS.search(str(wrong)) and b"\xff\xd9" in data[-4096:]):
            raise
    return simplejpeg.decode_jpeg(data, colorspace="RGB", strict=False)


def _refuse_bomb(width: int, height: int, bytes_a_pixel: int, size: int, thresholds: Thresholds) -> None:
    intake = thresholds.intake
    megapixels = width * height / 1e6
    if megapixels > intake.most_megapixels:
        raise FrameRefusedError(
            f"claims {megapixels:.0f} megapixels, more than the {intake.most_megapixels:.0f} allowed"
        )
    if width * height * bytes_a_pixel > intake.most_expansion * max(size, 2048):
        raise FrameRefusedError(f"claims {megapixels:.0f} megapixels in {size / 1e3:.0f} kB: no camera's frame")
    if min(width, height) < 16:
        raise FrameRefusedError(f"{width} x {height} pixels are too few to measure")


def _tiff(data: bytes, thresholds: Thresholds) -> Any:
    logging.getLogger("tifffile").setLevel(logging.CRITICAL)
    try:
        with tifffile.TiffFile(io.BytesIO(data)) as tiff:
            pages: list[Any] = [page for page in tiff.pages[:16] if page.ndim in (2, 3)]
            page: Any = max(pages, key=lambda p: p.imagewidth * p.imagelength, default=None)
            if page is None:
                raise FrameRefusedError("a TIFF without a picture", final=False)
            _refuse_odd_tiff(page, len(data), thresholds)
            return _as_rgb(page.asarray(), page)
    except FrameRefusedError:
        raise
    except MemoryError:
        raise FrameRefusedError("the TIFF's pixels do not fit into the memory allowed") from None
    except Exception as wrong:  # a parser of untrusted bytes may raise anything
        raise FrameRefusedError(f"damaged or unfinished TIFF: {type(wrong).__name__}: {wrong}", final=False) from None


def _refuse_odd_tiff(page: Any, size: int, thresholds: Thresholds) -> None:
    photometric, bits = int(page.photometric), page.bitspersample
    if photometric not in (1, 2, 6) or page.samplesperpixel not in (1, 3, 4):
        raise FrameRefusedError("a TIFF of neither RGB nor grey: export it as RGB, 8 or 16 bit")
    if page.dtype not in (np.uint8, np.uint16):
        raise FrameRefusedError(f"a TIFF of {bits}-bit {page.dtype} samples: export it as RGB, 8 or 16 bit")
    _refuse_bomb(page.imagewidth, page.imagelength, page.samplesperpixel * bits // 8, size, thresholds)
    ends = [o + n for o, n in zip(page.dataoffsets, page.databytecounts, strict=False)]
    if not ends or max(ends) > size:
        raise FrameRefusedError("the TIFF ends too early: its copy is unfinished or was cut short", final=False)


def _as_rgb(pixels: Any, page: Any) -> Any:
    if pixels.ndim == 3 and int(page.planarconfig) == 2:
        pixels = np.moveaxis(pixels, 0, -1)
    if pixels.ndim == 2:
        pixels = np.repeat(pixels[..., None], 3, axis=2)
    if pixels.shape[2] == 1:
        pixels = np.repeat(pixels, 3, axis=2)
    return np.ascontiguousarray(pixels[..., :3])


_TURNS: dict[int, Any] = {
    2: lambda p: cv2.flip(p, 1),
    3: lambda p: cv2.rotate(p, cv2.ROTATE_180),
    4: lambda p: cv2.flip(p, 0),
    5: cv2.transpose,
    6: lambda p: cv2.rotate(p, cv2.ROTATE_90_CLOCKWISE),
    7: lambda p: cv2.flip(cv2.transpose(p), -1),
    8: lambda p: cv2.rotate(p, cv2.ROTATE_90_COUNTERCLOCKWISE),
}


def _upright(codes: Any, orientation: int) -> Any:
    turn = _TURNS.get(orientation)
    return codes if turn is None else turn(codes)


def read_shot(data: bytes) -> tuple[Shot, int]:
    """
    Return what the file's Exif says, and its orientation (1 where it says nothing sensible).

    Never raises: whatever is absent, absurd or damaged is None.
    """
    logging.getLogger("exifread").setLevel(logging.CRITICAL)
    tags: dict[str, Any]
    try:
        tags = exifread.process_file(io.BytesIO(data), details=False, extract_thumbnail=False)
    except Exception:  # a parser of untrusted bytes may raise anything
        tags = {}
    exposure = Exposure.of(
        _within(_ratio(tags, "EXIF FNumber"), 0.5, 128),
        _within(_ratio(tags, "EXIF ExposureTime"), 1e-6, 86400),
        _within(_iso(tags), 1, 1e7),
        av_tag=_within(_ratio(tags, "EXIF ApertureValue"), 1e-9, 14),
        tv_tag=_within(_ratio(tags, "EXIF ShutterSpeedValue"), -17, 20),
    )
    orientation = _ratio(tags, "Image Orientation")
    shot = Shot(exposure, _taken_at(tags), _camera(tags), _text(tags, "EXIF LensModel"))
    return shot, int(orientation) if orientation is not None and 1 <= orientation <= 8 else 1


def _ratio(tags: dict[str, Any], name: str) -> float | None:
    """Return a tag's first value as a finite float, or None: tags may hold 0/0, text, or nothing."""
    tag = tags.get(name)
    try:
        value = float(tag.values[0] if not isinstance(tag.values, str) else tag.values)  # type: ignore[union-attr]
    except (AttributeError, IndexError, KeyError, TypeError, ValueError, ArithmeticError):
        return None
    return value if math.isfinite(value) else None


def _within(value: float | None, least: float, most: float) -> float | None:
    return value if value is not None and least <= value <= most else None


def _iso(tags: dict[str, Any]) -> float | None:
    # 65535 is Exif's "more than fits here": the true figure is then in one of the newer tags.
    names = ("EXIF ISOSpeedRatings", "EXIF PhotographicSensitivity", "EXIF RecommendedExposureIndex", "EXIF ISOSpeed")
    return next((v for v in (_ratio(tags, name) for name in names) if v and v != 65535), None)


def _text(tags: dict[str, Any], name: str) -> str | None:
    tag = tags.get(name)
    return clean(str(tag.values), 80).strip() or None if tag is not None else None


def _camera(tags: dict[str, Any]) -> str | None:
    make, model = _text(tags, "Image Make"), _text(tags, "Image Model")
    if model and make and not model.lower().startswith(make.lower().split()[0]):
        return f"{make} {model}"
    return model or make


def _taken_at(tags: dict[str, Any]) -> str | None:
    """Return the camera's own time as ISO 8601, with the fraction that the file gives."""
    text = _text(tags, "EXIF DateTimeOriginal") or _text(tags, "Image DateTime")
    digits = "".join(c for c in text or "" if c.isdigit())
    if len(digits) != 14 or digits == "0" * 14:
        return None
    whole = f"{digits[:4]}-{digits[4:6]}-{digits[6:8]}T{digits[8:10]}:{digits[10:12]}:{digits[12:]}"
    part = _text(tags, "EXIF SubSecTimeOriginal") or _text(tags, "EXIF SubSecTime") or ""
    return f"{whole}.{part}" if part.isdigit() else whole
