"""Raw files of every kind: each is measured as its samples are, or refused in one line that says what to do."""

from __future__ import annotations

import gc
import io
import sys
from typing import Any

import numpy as np
import pytest
import tifffile
from dng_variants import RGGB, SIX_BY_SIX, dng, light_of_codes
from numpy.typing import NDArray

from lampblack.daemon.config import load_thresholds
from lampblack.daemon.decode import decode, read_raw
from lampblack.daemon.refusal import FrameRefusedError
from lampblack.rules.cells import Cells
from lampblack.rules.raw import reduce_raw

THRESHOLDS = load_thresholds()
ROWS, COLUMNS = 480, 720
BLACK, FULL = 512, 15_000
WELL_E, READ_E = 40_000, 3.0
NOISE_AFTER_THE_WELL = 4  # codes: read noise is 1.1 of them
WITHIN = 0.001  # of the frame: the tenth of a point


def scene() -> NDArray[np.float64]:
    """Light over saturation, rising to the right and downward; green is full in some of it."""
    plain = np.outer(np.linspace(0.6, 1, ROWS), np.linspace(0, 1.25, COLUMNS))
    return np.stack([plain * 0.75, plain, plain * 0.6], axis=2)


def seen_through(pattern: Any) -> NDArray[np.float64]:
    """Return the light of each sample under a colour pattern."""
    places = np.asarray(pattern)
    down, across = places.shape
    which = np.tile(places, (ROWS // down, COLUMNS // across))
    light = scene()
    light = np.concatenate([light, light.sum(axis=2, keepdims=True) / 2], axis=2)
    return np.take_along_axis(light, which[..., None], axis=2)[..., 0]


def held(light: NDArray[np.float64]) -> NDArray[np.uint16]:
    """Return samples: wells fill up, then are read with noise (EMVA 1288)."""
    rng = np.random.default_rng(7)
    wells = np.minimum(rng.poisson(np.clip(light, 0, None) * WELL_E), WELL_E)
    codes = BLACK + (FULL - BLACK) / WELL_E * (wells + READ_E * rng.normal(size=light.shape))
    return np.clip(np.rint(codes), 0, 65535).astype(np.uint16)


def shares(samples: NDArray[Any]) -> NDArray[np.float32]:
    return ((samples.astype(np.float64) - BLACK) / (FULL - BLACK)).clip(0, 1).astype(np.float32)


def full_share(full: NDArray[np.bool_], period: tuple[int, int]) -> float:
    """Return the share of points with a full sample."""
    if full.ndim == 3:
        return float(full.any(axis=2).mean())
    down, across = period
    return float(full.reshape(len(full) // down, down, -1, across).any(axis=(1, 3)).mean())


def is_full(samples: NDArray[Any]) -> NDArray[np.bool_]:
    flags: NDArray[np.bool_] = samples >= FULL - NOISE_AFTER_THE_WELL
    return flags


def measured(data: bytes) -> tuple[float, Cells]:
    sensor = read_raw(data, THRESHOLDS)
    assert (sensor.width, sensor.height) == (COLUMNS, ROWS)
    cells = reduce_raw(sensor, THRESHOLDS)
    return cells.clipped_frame, cells


BAYER = held(seen_through(RGGB))
WHOLE = held(scene())
GREY = held(scene()[..., 1])
BLACKS = np.array([[512, 530], [500, 515]])
STEPS = np.rint(BLACK + (np.arange(1024) / 1023) ** 2 * (FULL - BLACK)).astype(int)


def masked_at(level: float) -> NDArray[np.uint16]:
    """Return the Bayer frame `level - BLACK` higher, within a border that saw no light."""
    whole = np.rint(np.random.default_rng(8).normal(level, 3, (ROWS + 32, COLUMNS + 64)))
    whole[32:, 64:] = BAYER + (level - BLACK)
    return whole.astype(np.uint16)


BORDER = (
    (50829, 4, 4, (32, 64, ROWS + 32, COLUMNS + 64), True),  # ActiveArea
    (50830, 4, 4, (0, 0, ROWS + 32, 60), True),  # MaskedAreas
)


def stepped() -> NDArray[np.uint16]:
    return np.searchsorted(STEPS, BAYER).clip(0, 1023).astype(np.uint16)


MEASURED: dict[str, tuple[bytes, float]] = {
    "2 x 2": (dng(BAYER, black=BLACK, white=FULL), full_share(is_full(BAYER), (2, 2))),
    "2 x 2, white tagged too high": (dng(BAYER, black=BLACK, white=16_383), full_share(is_full(BAYER), (2, 2))),
    "2 x 2, lossless JPEG": (dng(BAYER, black=BLACK, white=FULL, compression=7), full_share(is_full(BAYER), (2, 2))),
    "2 x 2, four blacks": (
        dng((BAYER + np.tile(BLACKS - BLACK, (ROWS // 2, COLUMNS // 2))).astype(np.uint16), black=BLACKS),
        full_share(is_full(BAYER), (2, 2)),
    ),
    "2 x 2, unknown camera, no matrix": (
        dng(BAYER, black=BLACK, white=FULL, matrix=False),
        full_share(is_full(BAYER), (2, 2)),
    ),
    "2 x 2, linearisation table": (
        dng(stepped(), black=BLACK, white=FULL, tags=[(50712, 3, 1024, tuple(STEPS.tolist()), True)]),
        full_share(is_full(STEPS[stepped()]), (2, 2)),
    ),
    "2 x 2, masked border": (
        dng(masked_at(530), black=BLACK, white=FULL + 18, tags=BORDER),
        full_share(is_full(BAYER), (2, 2)),
    ),
    "6 x 6": (
        dng(held(seen_through(SIX_BY_SIX)), SIX_BY_SIX, black=BLACK, white=FULL),
        full_share(is_full(held(seen_through(SIX_BY_SIX))), (3, 3)),
    ),
    "no colours": (dng(GREY, None, black=BLACK, white=FULL), full_share(is_full(GREY), (1, 1))),
    "whole colours": (dng(WHOLE, None, black=BLACK, white=FULL), full_share(is_full(WHOLE), (1, 1))),
    "whole colours, 8 bit": (
        dng(np.rint(shares(WHOLE) * 255).astype(np.uint8), None, white=255),
        full_share(np.rint(shares(WHOLE) * 255) == 255, (1, 1)),
    ),
    "whole colours, 16-bit floats": (
        dng(shares(WHOLE).astype(np.float16), None, white=1),
        full_share(is_full(WHOLE), (1, 1)),
    ),
    "2 x 2, 32-bit floats": (dng(shares(BAYER), white=1), full_share(is_full(BAYER), (2, 2))),
    "2 x 2, 32-bit floats, deflated": (
        dng(shares(BAYER), white=1, compression=8, predictor=3),
        full_share(is_full(BAYER), (2, 2)),
    ),
}


@pytest.mark.parametrize("kind", MEASURED)
def test_what_is_clipped_is_what_the_file_holds(kind: str) -> None:
    data, truth = MEASURED[kind]
    share, cells = measured(data)
    assert 0.05 < truth < 0.06
    assert share == pytest.approx(truth, abs=WITHIN)
    if kind != "no colours":
        assert cells.clipped[..., (0, 2)].max() == 0  # red and blue have a fifth of the light to spare and more


@pytest.mark.parametrize("kind", sorted(MEASURED.keys() - {"2 x 2, unknown camera, no matrix", "no colours"}))
def test_light_is_that_of_the_scene(kind: str) -> None:
    """Every file shows one scene: whatever its levels, the light found is that of the plainest of them."""
    plainest = measured(MEASURED["whole colours"][0])[1].light
    found = measured(MEASURED[kind][0])[1].light
    a, b = (np.mean(light[light.shape[0] // 4 : light.shape[0] // 2], axis=(0, 1)) for light in (plainest, found))
    assert np.abs(np.log2(a / b)).max() < 0.01


def test_a_border_that_saw_no_light_is_believed_over_the_tag() -> None:
    sensor = read_raw(MEASURED["2 x 2, masked border"][0], THRESHOLDS)
    scale = sensor.planes[0].white / (FULL + 18)
    assert [plane.black / scale for plane in sensor.planes] == pytest.approx([530] * 4, abs=0.3)


def test_four_blacks_are_told_apart() -> None:
    sensor = read_raw(MEASURED["2 x 2, four blacks"][0], THRESHOLDS)
    scale = sensor.planes[0].white / 16_383
    assert [plane.black / scale for plane in sensor.planes] == BLACKS.ravel().tolist()


@pytest.mark.parametrize("kind", ["2 x 2", "2 x 2, lossless JPEG", "2 x 2, linearisation table", "no colours"])
def test_noise_is_told_of_any_sensor_with_two_samples_alike(kind: str) -> None:
    noise = measured(MEASURED[kind][0])[1].noise
    assert noise is not None
    assert noise.gain * WELL_E == pytest.approx(1, rel=0.05)


def test_a_lossy_file_is_measured_by_its_own_codes() -> None:
    codes = np.rint(np.sqrt(shares(WHOLE)) * 255).astype(np.uint8)
    data = dng(codes, None, white=65_535, compression=34_892, tags=[light_of_codes(ROWS, COLUMNS, 2)])
    kept = tifffile.imread(io.BytesIO(data))
    share, cells = measured(data)
    assert share == pytest.approx(float((kept == 255).any(axis=2).mean()), abs=WITHIN)
    plain = measured(MEASURED["whole colours"][0])[1].light
    assert np.median(cells.light) == pytest.approx(float(np.median(plain)), rel=0.02)


FOUR_BY_FOUR = np.kron(np.array(RGGB), np.ones((2, 2), int)).tolist()
WITH_WHITE, PRINT_COLOURS = ((0, 1), (2, 6)), ((3, 4), (1, 5))
REFUSED: dict[str, tuple[bytes, str]] = {
    "4 x 4": (dng(BAYER, FOUR_BY_FOUR, black=BLACK, white=FULL), "4 x 4"),
    "a white place": (dng(BAYER, WITH_WHITE, colours=(0, 1, 2, 6), black=BLACK, white=FULL), "red, green and blue"),
    "cyan, yellow": (dng(BAYER, PRINT_COLOURS, colours=(3, 4, 5, 1), black=BLACK, white=FULL), "red, green and blue"),
    "lossy without a curve": (
        dng(np.rint(shares(WHOLE) * 255).astype(np.uint8), None, white=255, compression=34_892),
        "lossy",
    ),
    "lossy and a pattern": (
        dng(
            np.rint(shares(BAYER) * 255).astype(np.uint8),
            white=255,
            compression=34_892,
            tags=[light_of_codes(ROWS, COLUMNS, 2)],
        ),
        "lossy JPEG",
    ),
    "lossy, said to be lossless": (dng(WHOLE // 4, None, black=BLACK // 4, white=FULL // 4, compression=7), "lossless"),
    "JPEG XL": (dng(BAYER, black=BLACK, white=FULL, compression=52_546), "JPEG XL"),
    "deflated whole numbers": (dng(BAYER, black=BLACK, white=FULL, compression=8), "deflate"),
    "deflated floats, no predictor": (dng(shares(BAYER), white=1, compression=8), "predictor"),
    "too small": (dng(BAYER[:16, :16], black=BLACK, white=FULL), "LibRaw"),
}


@pytest.mark.parametrize("kind", REFUSED)
def test_what_cannot_be_measured_is_refused_in_one_line(kind: str) -> None:
    data, word = REFUSED[kind]
    with pytest.raises(FrameRefusedError) as caught:
        read_raw(data, THRESHOLDS)
    line = str(caught.value)
    assert word in line
    assert line.isprintable()
    assert "export it" in line
    assert "b'" not in line


@pytest.mark.parametrize("kind", MEASURED)
@pytest.mark.parametrize("keep", [0.02, 0.5, 0.97])
def test_a_file_cut_short_is_said_to_be_and_may_still_grow(kind: str, keep: float) -> None:
    data = MEASURED[kind][0]
    with pytest.raises(FrameRefusedError) as caught:
        read_raw(data[: int(len(data) * keep)], THRESHOLDS)
    assert not caught.value.final
    assert "copy it again" in str(caught.value)


@pytest.mark.parametrize("kind", ["2 x 2", "tiff"])
def test_a_files_bytes_are_let_go_at_once(kind: str) -> None:
    """Not when memory is tidied next: at a hundred megabytes a frame that is too late."""
    file = io.BytesIO()
    tifffile.imwrite(file, np.full((64, 64, 3), 9_000, np.uint16), photometric="rgb")
    data = file.getvalue() if kind == "tiff" else dng(BAYER, black=BLACK, white=FULL)
    gc.disable()
    try:
        before = sys.getrefcount(data)
        (decode if kind == "tiff" else read_raw)(data, THRESHOLDS)
        assert sys.getrefcount(data) == before
    finally:
        gc.enable()
