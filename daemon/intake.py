"""
Which files are frames, and when their writers are done with them.

Events are hints: every kind of them only names a path to look at again. What a file *is* comes from looking
at it, and a full look over the folder every half minute is the truth that makes up for lost events.

`WaitingRoom` decides and is pure: paths, what was seen of them and the time go in, files ready to be read come
out. `Intake` is its shell: watchdog, the clock, one thread for all file system calls (so that a hung network
share stalls the intake and nothing else).
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import logging
import os
import re
import stat
import threading
import time
from collections import Counter
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path
from typing import Literal, TypeVar

from watchdog.events import (
    DirCreatedEvent,
    DirMovedEvent,
    FileClosedEvent,
    FileCreatedEvent,
    FileModifiedEvent,
    FileMovedEvent,
    FileSystemEvent,
    FileSystemEventHandler,
)
from watchdog.observers import Observer
from watchdog.observers.api import BaseObserver
from watchdog.observers.polling import PollingObserver

from lampblack.daemon.clean import clean_name

log = logging.getLogger(__name__)
T = TypeVar("T")

PICTURES = frozenset({b".jpg", b".jpeg", b".jpe", b".tif", b".tiff", b".heic", b".heif", b".hif"})
"""What a camera writes as a finished picture; one that can't be read is told so, not passed over."""
_RAW_ENDINGS = (
    b"3fr ari arw cr2 cr3 crw dcr dng erf fff gpr iiq kdc mef mos mrw nef nrw orf pef raf raw rw2 rwl sr2 srf srw x3f"
)
RAWS = frozenset(b"." + ending for ending in _RAW_ENDINGS.split())
_REMOTE = (
    "9p afs ceph cifs coda davfs fuse.davfs2 fuse.gvfsd-fuse fuse.rclone fuse.sshfs glusterfs ncpfs nfs nfs4 smb3 "
    "smbfs virtiofs vboxsf"
)
NETWORK_FILE_SYSTEMS = frozenset(_REMOTE.split())
"""File systems whose other end can write without this machine's kernel saying so."""


# ---------------------------------------------------------------- what is a frame


def kind_of(name: bytes) -> Literal["picture", "raw"] | None:
    """
    Tell a frame's name from others, by its suffix alone, whatever its case; hidden names are nobody's frames.

    >>> kind_of(b"DSC_0001.JPG"), kind_of(b"dsc_0001.nef"), kind_of(b"._DSC_0001.JPG"), kind_of(b"notes.txt")
    ('picture', 'raw', None, None)
    """
    if name.startswith(b"."):
        return None
    suffix = os.path.splitext(name)[1].lower()
    if suffix in PICTURES:
        return "picture"
    return "raw" if suffix in RAWS else None


def is_hidden(path: bytes) -> bool:
    """Say whether any part of a path below the shoot's folder begins with a dot."""
    return any(part.startswith(b".") for part in path.split(b"/"))


def stem_of(path: bytes) -> bytes:
    """Return what a raw file and its JPEG have in common: folder and name without suffix, whatever their case."""
    return os.path.splitext(path)[0].lower()


@dataclass(frozen=True)
class Sight:
    """What one look at a file shows without opening it. Two equal sights: nobody wrote in between."""

    size: int
    mtime_ns: int
    inode: int


@dataclass(frozen=True)
class Odd:
    """Something with a frame's name that is no plain file; `what` is for a person."""

    what: str
    inode: int


def sight_of(found: os.stat_result) -> Sight | Odd | None:
    """Turn an lstat into a sight; None for a folder."""
    mode = found.st_mode
    if stat.S_ISREG(mode):
        return Sight(found.st_size, found.st_mtime_ns, found.st_ino)
    if stat.S_ISDIR(mode):
        return None
    kinds = ((stat.S_ISLNK, "a link"), (stat.S_ISFIFO, "a pipe"), (stat.S_ISSOCK, "a socket"))
    return Odd(next((what for test, what in kinds if test(mode)), "a device"), found.st_ino)


