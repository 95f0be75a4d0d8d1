"""
What colour, steadiness and flicker together add to the time of a verdict.

    python tests/bench/spoils.py [--runs N] [--megapixels 45]

A frame of the mock studio is decoded, measured and judged in this process, as the second of its setup: once whole, once
with those measures taken out. Bar: a quarter more, at 45 megapixels.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from pathlib import Path
from unittest import mock

from lampblack.daemon.config import load_thresholds
from lampblack.daemon.eye import see_here
from lampblack.rules import look as looks
from lampblack.rules import shoot
from lampblack.rules.against import NOTHING_TOLD
from lampblack.rules.flicker import NO_BANDS

sys.path.append(str(Path(__file__).parent))
from latency import picture

BAR = 1.25


def main() -> None:
    """Print a row for each kind."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=7)
    parser.add_argument("--megapixels", type=float, default=45)
    args = parser.parse_args()
    print(f"{'':17}{'without':>11}{'whole':>11}{'ratio':>8}{'bar':>6}")
    for kind in ("JPEG", "grainy", "packed raw"):
        with tempfile.NamedTemporaryFile(suffix=".dng" if "raw" in kind else ".jpg") as file:
            file.write(picture(args.megapixels, kind))
            file.flush()
            whole, without = measure(file.name.encode(), args.runs)
        ratio = statistics.median(a / b for a, b in zip(whole, without, strict=True))
        middle, less = statistics.median(whole) * 1e3, statistics.median(without) * 1e3
        print(f"{args.megapixels:g} MP {kind:<11}{less:>8.0f} ms{middle:>8.0f} ms{ratio:>8.2f}{BAR:>6.2f}", flush=True)


def measure(path: bytes, runs: int) -> tuple[list[float], list[float]]:
    """Return the seconds of each run, whole and without, by turns."""
    thresholds = load_thresholds()
    first = see_here(path, thresholds)
    setup, _ = shoot.judge(shoot.new_setup(1), first.look, thresholds, file="1", frame=1)

    def once() -> float:
        begun = time.perf_counter()
        seen = see_here(path, thresholds, known=setup.known)
        shoot.judge(setup, seen.look, thresholds, file="2", frame=2)
        return time.perf_counter() - begun

    whole, without = [], []
    for _ in range(runs):
        whole.append(once())
        with (
            mock.patch.object(looks, "held_against", return_value=NOTHING_TOLD),
            mock.patch.object(looks, "bands_across", return_value=NO_BANDS),
            mock.patch.object(shoot, "backdrop_colour", return_value=None),
            mock.patch.object(shoot, "colour_notices", return_value=[]),
            mock.patch.object(shoot, "steady_notices", return_value=[]),
        ):
            without.append(once())
    return whole, without


if __name__ == "__main__":
    main()
