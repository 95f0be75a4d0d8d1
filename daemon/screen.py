"""
`lampblack panel`: owns the terminal, the keys and the connection while a panel is shown. One thread does it all.

Whatever ends it (a key, a signal, a terminal that goes, an error of ours), the terminal gets back its main screen,
its cursor and its line editing. A panel's death harms nothing: the service doesn't need it.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import queue
import select
import signal
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path
from typing import get_args

from rich.live import Live

from lampblack.daemon.clean import clean_name
from lampblack.daemon.client import Client, Event, NoServiceError, waiting_for
from lampblack.daemon.cues import cue as cue_of
from lampblack.daemon.panel import draw
from lampblack.daemon.panel_state import PanelState, Request, fold, owed, press
from lampblack.daemon.style import Colours, Style, detect
from lampblack.daemon.terminal import Keys, Signals, mute, put, taken
from lampblack.daemon.words import tell

STROKE_S = 0.25
REDRAW_S = 0.25
FOLLOW_S = 0.04
"""A cursor that is moved is drawn as often as the eye follows."""
RETRY_S = 1.0


class Cue:
    """What another thread may do to a panel while it is shown: put a line at its foot, or close it."""

    def __init__(self) -> None:
        """Say nothing yet."""
        self._lines: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._over = threading.Event()

    def say(self, text: str) -> None:
        """Put a line at the panel's foot; it stays until the next."""
        self._lines.put(text)

    def end(self) -> None:
        """Close the panel, within a quarter of a second."""
        self._over.set()

    @property
    def over(self) -> bool:
        """Whether the panel is to close."""
        return self._over.is_set()

    def events(self) -> list[Event]:
        """Return what was said since the last time, as events to fold."""
        said = []
        with contextlib.suppress(queue.Empty):
            while True:
                said.append({"event": "note", "text": self._lines.get_nowait()})
        return said


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `lampblack panel`."""
    parser.add_argument("folder", metavar="FOLDER", type=Path, nargs="?", default=Path(), help="default: here")
    parser.add_argument(
        "--plain", action="store_true", help="one line of text per event, for screen readers and logs; so in a pipe"
    )
    parser.add_argument("--ascii", action="store_true", help="draw with ASCII only")
    parser.add_argument("--large", action="store_true", help="three facts only, as large as they go (z in the panel)")
    parser.add_argument(
        "--sound",
        action="store_true",
        help="the bell: once done, twice look here, thrice the backdrop is not clean",
    )
    parser.add_argument(
        "--colours",
        choices=("auto", *get_args(Colours)),
        default="auto",
        help="how many colours the terminal has (default: as it says; NO_COLOR is honoured)",
    )


def run(
    folder: Path | argparse.Namespace,
    *,
    plain: bool = False,
    ascii_only: bool = False,
    colours: Colours | None = None,
    cue: Cue | None = None,
    large: bool = False,
    sound: bool = False,
) -> int:
    """
    Show the panel of a shoot's folder until somebody leaves it.

    Args:
        folder:     the shoot; or the options as `add_arguments` made them.
        plain:      lines instead of a screen; so too wherever the output is no terminal.
        ascii_only: draw with ASCII only.
        colours:    None: as the terminal says.
        cue:        what another thread has to say to the panel.
        large:      three facts only.
        sound:      ring the terminal's bell for what happens.

    Returns:
        0 when left by key, Ctrl-C or the cue; 1 when there is no such folder; 128 and the signal's number when
        a signal ended it.
    """
    if isinstance(folder, argparse.Namespace):
        chosen = None if folder.colours == "auto" else folder.colours
        return run(
            folder.folder, plain=folder.plain, ascii_only=folder.ascii, colours=chosen, large=folder.large,
            sound=folder.sound,
        )  # fmt: skip
    folder = folder.expanduser()
    if not folder.is_dir() and waiting_for(folder) is None:
        print(f"{clean_name(folder.absolute())} is no folder: make it, or see to its name.", file=sys.stderr)
        return 1
    style = detect(os.environ, sys.stdout.encoding, ascii_only=ascii_only, colours=colours)
    lines = plain or not sys.stdout.isatty() or os.environ.get("TERM", "dumb") == "dumb"
    state = PanelState(folder=clean_name(folder.resolve()), large=large, sound=sound)
    with Signals() as signals, contextlib.closing(_Link(folder)) as link:
        try:
            if lines:
                _run_plain(link, signals, state, style, cue)
            else:
                _Panel(link, signals, state, style, cue).run()
        except OSError:
            # The terminal or the pipe went away, with or without a signal.
            mute(sys.stdout)
        return 128 + signals.ended if signals.ended not in (None, signal.SIGINT) else 0


# --- the service's end ---


class _Link:
    """The connection to a service that may not be there: events while it lasts, tries to get it back."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._client: Client | None = None
        self._next_try = 0.0

    def close(self) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None

    @property
    def handles(self) -> list[int]:
        """What to wait on."""
        return [self._client.fileno()] if self._client else []

    def wait_s(self) -> float | None:
        """Return how long to wait at most before `events` has something to do; None: only for `handles`."""
        if self._client is None:
            return max(0.0, self._next_try - time.monotonic())
        return 0.0 if self._client.waiting else None

    def events(self) -> list[Event]:
        """Return what came, and what became of the connection, without waiting."""
        try:
            if self._client is None:
                if time.monotonic() < self._next_try:
                    return []
                self._client = Client.connect(self._folder)
            return self._client.receive(0.0)
        except NoServiceError:
            return [self._lost()]

    def send(self, request: Request) -> list[Event]:
        """Send one request; return under which id, or what became of the connection."""
        if self._client is None:
            return []
        try:
            return [{"event": "sent", "do": request["do"], "id": self._client.send(request)}]
        except NoServiceError:
            return [self._lost()]

    def _lost(self) -> Event:
        self.close()
        self._next_try = time.monotonic() + RETRY_S
        return {"event": "link", "up": False}


