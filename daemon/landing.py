"""
How a frame's bytes become a file in the shoot's folder: whole, on the disk, and never over another file.

The bytes go to a hidden name first, are flushed to the disk, and then get their final name by a hard link, which
fails where a name is taken (a rename would replace it). Names are ours: a camera's stem is used only if it is
harmless, and no path is ever made of camera text.
"""

from __future__ import annotations

import errno
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from lampblack.daemon.config import is_shoot

PART = ".lampblack-part-"

FRAME_SUFFIXES = frozenset(
    (
        *("jpg", "jpeg", "tif", "tiff", "heic", "heif", "hif", "dng"),
        *("nef", "nrw", "cr2", "cr3", "crw", "arw", "sr2", "raf", "orf", "rw2", "pef", "srw"),
        *("3fr", "fff", "iiq", "mef", "mos"),
    )
)
_BY_TYPE = {"image/jpeg": "jpg", "image/tiff": "tif", "image/x-adobe-dng": "dng", "image/heif": "heic"}

# The file system's naming rule for cameras (DCF, CIPA DC-009) has eight such characters; some bodies write more.
_STEM = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_-]{0,31}")
# What libgphoto2 calls a frame that never was on a card; it counts from 0 at every connection.
_FROM_MEMORY = re.compile(r"capt\d+", re.IGNORECASE)
_SAME_SHOT_S = 3  # raw and JPEG of one press of the shutter carry times this near
_TRIES = 10_000

_NO_LINKS = frozenset([errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK, errno.EXDEV])
NO_ROOM = frozenset([errno.ENOSPC, errno.EDQUOT])


@dataclass(frozen=True, order=True)
class CardFile:
    """A file on a camera's card: what it is known by."""

    folder: str
    name: str
    size: int
    """Bytes, as the camera said; -1 if it did not."""
    mtime: int = 0
    """Seconds, by the camera's clock; 0 if unknown."""
    mime: str = field(default="", compare=False)

    @property
    def stem(self) -> str:
        return self.name.rpartition(".")[0] or self.name

    @property
    def suffix(self) -> str | None:
        """Return the ending to use, without a dot, in the camera's own case; None if this is no frame."""
        suffix = self.name.rpartition(".")[2]
        if suffix.lower() in FRAME_SUFFIXES:
            return suffix
        return _BY_TYPE.get(self.mime)


class Landing:
    """The shoot's folder, as the place where frames land. One at a time; not for several threads."""

    def __init__(self, folder: Path, device: int | None = None) -> None:
        """
        Nothing is touched yet; the folder need not be there.

        Args:
            folder: the shoot's.
            device: the `st_dev` it had at first; nothing lands in the bare place of a drive that is away.
        """
        self._folder, self._device = folder, device
        self._shots: dict[tuple[str, str], tuple[str, int]] = {}
        self._count = 0

    def sweep(self) -> None:
        """Remove what an earlier process left half written; such files are only ever ours."""
        for part in self._folder.glob(PART + "*"):
            part.unlink(missing_ok=True)

    def remember(self, file: CardFile, landed: str) -> None:
        """Take note that `file` is in the folder as `landed`, so that its other half gets the same stem."""
        self._shots[file.folder, file.stem] = (landed.rpartition(".")[0], file.mtime)

    def land(self, file: CardFile, data: bytes | memoryview) -> str:
        """
        Write one frame and return the name it got.

        Raises:
            OSError: no room, no folder, no right to write. Nothing is left behind, and no file was changed.
            ValueError: the file is no frame.
        """
        if self._device is not None and not is_shoot(self._folder, self._device):
            raise OSError(errno.ENODEV, "the folder is gone", str(self._folder))
        self._count += 1
        part = self._folder / f"{PART}{os.getpid()}-{self._count}"
        try:
            self._write(part, data)
            name = self._name(part, file)
        finally:
            part.unlink(missing_ok=True)
        _sync_folder(self._folder)
        self.remember(file, name)
        return name

    def already(self, file: CardFile, data: bytes | memoryview) -> str | None:
        """
        Return the name under which just these bytes already landed, if they did.

        For the one file whose landing was cut off between getting its name and being reported.
        """
        size = len(data)
        for stem in self._stems(file):
            path = self._folder / f"{stem}.{file.suffix}"
            try:
                if not path.is_file():
                    return None
                if path.stat().st_size == size and path.read_bytes() == data:
                    return path.name
            except OSError:
                return None
        return None

    def room(self) -> int | None:
        """Return the bytes free for us on the folder's disk, or None if that cannot be told."""
        try:
            found = os.statvfs(self._folder)
        except (OSError, AttributeError):
            return None
        return found.f_bavail * found.f_frsize

    @staticmethod
    def _write(part: Path, data: bytes | memoryview) -> None:
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
        fd = os.open(part, flags, 0o666)
        try:
            rest = memoryview(data)
            while rest:
                rest = rest[os.write(fd, rest) :]
            os.fsync(fd)
        finally:
            os.close(fd)

    def _name(self, part: Path, file: CardFile) -> str:
        if file.suffix is None:
            raise ValueError(f"{file.name!r} is not a frame")
        taken = {entry.rpartition(".")[0].casefold() for entry in os.listdir(self._folder)}
        mate = self._mate(file)
        for stem in self._stems(file):
            name = f"{stem}.{file.suffix}"
            if (stem == mate or stem.casefold() not in taken) and _give_name(part, part.with_name(name)):
                return name
        raise FileExistsError(errno.EEXIST, "no free name", file.name)

    def _stems(self, file: CardFile) -> Iterator[str]:
        """Yield stems in the order to try: the shot's other half's, the camera's, then numbered ones."""
        mate = self._mate(file)
        if mate is not None:
            yield mate
        if _STEM.fullmatch(file.stem) and not _FROM_MEMORY.fullmatch(file.stem):
            yield file.stem
            yield from (f"{file.stem}-{n}" for n in range(2, _TRIES))
        else:
            yield from (f"frame-{n:04d}" for n in range(1, _TRIES))

    def _mate(self, file: CardFile) -> str | None:
        """Return the stem that the shot's other half got, if one landed."""
        stem, mtime = self._shots.get((file.folder, file.stem), (None, 0))
        if mtime and file.mtime and abs(mtime - file.mtime) > _SAME_SHOT_S:
            return None  # the card was emptied and counts from the start
        return stem


def _give_name(part: Path, final: Path) -> bool:
    """Give the finished file its name; False if the name is taken."""
    try:
        os.link(part, final)
    except FileExistsError:
        return False
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        return _give_name_without_links(part, final)
    return True


def _give_name_without_links(part: Path, final: Path) -> bool:
    """Memory cards' file systems know no links: hold the name with an empty file, then put ours over that."""
    try:
        os.close(os.open(final, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666))
    except FileExistsError:
        return False
    try:
        os.replace(part, final)
    except OSError:
        final.unlink(missing_ok=True)
        raise
    return True


def _sync_folder(folder: Path) -> None:
    """Make the new name last through a power cut, where the system lets us."""
    try:
        fd = os.open(folder, os.O_RDONLY)
    except OSError:  # Windows opens no folders
        return
    try:
        os.fsync(fd)
    except OSError:  # some network file systems refuse; the file itself is safe
        pass
    finally:
        os.close(fd)
