"""
Raw files of every kind of sensor: each is measured rightly, or refused in one line that says what to do.

The files are written here, tag by tag (TIFF 6.0; DNG 1.4 for the tags from 50706 on), from a ramp of light whose
clipped share is known.
"""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from lampblack.daemon.config import load_thresholds
from lampblack.daemon.eye import see_here
from lampblack.daemon.refusal import FrameRefusedError
from lampblack.rules.look import Look

THRESHOLDS = load_thresholds()
BLACK, FULL = 512, 15_000
HEIGHT, WIDTH = 480, 720
BAYER = (0, 1, 1, 2)
XTRANS = (
    1, 0, 1, 1, 2, 1,  2, 1, 2, 0, 1, 0,  1, 0, 1, 1, 2, 1,
    1, 2, 1, 1, 0, 1,  0, 1, 0, 2, 1, 2,  1, 2, 1, 1, 0, 1,
)  # fmt: skip
BALANCE = (0.5, 1.0, 0.6)  # what grey gives in red, green, blue


def ramp(samples: int = 1) -> np.ndarray:
    """Light from nothing to a third over white, evenly over the width: a quarter of it clips."""
    light = np.broadcast_to(np.linspace(0, 4 / 3, WIDTH), (HEIGHT, WIDTH))
    return np.repeat(light[..., None], samples, axis=2) if samples > 1 else light


def counts(light: np.ndarray, seed: int = 3) -> np.ndarray:
    """Samples with shot and read noise (EMVA 1288: variance = read^2 + gain x mean), cut off at a full well."""
    rng = np.random.default_rng(seed)
    electrons = light * 40_000
    electrons = electrons + rng.normal(size=light.shape) * np.sqrt(np.maximum(electrons, 0) + 9)
    return np.clip(np.rint(BLACK + electrons * (FULL - BLACK) / 40_000), 0, FULL).astype(np.uint16)


