"""Trouble that a body can be told to have, so that whoever talks to it can show how it copes."""

from __future__ import annotations

BURST_S = 0.1
"""A slow line passes on at most what it carries in this time at once: a trickle, not lumps."""


class Trouble:
    """
    Whatever is wrong with the camera just now; moves only by `tick`.

    None of it costs a frame: what is on the card stays there.
    """

    def __init__(self) -> None:
        self.busy_s = 0.0
        """For so long yet the camera answers that it is busy."""
        self._bytes_per_s: float | None = None
        self._credit_bytes = 0.0
        self._cut_after: int | None = None
        self._cut_skips = 0
        self._handle: int | None = None
        self._moved_bytes = 0

    @property
    def moves(self) -> bool:
        """Return whether time changes anything here."""
        return self.busy_s > 0 or self._bytes_per_s is not None

    def tick(self, dt_s: float) -> None:
        """Let time pass."""
        self.busy_s = max(self.busy_s - dt_s, 0.0)
        if self._bytes_per_s is not None:
            most = max(self._bytes_per_s * BURST_S, 1.0)
            self._credit_bytes = min(self._credit_bytes + self._bytes_per_s * dt_s, most)

    def slow(self, bytes_per_s: float | None) -> None:
        """Let the camera send only so fast; 0 freezes the line without closing it, None lifts the limit."""
        self._bytes_per_s = bytes_per_s
        self._credit_bytes = 0.0

    def may_send(self, size: int) -> int:
        """Return how many of so many bytes may go now."""
        return size if self._bytes_per_s is None else min(size, int(self._credit_bytes))

    def sent(self, size: int) -> None:
        """Note that bytes went."""
        self._credit_bytes = max(self._credit_bytes - size, 0.0)

    def cut(self, after_bytes: int, skip_objects: int = 0) -> None:
        """
        Let the line break in mid-transfer, once.

        Args:
            after_bytes: so many bytes of the object still arrive. Partial reads of one object add up. An
                object no longer than this goes through, and the next one is looked at.
            skip_objects: so many objects go through first.
        """
        self._cut_after, self._cut_skips = after_bytes, skip_objects
        self._handle, self._moved_bytes = None, 0

    def let_through(self, handle: int, size: int) -> int:
        """Return how many of the next bytes of an object arrive; fewer than asked: the line breaks there."""
        if self._cut_after is None:
            return size
        if handle != self._handle:
            self._cut_skips -= self._handle is not None
            self._handle, self._moved_bytes = handle, 0
        left = self._cut_after - self._moved_bytes
        if self._cut_skips > 0 or left >= size:
            self._moved_bytes += size
            return size
        self._cut_after = None
        return max(left, 0)
