"""
How long four lamps take to balance, from their measured frames to the picture of the mix.

    python tests/bench/lamps.py [--runs N] [--megapixels 45]

Bar: two seconds, and 1.2 GB, at 45 megapixels on two cores. The frames' own reading is `latency.py`'s.
"""

from __future__ import annotations

import argparse
import multiprocessing
import resource
import statistics
import sys
import time
from pathlib import Path

import cv2
import numpy as np

sys.path.append(str(Path(__file__).parents[1]))
from scenes import vessel

from lampblack.daemon.balance import preview
from lampblack.daemon.config import load_thresholds
from lampblack.rules.exposure import LADDER, Exposure
from lampblack.rules.frame import Picture, Shot
from lampblack.rules.layers import gather, shares
from lampblack.rules.look import Look, look
from lampblack.rules.mixing import parse_terms, plan
from lampblack.rules.tone import linear_to_srgb

BAR_S, BAR_MB = 2.0, 1200
LAMPS = {"key": (1, 0.1), "fill": (0.1, 0.6), "rim": (0.4, 0.4), "back": (0.02, 0.3)}
WISHES = ("ratio=3:1", "backdrop=clean", "hold-highlights", "fill<=0.5")


def frames(megapixels: float) -> list[tuple[str, Look]]:
    """Return each lamp alone: light that goes from the one figure at the left to the other at the right."""
    height = round((megapixels * 1e6 / 1.5) ** 0.5)
    width = round(1.5 * height)
    small = vessel("black").backdrop.astype(np.uint8)
    behind = cv2.resize(small, (width, height), interpolation=cv2.INTER_NEAREST) > 0
    down = np.linspace(0.5, 1, height, dtype=np.float32)[:, None]
    found = []
    for i, (name, (left, right)) in enumerate(LAMPS.items()):
        across = np.linspace(left, right, width, dtype=np.float32)[None]
        light = np.where(behind, 0.002 + 0.02 * i * across, 0.3 * across * down).astype(np.float32)
        codes = (linear_to_srgb(light) * 255).astype(np.uint8)
        picture = Picture("jpeg", cv2.merge([codes] * 3), Shot(Exposure.of(8, 1 / 60, 200)))
        found.append((name, look(picture, load_thresholds())))
    return found


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--megapixels", type=float, default=45)
    args = parser.parse_args()
    with multiprocessing.get_context("spawn").Pool(1) as elsewhere:  # as the eye is: its memory is another's
        looks = elsewhere.apply(frames, (args.megapixels,))
    thresholds, took = load_thresholds(), []
    for _ in range(args.runs):
        begun = time.perf_counter()
        layers = gather(looks, thresholds)
        found = plan(layers, parse_terms(WISHES, list(LAMPS)), LADDER, thresholds)
        shares(layers)
        preview(layers, found)
        took.append(time.perf_counter() - begun)
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
    size = f"{args.megapixels:g} MP, {len(LAMPS)} lamps"
    print(f"{size:<17}{statistics.median(took):>8.2f} s (bar {BAR_S:g}){memory:>8.0f} MB (bar {BAR_MB})", flush=True)


if __name__ == "__main__":
    main()
