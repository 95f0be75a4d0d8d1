"""
Bytes from a terminal's keyboard, as the names of keys. Pure: no terminal in here.

Sequences after ESC follow ECMA-48 (CSI) and the arrows as terminals have sent them since the VT100 (from memory).
"""

from __future__ import annotations

import codecs

_NAMES = {"\r": "enter", "\n": "enter", "\x7f": "backspace", "\x08": "backspace", "\x0c": "redraw"}
_ARROWS = {"A": "up", "B": "down", "C": "right", "D": "left"}
_SEQUENCES = {
    **{f"\x1b{lead}{letter}": name for letter, name in _ARROWS.items() for lead in "[O"},
    # Held with shift: as most terminals send it, and as a few do.
    **{f"\x1b[1;2{letter}": f"shift-{name}" for letter, name in _ARROWS.items()},
    **{f"\x1b[{letter.lower()}": f"shift-{name}" for letter, name in _ARROWS.items()},
    "\x1b[3~": "delete",
}
_SEQUENCE_MAX = 32


class Keyboard:
    """
    Turns bytes, however they are cut, into keys: one printable character, or enter, escape, backspace, up, down,
    left, right (shift-up and so on where shift is held), delete, redraw. Other keys say nothing.
    """

    def __init__(self) -> None:
        self._decoder = codecs.getincrementaldecoder("utf-8")("ignore")
        self._held = ""

    @property
    def waiting(self) -> bool:
        """Whether an ESC came that may yet be the head of a longer key: wait a moment, then `settle`."""
        return bool(self._held)

    def feed(self, data: bytes) -> list[str]:
        """Return the keys that are whole now."""
        keys: list[str] = []
        for char in self._decoder.decode(data):
            key = self._take(char)
            if key:
                keys.append(key)
        return keys

    def settle(self) -> list[str]:
        """Nothing followed: an ESC alone was the escape key."""
        alone = self._held == "\x1b"
        self._held = ""
        return ["escape"] if alone else []

    def _take(self, char: str) -> str | None:
        if not self._held:
            if char == "\x1b":
                self._held = char
                return None
            return _NAMES.get(char) or (char if char.isprintable() else None)
        return self._take_in_sequence(char)

    def _take_in_sequence(self, char: str) -> str | None:
        if self._held == "\x1b":
            self._held = self._held + char if char in "[O" else ""
            # ESC twice: the first one was the key. ESC and a letter is a key held with Alt: none of ours.
            if char == "\x1b":
                self._held = char
                return "escape"
            return None
        self._held += char
        if "@" <= char <= "~" or len(self._held) > _SEQUENCE_MAX:
            known, self._held = _SEQUENCES.get(self._held), ""
            return known
        return None
