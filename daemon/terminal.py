"""
A terminal taken for a while: its keys one by one, its size, the signals that concern it.

Whatever ends that (a key, a signal, a terminal that goes, an error of ours), it gets back its main screen, its cursor
and its line editing.
"""

from __future__ import annotations

import contextlib
import io
import os
import signal
import sys
import termios
import threading
import tty
from collections.abc import Callable, Iterator
from types import FrameType
from typing import Any, TextIO

from rich.console import Console, ConsoleDimensions, RenderableType
from rich.live import Live

from lampblack.daemon.keyboard import Keyboard
from lampblack.daemon.style import Style

ESCAPE_S = 0.05
"""Longer than the bytes of one key are apart, shorter than a person notices."""

_ENDING = (signal.SIGTERM, signal.SIGHUP, signal.SIGINT, signal.SIGQUIT)
RICH_COLOURS = {"true": "truecolor", "256": "256", "16": "standard", "none": None}


class Signals:
    """
    Notes signals, and wakes whoever waits in `select` on `handle`. A second ending signal ends at once.

    Outside the main thread it notes nothing.
    """

    def __init__(self) -> None:
        self.ended: int | None = None
        self.stop = False
        self.handle, self._wake = os.pipe()
        self._before: dict[int, Any] = {}
        self._fd_before = -1

    def __enter__(self) -> Signals:
        for end in (self.handle, self._wake):
            os.set_blocking(end, False)
        if threading.current_thread() is threading.main_thread():
            for number in (*_ENDING, signal.SIGWINCH, signal.SIGTSTP):
                self._before[number] = signal.signal(number, self._note)
            self._fd_before = signal.set_wakeup_fd(self._wake, warn_on_full_buffer=False)
        return self

    def __exit__(self, *_: object) -> None:
        if self._before:
            signal.set_wakeup_fd(self._fd_before)
            for number, handler in self._before.items():
                # None: somebody's handler that Python doesn't know.
                signal.signal(number, signal.SIG_DFL if handler is None else handler)
        os.close(self.handle)
        os.close(self._wake)

    def _note(self, number: int, _: FrameType | None) -> None:
        if number == signal.SIGTSTP:
            self.stop = True
        elif number in _ENDING:
            # Ctrl-S may hold the terminal's output, and us in the middle of it.
            with contextlib.suppress(OSError, ValueError, termios.error):
                termios.tcflow(sys.stdout.fileno(), termios.TCOON)
            if self.ended is not None:
                raise SystemExit(128 + number)
            self.ended = number

    def drain(self) -> None:
        """Forget the wake-ups so far."""
        with contextlib.suppress(BlockingIOError):
            while os.read(self.handle, 512):
                pass

    def pause(self) -> None:
        """Stop this process as Ctrl-Z does; returns when it is continued."""
        self.stop = False
        signal.signal(signal.SIGTSTP, signal.SIG_DFL)
        try:
            os.kill(os.getpid(), signal.SIGTSTP)
        finally:
            signal.signal(signal.SIGTSTP, self._note)


class Keys:
    """The keyboard, if the input is a terminal."""

    def __init__(self) -> None:
        self._keyboard = Keyboard()
        self.fd = sys.stdin.fileno() if sys.stdin is not None and sys.stdin.isatty() else None

    @property
    def handles(self) -> list[int]:
        """What to wait on."""
        return [] if self.fd is None else [self.fd]

    @property
    def wait_s(self) -> float | None:
        """Return how long to wait at most, None for any time: an ESC alone shows only by what doesn't follow."""
        return ESCAPE_S if self._keyboard.waiting else None

    def take(self, ready: list[int]) -> list[str]:
        """
        Return the keys pressed.

        Args:
            ready: which of the handles waited on have something; none at all: nothing came in time.

        Raises:
            OSError: the terminal is gone.
        """
        if self.fd is None:
            return []
        if self.fd in ready:
            data = os.read(self.fd, 4096)
            if not data:
                raise OSError("the terminal is gone")
            return self._keyboard.feed(data)
        return self._keyboard.settle() if self._keyboard.waiting and not ready else []


@contextlib.contextmanager
def taken(keys_fd: int | None, style: Style) -> Iterator[Live]:
    """Take the terminal: alternate screen, no cursor, keys one by one; give all of it back."""
    before = termios.tcgetattr(keys_fd) if keys_fd is not None else None
    raw = io.BufferedWriter(io.FileIO(sys.stdout.fileno(), "w", closefd=False), 1 << 20)
    out = io.TextIOWrapper(raw, sys.stdout.encoding, "replace")
    console = Console(
        file=out,
        force_terminal=True,
        color_system=RICH_COLOURS[style.colours],  # type: ignore[arg-type]
        no_color=style.colours == "none",
        legacy_windows=False,
        markup=False,
        emoji=False,
        highlight=False,
        _environ={},
    )
    live = Live(console=console, screen=True, auto_refresh=False, redirect_stdout=False, redirect_stderr=False)
    try:
        if keys_fd is not None:
            tty.setcbreak(keys_fd)
        live.start()
        yield live
    finally:
        # A terminal that is gone takes nothing back; that must not hide why we leave.
        with contextlib.suppress(OSError):
            live.stop()
        with contextlib.suppress(OSError):
            out.close()
        if keys_fd is not None and before is not None:
            with contextlib.suppress(termios.error):
                termios.tcsetattr(keys_fd, termios.TCSAFLUSH, before)


def mute(stream: TextIO) -> None:
    """Let what is left in a broken stream go nowhere, or Python complains about it while it ends."""
    with contextlib.suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)


def put(live: Live, size: os.terminal_size, draw: Callable[[int, int], RenderableType]) -> None:
    """Draw anew on a terminal of that size; it may claim to have none at all until its window is there."""
    width, height = max(1, size.columns), max(1, size.lines)
    live.console.size = ConsoleDimensions(width, height)
    live.update(draw(width, height), refresh=True)
