"""Files written whole or not at all."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterable
from pathlib import Path


def write_whole(path: Path, data: bytes | Iterable[bytes], mode: int = 0o644) -> None:
    """
    Write beside it and move it over: whoever reads sees the old file or the new one, whole.

    data: all of it, or what comes one after the other.

    Raises:
        OSError: it can't be written; what stood there stands.
    """
    handle, made = tempfile.mkstemp(prefix=".", suffix=f"{path.suffix}-part", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.writelines([data] if isinstance(data, bytes) else data)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(made, mode)
        os.replace(made, path)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(made)
        raise
