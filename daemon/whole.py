"""Files written whole or not at all."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path


def write_whole(path: Path, data: bytes, mode: int = 0o644) -> None:
    """
    Write beside it and move it over: whoever reads sees the old file or the new one, whole.

    Raises:
        OSError: it can't be written; what stood there stands.
    """
    handle, made = tempfile.mkstemp(prefix=".", suffix=f"{path.suffix}-part", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(made, mode)
        os.replace(made, path)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(made)
        raise
