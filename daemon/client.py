"""
The other end of the service's socket: find it, read its events, send it requests.

One thread, no background reader: `Client.receive` waits in `select` and hands over whole lines only, so a
panel can wait on the socket and on its keyboard together (`Client.fileno`).
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import select
import socket
import stat
import time
from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lampblack.daemon.clean import clean
from lampblack.daemon.config import is_ours, runtime_places

LOCK_NAME = ".lampblack.lock"
LOCK_BYTES_MAX = 64 * 1024
# A first line carries a whole setup with its small pictures, some 35 kB a frame; past this, not ours.
LINE_BYTES_MAX = 256 * 1024 * 1024
WAIT = ": wait for that, or end it with Ctrl-C"
"""What to do where a folder is held by no service."""
CONNECT_S = 2.0
SEND_S = 5.0

Event = dict[str, Any]


class NoServiceError(Exception):
    """Nobody answers for this folder, or no longer; the text is one line for a person."""


@dataclass(frozen=True)
class Whereabouts:
    """What the lock file says about the service of one folder."""

    folder: Path
    socket: Path
    pid: int | None


def locate(folder: Path) -> Whereabouts:
    """
    Return where the service of a shoot folder listens: as its lock file says. The service may have died since.

    Raises:
        NoServiceError: no lock file, or one that does not read.
    """
    nobody = NoServiceError(f"No service is watching {folder}.")
    try:
        text = _read_lock(folder / LOCK_NAME)
        said = json.loads(text)
        path = said["socket"]
        pid = said.get("pid")
    except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
        raise nobody from None
    if not isinstance(path, str) or not path or "\0" in path:
        raise nobody
    return Whereabouts(folder, Path(path), pid if isinstance(pid, int) and pid > 0 else None)


def folder_key(folder: Path) -> str:
    """Return a short name for a folder that differs from other folders' names."""
    return hashlib.sha256(os.fsencode(os.path.realpath(folder))).hexdigest()[:12]


def sockets(key: str = "*") -> list[tuple[Path, int]]:
    """Return the sockets of living services in the run folders, with their process ids; of all, or of one folder."""
    found = []
    for place in runtime_places():
        if is_ours(place):
            for path in sorted(place.glob(f"{key}-*.sock")):
                pid = re.fullmatch(r"[0-9a-f]{12}-(\d+)\.sock", path.name)
                if pid is not None and is_alive(int(pid[1])):
                    found.append((path, int(pid[1])))
    return found


def waiting_for(folder: Path) -> Whereabouts | None:
    """
    Return the service that waits for a folder which is gone (unmounted, renamed), and its lock file with it.

    It is there for certain: a dead one's socket may still lie about, and its process id be another's by now.
    """
    for path, pid in sockets(folder_key(folder)):
        where = Whereabouts(folder, path, pid)
        try:
            Client.reach(where).close()
        except NoServiceError:
            continue
        return where
    return None