_DIGITS = re.compile(rb"(\d+)")


def shot_order(path: bytes, mtime_ns: int) -> tuple[int, list[tuple[int, bytes]]]:
    """
    Return a sort key: shot order as far as it is known without opening the file.

    Time first, in steps of two seconds (what a FAT card resolves), then the name with its numbers as numbers.

    >>> sorted([b"a10.jpg", b"a9.jpg"], key=lambda p: shot_order(p, 0))
    [b'a9.jpg', b'a10.jpg']
    """
    parts = _DIGITS.split(path)
    name = [(int(part[:18]), b"") if part.isdigit() else (-1, part) for part in parts]
    return mtime_ns // 2_000_000_000, name


# ---------------------------------------------------------------- when is it ready


@dataclass(frozen=True)
class Patience:
    """How long to wait for what, in seconds."""

    ladder_s: tuple[float, ...] = (1.0, 3.0, 6.0, 10.0)
    """A file nobody closed is tried after being unchanged for the first; one that looked cut short again after
    each of the others, and is refused after the last: card readers and Wi-Fi pause for some seconds."""
    pair_s: float = 1.5
    """A raw file alone waits this long for its JPEG: cameras write the pair within about a second."""
    rescan_s: float = 30.0
    check_s: float = 1.0
    """Between looks whether the folder and the observer are still there."""


def next_rung(unchanged_s: float, ladder_s: tuple[float, ...]) -> float | None:
    """
    Return how long a file that looked cut short must be unchanged for the next try; None: no more tries.

    >>> next_rung(0.0, (1, 3)), next_rung(1.2, (1, 3)), next_rung(3.0, (1, 3))
    (1, 3, None)
    """
    return next((rung for rung in ladder_s if rung > unchanged_s), None)


@dataclass(frozen=True)
class Ready:
    """A file whose writer seems to be done, with the raw file of the same name if that is done too."""

    path: bytes
    sight: Sight
    partner: bytes | None = None
    partner_sight: Sight | None = None


@dataclass
class _Waiting:
    sight: Sight
    first: float  # when this sight was first had
    age_s: float  # how old its last change was then, by the file's own clock
    closed: bool
    need_s: float
    tried: bool = False
    alone_at: float | None = None  # a raw file: until when its JPEG may still come

    def still_at(self) -> float:
        """When this file counts as done if nothing changes."""
        if self.tried:
            return self.first + self.need_s
        # Before the first try two hints count, and the decoder judges: a writer that closed it, and an old
        # time of last change (a file moved in from elsewhere brings it along).
        return self.first if self.closed else self.first + max(0.0, self.need_s - self.age_s)


@dataclass
class _InHand:
    sight: Sight
    first: float
    meanwhile: tuple[Sight | None, bool] | None = None  # the last sight had while it was read, and `closed`


_ROUNDING_S = 1e-3  # a wait of 1 s may measure as 0.9999999; the same rung must not come twice


