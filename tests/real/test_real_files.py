"""
JPEGs of real cameras, as two source packages of the Python package index carry them.

They are fetched with pip, not shipped: `piexif` 1.1.3 (MIT) and `Pillow` 13.0.0 (MIT-CMU). What they say of their
exposure is compared with what Pillow reads, a general-purpose image library and not ours.
"""

from __future__ import annotations

import io
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest
from PIL import Image

from lampblack.daemon.config import load_thresholds
from lampblack.daemon.decode import decode
from lampblack.daemon.exif import read_shot
from lampblack.daemon.refusal import FrameRefusedError
from lampblack.rules.exposure import aperture_value, time_value
from lampblack.rules.look import look
from lampblack.rules.shoot import judge, new_setup

pytestmark = pytest.mark.slow

PACKAGES = ("piexif==1.1.3", "Pillow==13.0.0")
THRESHOLDS = load_thresholds()


@pytest.fixture(scope="module")
def frames(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """Every JPEG in the two packages' test folders, by name."""
    place = tmp_path_factory.mktemp("sources")
    for package in PACKAGES:
        command = [sys.executable, "-m", "pip", "download", "-q", "--no-deps", "--no-binary", ":all:", "-d", str(place)]
        done = subprocess.run([*command, package], capture_output=True, text=True, timeout=600)
        if done.returncode:
            pytest.skip(f"{package} cannot be had: {done.stderr.strip().splitlines()[-1:]}")
    found = {}
    for archive in place.iterdir():
        for name, data in unpacked(archive):
            if "/tests/images/" in name.lower() and name.lower().endswith((".jpg", ".jpeg")):
                found[Path(name).name] = data
    assert len(found) > 25
    return found


def unpacked(archive: Path) -> list[tuple[str, bytes]]:
    if archive.suffix == ".zip":
        with zipfile.ZipFile(archive) as z:
            return [(n, z.read(n)) for n in z.namelist() if not n.endswith("/")]
    with tarfile.open(archive) as t:
        return [(m.name, t.extractfile(m).read()) for m in t.getmembers() if m.isfile()]  # type: ignore[union-attr]


def other_reader(data: bytes) -> dict[int, object]:
    try:
        return dict(Image.open(io.BytesIO(data)).getexif().get_ifd(0x8769))
    except Exception:
        return {}


def test_exposures_agree_with_another_reader(frames: dict[str, bytes]) -> None:
    compared = 0
    for name, data in frames.items():
        theirs, (shot, _) = other_reader(data), read_shot(data)
        for tag, ours, exact in (
            (0x829D, shot.exposure.av, aperture_value),
            (0x829A, shot.exposure.tv, time_value),
        ):
            try:
                value = float(theirs[tag])  # type: ignore[arg-type]
            except (KeyError, TypeError, ValueError, ZeroDivisionError):
                continue
            if 0 < value < 1e4:  # one file claims 4294967295 s
                compared += 1
                assert ours is not None, name
                assert abs(ours - exact(value)) < 0.15, name
    print(f"{compared} values compared")
    assert compared >= 20


def test_every_file_is_measured_or_refused_in_one_line(frames: dict[str, bytes]) -> None:
    measured, refused = 0, []
    for name, data in sorted(frames.items()):
        try:
            picture = decode(data, THRESHOLDS)
        except FrameRefusedError as line:
            refused.append(f"{name}: {line}")
            continue
        _, verdict = judge(new_setup(1), look(picture, THRESHOLDS), THRESHOLDS, file=name, frame=1)
        said = verdict.as_json()
        measured += 1
        print(
            f"{name:34} {picture.width:>5}x{picture.height:<5} f/{said['exposure']['f_number']}"
            f" clipped {said['highlights']['frame']:.3f} backdrop {said['backdrop']['tone']}"
        )
    print(*refused, sep="\n")
    assert measured >= 20
    assert all("\n" not in line for line in refused)
