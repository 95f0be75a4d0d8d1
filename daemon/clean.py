"""
One gate for every string that came from outside: file names, EXIF, camera texts, error messages.

rich's ``Text`` and ``escape()`` let escape sequences, C1 codes and direction overrides through to the
terminal, and a log file is read in a terminal too. So outside text passes `clean` once, where it enters, and
is plain from then on.
"""

from __future__ import annotations

import os
import unicodedata

NO_NAME = "(unreadable name)"

# Characters that draw nothing, though Unicode files them under letters, marks or symbols (most have
# Default_Ignorable_Code_Point in DerivedCoreProperties.txt): names that differ in them only would look the same.
_INVISIBLE = frozenset(
    (
        *(0x034F, 0x115F, 0x1160, 0x17B4, 0x17B5, 0x2800, 0x3164, 0xFFA0),
        *range(0x180B, 0x1810),
        *range(0xFE00, 0xFE10),
        *range(0xE0000, 0xE1000),
    )
)
_DROPPED = frozenset(
    ["Cc", "Cf", "Cs", "Co", "Cn"]
)  # control, format (bidi, zero width), surrogate, private, unassigned
_BLANK = frozenset(["Zs", "Zl", "Zp"])
_MARKS_IN_A_ROW = 4  # written languages stack at most about three; hundreds of them paint over the lines above


def clean(text: str | bytes, limit: int = 200) -> str:
    """
    Return ``text`` as one harmless line of at most ``limit`` characters.

    Control, format, surrogate, private and invisible characters are dropped; every kind of white space
    becomes one space; the rest is composed (NFC). What had to be cut ends in "…". Bytes are taken as UTF-8,
    and what is not UTF-8 is shown as U+FFFD. Cleaning twice changes nothing more.

    Args:
        text:  anything from outside, of any length; only the first few hundred characters are looked at.
        limit: longest result, in characters; at least 1.

    >>> clean("roll\\x1b[31m one\\n")
    'roll[31m one'
    """
    if limit < 1:
        raise ValueError(f"limit must be at least 1, not {limit}")
    window = 4 * limit + 64  # a name of a gigabyte costs no more than a short one
    seen = text[: 4 * window].decode("utf-8", "replace") if isinstance(text, bytes) else text
    line = _plain(seen[:window])
    more = len(seen) > window or (isinstance(text, bytes) and len(text) > 4 * window)
    if len(line) <= limit and not more:
        return line
    return line[: limit - 1].rstrip() + "…"


def clean_name(name: bytes | str | os.PathLike[str], limit: int = 100) -> str:
    """
    Return a file's name (or path) for showing; never for opening.

    Undecodable bytes become U+FFFD, so that it shows that something is odd. A long name loses its middle: its
    end, with number and suffix, is what tells frames apart. A name with nothing to show reads
    "(unreadable name)".

    Args:
        name:  as the file system gave it.
        limit: longest result, in characters; at least 20.

    >>> clean_name(b"IMG_0001.JPG")
    'IMG_0001.JPG'
    """
    if limit < len(NO_NAME):
        raise ValueError(f"limit must be at least {len(NO_NAME)}, not {limit}")
    raw = name if isinstance(name, bytes) else _bytes_of(os.fspath(name))
    line = _plain(raw[: 1 << 16].decode("utf-8", "replace"))  # a path is at most a few thousand bytes
    if not line:
        return NO_NAME
    if len(line) <= limit:
        return line
    tail = limit // 2
    return f"{line[: limit - tail - 1].rstrip()}…{line[-tail:].lstrip()}"


def clean_path(path: bytes | str) -> str:
    """
    Return a path as a person sees it: every part of it as by `clean_name`.

    >>> clean_path(b"day one/0001\x1b[2J.jpg")
    'day one/0001[2J.jpg'
    """
    parts = os.fsencode(path).split(b"/")
    return "/".join(clean_name(part) if part else "" for part in parts)


def sentence(text: str) -> str:
    """
    Return a line as a sentence that others can follow: with a stop at its end, and no space before that.

    >>> [sentence(t) for t in ("Body ready", "Looking for the camera.", "Ready?", "")]
    ['Body ready.', 'Looking for the camera.', 'Ready?', '']
    """
    text = text.rstrip()
    return text if not text or text.endswith((".", "!", "?", "…")) else f"{text}."


def _bytes_of(name: str) -> bytes:
    try:
        return name.encode("utf-8", "surrogateescape")
    except UnicodeEncodeError:  # a surrogate that no file system call made
        return name.encode("utf-8", "replace")


def _plain(text: str) -> str:
    if text.isascii() and text.isprintable():  # most of what comes: nothing to look for in it
        return " ".join(text.split())
    kept = "".join(map(_shown, text))
    composed = unicodedata.normalize("NFC", " ".join(kept.split()))
    return _short_stacks(composed)


def _shown(char: str) -> str:
    if " " <= char <= "~":
        return char
    kind = unicodedata.category(char)
    if kind in _BLANK or char in "\t\n\r\v\f\x85":
        return " "
    return "" if kind in _DROPPED or ord(char) in _INVISIBLE else char


def _short_stacks(text: str) -> str:
    out: list[str] = []
    stacked = 0
    for char in text:
        stacked = stacked + 1 if unicodedata.category(char) in ("Mn", "Me") else 0
        if stacked <= _MARKS_IN_A_ROW:
            out.append(char)
    return "".join(out)
