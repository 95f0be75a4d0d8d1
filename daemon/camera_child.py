"""
The process that owns libgphoto2: one connection to one camera, from the first hello to the last goodbye.

libgphoto2 can crash, hang and hold Python's lock, so it lives here, alone. `tether.py` starts this process, gives it
orders on its standard input, reads reports from its standard output (one JSON object a line, both ways), and starts it
anew when it dies. One thread, the main one, makes every libgphoto2 call; a second one only reads orders.

A connection that broke is never mended here: the drivers keep state of their own, and a new process has none.
"""

from __future__ import annotations

import contextlib
import faulthandler
import json
import math
import os
import queue
import sys
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TextIO

from lampblack.daemon import dials
from lampblack.daemon.camera_body import (
    ABSENT,
    BAD_PARAMETERS,
    BUSY,
    CANNOT,
    CLAIMED,
    FILE_GONE,
    NO_SPACE,
    NO_VIEW,
    NOT_SUPPORTED,
    SLICE_MS,
    Body,
    Dial,
    first_port,
    holder_of,
    meaning,
    settle_library,
    too_old,
)
from lampblack.daemon.clean import clean, clean_name
from lampblack.daemon.landing import NO_ROOM, CardFile, Landing

MEMORY_LIMIT_BYTES = 1 << 30  # packet sizes are trusted by the library before it allocates
RECYCLE_BYTES = 700 << 20  # resident: several times what one large raw file needs; the library leaks a little

ACTIVE_PAUSE_S, IDLE_PAUSE_S = 0.02, 0.1  # where waiting for an event returns at once, as it does over PTP/IP
ACTIVE_FOR_S = 30.0
PROBE_S = 5.0  # idle network sessions are dropped after about 30 s; a dial turned by hand shows within this
QUIET_S, COMPLETE_QUIET_S = 1.5, 0.15  # a shot is over this long after its last file; sooner if the camera says so
SHOT_CAP_S = 30.0  # beyond twice the exposure time: then no more files are expected
COMPLETE_CAP_S = 10.0  # the same, once the camera said that it is done
BUSY_S = 10.0  # how long a busy camera is given an order again
BUSY_PAUSE_S = 0.25
LONG_BUSY_S = 60.0  # then a new connection is tried
REREAD_S = 0.3  # between two readings of the dials, however many changes are announced
SETTLE_S = 4.0  # some bodies step towards a setting for seconds
FETCH_TRIES = 3
RETRY_S = (0.5, 1.0, 2.0, 4.0, 8.0, 15.0, 30.0, 60.0)
SEARCH_S = (0.5, 1.0, 2.0, 3.0)
CLAIMED_S = 5.0
SEARCHES = 300  # port scans have leaked; a new process after so many costs nothing
LOW_BATTERY_PERCENT = 10


STORE_FULL = "400a"  # PTP's event of that name, ISO 15740


class Stopping(Exception):  # noqa: N818  it is no error
    """The parent wants us to end, or is gone."""


class Lost(Exception):  # noqa: N818  it is no error
    """The connection is of no more use; `why` is one of the words the parent knows."""

    def __init__(self, why: str, text: str) -> None:
        """Carry a line for a person."""
        super().__init__(text)
        self.why, self.text = why, text


@dataclass
class ShotInHand:
    """One press of the shutter, from the order or the first file until things are quiet."""

    ends_s: float
    order: int | None = None
    files: int = 0
    quiet_s: float = math.inf
    """When it is over, if nothing more comes."""


@dataclass
class Pending:
    """A file on the card that is not in the folder yet."""

    file: CardFile
    failures: int = 0
    """How often the camera did not hand it over; a full disk is no failure of it."""
    waits: int = 0
    due_s: float = 0.0


@dataclass
class Memory:
    """What the parent remembers of one body's card from connection to connection."""

    left: set[CardFile] = field(default_factory=set)
    have: dict[CardFile, str] = field(default_factory=dict)
    """File -> name in the folder; an empty name is a file that was given up."""

    def new_on(self, card: list[CardFile]) -> list[CardFile]:
        """
        Return the frames on the card that came since the first connection and are not fetched, oldest first.

        If nothing that was known is there any more, the card was changed or emptied: then whatever is older than
        the newest frame known is somebody else's, and left alone.
        """
        known = self.left | self.have.keys()
        fresh = [file for file in card if file not in known and file.suffix is not None]
        if known and known.isdisjoint(card):
            newest = max(file.mtime for file in known)
            fresh = [file for file in fresh if not file.mtime or file.mtime >= newest]
        return sorted(fresh, key=lambda file: (file.mtime, file.folder, file.name))


# ------------------------------------------------------------------------------------------- the process


