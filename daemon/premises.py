"""What a service holds while it runs: the folder's lock, a place for its socket, a log, the supervisor's ear."""

from __future__ import annotations

import contextlib
import errno
import fcntl
import json
import logging
import os
import re
import socket
import stat
import sys
import time
from logging.handlers import RotatingFileHandler
from pathlib import Path

from lampblack.daemon.clean import clean, clean_name
from lampblack.daemon.client import LOCK_NAME, WAIT, folder_key, is_alive
from lampblack.daemon.config import runtime_dir, state_dir

_WATCHED = "watched already"


class StartError(Exception):
    """The service cannot run; the text is one line for a person."""


class AlreadyWatchedError(StartError):
    """Another service has this folder."""

    def __init__(self, folder: Path, pid: int | None, doing: str = _WATCHED) -> None:
        who = f" (process {pid})" if pid else ""
        self.watched = doing == _WATCHED
        wait = "" if self.watched else WAIT
        super().__init__(f"{clean_name(folder)} is being {doing}{who}{wait}.")
        self.pid = pid


# ---------------------------------------------------------------- the lock


class FolderLock:
    """
    The right to be this folder's service: an flock on a file in it, held for life.

    The kernel lets go of it when the process ends, however it ends; the file's text says whom to talk to.
    """

    def __init__(self, folder: Path) -> None:
        """Take the lock.

        Raises:
            AlreadyWatchedError: somebody has it.
            StartError: no lock can be made there.
        """
        self.path = folder / LOCK_NAME
        self._handle = -1
        try:
            while True:
                self._handle = _open_lock(self.path)
                _flock(self._handle)
                # Its last holder may have removed it between our opening and our locking it.
                if _same_file(self._handle, self.path):
                    return
                os.close(self._handle)
        except BlockingIOError:
            pid, doing = _holder_in(self._handle)
            os.close(self._handle)
            raise AlreadyWatchedError(folder, pid, doing) from None
        except OSError as wrong:
            if self._handle >= 0:
                with contextlib.suppress(OSError):
                    os.close(self._handle)
            raise StartError(_no_lock(folder, wrong)) from None

    def write(self, socket_path: Path, folder: Path) -> None:
        """
        Say whom to talk to.

        Raises:
            StartError: no room.
        """
        self._put(folder, {"socket": str(socket_path), "folder": os.fsdecode(folder)})

    def keep_for(self, doing: str, folder: Path) -> None:
        """Say what keeps a service from having it: it is being `doing`; raises as `write` does."""
        self._put(folder, {"doing": doing})

    def _put(self, folder: Path, told: dict[str, str]) -> None:
        text = json.dumps({"pid": os.getpid(), **told})
        data = text.encode("utf-8", "backslashreplace")
        try:
            os.ftruncate(self._handle, 0)
            if os.pwrite(self._handle, data, 0) != len(data):
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        except OSError as wrong:
            raise StartError(_no_lock(folder, wrong)) from None

    def release(self) -> None:
        """Remove the file and let go; twice does no harm."""
        handle, self._handle = self._handle, -1
        if handle < 0:
            return
        with contextlib.suppress(OSError):
            if _same_file(handle, self.path):
                self.path.unlink()
        os.close(handle)


def _open_lock(path: Path) -> int:
    flags = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
    handle = os.open(path, flags, 0o600)
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        os.close(handle)
        raise OSError(errno.EINVAL, "its lock file is no plain file")
    return handle


def _flock(handle: int) -> None:
    """Lock, with a little patience: whoever asks whether somebody watches holds it for a moment."""
    for tries_left in reversed(range(10)):
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if not tries_left:
                raise
            time.sleep(0.03)
        else:
            return


def _same_file(handle: int, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(handle), os.stat(path, follow_symlinks=False))
    except OSError:
        return False


def _holder_in(handle: int) -> tuple[int | None, str]:
    """Return who holds a lock and what for, as its file says."""
    try:
        told = json.loads(os.pread(handle, 4096, 0))
        pid, doing = told.get("pid"), told.get("doing")
    except (OSError, ValueError, AttributeError, RecursionError):
        return None, _WATCHED
    known = pid if isinstance(pid, int) and pid > 0 else None
    return known, clean(doing, 60) if isinstance(doing, str) else _WATCHED


