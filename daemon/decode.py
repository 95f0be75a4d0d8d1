"""
Untrusted bytes in, a `Picture` or a `Sensor` out, or one line that says why not.

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
from functools import partial
from threading import Thread
from typing import Any

import cv2
import numpy as np
import simplejpeg
import tifffile
from numpy.typing import NDArray

from lampblack.daemon.clean import clean
from lampblack.daemon.exif import read_shot
from lampblack.daemon.refusal import FrameRefusedError, refuse_bomb
from lampblack.rules.beside import Beside, when_asked
from lampblack.rules.frame import Picture, Sensor
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


@dataclass(frozen=True, eq=False)
class Decoded:
    """A picture or sensor samples, and the digest of the file they came from."""

    picture: Picture | Sensor
    digest: str


class Room:
    """
    Memory for the pixels of one JPEG, kept for the next: to have so much anew takes a tenth of the decoder's time.

    The next JPEG that is given this room takes the place of the one before.
    """

    def __init__(self) -> None:
        """Nothing is taken yet."""
        self._bytes = np.empty(0, np.uint8)

    def of(self, size: int) -> NDArray[np.uint8]:
        """Return room for so many bytes."""
        if self._bytes.size != size:
            self._bytes = np.empty(0, np.uint8)  # let go of first, so that never both are held
            self._bytes = np.empty(size, np.uint8)
        return self._bytes


def decode_file(path: bytes, thresholds: Thresholds, room: Room | None = None, beside: Beside = when_asked) -> Decoded:
    """
    Read a frame from disk.

    room: where a JPEG's pixels are put. beside: how to begin what needs nothing of what comes next.

    Raises:
        FrameRefusedError: not a regular file, unreadable, unfinished, damaged, too large, or of a kind that
            can't be measured.
    """
    data = read_regular(path)
    # The digest takes as long as unpacking does, and needs none of what the other needs: side by side.
    digest: list[str] = []
    aside = Thread(target=_digest, args=(data, digest))
    aside.start()
    try:
        picture = _picture(path, data, thresholds, room=room, beside=beside)
    finally:
        aside.join()
    return Decoded(picture, digest[0])


def digest_of(path: bytes) -> str:
    """Return the digest of a file's content; raises as `read_regular` does."""
    return hashlib.sha256(read_regular(path)).hexdigest()


def decode_picture(path: bytes, thresholds: Thresholds, least: int | None = None) -> Picture | Sensor:
    """
    Read a frame from disk as `decode_file` does, without its digest: for looking at, once it is known.

    least: a JPEG may come smaller, but no smaller along its longer side: its blocks are then averaged as they are
    unpacked, and what is as small as a glint is lost. None: all of it.
    """
    return _picture(path, read_regular(path), thresholds, least)


def _picture(
    path: bytes,
    data: bytes,
    thresholds: Thresholds,
    least: int | None = None,
    room: Room | None = None,
    beside: Beside = when_asked,
) -> Picture | Sensor:
    suffix = os.path.splitext(os.fsdecode(path))[1].lower()
    raw = suffix in RAW_SUFFIXES and data[:2] != b"\xff\xd8"
    return read_raw(data, thresholds, beside) if raw else decode(data, thresholds, least, room, beside)


def _digest(data: bytes, into: list[str]) -> None:
    into.append(hashlib.sha256(data).hexdigest())


def read_raw(data: bytes, thresholds: Thresholds, beside: Beside = when_asked) -> Sensor:
    """Return a raw file's sensor samples; refuses as `decode` does."""
    if not data.strip(b"\0"):
        raise FrameRefusedError("the file is empty or holds nothing but zeros: copy it again", final=False)
    from lampblack.daemon.rawfile import read_sensor  # LibRaw takes a while to load: not before it is needed

    return read_sensor(data, thresholds, beside)


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
            raise FrameRefusedError("a link, not a file: give the file itself") from None
        raise FrameRefusedError(
            f"cannot be read ({wrong.strerror}): see to its name and permissions", final=not os.path.exists(path)
        ) from None
    found = os.fstat(handle)
    if not stat.S_ISREG(found.st_mode):
        os.close(handle)
        raise FrameRefusedError("not a regular file: give the frame's own file")
    with open(handle, "rb") as file:
        if found.st_size > _MOST_BYTES:
            raise FrameRefusedError(f"{found.st_size / 1e9:.1f} GB is no frame of a camera: leave it out")
        try:
            return file.read()
        except OSError as wrong:
            raise FrameRefusedError(
                f"cannot be read ({wrong.strerror}): see to its drive, copy it again", final=False
            ) from None


