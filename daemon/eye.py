"""
The eye: a process of its own that reads files nobody vouches for.

A bomb or a crash in a decoder costs the eye, not the service: memory is limited, time is limited, and a new eye is
opened at once.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import queue
import resource
import signal
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing.connection import Connection
from typing import Any

from lampblack.daemon.clean import clean
from lampblack.daemon.decode import Decoded, decode_file
from lampblack.daemon.refusal import FrameRefusedError, Refused
from lampblack.daemon.showing import Known, Shown, preview_json, shown
from lampblack.rules.cleanness import tone_of
from lampblack.rules.frame import Sensor
from lampblack.rules.given import NOTHING_GIVEN, Given
from lampblack.rules.look import Look, look
from lampblack.rules.preview import preview
from lampblack.rules.radiance import Radiance
from lampblack.rules.shoot import BackdropWish
from lampblack.rules.thresholds import Thresholds

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
    known: Radiance | None
    backdrop: BackdropWish
    given: Given = NOTHING_GIVEN


@dataclass(frozen=True, eq=False)
class _ShowJob:
    path: bytes
    long_side: int
    known: Known


class Eye:
    """Opens a worker when first needed; `see` may be called from any one thread at a time."""

    def __init__(self, thresholds: Thresholds) -> None:
        """Take the thresholds; no process is started yet."""
        self._thresholds = thresholds
        self._process: Any = None
        self._pipe: Connection | None = None

    def open(self) -> None:
        """Start the worker ahead of need, so that the first frame doesn't wait for it."""
        if self._process is None or not self._process.is_alive():
            self.close()
            spawn = multiprocessing.get_context("spawn")
            self._pipe, theirs = spawn.Pipe()
            self._process = spawn.Process(
                target=_work, args=(theirs, self._thresholds), name="lampblack-eye", daemon=True
            )
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
        answer = self._asked(_Job(path, partner, known, backdrop, given), timeout_s)
        assert isinstance(answer, Seen | Refused)
        return answer

    def show(self, path: bytes, long_side: int, known: Known, *, timeout_s: float = 60) -> Shown | Refused:
        """Make a picture of a file to be looked at, no larger than `long_side` pixels, by what is known of it."""
        answer = self._asked(_ShowJob(path, long_side, known), timeout_s)
        assert isinstance(answer, Shown | Refused)
        return answer

    def _asked(self, job: _Job | _ShowJob, timeout_s: float) -> Seen | Shown | Refused:
        self.open()
        assert self._pipe is not None
        try:
            self._pipe.send(job)
            if self._pipe.poll(timeout_s):
                answer: Seen | Shown | Refused = self._pipe.recv()
                return answer
            reason = (
                f"measuring took over {timeout_s:.0f} s and was given up: copy the file again, or export it smaller"
            )
        except (EOFError, OSError):
            reason = "reading it crashed the decoder: the file is damaged or hostile, leave it out"
        self.close()
        return Refused(reason, final=True)

    @property
    def pid(self) -> int:
        """Return the worker's process id; 0 while there is none."""
        return 0 if self._process is None else int(self._process.pid)

    def close(self) -> None:
        """End the worker; a later `see` opens a new one."""
        if self._pipe is not None:
            self._pipe.close()
            self._pipe = None
        if self._process is not None:
            self._process.kill()
            self._process.join()
            self._process.close()
            self._process = None


class Eyes:
    """Several eyes side by side, one a core, for showing many frames; to be used in a `with`."""

    def __init__(self, thresholds: Thresholds) -> None:
        """Take the thresholds; no process is started yet."""
        count = min(len(os.sched_getaffinity(0)), _MOST_EYES)
        self._idle: queue.SimpleQueue[Eye] = queue.SimpleQueue()
        self._eyes = [Eye(thresholds) for _ in range(count)]
        for eye in self._eyes:
            self._idle.put(eye)
        self._hands = ThreadPoolExecutor(count)

    def __enter__(self) -> Eyes:
        """Return itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Give up what isn't shown yet, and end the eyes."""
        self._hands.shutdown(cancel_futures=True)
        for eye in self._eyes:
            eye.close()

    def show(self, files: Sequence[tuple[bytes, Known]], long_side: int) -> Iterator[Shown | Refused]:
        """Make a picture of each file as `Eye.show` does; it begins at once, and they come in order."""

        def one(job: tuple[bytes, Known]) -> Shown | Refused:
            eye = self._idle.get()
            try:
                return eye.show(job[0], long_side, job[1])
            finally:
                self._idle.put(eye)

        return self._hands.map(one, files)


_MOST_EYES = 4  # each holds a frame as it is unpacked


def _work(pipe: Connection, thresholds: Thresholds) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the service's to answer
    with contextlib.suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_AS, (_MEMORY_LIMIT, _MEMORY_LIMIT))
    try:
        while True:
            job: _Job | _ShowJob = pipe.recv()
            pipe.send(_see(job, thresholds))
    except (EOFError, OSError):  # whoever asked is gone, maybe killed while we looked
        os._exit(0)


def _see(job: _Job | _ShowJob, thresholds: Thresholds) -> Seen | Shown | Refused:
    try:
        if isinstance(job, _ShowJob):
            return shown(job.path, job.long_side, thresholds, job.known)
        return see_here(
            job.path, thresholds, partner=job.partner, known=job.known, backdrop=job.backdrop, given=job.given
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
    known: Radiance | None = None,
    backdrop: BackdropWish = "auto",
    given: Given = NOTHING_GIVEN,
) -> Seen:
    """
    Measure one file in this very process; with the raw file of the same shot, from that.

    Raises:
        FrameRefusedError: it can't be measured.
    """
    decoded = decode_file(path, thresholds)
    none = backdrop == "none"
    seen, raw = None, None if partner in (None, path) else _raw_of_same_shot(partner, decoded, thresholds)
    if raw is not None:
        # The raw is the measure; the JPEG tells how the camera shows it, and what it will show of JPEGs to come.
        jpeg = look(decoded.picture, thresholds, known, no_backdrop=none, given=given)
        seen = look(raw, thresholds, jpeg.radiance or known, no_backdrop=none, given=given)
        seen = replace(seen, shown=jpeg.without_radiance())
    seen = seen or look(decoded.picture, thresholds, known, no_backdrop=none, given=given)
    tone = None if backdrop == "none" else tone_of(seen, thresholds) if backdrop == "auto" else backdrop
    small = preview(seen, tone, thresholds)
    return Seen(seen, decoded.digest, preview_json(small.rgb, small.marks))


def _raw_of_same_shot(partner: bytes, decoded: Decoded, thresholds: Thresholds) -> Sensor | None:
    """Return the raw beside a JPEG, or None where it can't be read or was exposed otherwise: the JPEG does then."""
    try:
        raw = decode_file(partner, thresholds).picture
    except FrameRefusedError:
        return None
    ours, theirs = decoded.picture.shot.exposure.stops, raw.shot.exposure.stops
    if not isinstance(raw, Sensor) or (ours is not None and theirs is not None and abs(ours - theirs) > 0.2):
        return None
    return raw
