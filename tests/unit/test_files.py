"""The files the mock camera writes: developed as cameras do, described by the standard, raw to the last count."""

import io
import struct
from dataclasses import replace
from fractions import Fraction

import exifread
import numpy as np
import pytest
import rawpy
import simplejpeg
import tifffile
from hypothesis import given
from hypothesis import strategies as st
from PIL import ExifTags, Image

from lampblack.mock_camera import files
from lampblack.mock_camera.body import Settings
from lampblack.mock_camera.sensor import MID_SHARE, Sensor, mosaic, read_out
from lampblack.mock_camera.studio import colour_of
from lampblack.mock_camera.tiff import Directory, Kind, pack

SENSOR = Sensor()
SETTINGS = Settings(11.0, 1 / 64, "1/60", 200, "tungsten", ("dng", "jpeg"), "2026-03-02T10:15:22.40")


def negative(rgb_luminance_shares: np.ndarray, kelvin: float = 3200, noise: bool = True) -> files.Negative:
    """Expose (h, w, 3) light, given as shares of full scale in a neutral's luminance."""
    gains = 1 / (colour_of(kelvin) * SENSOR.response)
    shares = (rgb_luminance_shares * np.array(SENSOR.response)).astype(np.float32)
    still = replace(SENSOR, read_noise_e=0.0, full_well_e=1e9) if not noise else SENSOR
    counts = read_out(mosaic(shares), still, 200, np.random.default_rng(1))
    return files.Negative(counts, SENSOR, (gains[0], gains[1], gains[2]), SETTINGS, 1)


def neutral(share: float, kelvin: float = 3200, size: tuple[int, int] = (128, 192)) -> np.ndarray:
    return np.full((*size, 3), share) * colour_of(kelvin)


def decoded(shot: files.Negative) -> np.ndarray:
    return simplejpeg.decode_jpeg(files.jpeg(shot), strict=True)


# --- tone -----------------------------------------------------------------------------------------------------


@given(st.floats(0, 1.2), st.floats(0, 1.2))
def test_more_light_never_gives_a_lower_code(a: float, b: float) -> None:
    low, high = sorted((a, b))
    assert files.tone(low) <= files.tone(high)


def test_the_curve_is_smooth_and_s_shaped() -> None:
    """No knee: the slope by stops changes by under 12 % from one twentieth of a stop to the next."""
    stops = np.arange(-9.5, 2.97, 0.05)
    slope = np.diff(files.tone(MID_SHARE * 2**stops))
    assert np.all(np.abs(np.diff(np.log(slope))) < 0.12)
    assert slope.argmax() not in (0, len(slope) - 1)


def test_grey_is_where_srgb_has_it_and_shadows_lie_under_it() -> None:
    """IEC 61966-2-1: 18 % is code 117.65; a camera's shadows are drawn down (common practice)."""
    assert files.tone(MID_SHARE) == pytest.approx(117.65, abs=0.01)
    for stops in range(-8, -1):
        light = 0.18 * 2.0**stops
        srgb = 255 * (12.92 * light if light <= 0.0031308 else 1.055 * light ** (1 / 2.4) - 0.055)
        assert 0.3 * srgb < files.tone(MID_SHARE * 2.0**stops) < srgb


# --- development ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kelvin", [2700, 3200, 5600])
def test_a_grey_card_under_any_lamp_is_grey_when_balanced_for_it(kelvin: float) -> None:
    codes = decoded(negative(neutral(MID_SHARE, kelvin), kelvin)).reshape(-1, 3).mean(0)
    assert np.allclose(codes, 117.65, atol=1.0)


def test_a_full_sensor_is_white_whatever_the_lamp() -> None:
    assert np.all(decoded(negative(neutral(4.0))) == 255)
    assert np.all(decoded(negative(neutral(4.0, 6500), 6500)) == 255)


def test_colours_keep_their_place() -> None:
    """Red light on the left, blue on the right, green below: the mosaic and its development agree."""
    light = np.zeros((128, 128, 3))
    light[:64, :64, 0] = light[:64, 64:, 2] = light[64:, :, 1] = 0.2
    codes = decoded(negative(light, 6500))
    for rows, columns, colour in ((slice(8, 56), slice(8, 56), 0), (slice(8, 56), slice(72, 120), 2)):
        assert codes[rows, columns].reshape(-1, 3).mean(0).argmax() == colour
    assert codes[72:120].reshape(-1, 3).mean(0).argmax() == 1


def test_the_developed_code_is_the_curve_at_the_light() -> None:
    for share in (0.003, 0.02, 0.3, 0.7):
        codes = decoded(negative(neutral(share), noise=False)).astype(float)
        assert np.allclose(codes, files.tone(share), atol=1.1)


# --- raw ------------------------------------------------------------------------------------------------------


