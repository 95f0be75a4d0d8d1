"""Where things belong on this machine, and the thresholds with the user's own on top."""

from __future__ import annotations

import os
import stat
import tempfile
import tomllib
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import platformdirs

from lampblack.rules.thresholds import Thresholds

OWN_FILE = "lampblack.toml"
"""Thresholds of one shoot, in its folder."""


class ConfigError(Exception):
    """A settings file that cannot be used; the text is one line for a person."""


def load_thresholds(folder: Path | None = None) -> Thresholds:
    """
    Return the thresholds: the shipped ones, under the user's, under the shoot's.

    Raises:
        ConfigError: a file is not TOML, or names or values in it are wrong; says which file.
    """
    layers = [_shipped()]
    own = [Path(platformdirs.user_config_dir("lampblack")) / "thresholds.toml"]
    if folder is not None:
        own.append(folder / OWN_FILE)
    for path in own:
        layer = _read(path)
        if layer is None:
            continue
        try:
            Thresholds.of(*layers, layer)
        except ValueError as wrong:
            raise ConfigError(f"{path}: {wrong}") from None
        layers.append(layer)
    return Thresholds.of(*layers)


@cache
def _shipped() -> dict[str, Any]:
    return tomllib.loads(files("lampblack.rules").joinpath("thresholds.toml").read_text("utf-8"))


def _read(path: Path) -> dict[str, Any] | None:
    try:
        return tomllib.loads(path.read_text("utf-8"))
    except (FileNotFoundError, NotADirectoryError):
        return None
    except (OSError, ValueError) as wrong:  # TOMLDecodeError and UnicodeDecodeError are ValueErrors
        raise ConfigError(f"{path} cannot be read as TOML: {wrong}") from None


def runtime_dir() -> Path:
    """
    Return the folder for sockets and the camera process's private home: ours alone (0700).

    Socket paths may be about 104 bytes long, so a deep XDG_RUNTIME_DIR or TMPDIR gives way to /tmp.

    Raises:
        ConfigError: the folder exists and belongs to somebody else, or is a link.
    """
    base = os.environ.get("XDG_RUNTIME_DIR")
    path = Path(base) / "lampblack" if base else Path(tempfile.gettempdir()) / f"lampblack-{os.getuid()}"
    if len(os.fsencode(path)) > 60:
        path = Path("/tmp") / f"lampblack-{os.getuid()}"  # noqa: S108  owner and mode are checked below
    try:
        path.mkdir(mode=0o700, exist_ok=True)
    except OSError as wrong:
        raise ConfigError(f"no folder for run files: {path}: {wrong.strerror}") from None
    found = path.lstat()
    if not stat.S_ISDIR(found.st_mode) or found.st_uid != os.getuid():
        raise ConfigError(f"{path} is not a folder of yours: remove it or set XDG_RUNTIME_DIR")
    path.chmod(0o700)
    return path


def state_dir() -> Path:
    """Return the folder for logs."""
    path = Path(platformdirs.user_state_dir("lampblack"))
    path.mkdir(parents=True, exist_ok=True)
    return path
