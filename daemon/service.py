"""
The service of one shoot: the one place where intake, eye, rules, journal, camera and socket are joined.

Everything here runs in one event loop. Three things leave it: file system calls (a thread of the intake's), reading
a frame (a thread that waits for the eye's process), and the journal with the rules (the desk, one thread, so that
SQLite has one user). What is said of a frame is on disk before anybody hears it.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import os
import signal
import sqlite3
from collections import deque
from collections.abc import Awaitable, Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any, Protocol

from lampblack.daemon import answers, bracket, learning, noted
from lampblack.daemon import journal as journals
from lampblack.daemon.camera import Camera, Hears, TetherLike, is_f_number
from lampblack.daemon.camera_body import NO_VIEW
from lampblack.daemon.cast import BY_HAND, Cast
from lampblack.daemon.clean import clean, clean_name, clean_path
from lampblack.daemon.config import ConfigError, camera_home, is_shoot, load_thresholds
from lampblack.daemon.decode import digest_of
from lampblack.daemon.desk import RETRY_S, Desk
from lampblack.daemon.eye import Eye, Seen, keep_memory
from lampblack.daemon.guess import Guesses
from lampblack.daemon.hub import Event, Hub
from lampblack.daemon.intake import (
    Ended,
    Intake,
    IntakeEvents,
    Odd,
    Patience,
    Ready,
    is_raw,
    stem_of,
)
from lampblack.daemon.journal import Journal, JournalError, Kept
from lampblack.daemon.lamprun import LampRun, lamps_of
from lampblack.daemon.memory import Memory, Shown
from lampblack.daemon.premises import (
    AlreadyWatchedError,
    FolderLock,
    StartError,
    socket_place,
    tell_supervisor,
    watchdog_s,
)
from lampblack.daemon.refusal import FrameRefusedError, Refused
from lampblack.rules import shoot
from lampblack.rules.advice import AIMS, SPOT_AIM, Aim
from lampblack.rules.exposure import Exposure
from lampblack.rules.given import NOTHING_GIVEN, Given, Plate, plate_of
from lampblack.rules.glimpse import Glimpse
from lampblack.rules.look import Look
from lampblack.rules.neutral import NeutralError
from lampblack.rules.radiance import Radiance
from lampblack.rules.readings import marks_at
from lampblack.rules.run import Known, Setting
from lampblack.rules.spots import Spot, read_spot, written
from lampblack.rules.thresholds import Thresholds
from lampblack.rules.verdict import Verdict
from lampblack.rules.wells import Body, Wells
from lampblack.rules.zones import place_words, zone_of

log = logging.getLogger(__name__)

FRAME_IN_HAND_S = 10.0
RECENT = 4
"""Frames that can be judged once more; each is some ten megabytes of memory. A raw file follows its JPEG closely."""


class EyeLike(Protocol):
    """What the service needs of `eye.Eye`."""

    def open(self) -> None:
        """Start its process ahead of need."""

    def see(
        self,
        path: bytes,
        *,
        partner: bytes | None,
        known: Radiance | None,
        backdrop: shoot.BackdropWish,
        given: Given,
    ) -> Seen | Refused:
        """Measure one file; blocks."""

    def close(self) -> None:
        """End the eye's process."""


@dataclass(frozen=True)
class Options:
    """What the photographer asked for. camera: "auto", an address, or None for no camera."""

    aim: Aim = "even"
    backdrop: shoot.BackdropWish = "auto"
    camera: str | None = None
    patience: Patience = field(default_factory=Patience)


@dataclass(frozen=True)
class Parts:
    """What a service is made of; made once the folder is ours."""

    thresholds: Thresholds
    eye: Callable[[], EyeLike]
    tether: Callable[[Callable[[Event], None]], TetherLike] | None = None
    judge: Callable[..., tuple[shoot.Setup, Any]] = shoot.judge
    wells: Callable[[], Wells] = Wells
    """What is remembered of where cameras are full."""


@dataclass(frozen=True)
class _Slate:
    """A setup to begin once everything shot before it has been read."""

    name: str | None
    begun: asyncio.Future[int]


@dataclass(frozen=True)
class _Move:
    """Frames to put into another setup once everything that came before has been read."""

    request: Event
    begun: asyncio.Future[answers.Move]


@dataclass(eq=False)
class _Judged:
    """A frame judged lately, with what is needed to judge it once more: under another aim, or with its raw file."""

    shown: Shown
    before: shoot.Setup
    look: Look
    notices: list[Event]