class Child:
    """What this process does, in the order it does it."""

    def __init__(self, gp: Any, out: TextIO, orders: queue.SimpleQueue[dict[str, Any] | None]) -> None:
        """Take the first order, which says what to connect to and what is known already."""
        self._gp, self._out, self._orders = gp, out, orders
        begin = self._next_order(timeout_s=30.0)
        if begin is None:
            raise Stopping
        self._address = str(begin["address"])
        self._landing = Landing(Path(os.fsdecode(bytes.fromhex(begin["folder"]))), begin.get("device"))
        self._memories = {body: _memory(stored) for body, stored in begin["bodies"].items()}
        self._in_hand = CardFile(*begin["in_hand"]) if begin["in_hand"] else None
        self._tries: dict[CardFile, int] = {CardFile(*file): int(n) for *file, n in begin["tries"]}
        self._before = str(begin["before"])
        """The model's name if there was a connection before, else empty."""
        self._memory = Memory()
        self._first = False
        """Whether this connection is the one that saw the card first."""
        self._here: set[CardFile] = set()
        """On the card when this connection began, or announced since."""
        self._pending: dict[CardFile, Pending] = {}
        self._shot: ShotInHand | None = None
        self._later: list[dict[str, Any]] = []
        self._camera: dict[str, Any] = dict(begin["camera"])
        self._lens: Dial | None = None
        self._time: Dial | None = None
        self._largest = 1
        """Bytes of the largest frame so far: what the next one is expected to need."""
        self._no_room: str | None = None
        self._card_full = False
        self._low = False
        self._dirty = False
        self._beaten_s = 0.0
        self._active_s = self._probed_s = time.monotonic()

    # ---- talk

    def say(self, say: str, **more: object) -> None:
        """Report to the parent."""
        self._out.write(json.dumps({"say": say, **more}) + "\n")
        self._out.flush()

    def _trouble(self, text: str) -> None:
        self.say("trouble", text=clean(text, 300))

    def _doing(self, what: str, size: int = 0) -> None:
        """Tell the parent which deadline counts from now; over PTP/IP a transfer gives no sign until it is done."""
        self._beaten_s = time.monotonic()
        self.say("doing", what=what, size=size)

    def _beat(self) -> None:
        now = time.monotonic()
        if now - self._beaten_s > 0.5:
            self._beaten_s = now
            self.say("beat")

    def _tell(self, **news: object) -> None:
        """Report the camera's state; the parent drops repeats."""
        self._camera.update(news)
        self.say("camera", camera=self._camera)

    def _answer(self, order: int | None, ok: bool, text: str) -> None:
        if order is not None:
            self.say("done", n=order, ok=ok, text=clean(text))

    def _next_order(self, timeout_s: float) -> dict[str, Any] | None:
        """Return the next order within the time, or None; the end of the stream is an order to stop."""
        try:
            order = self._orders.get(timeout=timeout_s)
        except queue.Empty:
            return None
        if order is None or order["do"] == "stop":
            raise Stopping
        return order

    # ---- connect

    def run(self) -> None:
        """Connect, serve until told to stop or the connection is lost, and say goodbye."""
        try:
            self._landing.sweep()
        except OSError as error:
            self._trouble(
                f"The shoot's folder cannot be used ({error.strerror}). Frames stay on the card until it can."
            )
        body, polite = self._connect(), True
        try:
            self._patiently(lambda: self._settle(body))
            while True:
                self._patiently(lambda: self._turn(body))
        except Stopping:
            if self._pending:
                self._trouble(
                    f"Frames that are still only on the camera's card: {len(self._pending)}. Copy them from there."
                )
            raise
        except self._gp.GPhoto2Error as error:
            polite = not body.address.startswith("ptpip:")  # a dead line would only keep us waiting
            raise self._lost(error) from error
        finally:
            if polite:
                self._goodbye(body)

    def _goodbye(self, body: Body) -> None:
        self._doing("goodbye")
        with contextlib.suppress(self._gp.GPhoto2Error):
            body.close()

    def _patiently(self, act: Callable[[], None]) -> None:
        """Do it, again and again while all the camera answers is that it is busy."""
        began_s = time.monotonic()
        while True:
            try:
                act()
            except self._gp.GPhoto2Error as error:
                if error.code != BUSY:
                    raise
                name = self._camera["model"] or "The camera"
                if time.monotonic() - began_s > LONG_BUSY_S:
                    text = f"{name} has been busy for a minute. Look at its battery; switch it off and on."
                    raise Lost("lost", text) from error
                self._tell(state="busy", text=f"{name} is busy. Waiting for it.")
                self._dirty = True
                self._doing("wait")
                self._wait(BUSY_PAUSE_S, refusing=False)
                self._doing("idle")
            else:
                return

    def _connect(self) -> Body:
        for attempt in range(SEARCHES):
            self._doing("connect")
            try:
                return Body(self._gp, self._address)
            except self._gp.GPhoto2Error as error:
                pause_s = self._not_there(error.code, attempt)
            self._doing("wait")
            self._wait(pause_s, refusing=True)
        raise Lost("recycle", "")

    def _not_there(self, code: int, attempt: int) -> float:
        """Say why there is no connection, and return how long to wait before trying again."""
        if code == CLAIMED:
            port = self._address if self._address.startswith("usb:") else first_port(self._gp)
            self._tell(state="busy", text=clean(f"Another program holds the camera. {holder_of(port)}"))
            if attempt == 0:
                self._trouble(self._camera["text"])
            return CLAIMED_S
        if code == BUSY:
            self._tell(state="busy", text="The camera is busy and lets nobody in yet. Trying again.")
        elif code in ABSENT or code == BAD_PARAMETERS:
            state = self._camera["state"] if self._before else "searching"
            self._tell(state=state, text=absence(self._address, self._before, attempt, code))
        else:
            raise Lost("lost", f"The camera does not let us in: {meaning(code)}.")
        return SEARCH_S[min(attempt, len(SEARCH_S) - 1)]

    def _wait(self, pause_s: float, *, refusing: bool) -> None:
        """Wait; orders that come meanwhile are refused, or kept a while."""
        until = time.monotonic() + pause_s
        while (left_s := until - time.monotonic()) > 0:
            order = self._next_order(left_s)
            if order is not None:
                self._later.append(order)
            self._refuse_later(0.0 if refusing else BUSY_S)

    def _refuse_later(self, age_s: float) -> None:
        """Refuse the orders that have waited so long."""
        now = time.monotonic()
        old = [order for order in self._later if now - order.setdefault("came_s", now) >= age_s]
        self._later = [order for order in self._later if order not in old]
        for order in old:
            self._answer(order["n"], False, str(self._camera["text"]))

    def _lost(self, error: Any) -> Lost:
        name = self._camera["model"] or "The camera"
        if error.code == CLAIMED:
            return Lost("claimed", f"{name} was taken by another program. {holder_of(self._camera['address'] or '')}")
        if self._quiet(time.monotonic()):
            return Lost(
                "asleep", f"{name} does not answer any more: asleep, off or unplugged. Press its shutter half way."
            )
        return Lost("lost", f"The connection to {name} broke ({meaning(error.code)}). Connecting again.")

    def _quiet(self, now: float) -> bool:
        return self._shot is None and not self._pending and now - self._active_s > PROBE_S - 1

    def _settle(self, body: Body) -> None:
        """Learn who this is, set the card as target, and look at the card, once per connection."""
        self._doing("learn")
        about = body.learn()
        model = " ".join(_model(about).split()) or "Camera"
        serial = about.get("eosserialnumber") or about.get("serialnumber") or None
        self._tell(
            address=clean(body.address), model=model, serial=serial, state="busy", text=f"{model}: reading the card"
        )
        # Without a card nothing is set: a body that is told to keep frames where it can't does not fire.
        if not body.has_card():
            self._trouble(f"No card in {model}: its frames are kept here alone. A card keeps them twice.")
        elif (stands := body.keep_on_card()) is not None:
            self._trouble(
                f"{model} does not keep frames on its card (it stands at {clean(stands)}). Set that in the camera."
            )
        self._look_at_card(body, f"{model}|{serial or ''}")
        self._read_dials(body)
        self.say("connected")  # first: whoever hears "ready" may ask for something
        self._report_ready()
        self._doing("idle")

    def _look_at_card(self, body: Body, key: str) -> None:
        self._doing("list")
        card = body.card(self._beat)
        self._here = set(card)
        self.say("body", key=key)
        if key not in self._memories:
            self._memory = Memory(left=set(card))
            for start in range(0, len(card), 500):
                self.say("left", files=[_stored(file) for file in card[start : start + 500]])
            self.say("left", files=None)  # that was all of it
            self._first = True
            return
        self._memory = self._memories[key]
        for file, name in self._memory.have.items():
            if name:
                self._landing.remember(file, name)
        for file in self._memory.new_on(card):
            self._want(file)

    # ---- the loop

    def _turn(self, body: Body) -> None:
        """Do one round: an event or a little wait, an order, a file, whatever is due."""
        started = time.monotonic()
        kind, data = body.event()
        if kind == self._gp.GP_EVENT_TIMEOUT:
            self._rest(started)
        else:
            self._active_s = started
            self._take_event(body, kind, data)
        self._take_orders(body)
        self._fetch_due(body)
        self._end_shot(body)
        self._look_after(body)
        self._beat()

    def _rest(self, started: float) -> None:
        """Sleep where waiting for an event did not wait; an order ends it."""
        if time.monotonic() - started > SLICE_MS / 2000:
            return
        due = any(pending.due_s <= started for pending in self._pending.values())
        active = self._shot is not None or started - self._active_s < ACTIVE_FOR_S
        order = self._next_order(0.001 if due else ACTIVE_PAUSE_S if active else IDLE_PAUSE_S)
        if order is not None:
            self._later.append(order)

    def _take_event(self, body: Body, kind: int, data: Any) -> None:
        gp = self._gp
        if kind == gp.GP_EVENT_FILE_ADDED:
            self._take_file(body, data.folder, data.name)
        elif kind == gp.GP_EVENT_FILE_CHANGED:
            self._refresh(body, data.folder, data.name)
        elif kind == gp.GP_EVENT_CAPTURE_COMPLETE:
            self._complete(time.monotonic())
        elif kind == gp.GP_EVENT_UNKNOWN:
            text = str(data or "").lower()
            if STORE_FULL in text:
                self._full()
            self._dirty = self._dirty or "propert" in text

    def _complete(self, now: float) -> None:
        """The camera says that the shot is over; where it says so before its files, they are waited for a while."""
        if self._shot is None:
            return
        if self._shot.files:
            self._shot.quiet_s = now + COMPLETE_QUIET_S
        else:
            self._shot.ends_s = min(self._shot.ends_s, now + COMPLETE_CAP_S)

    def _take_file(self, body: Body, folder: str, name: str) -> None:
        try:
            file = body.file(folder, name)
        except self._gp.GPhoto2Error as error:
            if error.code in FILE_GONE:  # the library could not ask what it is: a new connection lists it afresh
                raise Lost("recycle", "") from error
            if error.code not in (NOT_SUPPORTED, BAD_PARAMETERS):
                raise
            file = CardFile(folder, name, -1)  # handed over from memory, with nothing said of it
        if file.suffix is None or not self._is_news(file):
            return
        now = time.monotonic()
        self._card_full = False
        if self._shot is None:
            self._shot = ShotInHand(ends_s=now + SHOT_CAP_S)
            self._tell(state="busy", text=f"{self._camera['model']}: a frame was taken")
        self._shot.files += 1
        self._shot.quiet_s = now + QUIET_S
        self._want(file)

    def _refresh(self, body: Body, folder: str, name: str) -> None:
        """A file changed after it was announced: if it is still to be fetched, ask again how long it is."""
        for file in [file for file in self._pending if (file.folder, file.name) == (folder, name)]:
            pending = self._pending.pop(file)
            fresh = body.file(folder, name)
            self._pending[fresh] = Pending(fresh, pending.failures, pending.waits, pending.due_s)

    def _want(self, file: CardFile) -> None:
        if file not in self._pending:
            self._pending[file] = Pending(file, self._tries.get(file, 0))

    def _is_news(self, file: CardFile) -> bool:
        """Return whether an announced file is a new one; bodies announce some twice."""
        if self._first and file in self._memory.left:  # shot while we were still reading the card
            self._memory.left.discard(file)
            self.say("not left", file=_stored(file))
            return True
        known = file in self._here and file.size >= 0  # without a size it is a name used again and again
        self._here.add(file)
        return not known

    def _full(self) -> None:
        if not self._card_full:
            self._card_full = True
            self._trouble("The camera's card is full: put in another, or empty it in the camera.")
        if self._shot is not None and not self._shot.files:
            self._answer(self._shot.order, False, "The camera's card is full.")
            self._shot = None
            self._report_ready()

    def _end_shot(self, body: Body) -> None:
        shot, now = self._shot, time.monotonic()
        if shot is None or now < min(shot.quiet_s, shot.ends_s):
            return
        if now < shot.ends_s and any(not pending.waits for pending in self._pending.values()):
            return  # its files are still on their way
        self._shot = None
        try:
            self._read_dials(body)
            self._report_ready()
        finally:
            self._answer(shot.order, *self._outcome(shot))
        if shot.files == 0:  # a busy camera may swallow the announcement: a new connection lists the card afresh
            raise Lost("recycle", "")

    def _outcome(self, shot: ShotInHand) -> tuple[bool, str]:
        if shot.files == 0:
            return False, "The camera fired, but no frame came."
        if self._no_room is not None:
            return True, f"Fired. {self._no_room}"
        return True, "Fired." if shot.files == 1 else f"Fired: {shot.files} files."

    def _look_after(self, body: Body) -> None:
        """Read the dials again when the camera hinted at a change, and now and then; watch our own size."""
        now = time.monotonic()
        if self._shot is not None or now - self._probed_s < (REREAD_S if self._dirty else PROBE_S):
            return
        self._read_dials(body)
        self._report_ready()
        if not self._pending and _resident_bytes() > RECYCLE_BYTES:
            raise Lost("recycle", "")

    # ---- orders

    def _take_orders(self, body: Body) -> None:
        with contextlib.suppress(queue.Empty):
            while True:
                order = self._orders.get_nowait()
                if order is None or order["do"] == "stop":
                    raise Stopping
                self._later.append(order)
        while self._later and self._shot is None:
            order = self._later.pop(0)
            self._active_s = time.monotonic()
            try:
                if order["do"] == "aperture":
                    self._set_aperture(body, order["n"], float(order["f_number"]))
                elif order["do"] == "shutter":
                    self._set_shutter(body, order["n"], float(order["shutter_s"]))
                elif order["do"] == "balance":
                    self._set_balance(body, order["n"], order)
                elif order["do"] == "view":
                    self._view(body, order["n"], bool(order["on"]))
                else:
                    self._fire(body, order["n"])
            except self._gp.GPhoto2Error as error:
                if error.code == BUSY and order["do"] in ("aperture", "shutter", "balance"):
                    self._later.insert(0, order)
                else:  # if it was answered before, the first answer counts
                    self._answer(order["n"], False, f"The camera did not answer: {meaning(error.code)}.")
                raise

    def _fire(self, body: Body, n: int) -> None:
        self._doing("fire")
        self._tell(state="busy", text=f"{self._camera['model']}: firing")
        code = self._while_busy(body.trigger)
        self._doing("idle")
        if code is None:
            exposure_s = self._camera["shutter_s"] or 0.0
            self._shot = ShotInHand(ends_s=time.monotonic() + SHOT_CAP_S + 2 * exposure_s, order=n)
            return
        text = f"The camera did not fire: {meaning(code)}."
        if code in (CANNOT, NO_SPACE):
            text = self._why_not(body, code)
        self._answer(n, False, text)
        self._read_dials(body)  # fails if the connection is what is wrong
        self._report_ready()

    def _view(self, body: Body, n: int, on: bool) -> None:
        """Report what the lens sees now in a few cells, or have the body stop showing it."""
        self._doing("set")
        if not on:
            body.end_view()
            self._answer(n, True, "The camera shows nothing more.")
        else:
            seen: list[bytes | None] = []
            code = self._while_busy(lambda: seen.append(body.view()))
            data = seen[-1] if seen else None
            cells = None if data is None else _cells(data)
            if cells is not None:
                self.say("seen", cells=cells)
            self._answer(n, cells is not None, "Seen." if cells else meaning(code) if code else NO_VIEW)
        self._doing("idle")

    def _why_not(self, body: Body, code: int) -> str:
        """The library says only "error" where the camera said that its card is full."""
        room = None if code == NO_SPACE else body.free_bytes()
        if code == NO_SPACE or (room is not None and room < self._largest):
            self._full()
            return "The camera's card is full: put in another, or empty it in the camera."
        return "The camera did not fire: look at its own display (focus, card, mode)."

    def _while_busy(self, act: Callable[[], None]) -> int | None:
        """Do it, again and again while the camera is busy; return None when done, else the last error's code."""
        until = time.monotonic() + BUSY_S
        pause_s = 0.05
        while True:
            try:
                act()
            except self._gp.GPhoto2Error as error:
                if error.code != BUSY or time.monotonic() > until:
                    return int(error.code)
            else:
                return None
            self._beat()
            time.sleep(pause_s)
            pause_s = min(2 * pause_s, 0.5)

    def _set_aperture(self, body: Body, n: int, wanted: float) -> None:
        def choice(dial: Dial) -> tuple[dials.Choice, str] | None:
            found = dials.find(dial.choices, wanted)
            return None if found is None else (found, f"f/{found.number:g}")

        def shown() -> str | None:
            return None if self._camera["f_number"] is None else f"f/{self._camera['f_number']:g}"

        self._doing("set")
        self._read_dials(body)
        done, text = self._set(body, self._lens, choice, shown) or (False, self._cannot_set(self._lens, wanted))
        self._settled(n, done, "Aperture", text)

    def _set_shutter(self, body: Body, n: int, wanted_s: float) -> None:
        def choice(dial: Dial) -> tuple[dials.Choice, str] | None:
            found = dials.find_time(dial.choices, wanted_s)
            return None if found is None else (found, f"{dials.shutter_text(found.text)} s")

        def shown() -> str | None:
            return None if self._camera["shutter"] is None else f"{self._camera['shutter']} s"

        self._doing("set")
        self._read_dials(body)
        cannot = "The camera does not let this time be set from here: set it on the camera (mode M)."
        done, text = self._set(body, self._time, choice, shown) or (False, cannot)
        self._settled(n, done, "Time", text)

    def _set_balance(self, body: Body, n: int, order: Mapping[str, Any]) -> None:
        """Set the white balance to a temperature: `kelvin`, or by so many `mireds` from where it stands."""
        self._doing("set")
        modes, by_kelvin = body.dial(dials.BALANCE_WIDGETS), body.dial(dials.KELVIN_WIDGETS)
        if modes is None or modes.readonly:
            done, text = False, "The camera does not let its balance be set from here."
        elif (wanted := order.get("kelvin") or _moved_by(_stands_at(modes, by_kelvin), order["mireds"])) is None:
            done, text = False, f"The camera's balance stands at {modes.text or '?'}, which tells no temperature."
        else:
            done, text = self._to_kelvin(body, modes, by_kelvin, wanted) or self._to_named(body, modes, wanted)
        self._settled(n, done, "Balance", clean(text))

    def _to_kelvin(self, body: Body, modes: Dial, by_kelvin: Dial | None, wanted_k: float) -> tuple[bool, str] | None:
        """Set the dial in kelvin, if there is one."""
        mode = next((choice for choice in modes.choices if choice.number == dials.BY_KELVIN), None)
        choice = None if by_kelvin is None else dials.nearest_balance(by_kelvin.choices, wanted_k)
        if mode is None or by_kelvin is None or by_kelvin.readonly or choice is None:
            return None
        done, text = self._turn_to(body, modes, mode, mode.text, lambda: _text(body, dials.BALANCE_WIDGETS))
        if not done:
            return False, text
        done, text = self._turn_to(body, by_kelvin, choice, choice.text, lambda: _text(body, dials.KELVIN_WIDGETS))
        return done, f"{choice.number:.0f} K." if done else text

    def _to_named(self, body: Body, modes: Dial, wanted_k: float) -> tuple[bool, str]:
        choice = dials.nearest_balance(modes.choices, wanted_k)
        if choice is None or abs(1e6 / choice.number - 1e6 / wanted_k) > _NEAR_MIREDS:
            return False, f"The camera offers no balance near {wanted_k:.0f} K from here."
        done, text = self._turn_to(body, modes, choice, choice.text, lambda: _text(body, dials.BALANCE_WIDGETS))
        return done, f"{choice.text}, made for about {choice.number:.0f} K." if done else text

    def _settled(self, n: int, done: bool, what: str, text: str) -> None:
        self._report_ready()
        self._doing("idle")
        self._answer(n, done, f"{what} {text}" if done else text)

    def _set(
        self,
        body: Body,
        dial: Dial | None,
        choice: Callable[[Dial], tuple[dials.Choice, str] | None],
        shown: Callable[[], str | None],
    ) -> tuple[bool, str] | None:
        """Set, read back, compare; return whether it stands and a text, or None where it can't be set at all."""
        found = None if dial is None or dial.readonly else choice(dial)
        return None if dial is None or found is None else self._turn_to(body, dial, *found, shown)

    def _cannot_set(self, lens: Dial | None, wanted: float) -> str:
        if lens is None:
            return "This camera does not let its aperture be set from here: turn it on the lens."
        if lens.readonly:
            return READ_ONLY
        if not lens.choices:
            return "The camera offers no apertures: is a lens on it?"
        return (
            f"The camera does not offer f/{wanted:g}; the nearest is f/{dials.nearest(lens.choices, wanted).number:g}."
        )

    def _turn_to(
        self, body: Body, dial: Dial, choice: dials.Choice, mark: str, shown: Callable[[], str | None]
    ) -> tuple[bool, str]:
        until = time.monotonic() + SETTLE_S
        for _ in range(2):  # some bodies lose the first order
            code = self._while_busy(lambda: body.turn(dial, choice))
            if code is not None:
                self._read_dials(body)
                now = body.dial((dial.widget,))  # somebody may have turned the mode dial since it was read
                locked = now is not None and now.readonly
                return False, LOCKED if locked else f"The camera did not take {mark}: {meaning(code)}."
            while time.monotonic() < until:
                self._read_dials(body)
                if shown() == mark:
                    return True, f"{mark}."
                self._beat()
                time.sleep(0.1)
            until += SETTLE_S
        where = shown() or "something else"
        return False, f"Asked for {mark}, but the camera stands at {where}. Set it on the camera."

    # ---- dials

    def _read_dials(self, body: Body) -> None:
        lens = body.dial(dials.APERTURE_WIDGETS)
        shutter = body.dial(dials.SHUTTER_WIDGETS)
        speed = body.dial(dials.ISO_WIDGETS)
        battery = body.dial(dials.BATTERY_WIDGETS)
        self._lens, self._time, self._dirty, self._probed_s = lens, shutter, False, time.monotonic()
        self._camera.update(
            f_number=_f_number(lens),
            f_numbers=[choice.number for choice in lens.choices] if lens else [],
            shutter=clean(dials.shutter_text(shutter.text), 20) if shutter and shutter.text else None,
            shutter_s=dials.marked_s(shutter.text) if shutter and shutter.text else None,
            shutters_s=[choice.number for choice in shutter.choices] if shutter and not shutter.readonly else [],
            iso=dials.iso(speed.text) if speed and speed.text else None,
            battery=dials.percent(battery.text) if battery and battery.text else None,
        )
        self._watch_battery(self._camera["battery"])

    def _watch_battery(self, percent: int | None) -> None:
        low = percent is not None and percent <= LOW_BATTERY_PERCENT
        if low and not self._low:
            self._trouble(f"The camera's battery is at {percent} %: change it soon.")
        self._low = low

    def _report_ready(self) -> None:
        if self._shot is not None:
            return
        text = f"{self._camera['model']} ready"
        if self._card_full:
            text = f"{self._camera['model']}: the card is full"
        elif self._no_room is not None:
            text = self._no_room
        elif self._low:
            text = f"{self._camera['model']} ready; battery at {self._camera['battery']} %"
        elif self._lens is None:
            text = f"{self._camera['model']} ready; set the aperture on the lens"
        elif self._lens.readonly:
            text = READ_ONLY
        self._tell(state="ready", text=clean(text))

    # ---- files

    def _fetch_due(self, body: Body) -> None:
        now = time.monotonic()
        due = [pending for pending in self._pending.values() if pending.due_s <= now]
        if due:
            self._fetch(body, due[0])

    def _fetch(self, body: Body, pending: Pending) -> None:
        file = pending.file
        if self._too_big(file):
            self._keep_for_later(pending, OSError(*_NO_SPACE))
            return
        self._doing("fetch", size=file.size)
        self.say("fetching", file=_stored(file))
        try:
            data = body.read(file, self._beat)
            view = data.get_data_and_size()
            if file.size >= 0 and len(view) != file.size:
                self._failed(pending, f"{len(view)} of {file.size} bytes came")
            else:
                self._land(pending, view)
            del view
        except self._gp.GPhoto2Error as error:
            self._read_failed(body, pending, error)
        self._doing("idle")
        self._active_s = time.monotonic()

    def _read_failed(self, body: Body, pending: Pending, error: Any) -> None:
        if error.code in FILE_GONE:
            self._drop(
                pending, f"{clean_name(pending.file.name)} was deleted in the camera before it could be fetched."
            )
        elif error.code == BUSY:
            self._put_off(pending)
        else:
            body.probe()  # fails if it is the connection
            self._failed(pending, meaning(error.code))

    def _land(self, pending: Pending, view: memoryview) -> None:
        file = pending.file
        try:
            name = self._landing.already(file, view) if file == self._in_hand else None
            name = name or self._landing.land(file, view)
        except OSError as error:
            self._keep_for_later(pending, error)
            return
        del self._pending[file]
        self._largest = max(self._largest, len(view))
        self._memory.have[file] = name
        self.say("fetched", file=_stored(file), name=name)
        if self._no_room is not None:
            self._no_room = None
            self._report_ready()

    def _too_big(self, file: CardFile) -> bool:
        room = self._landing.room()
        return room is not None and file.size > room

    def _keep_for_later(self, pending: Pending, error: OSError) -> None:
        """The disk does not take it: the file stays on the card, and is tried again with growing pauses."""
        self._put_off(pending)
        if self._no_room is None:
            what = clean_name(pending.file.name)
            if error.errno in NO_ROOM:
                self._no_room = f"The disk is full: {what} waits on the card. Make room, and it will be fetched."
            else:
                reason = clean(error.strerror or str(error), 80)
                self._no_room = (
                    f"{what} cannot be saved ({reason}): it waits on the card until the folder can be written."
                )
            self._trouble(self._no_room)
            self._report_ready()

    def _put_off(self, pending: Pending) -> None:
        pending.due_s = time.monotonic() + RETRY_S[min(pending.waits, len(RETRY_S) - 1)]
        pending.waits += 1

    def _failed(self, pending: Pending, reason: str) -> None:
        """The camera does not hand it over: a few more tries, then it is left on the card."""
        self._put_off(pending)
        pending.failures += 1
        name = clean_name(pending.file.name)
        if pending.failures >= FETCH_TRIES:
            self._drop(pending, f"{name} could not be fetched ({reason}). It stays on the card: copy it from there.")

    def _drop(self, pending: Pending, text: str) -> None:
        self._pending.pop(pending.file, None)
        self._memory.have[pending.file] = ""
        if not self._pending:
            self._no_room = None
        self.say("given up", file=_stored(pending.file))
        self._trouble(text)


