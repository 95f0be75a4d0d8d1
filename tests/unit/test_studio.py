"""The studio's light behaves as light does, and its truth is true."""

import math
import subprocess
import sys
from dataclasses import replace

import cv2
import numpy as np
import pytest
import simplejpeg

from lampblack.mock_camera.body import Settings
from lampblack.mock_camera.studio import LIGHT, Studio, colour_of, frame_size
from lampblack.rules.exposure import aperture_value

SETTINGS = Settings(6.3, 1 / 64, "1/60", 200, "custom", ("jpeg",), "2026-03-02T10:15:22.40")
EVEN = 6.3
"""The aperture that the meter shows toward the camera."""
SMALL = 0.5


@pytest.fixture(scope="module")
def studio() -> Studio:
    return Studio.load()


@pytest.fixture(autouse=True)
def _as_found(studio: Studio) -> None:
    for lamp in studio.lamps:
        studio.set_lamp(lamp, 0.0)
    studio.arrange("black")


def only(studio: Studio, *lit: str) -> None:
    for lamp in studio.lamps:
        studio.set_lamp(lamp, 0.0 if lamp in lit else None)


def masks(studio: Studio) -> tuple[np.ndarray, np.ndarray]:
    """Subject and pure backdrop at layer size."""
    height, width, _ = studio.mix().shape
    planes = studio.coverage()[:, ::2, ::2]
    assert planes.shape[1:] == (height, width)
    everything = studio.coverage()[:4].sum(0).reshape(height, 2, width, 2).max((1, 3))
    return planes[0] + planes[1] > 0.99, everything == 0


# --- light ----------------------------------------------------------------------------------------------------


def test_lamps_add(studio: Studio) -> None:
    """Sum of each alone = all together, at the layers' size and enlarged."""
    parts = []
    for lamp in ("key", "fill", "rim"):
        only(studio, lamp)
        parts.append(studio.light(1536, 1024))
    only(studio, "key", "fill", "rim")
    assert np.allclose(sum(parts), studio.light(1536, 1024), rtol=1e-3, atol=1e-3)


def test_a_stop_on_a_lamp_is_a_factor_of_two(studio: Studio) -> None:
    only(studio, "rim")
    full = studio.mix()
    studio.set_lamp("rim", -1.0)
    assert np.allclose(studio.mix() * 2, full, rtol=1e-5)


def test_no_lamp_no_light(studio: Studio) -> None:
    only(studio)
    assert not studio.light(768, 512).any()
    frame = studio.photograph(SETTINGS, 1, SMALL)
    assert simplejpeg.decode_jpeg(frame.files[0][1]).max() <= 2
    assert frame.truth["clean"] is True


def test_the_flag_takes_the_spill_and_leaves_the_rim_light(studio: Studio) -> None:
    only(studio, "rim")
    subject, backdrop = masks(studio)
    bare = studio.mix()
    studio.arrange("black-flag")
    flagged = studio.mix()
    assert flagged[backdrop].mean() < 0.05 * bare[backdrop].mean()
    lit = subject & (bare[..., 1] > np.percentile(bare[..., 1][subject], 60))
    assert flagged[lit].mean() == pytest.approx(bare[lit].mean(), rel=0.03)


def test_the_spill_is_on_the_rim_lamp_side(studio: Studio) -> None:
    only(studio, "rim")
    _, backdrop = masks(studio)
    light = studio.mix().mean(2)
    columns = np.broadcast_to(np.linspace(0, 1, light.shape[1]), light.shape)
    left, right = (light[backdrop & side].mean() for side in (columns < 0.2, columns > 0.8))
    assert right > 4 * left


