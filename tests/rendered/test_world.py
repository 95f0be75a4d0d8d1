"""The world that the measuring is held against, held against libraries that know nothing of it."""

from __future__ import annotations

from pathlib import Path

import cv2
import exifread
import numpy as np
import pytest
import rawpy

from rendered.world import APERTURES, CAMERAS, SCENES, SEEN_BY, Frame, Setup, av, index, scene

CASES = [
    ("boot", "steep"), ("pillar", "flat"), ("kettle", "short"),
    ("helmet", "crushed"), ("books", "knee"), ("loaf", "grainy"),
    ("chair", "soft"), ("fiddle", "low"),
    ("bag", "bent"), ("lilies", "deep"),
    ("bicycle", "mild"), ("wristwatch", "bowed"),
]  # fmt: skip
NOISY_ISO = 1600


@pytest.fixture(params=CASES, ids=lambda case: "-".join(case))
def shot(request: pytest.FixtureRequest, tmp_path: Path) -> Frame:
    return Setup(*request.param, 8.0, tmp_path).frame(5.6)


def test_a_raw_file_opens_with_every_sample_and_level(shot: Frame) -> None:
    camera = shot.setup.with_camera
    with rawpy.imread(str(shot.raw)) as raw:
        by_place = dict(zip(raw.raw_pattern.ravel().tolist(), camera.black, strict=True))
        assert raw.black_level_per_channel == [by_place[i] for i in range(4)]
        assert raw.white_level == camera.white_tag
        colours = [0, 1, 2, 1]
        assert [colours[i] for i in raw.raw_pattern.ravel()] == list(camera.pattern)
        assert raw.camera_whitebalance[:3] == pytest.approx(camera.gains.tolist(), rel=1e-4)
        assert raw.raw_image.max() == camera.saturation
        # A grey backdrop is grey as LibRaw develops it, and as light as the truth says (BT.709's straight part).
        half = raw.postprocess(
            use_camera_wb=True, no_auto_bright=True, adjust_maximum_thr=0, half_size=True, output_bps=16, gamma=(1, 1)
        )
        share = half[shot.setup.seen.pure].mean(axis=0) / 65535
        light = shot.setup.seen.thin[shot.setup.seen.pure].mean(axis=0) * 2**shot.stops
        scale = (camera.saturation - min(camera.black)) / (camera.white_tag - min(camera.black))
        assert share == pytest.approx(light * scale, rel=0.02)


def test_exif_says_the_exposure(shot: Frame) -> None:
    for path in (shot.jpeg, shot.raw):
        with path.open("rb") as file:
            tags = exifread.process_file(file, details=False)
        assert float(tags["EXIF FNumber"].values[0]) == shot.f_number
        assert tags["EXIF ExposureTime"].values[0] == shot.setup.with_camera.shutter
        assert tags["EXIF ISOSpeedRatings"].values == [shot.setup.with_camera.iso]


def test_the_raw_truth_is_what_the_file_holds(shot: Frame) -> None:
    held, true, blocks = shot.held(), shot.clipping("raw"), shot.setup.seen.before
    for share, expected, n in ((held["frame"], true.frame, blocks.size), (held["before"], true.before, blocks.sum())):
        drawn = 3 * (expected * (1 - expected) / n) ** 0.5 if shot.setup.with_camera.iso >= NOISY_ISO else 0
        assert share == pytest.approx(expected, abs=2e-4 + drawn)


def test_the_jpeg_shows_what_the_truth_says(shot: Frame) -> None:
    codes = cv2.cvtColor(cv2.imread(str(shot.jpeg)), cv2.COLOR_BGR2RGB)[::2, ::2]
    setup, camera, pure = shot.setup, shot.setup.with_camera, shot.setup.seen.pure
    clear = camera.developed(setup._shares(shot.stops), camera.curve)
    assert np.median(codes[pure], axis=0) == pytest.approx(np.median(clear[pure], axis=0), abs=1)
    # Noise that nothing smooths away lifts the 99th of 100 and tips what is near the top: in the file, not the light.
    if camera.quiet and camera.iso < NOISY_ISO:
        top = codes.max(axis=2)
        # Coding leaves clipped areas a code off here and there.
        assert (top >= camera.tone.top - 1).mean() == pytest.approx(shot.clipping("jpeg").frame, abs=0.002)
        assert np.percentile(top[pure], 99) == pytest.approx(shot.backdrop("jpeg").p99, abs=1)


@pytest.mark.parametrize("name", CAMERAS)
def test_a_camera_develops_monotonously_to_its_top(name: str) -> None:
    camera = CAMERAS[name]
    assert (np.diff(camera.curve.astype(int)) >= 0).all()
    assert camera.curve[-1] == camera.tone.top
    white = camera.developed(np.ones((1, 1, 3), np.float32), camera.curve)
    assert white.tolist() == [[[camera.tone.top] * 3]]


@pytest.mark.parametrize("name", SCENES)
def test_a_scene_is_whole(name: str) -> None:
    about = scene(name)
    assert about.light.shape == (400, 600, 3)
    assert (about.light > 0).all()
    covered = about.subject + about.table + about.card
    assert covered.max() < 1.01
    assert 0.3 < (covered < 0.5).mean() < 0.95
    assert (about.side is not None) == (about.backdrop == "black")


def test_all_of_it_is_small() -> None:
    folder = Path(__file__).parent / "data"
    # A set of five scenes takes a good million bytes: eight million hold five sets, and what `MOVED` adds.
    assert sum(path.stat().st_size for path in folder.iterdir()) < 8_000_000
    assert set(SCENES) == set(index()["scenes"]) == set(SEEN_BY)
    assert set(CAMERAS) == {camera for cameras in SEEN_BY.values() for camera in cameras}


def test_apertures_are_a_third_apart() -> None:
    assert np.diff([av(n) for n in APERTURES]) == pytest.approx(np.full(len(APERTURES) - 1, 1 / 3))