READ_ONLY = "The camera does not let its aperture be set from here: turn its mode dial to M or A."
LOCKED = "The camera does not let that be set from here just now: turn its mode dial to M, or to A for the aperture."
_NO_SPACE = (28, "No space left on device")


def absence(address: str, before: str, attempt: int, code: int) -> str:
    """Say in one line that no camera answers, and what to do; `before` is the model that was there before."""
    if address.startswith("ptpip:") and code == CANNOT:
        return (
            f"The camera at {clean(address, 60)} turns us away: end what else is connected to it, "
            "or allow this computer in its network menu."
        )
    if code == BAD_PARAMETERS:
        return f"{clean(address, 60)} is no address of a camera: write ptpip:192.168.1.2 (numbers), usb:…, or auto."
    if before:
        if attempt < 4:
            return f"{before} does not answer: press its shutter button half way. Trying again."
        return f"{before} still does not answer: switch it off and on, and look at its cable or network."
    if address.startswith("ptpip:"):
        return f"No camera answers at {clean(address, 60)}: switch it on and let it join this network."
    return "No camera found: plug it in and switch it on."


def _model(about: Mapping[str, str]) -> str:
    maker, model = about.get("manufacturer", ""), about.get("cameramodel", "")
    return model if model.lower().startswith(maker.lower()) else f"{maker} {model}"


