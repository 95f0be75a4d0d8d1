"""The service's end of the camera: the tether's news brought into the loop, and its answers waited for."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import math
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from lampblack.daemon.clean import clean
from lampblack.rules.glimpse import Glimpse

log = logging.getLogger(__name__)

Event = dict[str, Any]

STOP_S = 5.0
REPLY_S = 60.0
"""A long exposure and its download; the tether has deadlines of its own below this."""
NO_CAMERA: Event = {
    "state": "none",
    "text": "No camera asked for: watching the folder only.",
    **dict.fromkeys(["model", "serial", "address", "f_number", "shutter", "shutter_s", "iso", "battery"]),
    "f_numbers": [],
}
_THERE = ("ready", "busy")


class TetherLike(Protocol):
    """What is needed of `tether.Tether`."""

    def start(self) -> None:
        """Begin to look for the camera."""

    def stop(self, timeout_s: float) -> None:
        """Let the camera go; blocks."""

    def request(self, what: Mapping[str, object], done: Callable[[bool, str], None]) -> None:
        """Have the camera do something; `done` is called from another thread."""


@dataclass(frozen=True)
class Hears:
    """Who hears what of the camera; all called in the loop."""

    fetched: Callable[[bytes], None]
    """A frame of it landed at this path."""
    trouble: Callable[[str], None]
    changed: Callable[[Event], None]
    """What it is doing now."""
    offers: Callable[[tuple[float, ...]], None]
    """It offers other apertures than before."""


class Camera:
    """A camera that was asked for, or none. Made and used inside the loop."""

    def __init__(self, build: Callable[[Callable[[Event], None]], TetherLike] | None, hears: Hears) -> None:
        """
        Nothing starts yet.

        Args:
            build: makes the tether; None where no camera was asked for.
            hears: who hears of it.
        """
        self._build, self._hears = build, hears
        self._loop = asyncio.get_running_loop()
        self._tether: TetherLike | None = None
        self.now: Event = NO_CAMERA
        """What it is doing, as clients see it."""
        self.f_numbers: tuple[float, ...] | None = None
        self.seen: Glimpse | None = None
        """What the lens saw when it was last asked for."""

    def start(self) -> None:
        """Begin to look for it."""
        if self._build is not None:
            self.now = {**NO_CAMERA, "state": "searching", "text": "Looking for the camera."}
            self._tether = self._build(self._from_tether)
            self._tether.start()

    async def stop(self) -> None:
        """Let it go."""
        tether, self._tether = self._tether, None
        if tether is not None:
            await asyncio.to_thread(tether.stop, STOP_S)

    async def ask(self, what: Event) -> tuple[bool, str]:
        """Have it do something; returns whether it did, and a line for a person."""
        if self._tether is None:
            return False, "No camera: start watching with --camera auto."
        answer: asyncio.Future[tuple[bool, str]] = self._loop.create_future()

        def settle(ok: bool, text: str) -> None:
            if not answer.done():
                answer.set_result((ok, text))

        def done(ok: bool, text: str) -> None:
            with contextlib.suppress(RuntimeError):  # the loop is closed
                self._loop.call_soon_threadsafe(settle, ok, text)

        self._tether.request(what, done)
        try:
            return await asyncio.wait_for(answer, REPLY_S)
        except TimeoutError:
            return False, "The camera did not answer."

    def _from_tether(self, event: Event) -> None:
        """Hear the tether; called in its thread."""
        with contextlib.suppress(RuntimeError):  # the loop is closed
            self._loop.call_soon_threadsafe(self._take, event)

    def _take(self, event: Event) -> None:
        kind = event.get("event")
        if kind == "fetched":
            self._hears.fetched(os.fsencode(event["path"]))
        elif kind == "trouble":
            self._hears.trouble(clean(str(event.get("text", "")), 300))
        elif kind == "seen":
            self.seen = np.array(event["cells"], np.float32)
        elif kind == "camera":
            before, self.now = self.now, {**NO_CAMERA, **event["camera"]}
            _log_change(before, self.now)
            self._hears.changed(self.now)
            offered = tuple(sorted(n for n in self.now.get("f_numbers") or () if is_f_number(n)))
            if offered and offered != self.f_numbers:
                self.f_numbers = offered
                self._hears.offers(offered)


def is_f_number(value: object) -> bool:
    """Say whether a value from outside can be an aperture."""
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value) and 0 < value < 1000


def _log_change(before: Event, now: Event) -> None:
    """Log when a camera comes, goes or can't be found; not each frame that it takes."""
    if now["state"] == "none" or (now["state"] in _THERE and before["state"] in _THERE):
        return
    if (now["state"], now["text"]) != (before["state"], before["text"]):
        log.info("camera: %s", now["text"] or now["state"])