def _wait(handles: list[int], timeouts: list[float | None], cue: Cue | None) -> list[int]:
    known = [t for t in timeouts if t is not None] + ([REDRAW_S] if cue is not None else [])
    ready, _, _ = select.select(handles, [], [], min(known) if known else None)
    return ready


# --- plain lines ---


def _run_plain(link: _Link, signals: Signals, state: PanelState, style: Style, cue: Cue | None) -> None:
    # Who searches says so once; then only what happens.
    said = ""
    while signals.ended is None and not (cue is not None and cue.over):
        signals.drain()
        for event in link.events():
            for line in tell(state, event):
                if line != said:
                    print(style.say(line).encode(sys.stdout.encoding, "replace").decode(sys.stdout.encoding))
                said = line
            state = fold(state, event)
        sys.stdout.flush()
        if signals.stop:
            signals.pause()
        _wait([signals.handle, *link.handles], [link.wait_s()], cue)


# --- the screen ---


class _Panel:
    """The panel on a terminal: the loop that waits, folds, presses and redraws."""

    def __init__(self, link: _Link, signals: Signals, state: PanelState, style: Style, cue: Cue | None) -> None:
        self._link, self._signals, self._style, self._cue = link, signals, style, cue
        self._keys = Keys()
        self._state = replace(state, keys=self._keys.fd is not None)
        self._shown: tuple[PanelState, os.terminal_size] | None = None
        self._drawn_at = -REDRAW_S

    def run(self) -> None:
        while not self._over():
            with taken(self._keys.fd, self._style) as live:
                self._shown = None
                while not self._over() and not self._signals.stop:
                    self._signals.drain()
                    self._ring(live, self._take_events())
                    if (question := owed(self._state)) is not None:
                        self._send(question)
                    wait = self._redraw(live)
                    self._take_keys(self._rest(wait))
            if self._signals.stop:
                self._signals.pause()

    def _over(self) -> bool:
        return self._signals.ended is not None or (self._cue is not None and self._cue.over)

    def _take_events(self) -> int:
        """Fold what came; return how often the bell is to ring for it."""
        said = [] if self._cue is None else self._cue.events()
        strokes = 0
        for event in self._link.events() + said:
            before, self._state = self._state, fold(self._state, event)
            strokes = max(strokes, cue_of(before, self._state))
        return strokes if self._state.sound else 0

    def _ring(self, live: Live, strokes: int) -> None:
        for stroke in range(strokes):
            if stroke:
                time.sleep(STROKE_S)  # terminals make one of bells that follow at once
            live.console.file.write("\a")
            live.console.file.flush()

    def _rest(self, redraw_s: float | None) -> list[int]:
        handles = [self._signals.handle, *self._link.handles, *self._keys.handles]
        return _wait(handles, [redraw_s, self._link.wait_s(), self._keys.wait_s], self._cue)

    def _take_keys(self, ready: list[int]) -> None:
        for key in self._keys.take(ready):
            self._press(key)

    def _press(self, key: str) -> None:
        if key == "redraw":
            self._shown = None
            return
        done = press(self._state, key)
        self._state = done.state
        if done.leave:
            self._signals.ended = signal.SIGINT
        if done.request is not None:
            self._send(done.request)

    def _send(self, request: Request) -> None:
        for event in self._link.send(request):
            self._state = fold(self._state, event)

    def _redraw(self, live: Live) -> float | None:
        """Draw if there is something new and the last time is long enough ago; return when to come back."""
        size = os.get_terminal_size(live.console.file.fileno())
        if self._shown == (self._state, size):
            return None
        pause = REDRAW_S if self._state.cursor is None else FOLLOW_S
        early = self._drawn_at + pause - time.monotonic()
        if early > 0:
            return early
        put(live, size, lambda width, height: draw(self._state, width, height, look=self._style))
        self._shown, self._drawn_at = (self._state, size), time.monotonic()
        return None