def _f_number(lens: Dial | None) -> float | None:
    if lens is None:
        return None
    if lens.number is not None:
        return dials.f_number(f"{lens.number:.2f}")
    return dials.f_number(lens.text) if lens.text else None


_NEAR_MIREDS = 50.0  # a named balance farther off would leave as much of a cast as it takes


def _text(body: Body, names: tuple[str, ...]) -> str | None:
    dial = body.dial(names)
    return None if dial is None else dial.text


def _stands_at(modes: Dial, by_kelvin: Dial | None) -> float | None:
    """Return the temperature that the white balance stands at; None where its name tells none."""
    named = dials.balance_k(modes.text or "")
    if named == dials.BY_KELVIN:
        return None if by_kelvin is None else dials.kelvin(by_kelvin.text or "")
    return named


def _moved_by(kelvin: float | None, mireds: float) -> float | None:
    moved = 0.0 if kelvin is None else 1e6 / kelvin + mireds
    return 1e6 / moved if moved > 0 else None


def _stored(file: CardFile) -> list[object]:
    return [file.folder, file.name, file.size, file.mtime, file.mime]


def _memory(stored: Mapping[str, Any]) -> Memory:
    return Memory(
        left={CardFile(*file) for file in stored["left"]},
        have={CardFile(*file): name for *file, name in stored["have"]},
    )


