"""
The rehearsal's stage: a mock camera and the real service, in processes of their own.

However a rehearsal ends (played out, left, a signal, a fault), both are ended and what was made for it is removed.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Any

from lampblack.daemon.clean import clean

Event = dict[str, Any]

MOCK_START_S = 30.0
END_S = 20.0


class RehearsalError(Exception):
    """The play cannot go on; one line for a person."""


class WrongFolderError(RehearsalError):
    """The folder asked for is not one to rehearse in."""


class EndedError(Exception):
    """A signal asks the rehearsal to end."""

    def __init__(self, number: int) -> None:
        """Carry the signal's number."""
        super().__init__(number)
        self.number = number


class Signals:
    """
    SIGTERM, SIGHUP and SIGINT as one exception, raised only within `heard`.

    Elsewhere they are noted and raised by the next `heard`: neither a process just being started nor the clearing up
    is torn apart.
    """

    def __init__(self) -> None:
        """Change nothing yet."""
        self.number: int | None = None
        self._heard = False
        self._before: dict[int, Any] = {}

    def __enter__(self) -> Signals:
        for number in (signal.SIGTERM, signal.SIGHUP, signal.SIGINT):
            if signal.getsignal(number) is not signal.SIG_IGN:  # nohup stays nohup
                self._before[number] = signal.signal(number, self._note)
        return self

    def __exit__(self, *_: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)

    def _note(self, number: int, _: FrameType | None) -> None:
        if self.number is None:
            self.number = number
            if self._heard:
                raise EndedError(number)

    @contextlib.contextmanager
    def heard(self) -> Iterator[None]:
        """Let a signal end the block with EndedError."""
        self._heard = True
        try:
            if self.number is not None:
                raise EndedError(self.number)
            yield
        finally:
            self._heard = False


@dataclass(frozen=True)
class Mock:
    """The camera's process: what a person does in the studio goes in by line, the answers come back by line."""

    process: subprocess.Popen[str]
    address: str

    def ask(self, command: str) -> Event:
        """Do something in the studio; returns the answer."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        try:
            self.process.stdin.write(command + "\n")
            self.process.stdin.flush()
            answer: Event = json.loads(self.process.stdout.readline())
        except (OSError, ValueError) as wrong:
            raise RehearsalError(f"the mock camera is gone ({wrong})") from None
        if not answer.get("ok"):
            raise RehearsalError(f"the studio refused '{command}': {answer.get('error')}")
        return answer


@dataclass(frozen=True)
class Stage:
    """What the play has to do with."""

    folder: Path
    mock: Mock
    truth: Path
    """What the mock studio knows of each frame, a line of JSON each."""
    service: subprocess.Popen[bytes]
    service_log: Path

    def check_service(self) -> None:
        """
        See that the service runs.

        Raises:
            RehearsalError: it has ended; says what it said last.
        """
        if self.service.poll() is not None:
            raise RehearsalError(f"the service ended: {_last_line(self.service_log)}")


@contextlib.contextmanager
def set_up(folder: Path, signals: Signals, *, raw: bool) -> Iterator[Stage]:
    """
    Start camera and service; end both, whatever happens.

    What the service logs and learns here is of no use to anybody afterwards, and the user's own thresholds would
    change what is true: it gets folders of its own for all that.
    """
    with tempfile.TemporaryDirectory(prefix="lampblack-stage-") as away, contextlib.ExitStack() as ending:
        place = Path(away)
        mock = _start_mock(place, ending, signals, raw=raw)
        command = [sys.executable, "-m", "lampblack.daemon.cli", "watch", str(folder), "--foreground"]
        with open(place / "service.log", "wb") as log:
            service = subprocess.Popen(
                [*command, "--camera", mock.address],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                env={**os.environ, **{f"XDG_{what}_HOME": away for what in ("DATA", "STATE", "CONFIG")}},
            )
        ending.callback(_end, service)
        yield Stage(folder, mock, place / "truth.jsonl", service, place / "service.log")


def _start_mock(place: Path, ending: contextlib.ExitStack, signals: Signals, *, raw: bool) -> Mock:
    command = [sys.executable, "-m", "lampblack.mock_camera", "--port", "0", "--truth", str(place / "truth.jsonl")]
    with open(place / "mock.log", "wb") as log:
        process = subprocess.Popen(
            command + ["--raw"] * raw, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=log, text=True
        )
    ending.callback(_end, process)
    assert process.stdout is not None
    with signals.heard():
        came = select.select([process.stdout], [], [], MOCK_START_S)[0]
        greeting = process.stdout.readline() if came else ""
    if "ptpip:" not in greeting:
        raise RehearsalError(f"the mock camera did not start: {_last_line(place / 'mock.log')}")
    return Mock(process, greeting[greeting.index("ptpip:") :].split()[0])


def _end(process: subprocess.Popen[Any]) -> None:
    process.terminate()
    try:
        process.wait(END_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            with contextlib.suppress(OSError):
                pipe.close()


def _last_line(path: Path) -> str:
    with contextlib.suppress(OSError):
        lines = [clean(line, 300) for line in path.read_bytes()[-20_000:].splitlines() if line.strip()]
        if lines:
            return lines[-1]
    return "it did not say why"


@contextlib.contextmanager
def shoot_folder(given: Path | None, *, keep: bool) -> Iterator[Path]:
    """
    Give the rehearsal a folder: the one asked for, or a new one, removed afterwards unless it is to be kept.

    Raises:
        WrongFolderError: it can't be made, or isn't empty.
    """
    if given is None and not keep:
        with tempfile.TemporaryDirectory(prefix="lampblack-rehearsal-", ignore_cleanup_errors=True) as made:
            yield Path(made)
        return
    folder = given or Path(tempfile.mkdtemp(prefix="lampblack-rehearsal-"))
    try:
        folder.mkdir(parents=True, exist_ok=True)
        empty = not any(folder.iterdir())
    except OSError as wrong:
        raise WrongFolderError(f"{folder} can't be used ({wrong.strerror}): choose another folder.") from None
    if not empty:
        raise WrongFolderError(f"{folder} is not empty: the rehearsal wants a folder of its own.")
    yield folder
