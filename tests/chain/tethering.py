"""What the camera tests share: a tether with somebody listening, and a mock camera whose body we can reach."""

from __future__ import annotations

import contextlib
import io
import os
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from lampblack.daemon.tether import Tether
from lampblack.mock_camera.body import FORMATS, Body, Card, Exposed, Settings
from lampblack.mock_camera.server import Server

DEADLINE_S = 30.0
JPEG, RAW_AND_JPEG = FORMATS[0], FORMATS[2]


class Desk:
    """A tether and everything it said."""

    def __init__(self, address: str, folder: Path, home: Path) -> None:
        self.events: list[dict[str, Any]] = []
        self._heard = threading.Condition()
        self.folder = folder
        self.tether = Tether(address, folder, self._hear, home=home)

    def _hear(self, event: dict[str, Any]) -> None:
        with self._heard:
            self.events.append(event)
            self._heard.notify_all()

    def until(self, what: Callable[[], Any], deadline_s: float = DEADLINE_S) -> Any:
        """Wait until something holds and return it; it is looked at whenever the tether says something."""
        until_s = time.monotonic() + deadline_s
        with self._heard:
            while not (found := what()):
                if time.monotonic() > until_s:
                    raise AssertionError(f"did not come about; the last news: {self.events[-6:]}")
                self._heard.wait(0.05)
            return found

    @property
    def camera(self) -> dict[str, Any]:
        """The camera's newest state."""
        return next((e["camera"] for e in reversed(self.events) if e["event"] == "camera"), {"state": None})

    @property
    def troubles(self) -> list[str]:
        return [e["text"] for e in self.events if e["event"] == "trouble"]

    @property
    def fetched(self) -> list[str]:
        return [os.fsdecode(os.path.basename(e["path"])) for e in self.events if e["event"] == "fetched"]

    def until_state(self, *states: str) -> dict[str, Any]:
        """Wait for the camera's state."""
        return self.until(lambda: self.camera if self.camera["state"] in states else None)

    def until_says(self, *texts: str) -> dict[str, Any]:
        """Wait until the camera's line holds one of these."""
        return self.until(lambda: self.camera if any(text in self.camera.get("text", "") for text in texts) else None)

    def until_fetched(self, count: int) -> list[str]:
        return self.until(lambda: self.fetched if len(self.fetched) >= count else None)

    def post(self, what: dict[str, object]) -> list[tuple[bool, str]]:
        """Ask without waiting; the list gets the answer."""
        answers: list[tuple[bool, str]] = []

        def done(ok: bool, text: str) -> None:
            with self._heard:
                answers.append((ok, text))
                self._heard.notify_all()

        self.tether.request(what, done)
        return answers

    def ask(self, **what: object) -> tuple[bool, str]:
        """Ask, and return the answer."""
        answers = self.post(what)
        return self.until(lambda: answers)[0]

    def files(self) -> dict[str, bytes]:
        """What lies in the shoot's folder."""
        return {path.name: path.read_bytes() for path in self.folder.iterdir() if path.is_file()}


@contextlib.contextmanager
def tethered(address: str, folder: Path) -> Iterator[Desk]:
    """A running tether; afterwards no thread, process or open file of it may be left."""
    before = _leftovers()
    desk = Desk(address, folder, folder.parent / "run")
    desk.tether.start()
    try:
        yield desk
    finally:
        desk.tether.stop()
    until_s = time.monotonic() + DEADLINE_S
    while not _no_more_than(left := _leftovers(), before):  # the mock closes its ends in its own time
        assert time.monotonic() < until_s, f"left behind: {left}, before: {before}"
        time.sleep(0.01)
    assert not list(folder.glob(".lampblack-part-*"))


def _no_more_than(left: tuple[set[str], int, str], before: tuple[set[str], int, str]) -> bool:
    return left[0] <= before[0] and left[1] <= before[1] and left[2] == before[2]


def _leftovers() -> tuple[set[str], int, str]:
    try:
        os.waitpid(-1, os.WNOHANG)
        children = "a child is left"
    except ChildProcessError:
        children = "none"
    return {thread.name for thread in threading.enumerate()}, len(os.listdir("/proc/self/fd")), children


class Camera:
    """The mock camera, its hands-on side; frames are small made-up files, each with its own bytes."""

    def __init__(self, server: Server, body: Body) -> None:
        self.server, self.body = server, body
        self.address = server.address

    def do(self, act: Callable[[Body], Any]) -> Any:
        """Do something to the body."""
        return self.server.do(act)

    def press(self) -> None:
        """Press the camera's own button, and wait until the frame is on the card."""
        before = len(self.on_card())
        self.do(lambda body: body.press())
        until_s = time.monotonic() + DEADLINE_S
        while len(self.on_card()) == before:
            assert time.monotonic() < until_s

    def on_card(self) -> dict[str, bytes]:
        """Every file on the card, by name."""

        def read(body: Body) -> dict[str, bytes]:
            items = [item for item in body.card.items.values() if not item.is_folder]
            return {item.name: body.card.read(item, 0, item.size) for item in items}

        return self.do(read)


def frame_bytes(name: str, size: int) -> bytes:
    """A file's content that is its own: its name over and over."""
    word = f"{name} ".encode()
    return (word * (size // len(word) + 1))[:size]


@contextlib.contextmanager
def camera(
    *, size: int = 50_000, port: int = 0, formats: tuple[str, ...] = JPEG, card: Card | None = None, **more: Any
) -> Iterator[Camera]:
    """A mock camera on loopback."""

    def take(settings: Settings, number: int) -> Exposed:
        endings = [{"jpeg": "JPG", "dng": "DNG"}[kind] for kind in settings.formats]
        return Exposed(tuple((end, frame_bytes(f"{number} {end}", size)) for end in endings), {})

    body = Body(card or Card(io.BytesIO()), formats=formats, **more)
    body.dial("shutter", "1/250")
    body.dial("iso", 100)
    with Server(body, take, port=port) as server:
        yield Camera(server, body)
