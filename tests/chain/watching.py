"""What the service tests share: a real service process on a temporary folder, somebody listening, and frames."""

from __future__ import annotations

import contextlib
import io
import json
import os
import signal
import sqlite3
import struct
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image, TiffImagePlugin
from studio_frames import dng

from lampblack.daemon import cli
from lampblack.daemon.client import Client, NoServiceError

Json = dict[str, Any]
DEADLINE_S = 40.0

_IMPATIENT = """
import sys
from pathlib import Path
from lampblack.daemon.intake import Patience
from lampblack.daemon.premises import open_log
from lampblack.daemon.service import Options, serve

def ready(where):
    import json
    print(json.dumps(where), flush=True)

if __name__ == "__main__":
    open_log(Path(sys.argv[1]), background=False)
    patience = Patience(ladder_s=(0.1, 0.2, 0.4, 0.6), pair_s=0.2, rescan_s=0.5, check_s=0.1)
    serve(Path(sys.argv[1]), Options(patience=patience), ready=ready)
"""
"""The same service, with less patience for what will never come."""


class Watching:
    """A service process, and everything it said to one client."""

    def __init__(self, folder: Path, *options: str, impatient: bool = False) -> None:
        self.folder = folder
        script = folder.parent / "impatient.py"
        script.write_text(_IMPATIENT)
        service = ["-m", "lampblack.daemon.cli", "watch", "--foreground", "--json", *options]
        command = [sys.executable, *([str(script)] if impatient else service), str(folder)]
        self.process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, stdin=subprocess.DEVNULL
        )
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        if not line:
            _, said = self.process.communicate(timeout=DEADLINE_S)
            raise AssertionError(f"the service did not start: {said.decode()}")
        self.where: Json = json.loads(line)
        self.events: list[Json] = []
        self.client = Client.connect(folder)

    def close(self) -> None:
        self.client.close()
        if self.process.poll() is None:
            self.process.kill()
        self.process.communicate(timeout=DEADLINE_S)

    def until(self, what: Callable[[], Any], deadline_s: float = DEADLINE_S) -> Any:
        """Wait until something holds and return it; it's looked at whenever the service says something."""
        until_s = time.monotonic() + deadline_s
        while not (found := what()):
            if time.monotonic() > until_s:
                raise AssertionError(f"did not come about; the last news: {[brief(e) for e in self.events[-8:]]}")
            with contextlib.suppress(NoServiceError):
                self.events += self.client.receive(0.05)
        return found

    def meet_again(self) -> Json:
        """Connect anew and return the state that a newcomer is greeted with."""
        self.client.close()
        self.client = Client.connect(self.folder)
        before = len(self.events)
        return self.until(lambda: [e["state"] for e in self.events[before:] if e["event"] == "hello"])[-1]

    def ask(self, do: str, **more: Any) -> Json:
        return self.client.ask({"do": do, **more}, DEADLINE_S)

    def of_kind(self, kind: str) -> list[Json]:
        return [event for event in self.events if event["event"] == kind]

    @property
    def frames(self) -> list[Json]:
        """Every verdict said, in the order it was said, those said before this client came first."""
        hello = next((e for e in self.events if e["event"] == "hello"), None)
        before = [frame["verdict"] for frame in hello["state"]["frames"]] if hello else []
        return [*before, *(e["verdict"] for e in self.of_kind("frame") if not e.get("again"))]

    @property
    def files(self) -> list[str]:
        return [frame["file"] for frame in self.frames]

    @property
    def refused(self) -> dict[str, str]:
        hello = next((e for e in self.events if e["event"] == "hello"), None)
        before = {r["file"]: r["error"] for r in hello["state"]["refused"]} if hello else {}
        return {**before, **{e["file"]: e["error"] for e in self.of_kind("refused")}}

    def troubles(self) -> list[str]:
        return [e["service"]["text"] for e in self.of_kind("service")]

    def status(self) -> Json:
        status: Json = self.ask("status")["status"]
        return status

    def end(self, number: int = signal.SIGTERM) -> int:
        """Send a signal and return the exit status."""
        self.process.send_signal(number)
        return self.process.wait(DEADLINE_S)


def brief(event: Json) -> Json:
    """Leave out what fills a page."""
    return {key: value for key, value in event.items() if key not in ("preview", "state", "verdict")}


@contextlib.contextmanager
def watching(folder: Path, *options: str, impatient: bool = False) -> Iterator[Watching]:
    service = Watching(folder, *options, impatient=impatient)
    try:
        yield service
    finally:
        service.close()


def jpeg(
    number: int = 0,
    *,
    f_number: float = 8.0,
    exif: bool = True,
    size: tuple[int, int] = (240, 160),
    codes_from: int = 90,
) -> bytes:
    """Return a small frame, of other content for each number: a lit bowl (60 codes from codes_from) before black."""
    width, height = size
    rng = np.random.default_rng(number)
    y, x = np.mgrid[0:height, 0:width]
    bowl = ((x - width / 2) / (width / 4)) ** 2 + ((y - height / 2) / (height / 3)) ** 2 < 1
    light = rng.integers(codes_from, codes_from + 60, (height, width, 3))
    codes = np.where(bowl[..., None], light, rng.integers(0, 3, (height, width, 3)))
    image = Image.fromarray(codes.astype(np.uint8))
    tags = Image.Exif()
    if exif:
        taken = tags.get_ifd(0x8769)
        # Exif 2.3: time, F-number, ISO, when
        ratio = TiffImagePlugin.IFDRational  # Pillow writes a float as a double, which Exif has not
        taken[0x829A], taken[0x829D], taken[0x8827] = ratio(1, 60), ratio(round(f_number * 10), 10), 200
        taken[0x9003] = f"2026:03:02 10:{number // 60 % 60:02d}:{number % 60:02d}"
    out = io.BytesIO()
    image.save(out, "JPEG", quality=90, exif=tags)
    return out.getvalue()


def journal_rows(folder: Path, query: str) -> list[tuple[Any, ...]]:
    """Read a journal that nobody has open."""
    link = sqlite3.connect(folder / "lampblack.journal")
    try:
        return link.execute(query).fetchall()
    finally:
        link.close()


def run(*words: str, deadline_s: float = DEADLINE_S, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Run one `lampblack` command."""
    return subprocess.run(
        [sys.executable, "-m", "lampblack.daemon.cli", *words],
        capture_output=True,
        text=True,
        timeout=deadline_s,
        cwd=cwd or os.getcwd(),
        check=False,
    )


def run_here(*words: str) -> subprocess.CompletedProcess[str]:
    """
    Run one `lampblack` command in this process, which spares its start: most of what a short one takes.

    For a command's second and third time; `run` proves first that it stands alone.
    """
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            status = cli.main(words)
        except SystemExit as end:  # wrong usage
            status = int(end.code or 0)
    return subprocess.CompletedProcess(words, status, out.getvalue(), err.getvalue())


def overtagged_dng(f_number: float, number: int = 1, over: float = 1.08) -> bytes:
    """Return a raw frame of the mock studio whose file tags white so much over where its samples end."""
    data = dng(f_number, number)
    for order in "<>":
        found = struct.pack(f"{order}HHLL", 50717, 4, 1, 16_383)  # DNG 1.4: WhiteLevel, one LONG
        if found in data:
            assert data.count(found) == 1
            white = round(512 + over * (16_383 - 512))
            return data.replace(found, struct.pack(f"{order}HHLL", 50717, 4, 1, white))
    raise AssertionError("the file has no such tag")
