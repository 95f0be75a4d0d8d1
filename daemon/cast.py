"""The cast of a frame: what to tell of it, what to ask of the camera, and whether that took in the next frame."""

from __future__ import annotations

from typing import Any

from lampblack.rules.look import Look
from lampblack.rules.neutral import Colour, NeutralError, advice_on, balance_for, in_words, neutral_at
from lampblack.rules.thresholds import Neutral

Event = dict[str, Any]


class Cast:
    """The neutral that a balance was last taken from."""

    def __init__(self, limits: Neutral) -> None:
        """Nothing is known yet."""
        self._limits = limits
        self._before: Colour | None = None

    def of(self, look: Look) -> tuple[str, Event | None]:
        """
        Return a frame's cast in words, and what to ask of the camera; None for nothing.

        Raises:
            NeutralError: nothing in it tells a colour; the text is one line for a person.
        """
        found, raw = neutral_at(look, None, self._limits), look.kind == "raw"
        words = in_words(found, raw, self._limits)
        words = f"{words[0].upper()}{words[1:]}"
        if found.delta_ab <= self._limits.neutral_ab:
            return f"{words}: nothing is to be set.", None
        self._before = found
        wanted = balance_for(found, raw)
        if wanted is None:
            return f"{words}.", None
        return f"{words}.", {"do": "balance", "kelvin": wanted.kelvin, "mireds": wanted.mireds}

    def took(self, look: Look) -> list[Event]:
        """Return a notice on whether a balance took, in the first frame since that shows a neutral."""
        if self._before is None:
            return []
        try:
            found = neutral_at(look, None, self._limits)
        except NeutralError:
            return []
        before, self._before = self._before, None
        return [{"kind": "balance", "text": advice_on(found, look.kind == "raw", self._limits, before)}]


BY_HAND = "Take the camera's custom balance from this frame (its manual says how), and shoot it once more."
