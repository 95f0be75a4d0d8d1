"""
The socket: JSON lines to any number of clients, and their requests back.

A client is a guest: one that never reads, sends rubbish, or sends too much is shown out, and nobody else notices.
Everything here runs in the loop; nothing waits for a client.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import os
import socket
import struct
import sys
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

log = logging.getLogger(__name__)

Event = dict[str, Any]
Handle = Callable[[Event], Awaitable[Event]]

PROTOCOL = 1


@dataclass(frozen=True)
class Limits:
    """What a client may ask of us."""

    clients: int = 32
    line_bytes: int = 64 * 1024
    """A request is a hundred bytes; a name in it may be long."""
    behind_bytes: int = 8 * 1024 * 1024
    """Events unread beyond the greeting: two hundred frames with their pictures."""
    behind_s: float = 30.0
    """Nothing read for this long while something waits."""
    bad_lines: int = 5
    at_once: int = 8
    """Requests of one client not yet answered."""


def line_of(event: Event) -> bytes:
    """Return an event as it goes out: one line, no NaN."""
    return (
        json.dumps(event, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode("utf-8", "replace") + b"\n"
    )


def request_of(line: bytes) -> Event | str:
    """Return a client's line as a request, or what is wrong with it."""
    try:
        value = json.loads(line.decode("utf-8"), parse_constant=_no_constant)
    except (ValueError, RecursionError):  # UnicodeDecodeError, JSONDecodeError, thousands of digits or brackets
        return "not a line of JSON"
    if not isinstance(value, dict):
        return "not a JSON object"
    if not isinstance(value.get("do"), str):
        return 'no "do" in it'
    if not isinstance(value.get("id"), int | str | None) or len(str(value.get("id"))) > 100:
        return "an id is a number or a short text"
    return value


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is no JSON number")


class Hub:
    """A listening socket and its clients."""

    def __init__(self, greeting: Callable[[], bytes], handle: Handle, *, limits: Limits | None = None) -> None:
        """
        Nothing listens yet.

        Args:
            greeting: gives the first line for a new client.
            handle:   answers one request; what it returns is sent to that client as a `reply`.
            limits:   what a client may ask of us.
        """
        self.greeting, self._handle = greeting, handle
        self.limits = limits or Limits()
        self._guests: set[_Guest] = set()
        self._server: asyncio.AbstractServer | None = None
        self._path: Path | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._broom: asyncio.Task[None] | None = None

    async def listen(self, path: Path) -> None:
        """
        Open the socket, for its owner only; the caller holds the lock that makes `path` ours.

        Raises:
            OSError: it cannot be made there.
        """
        path.unlink(missing_ok=True)
        link = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            before = os.umask(0o177)  # the socket takes its mode from here: no moment in which others may enter
            try:
                link.bind(os.fspath(path))
            finally:
                os.umask(before)
            link.setblocking(False)
            loop = asyncio.get_running_loop()
            self._server = await loop.create_unix_server(lambda: _Guest(self), sock=link, backlog=64)
        except BaseException:
            link.close()
            raise
        self._path = path
        self._broom = asyncio.create_task(self._sweep())

    def publish(self, event: Event) -> None:
        """Send an event to everybody who is here."""
        if self._guests:
            line = line_of(event)
            for guest in list(self._guests):
                guest.send(line)

    def __len__(self) -> int:
        """Return the number of clients."""
        return len(self._guests)

    async def close(self, drain_s: float = 1.0) -> None:
        """Let the last lines out for a moment, then close everything and remove the socket."""
        if self._broom is not None:
            self._broom.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._broom
        if self._server is not None:
            self._server.close()
        for guest in list(self._guests):
            guest.say_goodbye()
        deadline = asyncio.get_running_loop().time() + drain_s
        while self._guests and asyncio.get_running_loop().time() < deadline:
            await asyncio.sleep(0.01)
        for guest in list(self._guests):
            guest.show_out("closing")
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        if self._path is not None:
            self._path.unlink(missing_ok=True)

    async def _sweep(self) -> None:
        while True:
            await asyncio.sleep(1.0)
            for guest in list(self._guests):
                guest.check()

    # ------------------------------------------------------------ for guests

    def enter(self, guest: _Guest) -> bool:
        """Admit a client, or not."""
        if len(self._guests) >= self.limits.clients:
            return False
        self._guests.add(guest)
        return True

    def leave(self, guest: _Guest) -> None:
        """Forget a client."""
        self._guests.discard(guest)

    def answer(self, guest: _Guest, request: Event) -> None:
        """Have a request handled, and its reply sent."""
        task = asyncio.create_task(self._answer(guest, request))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _answer(self, guest: _Guest, request: Event) -> None:
        try:
            reply = await self._handle(request)
        except Exception:
            log.exception("a request could not be handled")
            reply = {"ok": False, "text": "That went wrong inside the service; its log says how."}
        finally:
            guest.unanswered -= 1
        guest.send(line_of({"event": "reply", "to": request.get("id"), **reply}))


