"""
The eye: a process of its own that reads files nobody vouches for.

A bomb or a crash in a decoder costs the eye, not the service: memory is limited, time is limited, and a new eye is
opened at once.
"""

from __future__ import annotations

import contextlib
import ctypes
import multiprocessing
import os
import pickle
import resource
import signal
import tempfile
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from multiprocessing import resource_tracker
from multiprocessing.connection import Connection
from multiprocessing.reduction import DupFd
from queue import LifoQueue
from typing import Any, Generic, TypeVar

import cv2

from lampblack.daemon.clean import clean
from lampblack.daemon.decode import Decoded, Room, decode_file
from lampblack.daemon.refusal import FrameRefusedError, Refused
from lampblack.daemon.showing import Known, Shown, preview_json, shown
from lampblack.rules.beside import Beside, when_asked
from lampblack.rules.cells import Cells
from lampblack.rules.cleanness import tone_of
from lampblack.rules.frame import Picture, Sensor
from lampblack.rules.given import NOTHING_GIVEN, Given
from lampblack.rules.look import Look, look, reduced, reduced_with
from lampblack.rules.preview import preview, with_spill
from lampblack.rules.radiance import Radiance
from lampblack.rules.shoot import BackdropWish
from lampblack.rules.thresholds import Thresholds
from lampblack.rules.wells import NO_WELLS

T = TypeVar("T")

_MEMORY_LIMIT = 6 << 30  # address space, not memory in use: libraries reserve far more than they touch


@dataclass(frozen=True, eq=False)
class Seen:
    """A measured frame: its look, the digest of its file, and the socket's `preview`."""

    look: Look
    digest: str
    preview: dict[str, Any]


@dataclass(frozen=True, eq=False)
class _Job:
    path: bytes
    partner: bytes | None
    backdrop: BackdropWish
    given: Given = NOTHING_GIVEN
    waits: bool = False
    """Whether the light is told when it is asked for. Else it comes right after, and is read while the file is."""


@dataclass(frozen=True, eq=False)
class _ShowJob:
    path: bytes
    long_side: int
    known: Known


class _Waits:
    """Sent by a worker that can't go on without the light."""


class _Laid:
    """Sent instead of what lies on the shelf."""


class _Shelf:
    """
    Memory that a worker and its owner both see: what one lays there the other takes, each in turn.

    Looks are megabytes, and a pipe hands them over in small portions, one waiting for the other.
    """

    def __init__(self, handle: int) -> None:
        """Take the handle of a file that nobody else uses."""
        self._handle = handle

    @classmethod
    def empty(cls) -> _Shelf:
        """Return a new one: a file without a name, in memory where the system has such."""
        if hasattr(os, "memfd_create"):
            return cls(os.memfd_create("lampblack-eye"))
        with tempfile.TemporaryFile() as file:
            return cls(os.dup(file.fileno()))

    def __reduce__(self) -> Any:
        """Go along with a process that is begun."""
        return _shelf_of, (DupFd(self._handle),)

    def lay(self, thing: Any) -> None:
        """Lay something there, in place of what was there before."""
        os.lseek(self._handle, 0, os.SEEK_SET)
        with open(self._handle, "wb", closefd=False) as file:
            pickle.dump(thing, file, pickle.HIGHEST_PROTOCOL)

    def take(self) -> Any:
        """Return what lies there."""
        os.lseek(self._handle, 0, os.SEEK_SET)
        with open(self._handle, "rb", closefd=False) as file:
            return pickle.load(file)  # noqa: S301 - as a pipe would

    def make_ready(self) -> None:
        """
        Have memory from the kernel for as much as was laid there last, while there is nothing to take.

        Given back at once it stays with the process (`keep_memory`), and what is taken next need not wait for it.
        """
        bytearray(os.fstat(self._handle).st_size)

    def close(self) -> None:
        """Let go of it."""
        os.close(self._handle)


class _Post:
    """One end of the way between a worker and its owner, who write to each other in turn."""

    def __init__(self, pipe: Connection, shelf: _Shelf | None) -> None:
        """Take the pipe, by which is told that something has come, and the shelf for what is large, if there is one."""
        self._pipe, self._shelf = pipe, shelf

    def send(self, thing: Any) -> None:
        """Hand something small over."""
        self._pipe.send(thing)

    def lay(self, thing: Any) -> None:
        """Hand something large over. Whatever was laid before has been taken by then."""
        if self._shelf is None:
            self._pipe.send(thing)
        else:
            self._shelf.lay(thing)
            self._pipe.send(_Laid())

    def recv(self) -> Any:
        """Return what was handed over; blocks until something is."""
        said = self._pipe.recv()
        return self._shelf.take() if self._shelf is not None and isinstance(said, _Laid) else said


