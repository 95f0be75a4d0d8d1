"""
How much quicker a shoot is measured again on all cores than on one.

    python tests/bench/again.py [--frames N] [--setups N] [--runs N] [--megapixels N]

Frames of the mock studio, a bracket of apertures in each setup, each file another; the journal is made by hand. One
core: the whole command, its eye with it, held to a single core. All cores: the command as it is. The two take turns,
for a machine that is shared; shown are the frames a second of each turn, from the first frame's verdict to the last
one's, the middle one of their ratios, and what each turn took of processors, its start with it. Where others work on
the machine too, the clock tells little. Both must say the same.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path.append(str(Path(__file__).parent))
from latency import with_grain

from lampblack.daemon.intake import Sight
from lampblack.daemon.journal import NAME, Journal, Kept
from lampblack.mock_camera.body import Settings
from lampblack.mock_camera.studio import Studio

BAR = 1.8
APERTURES = (4.0, 5.6, 8.0, 11.0, 16.0)


def main() -> None:
    """Print a row for each turn, and the middle of all."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--frames", type=int, default=40)
    parser.add_argument("--setups", type=int, default=4)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--megapixels", type=float, default=24)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        shoot = Path(place) / "shoot"
        make(shoot, args.frames, args.setups, args.megapixels)
        ratios = []
        print(f"{args.frames} frames of {args.megapixels:g} MP in {args.setups} setups, {os.cpu_count()} cores")
        print(f"{'one core':>12}{'all cores':>14}{'ratio':>8}{'bar':>6}{'processors, one':>18}{'all':>9}{'load':>7}")
        for _ in range(args.runs):
            one, cpu_one, said_by_one = timed(shoot, [min(os.sched_getaffinity(0))])
            every, cpu_every, said_by_all = timed(shoot, None)
            if said_by_one != said_by_all:
                raise SystemExit("one core and all cores don't say the same")
            ratios.append(every / one)
            worked = f"{cpu_one:>16.1f} s{cpu_every:>7.1f} s{os.getloadavg()[0]:>7.1f}"
            print(f"{one:>10.2f}/s{every:>12.2f}/s{ratios[-1]:>8.2f}{BAR:>6}{worked}", flush=True)
        print(f"the middle ratio: {statistics.median(ratios):.2f}")


def make(shoot: Path, frames: int, setups: int, megapixels: float) -> None:
    """Make the frames and their journal."""
    shoot.mkdir()
    studio = Studio.load("black")
    shots = [with_grain(photograph(studio, f_number, megapixels)) for f_number in APERTURES]
    journal, _ = Journal.open(shoot / NAME)
    for number in range(1, frames + 1):
        setup = 1 + (number - 1) * setups // frames
        journal.begin_setup(setup, None)
        data = shots[number % len(shots)] + number.to_bytes(4, "big")  # junk behind the end is legal
        path = shoot / f"{number:04}.jpg"
        path.write_bytes(data)
        found = path.stat()
        kept = Kept(os.fsencode(path.name), hashlib.sha256(data).hexdigest(), setup, number, {}, {})
        journal.add_frame(kept, Sight(found.st_size, found.st_mtime_ns, found.st_ino))
    journal.close()


def photograph(studio: Studio, f_number: float, megapixels: float) -> bytes:
    """Return a JPEG of the mock studio."""
    settings = Settings(
        f_number=f_number,
        shutter_s=1 / 64,
        shutter="1/60",
        iso=200,
        white_balance="tungsten",
        formats=("jpeg",),
        taken_at="2026-03-02T10:00:00.00",
    )
    data: bytes = studio.photograph(settings, 1, megapixels).files[0][1]
    return data


def timed(shoot: Path, cores: list[int] | None) -> tuple[float, float, dict[int, Any]]:
    """Measure a shoot again, held to some cores; return frames a second, processors' seconds, what was said of each."""
    copy = shoot.with_name("copy")
    shutil.rmtree(copy, ignore_errors=True)
    copy.mkdir()
    shutil.copy(shoot / NAME, copy)
    for frame in shoot.glob("*.jpg"):
        os.link(frame, copy / frame.name)
    home = shoot.with_name("home")  # what was learned of a camera on one turn must not be known on the next
    shutil.rmtree(home, ignore_errors=True)
    command = [sys.executable, "-m", "lampblack.daemon.cli", "again", str(copy), "--json"]
    worked, said, at = os.times(), [], []
    with subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        env={**os.environ, "HOME": str(home), "XDG_DATA_HOME": str(home)},
        preexec_fn=None if cores is None else lambda: os.sched_setaffinity(0, cores),
    ) as process:
        assert process.stdout is not None
        for line in process.stdout:
            said.append(json.loads(line))
            at.append(time.perf_counter())
    if process.returncode != 0:
        raise SystemExit(f"it ended with {process.returncode}: {said[-1]}")
    now = os.times()
    cpu = now.children_user + now.children_system - worked.children_user - worked.children_system
    rate = (len(said) - 2) / (at[-2] - at[0])  # the last line tells of the end
    return rate, cpu, {one["frame"]: {**one, "progress": None} for one in said if "frame" in one}


if __name__ == "__main__":
    main()