class _Guest(asyncio.Protocol):
    """One client."""

    def __init__(self, hub: Hub) -> None:
        self._hub = hub
        self._transport: asyncio.Transport | None = None
        self._bytes = bytearray()
        self._bad = 0
        self._sent = self._read_then = 0
        self._read_at = asyncio.get_running_loop().time()
        self._allowance = hub.limits.behind_bytes
        self.unanswered = 0

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        if not _same_owner(transport.get_extra_info("socket")) or not self._hub.enter(self):
            transport.abort()
            return
        line = self._hub.greeting()
        self._allowance += len(line)  # a long setup makes a long greeting, which is nobody's fault
        self.send(line)

    def connection_lost(self, exc: Exception | None) -> None:
        self._hub.leave(self)
        self._transport = None

    def send(self, line: bytes) -> None:
        """Send, unless this client is too far behind to be worth it."""
        if self._transport is None or self._transport.is_closing():
            return
        self._transport.write(line)
        self._sent += len(line)
        if self._transport.get_write_buffer_size() > self._allowance:
            self.show_out("it reads too slowly")

    def check(self) -> None:
        """Show out whoever has read nothing for long."""
        if self._transport is None:
            return
        left = self._transport.get_write_buffer_size()
        now = asyncio.get_running_loop().time()
        if not left or self._sent - left > self._read_then:
            self._read_then, self._read_at = self._sent - left, now
        elif now - self._read_at > self._hub.limits.behind_s:
            self.show_out("it has stopped reading")

    def show_out(self, why: str) -> None:
        """Drop this client now."""
        if self._transport is not None:
            log.info("a client is dropped: %s", why)
            self._transport.abort()
        self._hub.leave(self)

    def say_goodbye(self) -> None:
        """Close once everything sent has gone out."""
        if self._transport is not None:
            self._transport.close()

    def data_received(self, data: bytes) -> None:
        self._bytes += data
        while self._transport is not None and not self._transport.is_closing():
            end = self._bytes.find(b"\n")
            if end < 0:
                break
            line = bytes(self._bytes[:end])
            del self._bytes[: end + 1]
            self._take(line)
        if len(self._bytes) > self._hub.limits.line_bytes:
            self._bytes.clear()
            self.show_out("it sends lines without end")

    def _take(self, line: bytes) -> None:
        if len(line) > self._hub.limits.line_bytes:
            self.show_out("it sends too long a line")
            return
        if not line.strip():
            return
        request = request_of(line)
        if isinstance(request, str):
            self._bad += 1
            self.send(line_of({"event": "reply", "to": None, "ok": False, "text": f"Not understood: {request}."}))
            if self._bad >= self._hub.limits.bad_lines:
                self.show_out("it sends what is no request")
        elif self.unanswered >= self._hub.limits.at_once:
            text = "One thing at a time: earlier requests are not done yet."
            self.send(line_of({"event": "reply", "to": request.get("id"), "ok": False, "text": text}))
        else:
            self.unanswered += 1
            self._hub.answer(self, request)


def _same_owner(link: socket.socket) -> bool:
    """The folder's mode keeps others out already; where the kernel says who it is, be sure."""
    if not sys.platform.startswith("linux"):
        return True
    try:
        answer = link.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i"))
    except OSError:
        return False
    _, uid, _ = struct.unpack("3i", answer)
    return int(uid) in (os.getuid(), 0)
