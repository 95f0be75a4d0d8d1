"""A frame as a picture to be looked at, with what is burnt out and what spilled laid over it."""

from __future__ import annotations

import base64
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lampblack.daemon.decode import decode_picture
from lampblack.daemon.palette import COLOURS
from lampblack.rules.cells import reduce
from lampblack.rules.frame import Sensor
from lampblack.rules.preview import Mark
from lampblack.rules.raw import reduce_raw
from lampblack.rules.thresholds import Thresholds
from lampblack.rules.tone import light_of_code, linear_to_srgb


@dataclass(frozen=True, eq=False)
class Shown:
    """
    A frame to be looked at. jpeg: a picture of it. clipped, spilled: PNG overlays, to be enlarged to its size; None for
    nothing.

    stops: (n,) share of the picture in each third of a stop, from white down; the last holds all that is darker.
    """

    jpeg: bytes
    clipped: bytes | None
    spilled: bytes | None
    stops: tuple[float, ...]


def preview_json(rgb: NDArray[np.uint8], marks: NDArray[np.uint8]) -> dict[str, Any]:
    """Return a small picture as the socket has it: (height, width, 3) sRGB codes, and (height, width) marks."""
    height, width = marks.shape
    rows, bits = (base64.b64encode(each.tobytes()).decode() for each in (rgb, marks))
    return {"width": width, "height": height, "rgb": rows, "marks": bits}


_STOPS = 30  # thirds: ten stops


@dataclass(frozen=True, eq=False)
class Known:
    """
    What was measured of a frame that is to be shown, so that nothing is found twice: it takes as long as all the rest.

    burnt: something in it is clipped. marks: those of its preview (rows, columns; bits of `Mark`) where it spills on a
    black backdrop; they are drawn as finely as the picture shows. None for no spill.
    """

    burnt: bool = True
    marks: NDArray[np.uint8] | None = None


def shown(path: bytes, long_side: int, thresholds: Thresholds, known: Known) -> Shown:
    """
    Make a picture of a file in this very process, no larger than `long_side` pixels.

    Raises:
        FrameRefusedError: it can't be read.
    """
    # Glints are small: only where there are none may pixels be averaged before they are looked at.
    picture = decode_picture(path, thresholds, None if known.burnt else round(_FINE * long_side))
    seen = reduce_raw(picture, thresholds) if isinstance(picture, Sensor) else reduce(picture, thresholds)
    if isinstance(picture, Sensor):
        light = seen.light if len(picture.planes) == 1 else picture.basis.cut_at_white(seen.light)
        codes: Any = np.rint(linear_to_srgb(light.astype(np.float64)) * 255).astype(np.uint8)
    else:
        codes = picture.codes if picture.codes.dtype == np.uint8 else (picture.codes >> 8).astype(np.uint8)
    small = _shrunk(codes, long_side)
    done = cv2.imencode(".jpg", small[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 82])[1]
    over = seen.bright > light_of_code(thresholds.black.clean_p99_code + 0.5)
    return Shown(
        done.tobytes(),
        _overlay(seen.clipped_any > _CLIPPED_ENOUGH, "clip"),
        None if known.marks is None else _overlay(over & _spilled(known.marks, over.shape), "spill"),
        _in_thirds(seen.bright),
    )


_FINE = 1.5
_CLIPPED_ENOUGH = 0.05  # of a cell's pixels: glints are small, and must not be averaged out of sight


def _spilled(marks: NDArray[np.uint8], shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Return where cells lie in what a preview marks as spilled, well on the backdrop."""
    size = shape[1], shape[0]
    behind, spilled = (
        cv2.resize((marks & mark > 0).astype(np.float32), size, interpolation=cv2.INTER_LINEAR)
        for mark in (Mark.BACKDROP, Mark.SPILLED)
    )
    return np.asarray((behind > 0.7) & (spilled > 0.4))


def _shrunk(codes: Any, long_side: int) -> Any:
    """Return (height, width, 3) codes no larger than that; halves are taken first, which is many times quicker."""
    while max(codes.shape[:2]) >= 2 * long_side:
        half = codes.shape[1] // 2, codes.shape[0] // 2
        codes = cv2.resize(codes[: 2 * half[1], : 2 * half[0]], half, interpolation=cv2.INTER_AREA)
    times = min(1.0, long_side / max(codes.shape[:2]))
    size = max(1, round(codes.shape[1] * times)), max(1, round(codes.shape[0] * times))
    return cv2.resize(codes, size, interpolation=cv2.INTER_AREA)


def _overlay(mask: NDArray[np.bool_], role: str) -> bytes | None:
    """Return a PNG of the mask's size, see-through but where it is, in the colour that the panel has for it."""
    if not mask.any():
        return None
    alpha = mask.astype(np.uint8) * np.uint8(200)
    image = np.dstack([np.broadcast_to(np.array(COLOURS[role][::-1], np.uint8), (*alpha.shape, 3)), alpha])
    # Runs of one colour: as small as any other way, in a seventh of the time.
    data: bytes = cv2.imencode(".png", image, [cv2.IMWRITE_PNG_STRATEGY, cv2.IMWRITE_PNG_STRATEGY_RLE])[1].tobytes()
    return data


def _in_thirds(bright: NDArray[np.float32]) -> tuple[float, ...]:
    below = -np.log2(np.maximum(bright, 2.0**-20)) * 3
    counts = np.bincount(np.clip(below, 0, _STOPS).astype(int).ravel(), minlength=_STOPS + 1)
    return tuple((counts / counts.sum()).tolist())
