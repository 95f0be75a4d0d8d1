"""Untrusted bytes: what is a frame is decoded, upright and with its exposure; what isn't is refused in one line."""

from __future__ import annotations

import io
import os
import struct
from pathlib import Path

import numpy as np
import pytest
import simplejpeg
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image, TiffImagePlugin

from lampblack.daemon.config import load_thresholds
from lampblack.daemon.decode import decode, decode_file
from lampblack.daemon.exif import read_shot
from lampblack.daemon.refusal import FrameRefusedError
from lampblack.rules.frame import Picture

THRESHOLDS = load_thresholds()
Ratio = TiffImagePlugin.IFDRational


def pixels(height: int = 48, width: int = 64) -> np.ndarray:
    y, x = np.mgrid[0:height, 0:width]
    return np.stack([x * 3, y * 4, x + y], axis=2).astype(np.uint8)


def jpeg(codes: np.ndarray | None = None, *, orientation: int = 1, **exif: object) -> bytes:
    """A JPEG written by Pillow, the other image library."""
    tags = Image.Exif()
    tags[0x0112] = orientation
    tags[0x010F], tags[0x0110] = exif.get("make", "Invented"), exif.get("model", "Studio One")
    ifd = tags.get_ifd(0x8769)
    ifd.update({0x829D: Ratio(56, 10), 0x829A: Ratio(1, 60), 0x8827: 200, 0x9003: "2026:03:02 10:15:22", 0x9291: "40"})
    ifd.update(exif.get("ifd", {}))  # type: ignore[arg-type]
    out = io.BytesIO()
    Image.fromarray(pixels() if codes is None else codes).save(out, "JPEG", quality=95, subsampling=0, exif=tags)
    return out.getvalue()


def read(data: bytes) -> Picture:
    return decode(data, THRESHOLDS)


def refusal(data: bytes) -> FrameRefusedError:
    with pytest.raises(FrameRefusedError) as caught:
        read(data)
    line = str(caught.value)
    assert line
    assert line.isprintable()
    assert len(line) <= 200
    assert any(do in line for do in ("copy it again", "export it", "leave it out", "give the")), "what to do"
    return caught.value


def test_a_jpeg_becomes_a_picture_with_its_exposure() -> None:
    picture = read(jpeg())
    assert (picture.kind, picture.height, picture.width) == ("jpeg", 48, 64)
    assert np.abs(picture.codes.astype(int) - pixels()).max() < 12
    exposure = picture.shot.exposure
    assert (exposure.f_number, exposure.av, exposure.tv, exposure.sv) == (5.6, 5.0, 6.0, 6.0)
    assert picture.shot.taken_at == "2026-03-02T10:15:22.40"
    assert picture.shot.camera == "Invented Studio One"


def test_pixels_cannot_be_written_to() -> None:
    with pytest.raises(ValueError, match="read-only"):
        read(jpeg()).codes[0, 0, 0] = 1


@pytest.mark.parametrize("orientation", range(1, 9))
def test_every_orientation_comes_upright(orientation: int) -> None:
    """As Pillow turns it (Exif orientation, CIPA DC-008)."""
    from PIL import ImageOps

    data = jpeg(orientation=orientation)
    upright = np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(data))))
    assert np.array_equal(read(data).codes, upright)


def test_a_grey_jpeg_has_three_equal_channels() -> None:
    out = io.BytesIO()
    Image.fromarray(pixels()[..., 0]).save(out, "JPEG")
    codes = read(out.getvalue()).codes
    assert codes.shape == (48, 64, 3)
    assert (codes[..., 0] == codes[..., 2]).all()


@pytest.mark.parametrize("compression", [None, "lzw", "zlib", "zstd", "packbits"])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_tiff_in_its_compressions(compression: str | None, dtype: type) -> None:
    codes = pixels().astype(dtype) * (257 if dtype is np.uint16 else 1)
    out = io.BytesIO()
    tifffile.imwrite(out, codes, photometric="rgb", compression=compression)
    picture = read(out.getvalue())
    assert picture.kind == "tiff"
    assert np.array_equal(picture.codes, codes)


def test_tiff_in_planes() -> None:
    out = io.BytesIO()
    tifffile.imwrite(out, np.moveaxis(pixels(), 2, 0), photometric="rgb", planarconfig="separate")
    assert np.array_equal(read(out.getvalue()).codes, pixels())


def test_tiff_that_is_no_frame_is_refused() -> None:
    out = io.BytesIO()
    tifffile.imwrite(out, pixels().astype(np.float32), photometric="rgb")
    assert "8 or 16 bit" in str(refusal(out.getvalue()))


@pytest.mark.parametrize("keep", [0.02, 0.3, 0.9])
def test_a_cut_tiff_may_still_grow(keep: float) -> None:
    out = io.BytesIO()
    tifffile.imwrite(out, pixels(200, 300), photometric="rgb")
    data = out.getvalue()
    assert not refusal(data[: int(len(data) * keep)]).final


@pytest.mark.parametrize("keep", [0.001, 0.1, 0.5, 0.999])
def test_a_cut_jpeg_may_still_grow(keep: float) -> None:
    data = jpeg(pixels(200, 300))
    assert not refusal(data[: max(3, int(len(data) * keep))]).final