class WaitingRoom:
    """
    Files between being noticed and being dealt with. Pure: the clock is an argument.

    A path is at any time in one place: unknown, waiting, in hand (given out by `take`), or done.
    """

    def __init__(self, patience: Patience, done: Mapping[bytes, Sight] | None = None) -> None:
        """`done`: what was dealt with before, for example by the last service."""
        self.patience = patience
        self.done: dict[bytes, Sight] = dict(done or {})
        self._waiting: dict[bytes, _Waiting] = {}
        self._in_hand: dict[bytes, _InHand] = {}
        self._pictures: Counter[bytes] = Counter()  # stems of the pictures waiting or in hand

    def __len__(self) -> int:
        """Return the number of files noticed and not dealt with."""
        return len(self._waiting) + len(self._in_hand)

    def glimpse(
        self, path: bytes, sight: Sight | None, now: float, *, closed: bool = False, age_s: float = 0.0
    ) -> None:
        """
        Take note of one look at a file.

        Args:
            path:   below the shoot's folder.
            sight:  what was seen; None: it's gone.
            now:    monotonic seconds.
            closed: a writer said it was done (closed it, or renamed it into place) just before this look.
            age_s:  how long ago the file's clock says it last changed.
        """
        held = self._in_hand.get(path)
        if held is not None:
            earlier = held.meanwhile
            held.meanwhile = sight, closed or (earlier is not None and earlier[0] == sight and earlier[1])
            return
        known = self._waiting.get(path)
        if sight is None or self.done.get(path) == sight:
            if known is not None:
                del self._waiting[path]
                self._count(path, -1)
        elif known is None:
            self._waiting[path] = _Waiting(sight, now, max(0.0, age_s), closed, self.patience.ladder_s[0])
            self._count(path, 1)
        elif known.sight != sight:
            self._waiting[path] = _Waiting(sight, now, 0.0, closed, self.patience.ladder_s[0])
        elif closed:
            known.closed = True

    def due(self, now: float) -> list[bytes]:
        """Return the paths to look at once more before `take` gives them out."""
        return [path for path, waiting in self._waiting.items() if waiting.still_at() <= now]

    def take(self, now: float) -> list[Ready]:
        """Give out what is ready, in shot order; each is in hand until `settle`, `put_back` or `unfinished`."""
        still = [(path, w) for path, w in self._waiting.items() if w.still_at() <= now]
        still.sort(key=lambda item: shot_order(item[0], item[1].sight.mtime_ns))
        raws = {stem_of(path): path for path, _ in still if is_raw(path)}
        ready = []
        for path, waiting in still:
            if path not in self._waiting:
                continue  # went along as a partner
            if not is_raw(path):
                raw = raws.pop(stem_of(path), None)
                partner = self._hand_out(raw) if raw is not None else None
                ready.append(Ready(path, self._hand_out(path), raw, partner))
            elif self._goes_alone(path, waiting, now):
                ready.append(Ready(path, self._hand_out(path)))
        return ready

    def _goes_alone(self, path: bytes, waiting: _Waiting, now: float) -> bool:
        if waiting.alone_at is None:
            waiting.alone_at = now + self.patience.pair_s
        return not self._pictures[stem_of(path)] and now >= waiting.alone_at

    def _hand_out(self, path: bytes) -> Sight:
        waiting = self._waiting.pop(path)
        self._in_hand[path] = _InHand(waiting.sight, waiting.first)
        return waiting.sight

    def settle(self, ready: Ready, now: float, *, with_partner: bool = True) -> None:
        """Note that a file given out is dealt with, and its partner too (or that it goes on waiting)."""
        self.done[ready.path] = ready.sight
        self._release(ready.path, None, now)
        if ready.partner is not None and ready.partner_sight is not None:
            if with_partner:
                self.done[ready.partner] = ready.partner_sight
            self._release(ready.partner, ready.partner_sight, now)

    def put_back(self, ready: Ready, sight: Sight | None, now: float) -> None:
        """Note that a file given out changed while it was read, and what it is now (None: gone)."""
        self._release(ready.path, sight, now)
        if ready.partner is not None:
            self._release(ready.partner, ready.partner_sight, now)

    def unfinished(self, ready: Ready, now: float) -> bool:
        """
        Note that a file given out looks cut short, so that it's tried again when unchanged for longer.

        Returns:
            False when patience is at its end: the file stays in hand, for `settle`.
        """
        held = self._in_hand[ready.path]
        rung = next_rung(now - held.first + _ROUNDING_S, self.patience.ladder_s)
        if rung is None:
            return False
        self.put_back(ready, ready.sight, now)
        waiting = self._waiting.get(ready.path)
        if waiting is not None and waiting.sight == ready.sight:
            waiting.first, waiting.need_s, waiting.tried = held.first, rung, True
        return True

    def _release(self, path: bytes, sight: Sight | None, now: float) -> None:
        held = self._in_hand.pop(path)
        self._count(path, -1)
        seen, closed = held.meanwhile if held.meanwhile is not None else (sight, False)
        self.glimpse(path, seen, now, closed=closed)

    def _count(self, path: bytes, change: int) -> None:
        if not is_raw(path):
            self._pictures[stem_of(path)] += change
            if not self._pictures[stem_of(path)]:
                del self._pictures[stem_of(path)]

    def wake_at(self) -> float | None:
        """Return when something here is due next, in monotonic seconds."""
        times = []
        for path, waiting in self._waiting.items():
            if waiting.alone_at is None:
                times.append(waiting.still_at())
            elif not self._pictures[stem_of(path)]:
                times.append(max(waiting.alone_at, waiting.still_at()))
        return min(times, default=None)