def _cells(jpeg: bytes) -> list[list[float]] | None:
    """Return what a small picture shows (`rules.glimpse`), or None if it is none. It is opened here, apart from all."""
    import simplejpeg  # late: few connections ever look

    from lampblack.rules.glimpse import glimpse_of

    try:
        height, width, _, _ = simplejpeg.decode_jpeg_header(jpeg)
        if height * width > _MOST_VIEW_PIXELS:
            return None
        cells: list[list[float]] = glimpse_of(simplejpeg.decode_jpeg(jpeg, "RGB", strict=False)).round(5).tolist()
    except ValueError:
        return None
    return cells


_MOST_VIEW_PIXELS = 8_000_000


def _resident_bytes() -> int:
    try:
        return int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1]) * os.sysconf("SC_PAGE_SIZE")
    except (OSError, ValueError):
        return 0


def _limit_memory() -> None:
    with contextlib.suppress(ImportError, ValueError, OSError):  # macOS refuses the first one
        import resource

        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_LIMIT_BYTES, MEMORY_LIMIT_BYTES))


def _read_orders(orders: queue.SimpleQueue[dict[str, Any] | None]) -> None:
    """Read orders until the parent closes the pipe or dies; then give the main thread a moment, and end."""
    for line in sys.stdin.buffer:
        orders.put(json.loads(line))
    orders.put(None)
    time.sleep(8.0)  # the library may hold the main thread for minutes
    os._exit(3)


