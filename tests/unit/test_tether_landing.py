"""Frames land whole, under harmless names, and never over another file."""

import errno
import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lampblack.daemon.landing import PART, CardFile, Landing


def on_card(name: str, *, folder: str = "/store/DCIM/100X", size: int = 4, mtime: int = 0, mime: str = "") -> CardFile:
    return CardFile(folder, name, size, mtime, mime)


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_a_frame_lands_with_all_its_bytes(tmp_path: Path) -> None:
    assert Landing(tmp_path).land(on_card("IMG_0001.JPG"), b"data") == "IMG_0001.JPG"
    assert (tmp_path / "IMG_0001.JPG").read_bytes() == b"data"
    assert names(tmp_path) == ["IMG_0001.JPG"]


def test_a_taken_name_gets_a_number_whatever_its_case_and_ending(tmp_path: Path) -> None:
    for there in ("IMG_0001.JPG", "img_0001-2.dng"):
        (tmp_path / there).write_bytes(b"other")
    assert Landing(tmp_path).land(on_card("IMG_0001.JPG"), b"data") == "IMG_0001-3.JPG"
    assert (tmp_path / "IMG_0001.JPG").read_bytes() == b"other"


def test_a_name_taken_at_the_last_moment_is_not_written_over(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    link = os.link

    def late(src: Path, dst: Path) -> None:
        if dst.name == "IMG_0001.JPG":
            dst.write_bytes(b"just now")
        link(src, dst)

    monkeypatch.setattr(os, "link", late)
    assert Landing(tmp_path).land(on_card("IMG_0001.JPG"), b"data") == "IMG_0001-2.JPG"
    assert (tmp_path / "IMG_0001.JPG").read_bytes() == b"just now"


@pytest.mark.parametrize("order", [("DNG", "JPG"), ("JPG", "DNG")])
def test_both_halves_of_a_shot_share_a_stem_even_a_numbered_one(tmp_path: Path, order: tuple[str, str]) -> None:
    (tmp_path / "IMG_0001.TIF").write_bytes(b"other")
    landing = Landing(tmp_path)
    got = [landing.land(on_card(f"IMG_0001.{end}", mtime=100 + i), b"data") for i, end in enumerate(order)]
    assert got == [f"IMG_0001-2.{end}" for end in order]


def test_the_stem_survives_a_new_process(tmp_path: Path) -> None:
    (tmp_path / "IMG_0001.TIF").write_bytes(b"other")
    raw = on_card("IMG_0001.DNG")
    name = Landing(tmp_path).land(raw, b"data")
    again = Landing(tmp_path)
    again.remember(raw, name)
    assert again.land(on_card("IMG_0001.JPG"), b"data") == "IMG_0001-2.JPG"


def test_a_camera_that_counts_from_the_start_again_makes_no_pairs(tmp_path: Path) -> None:
    landing = Landing(tmp_path)
    assert landing.land(on_card("IMG_0001.JPG", mtime=1000), b"data") == "IMG_0001.JPG"
    assert landing.land(on_card("IMG_0001.DNG", mtime=2000), b"data") == "IMG_0001-2.DNG"
    assert landing.land(on_card("IMG_0001.JPG", mtime=2001), b"data") == "IMG_0001-2.JPG"
    assert landing.land(on_card("IMG_0001.JPG", mtime=3000), b"data") == "IMG_0001-3.JPG"


def test_names_from_memory_are_replaced(tmp_path: Path) -> None:
    """libgphoto2 calls what never was on a card capt0000, counting from 0 at every connection."""
    landing = Landing(tmp_path)
    got = [landing.land(on_card("capt0000.jpg", folder="/", size=-1), b"data") for _ in range(2)]
    assert got == ["frame-0001.jpg", "frame-0002.jpg"]


@pytest.mark.parametrize(
    "name",
    [
        *("../../x.JPG", "a\x1b[2J.JPG", "\u202egpj.JPG", ".hidden.JPG", "-rf.JPG", "a b.JPG", "a/b.JPG"),
        *("x" * 300 + ".JPG", "\udc80.JPG", ".JPG", "ä.JPG"),
    ],
)
def test_harmful_names_are_replaced(tmp_path: Path, name: str) -> None:
    shoot = tmp_path / "shoot"
    shoot.mkdir()
    assert Landing(shoot).land(on_card(name), b"data") == "frame-0001.JPG"
    assert names(tmp_path) == ["shoot"]


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
@given(name=st.text(st.characters(codec=None), max_size=40), mime=st.sampled_from(["", "image/jpeg", "text/plain"]))
def test_whatever_the_camera_calls_it_it_stays_in_the_folder(tmp_path: Path, name: str, mime: str) -> None:
    file = on_card(name, mime=mime)
    if file.suffix is None:
        with pytest.raises(ValueError, match="not a frame"):
            Landing(tmp_path).land(file, b"data")
        return
    landed = tmp_path / Landing(tmp_path).land(file, b"data")
    assert landed.parent == tmp_path
    assert landed.name.isascii()
    assert landed.name[0] not in ".-"
    landed.unlink()


def test_only_frames_are_frames() -> None:
    assert on_card("A.CR3").suffix == "CR3"
    assert on_card("A.jpeg").suffix == "jpeg"
    assert on_card("A", mime="image/jpeg").suffix == "jpg"
    for name in ("A.MOV", "A.XMP", "A.exe", "A", "JPG"):
        assert on_card(name).suffix is None or name == "JPG"


@pytest.mark.parametrize("code", [errno.EPERM, errno.EOPNOTSUPP])
def test_a_disk_without_links_still_writes_nothing_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int
) -> None:
    def no_links(*_: object) -> None:
        raise OSError(code, "no links here")

    monkeypatch.setattr(os, "link", no_links)
    landing = Landing(tmp_path)
    assert landing.land(on_card("A.JPG", mtime=1), b"one") == "A.JPG"
    assert landing.land(on_card("A.JPG", mtime=9), b"two") == "A-2.JPG"
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {"A.JPG": b"one", "A-2.JPG": b"two"}