def is_raw(path: bytes) -> bool:
    """Say whether a path is a raw file's, by its suffix."""
    return os.path.splitext(path)[1].lower() in RAWS


# ---------------------------------------------------------------- the folder


def file_system_of(mountinfo: str, path: bytes) -> str | None:
    """
    Return the type of the file system a path lies on, from the text of /proc/self/mountinfo.

    Source: proc_pid_mountinfo(5): field 5 is the mount point, octal-escaped; the type follows the lone "-".
    The last line wins among equals: it's mounted on top.
    """
    best, kind = -1, None
    for line in mountinfo.splitlines():
        fields = line.split(" ")
        if len(fields) < 7 or "-" not in fields[6:]:
            continue
        point = re.sub(r"\\([0-7]{3})", lambda m: chr(int(m[1], 8)), fields[4]).encode("latin-1", "replace")
        inside = path == point or path.startswith(point.rstrip(b"/") + b"/")
        if inside and len(point) >= best:
            best, kind = len(point), fields[fields.index("-", 6) + 1]
    return kind


def is_remote(folder: bytes) -> bool:
    """Say whether a folder lies on a network file system; False where that can't be known."""
    try:
        text = Path("/proc/self/mountinfo").read_text("latin-1")
    except OSError:
        return False
    return file_system_of(text, os.path.realpath(folder)) in NETWORK_FILE_SYSTEMS


def look_at(root: bytes, path: bytes) -> Sight | Odd | None:
    """Look at one path below root; None: nothing there (any more), or a folder."""
    try:
        return sight_of(os.lstat(os.path.join(root, path)))
    except (OSError, ValueError):
        return None


def scan(root: bytes, below: bytes = b"") -> tuple[list[tuple[bytes, Sight | Odd]], list[str]]:
    """
    Return everything with a frame's name under root (or one of its folders), and what could not be listed.

    Links are not followed, hidden folders not entered.
    """
    found: list[tuple[bytes, Sight | Odd]] = []
    troubles: list[str] = []
    folders = [below]
    while folders:
        folder = folders.pop()
        try:
            with os.scandir(os.path.join(root, folder)) as entries:
                for entry in entries:
                    path = os.path.join(folder, entry.name)
                    if entry.is_dir(follow_symlinks=False):
                        if not entry.name.startswith(b"."):
                            folders.append(path)
                    elif kind_of(entry.name) is not None:
                        seen = look_at(root, path)
                        if seen is not None:
                            found.append((path, seen))
        except (FileNotFoundError, NotADirectoryError):
            continue  # it went away between being listed and being read
        except OSError as wrong:
            troubles.append(f"{clean_name(folder) if folder else 'the folder'} cannot be listed: {wrong.strerror}")
    return found, troubles


# ---------------------------------------------------------------- events


@dataclass
class _Hint:
    closed: bool = False
    folder: bool = False