class Service:
    """One shoot's service. Made and run inside the loop."""

    def __init__(
        self, folder: Path, options: Options, parts: Parts, tell: Callable[[Event], None] = lambda event: None
    ) -> None:
        """
        Nothing is taken or opened yet.

        Args:
            folder:  the shoot's folder.
            options: what was asked for.
            parts:   what to build from.
            tell:    hears every event that clients hear.
        """
        self.folder, self._options, self._parts, self._tell = folder, options, parts, tell
        self._root = os.fsencode(folder)
        self._loop = asyncio.get_running_loop()
        self._desk = Desk(self._trouble, self._saved_at_last)
        self._eye_thread = ThreadPoolExecutor(1, "lampblack-eye")
        self._hub = Hub(self._greeting, self._handle)
        self._stop = asyncio.Event()
        self._aim: Aim = options.aim
        self._camera = Camera(
            parts.tether, Hears(self._fetched, self._trouble, self._camera_changed, self._other_apertures)
        )
        self._state, self._state_text = "catching-up", "Starting."
        self._memory = Memory()
        self._verdict: Verdict | None = None
        """What was said last, of the newest frame judged."""
        self._came = asyncio.Condition()
        self._run: bracket.Run | None = None
        self._cast = Cast(parts.thresholds.neutral)
        self._marked: dict[int, Look] = {}
        """This setup's frames that are marked with their lamp, by number, measured."""
        self._guesses = Guesses(parts.thresholds)
        self._plate: tuple[int | None, Plate | None] = None, None
        """The clean plate as measured, and of which frame."""
        self._rules = self._empty_setup()
        self._recent: deque[_Judged] = deque(maxlen=RECENT)  # the newest last
        self._judging = asyncio.Lock()  # who holds it may change the setup and what is said of its frames
        self._intake: Intake | None = None
        self._scanned = asyncio.Event()
        self._queue: asyncio.Queue[Ready | _Slate | _Move | None] = asyncio.Queue()
        self._eye: EyeLike | None = None
        self._lock: FolderLock | None = None
        self._device = -1
        """Of the folder's file system."""

    # ------------------------------------------------------------ life

    async def run(self, ready: Callable[[Event], None] = lambda where: None) -> None:
        """
        Watch until told to stop.

        Args:
            ready: called once the folder is truly being watched, with pid, socket and folder.

        Raises:
            AlreadyWatchedError: another service has the folder.
            StartError: it cannot be watched; one line for a person.
        """
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            self._loop.add_signal_handler(number, self.stop)
        tasks: list[asyncio.Task[None]] = []
        try:
            self._lock = FolderLock(self.folder)
            self._device = os.stat(self._root).st_dev
            place = self._socket_place()
            await self._listen(place)
            self._lock.write(place, self.folder)
            self._eye = self._parts.eye()
            self._loop.run_in_executor(self._eye_thread, self._eye.open)
            self._camera.start()
            tasks.append(asyncio.create_task(self._desk.keep_saving()))
            if (pause_s := watchdog_s()) is not None:
                tasks.append(asyncio.create_task(self._show_life(pause_s)))
            where = {"pid": os.getpid(), "socket": str(place), "folder": os.fsdecode(self._root)}
            await self._stay(place, lambda: ready(where))
        finally:
            await self._leave(tasks)

    def stop(self) -> None:
        """Begin to stop; `run` returns when everything is put away."""
        if self._stop.is_set():
            return
        self._stop.set()
        self._set_state("stopping", "Stopping.")
        if self._intake is not None:
            self._intake.stop()

    def _socket_place(self) -> Path:
        try:
            return socket_place(self.folder)
        except ConfigError as wrong:
            raise StartError(str(wrong)) from None

    async def _listen(self, place: Path) -> None:
        try:
            await self._hub.listen(place)
        except OSError as wrong:
            raise StartError(f"No socket can be made at {place}: {wrong.strerror}.") from None

    async def _stay(self, place: Path, ready: Callable[[], None]) -> None:
        first = True
        while not self._stop.is_set():
            try:
                ended = await self._shift(ready if first else _nothing)
            except StartError as wrong:
                if first:
                    raise
                self._trouble(str(wrong))  # it came back, but cannot be used yet
                await self._wait(RETRY_S)
                ended = Ended.FOLDER_GONE
            first = False
            if ended is Ended.FOLDER_GONE and not self._stop.is_set():
                await self._folder_gone(place)

    async def _shift(self, ready: Callable[[], None]) -> Ended:
        """Watch the folder for as long as it's there."""
        said = await self._open_journal()
        self._queue = asyncio.Queue()
        self._scanned = asyncio.Event()

        def on_scanned() -> None:
            if not self._scanned.is_set():
                self._scanned.set()
                ready()
                tell_supervisor("READY=1")

        events = IntakeEvents(self._queue.put_nowait, self._odd, self._trouble, on_scanned)
        known = await self._desk.do(self._desk.journal.known)
        self._intake = Intake(self._root, events, patience=self._options.patience, done=known)
        if self._stop.is_set():
            self._intake.stop()
        self._set_state("catching-up", "Reading what is here already.")
        self._hub.publish(self._hello())
        if said is not None:
            self._trouble(said)
        worker = asyncio.create_task(self._work(self._queue))
        intake = self._intake
        try:
            return await intake.run()
        except OSError as wrong:
            raise StartError(f"{clean_name(self.folder)} cannot be watched: {clean(wrong.strerror or '')}.") from None
        finally:
            await self._finish(worker)
            await intake.close()
            await self._desk.save()
            await self._desk.close()

    async def _wait(self, pause_s: float) -> None:
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._stop.wait(), pause_s)

    async def _finish(self, worker: asyncio.Task[None]) -> None:
        """Let the frame in hand be finished, and nothing after it."""
        while not self._queue.empty():
            left = self._queue.get_nowait()
            if isinstance(left, _Slate | _Move) and not left.begun.done():
                left.begun.set_exception(_NotNowError("The service is not watching just now."))
        self._queue.put_nowait(None)
        self._scanned.set()
        done, _ = await asyncio.wait([worker], timeout=FRAME_IN_HAND_S)
        if not done:
            log.warning("the frame in hand took too long; it will be read at the next start")
            worker.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await worker

    async def _folder_gone(self, place: Path) -> None:
        name = clean_name(self.folder)
        if self._lock is not None:
            self._lock.release()
        self._set_state("folder-gone", "The folder is gone: plug its drive in or put it back; waiting for it.")
        log.warning("%s is gone; waiting for it", name)
        self._desk.forget()
        while not self._stop.is_set():
            if await asyncio.to_thread(is_shoot, self.folder, self._device):
                try:
                    self._lock = FolderLock(self.folder)
                    self._lock.write(place, self.folder)
                except AlreadyWatchedError:
                    raise
                except StartError as wrong:  # it went again, or its disk is full
                    log.info("not yet: %s", wrong)
                else:
                    log.info("%s is back", name)
                    return
            await self._wait(self._options.patience.check_s)

    async def _leave(self, tasks: list[asyncio.Task[None]]) -> None:
        """Put everything away; one thing that fails doesn't keep the rest from it."""
        tell_supervisor("STOPPING=1")
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        steps: list[Callable[[], Awaitable[object]]] = [
            self._camera.stop,
            self._stop_eye,
            self._desk.close,
            self._hub.close,
        ]
        for step in steps:
            try:
                await step()
            except Exception:
                log.exception("while stopping")
        if self._lock is not None:
            self._lock.release()
        self._desk.end()
        self._eye_thread.shutdown(wait=False)

    async def _stop_eye(self) -> None:
        eye, self._eye = self._eye, None
        if eye is not None:
            await asyncio.to_thread(eye.close)

    # ------------------------------------------------------------ the journal

    async def _open_journal(self) -> str | None:
        try:
            journal, said = await self._desk.open(self.folder / journals.NAME)
            self._memory = await self._desk.do(Memory.of, journal)
            if await self._desk.do(journal.setup) is None:
                await self._desk.do(journal.begin_setup, 1, None)
                self._memory.begin(journals.Setup(1, None))
        except JournalError as wrong:
            raise StartError(str(wrong)) from None
        self._rules = self._empty_setup()
        self._recent.clear()
        await self._note_wish()
        log.info(
            "watching %s; SQLite %s; %d frames known",
            clean_name(self.folder),
            sqlite3.sqlite_version,
            self._memory.total,
        )
        return said

    async def _note_wish(self) -> None:
        """Write down by what this setup's frames are judged, so that they can be judged again by the same."""
        if self._memory.wish_noted(self._memory.setup.number) != (wish := (self._aim, self._options.backdrop)):
            told = {"setup": self._memory.setup.number, "aim": wish[0], "backdrop": wish[1]}
            entry = noted.WISH, json.dumps(told)
            self._memory.note(*entry)
            await self._desk.record(partial(_note, entry))

    def _saved_at_last(self) -> None:
        self._trouble("There is room again: everything is in the journal now.")
        for shown in self._memory.frames:
            if shown.unsaved:
                shown.unsaved = False
                self._publish_frame(shown, again=True)

    async def _show_life(self, pause_s: float) -> None:
        """Tell the supervisor that all is well, for as long as the loop turns and the desk takes work."""
        while True:
            await self._desk.do(_nothing)
            tell_supervisor("WATCHDOG=1")
            await asyncio.sleep(pause_s)

    # ------------------------------------------------------------ frames

    async def _work(self, queue: asyncio.Queue[Ready | _Slate | _Move | None]) -> None:
        """Read what the intake gives out, one after the other."""
        await self._scanned.wait()
        await self._recall()
        while True:
            if queue.empty() and self._state == "catching-up":
                self._set_state("watching", "Watching.")
            item = await queue.get()
            if item is None:
                return
            try:
                if isinstance(item, _Slate):
                    await self._begin_setup(item)
                elif isinstance(item, _Move):
                    await self._move(item)
                else:
                    await self._one(item)
            except Exception:
                log.exception("a frame could not be dealt with")
                if isinstance(item, Ready):
                    await self._refuse(item, "It could not be judged: the log says why.")

    async def _recall(self) -> None:
        """Learn again what this setup's frames had taught before the service was started anew."""
        earlier = list(self._memory.frames)
        known = await self._desk.do(self._desk.journal.known) if earlier else {}
        for shown in earlier:
            kept = shown.kept
            sight = await self._intake_now().look_again(kept.path)
            if sight is None or self._stop.is_set():
                continue
            if sight != known.get(kept.path) and not await self._is_still(kept.path, kept.digest):
                continue
            seen = await self._see(kept.path, kept.partner)
            if isinstance(seen, Seen):
                async with self._judging:
                    before = self._rules
                    await self._judge(seen.look, clean_path(kept.path), kept.number)
                    self._recent.append(_Judged(shown, before, seen.look, noted.own_notices(kept.verdict)))

    def _intake_now(self) -> Intake:
        assert self._intake is not None
        return self._intake

    async def _see(self, path: bytes, partner: bytes | None, setup: shoot.Setup | None = None) -> Seen | Refused:
        """Measure a frame by the light of the setup so far, or of `setup`."""
        eye = self._eye
        assert eye is not None
        if partner is not None and is_raw(path):
            path, partner = partner, path
        look = partial(
            eye.see,
            os.path.join(self._root, path),
            partner=None if partner is None else os.path.join(self._root, partner),
            known=(setup or self._rules).known,
            backdrop=(setup or self._rules).backdrop,
            given=Given(tuple(self._memory.regions.values()), await self._plate_now()),
        )
        return await self._loop.run_in_executor(self._eye_thread, look)

    async def _plate_now(self) -> Plate | None:
        """Return the clean plate, measured when it is first needed; None where its frame can't be read any more."""
        number = self._memory.plate
        if number is None or self._plate[0] == number:
            return None if number is None else self._plate[1]
        self._plate = number, None
        kept = await self._desk.do(lambda: next(iter(self._desk.journal.frames(number=number)), None))
        if kept is not None and self._eye is not None:
            see = partial(
                self._eye.see,
                os.path.join(self._root, kept.path),
                partner=None,
                known=None,
                backdrop=self._options.backdrop,
                given=NOTHING_GIVEN,
            )
            seen = await self._loop.run_in_executor(self._eye_thread, see)
            if isinstance(seen, Seen):
                look = seen.look
                stops, raw = look.shot.exposure.stops, look.kind == "raw"
                self._plate = number, plate_of(look.light, look.clipped_any, look.backdrop, stops, raw)
        if self._plate[1] is None:
            self._trouble(f"Frame {number}, the plate, can't be read: no plate is used.")
        return self._plate[1]

    async def _one(self, ready: Ready) -> None:
        intake = self._intake_now()
        owner = self._memory.by_stem.get(stem_of(ready.path))
        if owner is not None and is_raw(owner[0]) != is_raw(ready.path):
            await self._other_half(ready, owner)
            return
        before = self._memory.by_path.get(ready.path)
        if before is not None and await self._is_still(ready.path, before):
            # Moved to another disk, or only touched: nothing to measure.
            await self._known_already(ready, before)
            return
        seen = await self._see(ready.path, ready.partner)
        sight = await intake.look_again(ready.path)
        if sight != ready.sight:  # written to or gone while it was read
            log.info("%s changed while it was read", clean_path(ready.path))
            intake.put_back(ready, sight)
        elif isinstance(seen, Refused):
            if seen.final or not intake.unfinished(ready):
                await self._refuse(ready, seen.reason)
        elif seen.digest in self._memory.by_digest:
            await self._known_already(ready, seen.digest)
        else:
            await self._new_frame(ready, seen)

    async def _is_still(self, path: bytes, digest: str) -> bool:
        """Say whether a file's content is that of the frame that its path had."""
        try:
            return await asyncio.to_thread(digest_of, os.path.join(self._root, path)) == digest
        except FrameRefusedError:
            return False

    async def _other_half(self, ready: Ready, owner: tuple[bytes, str]) -> None:
        """The raw file of a JPEG that was read already, or the other way round: still one frame, now better known."""
        first = owner[0]
        log.info("%s belongs to %s", clean_path(ready.path), clean_path(first))
        await self._desk.record(lambda journal: journal.add_sighting(ready.path, ready.sight, "partner", owner))
        judged = next((each for each in self._recent if _is(each.shown, owner)), None)
        late = next((shown for shown in self._memory.frames if _is(shown, owner)), None)
        if judged is not None:
            seen = await self._see(first, ready.path, judged.before)
            if isinstance(seen, Seen):
                async with self._judging:
                    judged.look = seen.look
                    judged.shown.kept = replace(judged.shown.kept, partner=ready.path)
                    await self._judge_again(judged, preview=seen.preview)
        elif late is not None:
            await self._judge_late(late, ready.path)
        self._intake_now().settle(ready)

    async def _judge_late(self, shown: Shown, raw: bytes) -> None:
        """Judge a frame again whose other half came when newer ones had gone by: by itself, as the light was then."""
        alone = self._empty_setup()
        seen = await self._see(shown.kept.path, raw, alone)
        if not isinstance(seen, Seen):
            return
        async with self._judging:
            kept = shown.kept
            judge = partial(self._parts.judge, file=clean_path(kept.path), frame=kept.number)
            _, said = await self._desk.do(judge, alone, seen.look, self._parts.thresholds)
            verdict = said.as_json()
            verdict["notices"] = [*verdict.get("notices", []), *noted.own_notices(kept.verdict)]
            shown.kept = replace(kept, verdict=verdict, preview=seen.preview, partner=raw)
            shown.unsaved = not await self._desk.record(partial(_say_again, shown.kept, seen.preview))
            self._publish_frame(shown, again=True)

    async def _refuse(self, ready: Ready, reason: str) -> None:
        error = clean(reason, 300)
        await self._desk.record(lambda journal: journal.add_sighting(ready.path, ready.sight, "refused", None, error))
        self._intake_now().settle(ready, with_partner=False)
        self._say_refused(ready.path, error)

    def _odd(self, path: bytes, odd: Odd) -> None:
        self._say_refused(path, f"It is {odd.what}, not a file: put the frame itself here.")

    def _say_refused(self, path: bytes, error: str) -> None:
        self._memory.refuse(path, error)
        name = clean_path(path)
        log.warning("%s: %s", name, error)
        self._publish({"event": "refused", "file": name, "error": error, "counts": self._counts()})

    async def _known_already(self, ready: Ready, digest: str) -> None:
        first = self._memory.by_digest[digest]
        if self._memory.by_path.get(ready.path) == digest:
            await self._desk.record(
                lambda journal: journal.add_sighting(ready.path, ready.sight, "frame", (ready.path, digest))
            )
            if ready.partner is not None and (seen := ready.partner_sight) is not None:
                half = ready.partner
                await self._desk.record(lambda journal: journal.add_sighting(half, seen, "partner", (first, digest)))
        else:
            self._memory.duplicates += 1
            log.info("%s is the same picture as %s; not read twice", clean_path(ready.path), clean_path(first))
            await self._desk.record(
                lambda journal: journal.add_sighting(ready.path, ready.sight, "duplicate", (first, digest))
            )
        self._memory.refused.pop(ready.path, None)
        self._intake_now().settle(ready)

    async def _new_frame(self, ready: Ready, seen: Any) -> None:
        name = clean_path(ready.path)
        notices: list[Event] = []
        if ready.path in self._memory.by_path:
            text = f"{name} was written again with other content: this is a new frame."
            notices.append({"kind": "rewritten", "text": text})
            log.info("%s", text)
        async with self._judging:
            number = self._memory.total + 1
            before = self._rules
            verdict = await self._judge(seen.look, name, number)
            notices = [*self._cast.took(seen.look), *await self._guessed(seen.look), *notices]
            verdict["notices"] = [*verdict.get("notices", []), *notices]
            kept = Kept(
                ready.path, seen.digest, self._memory.setup.number, number, verdict, seen.preview, ready.partner
            )
            saved = await self._desk.record(lambda journal: journal.add_frame(kept, ready.sight, ready.partner_sight))
            shown = Shown(kept, unsaved=not saved)
            self._recent.append(_Judged(shown, before, seen.look, notices))
            self._memory.add(shown)
            if (lesson := self._memory.lesson(verdict)) is not None:
                self._memory.note(*lesson)
                await self._desk.record(partial(_note, lesson))
            self._intake_now().settle(ready)
            self._publish_frame(shown)
        async with self._came:
            self._came.notify_all()
        await self._taught(seen.look)

    async def _taught(self, look: Look) -> None:
        """Measure the last frames again that didn't know where the camera is full, if this one does."""
        full = look.full
        if full is None or full.source != "data" or self._rules.wells.of(full.body) is None:
            return
        late = [one for one in self._recent if _by_tag(one.look, full.body)]
        for judged in late:
            known = replace(judged.before, wells=self._rules.wells)
            seen = await self._see(judged.shown.kept.path, judged.shown.kept.partner, known)
            if isinstance(seen, Seen):
                judged.look = seen.look
        if any(not _by_tag(one.look, full.body) for one in late):
            async with self._judging:
                if (still := next((one for one in late if one in self._recent), None)) is not None:
                    await self._judge_again(still)

    async def _guessed(self, look: Look) -> list[Event]:
        """Return what a frame seems to show of the lamps, where enough frames of this setup are marked."""
        shows = self._memory.lamps.shows
        here = {shown.kept.number: shown.kept for shown in self._memory.frames if shown.kept.number in shows}
        self._marked = {number: each for number, each in self._marked.items() if number in here}
        for number in here.keys() - self._marked.keys() if len(here) > 1 else ():
            kept = here[number]
            seen = await self._see(kept.path, kept.partner, self._empty_setup())
            if isinstance(seen, Seen):
                self._marked[number] = seen.look.without_radiance()
        marked = {shows[number]: each for number, each in sorted(self._marked.items())}
        return await asyncio.to_thread(self._guesses.of, marked, look, self._rules.response)

    async def _judge(self, look: Look, name: str, number: int) -> Event:
        """Judge a frame into the setup; holds `_judging`."""
        judged = await self._desk.do(
            self._parts.judge, self._rules, look, self._parts.thresholds, file=name, frame=number
        )
        self._rules, verdict = judged
        self._verdict = verdict if isinstance(verdict, Verdict) else None
        said: Event = verdict.as_json()
        return said

    async def _judge_again(self, first: _Judged, *, preview: Event | None = None) -> None:
        """Judge a frame and those after it once more, and say what is said otherwise now. Holds `_judging`."""
        again = list(self._recent)[self._recent.index(first) :]
        self._rules = first.before
        for judged in again:
            judged.before = self._rules = self._with_wishes(self._rules)
            kept = judged.shown.kept
            verdict = await self._judge(judged.look, clean_path(kept.path), kept.number)
            verdict["notices"] = [*verdict.get("notices", []), *judged.notices]
            picture = preview if judged is first else None
            if verdict != kept.verdict or (picture is not None and picture != kept.preview):
                judged.shown.kept = replace(kept, verdict=verdict, preview=picture or kept.preview)
                saved = await self._desk.record(partial(_say_again, judged.shown.kept, picture))
                judged.shown.unsaved = not saved
                self._publish_frame(judged.shown, again=True)

    # ------------------------------------------------------------ setups

    def _empty_setup(self, number: int | None = None) -> shoot.Setup:
        """Return this setup without frames, or another."""
        number = self._memory.setup.number if number is None else number
        aim, backdrop = self._aim, self._options.backdrop
        if number != self._memory.setup.number:
            aim, backdrop = self._memory.wish_of(number)
        return shoot.new_setup(
            number,
            self._memory.names.get(number),
            aim=aim,
            backdrop=backdrop,
            f_numbers=self._camera.f_numbers,
            spots=tuple(self._memory.spots.values()),
            metered=self._memory.metered(number),
            wells=self._parts.wells(),
        )

    def _with_wishes(self, setup: shoot.Setup) -> shoot.Setup:
        spots = tuple(self._memory.spots.values())
        f_numbers = self._camera.f_numbers or setup.f_numbers
        return replace(setup, aim=self._aim, f_numbers=f_numbers, spots=spots, metered=self._memory.metered())

    async def _begin_setup(self, slate: _Slate) -> None:
        async with self._judging:
            number = self._memory.next_setup
            setup = journals.Setup(number, slate.name)
            await self._desk.record(lambda journal: journal.begin_setup(setup.number, setup.name))
            self._memory.begin(setup)
            self._rules = self._empty_setup()
            self._recent.clear()
            self._publish({"event": "setup", "setup": {"number": number, "name": slate.name}})
        if not slate.begun.done():
            slate.begun.set_result(number)

    async def _move(self, item: _Move) -> None:
        """Put frames into another setup, and judge those again whose setups are others now."""
        async with self._judging:
            try:
                if not await self._desk.save():
                    raise ValueError("The journal can't be written just now: see what the service says of that first.")
                move = answers.move_of(self._memory, item.request)
                await self._desk.record(move.write)
                refused = self._memory.refused
                self._memory = await self._desk.do(Memory.of, self._desk.journal)
                self._memory.refused = {**refused, **self._memory.refused}
            except (ValueError, JournalError) as wrong:
                if not item.begun.done():
                    item.begun.set_exception(_NotNowError(str(wrong)))
                return
            self._rules = self._empty_setup()
            self._recent.clear()
            self._marked.clear()
            await self._note_wish()
            self._publish(self._hello())
        if not item.begun.done():
            item.begun.set_result(move)
        for setup in move.affected:
            await self._judge_setup(setup)

    async def _judge_setup(self, number: int) -> None:
        """Judge a setup's frames again, from the first on."""
        live = number == self._memory.setup.number
        frames = self._memory.frames if live else [Shown(kept) for kept in await self._frames_of(number)]
        rules = self._empty_setup(number)
        for shown in list(frames):
            if self._stop.is_set():
                log.warning("setup %d is not judged again whole: lampblack again --setup %d does it", number, number)
                return
            kept = shown.kept
            seen = await self._see(kept.path, kept.partner, self._rules if live else rules)
            if not isinstance(seen, Seen) or seen.digest != kept.digest:
                log.warning("%s can't be judged again", clean_path(kept.path))
                continue
            async with self._judging:
                name, own = clean_path(kept.path), noted.own_notices(kept.verdict)
                if live:
                    before = self._rules
                    verdict = await self._judge(seen.look, name, kept.number)
                    self._recent.append(_Judged(shown, before, seen.look, own))
                else:
                    judge = partial(self._parts.judge, file=name, frame=kept.number)
                    rules, said = await self._desk.do(judge, rules, seen.look, self._parts.thresholds)
                    verdict = said.as_json()
                verdict["notices"] = [*verdict.get("notices", []), *own]
                await self._put_in_place(shown, verdict, seen.preview, number)

    async def _put_in_place(self, shown: Shown, verdict: Event, preview: Event, setup: int) -> None:
        """Say of a frame what is said now, where that is otherwise; panels hear of this setup's."""
        if (lesson := self._memory.lesson(verdict, setup)) is not None:
            self._memory.note(*lesson)
            await self._desk.record(partial(_note, lesson))
        if verdict == shown.kept.verdict:
            return
        new = preview if preview != shown.kept.preview else None
        shown.kept = replace(shown.kept, verdict=verdict, preview=preview)
        shown.unsaved = not await self._desk.record(partial(_say_again, shown.kept, new))
        if setup == self._memory.setup.number:
            self._publish_frame(shown, again=True)

    async def _frames_of(self, setup: int) -> list[Kept]:
        return await self._desk.do(self._desk.journal.frames, setup)

    # ------------------------------------------------------------ what clients hear

    def _publish(self, event: Event) -> None:
        self._hub.publish(event)
        try:
            self._tell(event)
        except Exception:
            log.exception("an event could not be told")

    def _publish_frame(self, shown: Shown, *, again: bool = False) -> None:
        event: Event = {"event": "frame", **shown.as_json(), "counts": self._counts()}
        if again:
            event["again"] = True
        self._publish(event)

    def _service(self) -> Event:
        return {"state": self._state, "text": self._state_text}

    def _set_state(self, state: str, text: str) -> None:
        self._state, self._state_text = state, text
        self._publish({"event": "service", "service": self._service(), "counts": self._counts()})

    def _trouble(self, text: str) -> None:
        log.warning("%s", text)
        self._publish({"event": "service", "service": {"state": self._state, "text": text, "trouble": True}})

    def _counts(self) -> Event:
        waiting = len(self._intake.room) if self._intake is not None else 0
        return {
            "frames": self._memory.total,
            "refused": len(self._memory.refused),
            "waiting": waiting,
            "duplicates": self._memory.duplicates,
        }

    def _summary(self) -> Event:
        """STATE without its frames."""
        refused = list(self._memory.refused.items())[-5:]
        return {
            "folder": self._root.decode("utf-8", "replace"),
            "aim": self._aim,
            "backdrop": self._options.backdrop,
            "spots": [written(spot) for spot in self._memory.spots.values()],
            "regions": list(self._memory.regions),
            "plate": self._memory.plate,
            "readings": [noted.reading_json(reading) for reading in self._memory.now_read()],
            "service": self._service(),
            "camera": self._camera.now,
            "camera_asked": self._options.camera,
            "setup": {"number": self._memory.setup.number, "name": self._memory.setup.name},
            "refused": [{"file": clean_path(path), "error": error} for path, error in refused],
            "counts": self._counts(),
        }

    def _hello(self) -> Event:
        frames = [shown.as_json() for shown in self._memory.in_shot_order()]
        return {"event": "hello", "protocol": 1, "state": {**self._summary(), "frames": frames}}

    def _greeting(self) -> bytes:
        return (json.dumps(self._hello(), ensure_ascii=False, allow_nan=False) + "\n").encode("utf-8", "replace")

    # ------------------------------------------------------------ the camera

    def _fetched(self, path: bytes) -> None:
        if self._intake is not None:
            self._intake.hint(path)

    def _camera_changed(self, camera: Event) -> None:
        self._publish({"event": "camera", "camera": camera})

    def _other_apertures(self, offered: tuple[float, ...]) -> None:
        self._background(self._new_wishes())

    def _background(self, work: Any) -> None:
        task = self._loop.create_task(work)
        task.add_done_callback(_say_if_failed)

    async def _new_wishes(self) -> None:
        async with self._judging:
            self._rules = self._with_wishes(self._rules)
            if self._recent:
                await self._judge_again(self._recent[-1])

    # ------------------------------------------------------------ requests

    async def _handle(self, request: Event) -> Event:
        handler = self._handlers().get(request["do"])
        if handler is None:
            return _reply(False, f"Nothing is called {clean(request['do'], 40)}.")
        return await handler(request)

    def _handlers(self) -> dict[str, Callable[[Event], Awaitable[Event]]]:
        return {
            "status": self._do_status,
            "step": self._do_step,
            "fire": self._do_fire,
            "aperture": self._do_aperture,
            "slate": self._do_slate,
            "move": self._do_move,
            "bracket": self._do_bracket,
            "halt": self._do_halt,
            "switched": self._do_switched,
            "aim": self._do_aim,
            "neutral": self._do_neutral,
            "place": self._do_place,
            "mix": self._do_mix,
            "stop": self._do_stop,
            **dict.fromkeys(answers.ASKED, self._do_said),
        }

    async def _do_status(self, request: Event) -> Event:
        newest = self._memory.frames[-1].verdict if self._memory.frames else None
        status = {"pid": os.getpid(), **self._summary(), "newest": newest}
        return {**_reply(True, self._state_text), "status": status}

    async def _do_step(self, request: Event) -> Event:
        if not self._memory.frames:
            return _reply(False, "No frame yet to step from: fire one first.")
        step = self._memory.frames[-1].kept.verdict.get("next") or {}
        if step.get("move") not in ("close", "open"):
            return _reply(False, step.get("why") or "No step is suggested.")
        f_number = step.get("f_number")
        if not is_f_number(f_number):
            return _reply(False, "The last frame doesn't tell its aperture, so that no aperture can be named.")
        ok, text = await self._camera.ask({"do": "aperture", "f_number": f_number})
        if not ok:
            return _reply(False, text)
        return _reply(*await self._camera.ask({"do": "fire"}))

    async def _do_fire(self, request: Event) -> Event:
        return _reply(*await self._camera.ask({"do": "fire"}))

    async def _do_aperture(self, request: Event) -> Event:
        f_number = request.get("f_number")
        if not is_f_number(f_number):
            return _reply(False, "An aperture is a number such as 8 or 5.6.")
        return _reply(*await self._camera.ask({"do": "aperture", "f_number": f_number}))

    async def _do_slate(self, request: Event) -> Event:
        name = request.get("name")
        if not isinstance(name, str | None):
            return _reply(False, "A setup's name is a text.")
        slate = _Slate(clean(name, 60).strip() or None if name else None, self._loop.create_future())
        self._queue.put_nowait(slate)
        before = self._queue.qsize()
        try:
            number = await asyncio.wait_for(asyncio.shield(slate.begun), 3)
        except TimeoutError:
            return _reply(True, f"A new setup begins once {before} earlier frames are read.")
        except _NotNowError as wrong:
            return _reply(False, str(wrong))
        return _reply(True, f"Setup {number} begins.")

    async def _do_move(self, request: Event) -> Event:
        if self._run is not None:  # it goes by what this setup's frames have taught
            return _reply(False, "A run is on: end it first, lampblack bracket --halt.")
        item = _Move(request, self._loop.create_future())
        self._queue.put_nowait(item)
        try:
            move = await asyncio.wait_for(asyncio.shield(item.begun), 3)
        except TimeoutError:
            return _reply(True, "The frames are moved once those that came before are read.")
        except _NotNowError as wrong:
            return _reply(False, str(wrong))
        reply = _reply(True, f"{move.text} What is said of them is judged again.")
        return {**reply, "setup": move.setup, "frames": list(move.frames)}

    async def _do_aim(self, request: Event) -> Event:
        aims = (*AIMS, *(f"{SPOT_AIM}{name}" for name in self._memory.spots))
        aim = next((aim for aim in aims if aim == request.get("aim")), None)
        if aim is None:
            return _reply(False, f"An aim is one of {', '.join(aims)}.")
        self._aim = aim
        self._publish({"event": "aim", "aim": aim})
        await self._note_wish()
        await self._new_wishes()
        return _reply(True, f"The aim is now {aim}.")

    async def _do_said(self, request: Event) -> Event:
        camera = self._camera.now
        dialled = {key: camera.get(key) for key in ("shutter_s", "iso")} if request["do"] == "reading" else {}
        reply, entry = answers.answer(self._memory, {**dialled, **request})
        if entry is not None:
            self._memory.note(*entry)
            await self._desk.record(partial(_note, entry))
            if request["do"] in ("spot", "reading"):
                await self._new_wishes()
            elif request["do"] in ("region", "plate"):
                self._background(self._look_anew())
            elif request["do"] == "rename":
                setup = self._memory.setup
                self._rules = replace(self._rules, name=setup.name)
                self._publish({"event": "setup", "setup": {"number": setup.number, "name": setup.name}, "again": True})
        return reply

    async def _look_anew(self) -> None:
        """Measure the newest frame again: where its backdrop is has been said otherwise."""
        judged = self._recent[-1] if self._recent else None
        if judged is None:
            return
        seen = await self._see(judged.shown.kept.path, judged.shown.kept.partner, judged.before)
        async with self._judging:
            if isinstance(seen, Seen) and judged in self._recent:
                judged.look = seen.look
                await self._judge_again(judged, preview=seen.preview)

    async def _do_bracket(self, request: Event) -> Event:
        if self._run is not None:
            return _reply(False, "A run is on already: lampblack bracket --halt ends it, or b in the panel.")
        if not self._camera.now["f_numbers"] and self._camera.now["state"] not in ("ready", "busy"):
            return _reply(False, f"No run without a camera: {self._camera.now['text']}")
        stage = _RunStage(self)
        try:
            if request.get("lamps") is not None:
                lamps, pause_s = lamps_of(request, self._memory.lamps.lamps(self._memory.setup.number))
                self._run = LampRun(stage, self._parts.thresholds, lamps=lamps, pause_s=pause_s)
            else:
                wish = bracket.wish_of(request, self._readings_at)
                self._run = bracket.Bracket(stage, self._parts.thresholds, wish=wish)
        except ValueError as wrong:
            return _reply(False, str(wrong))
        self._background(self._go(self._run))
        return _reply(True, "The run begins.")

    async def _go(self, run: bracket.Run) -> None:
        try:
            await run.go()
        finally:
            self._run = None

    async def _do_halt(self, request: Event) -> Event:
        if self._run is None:
            return _reply(False, "No run is on.")
        self._run.halted = True
        return _reply(True, "The run ends after the frame in hand.")

    async def _do_switched(self, request: Event) -> Event:
        if not isinstance(self._run, LampRun):
            return _reply(False, "No run over lamps is on.")
        self._run.switched = True
        return _reply(True, "Shooting it.")

    def _readings_at(self) -> tuple[float, ...]:
        """Return the apertures of this setup's readings at the camera's time and ISO, no two alike."""
        now = self._camera.now
        marks = marks_at(self._memory.now_read(), Exposure.of(None, now.get("shutter_s"), now.get("iso")))
        return tuple(dict.fromkeys(marks.values()))

    async def _do_neutral(self, request: Event) -> Event:
        """Tell the newest frame's cast, and set the camera's balance by it."""
        if not self._recent:
            return _reply(False, "No frame yet to take the balance from: shoot the backdrop or a grey card.")
        judged = self._recent[-1]
        try:
            words, order = self._cast.of(judged.look)
        except NeutralError as wrong:
            return _reply(False, f"Frame {judged.shown.kept.number} tells no balance: {wrong}.")
        words = f"Frame {judged.shown.kept.number}: {words}"
        if order is None:
            return _reply(True, words)
        ok, text = await self._camera.ask(order)
        return _reply(True, f"{words} {text} Shoot it once more." if ok else f"{words} {text} {BY_HAND}")

    async def _do_place(self, request: Event) -> Event:
        """Tell where the light of a place on a frame lies; nothing is kept."""
        number, x, y = (request.get(key) for key in ("frame", "x", "y"))
        judged = next((one for one in reversed(self._recent) if one.shown.kept.number == number), None)
        if judged is None:
            return _reply(False, "What lies there can't be told: the frame is not in hand any more.")
        if not all(isinstance(at, int | float) and not isinstance(at, bool) and 0 <= at <= 1 for at in (x, y)):
            return _reply(False, "A place is told in shares of the picture, 0 to 1.")
        reading = read_spot(Spot("", x, y), judged.look, self._rules.response)  # type: ignore[arg-type]
        told = {"stops": round(reading.stops, 3), "zone": zone_of(reading.stops), "bound": reading.bound}
        return {**_reply(True, place_words(reading.stops, reading.bound)), **told}

    async def _do_mix(self, request: Event) -> Event:
        """Show a mix of lamps that somebody has reckoned, beside the light as it is."""
        preview = request.get("preview")
        if not isinstance(preview, dict):
            return _reply(False, "A mix is shown as a picture.")
        self._publish({"event": "mix", "preview": preview, "text": clean(str(request.get("text") or ""), 300)})
        return _reply(True, "The mix is in the panel.")

    async def _do_stop(self, request: Event) -> Event:
        self.stop()
        return _reply(True, "Stopping.")