def test_a_hole_of_zeros_is_damage() -> None:
    data = bytearray(jpeg(np.random.default_rng(1).integers(0, 255, (200, 300, 3)).astype(np.uint8)))
    data[len(data) // 2 : len(data) // 2 + 3000] = bytes(3000)
    refusal(bytes(data))


def test_what_is_no_picture_is_refused() -> None:
    assert "empty" in str(refusal(b""))
    assert "zeros" in str(refusal(bytes(5000)))
    assert "neither JPEG, TIFF nor raw" in str(refusal(b"Dear diary, today the umbrella fell over."))


def test_a_cmyk_jpeg_is_refused() -> None:
    out = io.BytesIO()
    Image.fromarray(pixels()).convert("CMYK").save(out, "JPEG")
    assert "CMYK" in str(refusal(out.getvalue()))


def with_size(data: bytes, width: int, height: int) -> bytes:
    """Rewrite a JPEG's frame header."""
    place = data.index(b"\xff\xc0")
    return data[: place + 5] + struct.pack(">HH", height, width) + data[place + 9 :]


@pytest.mark.parametrize("side", [10_000, 16_000, 65_000])
def test_a_bomb_is_refused_by_its_header(side: int) -> None:
    """A hundred megapixels and more, claimed by a file of kilobytes."""
    line = str(refusal(with_size(jpeg(), side, side)))
    assert "megapixels" in line


def test_a_tiff_bomb_is_refused_by_its_header() -> None:
    out = io.BytesIO()
    tifffile.imwrite(out, np.zeros((10_000, 10_000, 3), np.uint8), photometric="rgb", compression="zstd")
    assert "megapixels" in str(refusal(out.getvalue()))


@pytest.mark.parametrize(
    ("ifd", "expected"),
    [
        ({0x829D: Ratio(0, 0)}, {"f_number": None}),
        ({0x829D: Ratio(0, 1)}, {"f_number": None, "av": None}),
        ({0x829A: Ratio(0, 1)}, {"shutter_s": None}),
        ({0x8827: 0}, {"iso": None, "sv": None}),
        ({0x829D: Ratio(2**31, 1)}, {"f_number": None}),
        ({0x829A: Ratio(10, 600)}, {"tv": 6.0}),
        ({0x829D: Ratio(13, 1), 0x9202: Ratio(15, 2)}, {"av": 7.5}),
        ({0x8827: 65535, 0x8832: 102400}, {"iso": 102400}),
    ],
)
def test_absurd_exposures_are_unknown_and_odd_ones_are_read(ifd: dict, expected: dict) -> None:
    exposure = read(jpeg(ifd=ifd)).shot.exposure
    for name, value in expected.items():
        assert getattr(exposure, name) == value


def test_no_exif_means_unknown_not_zero() -> None:
    data = simplejpeg.encode_jpeg(pixels(), quality=90)
    shot = read(data).shot
    assert shot.exposure.f_number is None
    assert shot.exposure.stops is None
    assert shot.taken_at is None


def test_bytes_that_are_no_text_come_as_text() -> None:
    """Exif 2.3 wants ASCII there; 0x9b is none, and as a C1 code it would drive a terminal."""
    shot, _ = read_shot(jpeg(make="Invented", model=b"Invented\x9bStudio \x1b[31m"))
    assert shot.camera == "Invented\ufffdStudio [31m"


def test_exif_texts_come_clean() -> None:
    shot = read(jpeg(model="Roll[/a]\x1b[31m\x9b2J\u202eevil\n")).shot
    assert shot.camera is not None
    assert shot.camera.isprintable()
    assert "\x1b" not in shot.camera


@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.too_slow])
@given(st.data())
def test_damaged_exif_never_stops_a_frame(data: st.DataObject) -> None:
    """Flipped bytes in the Exif block: the picture is read, the exposure is sane or unknown."""
    raw = bytearray(jpeg())
    start, end = 20, raw.index(b"\xff\xdb")
    for _ in range(data.draw(st.integers(1, 8))):
        raw[data.draw(st.integers(start, end - 1))] = data.draw(st.integers(0, 255))
    shot, orientation = read_shot(bytes(raw))
    assert orientation in range(1, 9)
    for value in (shot.exposure.av, shot.exposure.tv, shot.exposure.sv):
        assert value is None or -20 < value < 30


@settings(deadline=None, max_examples=100)
@given(st.binary(max_size=400))
def test_garbage_is_refused_and_nothing_else(junk: bytes) -> None:
    for head in (b"", b"\xff\xd8\xff", b"II*\0", b"MM\0*"):
        with pytest.raises(FrameRefusedError):
            read(head + junk)


def test_links_pipes_and_folders_are_not_read(tmp_path: Path) -> None:
    real = tmp_path / "real.jpg"
    real.write_bytes(jpeg())
    (tmp_path / "link.jpg").symlink_to(real)
    os.mkfifo(tmp_path / "pipe.jpg")
    (tmp_path / "folder.jpg").mkdir()
    for name in ("link.jpg", "pipe.jpg", "folder.jpg", "absent.jpg"):
        with pytest.raises(FrameRefusedError):
            decode_file(os.fsencode(tmp_path / name), THRESHOLDS)
    assert decode_file(os.fsencode(real), THRESHOLDS).picture.width == 64
