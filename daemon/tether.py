"""
The camera's keeper: starts the process that owns libgphoto2, watches it, and starts it anew when it dies.

Everything that may hang or crash is on the other side (`camera_child.py`). Here are the deadlines, the memory of what
was fetched, and the promises to those who asked for something. One thread does all of it; it sleeps in `select`.
"""

from __future__ import annotations

import contextlib
import ipaddress
import json
import logging
import os
import re
import selectors
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from lampblack.daemon.clean import clean

log = logging.getLogger(__name__)

Emit = Callable[[dict[str, object]], None]
Done = Callable[[bool, str], None]

CHILD = (sys.executable, "-P", "-m", "lampblack.daemon.camera_child")  # -P: no module out of the shoot's folder

DEADLINES_S: Mapping[str, float] = {
    "start": 30.0,
    "connect": 60.0,
    "learn": 60.0,
    "list": 120.0,  # without a word; every folder read is one
    "idle": 25.0,  # one USB wait is 20 s in the library
    "wait": 15.0,
    "set": 25.0,
    "fire": 110.0,  # the library waits up to 100 s for a capture
    "fetch": 60.0,  # and what its size needs
    "goodbye": 5.0,
}
"""How long the camera's process may be silent over each thing it does before it is taken for hung and killed."""

DOING = {
    "start": "starting",
    "connect": "connecting",
    "learn": "reading its settings",
    "list": "listing its card",
    "set": "setting the aperture",
    "fire": "firing",
    "fetch": "fetching a frame",
    "goodbye": "saying goodbye",
}

BACK_OFF_S = (0.5, 1.0, 2.0, 4.0, 8.0, 15.0)
SLOWEST_BYTES_PER_S = 200_000
"""A line slower than that is no line. (The library itself gives up a silent one after 2.5 s, over USB after 20 s.)"""
GOOD_S = 60.0
"""A connection that lasted so long starts the back-off anew."""
CRASH_TRIES = 3
LONGEST_LINE = 4 << 20
NO_CAMERA: Mapping[str, object] = {
    **{"state": "none", "text": "", "model": None, "serial": None, "address": None, "f_number": None, "f_numbers": []},
    **{"shutter": None, "shutter_s": None, "iso": None, "battery": None},
}


@dataclass
class _Card:
    """What is remembered of one body's card. Files are lists here, as they came: [folder, name, size, mtime, type]."""

    left: dict[tuple[Any, ...], None] = field(default_factory=dict)
    """On the card before the first connection: not ours to fetch."""
    have: dict[tuple[Any, ...], str] = field(default_factory=dict)
    """Fetched, and under which name; an empty name: given up."""

    def as_json(self) -> dict[str, object]:
        return {"left": [list(file) for file in self.left], "have": [[*file, name] for file, name in self.have.items()]}


@dataclass
class _Life:
    """One run of the camera's process."""

    process: subprocess.Popen[bytes]
    out: bytearray = field(default_factory=bytearray)
    buffers: dict[int, bytearray] = field(default_factory=dict)
    doing: str = "start"
    size: int = 0
    deadline_s: float = 0.0
    body: str = ""
    left: list[tuple[Any, ...]] = field(default_factory=list)
    connected: bool = False
    over: str = ""
    """Why it says it ended; empty if it just died."""
    hung: bool = False
    told_to_stop: bool = False


def check_address(address: str) -> None:
    """
    See that an address can be a camera's: `auto`, `usb:BUS,DEVICE`, or `ptpip:HOST[:PORT[:PORT]]`, HOST in numbers.

    Raises:
        ValueError: it can't; one line that says what can.
    """
    kind, _, place = address.partition(":")
    if address == "auto" or (kind == "usb" and re.fullmatch(r"\d{1,3},\d{1,3}", place)):
        return
    host, *ports = place.split(":")
    with contextlib.suppress(ValueError):
        ipaddress.IPv4Address(host)  # the library knows neither names nor IPv6
        if kind == "ptpip" and len(ports) <= 2 and all(port.isdecimal() and 0 < int(port) < 65536 for port in ports):
            return
    shown = clean(address, 60)
    raise ValueError(f"'{shown}' is no camera's address: write auto, ptpip:192.168.1.20 (numbers), or usb:001,004")