def is_alive(pid: int) -> bool:
    """Say whether a process of that number runs."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except (PermissionError, OverflowError):
        return True
    return True


def busy_with(folder: Path) -> str | None:
    """Return what a folder is held for if not to be watched, as its lock file says, with what to do; else None."""
    try:
        told = json.loads(_read_lock(folder / LOCK_NAME))
        doing, pid = told.get("doing"), told.get("pid")
    except (OSError, ValueError, AttributeError, RecursionError):
        return None
    return f"is being {clean(doing, 60)} (process {clean(str(pid), 20)}){WAIT}." if isinstance(doing, str) else None


def _read_lock(path: Path) -> str:
    # The folder may come from anyone: no waiting on a FIFO, no following of links.
    handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    with open(handle, "rb") as file:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            raise OSError("not a regular file")
        return file.read(LOCK_BYTES_MAX).decode("utf-8")


class Client:
    """
    One connection to a service. Not for use by several threads.

    The first event is `hello`, with the whole state. Once the service is gone, every method raises
    NoServiceError.
    """

    def __init__(self, link: socket.socket, where: Whereabouts | None = None) -> None:
        self.where = where
        self._link = link
        self._link.setblocking(False)
        self._bytes = bytearray()
        self._searched = 0
        self._ready: deque[Event] = deque()
        self._gone = False
        self._last_id = 0

    @classmethod
    def connect(cls, folder: Path, timeout_s: float = CONNECT_S) -> Client:
        """Connect to the service that watches `folder`, or waits for it; or raise NoServiceError."""
        try:
            return cls.reach(locate(folder), timeout_s)
        except NoServiceError:
            where = waiting_for(folder)
            if where is None:
                raise
            return cls.reach(where, timeout_s)

    @classmethod
    def reach(cls, where: Whereabouts, timeout_s: float = CONNECT_S) -> Client:
        """Connect to the service that listens there, or raise NoServiceError."""
        link = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        link.settimeout(timeout_s)
        try:
            # A lock file laid into a shared folder must not lead us to a stranger's socket.
            if os.stat(where.socket).st_uid != os.geteuid():
                raise OSError("the socket belongs to somebody else")
            link.connect(str(where.socket))
        except (OSError, ValueError):
            link.close()
            raise NoServiceError(f"No service is watching {where.folder}.") from None
        return cls(link, where)

    def __enter__(self) -> Client:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the connection; the service goes on. Harmless when called twice."""
        self._gone = True
        self._link.close()

    def fileno(self) -> int:
        """The socket's file descriptor, for `select`. Look at `waiting` too: events may lie here already."""
        return self._link.fileno()

    @property
    def waiting(self) -> bool:
        """Whether `receive` has an event in hand without touching the socket."""
        return bool(self._ready)

    def send(self, request: Mapping[str, Any]) -> int:
        """Send one request such as {"do": "fire"}; its id comes back, and later as `to` in the reply."""
        self._last_id += 1
        line = json.dumps({**request, "id": self._last_id}, ensure_ascii=True, allow_nan=False) + "\n"
        self._push(line.encode("ascii"))
        return self._last_id

    def receive(self, timeout_s: float | None = 0.0) -> list[Event]:
        """
        Return every event that has come; wait for the first one up to `timeout_s` (None: for ever).

        An empty list means that the time is up. Lines that are not JSON objects are passed over: a newer
        service may say things this client does not know.
        """
        deadline = None if timeout_s is None else time.monotonic() + timeout_s
        while True:
            self._drain()
            if self._ready:
                events = list(self._ready)
                self._ready.clear()
                return events
            if self._gone:
                raise self._lost()
            left = None if deadline is None else deadline - time.monotonic()
            if left is not None and left <= 0:
                return []
            select.select([self._link], [], [], left)

    def events(self) -> Iterator[Event]:
        """Yield events one by one until the service goes (NoServiceError)."""
        while True:
            yield from self.receive(None)

    def ask(self, request: Mapping[str, Any], timeout_s: float) -> Event:
        """
        Send one request and wait for its reply. Events that come before it stay for `receive`.

        Raises:
            TimeoutError: no reply in time; the request may still be carried out.
            NoServiceError: the service went before it replied.
        """
        wanted = self.send(request)
        deadline = time.monotonic() + timeout_s
        others: deque[Event] = deque()
        try:
            while (left := deadline - time.monotonic()) > 0:
                batch = self.receive(left)
                for place, event in enumerate(batch):
                    if event.get("event") == "reply" and event.get("to") == wanted:
                        others.extend(batch[place + 1 :])
                        return event
                    others.append(event)
        finally:
            self._ready.extendleft(reversed(others))
        raise TimeoutError(f"The service did not answer within {timeout_s:g} s.")

    def _push(self, block: bytes) -> None:
        left = memoryview(block)
        while left:
            try:
                # A line sent by half would spoil the next one: a service that does not read counts as gone.
                if not select.select([], [self._link], [], SEND_S)[1]:
                    raise self._lost()
                left = left[self._link.send(left) :]
            except (BlockingIOError, InterruptedError):
                continue
            except (OSError, ValueError):  # select says ValueError of a closed socket
                raise self._lost() from None

    def _drain(self) -> None:
        """Take what the socket holds now, without waiting."""
        while not self._gone:
            try:
                block = self._link.recv(1 << 18)
            except (BlockingIOError, InterruptedError):
                return
            except OSError:
                block = b""
            if not block:
                self._gone = True
                return
            self._bytes += block
            self._split()

    def _split(self) -> None:
        while (end := self._bytes.find(b"\n", self._searched)) >= 0:
            line = bytes(self._bytes[:end])
            del self._bytes[: end + 1]
            self._searched = 0
            event = _parse(line)
            if event is not None:
                self._ready.append(event)
        self._searched = len(self._bytes)
        if self._searched > LINE_BYTES_MAX:
            self._bytes.clear()
            self._gone = True

    def _lost(self) -> NoServiceError:
        self._gone = True
        return NoServiceError("The service has stopped.")


def _parse(line: bytes) -> Event | None:
    try:
        value = json.loads(line)
    except (ValueError, RecursionError):
        return None
    return value if isinstance(value, dict) else None


def ask(folder: Path, request: Mapping[str, Any], timeout_s: float = 10.0) -> Event:
    """
    Send one request to the service of `folder`, return its reply: `{"to", "ok", "text", ...}`.

    Raises:
        NoServiceError: no service watches the folder, or it went before it replied.
        TimeoutError: no reply in time.
    """
    with Client.connect(folder) as client:
        return client.ask(request, timeout_s)


def greet(folder: Path, timeout_s: float = 10.0) -> Event:
    """Return the state the service of `folder` greets with; raises as `ask` does."""
    deadline = time.monotonic() + timeout_s
    with Client.connect(folder) as client:
        while (left := deadline - time.monotonic()) > 0:
            for event in client.receive(left):
                state = event.get("state")
                if event.get("event") == "hello" and isinstance(state, dict):
                    return state
    raise TimeoutError(f"The service did not answer within {timeout_s:g} s.")
