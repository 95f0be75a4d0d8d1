"""Where things belong on this machine, and the thresholds with the user's own on top."""

from __future__ import annotations

import contextlib
import errno
import os
import stat
import tempfile
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

import platformdirs

if TYPE_CHECKING:
    from lampblack.rules.thresholds import Thresholds

JOURNAL_NAME = "lampblack.journal"
OWN_FILE = "lampblack.toml"
"""Thresholds of one shoot, in its folder."""


class ConfigError(Exception):
    """A settings file that cannot be used; the text is one line for a person."""


def load_thresholds(folder: Path | None = None, more: Path | None = None) -> Thresholds:
    """
    Return the thresholds: the shipped ones, under the user's, under the shoot's, under those of `more`, a file.

    Raises:
        ConfigError: a file is not TOML, or names or values in it are wrong; says which file.
    """
    layers = [_shipped()]
    own = [Path(platformdirs.user_config_dir("lampblack")) / "thresholds.toml"]
    if folder is not None:
        own.append(folder / OWN_FILE)
    if more is not None:
        own.append(more)
    for path in own:
        layer = _read(path)
        if layer is None and path == more:
            raise ConfigError(f"{path} is not there: thresholds are read from a TOML file.")
        if layer is None:
            continue
        try:
            _built(*layers, layer)
        except ValueError as wrong:
            raise ConfigError(f"{path}: {wrong}") from None
        layers.append(layer)
    return _built(*layers)


# Late imports: a command that only asks a running service needs neither, and is said to be quick.


def _built(*layers: dict[str, Any]) -> Thresholds:
    from lampblack.rules.thresholds import Thresholds

    return Thresholds.of(*layers)


def _parsed(text: str) -> dict[str, Any]:
    import tomllib

    return tomllib.loads(text)


@cache
def load_shipped() -> Thresholds:
    """Return the thresholds as they come, whatever anybody's own are."""
    return _built(_shipped())


@cache
def _shipped() -> dict[str, Any]:
    return _parsed(files("lampblack.rules").joinpath("thresholds.toml").read_text("utf-8"))


def _read(path: Path) -> dict[str, Any] | None:
    try:
        return _parsed(path.read_text("utf-8"))
    except (FileNotFoundError, NotADirectoryError):
        return None
    except PermissionError:
        if not os.access(path.parent, os.X_OK):  # a home that isn't ours holds no settings of ours
            return None
        raise ConfigError(f"{path} may not be read: see to its permissions.") from None
    except (OSError, ValueError) as wrong:  # TOMLDecodeError and UnicodeDecodeError are ValueErrors
        raise ConfigError(f"{path} cannot be read as TOML: {wrong}") from None


def runtime_places() -> list[Path]:
    """
    Return where run files may lie, the place to be preferred first; nothing is made or checked.

    Socket paths may be about 104 bytes long, so a deep XDG_RUNTIME_DIR or TMPDIR gives way to /tmp.
    """
    own = f"lampblack-{os.getuid()}"
    base = os.environ.get("XDG_RUNTIME_DIR")
    places = [Path(base) / "lampblack"] if base else []
    places += [Path(tempfile.gettempdir()) / own, Path("/tmp") / own]  # noqa: S108  owner and mode are checked
    return [path for path in dict.fromkeys(places) if path.is_absolute() and len(os.fsencode(path)) <= 60]


def runtime_dir() -> Path:
    """
    Return the folder for sockets: ours alone (0700), the first of `runtime_places` that can be used.

    Raises:
        ConfigError: there is none; says what is wrong with the last.
    """
    why = ""
    for path in runtime_places():
        try:
            path.mkdir(mode=0o700, exist_ok=True)
            if not is_ours(path):
                why = f"{path} is not a folder of yours: remove it or set XDG_RUNTIME_DIR."
                continue
            path.chmod(0o700)
        except OSError as wrong:
            why = f"No folder for run files can be made: {path}: {wrong.strerror}. Set XDG_RUNTIME_DIR to one of yours."
            continue
        if os.access(path, os.W_OK | os.X_OK):
            return path
        why = f"{path} cannot be written: set XDG_RUNTIME_DIR to a folder of yours."
    raise ConfigError(why)


def is_ours(path: Path) -> bool:
    """Say whether a path is a folder, no link, and belongs to this user."""
    try:
        found = path.lstat()
    except OSError:
        return False
    return stat.S_ISDIR(found.st_mode) and found.st_uid == os.getuid()


def is_shoot(folder: Path, device: int) -> bool:
    """
    Say whether a shoot's folder is there, and not only the empty place where its drive was mounted.

    Frames put there would be hidden once the drive is back. On another disk than before it must be a mounted drive, or
    hold a journal.

    Args:
        folder: the shoot's.
        device: the `st_dev` it had at first.
    """
    try:
        found = folder.stat()
    except OSError:
        return False
    if not stat.S_ISDIR(found.st_mode):
        return False
    return found.st_dev == device or os.path.ismount(folder) or (folder / JOURNAL_NAME).exists()


def state_dir() -> Path:
    """
    Return the folder for logs and for what outlives a reboot.

    Raises:
        OSError: it can't be made or written.
    """
    path = Path(platformdirs.user_state_dir("lampblack"))
    if not path.is_absolute():  # no HOME, and nobody known by our number
        raise OSError(errno.ENOENT, "there is no home folder", str(path))
    path.mkdir(parents=True, exist_ok=True)
    if not os.access(path, os.W_OK | os.X_OK):
        raise OSError(errno.EACCES, os.strerror(errno.EACCES), str(path))
    return path


def camera_home() -> Path:
    """
    Return the home of the camera's process, ours alone (0700): libgphoto2 keeps the pairing with network cameras there.

    It lies with what outlives a reboot; only where nothing can be kept, with the run files.

    Raises:
        ConfigError: there is no place at all.
    """
    for parent in (state_dir, runtime_dir):
        with contextlib.suppress(OSError):
            path = parent() / "camera-home"
            path.mkdir(mode=0o700, exist_ok=True)
            if is_ours(path):
                path.chmod(0o700)
                return path
    raise ConfigError("No folder for the camera's settings can be made: set HOME or XDG_RUNTIME_DIR to one of yours.")
