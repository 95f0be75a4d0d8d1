"""Pictures of frames for looking at: what is burnt out and what spilled lies where it lies."""

from __future__ import annotations

import io
import os
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from lampblack.daemon.config import load_thresholds
from lampblack.daemon.showing import Known, shown
from lampblack.rules.preview import Mark

THRESHOLDS = load_thresholds()


def frame(place: Path, codes: NDArray[np.uint8]) -> bytes:
    path = place / "f.jpg"
    Image.fromarray(codes).save(path, quality=97, subsampling=0)
    return os.fsencode(path)


def picture(data: bytes) -> NDArray[np.uint8]:
    return np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))


def grey() -> NDArray[np.uint8]:
    """Dark, with a grey square of 600 in its middle."""
    codes = np.full((1600, 2400, 3), 20, np.uint8)
    codes[500:1100, 900:1500] = 120
    return codes


def alpha(overlay: bytes | None) -> NDArray[np.uint8]:
    assert overlay is not None
    made = cv2.imdecode(np.frombuffer(overlay, np.uint8), cv2.IMREAD_UNCHANGED)
    assert made is not None
    return np.asarray(made[..., 3])


def test_a_picture_is_small_and_lies_where_it_lay(tmp_path: Path) -> None:
    for burnt in (True, False):
        small = picture(shown(frame(tmp_path, grey()), 600, THRESHOLDS, Known(burnt)).jpeg)
        assert small.shape == (400, 600, 3)
        assert abs(int(small[200, 300, 0]) - 120) < 6
        across = np.nonzero(small[200, :, 0] > 70)[0]
        assert (across[0], across[-1]) == (pytest.approx(225, abs=1), pytest.approx(374, abs=1))


def test_a_frame_unpacked_small_looks_and_measures_alike(tmp_path: Path) -> None:
    """A frame in which nothing is clipped, read whole and read at a half or less."""
    rng = np.random.default_rng(1)
    soft = cv2.GaussianBlur(rng.integers(0, 200, (1600, 2400, 3)).astype(np.float32), (0, 0), 20)
    path = frame(tmp_path, np.clip((soft - 90) * 8 + 90, 0, 200).astype(np.uint8))
    whole, draft = (shown(path, 500, THRESHOLDS, Known(burnt)) for burnt in (True, False))
    assert np.abs(picture(whole.jpeg).astype(int) - picture(draft.jpeg)).mean() < 1.5
    assert np.abs(np.subtract(whole.stops, draft.stops)).max() < 0.02
    assert whole.clipped is None
    assert draft.clipped is None


def test_a_glint_of_a_few_pixels_is_shown_as_burnt_out(tmp_path: Path) -> None:
    codes = grey()
    codes[800:803, 1200:1203] = 255
    made = shown(frame(tmp_path, codes), 600, THRESHOLDS, Known())
    rows, columns = np.nonzero(alpha(made.clipped))
    high, wide = alpha(made.clipped).shape
    assert rows.mean() / high == pytest.approx(0.5, abs=0.01)
    assert columns.mean() / wide == pytest.approx(0.5, abs=0.01)
    assert len(rows) <= 4


def test_spill_is_drawn_where_the_verdict_saw_it_and_no_further(tmp_path: Path) -> None:
    """Backdrop all round the square; the left half spills; the square is bright too, and no backdrop."""
    marks = np.full((64, 96), Mark.BACKDROP, np.uint8)
    marks[:, :48] |= np.uint8(Mark.SPILLED)
    marks[20:44, 36:60] = 0
    codes = grey()
    codes[:, :1200] = np.maximum(codes[:, :1200], 60)
    made = shown(frame(tmp_path, codes), 600, THRESHOLDS, Known(burnt=False, marks=marks))
    over = alpha(made.spilled) > 0
    high, wide = over.shape
    assert over[: high // 4, : wide // 2 - 8].all()
    assert not over[:, wide // 2 + 8 :].any()
    assert not over[int(high * 500 / 1600) + 2 : int(high * 1100 / 1600) - 2, int(wide * 900 / 2400) :].any()
    assert shown(frame(tmp_path, codes), 600, THRESHOLDS, Known(burnt=False)).spilled is None


def test_shares_of_stops_are_those_of_the_frame(tmp_path: Path) -> None:
    """sRGB 120 is 2.42 stops under white, 20 is 7.2 (IEC 61966-2-1); the square is 3/32 of the frame."""
    stops = shown(frame(tmp_path, grey()), 600, THRESHOLDS, Known(burnt=False)).stops
    assert sum(stops) == pytest.approx(1)
    assert stops[int(2.42 * 3)] == pytest.approx(3 / 32, abs=0.01)
    assert stops[int(7.2 * 3)] == pytest.approx(29 / 32, abs=0.02)
