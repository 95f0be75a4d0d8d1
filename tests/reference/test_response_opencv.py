"""
Our tone curves against OpenCV's calibration (Debevec and Malik 1997) on the same frames, and on a real bracket.

Both are measured the same way: RMS of the difference in stops to the true curve, over the middle 90 % of the codes the
camera files, up to a common factor.
"""

from __future__ import annotations

import subprocess
import tarfile
from itertools import combinations
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image
from tone_scenes import CHANNELS, CURVES, cells_of, each, expose, light_of_codes, stops_off, studio

from lampblack.rules.response import PRIOR, Exposed, Response, learn


def opencv_response(frames: list[Any], stops: tuple[float, ...]) -> Any:
    """Return OpenCV's light of each code: (256, 3)."""
    times = np.array([2.0**at for at in stops], np.float32)
    return cv2.createCalibrateDebevec().process(frames, times)[:, 0].astype(np.float64)


BRACKETS = ((-2.0, 0.0, 2.0), (-3.0, 0.0, 3.0), (-2.0, 0.0))


def learned(frames: list[Any], stops: tuple[float, ...]) -> Response:
    cells = map(cells_of, frames)
    response = learn([Exposed(codes, at, clipped) for at, (codes, clipped) in zip(stops, cells, strict=True)])
    assert response is not None
    return response


@pytest.mark.parametrize("stops", BRACKETS, ids=str)
@pytest.mark.parametrize("name", CURVES)
def test_no_worse_than_opencv_and_within_a_tenth_of_a_stop(name: str, stops: tuple[float, ...]) -> None:
    """From three frames and from two. OpenCV fits each channel alone: the best of its three counts."""
    truth = light_of_codes(CURVES[name])
    light = studio(4, 400, 600).light()
    frames = [expose(light, at, CURVES[name], seed=4) for at in stops]
    theirs = opencv_response(frames, stops)
    off = stops_off(learned(frames, stops).light, truth)
    assert off < 0.1
    assert off <= min(stops_off(theirs[:, channel], truth) for channel in range(3))


@pytest.mark.parametrize("stops", BRACKETS, ids=str)
@pytest.mark.parametrize("name", CHANNELS)
def test_channels_with_curves_of_their_own_are_told_apart(name: str, stops: tuple[float, ...]) -> None:
    """Each held to the same; and the doubt about the common curve has their distance in it."""
    light = studio(4, 400, 600).light()
    frames = [expose(light, at, each(*CHANNELS[name]), seed=4) for at in stops]
    theirs, ours = opencv_response(frames, stops), learned(frames, stops)
    for channel, curve in enumerate(CHANNELS[name]):
        truth = light_of_codes(curve)
        off = stops_off(ours.of_channel(channel), truth)
        assert off < 0.1
        assert off <= stops_off(theirs[:, channel], truth)
        assert stops_off(ours.light, truth, anchored=True) < 3 * ours.sure_stops


@pytest.mark.parametrize(
    "how", [{"subsampling": "422"}, {"subsampling": "444"}, {"quality": 75}, {"noise": 4.0}], ids=str
)
@pytest.mark.parametrize("name", ["hard s", "high lifted toe", "shoulder"])
def test_whatever_the_compression_and_the_noise(name: str, how: dict[str, Any]) -> None:
    """Noise fourfold: as at four stops more of ISO speed."""
    stops, truth = BRACKETS[0], light_of_codes(CURVES[name])
    light = studio(7, 400, 600).light()
    frames = [expose(light, at, CURVES[name], seed=4, **how) for at in stops]
    theirs = opencv_response(frames, stops)
    off = stops_off(learned(frames, stops).light, truth)
    assert off < 0.1
    assert off <= min(stops_off(theirs[:, channel], truth) for channel in range(3))


# --- a real bracket ---------------------------------------------------------

