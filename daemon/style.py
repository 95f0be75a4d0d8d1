"""
What a terminal can show, and how the panel says things with it: colours by what they mean, marks, plain letters.

A colour is never alone: each meaning has its own mark or word as well.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from rich.style import Style as RichStyle

from lampblack.daemon.palette import COLOURS, GROUND

Colours = Literal["true", "256", "16", "none"]

_OF_SIXTEEN: dict[str, tuple[str, bool]] = {
    # role: (its colour where there are sixteen, bold)
    "plain": ("white", False),
    "strong": ("bright_white", True),
    "dim": ("white", False),
    "good": ("bright_green", True),
    "clip": ("bright_yellow", True),
    "spill": ("bright_magenta", True),
    "trouble": ("bright_red", True),
    "key": ("bright_white", True),
}

_ASCII = {
    "⅓": " 1/3",
    "½": " 1/2",
    "⅔": " 2/3",
    "¼": " 1/4",
    "¾": " 3/4",
    "−": "-",
    "–": "-",
    "—": "-",
    "×": "x",
    "·": "-",
    "…": "..",
    "′": "'",
    "‘": "'",
    "’": "'",
    "“": '"',
    "”": '"',
    "→": "->",
    "←": "<-",
    "↑": "up",
    "↓": "down",
    "≤": "<=",
    "≥": ">=",
    "°": " deg",
    "±": "+-",
    "µ": "u",
    "Δ": "delta",
    "ß": "ss",
    "ø": "o",
    "Ø": "O",
    "æ": "ae",
    "œ": "oe",
    "◆": "#",
    "○": "o",
    "▼": "v",
    "✓": "=",
    "▸": ">",
    "◂": "<",
    "▪": "*",
    "│": "|",
    "─": "-",
}


@dataclass(frozen=True)
class Marks:
    """The marks of one character set; no two alike."""

    clipped: str
    spilled: str
    spot: str
    well: str
    newest: str
    shot: str
    trouble: str
    blocked: str
    asks: str


_MARKS = Marks(clipped="◆", spilled="○", spot="×", well="✓", newest="▸", shot="▪", trouble="!", blocked="▼", asks="↑")
_ASCII_MARKS = Marks(
    clipped="#", spilled="o", spot="x", well="=", newest=">", shot="*", trouble="!", blocked="v", asks="^"
)


@dataclass(frozen=True)
class Style:
    """What the terminal takes: its colours, and whether only ASCII goes."""

    colours: Colours = "true"
    ascii: bool = False

    @property
    def marks(self) -> Marks:
        """Return the marks for clipped, spilled and the rest."""
        return _ASCII_MARKS if self.ascii else _MARKS

    def say(self, text: str) -> str:
        """Return `text` in the letters that this terminal takes."""
        return _spell(text) if self.ascii else text

    def role(self, name: str, *, reverse: bool = False) -> RichStyle:
        """Return how one role looks here: plain, strong, dim, good, clip, spill, trouble or key."""
        return _role(name, self.colours, reverse)


@lru_cache(maxsize=64)
def _role(name: str, colours: Colours, reverse: bool) -> RichStyle:
    rgb, (sixteen, bold) = COLOURS[name], _OF_SIXTEEN[name]
    if colours == "none":
        return RichStyle(bold=bold or None, reverse=reverse or None)
    if colours == "16":
        front, back = sixteen, "black"
    else:
        front, back = hex_of(rgb), hex_of(GROUND)
    if reverse:
        front, back = back, front
    return RichStyle(color=front, bgcolor=back, bold=bold or None)


def hex_of(rgb: tuple[int, int, int]) -> str:
    """Return (r, g, b) codes as #rrggbb."""
    return "#{:02x}{:02x}{:02x}".format(*rgb)


@lru_cache(maxsize=512)
def _spell(text: str) -> str:
    swapped = ""
    for char in text:
        letters = _ASCII.get(char, char)
        # A fraction brings its own blank, which stands between it and a digit only.
        swapped += letters.lstrip() if len(letters) > 1 and not swapped[-1:].isdigit() else letters
    bare = "".join(c for c in unicodedata.normalize("NFKD", swapped) if not unicodedata.combining(c))
    return "".join(c if " " <= c <= "~" else "?" for c in bare)


def detect(
    env: Mapping[str, str], encoding: str | None, *, ascii_only: bool = False, colours: Colours | None = None
) -> Style:
    """
    Tell from the environment what a terminal takes. What was asked for outright wins.

    Args:
        env:        the environment: NO_COLOR (any value but an empty one; no-color.org), COLORTERM, TERM.
        encoding:   of the terminal's output stream.
        ascii_only: only ASCII goes, whatever the encoding.
        colours:    these, whatever the environment says.
    """
    term = env.get("TERM", "")
    # The Linux console and the old video terminals know few shapes beyond ASCII, whatever the locale says.
    poor = term in ("", "dumb", "linux") or term.startswith("vt")
    unicode_goes = (encoding or "").lower().replace("-", "").replace("_", "") == "utf8"
    return Style(colours or _colours(env, term), ascii_only or poor or not unicode_goes)


def _colours(env: Mapping[str, str], term: str) -> Colours:
    if env.get("NO_COLOR") or term in ("", "dumb"):
        return "none"
    if env.get("COLORTERM", "").lower() in ("truecolor", "24bit") or term.endswith("-direct"):
        return "true"
    return "256" if "256color" in term else "16"