class Tether:
    """A camera, kept connected. Frames land in the folder, news go to `emit`."""

    def __init__(self, address: str, folder: Path, emit: Emit, *, home: Path) -> None:
        """
        Make one; nothing happens before `start`.

        Args:
            address: "auto" (the first camera on the USB), "usb:…", or "ptpip:HOST[:PORT[:PORT]]" with HOST in
                dotted numbers.
            folder: where frames land.
            emit: takes each piece of news; called from the tether's own thread, so it must be quick.
            home: a private folder for the library's settings (pairing with network cameras among them).
        """
        self._address, self._folder, self._emit, self._home = address, folder, emit, home
        self._device = folder.stat().st_dev
        self._thread = threading.Thread(target=self._run, name="tether")
        self._lock = threading.Lock()
        self._asked: list[tuple[dict[str, object], Done]] = []
        self._open = False
        self._stop_by_s: float | None = None
        self._wake_r, self._wake_w = -1, -1
        self._pid: int | None = None
        # From here on: the thread's own.
        self._promises: dict[int, Done] = {}
        self._count = 0
        self._camera: dict[str, object] = dict(NO_CAMERA)
        self._shown: dict[str, object] | None = None
        self._before = ""
        self._cards: dict[str, _Card] = {}
        self._tries: dict[tuple[Any, ...], int] = {}
        self._in_hand: tuple[Any, ...] | None = None
        self._complaints: set[str] = set()
        self._logged = ""

    # ---- for others

    def start(self) -> None:
        """Start looking for the camera; returns at once."""
        self._home.mkdir(mode=0o700, parents=True, exist_ok=True)
        self._wake_r, self._wake_w = os.pipe()
        os.set_blocking(self._wake_r, False)
        os.set_blocking(self._wake_w, False)
        self._open = True
        self._thread.start()

    def stop(self, timeout_s: float = 5.0) -> None:
        """Let the file in hand finish and the camera be told goodbye; after the time, end it anyway."""
        with self._lock:
            if not self._open:
                return
            self._stop_by_s = self._stop_by_s or time.monotonic() + timeout_s
            self._wake()
        self._thread.join()
        with self._lock:
            if self._wake_r >= 0:
                os.close(self._wake_r)
                os.close(self._wake_w)
                self._wake_r = self._wake_w = -1

    def request(self, what: Mapping[str, object], done: Done) -> None:
        """
        Ask for `{"do": "aperture", "f_number": 8.0}`, `{"do": "fire"}` or `{"do": "view", "on": True}`: an event
        `seen` then brings what the lens sees, in cells, before the answer.

        `done(ok, text)` is called exactly once, from the tether's thread (or at once, if that has ended).
        """
        with self._lock:
            if self._open:
                self._asked.append((dict(what), done))
                self._wake()
                return
        done(False, "The camera is not connected: its service is stopping.")

    @property
    def child_pid(self) -> int | None:
        """Return the camera process's id while there is one."""
        return self._pid

    # ---- the thread

    def _wake(self) -> None:
        with contextlib.suppress(BlockingIOError):  # a full pipe wakes as well
            os.write(self._wake_w, b"!")

    def _run(self) -> None:
        failures = 0
        try:
            while self._stop_by_s is None:
                began_s = time.monotonic()
                again_now = self._live()
                if time.monotonic() - began_s > GOOD_S:
                    failures = 0
                if not again_now:
                    self._pause(BACK_OFF_S[min(failures, len(BACK_OFF_S) - 1)])
                    failures += 1
        except Exception:
            log.exception("the tether failed")
            self._news(event="trouble", text="The camera's keeper failed; the log says why. Start the service again.")
        finally:
            with self._lock:
                self._open = False
                asked, self._asked = self._asked, []
            for done in [done for _, done in asked]:
                _call(done, False, "The camera is not connected: its service is stopping.")
            self._break_promises("The service stopped before the camera answered.")
            self._show(**NO_CAMERA)

    def _pause(self, pause_s: float) -> None:
        until_s = time.monotonic() + pause_s
        with selectors.DefaultSelector() as selector:
            selector.register(self._wake_r, selectors.EVENT_READ)
            while self._stop_by_s is None and (left_s := until_s - time.monotonic()) > 0:
                selector.select(left_s)
                self._drain_wake()
                self._refuse_asked()

    def _drain_wake(self) -> None:
        with contextlib.suppress(BlockingIOError):
            os.read(self._wake_r, 4096)

    def _news(self, **event: object) -> None:
        try:
            self._emit(event)
        except Exception:
            log.exception("nobody could be told: %s", event.get("event"))

    def _show(self, **news: object) -> None:
        self._camera.update(news)
        if self._camera != self._shown:
            self._shown = dict(self._camera)
            self._news(event="camera", camera=dict(self._camera))

    def _trouble(self, text: str) -> None:
        log.warning("%s", text)
        self._news(event="trouble", text=text)

    def _complain(self, text: str) -> None:
        """Say what keeps the connection away; the same thing again only after there was one."""
        if text not in self._complaints:
            self._complaints.add(text)
            self._trouble(text)

    def _break_promises(self, text: str) -> None:
        promises, self._promises = self._promises, {}
        for done in promises.values():
            _call(done, False, text)

    def _refuse_asked(self) -> None:
        with self._lock:
            asked, self._asked = self._asked, []
        for _, done in asked:
            _call(done, False, str(self._camera["text"]) or "No camera is connected.")

    # ---- one life of the camera's process

    def _live(self) -> bool:
        """Run the camera's process once; return whether it should be run again without a pause."""
        if not self._before:
            self._show(state="searching", text="Looking for the camera.")
        try:
            life = self._spawn()
        except OSError as error:
            self._trouble(f"The camera's process could not be started ({error.strerror}). Trying again.")
            return False
        self._pid = life.process.pid
        try:
            self._attend(life)
        finally:
            self._bury(life)
            self._pid = None
        if self._stop_by_s is not None:
            return True
        self._explain(life)
        return life.over == "recycle"

    def _spawn(self) -> _Life:
        environment = {k: v for k, v in os.environ.items() if not k.startswith(("LC_", "LANG"))}
        # The library keeps one file of settings for all programs of a user; ours must not be turned by another's.
        environment.update(HOME=str(self._home), LC_ALL="C.UTF-8", PYTHONUNBUFFERED="1")
        process = subprocess.Popen(
            CHILD,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env=environment,
            start_new_session=True,  # a terminal's Ctrl-C is for us; the camera is told goodbye in order
        )
        life = _Life(process, deadline_s=time.monotonic() + DEADLINES_S["start"])
        for pipe in (process.stdin, process.stdout, process.stderr):
            assert pipe is not None
            os.set_blocking(pipe.fileno(), False)
        self._send(
            life,
            do="begin",
            address=self._address,
            folder=os.fsencode(self._folder).hex(),
            device=self._device,
            bodies={body: card.as_json() for body, card in self._cards.items()},
            in_hand=self._in_hand,
            tries=[[*file, tries] for file, tries in self._tries.items()],
            before=self._before,
            camera=self._camera,
        )
        return life

    @staticmethod
    def _send(life: _Life, **order: object) -> None:
        life.out += json.dumps(order).encode() + b"\n"

    def _attend(self, life: _Life) -> None:
        """Serve the process until it ends or hangs."""
        process = life.process
        assert process.stdin is not None
        assert process.stdout is not None
        assert process.stderr is not None
        with selectors.DefaultSelector() as selector:
            for source in (process.stdout, process.stderr):
                selector.register(source, selectors.EVENT_READ)
                life.buffers[source.fileno()] = bytearray()
            selector.register(self._wake_r, selectors.EVENT_READ)
            while len(selector.get_map()) > 1:  # until both its mouths are shut
                self._write(life, selector)
                for key, _ in selector.select(max(0.0, min(life.deadline_s - time.monotonic(), 1.0))):
                    if key.fileobj is process.stdin:
                        continue
                    if key.fd == self._wake_r:
                        self._drain_wake()
                    elif not self._read(life, key.fd):
                        selector.unregister(key.fileobj)
                self._pass_on(life)
                if time.monotonic() > life.deadline_s:
                    life.hung = True
                    return

    def _write(self, life: _Life, selector: selectors.BaseSelector) -> None:
        """Hand over what waits; a child that reads slowly is waited for in the selector."""
        stdin = life.process.stdin
        assert stdin is not None
        try:
            while life.out:
                del life.out[: os.write(stdin.fileno(), life.out[:65536])]
        except BlockingIOError:
            pass
        except BrokenPipeError:
            life.out.clear()
        watched = stdin in selector.get_map()
        if life.out and not watched:
            selector.register(stdin, selectors.EVENT_WRITE)
        elif watched and not life.out:
            selector.unregister(stdin)

    def _read(self, life: _Life, fd: int) -> bool:
        """Take what came; return False at the end of the stream."""
        try:
            piece = os.read(fd, 65536)
        except BlockingIOError:
            return True
        buffer = life.buffers[fd]
        buffer += piece
        *lines, rest = buffer.split(b"\n")
        buffer[:] = rest[:LONGEST_LINE]
        assert life.process.stderr is not None
        for line in lines:
            if fd == life.process.stderr.fileno():
                self._log_once(clean(bytes(line), 300))
            else:
                self._take(life, bytes(line))
        return bool(piece)

    def _log_once(self, text: str) -> None:
        """Log what the process says; a library that repeats itself at each try, once."""
        if text != self._logged:
            self._logged = text
            log.info("camera process: %s", text)

    def _pass_on(self, life: _Life) -> None:
        """Pass on what was asked, or refuse it."""
        if self._stop_by_s is not None and not life.told_to_stop:
            life.told_to_stop = True
            self._send(life, do="stop")
        if life.told_to_stop and self._stop_by_s is not None:
            life.deadline_s = min(life.deadline_s, self._stop_by_s)
        if not life.connected or life.told_to_stop:
            self._refuse_asked()
            return
        with self._lock:
            asked, self._asked = self._asked, []
        for what, done in asked:
            self._count += 1
            self._promises[self._count] = done
            self._send(life, **{**what, "n": self._count})

    def _bury(self, life: _Life) -> None:
        """End the process whatever it does, and close all that led to it."""
        process = life.process
        if life.hung:
            process.kill()
        try:
            process.wait(timeout=2.0)
        except subprocess.TimeoutExpired:  # its pipes are shut, but it lives
            process.kill()
            process.wait()
        for pipe in (process.stdin, process.stdout, process.stderr):
            assert pipe is not None
            with contextlib.suppress(BrokenPipeError):
                pipe.close()

    def _explain(self, life: _Life) -> None:
        """Say what became of the process, where it did not say so itself."""
        name = str(self._camera["model"] or "the camera")
        if life.hung:
            text = f"{name} gave no answer while {DOING.get(life.doing, 'waiting')}. Connecting again."
            self._fail(life, text[0].upper() + text[1:])
        elif not life.over:
            cause = _cause(life.process.returncode)
            self._fail(life, f"The camera's driver stopped ({cause}). Starting it again.")
        self._break_promises("The connection broke before the camera answered: see whether it fired.")

    def _fail(self, life: _Life, text: str) -> None:
        self._complain(text)
        self._show(state="lost", text=text)
        if life.doing == "fetch" and self._in_hand is not None:
            self._count_failure(life, self._in_hand)

    def _count_failure(self, life: _Life, file: tuple[Any, ...]) -> None:
        """A file that brings the driver down again and again must not keep it down."""
        self._tries[file] = self._tries.get(file, 0) + 1
        if self._tries[file] >= CRASH_TRIES and life.body in self._cards:
            self._cards[life.body].have[file] = ""
            name = clean(str(file[1]), 60)
            self._trouble(f"{name} stops the camera's driver each time. It stays on the card: copy it from there.")

    # ---- what the process says

    def _take(self, life: _Life, line: bytes) -> None:
        said: Any = None
        with contextlib.suppress(ValueError):  # cut off in the middle by a crash, or printed by a library past all care
            said = json.loads(line)
        if not isinstance(said, dict) or "say" not in said:
            log.warning("the camera process said something odd: %s", clean(line))
            return
        what = said["say"]
        if what == "doing":
            life.doing, life.size = said["what"], max(0, said["size"])
        life.deadline_s = time.monotonic() + DEADLINES_S[life.doing] + life.size / SLOWEST_BYTES_PER_S
        if what in ("camera", "trouble", "done", "over", "connected", "seen"):
            self._take_news(life, what, said)
        elif "file" in said or what in ("body", "left"):
            self._take_card(life, what, said)

    def _take_news(self, life: _Life, what: str, said: dict[str, Any]) -> None:
        if what == "camera":
            self._show(**said["camera"])
        elif what == "trouble":
            self._trouble(said["text"])
        elif what == "seen":
            self._news(event="seen", cells=said["cells"])
        elif what == "done":
            done = self._promises.pop(said["n"], None)
            if done is not None:
                _call(done, bool(said["ok"]), said["text"])
        elif what == "connected":
            life.connected = True
            self._complaints.clear()
            self._before = str(self._camera["model"] or "The camera")
        elif what == "over":
            life.over = said["why"]
            if said["text"]:
                state = {"asleep": "asleep", "claimed": "busy"}.get(life.over, "lost")
                self._show(state=state, text=said["text"])
                if state != "asleep":
                    self._complain(said["text"])

    def _take_card(self, life: _Life, what: str, said: dict[str, Any]) -> None:
        if what == "body":
            life.body = said["key"]
        elif what == "left" and said["files"] is not None:
            life.left += [tuple(file) for file in said["files"]]
        elif what == "left":
            self._cards[life.body] = _Card(left=dict.fromkeys(life.left))
        else:
            self._take_file(self._cards[life.body], what, tuple(said["file"]), said)

    def _take_file(self, card: _Card, what: str, file: tuple[Any, ...], said: dict[str, Any]) -> None:
        if what == "fetching":
            self._in_hand = file
        elif what == "not left":
            card.left.pop(file, None)
        elif what == "given up":
            card.have[file] = ""
        elif what == "fetched":
            self._in_hand = None
            self._tries.pop(file, None)
            card.have[file] = said["name"]
            self._news(event="fetched", path=os.fsencode(self._folder / said["name"]))


def _call(done: Done, ok: bool, text: str) -> None:
    try:
        done(ok, text)
    except Exception:
        log.exception("whoever asked the camera for something could not be told")


def _cause(code: int) -> str:
    """
    Return how a process ended, in a word or two.

    >>> _cause(-11), _cause(1)
    ('SIGSEGV', 'exit code 1')
    """
    if code < 0:
        with contextlib.suppress(ValueError):
            return signal.Signals(-code).name
    return f"exit code {code}"
