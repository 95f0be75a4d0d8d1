"""Contact sheets: the frames of a shoot as pictures of their own, sixteen a page, to print or to send."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Codes = NDArray[np.uint8]

COLUMNS, ROWS = 4, 4
_WIDE, _HIGH = 420, 315  # of a picture's place: 4:3, so that upright frames aren't lost in it
_GAP, _HEAD, _CAPTION = 24, 84, 70
_PAPER, _INK, _SOFT, _STAR = (238, 244, 247), (27, 32, 35), (75, 86, 93), (0, 74, 154)
"""Blue, green, red: those of the page's light scheme."""
_PLAIN, _STRONG = cv2.FONT_HERSHEY_SIMPLEX, cv2.FONT_HERSHEY_DUPLEX


@dataclass(frozen=True, eq=False)
class Print:
    """One frame on a sheet. picture: (height, width, 3) sRGB codes, None where there is none. stars: 0 to 5."""

    picture: Codes | None
    caption: str
    below: str
    stars: int = 0


def contact_sheets(title: str, prints: Sequence[Print]) -> Iterator[bytes]:
    """Yield the sheets as PNG files, as many as it takes; none for no frames."""
    each = COLUMNS * ROWS
    pages = math.ceil(len(prints) / each)
    for page in range(pages):
        part = prints[page * each : (page + 1) * each]
        words = f"{title}, {page + 1} of {pages}" if pages > 1 else title
        yield cv2.imencode(".png", _sheet(words, part))[1].tobytes()


def _sheet(title: str, prints: Sequence[Print]) -> Any:
    across = COLUMNS * (_WIDE + _GAP) + _GAP
    down = _HEAD + math.ceil(len(prints) / COLUMNS) * (_HIGH + _CAPTION + _GAP)
    sheet = np.empty((down, across, 3), np.uint8)
    sheet[:] = _PAPER
    _write(sheet, title, (_GAP, 54), 1.1, _INK, _STRONG, across - 2 * _GAP)
    for i, one in enumerate(prints):
        row, column = divmod(i, COLUMNS)
        _lay(sheet, one, _GAP + column * (_WIDE + _GAP), _HEAD + row * (_HIGH + _CAPTION + _GAP))
    return sheet


def _lay(sheet: Any, one: Print, left: int, top: int) -> None:
    """Put one print on a sheet, at the foot of its place, its caption below."""
    foot = top + _HIGH
    if one.picture is None:
        cv2.rectangle(sheet, (left, top), (left + _WIDE - 1, foot - 1), _SOFT, 1)
        _write(sheet, "no picture", (left + 12, foot - 14), 0.6, _SOFT, _PLAIN, _WIDE - 24)
    else:
        high, wide = one.picture.shape[:2]
        times = min(_WIDE / wide, _HIGH / high)
        size = max(1, round(wide * times)), max(1, round(high * times))
        way = cv2.INTER_AREA if times < 1 else cv2.INTER_CUBIC
        small = cv2.resize(one.picture, size, interpolation=way)
        sheet[foot - size[1] : foot, left : left + size[0]] = small[..., ::-1]
    stars = _STAR_WIDE * one.stars
    _write(sheet, one.caption, (left, foot + 28), 0.72, _INK, _STRONG, _WIDE - stars - 6 * bool(stars))
    for i in range(one.stars):
        _star(sheet, (left + _WIDE - stars + i * _STAR_WIDE + _STAR_WIDE // 2, foot + 21))
    _write(sheet, one.below, (left, foot + 56), 0.62, _SOFT, _PLAIN, _WIDE)


_STAR_WIDE = 20


def _star(sheet: Any, middle: tuple[int, int]) -> None:
    turns = [math.pi * (i / 5 - 0.5) for i in range(10)]
    points = [
        (middle[0] + r * math.cos(turn), middle[1] + r * math.sin(turn))
        for turn, r in zip(turns, (9.5, 4.0) * 5, strict=True)
    ]
    cv2.fillPoly(sheet, [np.rint(np.array(points) * 16).astype(np.int32)], _STAR, cv2.LINE_AA, 4)


def _write(
    sheet: Any, text: str, at: tuple[int, int], scale: float, colour: tuple[int, int, int], face: int, most: int
) -> None:
    """Write a line, its end left out where it is longer than `most` pixels."""
    text = written = drawable(text[:_MOST_LETTERS])
    while cv2.getTextSize(written, face, scale, 1)[0][0] > most and text:
        text = text[:-1]
        written = f"{text.rstrip()}..."
    cv2.putText(sheet, written, at, face, scale, colour, 1, cv2.LINE_AA)


_MOST_LETTERS = 120


def drawable(text: str, ascii_only: bool = int(cv2.__version__.split(".")[0]) < 5) -> str:
    """
    Return a text with the letters that can be drawn: before its version 5, OpenCV has none but ASCII.

    >>> drawable("Schüssel ⅔ 鉢", ascii_only=True)
    'Schussel 2/3 ?'
    """
    if not ascii_only:
        return text
    plain = unicodedata.normalize("NFKD", text).replace("\u2044", "/")
    return "".join(c if " " <= c <= "~" else "?" for c in plain if not unicodedata.combining(c))
