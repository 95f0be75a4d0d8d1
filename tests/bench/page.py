"""
How long the page of a shoot takes, and how large it is: 60 frames of 24 megapixels in three setups.

    python tests/bench/page.py [--frames 60] [--megapixels 24]

A real service reads the frames first, untimed: brackets of four, the widest burnt out here and there. Plain: the mock
studio's JPEGs, whose black backdrop holds nothing. Grainy: as large as a camera's at ISO 1600. Lamps: grainy, with
three frames marked as single lamps' own. Seconds are of the whole command; CPU seconds of it and of all its processes,
which tell more than the clock on a busy machine.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from latency import connected, picture

BAR_S, BAR_MB = 10.0, 15.0
LAMPS, BRACKET = ("key", "fill", "rim"), (5.6, 8.0, 11.0, 16.0)


def main() -> None:
    """Print a row for each kind."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--frames", type=int, default=60)
    parser.add_argument("--megapixels", type=float, default=24)
    parser.add_argument("--kinds", nargs="+", default=["JPEG", "grainy", "lamps"])
    args = parser.parse_args()
    print(f"{args.frames} frames of {args.megapixels:g} MP: report{'':4}bar{'':6}CPU{'':6}size{'':5}bar", flush=True)
    for kind in args.kinds:
        with tempfile.TemporaryDirectory() as place:
            seconds, cpu, size = measure(Path(place), kind, args.frames, args.megapixels)
        print(f"{kind:<22}{seconds:>8.1f} s{BAR_S:>5.0f} s{cpu:>7.1f} s{size:>7.1f} MB{BAR_MB:>4.0f} MB", flush=True)


def measure(folder: Path, kind: str, count: int, megapixels: float) -> tuple[float, float, float]:
    """Return the seconds that a report takes, those of all cores, and its megabytes."""
    data = [picture(megapixels, "JPEG" if kind == "JPEG" else "grainy", f_number) for f_number in BRACKET]
    with (folder / "service.log").open("wb") as log:
        service = subprocess.Popen([*command("watch"), str(folder), "--foreground"], stdout=log, stderr=log)
        try:
            fill(folder, data, count)
        finally:
            service.terminate()
            service.wait(60)
    if kind == "lamps":
        for number, lamp in enumerate(LAMPS, 1):
            subprocess.run([*command("lamp"), str(folder), lamp, "--frame", str(number)], check=True, stdout=sys.stderr)
    before, begun = used(), time.perf_counter()
    subprocess.run([*command("report"), str(folder)], check=True, stdout=sys.stderr)
    seconds = time.perf_counter() - begun
    return seconds, used() - before, (folder / "report.html").stat().st_size / 1e6


def command(word: str) -> list[str]:
    """Return the words that a command begins with."""
    return [sys.executable, "-m", "lampblack.daemon.cli", word]


def fill(folder: Path, data: list[bytes], count: int) -> None:
    """Have a service read so many frames, in three setups."""
    with connected(folder) as client:
        for number in range(count):
            if number and number % (count // 3 or 1) == 0:
                client.ask({"do": "slate", "name": f"setup of frame {number + 1}"}, 60)
            # Junk behind the end is legal, and makes it another file.
            part = folder / "part"
            part.write_bytes(data[number % len(data)] + number.to_bytes(4, "big"))
            shutil.move(part, folder / f"frame{number:04}.jpg")
            while not any(event["event"] in ("frame", "refused") for event in client.receive(60)):
                pass


def used() -> float:
    """Return the CPU seconds of all children so far, theirs too."""
    spent = resource.getrusage(resource.RUSAGE_CHILDREN)
    return spent.ru_utime + spent.ru_stime


if __name__ == "__main__":
    os.environ.setdefault("PYTHONWARNINGS", "ignore")
    main()
