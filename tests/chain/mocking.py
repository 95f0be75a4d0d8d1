"""The mock camera in a process of its own, and a service tethered to it."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from watching import Watching, watching


class Mock:
    """The mock camera in a process of its own, with its stage commands."""

    def __init__(self, seed: int = 1, options: tuple[str, ...] = ()) -> None:
        command = [
            sys.executable,
            "-m",
            "lampblack.mock_camera",
            "--port",
            "0",
            "--megapixels",
            "1",
            "--seed",
            str(seed),
            *options,
        ]
        self.process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        assert self.process.stdout is not None
        greeting = self.process.stdout.readline()
        self.address = greeting[greeting.index("ptpip:") :].split()[0]

    def do(self, line: str) -> Any:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()
        return json.loads(self.process.stdout.readline())

    def close(self) -> None:
        self.process.kill()
        self.process.communicate()


@contextlib.contextmanager
def tethered(folder: Path, seed: int = 1, options: tuple[str, ...] = ()) -> Iterator[tuple[Mock, Watching]]:
    mock = Mock(seed, options)
    try:
        with watching(folder, "--camera", mock.address) as service:
            service.until(lambda: camera(service)["state"] == "ready")
            yield mock, service
    finally:
        mock.close()


def camera(service: Watching) -> Any:
    told = service.of_kind("camera")
    return told[-1]["camera"] if told else {"state": None}


def run_now(service: Watching) -> Any:
    """What was last said of a run."""
    told = service.of_kind("run")
    return told[-1]["run"] if told else {"state": None, "prompt": None}