@pytest.mark.parametrize("call", ["write", "fsync", "link"])
def test_trouble_leaves_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str) -> None:
    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, call, full)
    landing = Landing(tmp_path)
    with pytest.raises(OSError, match="No space"):
        landing.land(on_card("A.JPG"), b"data")
    assert names(tmp_path) == []
    monkeypatch.undo()
    assert landing.land(on_card("A.JPG"), b"data") == "A.JPG"


def test_a_write_in_pieces_is_put_together(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write = os.write
    monkeypatch.setattr(os, "write", lambda fd, data: write(fd, data[:7]))
    content = bytes(range(100))
    Landing(tmp_path).land(on_card("A.JPG"), memoryview(content))
    assert (tmp_path / "A.JPG").read_bytes() == content


def test_leftovers_of_an_earlier_process_are_swept_and_nothing_else(tmp_path: Path) -> None:
    for name in (f"{PART}1-1", "A.JPG", ".lampblack.lock"):
        (tmp_path / name).write_bytes(b"x")
    Landing(tmp_path).sweep()
    assert names(tmp_path) == [".lampblack.lock", "A.JPG"]


def test_a_frame_that_landed_just_before_a_crash_is_known_again(tmp_path: Path) -> None:
    (tmp_path / "A.JPG").write_bytes(b"other")
    file = on_card("A.JPG")
    name = Landing(tmp_path).land(file, b"data")
    after = Landing(tmp_path)
    assert after.already(file, b"data") == name == "A-2.JPG"
    assert after.already(file, b"late") is None
    assert after.already(on_card("B.JPG"), b"data") is None


def test_a_folder_that_is_gone_is_an_error_not_a_new_folder(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        Landing(tmp_path / "gone").land(on_card("A.JPG"), b"data")
    assert names(tmp_path) == []
    assert Landing(tmp_path / "gone").room() is None


def test_nothing_lands_where_the_drive_is_away(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An empty folder on another disk is its bare place; a mounted drive or a journal there says that it is back."""
    elsewhere = tmp_path.stat().st_dev + 1
    with pytest.raises(OSError, match="the folder is gone"):
        Landing(tmp_path, elsewhere).land(on_card("A.JPG"), b"data")
    assert list(tmp_path.iterdir()) == []
    assert Landing(tmp_path, tmp_path.stat().st_dev).land(on_card("A.JPG"), b"data") == "A.JPG"
    (tmp_path / "lampblack.journal").touch()
    assert Landing(tmp_path, elsewhere).land(on_card("B.JPG"), b"data") == "B.JPG"
    (tmp_path / "lampblack.journal").unlink()
    monkeypatch.setattr("os.path.ismount", lambda folder: True)
    assert Landing(tmp_path, elsewhere).land(on_card("C.JPG"), b"data") == "C.JPG"
