"""A frame as a picture small enough for a terminal, with what is wrong with it marked."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntFlag
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lampblack.rules.cells import single
from lampblack.rules.cleanness import Tone
from lampblack.rules.look import Look, Part
from lampblack.rules.thresholds import Thresholds
from lampblack.rules.tone import light_of_code, linear_to_srgb

PREVIEW_ACROSS = 96


class Mark(IntFlag):
    """What a preview's pixel stands for."""

    CLIPPED = 1
    SPILLED = 2
    BACKDROP = 4


@dataclass(frozen=True, eq=False)
class Preview:
    """rgb: (height, width, 3) sRGB codes; marks: (height, width) bits of `Mark`."""

    rgb: NDArray[np.uint8]
    marks: NDArray[np.uint8]


def preview(look: Look, tone: Tone | None, thresholds: Thresholds) -> Preview:
    """Return the small picture; spill is marked only where the backdrop is meant to be black."""
    rows, columns = look.parts.shape
    width = min(PREVIEW_ACROSS, columns)
    size = (width, max(1, round(rows * width / columns)))
    light: Any = cv2.resize(single(look.light), size, interpolation=cv2.INTER_AREA)
    light = light if look.basis is None else look.basis.cut_at_white(light)
    # A cell with a twentieth of its pixels clipped is marked: glints are small, and must not be averaged out of sight.
    clipped = look.clipped_any.astype(np.float32) / 255 > 0.05
    marks = _shrunk(clipped, size, 0.15) * np.uint8(Mark.CLIPPED)
    marks |= _shrunk(look.backdrop, size, 0.5) * np.uint8(Mark.BACKDROP)
    small = Preview(np.rint(linear_to_srgb(np.asarray(light, np.float64)) * 255).astype(np.uint8), marks)
    return with_spill(small, look, thresholds) if tone == "black" else small


def with_spill(small: Preview, look: Look, thresholds: Thresholds) -> Preview:
    """Return the small picture with what spills on a backdrop that is meant to be black."""
    rows, columns = small.marks.shape
    over = look.calm > light_of_code(thresholds.black.clean_p99_code + 0.5)
    spilled = _shrunk(over & (look.parts == Part.BACKDROP), (columns, rows), 0.5)
    return Preview(small.rgb, small.marks | spilled * np.uint8(Mark.SPILLED))


def _shrunk(mask: NDArray[np.bool_], size: tuple[int, int], share: float) -> NDArray[np.uint8]:
    shares = cv2.resize(mask.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    return (shares > share).astype(np.uint8)