def test_libraw_reads_every_count_and_level_of_the_dng() -> None:
    rng = np.random.default_rng(7)
    light = rng.uniform(0, 1.3, (160, 240, 3))
    shot = negative(light)
    with rawpy.imread(io.BytesIO(files.dng(shot))) as raw:
        assert np.array_equal(raw.raw_image_visible, shot.counts)
        assert raw.black_level_per_channel == [512] * 4
        assert raw.white_level == 16383
        assert raw.color_desc == b"RGBG"
        assert raw.raw_pattern.tolist() == [[0, 1], [3, 2]]
        expected = np.array(shot.gains) / shot.gains[1]
        assert np.allclose(raw.camera_whitebalance[:3], expected, rtol=1e-3)
        # By the matrix alone LibRaw finds the sensor's answer to daylight.
        assert np.allclose(raw.daylight_whitebalance[:3], 1 / np.array(SENSOR.response), rtol=1e-3)
        assert raw.other.iso_speed == 200
        assert raw.other.aperture == pytest.approx(11)
        assert raw.other.shutter_speed == pytest.approx(1 / 60)


def test_a_foreign_tiff_reader_finds_the_same_samples() -> None:
    shot = negative(neutral(0.2, size=(600, 320)))
    with tifffile.TiffFile(io.BytesIO(files.dng(shot))) as tif:
        page = tif.pages[0]
        assert np.array_equal(page.asarray(), shot.counts)
        assert page.tags["DNGVersion"].value == b"\1\4\0\0"
        assert page.tags["CFAPattern"].value == b"\0\1\1\2"


def test_libraw_develops_grey_as_grey() -> None:
    with rawpy.imread(io.BytesIO(files.dng(negative(neutral(MID_SHARE))))) as raw:
        mean = raw.postprocess(use_camera_wb=True, no_auto_bright=True, output_bps=16).reshape(-1, 3).mean(0)
    assert np.allclose(mean / mean[1], 1, atol=0.01)


# --- Exif -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", [files.jpeg, files.dng])
def test_two_readers_find_the_same_exposure(kind) -> None:
    """Marked values in the marked tags, exact stops in the APEX tags (CIPA DC-008)."""
    data = kind(negative(neutral(0.1)))
    tags = exifread.process_file(io.BytesIO(data), details=False)
    assert tags["EXIF FNumber"].values[0] == Fraction(11)
    assert tags["EXIF ExposureTime"].values[0] == Fraction(1, 60)
    assert tags["EXIF ISOSpeedRatings"].values == [200]
    assert float(tags["EXIF ApertureValue"].values[0]) == 7
    assert float(tags["EXIF ShutterSpeedValue"].values[0]) == 6
    assert str(tags["EXIF DateTimeOriginal"]) == "2026:03:02 10:15:22"
    assert str(tags["EXIF SubSecTimeOriginal"]) == "40"
    assert str(tags["EXIF BodySerialNumber"]) == files.BODY_SERIAL
    assert str(tags["EXIF LensModel"]) == files.LENS
    exif = Image.Exif()
    exif.load(data[6 : 6 + struct.unpack_from(">H", data, 4)[0]] if kind is files.jpeg else b"Exif\0\0" + data)
    assert (exif[271], exif[272], exif[274]) == (files.MAKE, files.MODEL, 1)
    other = {ExifTags.TAGS[tag]: value for tag, value in exif.get_ifd(ExifTags.IFD.Exif).items()}
    for name, value in other.items():
        read = tags.get(f"EXIF {name}")
        if isinstance(value, int | float) and read is not None:
            assert float(read.values[0]) == pytest.approx(float(value)), name
    assert {"FNumber", "ExposureTime", "ISOSpeedRatings", "FocalLength", "ExposureProgram", "WhiteBalance"} <= set(
        other
    )
    assert other["OffsetTimeOriginal"][0] in "+-"


@pytest.mark.parametrize(
    ("mark", "exact_s", "seconds"),
    [("1/1000", 1 / 1024, Fraction(1, 1000)), ("0.3", 0.315, Fraction(3, 10)), ("2", 2.0, 2)],
)
def test_every_marked_time_is_written_as_it_stands(mark: str, exact_s: float, seconds: Fraction) -> None:
    shot = replace(negative(neutral(0.1)), settings=replace(SETTINGS, shutter=mark, shutter_s=exact_s))
    tags = exifread.process_file(io.BytesIO(files.jpeg(shot)), details=False)
    assert tags["EXIF ExposureTime"].values[0] == seconds
    assert float(tags["EXIF ShutterSpeedValue"].values[0]) == pytest.approx(-np.log2(exact_s), abs=0.002)


def test_exif_comes_first_and_holds_the_picture_size() -> None:
    data = files.jpeg(negative(neutral(0.1)))
    assert data[:4] == b"\xff\xd8\xff\xe1"
    assert data[6:12] == b"Exif\0\0"
    tags = exifread.process_file(io.BytesIO(data), details=False)
    height, width, *_ = simplejpeg.decode_jpeg_header(data)
    assert (tags["EXIF ExifImageWidth"].values[0], tags["EXIF ExifImageLength"].values[0]) == (width, height)


def test_short_values_lie_in_their_field_and_long_ones_behind() -> None:
    """TIFF 6.0, section 2: a value of up to four bytes stands left-justified in the field itself."""
    data = pack(Directory({256: (Kind.SHORT, 7), 270: (Kind.ASCII, "longer than four")}))
    assert data[:4] == b"II*\0"
    count, tag, kind, number, value = struct.unpack_from("<HHHIH", data, 8)
    assert (count, tag, kind, number, value) == (2, 256, Kind.SHORT, 1, 7)
    offset = struct.unpack_from("<I", data, 8 + 2 + 12 + 8)[0]
    assert data[offset:].startswith(b"longer than four\0")
