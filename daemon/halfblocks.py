"""
Small pictures from half blocks: two pixels a character cell, marks laid over. Pure.

Where colours are few, the picture is dithered to the four greys of the sixteen; where there are none, or only
ASCII goes, brightness becomes the weight of a character, one pixel a cell.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from rich.style import Style as RichStyle

from lampblack.daemon.palette import GROUND
from lampblack.daemon.style import Style, hex_of
from lampblack.daemon.told import Preview
from lampblack.rules.tone import LIGHT_OF_CODE, LUMA, linear_to_srgb

CLIPPED, SPILLED, BACKDROP = 1, 2, 4

# A cell carries a mark from this share of it on: a glint is small and must not vanish, spill is a surface.
_CLIPPED_SHARE = 0.02
_SPILLED_SHARE = 0.35

_SHADES = " ░▒▓█"
_ASCII_SHADES = " .:-=+*%@"  # none of them a mark
# What the four greys of the sixteen colours look like in common palettes, as codes (from memory).
_GREYS = ((0, "black"), (110, "bright_black"), (200, "white"), (255, "bright_white"))
_BAYER = np.array([[0, 2], [3, 1]]) / 4 + 0.125

Cell = tuple[str, RichStyle]
Cells = tuple[tuple[Cell, ...], ...]
Pixels = NDArray[np.float64]


@lru_cache(maxsize=256)
def draw(preview: Preview, columns: int, rows: int, style: Style, *, marked: bool) -> Cells:
    """
    Return the picture as rows of cells, as large as fits `columns` by `rows`, all of one length.

    Args:
        preview: the picture; drawn once for each size, then remembered.
        columns: the room across, in character cells; at least 1.
        rows:    the room down; at least 1.
        style:   what the terminal takes.
        marked:  whether clipped and spilled areas are covered with their marks.
    """
    wide, tall = _fit(preview, columns, rows)
    flat = style.ascii or style.colours == "none"
    image = np.frombuffer(preview.rgb, np.uint8).reshape(preview.height, preview.width, 3)
    codes = _shrink(image, wide, tall if flat else 2 * tall)
    cells = _draw_flat(codes, style) if flat else _draw_halves(codes, style)
    if marked:
        _lay_marks(cells, _shares(preview, wide, tall), style)
    return tuple(tuple(row) for row in cells)


def _fit(preview: Preview, columns: int, rows: int) -> tuple[int, int]:
    scale = min(columns / preview.width, 2 * rows / preview.height)
    wide = max(1, min(columns, round(preview.width * scale)))
    return wide, max(1, min(rows, round(preview.height * scale / 2)))


def _shrink(image: NDArray[np.uint8], wide: int, tall: int) -> Pixels:
    """Average in linear light, so that a glint keeps its weight; return sRGB codes."""
    light = LIGHT_OF_CODE[image]
    tall_image = (_weights(image.shape[0], tall) @ light.reshape(image.shape[0], -1)).reshape(tall, -1, 3)
    mixed = _weights(image.shape[1], wide) @ tall_image
    return linear_to_srgb(mixed) * 255.0


@lru_cache(maxsize=64)
def _weights(many: int, few: int) -> Pixels:
    """Return how much each of `many` pixels in a row gives to each of `few`: shape (few, many), rows sum to 1."""
    edges = np.linspace(0.0, many, few + 1)
    start, end = edges[:-1, None], edges[1:, None]
    place = np.arange(many)[None, :]
    overlap = np.clip(np.minimum(end, place + 1) - np.maximum(start, place), 0.0, None)
    return np.asarray(overlap / overlap.sum(axis=1, keepdims=True), np.float64)


def _shares(preview: Preview, wide: int, tall: int) -> Callable[[int], Pixels]:
    marks = np.frombuffer(preview.marks, np.uint8).reshape(preview.height, preview.width)
    across, down = _weights(preview.width, wide), _weights(preview.height, tall)
    return lambda bit: down @ ((marks & bit) > 0).astype(np.float64) @ across.T


def _draw_halves(codes: Pixels, style: Style) -> list[list[Cell]]:
    names = _grey_names(codes) if style.colours == "16" else _hex_names(codes)
    return [
        [_half(u, d) for u, d in zip(up, down, strict=True)] for up, down in zip(names[::2], names[1::2], strict=True)
    ]


@lru_cache(maxsize=8192)
def _half(up: str, down: str) -> Cell:
    if up == down:
        return " ", RichStyle(bgcolor=up)
    return "▀", RichStyle(color=up, bgcolor=down)


def _hex_names(codes: Pixels) -> list[list[str]]:
    # Steps of 4 are not seen side by side, and make longer runs of one colour: fewer bytes to the terminal.
    steps = np.minimum(np.round(codes / 4.0) * 4.0, 255.0).astype(int)
    steps = np.maximum(steps, np.array(GROUND))
    return [[hex_of((r, g, b)) for r, g, b in row] for row in steps.tolist()]


def _grey_names(codes: Pixels) -> list[list[str]]:
    grey = codes @ LUMA
    levels = np.array([level for level, _ in _GREYS], np.float64)
    lower = np.clip(np.searchsorted(levels, grey, side="right") - 1, 0, len(levels) - 2)
    part = (grey - levels[lower]) / (levels[lower + 1] - levels[lower])
    tall, wide = grey.shape
    threshold = np.tile(_BAYER, (tall // 2 + 1, wide // 2 + 1))[:tall, :wide]
    return [[_GREYS[n][1] for n in row] for row in (lower + (part > threshold)).tolist()]


def _draw_flat(codes: Pixels, style: Style) -> list[list[Cell]]:
    shades = _ASCII_SHADES if style.ascii else _SHADES
    grey = codes @ LUMA / 255.0
    steps = np.minimum((grey * len(shades)).astype(int), len(shades) - 1)
    plain = style.role("plain")
    return [[(shades[n], plain) for n in row] for row in steps.tolist()]


def _lay_marks(cells: list[list[Cell]], shares: Callable[[int], Pixels], style: Style) -> None:
    clipped, spilled = shares(CLIPPED) >= _CLIPPED_SHARE, shares(SPILLED) >= _SPILLED_SHARE
    # Every other cell of a surface is enough to see it, and leaves the picture to be seen.
    for row, column in zip(*np.nonzero(_thinned(clipped) | (_thinned(spilled) & ~clipped)), strict=True):
        sort = "clip" if clipped[row, column] else "spill"
        mark = style.marks.clipped if sort == "clip" else style.marks.spilled
        cells[row][column] = (mark, style.role(sort))


def _thinned(cells: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Keep every other cell, as on a chess board, and those that have no neighbour to stand for them."""
    board = np.indices(cells.shape).sum(axis=0) % 2 == 0
    ring = np.pad(cells, 1)
    alone = ~(ring[:-2, 1:-1] | ring[2:, 1:-1] | ring[1:-1, :-2] | ring[1:-1, 2:])
    kept: NDArray[np.bool_] = cells & (board | alone)
    return kept