def _shelf_of(handle: Any) -> _Shelf:
    return _Shelf(handle.detach())


class Eye:
    """
    Opens a worker when first needed; `see` may be called from any one thread at a time.

    Who has several eyes doesn't wait for one: `begin`, then `answer` whenever `pipe` has something; `None` asks to be
    told the light (`tell`), and after that comes the frame.
    """

    def __init__(self, thresholds: Thresholds, threads: int | None = None) -> None:
        """Take the thresholds, and on how many threads it may work; no process is started yet."""
        self._thresholds, self._threads = thresholds, threads
        self._process: Any = None
        self._shelf: _Shelf | None = None
        self.pipe: Connection | None = None
        """To the worker, if there is one."""

    def open(self) -> None:
        """Start the worker ahead of need, so that the first frame doesn't wait for it."""
        if self._process is None or not self._process.is_alive():
            self.close()
            spawn = multiprocessing.get_context("spawn")
            self.pipe, theirs = spawn.Pipe()
            self._shelf = _Shelf.empty()
            self._process = spawn.Process(
                target=_work,
                args=(theirs, self._thresholds, self._threads, self._shelf),
                name="lampblack-eye",
                daemon=True,
            )
            with _undisturbed():
                self._process.start()
            theirs.close()

    def see(
        self,
        path: bytes,
        *,
        partner: bytes | None = None,
        known: Radiance | None = None,
        backdrop: BackdropWish = "auto",
        given: Given = NOTHING_GIVEN,
        timeout_s: float = 60,
    ) -> Seen | Refused:
        """
        Measure one file.

        Args:
            path: the file, as bytes.
            partner: the raw file of the same shot, if any.
            known: the setup's light so far.
            backdrop: what the photographer said the backdrop is.
            given: what they said of where it is.
            timeout_s: after that the eye is closed and the frame refused.
        """
        answer = self._asked(_Job(path, partner, backdrop, given), timeout_s, known)
        assert isinstance(answer, Seen | Refused)
        return answer

    def begin(self, path: bytes, partner: bytes | None, backdrop: BackdropWish, given: Given) -> None:
        """Have a file read, up to where the light of the frames before it is needed; see `see`."""
        self.open()
        assert self.pipe is not None
        with contextlib.suppress(OSError):  # it died: `answer` says so
            self._post.send(_Job(path, partner, backdrop, given, waits=True))

    def tell(self, known: Radiance | None) -> None:
        """Tell the light that the file begun is to be measured by."""
        assert self.pipe is not None
        with contextlib.suppress(OSError):  # likewise
            self._post.lay(known)

    def answer(self) -> Seen | Refused | None:
        """Return the frame, or why it can't be measured; None: it waits to be told. Blocks until there is something."""
        assert self.pipe is not None
        try:
            said = self._post.recv()
        except (EOFError, OSError):
            return self.give_up(_CRASHED)
        return None if isinstance(said, _Waits) else said

    @property
    def _post(self) -> _Post:
        assert self.pipe is not None
        return _Post(self.pipe, self._shelf)

    def give_up(self, reason: str) -> Refused:
        """End the worker in the midst of its file; return that as a refusal."""
        self.close()
        return Refused(reason, final=True)

    def show(self, path: bytes, long_side: int, known: Known, *, timeout_s: float = 60) -> Shown | Refused:
        """Make a picture of a file to be looked at, no larger than `long_side` pixels, by what is known of it."""
        answer = self._asked(_ShowJob(path, long_side, known), timeout_s)
        assert isinstance(answer, Shown | Refused)
        return answer

    def _asked(self, job: _Job | _ShowJob, timeout_s: float, known: Radiance | None = None) -> Seen | Shown | Refused:
        self.open()
        assert self.pipe is not None
        try:
            self._post.send(job)
            if isinstance(job, _Job):
                self._post.lay(known)
                if self._shelf is not None:
                    self._shelf.make_ready()
            if self.pipe.poll(timeout_s):
                answer: Seen | Shown | Refused = self._post.recv()
                return answer
        except (EOFError, OSError):
            return self.give_up(_CRASHED)
        return self.give_up(too_long(timeout_s))

    @property
    def pid(self) -> int:
        """Return the worker's process id; 0 while there is none."""
        return 0 if self._process is None else int(self._process.pid)

    def close(self) -> None:
        """End the worker; a later `see` opens a new one."""
        if self.pipe is not None:
            self.pipe.close()
            self.pipe = None
        if self._shelf is not None:
            self._shelf.close()
            self._shelf = None
        if self._process is not None:
            self._process.kill()
            self._process.join()
            self._process.close()
            self._process = None


