"""
How quick a long shoot's journal answers: 10,000 frames in 300 setups.

    python tests/bench/record.py [--runs N] [--frames 10000] [--setups 300] [--keep DIR]

Each command is run as a person runs it, from the start of its process; `drawn` is the first picture of a review, in a
process that has nothing else to do. Bars: status 0.1 s, review of one setup 0.3 s.
"""

from __future__ import annotations

import argparse
import json
import random
import resource
import shutil
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

sys.path.append(str(Path(__file__).parents[1]))
from fakes import LADDER, preview, verdict

from lampblack.daemon.journal import NAME, Journal

COMMAND = [sys.executable, "-m", "lampblack.daemon.cli"]
DRAWN = """
import argparse, sys
from pathlib import Path
from lampblack.daemon.config import load_thresholds
from lampblack.daemon.review import draw
from lampblack.daemon.reviewing import Book
from lampblack.daemon.style import Style
state = Book(Path(sys.argv[1]), load_thresholds(), sidecar=False).opened(int(sys.argv[2]), None, None)
draw(state, 160, 48, look=Style("true"))
"""


def main() -> None:
    """Print a row for each command."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=7)
    parser.add_argument("--frames", type=int, default=10_000)
    parser.add_argument("--setups", type=int, default=300)
    parser.add_argument(
        "--keep", type=Path, metavar="DIR", help="make it there and leave it; one there already is used"
    )
    args = parser.parse_args()
    place = args.keep or Path(tempfile.mkdtemp(prefix="lampblack-bench-"))
    try:
        if not (place / NAME).exists():
            begun = time.perf_counter()
            build(place, args.frames, args.setups)
            print(f"made in {time.perf_counter() - begun:.1f} s, {(place / NAME).stat().st_size / 1e6:.0f} MB")
        measure(place, args.setups, args.runs)
    finally:
        if args.keep is None:
            shutil.rmtree(place)


def measure(place: Path, setups: int, runs: int) -> None:
    """Time each command; print medians."""
    print(f"{'':22}{'clock':>10}{'work':>10}{'bar':>10}")
    folder, middle = str(place), str(max(1, setups // 2))
    row("status, unwatched", 0.1, [*COMMAND, "status", folder], runs)
    row("review, lines", 0.3, [*COMMAND, "review", folder, "--setup", middle], runs)
    row("review, JSON", 0.3, [*COMMAND, "review", folder, "--setup", middle, "--json"], runs)
    row("two setups", 0.3, [*COMMAND, "review", folder, "--setup", middle, "--against", "1"], runs)
    row("review, drawn", 0.3, [sys.executable, "-c", DRAWN, folder, middle], runs)
    row("choose, unwatched", None, [*COMMAND, "choose", folder, "7", "--rating", "3", "--no-sidecar"], runs)
    begun = time.perf_counter()
    subprocess.run([*COMMAND, "watch", folder], check=True, capture_output=True, timeout=120)
    print(f"{'watch, to its start':22}{time.perf_counter() - begun:>8.3f} s")
    try:
        row("status, watched", 0.1, [*COMMAND, "status", folder], runs)
        row("choose, watched", None, [*COMMAND, "choose", folder, "7", "--rating", "3", "--no-sidecar"], runs)
    finally:
        subprocess.run([*COMMAND, "stop", folder], check=True, capture_output=True, timeout=120)


def row(name: str, bar: float | None, command: Sequence[str], runs: int) -> None:
    """Run a command so many times, once more for the disk's sake; print what it took."""
    took, worked = [], []
    for _ in range(runs + 1):
        begun, before = time.perf_counter(), _worked()
        subprocess.run(command, check=True, capture_output=True, timeout=120)
        took.append(time.perf_counter() - begun)
        worked.append(_worked() - before)
    told = "" if bar is None else f"{bar:>8g} s"
    print(f"{name:22}{statistics.median(took[1:]):>8.3f} s{statistics.median(worked[1:]):>8.3f} s{told}", flush=True)


def _worked() -> float:
    """Return the processors' time that ended children took: on a busy machine it says more than the clock."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


# ---------------------------------------------------------------- the journal


def build(place: Path, frames: int, setups: int) -> None:
    """Make a shoot's journal by way of the schema alone: what a service writes in days, in one go."""
    place.mkdir(parents=True, exist_ok=True)
    Journal.open(place / NAME)[0].close()
    small = json.dumps(preview())
    link = sqlite3.connect(place / NAME)
    link.execute("PRAGMA synchronous = OFF")
    with link:
        names = (
            (n, f"setup of day {n}", f"2026-03-{1 + n * 27 // setups:02d}T10:00:00.000+00:00")
            for n in range(1, setups + 1)
        )
        link.executemany("INSERT INTO setup (number, name, begun) VALUES (?, ?, ?)", names)
        for number in range(1, frames + 1):
            _frame(link, place, number, 1 + (number - 1) * setups // frames, small)
        events = [*_readings(setups), *_choices(frames)]
        link.executemany("INSERT INTO event (at, kind, text) VALUES ('2026-03-28T10:00:00.000+00:00', ?, ?)", events)
    link.close()


def _frame(link: sqlite3.Connection, place: Path, number: int, setup: int, small: str) -> None:
    """Write down one frame, judged twice as most are, and lay its file there."""
    path = place / f"{number:05d}.jpg"
    path.write_bytes(b"")
    seen, name, at = path.stat(), path.name.encode(), "2026-03-02T10:15:22.400+00:00"
    link.execute(
        "INSERT INTO frame (id, path, digest, setup, number, read_at) VALUES (?, ?, ?, ?, ?, ?)",
        (number, name, f"{number:064x}", setup, number, at),
    )
    said = json.dumps(verdict(number, LADDER[number % len(LADDER)], setup=setup))
    for text in (small, None):
        link.execute(
            "INSERT INTO verdict (frame, said_at, verdict, preview) VALUES (?, ?, ?, ?)", (number, at, said, text)
        )
    sight = (name, seen.st_size, seen.st_mtime_ns, seen.st_ino, "frame", number, at)
    link.execute(
        "INSERT INTO sighting (path, size, mtime_ns, inode, outcome, frame, seen_at) VALUES (?, ?, ?, ?, ?, ?, ?)",
        sight,
    )


def _readings(setups: int) -> list[tuple[str, str]]:
    places = {"key": 12.0, "fill": 10.0, "camera": 11.0}
    told = (
        [{"setup": n, "place": p, "ev100": ev, "said": p, "meter": None} for p, ev in places.items()]
        for n in range(1, setups + 1)
    )
    return [("readings", json.dumps(one)) for one in told]


def _choices(frames: int) -> list[tuple[str, str]]:
    seeded = random.Random(7)
    numbers = seeded.sample(range(1, frames + 1), frames // 5)
    return [
        ("choice", json.dumps({"frame": n, "rating": seeded.randint(1, 5), "label": None, "why": "the rim is clear"}))
        for n in numbers
    ]


if __name__ == "__main__":
    main()
