"""A program in a real (pseudo) terminal: what it shows, keys for it, and whether the terminal came back."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import select
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Callable

PATIENCE_S = 30.0
ALT_ON, ALT_OFF, CURSOR_OFF, CURSOR_ON = b"\x1b[?1049h", b"\x1b[?1049l", b"\x1b[?25l", b"\x1b[?25h"
ESCAPES = re.compile(r"\x1b\[[?0-9;]*[A-Za-z]")
TAKEN = """
import os, sys
os.close(os.open(os.ttyname(0), os.O_RDWR))  # first terminal of a new session: now it is ours, hang-ups included
"""


class Terminal:
    """A pseudo terminal with a program in it; the program is Python, `words` what stands behind it."""

    def __init__(self, program: str, *words: str, size: tuple[int, int] = (120, 40)) -> None:
        self.master, self.slave = pty.openpty()
        self.resize(*size)
        self.before = termios.tcgetattr(self.slave)
        env = {**os.environ, "TERM": "xterm-256color", "PYTHONIOENCODING": "utf-8"}
        command = [sys.executable, "-c", TAKEN + program, *words]
        self.process = subprocess.Popen(
            command, stdin=self.slave, stdout=self.slave, stderr=subprocess.PIPE, start_new_session=True, env=env
        )
        self.out = b""

    def resize(self, columns: int, rows: int) -> None:
        fcntl.ioctl(self.slave, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))

    def read(self) -> bool:
        """Take what was written; False when the panel's end is closed."""
        ready, _, _ = select.select([self.master], [], [], 0.05)
        if not ready:
            return True
        try:
            block = os.read(self.master, 1 << 16)
        except OSError:
            return False
        self.out += block
        return bool(block)

    def until(self, done: Callable[[], bool]) -> None:
        deadline = time.monotonic() + PATIENCE_S
        while not done():
            self.read()
            if self.process.poll() is not None and not done():
                raise AssertionError(f"ended {self.process.returncode}: {self.process.stderr.read()!r}")
            assert time.monotonic() < deadline, self.text()[-3000:]

    def text(self, since: int = 0) -> str:
        return ESCAPES.sub("", self.out[since:].decode("utf-8", "replace"))

    def shows(self, text: str, since: int = 0) -> None:
        self.until(lambda: text in self.text(since))

    def keys(self, data: bytes) -> None:
        os.write(self.master, data)

    def ends(self) -> int:
        deadline = time.monotonic() + PATIENCE_S
        while self.process.poll() is None:
            self.read()
            assert time.monotonic() < deadline
        while select.select([self.master], [], [], 0)[0] and self.read():
            pass
        return self.process.returncode

    def assert_given_back(self) -> None:
        """Main screen, cursor and line editing are as they were."""
        assert termios.tcgetattr(self.slave) == self.before
        assert self.out.count(ALT_ON) == self.out.count(ALT_OFF) >= 1
        assert self.out.rindex(ALT_OFF) > self.out.rindex(ALT_ON)
        assert self.out.rindex(CURSOR_ON) > self.out.rindex(CURSOR_OFF)

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.communicate()
        for end in (self.master, self.slave):
            if end >= 0:
                os.close(end)
