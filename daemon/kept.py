"""
Files in the user's data folder that keep what was learned, for all shoots.

They are a convenience: whatever is wrong with one costs what was learned, never the service, and is said in one line.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import stat
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, TypeVar

import platformdirs

from lampblack.daemon.whole import write_whole

K = TypeVar("K")
V = TypeVar("V")

_LARGEST = 32 << 20  # bytes


class KeptError(Exception):
    """The file cannot be read or written; the text is one line for a person."""


class DamagedError(KeptError):
    """There is a file, and it isn't one of ours."""


def place_of(name: str) -> Path:
    """Return where a file lies on this machine."""
    return Path(platformdirs.user_data_dir("lampblack")) / name


@contextlib.contextmanager
def alone(path: Path) -> Iterator[None]:
    """
    Hold the lock beside the file, whose folder is made, while it is changed: two services may learn at once.

    Raises:
        KeptError: it can't be held, or what is done meanwhile ended in an OSError.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with open(path.with_suffix(".lock"), "w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            yield
    except OSError as wrong:
        raise KeptError(f"{path} cannot be written: {wrong.strerror or wrong}") from None


def read(path: Path, version: int, what: str) -> Any:
    """
    Return what a file of ours holds, nothing of it looked at yet but its version; None for no file.

    Raises:
        DamagedError: it is none; what: it should be a file of those.
        KeptError: it can't be read, or a newer Lampblack wrote it.
    """
    text = _text(path, what)
    if text is None:
        return None
    try:
        whole = json.loads(text)
        newer = whole["format"] > version
    except (ValueError, KeyError, TypeError, RecursionError):
        raise damaged(path) from None
    if newer:
        raise KeptError(f"{path} was written by a newer Lampblack and is not used")
    return whole


def damaged(path: Path) -> DamagedError:
    """Return the error for a file that isn't one of ours."""
    return DamagedError(f"{path} is damaged and not used")


def write(path: Path, whole: dict[str, Any]) -> None:
    """Write a file whole; raises OSError."""
    write_whole(path, json.dumps(whole).encode(), 0o600)


def entries_of(path: Path, read_entries: Callable[[Path], dict[K, V]]) -> tuple[dict[K, V], str | None]:
    """
    Return what a file holds, to be changed; of a damaged one nothing, and a line that says what became of it.

    It is moved aside, never removed. Raises OSError, and what `read` raises but for damage.
    """
    try:
        return read_entries(path), None
    except DamagedError as wrong:
        return {}, f"{wrong}; it is kept as {_move_aside(path).name}"


def _move_aside(path: Path) -> Path:
    for number in range(1, 1000):
        aside = path.with_name(f"{path.name}.damaged-{number}")
        if not aside.exists():
            path.rename(aside)
            return aside
    raise OSError(f"too many damaged files beside {path.name}")


def _text(path: Path, what: str) -> bytes | None:
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError as wrong:
        raise KeptError(f"{path} cannot be read: {wrong.strerror}") from None
    try:
        with open(handle, "rb") as file:
            found = os.fstat(handle)
            if not stat.S_ISREG(found.st_mode) or found.st_size > _LARGEST:
                raise DamagedError(f"{path} is no file of {what} and not used")
            return file.read(_LARGEST + 1)
    except OSError as wrong:
        raise KeptError(f"{path} cannot be read: {wrong.strerror}") from None