class _RunStage:
    """The service as a run sees it (`bracket.Stage`)."""

    def __init__(self, service: Service) -> None:
        self._service = service
        self._blind = False
        """The camera has said that it shows nothing without a shot."""

    @property
    def camera(self) -> Event:
        return self._service._camera.now

    def known(self) -> Known | None:
        service = self._service
        if service._verdict is None or not service._memory.frames:
            return None
        return Known(service._rules, service._verdict)

    def frames(self) -> int:
        return self._service._memory.total

    async def ask(self, what: Event) -> tuple[bool, str]:
        return await self._service._camera.ask(what)

    async def frame(self, after: int, setting: Setting, timeout_s: float) -> bool:
        service = self._service

        def came() -> bool:
            """Say whether it is there; one shot by hand meanwhile, otherwise exposed, is not."""
            new = [frame.kept for frame in service._memory.frames if frame.kept.number > after]
            return any(setting.is_like(_setting_of(kept.verdict)) for kept in new)

        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(timeout_s), service._came:
                await service._came.wait_for(lambda: came() or service._stop.is_set())
        return came()

    def newest(self) -> Event | None:
        frames = self._service._memory.frames
        return frames[-1].kept.verdict if frames else None

    async def mark(self, frame: int, what: str) -> None:
        await self._service._do_said({"do": "lamp", "name": what, "frame": frame})

    async def glimpse(self) -> Glimpse | None:
        camera = self._service._camera
        if not self._blind and camera.now["state"] == "ready":
            ok, text = await camera.ask({"do": "view", "on": True})
            self._blind = text == NO_VIEW
            return camera.seen if ok else None
        return None

    async def end_glimpses(self) -> None:
        await self._service._camera.ask({"do": "view", "on": False})

    def tell(self, run: Event) -> None:
        self._service._publish({"event": "run", "run": run})