PACKAGE = "gegl"  # LGPL-3+; a Nikon D40 at f/8, ISO 800, 1/50, 1/13 and 2/5 s: two stops, and two and a third
STOPS = (0.0, 2.0, 2.0 + 7 / 3)
PLACE = "tests/compositions/data/parliament_{}.png"


def _sources() -> str:
    """Return this system's package sources with source packages asked for, in apt's deb822 form."""
    found = ""
    for path in Path("/etc/apt/sources.list.d").glob("debian*.sources"):
        found += path.read_text("utf-8").replace("Types: deb\n", "Types: deb-src\n") + "\n"
    return found


@pytest.fixture(scope="module")
def parliament(tmp_path_factory: pytest.TempPathFactory) -> list[Any]:
    """The three frames, out of Debian's source package."""
    place = tmp_path_factory.mktemp("apt")
    listed = place / "src.sources"
    listed.write_text(_sources(), "utf-8")
    for folder in ("lists/partial", "cache/archives/partial"):
        (place / folder).mkdir(parents=True)
    options = [
        f"Dir::Etc::sourcelist={listed}",
        "Dir::Etc::sourceparts=-",
        f"Dir::State::lists={place}/lists",
        f"Dir::Cache={place}/cache",
        "APT::Sandbox::User=root",
    ]
    apt = ["apt-get", "-qq", *(word for option in options for word in ("-o", option))]
    for command in (["update"], ["source", "--download-only", PACKAGE]):
        try:
            done = subprocess.run([*apt, *command], cwd=place, capture_output=True, text=True, timeout=200)
        except (OSError, subprocess.TimeoutExpired) as wrong:
            pytest.skip(f"no source packages of Debian here: {wrong}")
        if done.returncode:
            pytest.skip(f"{PACKAGE}'s source package cannot be had: {done.stderr.strip().splitlines()[-1:]}")
    (archive,) = place.glob(f"{PACKAGE}_*.orig.tar.*")
    frames = []
    with tarfile.open(archive) as tar:
        names = {name.partition("/")[2]: name for name in tar.getnames()}
        for number in range(3):
            file = tar.extractfile(names[PLACE.format(number)])
            assert file is not None
            with Image.open(file) as image:
                frames.append(np.array(image.convert("RGB")))
    return frames


def steps_read(frames: list[Exposed], response: Response) -> list[float]:
    """Return how many stops each pair of frames seems apart, brighter over darker."""
    steps = []
    for dark, bright in combinations(frames, 2):
        told = (dark.codes > 12) & (bright.codes < 235)
        steps.append(
            float(np.median(np.log2(response.light_of(bright.codes[told]) / response.light_of(dark.codes[told]))))
        )
    return steps


@pytest.mark.slow
@pytest.mark.parametrize("side", [1, 2, 4])
def test_a_real_bracket_reads_as_exposed(parliament: list[Any], side: int) -> None:
    """In sample; sRGB reads the same steps as 2.5, 5.1 and 2.2. The frames are half a pixel apart."""
    cells = [cells_of(codes, side) for codes in parliament]
    frames = [Exposed(codes, at, clipped) for at, (codes, clipped) in zip(STOPS, cells, strict=True)]
    response = learn(frames)
    assert response is not None
    assert response.sure_stops < 0.15
    np.testing.assert_allclose(steps_read(frames, response), (2.0, 13 / 3, 7 / 3), atol=0.06)
    assert abs(steps_read(frames, PRIOR)[0] - 2.0) > 0.3


@pytest.mark.slow
def test_two_real_frames_foretell_the_third(parliament: list[Any]) -> None:
    """Out of sample: what the first two teach reads the other steps."""
    cells = [cells_of(codes, 2) for codes in parliament]
    frames = [Exposed(codes, at, clipped) for at, (codes, clipped) in zip(STOPS, cells, strict=True)]
    response = learn(frames[:2])
    assert response is not None
    np.testing.assert_allclose(steps_read(frames, response), (2.0, 13 / 3, 7 / 3), atol=0.2)
