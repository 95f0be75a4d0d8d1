"""The review on a terminal: the loop that waits for keys, looks at the journal now and then, and redraws."""

from __future__ import annotations

import os
import select
import signal
from typing import Protocol

from rich.live import Live

from lampblack.daemon.noted import Choice
from lampblack.daemon.record import RecordError
from lampblack.daemon.review import draw
from lampblack.daemon.review_state import Page, ReviewState, press, saying, turned
from lampblack.daemon.style import Style
from lampblack.daemon.terminal import Keys, Signals, put, taken

LOOK_S = 0.5
"""How often the journal is looked at for something new."""


class Book(Protocol):
    """What a screen wants of a shoot's journal."""

    def turned(self, setup: int) -> tuple[list[int], Page]:
        """Return the numbers of the setups, and one of them as a page; or raise RecordError."""

    def stamp(self) -> object:
        """Return what changes when somebody writes to the journal."""

    def keep(self, frame: int, choice: Choice) -> tuple[bool, str]:
        """Keep a choice; return whether that was done, and what to say of it."""


class Screen:
    """A review while it is shown."""

    def __init__(self, book: Book, signals: Signals, state: ReviewState, style: Style) -> None:
        self._book, self._signals, self._state, self._style = book, signals, state, style
        self._keys = Keys()
        self._stamp = book.stamp()
        self._shown: tuple[ReviewState, os.terminal_size] | None = None

    def run(self) -> None:
        """Show it until somebody leaves."""
        while self._signals.ended is None:
            with taken(self._keys.fd, self._style) as live:
                self._shown = None
                while self._signals.ended is None and not self._signals.stop:
                    self._signals.drain()
                    self._look()
                    self._redraw(live)
                    for key in self._keys.take(self._rest()):
                        self._press(key)
            if self._signals.stop:
                self._signals.pause()

    def _rest(self) -> list[int]:
        wait = LOOK_S if self._keys.wait_s is None else self._keys.wait_s
        return select.select([self._signals.handle, *self._keys.handles], [], [], wait)[0]

    def _look(self) -> None:
        """Read the setup anew if somebody has written to the journal."""
        stamp = self._book.stamp()
        if stamp != self._stamp:
            self._stamp = stamp
            self._turn(self._state.page.number)

    def _turn(self, setup: int) -> None:
        try:
            numbers, page = self._book.turned(setup)
        except RecordError as wrong:
            self._state = saying(self._state, str(wrong), amiss=True)
            return
        self._state = turned(self._state, numbers, page)

    def _press(self, key: str) -> None:
        if key == "redraw":
            self._shown = None
            return
        done = press(self._state, key)
        self._state = done.state
        if done.leave:
            self._signals.ended = signal.SIGINT
        if done.setup is not None:
            self._turn(done.setup)
        if done.keep is not None:
            ok, text = self._book.keep(*done.keep)
            self._state = saying(self._state, text, amiss=not ok)
            self._look()

    def _redraw(self, live: Live) -> None:
        size = os.get_terminal_size(live.console.file.fileno())
        if self._shown == (self._state, size):
            return
        put(live, size, lambda width, height: draw(self._state, width, height, look=self._style))
        self._shown = self._state, size