_CRASHED = "reading it crashed the decoder: the file is damaged or hostile, leave it out"


def too_long(timeout_s: float) -> str:
    """Return why a file was given up."""
    return f"measuring took over {timeout_s:.0f} s and was given up: copy the file again, or export it smaller"


@contextlib.contextmanager
def _undisturbed() -> Iterator[None]:
    """Let Ctrl-C wait: a start that is broken off ends in a complaint, and whoever has just started can't ignore it."""
    came: list[int] = []
    resource_tracker.ensure_running()  # it would take the mask off again
    mask = signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGINT])  # the child begins with it
    here = threading.current_thread() is threading.main_thread()  # else nothing is raised by it anyway
    before = signal.signal(signal.SIGINT, lambda number, frame: came.append(number)) if here else None
    try:
        yield
    finally:
        if here:
            signal.signal(signal.SIGINT, before or signal.SIG_DFL)
        signal.pthread_sigmask(signal.SIG_SETMASK, mask)
        if came:
            signal.raise_signal(signal.SIGINT)


_KEPT = {-4: 0, -1: 1 << 30, -2: 64 << 20, -8: 1}
"""
What glibc is told (mallopt(3)): M_MMAP_MAX, M_TRIM_THRESHOLD and M_TOP_PAD in bytes, M_ARENA_MAX.

Grids of a few megabytes come and go by the hundred; had anew from the kernel each time, they take a seventh longer. So
do files of raw samples, which no threshold that glibc takes is large enough for: nothing is mapped by itself.
"""


def keep_memory() -> None:
    """Keep memory that was used once for the next step and the next frame, where the C library can be told to."""
    with contextlib.suppress(OSError, AttributeError):
        libc = ctypes.CDLL(None)
        for what, value in _KEPT.items():
            libc.mallopt(what, value)


def _work(pipe: Connection, thresholds: Thresholds, threads: int | None = None, shelf: _Shelf | None = None) -> None:
    keep_memory()
    if threads is not None:
        cv2.setNumThreads(threads)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the service's to answer
    with contextlib.suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_AS, (_MEMORY_LIMIT, _MEMORY_LIMIT))
    post, means = _Post(pipe, shelf), Means(Room(), when_asked if threads == 1 else a_thread())
    try:
        while True:
            job: _Job | _ShowJob = post.recv()
            follows = isinstance(job, _Job) and not job.waits
            light: Callable[[], Radiance | None] = means.beside(post.recv) if follows else partial(_asked_light, post)
            answer = _see(job, thresholds, light, means)
            if follows:
                light()  # taken, though the file may have been refused
            post.lay(answer)
    except (EOFError, OSError):  # whoever asked is gone, maybe killed while we looked
        os._exit(0)


def _asked_light(post: _Post) -> Radiance | None:
    try:
        post.send(_Waits())
        light: Radiance | None = post.recv()
    except (EOFError, OSError):  # whoever would tell is gone
        os._exit(0)
    return light


@dataclass(frozen=True, eq=False)
class Means:
    """What frames may be measured with: room for pixels, kept from one to the next; how work goes on beside other."""

    room: Room | None = None
    beside: Beside = when_asked


def a_thread() -> Beside:
    """
    Return what begins work on a thread of its own. Images are worked on by libraries that let others run.

    What was begun last is done first: that is what will be waited for soonest.
    """
    begun: LifoQueue[_Once[Any]] = LifoQueue()

    def work_off() -> None:
        while True:
            with contextlib.suppress(Exception):  # who asks for the result comes upon it, too
                begun.get()()

    threading.Thread(target=work_off, name="lampblack-aside", daemon=True).start()

    def begin(work: Callable[[], T], /) -> Callable[[], T]:
        once = _Once(work)
        begun.put(once)
        return once

    return begin


class _Once(Generic[T]):
    """
    Work that is done by whoever comes to it first: the thread aside, or who asks for its result.

    Else who asks would wait for a thread that is at something else, which nobody has asked for yet.
    """

    def __init__(self, work: Callable[[], T]) -> None:
        self._work: Callable[[], T] | None = work
        self._lock = threading.Lock()

    def __call__(self) -> T:
        with self._lock:
            if self._work is not None:
                self._result = self._work()
                self._work = None  # what it holds is let go of
            return self._result