def _no_lock(folder: Path, wrong: OSError) -> str:
    name = clean_name(folder)
    if wrong.errno in (errno.ENOSPC, errno.EDQUOT):
        return f"The disk of {name} is full: make room first."
    if wrong.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return f"{name} cannot be written to, and the journal belongs there: see to its permissions."
    if wrong.errno in (errno.ENOLCK, errno.EOPNOTSUPP):
        return f"The drive of {name} knows no locks: use a folder on a local disk."
    return f"{name} cannot be locked: {clean(wrong.strerror or str(wrong))}."


# ---------------------------------------------------------------- the socket's place


def socket_place(folder: Path) -> Path:
    """
    Return where this process's socket goes, after removing what dead services of the folder left.

    Only for the holder of the folder's lock. The process id is in the name: a folder that was moved away takes its
    service with it, and a new folder under the old name gets another one.
    """
    key = folder_key(folder)
    place = runtime_dir()
    for old in place.glob(f"{key}-*.sock"):
        pid = re.fullmatch(rf"{key}-(\d+)\.sock", old.name)
        if pid is None or not is_alive(int(pid[1])):
            old.unlink(missing_ok=True)
    return place / f"{key}-{os.getpid()}.sock"


# ---------------------------------------------------------------- the log


def log_path(folder: Path) -> Path:
    """Return the log file of a folder's service; OSError where there is no place for one."""
    readable = re.sub(r"[^A-Za-z0-9_-]+", "-", os.fsdecode(folder.name))[:40].strip("-") or "shoot"
    return state_dir() / f"{readable}-{folder_key(folder)}.log"


class _CleanLines(logging.Formatter):
    """A log is read in a terminal too: nothing in it may drive one."""

    def format(self, record: logging.LogRecord) -> str:
        return "\n".join(clean(line, 2000) for line in super().format(record).splitlines())


class _LogFile(RotatingFileHandler):
    """A rotating log that C libraries write to as well: they know file descriptor 2 and nothing else."""

    def __init__(self, path: Path, *, take_stderr: bool) -> None:
        self._take_stderr = take_stderr
        super().__init__(path, maxBytes=1_000_000, backupCount=3, encoding="utf-8", errors="replace")

    def _open(self):  # type: ignore[no-untyped-def]
        stream = super()._open()
        if self._take_stderr:
            os.dup2(stream.fileno(), 2)
        return stream

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802
        """A full disk must not make logging louder than the work."""


def open_log(folder: Path, *, background: bool) -> Path | None:
    """
    Send the process's log to the folder's log file; in the background file descriptor 2 too.

    Returns:
        the file, or None where none can be written: the service is worth more than its log.
    """
    root = logging.getLogger()
    root.setLevel(logging.INFO)
    try:
        path = log_path(folder)
        handler = _LogFile(path, take_stderr=background)
    except OSError:
        root.addHandler(logging.NullHandler())  # or Python would print warnings where the JSON goes
        return None
    handler.setFormatter(_CleanLines("%(asctime)s %(levelname)s %(name)s: %(message)s"))
    root.addHandler(handler)
    return path


def close_log() -> None:
    """Close what `open_log` opened."""
    root = logging.getLogger()
    for handler in [h for h in root.handlers if isinstance(h, _LogFile)]:
        root.removeHandler(handler)
        handler.close()


# ---------------------------------------------------------------- the supervisor


def tell_supervisor(text: str) -> None:
    """
    Tell the service manager, if one listens, how things stand (`READY=1`, `STOPPING=1`, `WATCHDOG=1`).

    Source: sd_notify(3): one datagram to the socket that NOTIFY_SOCKET names; a leading @ is the abstract space.
    """
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")) or not sys.platform.startswith("linux"):
        return
    if address.startswith("@"):
        address = "\0" + address[1:]
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as link:
        link.setblocking(False)
        link.sendto(text.encode(), address)


def watchdog_s() -> float | None:
    """
    Return how often the service manager wants to hear that all is well, or None if it doesn't.

    Half the time after which it takes the service for hung. Source: sd_watchdog_enabled(3).
    """
    try:
        interval_s = int(os.environ.get("WATCHDOG_USEC", "")) / 1e6
        meant = int(os.environ.get("WATCHDOG_PID", os.getpid())) == os.getpid()
    except ValueError:
        return None
    return interval_s / 2 if meant and interval_s > 0 else None
