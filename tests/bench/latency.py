"""
How long after a file's close its verdict is out, and what it costs.

    python tests/bench/latency.py [--runs N] [--megapixels 24 45]

A real service watches a folder; frames of the mock studio are written into it; the clock runs from the moment the
writer closes the file to the moment a client of the socket has the verdict. Shown as a ratio to a bare decode of the
same bytes (libjpeg-turbo through simplejpeg) timed in the same run, and the most memory that service and eye held.
"""

from __future__ import annotations

import argparse
import io
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import rawpy
import simplejpeg

from lampblack.daemon.client import Client, NoServiceError
from lampblack.daemon.config import load_thresholds
from lampblack.daemon.eye import Eye, Seen
from lampblack.mock_camera.body import Settings
from lampblack.mock_camera.studio import Studio

sys.path.append(str(Path(__file__).parents[1]))  # the tests' own writer of DNG files
from dngs import BLACK, FULL, cfa, dng

BARS = {"JPEG": (3.0, 700), "grainy": (3.0, 700), "raw": (2.5, 900), "packed raw": (2.5, 900)}
"""
First bars: ratio to the bare decode, megabytes.

The mock's JPEGs are small (a black backdrop holds nothing) and so quick to decode; the grainy ones are as large as
those of a camera at ISO 1600. Raw comes as the mock writes it, plain, which is unpacked in no time, and packed without
loss, as most cameras do.
"""

Figures = tuple[list[float], list[float], float]


def main() -> None:
    """Print a row for each kind and size."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=7)
    parser.add_argument("--megapixels", type=float, nargs="+", default=[24, 45])
    args = parser.parse_args()
    print(f"{'':17}{'bare decode':>14}{'to verdict':>14}{'ratio':>8}{'bar':>6}{'memory':>10}{'bar':>8}")
    for kind, figures in (("JPEG", measure), ("grainy", measure), ("raw", measure_raw), ("packed raw", measure_raw)):
        for megapixels in args.megapixels:
            row(f"{megapixels:g} MP {kind}", *figures(picture(megapixels, kind), args.runs), *BARS[kind])


def row(name: str, bare: list[float], took: list[float], memory: float, bar: float, most: int) -> None:
    """Print medians, and the median of the ratios run by run."""
    ratio = statistics.median(t / b for t, b in zip(took, bare, strict=True))
    decode, verdict = statistics.median(bare) * 1e3, statistics.median(took) * 1e3
    figures = f"{decode:>11.0f} ms{verdict:>11.0f} ms{ratio:>8.2f}{bar:>6.1f}{memory:>7.0f} MB{most:>5} MB"
    print(f"{name:<17}{figures}", flush=True)


def picture(megapixels: float, kind: str, f_number: float = 7.1) -> bytes:
    """Return a frame of the mock studio, at its even exposure or at another."""
    studio = Studio.load("black")
    settings = Settings(
        f_number=f_number,
        shutter_s=1 / 64,
        shutter="1/60",
        iso=200,
        white_balance="tungsten",
        formats=("dng",) if "raw" in kind else ("jpeg",),
        taken_at="2026-03-02T10:00:00.00",
    )
    data = studio.photograph(settings, 1, megapixels).files[0][1]
    if kind == "packed raw":
        with rawpy.imread(io.BytesIO(data)) as raw:
            span = float(raw.white_level) - float(np.mean(raw.black_level_per_channel))
            light = (raw.raw_image_visible - np.float32(np.mean(raw.black_level_per_channel))) / np.float32(span)
        samples = np.clip(light * (FULL - BLACK) + BLACK, 0, FULL).astype(np.uint16)
        return dng(samples, 32803, tags=cfa((0, 1, 1, 2), 2), packed=True)
    return with_grain(data) if kind == "grainy" else data


def with_grain(data: bytes) -> bytes:
    """Return a JPEG with the grain of a high ISO, its Exif kept."""
    codes = simplejpeg.decode_jpeg(data)
    grain = np.random.default_rng(1).normal(0, 6, (1024, codes.shape[1], 1)).astype(np.float32)
    for first in range(0, len(codes), 1024):
        band = codes[first : first + 1024]
        band[...] = np.clip(band + grain[: len(band)], 0, 255)
    plain = simplejpeg.encode_jpeg(codes, quality=95, colorsubsampling="420")
    exif_end = 4 + int.from_bytes(data[4:6], "big")
    return data[:exif_end] + plain[2:]


def measure_raw(data: bytes, runs: int) -> Figures:
    """
    As `measure`, for raw; from the eye's process alone.

    The service gives a raw file time for its JPEG to follow, which is no cost of measuring.
    """
    eye = Eye(load_thresholds())
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "frame.dng"
        path.write_bytes(data)
        bare, took = [], []
        try:
            for run in range(-1, runs):
                begun = time.perf_counter()
                with rawpy.imread(io.BytesIO(data)) as raw:
                    raw.raw_image_visible.max()
                between = time.perf_counter()
                seen = eye.see(os.fsencode(path))
                if not isinstance(seen, Seen):
                    raise SystemExit(f"refused: {seen}")
                if run >= 0:
                    bare.append(between - begun)
                    took.append(time.perf_counter() - between)
            return bare, took, peak_megabytes(eye.pid)
        finally:
            eye.close()


def measure(data: bytes, runs: int) -> Figures:
    """Return seconds of the bare decodes, seconds from close to verdict, and the peak memory in MB."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        service = subprocess.Popen(
            [sys.executable, "-m", "lampblack.daemon.cli", "watch", str(folder), "--foreground"],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        try:
            with connected(folder) as client:
                bare, took = [], []
                for run in range(-1, runs):  # the first warms up
                    seconds_bare, seconds = once(client, folder / f"frame{run}.jpg", data, run)
                    if run >= 0:
                        bare.append(seconds_bare)
                        took.append(seconds)
                return bare, took, peak_megabytes(service.pid)
        finally:
            service.terminate()
            service.wait(30)


def once(client: Client, path: Path, data: bytes, run: int) -> tuple[float, float]:
    """Decode the bytes bare, then have the service read them."""
    data = data + run.to_bytes(4, "big", signed=True)  # junk behind the end is legal, and makes it another file
    begun = time.perf_counter()
    simplejpeg.decode_jpeg(data, colorspace="RGB", strict=True)
    bare = time.perf_counter() - begun
    with path.open("wb") as file:
        file.write(data)
    closed = time.perf_counter()
    while True:
        for event in client.receive(60):
            if event["event"] == "frame" and event["verdict"]["file"].endswith(path.name):
                return bare, time.perf_counter() - closed
            if event["event"] == "refused":
                raise SystemExit(f"refused: {event}")


def connected(folder: Path) -> Client:
    """Return a client once the service answers, past its greeting."""
    deadline = time.monotonic() + 60
    while True:
        try:
            client = Client.connect(folder)
        except NoServiceError:
            if time.monotonic() > deadline:
                raise
            time.sleep(0.05)
        else:
            client.receive(10)
            return client


def peak_megabytes(pid: int) -> float:
    """Return the sum of the peaks of a process and its children, in MB."""
    tree = [pid]
    for each in tree:
        tasks = Path(f"/proc/{each}/task")
        tree += [int(c) for task in tasks.iterdir() for c in (task / "children").read_text().split()]
    peaks = [
        int(line.split()[1])
        for each in tree
        for line in Path(f"/proc/{each}/status").read_text().splitlines()
        if line.startswith("VmHWM")
    ]
    return sum(peaks) / 1000


if __name__ == "__main__":
    main()