def through(pattern: tuple[int, ...], across: int) -> np.ndarray:
    """Samples of a sensor with a colour pattern before a grey ramp."""
    places = np.array(pattern).reshape(-1, across)
    tiled = np.tile(places, (HEIGHT // len(places), WIDTH // across))
    return counts(ramp() * np.array([*BALANCE, 1.0, 1.0, 1.0, 1.0])[tiled])


_SIZES = {1: "B", 2: "s", 3: "H", 4: "L", 5: "LL", 10: "ll", 11: "f"}


def _packed(kind: int, value: Any) -> tuple[int, bytes]:
    if kind == 2:
        return len(value) + 1, value.encode() + b"\0"
    values = list(value) if isinstance(value, list | tuple) else [value]
    if kind in (5, 10):
        whole = [part for v in values for part in (round(v * 10_000), 10_000)]
        return len(values), struct.pack(f"<{len(whole)}{_SIZES[kind][0]}", *whole)
    return len(values), struct.pack(f"<{len(values)}{_SIZES[kind]}", *values)


def tiff(tags: dict[int, tuple[int, Any]], body: bytes) -> bytes:
    """Return a file of one directory and one strip."""
    start = 8 + 2 + 12 * (len(tags) + 1) + 4
    later, entries = b"", []
    packed = {tag: (kind, *_packed(kind, value)) for tag, (kind, value) in tags.items()}
    place = start + sum(len(data) + len(data) % 2 for _, _, data in packed.values() if len(data) > 4)
    packed[273] = (4, 1, struct.pack("<L", place))
    for tag, (kind, count, data) in sorted(packed.items()):
        if len(data) > 4:
            where = struct.pack("<L", start + len(later))
            later += data + b"\0" * (len(data) % 2)
        else:
            where = data.ljust(4, b"\0")
        entries.append(struct.pack("<HHL", tag, kind, count) + where)
    head = b"II*\0" + struct.pack("<L", 8) + struct.pack("<H", len(entries))
    return head + b"".join(entries) + struct.pack("<L", 0) + later + body


def dng(samples: np.ndarray, photometric: int, **more: Any) -> bytes:
    depth = 1 if samples.ndim == 2 else samples.shape[2]
    tags: dict[int, tuple[int, Any]] = {
        254: (4, 0), 256: (4, samples.shape[1]), 257: (4, samples.shape[0]),
        258: (3, [samples.dtype.itemsize * 8] * depth), 259: (3, 1), 262: (3, photometric),
        271: (2, "Ochre"), 272: (2, "Ochre Kinds"), 274: (3, 1), 277: (3, depth), 278: (4, samples.shape[0]),
        279: (4, samples.nbytes), 284: (3, 1), 50706: (1, (1, 4, 0, 0)), 50707: (1, (1, 1, 0, 0)),
        50708: (2, "Ochre Kinds"), 50714: (4, [BLACK] * depth), 50717: (4, [FULL] * depth),
        33434: (5, 1 / 60), 33437: (5, 8.0), 34855: (3, 200),
    }  # fmt: skip
    if depth == 3 or photometric == 32803:
        tags |= {50721: (10, [1.0, 0, 0, 0, 1.0, 0, 0, 0, 1.0]), 50728: (5, list(BALANCE)), 50778: (3, 21)}
    tags |= {int(tag): value for tag, value in more.get("tags", {}).items()}
    return tiff(tags, samples.tobytes())


def cfa(pattern: tuple[int, ...], across: int, colours: tuple[int, ...] = (0, 1, 2)) -> dict[int, tuple[int, Any]]:
    return {
        33421: (3, (len(pattern) // across, across)),
        33422: (1, pattern),
        50710: (1, colours),
        50711: (3, 1),
    }


def measured(tmp_path: Path, data: bytes) -> Look:
    path = tmp_path / "frame.dng"
    path.write_bytes(data)
    return see_here(bytes(path), THRESHOLDS, backdrop="none").look


@pytest.mark.parametrize(
    ("pattern", "across"), [(BAYER, 2), ((1, 2, 0, 1), 2), (XTRANS, 6)], ids=["Bayer", "Bayer, shifted", "6 x 6"]
)
def test_a_colour_pattern_clips_where_its_fullest_colour_does(
    tmp_path: Path, pattern: tuple[int, ...], across: int
) -> None:
    look = measured(tmp_path, dng(through(pattern, across), 32803, tags=cfa(pattern, across)))
    assert look.clipped_frame == pytest.approx(0.25, abs=0.006)
    # Green is full from 3/4 of the width on; red and blue, half and six tenths of it, never.
    assert look.clipped[1] == pytest.approx(0.25, abs=0.02)
    assert look.clipped[0] == look.clipped[2] == 0


def test_a_sensor_without_colours(tmp_path: Path) -> None:
    look = measured(tmp_path, dng(counts(ramp()), 34892))
    assert look.clipped_frame == pytest.approx(0.25, abs=0.006)
    assert look.kind == "raw"
    light = look.bright.astype(float).mean(axis=0)
    middle = light[round(0.375 * len(light))]  # half of white
    assert middle == pytest.approx(0.5, rel=0.03)


def test_linear_dng_with_three_samples_a_pixel(tmp_path: Path) -> None:
    samples = counts(ramp(3) * np.array(BALANCE))
    look = measured(tmp_path, dng(samples, 34892))
    assert look.clipped_frame == pytest.approx(0.25, abs=0.006)
    assert look.clipped[0] == look.clipped[2] == 0


def test_a_noise_floor_is_found_for_any_pattern(tmp_path: Path) -> None:
    """40,000 electrons at white, 3 of read noise: signal equals noise at 3.5 electrons, 13.5 stops under white."""
    look = measured(tmp_path, dng(through(BAYER, 2), 32803, tags=cfa(BAYER, 2)))
    assert np.log2(look.floor_light) == pytest.approx(np.log2(3.5 / 40_000 * 1.56), abs=1.0)


@pytest.mark.parametrize(
    "data",
    [
        dng(through((0, 1, 6, 2), 2), 32803, tags=cfa((0, 1, 6, 2), 2, (0, 1, 2, 6))),
        dng(counts(ramp()).astype(np.float32), 32803, tags={**cfa(BAYER, 2), 339: (3, 3)}),
        dng(through(BAYER, 2), 32803, tags=cfa(BAYER, 2))[: HEIGHT * WIDTH],
        dng(np.full((HEIGHT, WIDTH), 900, np.uint16), 32803, tags=cfa(BAYER, 2)),
        b"II*\0" + bytes(400),
    ],
    ids=["a white pixel", "floats", "cut short", "one value", "junk"],
)
def test_what_is_not_measured_is_refused_in_one_line(tmp_path: Path, data: bytes) -> None:
    """... or measured rightly: a reader that learns a kind later is no fault."""
    try:
        look = measured(tmp_path, data)
    except FrameRefusedError as refusal:
        text = str(refusal)
        assert "\n" not in text
        assert ":" in text  # what it is, and what to do
    else:
        assert look.clipped_frame == pytest.approx(0.25, abs=0.01)