def decode(
    data: bytes,
    thresholds: Thresholds,
    least: int | None = None,
    room: Room | None = None,
    beside: Beside = when_asked,
) -> Picture:
    """
    Decode a JPEG or TIFF file's bytes, by what they are and not by a name; `least` as of `decode_picture`.

    room: where a JPEG's pixels are put. beside: how what else the file tells is read meanwhile.

    Raises:
        FrameRefusedError: see `decode_file`.
    """
    if not data:
        raise FrameRefusedError("the file is empty: copy it again", final=False)
    if not data.strip(b"\0"):
        raise FrameRefusedError("the file holds nothing but zeros: its copy failed, copy it again", final=False)
    told = beside(partial(read_shot, data))
    if data[:2] == b"\xff\xd8":
        kind, codes = "jpeg", _jpeg(data, thresholds, least, room)
    elif data[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        kind, codes = "tiff", _tiff(data, thresholds)
    else:
        raise FrameRefusedError(
            "neither JPEG, TIFF nor raw by its first bytes: export it as one of them, or leave it out",
            final=len(data) > 4,
        )
    shot, orientation = told()
    return Picture(kind, _upright(codes, orientation), shot, turned=orientation >= 5)  # type: ignore[arg-type]


def _jpeg(data: bytes, thresholds: Thresholds, least: int | None, room: Room | None) -> Any:
    try:
        height, width, colours, _ = simplejpeg.decode_jpeg_header(data, strict=False)
    except (ValueError, KeyError) as wrong:  # KeyError: a colour space that the library has no name for
        raise FrameRefusedError(f"damaged or unfinished JPEG header ({wrong}): copy it again", final=False) from None
    refuse_bomb(width, height, 3, len(data), thresholds)
    if colours in ("CMYK", "YCCK"):
        raise FrameRefusedError("a CMYK JPEG is a print file, not a camera's frame: export it as RGB")
    try:
        more: dict[str, Any] = {} if room is None else {"buffer": room.of(height * width * 3)}
        return _rgb(data, **_no_smaller(width, height, least), **more)
    except MemoryError:
        raise FrameRefusedError(
            f"{width} x {height} pixels do not fit into the memory allowed: export it smaller"
        ) from None
    except ValueError as wrong:
        text = str(wrong)
    cut = "Premature end" in text
    what = "the JPEG ends too early, its copy was cut short: copy it again"
    if not cut:
        what = f"damaged JPEG ({text}): copy it again"
    raise FrameRefusedError(what, final=not cut)


def _no_smaller(width: int, height: int, least: int | None) -> dict[str, int]:
    if least is None:
        return {}
    share = least / max(width, height)
    return {"min_width": math.ceil(width * share), "min_height": math.ceil(height * share)}


def _rgb(data: bytes, **more: Any) -> Any:
    try:
        return simplejpeg.decode_jpeg(data, colorspace="RGB", strict=True, **more)
    except ValueError as wrong:
        # Junk between the headers of a file that has its end is odd, and nothing of the picture is lost.
        if not (_BEFORE_PIXELS.search(str(wrong)) and b"\xff\xd9" in data[-4096:]):
            raise
    return simplejpeg.decode_jpeg(data, colorspace="RGB", strict=False, **more)


def _tiff(data: bytes, thresholds: Thresholds) -> Any:
    logging.getLogger("tifffile").setLevel(logging.CRITICAL)
    try:
        # Closed here: a directory and its pages hold each other, and would hold the file's bytes for long.
        with io.BytesIO(data) as file, tifffile.TiffFile(file) as tiff:
            pages: list[Any] = [page for page in tiff.pages[:16] if page.ndim in (2, 3)]
            page: Any = max(pages, key=lambda p: p.imagewidth * p.imagelength, default=None)
            if page is None:
                raise FrameRefusedError("a TIFF without a picture: export it again", final=False)
            _refuse_odd_tiff(page, len(data), thresholds)
            return _as_rgb(page.asarray(), page)
    except FrameRefusedError:
        raise
    except MemoryError:
        raise FrameRefusedError("the TIFF's pixels do not fit into the memory allowed: export it smaller") from None
    except Exception as wrong:  # a parser of untrusted bytes may raise anything
        raise FrameRefusedError(
            f"damaged or unfinished TIFF ({clean(str(wrong), 120)}): copy it again", final=False
        ) from None


def _refuse_odd_tiff(page: Any, size: int, thresholds: Thresholds) -> None:
    photometric, bits = int(page.photometric), page.bitspersample
    if photometric not in (1, 2, 6) or page.samplesperpixel not in (1, 3, 4):
        raise FrameRefusedError("a TIFF of neither RGB nor grey: export it as RGB, 8 or 16 bit")
    if page.dtype not in (np.uint8, np.uint16):
        raise FrameRefusedError(f"a TIFF of {bits}-bit {page.dtype} samples: export it as RGB, 8 or 16 bit")
    refuse_bomb(page.imagewidth, page.imagelength, page.samplesperpixel * bits // 8, size, thresholds)
    ends = [o + n for o, n in zip(page.dataoffsets, page.databytecounts, strict=False)]
    if not ends or max(ends) > size:
        raise FrameRefusedError("the TIFF ends too early, its copy was cut short: copy it again", final=False)


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