def _see(
    job: _Job | _ShowJob, thresholds: Thresholds, light: Callable[[], Radiance | None], means: Means
) -> Seen | Shown | Refused:
    try:
        if isinstance(job, _ShowJob):
            return shown(job.path, job.long_side, thresholds, job.known)
        return see_here(
            job.path,
            thresholds,
            partner=job.partner,
            known=light,
            backdrop=job.backdrop,
            given=job.given,
            means=means,
            waits=job.waits,
        )
    except FrameRefusedError as refusal:
        return Refused(str(refusal), refusal.final)
    except MemoryError:
        return Refused("it needs more memory than is allowed for one frame: export it smaller", final=True)
    except Exception as bug:  # one frame's trouble must not become the shoot's
        return Refused(
            clean(f"measuring failed ({type(bug).__name__}: {bug}), which is no fault of the frame: leave it out"),
            final=True,
        )


def see_here(
    path: bytes,
    thresholds: Thresholds,
    *,
    partner: bytes | None = None,
    known: Radiance | Callable[[], Radiance | None] | None = None,
    backdrop: BackdropWish = "auto",
    given: Given = NOTHING_GIVEN,
    means: Means | None = None,
    waits: bool = False,
) -> Seen:
    """
    Measure one file in this very process; with the raw file of the same shot, from that.

    known: the light, or who is asked for it once the file is decoded. means: what it may be done with. waits: whether
    the answer may be long in coming: then what can be done without it is done before.

    Raises:
        FrameRefusedError: it can't be measured.
    """
    means = means or Means()
    beside = means.beside
    decoded = decode_file(path, thresholds, means.room, beside)
    none = backdrop == "none"
    raw = None if partner in (None, path) else _raw_of_same_shot(partner, decoded, thresholds, beside)
    pictures = [decoded.picture] if raw is None else [decoded.picture, raw]
    (cells, *of_raw), light = _in_cells(pictures, thresholds, known, beside, waits=waits)
    seen = look(decoded.picture, thresholds, light, no_backdrop=none, given=given, cells=cells, beside=beside)
    if raw is not None:
        # The raw is the measure; the JPEG tells how the camera shows it, and what it will show of JPEGs to come.
        jpeg = seen
        light = jpeg.radiance or light
        seen = look(raw, thresholds, light, no_backdrop=none, given=given, cells=of_raw[0], beside=beside)
        seen = replace(seen, shown=jpeg.without_radiance())
    span = beside(lambda: seen.span)  # whoever judges the frame asks for it: here is a thread for it
    plain = beside(partial(preview, seen, None, thresholds))
    tone = None if backdrop == "none" else tone_of(seen, thresholds) if backdrop == "auto" else backdrop
    small = with_spill(plain(), seen, thresholds) if tone == "black" else plain()
    span()
    return Seen(seen, decoded.digest, preview_json(small.rgb, small.marks))


def _in_cells(
    pictures: Sequence[Picture | Sensor],
    thresholds: Thresholds,
    known: Radiance | Callable[[], Radiance | None] | None,
    beside: Beside,
    *,
    waits: bool,
) -> tuple[list[Cells], Radiance | None]:
    """Return pictures in cells, by what is known of where the camera is full; and the light (see `see_here`)."""
    ahead = [reduced(each, thresholds, NO_WELLS, beside) for each in pictures] if waits else None
    light = known() if callable(known) else known
    wells = NO_WELLS if light is None else light.wells
    if ahead is None:
        return [reduced(each, thresholds, wells, beside) for each in pictures], light
    # The frames before this one were still being measured: one of them may have shown where the camera is full.
    both = zip(ahead, pictures, strict=True)
    return [reduced_with(cells, each, thresholds, wells, beside) for cells, each in both], light


def _raw_of_same_shot(partner: bytes, decoded: Decoded, thresholds: Thresholds, beside: Beside) -> Sensor | None:
    """Return the raw beside a JPEG, or None where it can't be read or was exposed otherwise: the JPEG does then."""
    try:
        raw = decode_file(partner, thresholds, beside=beside).picture
    except FrameRefusedError:
        return None
    ours, theirs = decoded.picture.shot.exposure.stops, raw.shot.exposure.stops
    if not isinstance(raw, Sensor) or (ours is not None and theirs is not None and abs(ours - theirs) > 0.2):
        return None
    return raw