def _library_log(_level: int, domain: str, text: str, _data: object = None) -> None:
    print(clean(f"libgphoto2 {domain}: {text}", 300), file=sys.stderr, flush=True)


def main() -> int:
    """Run; the exit code is 0 after a goodbye, whatever the reason for it."""
    out = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)  # whatever a library prints is no report
    faulthandler.enable()
    _limit_memory()
    settle_library()
    import gphoto2 as gp

    log = gp.gp_log_add_func(gp.GP_LOG_ERROR, _library_log, None)
    print(f"libgphoto2 {gp.gp_library_version(gp.GP_VERSION_SHORT)[0]}, {os.environ.get('IOLIBS')}", file=sys.stderr)
    orders: queue.SimpleQueue[dict[str, Any] | None] = queue.SimpleQueue()
    threading.Thread(target=_read_orders, args=(orders,), daemon=True).start()
    child: Child | None = None
    try:
        child = Child(gp, out, orders)
        if (old := too_old(gp)) is not None:
            raise Lost("lost", old)
        child.run()
    except Stopping:
        pass
    except Lost as lost:
        if child is not None:
            child.say("over", why=lost.why, text=clean(lost.text))
    except BrokenPipeError:
        return 1
    finally:
        del log
    return 0


if __name__ == "__main__":
    code = main()
    sys.stdout.flush()
    os._exit(code)  # no thread is worth waiting for, and libraries' exit handlers have hung before
