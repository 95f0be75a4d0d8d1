"""Contact sheets: every frame on one of them, the right way up, with a caption that stays in its place."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import pytest
from PIL import Image

from lampblack.daemon.contact import COLUMNS, ROWS, Print, contact_sheets, drawable

RED, GREEN = (200, 30, 30), (20, 160, 40)


def sheet(data: bytes) -> Any:
    """Read by another library: (height, width, 3) codes."""
    return np.asarray(Image.open(io.BytesIO(data)).convert("RGB")).astype(int)


def plain(colour: tuple[int, int, int], high: int = 200, wide: int = 300) -> Any:
    picture = np.full((high, wide, 3), colour, np.uint8)
    picture[: high // 2, : wide // 2] = 255 - np.array(colour)
    return picture


def area(pixels: Any, colour: Any) -> int:
    return int((np.abs(pixels - np.array(colour)).max(axis=2) < 4).sum())


@pytest.mark.parametrize(("count", "pages"), [(0, 0), (1, 1), (17, 2), (33, 3)])
def test_each_frame_is_on_a_sheet(count: int, pages: int) -> None:
    made = [sheet(data) for data in contact_sheets("bowls", [Print(plain(RED), str(i), "") for i in range(count)])]
    assert len(made) == pages
    one = 420 * 280 * 3 / 4
    assert sum(area(page, RED) for page in made) == pytest.approx(count * one, rel=0.01)
    assert COLUMNS * ROWS == 16


@pytest.mark.parametrize(("high", "wide"), [(200, 300), (300, 200), (10, 900), (900, 10), (1, 1)])
def test_a_picture_keeps_its_shape_and_its_top(high: int, wide: int) -> None:
    """Of any shape: its first quarter is another colour, and lies at its left top."""
    (page,) = (sheet(data) for data in contact_sheets("bowls", [Print(plain(GREEN, high, wide), "1", "")]))
    rows, columns = np.nonzero(np.abs(page - np.array(GREEN)).max(axis=2) < 4)
    tall, broad = np.ptp(rows) + 1, np.ptp(columns) + 1
    assert tall <= 315
    assert broad <= 420
    if min(high, wide) > 10:
        assert broad / tall == pytest.approx(wide / high, rel=0.02)
        assert area(page[rows.min() : rows.max(), columns.min() : columns.max()][:10, :10], 255 - np.array(GREEN)) > 80


def test_captions_are_drawn_and_never_reach_the_next_frame() -> None:
    """Of two frames only the first has words, however long: between them the paper stays bare."""
    long = "0" * 10_000
    words, bare = (
        sheet(next(contact_sheets("t", [Print(plain(RED), text, text, stars), Print(plain(RED), "", "")])))
        for text, stars in ((long, 5), ("", 0))
    )
    differs = np.nonzero(np.abs(words - bare).max(axis=2) > 8)
    assert len(differs[0]) > 500
    assert differs[1].max() < 24 + 420 + 2
    assert differs[0].min() > 84 + 315


def test_hostile_words_and_missing_pictures_are_no_trouble() -> None:
    hostile = ['"><script>', "\u202eabc\x1b[31m", "%s%n\0", "鉢 ⅔ Schüssel", ""]
    prints = [Print(None, text, text, 5) for text in hostile]
    assert sheet(next(contact_sheets(hostile[0], prints))).shape[1] == 4 * 444 + 24
    assert all(drawable(text, ascii_only=True).isascii() for text in hostile)