def test_the_reflector_lifts_the_shadow_side(studio: Studio) -> None:
    subject, _ = masks(studio)
    columns = np.where(subject.any(0))[0]
    half = np.zeros_like(subject)
    half[:, (columns[0] + columns[-1]) // 2 :] = True
    before = studio.mix().mean(2)
    reading = studio.meter()["far side"]["lux"]
    studio.arrange("black-reflector")
    after = studio.mix().mean(2)
    assert np.median(after[subject & half]) > 1.05 * np.median(before[subject & half])
    assert math.log2(studio.meter()["far side"]["lux"] / reading) > 0.5


def test_lamps_have_their_colour_and_keep_their_light() -> None:
    """Linear sRGB ratios of Planck's law through CIE 1931 2°, 1 nm sum, as colour-science 0.4.7 gives them."""
    for kelvin, red, blue in ((2700, 2.407, 0.239), (3200, 1.939, 0.376), (5600, 1.164, 0.906)):
        r, g, b = colour_of(kelvin)
        assert (r / g, b / g) == (pytest.approx(red), pytest.approx(blue))
        assert 0.2126 * r + 0.7152 * g + 0.0722 * b == pytest.approx(1)


def test_what_ships_is_small_and_whole(studio: Studio) -> None:
    assert sum(path.stat().st_size for path in LIGHT.iterdir()) < 8_000_000
    for name in studio.arrangements:
        studio.arrange(name)
        for lamp in studio.lamps:
            layer = studio.layer(lamp)
            assert np.isfinite(layer).all()
            assert layer.mean() > 0


def test_wrong_names_and_gains_are_refused(studio: Studio) -> None:
    with pytest.raises(KeyError, match="black-flag"):
        studio.arrange("velvet")
    with pytest.raises(KeyError, match="rim"):
        studio.set_lamp("sun", 0)
    with pytest.raises(ValueError, match="stops"):
        studio.set_lamp("rim", math.nan)


# --- readings -------------------------------------------------------------------------------------------------


def test_three_readings_are_two_stops_apart(studio: Studio) -> None:
    readings = [studio.meter()[place]["f_number"] for place in ("key side", "toward camera", "far side")]
    assert readings == [13.0, 6.3, 3.2]
    stops = [aperture_value(f) for f in readings]
    assert np.diff(stops) == pytest.approx([-2, -2])


def test_a_reading_follows_the_incident_equation(studio: Studio) -> None:
    """N²/t = E S / C, C 250 (ISO 2720); a stop of ISO or time moves it by a stop."""
    for at in studio.meter(200, 1 / 64).values():
        assert at["f_exact"] ** 2 * 64 == pytest.approx(at["lux"] * 200 / 250, rel=0.002)
    assert studio.meter(400)["key side"]["f_number"] == 18.0
    assert studio.meter(200, 1 / 128)["key side"]["f_number"] == 9.0


# --- frames ---------------------------------------------------------------------------------------------------


def test_the_same_frame_has_the_same_bytes_and_the_next_has_other_noise(studio: Studio) -> None:
    both = replace(SETTINGS, formats=("dng", "jpeg"))
    first, again, other = (studio.photograph(both, number, SMALL) for number in (1, 1, 2))
    assert first == again
    assert [ext for ext, _ in first.files] == ["DNG", "JPG"]
    assert all(a[1] != b[1] for a, b in zip(first.files, other.files, strict=True))
    assert dict(first.truth) == dict(other.truth)
    assert Studio.load(seed=1).photograph(both, 1, SMALL).files != first.files


def test_closing_a_stop_moves_the_truth_by_a_stop(studio: Studio) -> None:
    truths = [studio.photograph(replace(SETTINGS, f_number=f), 1, SMALL).truth for f in (4.5, 6.3, 9.0, 13.0)]
    mids = [float(truth["subject_mid_stops"]) for truth in truths]
    assert np.diff(mids) == pytest.approx([-1, -1, -1], abs=1 / 64)
    for key in ("subject_clipped", "subject_clipped_jpeg", "backdrop_code_p99"):
        values = [float(truth[key]) for truth in truths]
        assert values == sorted(values, reverse=True)
    assert all(truth["subject_clipped"] <= truth["subject_clipped_jpeg"] for truth in truths)
    assert all(truth["standing_clipped"] <= truth["standing_clipped_jpeg"] for truth in truths)


def test_spill_shows_at_the_even_aperture_and_the_flag_clears_it(studio: Studio) -> None:
    shot = replace(SETTINGS, f_number=EVEN)
    spilled = studio.photograph(shot, 1, SMALL).truth
    assert abs(float(spilled["subject_mid_stops"])) < 1 / 3
    assert spilled["clean"] is False
    assert 12 <= spilled["backdrop_code_p99"] <= 25
    studio.arrange("black-flag")
    flagged = studio.photograph(shot, 2, SMALL).truth
    assert flagged["clean"] is True
    assert flagged["backdrop_code_p99"] <= 3


def test_the_truth_is_in_the_picture(studio: Studio) -> None:
    """Counted anew on the developed file, under the scene's own mask: same backdrop codes, same clipping."""
    frame = studio.photograph(SETTINGS, 1, SMALL)
    codes = simplejpeg.decode_jpeg(frame.files[0][1])
    seen = studio.masks(codes.shape[1], codes.shape[0])
    top = codes.max(2)
    backdrop = top[cv2.erode(seen["alone"].astype(np.uint8), np.ones((5, 5))) > 0]  # chroma bleeds two pixels
    assert np.percentile(backdrop, 50) == pytest.approx(frame.truth["backdrop_code_p50"], abs=1)
    noise = 4  # shot noise of a hundred electrons lifts the top of the codes, never lowers it
    assert 0 <= np.percentile(backdrop, 99) - int(frame.truth["backdrop_code_p99"]) <= noise
    assert (top[seen["subject"]] == 255).mean() == pytest.approx(frame.truth["subject_clipped_jpeg"], abs=0.006)
    assert seen["backdrop"].mean() == pytest.approx(frame.truth["backdrop_area"], abs=1e-6)
    assert (
        cv2.resize(studio.coverage()[:4].sum(0), None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA) < 0.5
    ).mean() == (pytest.approx(frame.truth["backdrop_area"], abs=0.002))


def test_the_backdrop_fills_the_border(studio: Studio) -> None:
    for name in ("black", "black-flag", "grey", "white"):
        studio.arrange(name)
        solid = studio.coverage()[:4].sum(0)
        assert not solid[:8].any()
        assert not solid[:, :8].any()
        assert not solid[:, -8:].any()
    studio.arrange("black-card-in-frame")
    assert studio.coverage()[3][:, -8:].all()


def test_a_lit_white_backdrop_is_white_and_a_grey_one_even(studio: Studio) -> None:
    studio.arrange("grey")
    grey = studio.photograph(SETTINGS, 1, SMALL).truth
    assert grey["clean"] is True
    assert 100 < float(grey["backdrop_code_p50"]) < 160
    studio.arrange("white")
    white = studio.photograph(SETTINGS, 1, SMALL).truth
    assert white["clean"] is True
    assert studio.photograph(replace(SETTINGS, f_number=9.0), 1, SMALL).truth["clean"] is False


def test_size_changes_the_grain_and_not_the_light(studio: Studio) -> None:
    small, large = (studio.photograph(SETTINGS, 1, size).truth for size in (0.5, 6))
    assert float(small["subject_mid_stops"]) == pytest.approx(float(large["subject_mid_stops"]), abs=0.04)
    assert small["backdrop_code_p99"] == large["backdrop_code_p99"]
    assert float(small["subject_clipped"]) == pytest.approx(float(large["subject_clipped"]), abs=0.003)


def test_outlines_stay_sharp_when_enlarged(studio: Studio) -> None:
    """Across the pale belly's edge against black the light comes up within two pixels at six and at 24 megapixels."""
    for megapixels in (6, 24):
        width, height = frame_size(megapixels)
        line = studio.light(width, height)[height // 2, :, 1]
        cover = studio.coverage()[0][studio.coverage().shape[1] // 2]
        edge = int(np.argmax(cover > 0.5) * width / len(cover))
        across = line[edge - 12 : edge + 12]
        dark, bright = across[:4].max(), across[-4:].mean()
        assert bright > 100 * dark
        assert ((across > 2 * dark) & (across < 0.6 * bright)).sum() <= 2


def test_automatic_balance_leaves_lamplight_warm(studio: Studio) -> None:
    def red_over_blue(name: str) -> float:
        shot = replace(SETTINGS, white_balance=name)
        codes = simplejpeg.decode_jpeg(studio.photograph(shot, 1, SMALL).files[0][1]).astype(float)
        return float(codes[..., 0].mean() / codes[..., 2].mean())

    assert red_over_blue("custom") < red_over_blue("automatic") < red_over_blue("daylight")
    assert red_over_blue("tungsten") == pytest.approx(red_over_blue("custom"), rel=0.06)


@pytest.mark.slow
def test_45_megapixels_fit_in_two_gigabytes() -> None:
    """Its own memory at the most: what Linux calls a child's begins with the most that its parent ever held."""
    code = (
        "import re, resource, sys\n"
        "from pathlib import Path\n"
        "from lampblack.mock_camera.studio import Studio\n"
        "from lampblack.mock_camera.body import Settings\n"
        "s = Settings(6.3, 1 / 64, '1/60', 200, 'custom', ('dng', 'jpeg'), '2026-03-02T10:15:22.40')\n"
        "assert len(Studio.load().photograph(s, 1, 45).files) == 2\n"
        "told = Path('/proc/self/status')\n"
        "own = told.exists() and re.search(r'VmHWM:\\s*(\\d+) kB', told.read_text())\n"
        "print(own[1] if own else resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    unit = 1 if sys.platform == "darwin" else 1024
    assert int(done.stdout) * unit < 2e9