def _setting_of(verdict: Event) -> Setting:
    exposure = verdict.get("exposure") or {}
    return Setting(exposure.get("f_number"), exposure.get("shutter_s"))


class _NotNowError(Exception):
    """Something asked for cannot be done at the moment."""


def _reply(ok: bool, text: str) -> Event:
    return {"ok": ok, "text": text}


def _note(entry: tuple[str, str], journal: Journal) -> None:
    journal.note(*entry)


def _say_again(kept: Kept, preview: Event | None, journal: Journal) -> None:
    journal.add_verdict(kept.path, kept.digest, kept.verdict, preview)


def _by_tag(look: Look, body: Body) -> bool:
    """Say whether a frame of a camera was measured by its file's word for where white is, for want of a better."""
    full = look.full
    return full is not None and full.source == "tag" and full.body == body and not full.contradicted


def _is(shown: Shown, owner: tuple[bytes, str]) -> bool:
    return (shown.kept.path, shown.kept.digest) == owner


def _nothing() -> None:
    """Do nothing: the service says only once that it is ready; a desk that does nothing works."""


def _say_if_failed(task: asyncio.Task[Any]) -> None:
    if not task.cancelled() and task.exception() is not None:
        log.error("something in the background failed", exc_info=task.exception())


# ---------------------------------------------------------------- joining the real ones


def serve(
    folder: Path,
    options: Options,
    *,
    ready: Callable[[Event], None] = lambda where: None,
    tell: Callable[[Event], None] = lambda event: None,
) -> None:
    """
    Watch a folder until SIGTERM, SIGINT or a client's `stop`. Call it in the main thread.

    Args:
        folder:  the shoot's folder.
        options: what was asked for.
        ready:   called once the folder is truly being watched.
        tell:    hears every event that clients hear.

    Raises:
        StartError: it cannot be watched; one line for a person.
    """
    from lampblack.daemon.tether import Tether

    def tether(address: str, home: Path, emit: Callable[[Event], None]) -> TetherLike:
        return Tether(address, folder, emit, home=home)

    try:
        thresholds = load_thresholds(folder)
        tethered = None if options.camera is None else partial(tether, options.camera, camera_home())
    except ConfigError as wrong:
        raise StartError(str(wrong)) from None
    parts = Parts(thresholds, lambda: Eye(thresholds), tethered, judge=learning.judge, wells=learning.wells)

    async def main() -> None:
        await Service(folder, options, parts, tell).run(ready)

    keep_memory()
    asyncio.run(main())
