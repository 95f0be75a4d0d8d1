"""
A grid of character cells to draw on, which cannot be overrun: what does not fit is cut, at the edge, visibly.

The last gate before the terminal: a character that is not printable never gets a cell.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from rich.cells import get_character_cell_size
from rich.console import Console, ConsoleOptions, RenderResult
from rich.segment import Segment
from rich.style import Style as RichStyle

from lampblack.daemon.halfblocks import Cells
from lampblack.daemon.style import Style

Piece = tuple[str, str]
"""A text and the role it is drawn in."""


@dataclass(frozen=True)
class Sheet:
    """What was drawn, as rich takes it: lines of runs, each line exactly as wide as the canvas."""

    lines: tuple[tuple[Segment, ...], ...]

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Yield the lines."""
        for place, line in enumerate(self.lines):
            if place:
                yield Segment.line()
            yield from line


class Canvas:
    """Cells of one screen, drawn on and then taken off as a `Sheet`."""

    def __init__(self, width: int, height: int, style: Style) -> None:
        self.width, self.height, self.style = width, height, style
        ground = style.role("plain")
        self._glyphs = [[" "] * width for _ in range(height)]
        self._looks = [[ground] * width for _ in range(height)]

    def put(
        self, x: int, y: int, pieces: Sequence[Piece] | str, role: str = "plain", *, width: int | None = None
    ) -> int:
        """
        Write one line of text, or of pieces each in its own role; what is too long ends in an ellipsis.

        Args:
            x: first column.
            y: row; a row outside the canvas takes nothing.
            pieces: the text.
            role: of a plain text.
            width: room; None is all up to the right edge.

        Returns:
            The column after the last one written.
        """
        room = self.width - x if width is None else min(width, self.width - x)
        if not 0 <= y < self.height or room <= 0:
            return x
        spelled = [(self.style.say(t), r) for t, r in ([(pieces, role)] if isinstance(pieces, str) else pieces)]
        glyphs = [(glyph, look) for text, r in spelled for look in [self.style.role(r)] for glyph in split(text)]
        if len(glyphs) > room:
            dots = [(dot, glyphs[0][1]) for dot in split(self.style.say("…"))]
            glyphs = (glyphs[: max(0, room - len(dots))] + dots)[:room]
            # A wide character cut in two would push the line one column out.
            glyphs = _mended(glyphs)
        for place, (glyph, look) in enumerate(glyphs, start=x):
            self._glyphs[y][place], self._looks[y][place] = glyph, look
        return x + len(glyphs)

    def put_right(self, x_end: int, y: int, pieces: Sequence[Piece], *, width: int) -> int:
        """Write pieces so that they end before column `x_end`; return the first column written."""
        length = min(width, sum(len(split(self.style.say(text))) for text, _ in pieces))
        self.put(x_end - length, y, pieces, width=length)
        return x_end - length

    def cells(self, x: int, y: int, cells: Cells) -> None:
        """Lay a picture, its upper left corner at (x, y); what goes over the edges is left off."""
        for row, line in enumerate(cells[: max(0, self.height - y)], start=y):
            for column, (glyph, look) in enumerate(line[: max(0, self.width - x)], start=x):
                self._glyphs[row][column], self._looks[row][column] = glyph, look

    def bar(self, y: int, role: str, x: int = 0, width: int | None = None) -> None:
        """Turn one row, or `width` columns of it from `x` on, into a bar in a role's colour, its text kept."""
        if 0 <= y < self.height:
            end = self.width if width is None else min(self.width, x + width)
            self._looks[y][x:end] = [self.style.role(role, reverse=True)] * max(0, end - x)

    def sheet(self) -> Sheet:
        """Return what was drawn, neighbours of one look merged into runs."""
        rows = zip(self._glyphs, self._looks, strict=True)
        return Sheet(tuple(tuple(_runs(glyphs, looks)) for glyphs, looks in rows))


def _runs(glyphs: list[str], looks: list[RichStyle]) -> Iterator[Segment]:
    start = 0
    for place in range(1, len(glyphs) + 1):
        if place == len(glyphs) or (looks[place] is not looks[start] and looks[place] != looks[start]):
            yield Segment("".join(glyphs[start:place]), looks[start])
            start = place


def _mended(glyphs: list[tuple[str, RichStyle]]) -> list[tuple[str, RichStyle]]:
    out = list(glyphs)
    for place, (glyph, look) in enumerate(glyphs):
        after = glyphs[place + 1][0] if place + 1 < len(glyphs) else "."
        if glyph and get_character_cell_size(glyph[0]) == 2 and after != "":
            out[place] = (" ", look)
    return out


def split(text: str) -> list[str]:
    """
    Return one entry for each column of `text`: a wide character is followed by an empty one.

    Marks that combine join the character before them; what cannot be printed becomes a blank.
    """
    out: list[str] = []
    for char in text:
        if " " <= char <= "~":
            out.append(char)
        elif not char.isprintable():
            out.append(" ")
        elif (size := get_character_cell_size(char)) > 0:
            out += [char] if size == 1 else [char, ""]
        elif out and out[-1] != "":
            out[-1] += char
    return out


def wrap(text: str, width: int, rows: int) -> list[str]:
    """Return `text` broken at blanks into lines of `width` columns; the last of `rows` takes all that is left."""
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if len(split(longer)) <= width or len(lines) == rows or not lines[-1]:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines
