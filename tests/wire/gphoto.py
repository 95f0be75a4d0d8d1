"""Drives the libgphoto2 of the wheel for tests, in a fresh process with a home of its own."""

from __future__ import annotations

import json
import os
import select
import subprocess
import sys
from pathlib import Path
from typing import Any

BUSY, IO, TIMEOUT, NOT_SUPPORTED, BAD_PARAMETERS, FAILED = -110, -7, -10, -6, -2, -1
"""Error codes of libgphoto2 (gphoto2-result.h, gphoto2-port-result.h)."""

PATIENCE_S = 120.0
"""Only so that a hang ends a test; nothing measures against it."""


class GphotoError(Exception):
    def __init__(self, code: int, text: str) -> None:
        super().__init__(f"{code}: {text}")
        self.code = code


class Gphoto:
    """One libgphoto2. `call` names a method of `gphoto_child.Driver`."""

    def __init__(self, home: Path) -> None:
        (home / ".gphoto").mkdir(parents=True, exist_ok=True)
        # libgphoto2 2.5.34 keeps what it read of a property for 2 s. Over PTP/IP a change event that it picks up
        # while it talks (the second of two, say) doesn't make it forget; without the cache reads are true.
        (home / ".gphoto" / "settings").write_text("ptp2=cachetime=0\n")
        self.home = home
        env = {name: value for name, value in os.environ.items() if name not in ("VCAMERADIR", "LANG", "LANGUAGE")}
        self._process = subprocess.Popen(
            [sys.executable, str(Path(__file__).with_name("gphoto_child.py"))],
            env={**env, "HOME": str(home), "LC_ALL": "C.UTF-8"},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )

    def __enter__(self) -> Gphoto:
        return self

    def __exit__(self, *_: object) -> None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        try:
            self._process.wait(20)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._process.stdout.close()

    def begin(self, name: str, /, **how: Any) -> None:
        """Begin a call, so that the test can do something while it lasts."""
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps([name, how]).encode() + b"\n")
        self._process.stdin.flush()

    def end(self) -> Any:
        """Return what the call begun gave; GphotoError if libgphoto2 refused."""
        assert self._process.stdout is not None
        ready, _, _ = select.select([self._process.stdout], [], [], PATIENCE_S)
        assert ready, "libgphoto2 hangs"
        line = self._process.stdout.readline()
        assert line, f"libgphoto2 died with {self._process.wait()}"
        answer = json.loads(line)
        if "code" in answer:
            raise GphotoError(answer["code"], answer["error"])
        return answer["result"]

    def call(self, name: str, /, **how: Any) -> Any:
        self.begin(name, **how)
        return self.end()

    def download(self, path: str) -> bytes:
        """Return a file of the camera."""
        folder, _, name = path.rpartition("/")
        to = self.home / name
        self.call("download", folder=folder, name=name, to=str(to))
        return to.read_bytes()

    def shoot(self, files: int = 1) -> list[str]:
        """Trigger, and return the paths of the files that came with it."""
        self.call("trigger")
        heard = self.call("events", until="complete")
        paths = [f"{folder}/{name}" for kind, folder, *rest in heard if kind == "file" for name in rest]
        assert len(paths) == files, heard
        return paths