class Mailbox:
    """Where other threads leave paths for the loop to look at: the only thing a handler may do."""

    def __init__(self, loop: asyncio.AbstractEventLoop, wake: Callable[[], None]) -> None:
        """`wake` is called in the loop, once for any number of hints."""
        self._loop, self._wake = loop, wake
        self._lock = threading.Lock()
        self._hints: dict[bytes, _Hint] = {}
        self._rescan = False
        self._rung = False

    def post(self, path: bytes, *, closed: bool = False, folder: bool = False) -> None:
        """Leave an absolute path. Safe from any thread, also after the loop has ended."""
        with self._lock:
            hint = self._hints.setdefault(path, _Hint())
            hint.closed |= closed
            hint.folder |= folder
        self._ring()

    def post_rescan(self) -> None:
        """Ask for a full look: events were lost."""
        with self._lock:
            self._rescan = True
        self._ring()

    def _ring(self) -> None:
        with self._lock:
            if self._rung:
                return
            self._rung = True
        with contextlib.suppress(RuntimeError):  # the loop is closed
            self._loop.call_soon_threadsafe(self._wake)

    def empty(self) -> tuple[dict[bytes, _Hint], bool]:
        """Take out everything left so far."""
        with self._lock:
            hints, rescan = self._hints, self._rescan
            self._hints, self._rescan, self._rung = {}, False, False
        return hints, rescan


class _Handler(FileSystemEventHandler):
    """An exception in here would end watchdog's thread without a word, so it only posts."""

    def __init__(self, mailbox: Mailbox) -> None:
        self._mailbox = mailbox

    def dispatch(self, event: FileSystemEvent) -> None:
        moved = isinstance(event, FileMovedEvent | DirMovedEvent)
        path = os.fsencode(event.dest_path if moved else event.src_path)
        if event.is_directory:
            self._mailbox.post(path, folder=True)
        elif kind_of(os.path.basename(path)) is not None:
            self._mailbox.post(path, closed=moved or isinstance(event, FileClosedEvent))


_EVENTS: list[type[FileSystemEvent]] = [
    FileCreatedEvent,
    FileMovedEvent,
    FileModifiedEvent,
    FileClosedEvent,
    DirCreatedEvent,
    DirMovedEvent,
]


class _WarningsMeanRescan(logging.Handler):
    """watchdog says "queue overflowed" in its log and nowhere else."""

    def __init__(self, mailbox: Mailbox) -> None:
        super().__init__(logging.WARNING)
        self._mailbox = mailbox

    def emit(self, record: logging.LogRecord) -> None:
        self._mailbox.post_rescan()


class FolderWatch:
    """
    A watchdog observer that can be asked whether it still works. All methods block; call them in a thread.

    Polls network file systems, and everything when the kernel's limits for watches are used up.
    """

    POLL_S = 1.0

    def __init__(self, folder: bytes, mailbox: Mailbox) -> None:
        """Watches nothing yet."""
        self._folder, self._mailbox = folder, mailbox
        self._observer: BaseObserver | None = None
        self._log_tap = _WarningsMeanRescan(mailbox)
        self.polling = False

    def start(self) -> str | None:
        """
        Begin; returns one line when it had to fall back to polling.

        Raises:
            OSError: the folder cannot be watched at all.
        """
        logging.getLogger("watchdog").addHandler(self._log_tap)
        if is_remote(self._folder):
            self._run(PollingObserver(timeout=self.POLL_S), polling=True)
            return "This folder is on a network drive, which tells nothing of new files: looking every second."
        try:
            self._run(_native_observer(), polling=False)
        except OSError as wrong:
            if wrong.errno not in (errno.ENOSPC, errno.EMFILE):
                raise
            limit = "max_user_watches" if wrong.errno == errno.ENOSPC else "max_user_instances"
            self._run(PollingObserver(timeout=self.POLL_S), polling=True)
            return (
                f"The system's limit for watched folders is used up (fs.inotify.{limit}; the disk isn't full): "
                "looking every second instead."
            )
        return None

    def _run(self, observer: BaseObserver, *, polling: bool) -> None:
        self._observer, self.polling = observer, polling
        try:
            observer.schedule(_Handler(self._mailbox), os.fsdecode(self._folder), recursive=True, event_filter=_EVENTS)
            observer.start()
        except BaseException:
            self._end()
            raise

    def healthy(self) -> bool:
        """Say whether every thread behind this lives: an observer "alive" whose emitter died reports nothing."""
        if self._observer is None:
            return False
        reader = getattr(self._observer, "_inotify_fd", None)
        threads: list[threading.Thread] = [self._observer, *self._observer.emitters]
        if isinstance(reader, threading.Thread):
            threads.append(reader)
        return bool(self._observer.emitters) and all(thread.is_alive() for thread in threads)

    def stop(self) -> None:
        """End; twice does no harm."""
        logging.getLogger("watchdog").removeHandler(self._log_tap)
        self._end()

    def _end(self) -> None:
        observer, self._observer = self._observer, None
        if observer is None:
            return
        observer.stop()
        if observer.is_alive():
            observer.join(5)
        else:
            observer.on_thread_stop()  # never ran: its inotify thread did


