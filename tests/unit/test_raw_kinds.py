"""
Raw files of every kind of sensor: each is measured rightly, or refused in one line that says what to do.

The files are written tag by tag (`dngs.py`), from a ramp of light whose clipped share is known.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from dngs import BALANCE, BLACK, FULL, cfa, dng

from lampblack.daemon.config import load_thresholds
from lampblack.daemon.eye import see_here
from lampblack.daemon.refusal import FrameRefusedError
from lampblack.rules.blind import blindness
from lampblack.rules.look import Look

THRESHOLDS = load_thresholds()
HEIGHT, WIDTH = 480, 720
BAYER = (0, 1, 1, 2)
XTRANS = (
    1, 0, 1, 1, 2, 1,  2, 1, 2, 0, 1, 0,  1, 0, 1, 1, 2, 1,
    1, 2, 1, 1, 0, 1,  0, 1, 0, 2, 1, 2,  1, 2, 1, 1, 0, 1,
)  # fmt: skip


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


@pytest.mark.parametrize("full", [FULL, FULL - 300])
def test_a_raw_frame_burnt_out_all_over_is_no_damaged_file(tmp_path: Path, full: int) -> None:
    """Four stops over before white every sample is full, and all are alike."""
    path = tmp_path / "frame.dng"
    path.write_bytes(dng(np.full((HEIGHT, WIDTH), full, np.uint16), 32803, tags=cfa(BAYER, 2)))
    look = see_here(bytes(path), THRESHOLDS).look
    assert look.clipped_frame == 1
    assert blindness(look) == "burnt"