def _native_observer() -> BaseObserver:
    with contextlib.suppress(ImportError):
        from watchdog.observers.inotify_move_event_grouper import InotifyMoveEventGrouper

        # Half a second's wait for a rename's other half holds up every event behind it; both halves come out
        # of the kernel in one read.
        InotifyMoveEventGrouper.delay = 0.02
    return Observer(timeout=1.0)


# ---------------------------------------------------------------- the shell


class Ended(Enum):
    """Why an intake's run is over."""

    STOPPED = "stopped"
    FOLDER_GONE = "folder gone"


@dataclass
class IntakeEvents:
    """What an intake calls, in the loop. All must return soon."""

    ready: Callable[[Ready], None]
    odd: Callable[[bytes, Odd], None]
    trouble: Callable[[str], None]
    scanned: Callable[[], None] = field(default=lambda: None)
    """After each full look; the first comes after the observer runs."""


class Intake:
    """Follows one folder until it is stopped or the folder goes away. Its methods belong to the loop."""

    def __init__(
        self,
        folder: bytes,
        events: IntakeEvents,
        *,
        patience: Patience | None = None,
        done: Mapping[bytes, Sight] | None = None,
    ) -> None:
        """
        Args:
            folder:   the shoot's folder.
            events:   what to call.
            patience: how long to wait for what.
            done:     files dealt with before, by path below the folder.
        """
        self.folder = folder
        self.patience = patience or Patience()
        self.room = WaitingRoom(self.patience, done)
        self._events = events
        self._awake = asyncio.Event()
        self._stopping = False
        self._mailbox = Mailbox(asyncio.get_running_loop(), self._awake.set)
        self._watch = FolderWatch(folder, self._mailbox)
        self._thread = ThreadPoolExecutor(1, "lampblack-folder")
        self._odd_said: set[tuple[bytes, int]] = set()
        self._troubles_said: set[str] = set()

    def hint(self, path: bytes) -> None:
        """Say that a finished file lies at an absolute path. Safe from any thread."""
        self._mailbox.post(path, closed=True)

    def stop(self) -> None:
        """Give out nothing more; `run` ends."""
        self._stopping = True
        self._awake.set()

    def settle(self, ready: Ready, *, with_partner: bool = True) -> None:
        """See WaitingRoom.settle."""
        self.room.settle(ready, time.monotonic(), with_partner=with_partner)
        self._awake.set()

    def put_back(self, ready: Ready, sight: Sight | None) -> None:
        """See WaitingRoom.put_back."""
        self.room.put_back(ready, sight, time.monotonic())
        self._awake.set()

    def unfinished(self, ready: Ready) -> bool:
        """See WaitingRoom.unfinished."""
        again = self.room.unfinished(ready, time.monotonic())
        self._awake.set()
        return again

    async def look_again(self, path: bytes) -> Sight | None:
        """Return what a file is now; None: gone, or no plain file any more."""
        seen = await self._in_thread(look_at, self.folder, path)
        return seen if isinstance(seen, Sight) else None

    async def run(self) -> Ended:
        """
        Follow the folder.

        Raises:
            OSError: it cannot be watched.
        """
        try:
            return await self._follow()
        finally:
            await self._in_thread(self._watch.stop)

    async def close(self) -> None:
        """End its thread; after `run`, when nobody needs `look_again` any more."""
        self._thread.shutdown(wait=False)

    async def _follow(self) -> Ended:
        root = await self._in_thread(_identity, self.folder)
        if root is None:
            return Ended.FOLDER_GONE
        self._say(await self._in_thread(self._watch.start))
        next_check = next_scan = 0.0
        while not self._stopping:
            now = time.monotonic()
            hints, rescan = self._mailbox.empty()
            if now >= next_check:
                if await self._in_thread(_identity, self.folder) != root:
                    return Ended.FOLDER_GONE
                rescan |= await self._revive()
                next_check = now + self.patience.check_s
            await self._take_in(hints)
            if rescan or now >= next_scan:
                await self._full_look(b"")
                next_scan = now + self.patience.rescan_s
            if not self._stopping:
                for ready in self.room.take(time.monotonic()):
                    self._events.ready(ready)
            await self._sleep(min(next_check, next_scan))
        return Ended.STOPPED

    async def _revive(self) -> bool:
        if await self._in_thread(self._watch.healthy):
            return False
        log.warning("The watch on the folder had died; watching anew.")
        await self._in_thread(self._watch.stop)
        try:
            self._say(await self._in_thread(self._watch.start))
        except OSError as wrong:
            self._say(f"The folder cannot be watched just now ({wrong.strerror}): trying again.")
        return True

    async def _take_in(self, hints: Mapping[bytes, _Hint]) -> None:
        root = self.folder.rstrip(b"/") + b"/"
        inside = {p.removeprefix(root): hint for p, hint in hints.items() if p.startswith(root)}
        inside = {p: hint for p, hint in inside.items() if not is_hidden(p)}
        files = [path for path, hint in inside.items() if not hint.folder]
        for path in self.room.due(time.monotonic()):
            if path not in inside:
                files.append(path)
        if files:
            looks = await self._in_thread(lambda: [look_at(self.folder, path) for path in files])
            for path, seen in zip(files, looks, strict=True):
                self._note(path, seen, closed=path in inside and inside[path].closed)
        for path in (path for path, hint in inside.items() if hint.folder):
            await self._full_look(path)

    async def _full_look(self, below: bytes) -> None:
        found, troubles = await self._in_thread(scan, self.folder, below)
        for path, seen in found:
            self._note(path, seen)
        for trouble in troubles:
            self._say(trouble)
        if not below:
            self._events.scanned()

    def _note(self, path: bytes, seen: Sight | Odd | None, *, closed: bool = False) -> None:
        if isinstance(seen, Odd):
            if (path, seen.inode) not in self._odd_said:
                self._odd_said.add((path, seen.inode))
                self._events.odd(path, seen)
            seen = None
        age_s = time.time() - seen.mtime_ns / 1e9 if seen is not None else 0.0
        self.room.glimpse(path, seen, time.monotonic(), closed=closed, age_s=age_s)

    def _say(self, text: str | None) -> None:
        if text is not None and text not in self._troubles_said:
            self._troubles_said.add(text)
            self._events.trouble(text)

    async def _sleep(self, until: float) -> None:
        due = self.room.wake_at()
        timeout = max(0.0, min(until, due if due is not None else until) - time.monotonic())
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._awake.wait(), timeout)
        self._awake.clear()

    async def _in_thread(self, work: Callable[..., T], *args: object) -> T:
        return await asyncio.get_running_loop().run_in_executor(self._thread, lambda: work(*args))


def _identity(folder: bytes) -> tuple[int, int] | None:
    try:
        found = os.stat(folder)
    except OSError:
        return None
    return (found.st_dev, found.st_ino) if stat.S_ISDIR(found.st_mode) else None
