"""The real service in a process of its own, on a temporary folder: frames in, verdicts on the socket."""

from __future__ import annotations

import contextlib
import io
import json
import math
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from studio_frames import photographed
from watching import DEADLINE_S, Watching, journal_rows, jpeg, overtagged_dng, run, run_here, watching

from lampblack.daemon.client import Client
from lampblack.daemon.premises import watchdog_s
from lampblack.mock_camera.body import FORMATS, Body, Card, Exposed, Settings
from lampblack.mock_camera.server import Server


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    for name, place in (("XDG_STATE_HOME", "state"), ("XDG_CONFIG_HOME", "config")):
        monkeypatch.setenv(name, str(tmp_path / place))
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    shoot = tmp_path / "shoot"
    shoot.mkdir()
    with tempfile.TemporaryDirectory(prefix="lb") as run_files:  # pytest's own are too long for a socket's path
        monkeypatch.setenv("XDG_RUNTIME_DIR", run_files)
        yield shoot


@pytest.fixture
def service(folder: Path) -> Iterator[Watching]:
    with watching(folder) as running:
        yield running


@pytest.fixture
def impatient(folder: Path) -> Iterator[Watching]:
    with watching(folder, impatient=True) as running:
        yield running


def log_text(folder: Path) -> str:
    return "".join(path.read_text() for path in (folder.parent / "state").rglob("*.log"))


# ---------------------------------------------------------------- frames come


def test_what_lies_there_is_read_in_shot_order_and_then_what_arrives(folder: Path) -> None:
    """Names and times of last change tell the order; the verdict is the contract's object, with a preview."""
    for place, name in enumerate(["b9.jpg", "b10.jpg", "a1.jpg"]):
        (folder / name).write_bytes(jpeg(place))
        os.utime(folder / name, (1_700_000_000 + (10 if name == "a1.jpg" else 0),) * 2)
    with watching(folder) as service:
        service.until(lambda: len(service.files) == 3)
        assert service.files == ["b9.jpg", "b10.jpg", "a1.jpg"]
        (folder / "c.jpg").write_bytes(jpeg(3, f_number=11))
        service.until(lambda: "c.jpg" in service.files)
        newest = service.frames[-1]
        assert newest["frame"] == 4
        assert newest["exposure"]["f_number"] == 11
        assert {"highlights", "shadows", "backdrop", "next", "forecast", "notices"} <= newest.keys()
        preview = service.of_kind("frame")[-1]["preview"]
        assert 0 < preview["width"] <= 96
        assert service.status()["counts"]["frames"] == 4


def test_a_frame_is_read_once_however_it_gets_there(service: Watching, tmp_path: Path) -> None:
    """Written, renamed, linked, moved in with its folder, in a new folder at once: one verdict each."""
    folder = service.folder
    (folder / "written.jpg").write_bytes(jpeg(1))
    (folder / ".lampblack-part-7").write_bytes(jpeg(2))
    os.rename(folder / ".lampblack-part-7", folder / "renamed.jpg")
    (tmp_path / "elsewhere.jpg").write_bytes(jpeg(3))
    os.rename(tmp_path / "elsewhere.jpg", folder / "moved.JPG")
    (tmp_path / "linked").write_bytes(jpeg(4))
    os.link(tmp_path / "linked", folder / "linked.jpeg")
    (tmp_path / "day").mkdir()
    (tmp_path / "day" / "within.jpg").write_bytes(jpeg(5))
    os.rename(tmp_path / "day", folder / "day")
    (folder / "new" / "deep").mkdir(parents=True)
    (folder / "new" / "deep" / "at-once.jpg").write_bytes(jpeg(6))
    (folder / ".hidden").mkdir()
    (folder / ".hidden" / "no.jpg").write_bytes(jpeg(7))
    (folder / "notes.txt").write_text("rim lamp two steps back")
    names = {"written.jpg", "renamed.jpg", "moved.JPG", "linked.jpeg", "day/within.jpg", "new/deep/at-once.jpg"}
    service.until(lambda: names <= set(service.files))
    (folder / "last.jpg").write_bytes(jpeg(8))
    service.until(lambda: "last.jpg" in service.files)
    assert sorted(service.files) == sorted([*names, "last.jpg"])
    assert not service.refused


def test_a_frame_is_not_read_while_it_is_being_written(service: Watching) -> None:
    """Another frame, written later and sooner done, is read meanwhile."""
    whole = jpeg(1)
    with open(service.folder / "slow.jpg", "wb", buffering=0) as slow:
        slow.write(whole[:2000])
        (service.folder / "quick.jpg").write_bytes(jpeg(2))
        service.until(lambda: "quick.jpg" in service.files)
        assert "slow.jpg" not in service.files
        slow.write(whole[2000:])
    service.until(lambda: "slow.jpg" in service.files)
    assert not service.refused


def test_a_burst_is_read_whole(service: Watching) -> None:
    """Three hundred frames at once, each read once."""
    for number in range(300):
        (service.folder / f"{number:04d}.jpg").write_bytes(jpeg(number, size=(64, 48)))
    service.until(lambda: len(service.files) >= 300, deadline_s=120)
    assert sorted(service.files) == [f"{number:04d}.jpg" for number in range(300)]
    assert service.status()["counts"] == {"frames": 300, "refused": 0, "waiting": 0, "duplicates": 0}


def test_a_copy_is_counted_and_other_content_is_a_new_frame(service: Watching) -> None:
    """The same bytes under another name are one picture; other bytes under the same name are two."""
    (service.folder / "one.jpg").write_bytes(jpeg(1))
    service.until(lambda: service.files == ["one.jpg"])
    shutil.copy(service.folder / "one.jpg", service.folder / "copy of one.jpg")
    service.until(lambda: service.status()["counts"]["duplicates"] == 1)
    os.utime(service.folder / "one.jpg")  # touched, not changed
    (service.folder / "one.jpg").write_bytes(jpeg(2))
    service.until(lambda: len(service.files) == 2)
    assert service.files == ["one.jpg", "one.jpg"]
    assert "rewritten" in [notice["kind"] for notice in service.frames[-1]["notices"]]
    assert "rewritten" not in [notice["kind"] for notice in service.frames[0]["notices"]]


def test_a_raw_file_and_its_jpeg_are_one_frame(impatient: Watching) -> None:
    """Whichever comes first; a raw file that stays alone is handed on by itself."""
    folder = impatient.folder
    (folder / "raw-first.NEF").write_bytes(b"raw" * 100)
    (folder / "raw-first.JPG").write_bytes(jpeg(1))
    (folder / "jpeg-first.jpg").write_bytes(jpeg(2))
    impatient.until(lambda: {"raw-first.JPG", "jpeg-first.jpg"} <= set(impatient.files))
    (folder / "jpeg-first.dng").write_bytes(b"raw" * 200)
    (folder / "alone.cr3").write_bytes(b"raw" * 300)
    impatient.until(lambda: "alone.cr3" in impatient.refused)
    impatient.until(lambda: impatient.status()["counts"]["waiting"] == 0)
    assert sorted(impatient.files) == ["jpeg-first.jpg", "raw-first.JPG"]
    assert list(impatient.refused) == ["alone.cr3"]
    assert impatient.end() == 0
    partners = journal_rows(folder, "SELECT path FROM sighting WHERE outcome = 'partner' ORDER BY path")
    assert [bytes(path) for (path,) in partners] == [b"jpeg-first.dng", b"raw-first.NEF"]


def both_files() -> tuple[tuple[str, bytes], ...]:
    return photographed(7.1, megapixels=0.3, formats=("jpeg", "dng"))


@pytest.mark.parametrize("first", ["jpeg", pytest.param("raw", marks=pytest.mark.slow)])
def test_a_half_that_comes_late_joins_its_frame(folder: Path, first: str) -> None:
    """The verdict is said again, from the raw's own samples; the frames after it keep theirs in order."""
    halves = {"raw" if ending == "DNG" else "jpeg": (f"bowl.{ending}", data) for ending, data in both_files()}
    last = "raw" if first == "jpeg" else "jpeg"
    with watching(folder, impatient=True) as service:
        (folder / halves[first][0]).write_bytes(halves[first][1])
        service.until(lambda: service.files == [halves[first][0]])
        assert service.frames[0]["pixels"]["kind"] == first
        (folder / "next.jpg").write_bytes(jpeg(1))
        service.until(lambda: "next.jpg" in service.files)
        (folder / halves[last][0]).write_bytes(halves[last][1])
        if last == "raw":
            again = service.until(lambda: [e for e in service.of_kind("frame") if e.get("again")])[0]["verdict"]
            assert (again["file"], again["frame"], again["pixels"]["kind"]) == (halves[first][0], 1, "raw")
        service.until(lambda: halves[last][0] in log_text(folder))
        service.until(lambda: service.status()["counts"]["waiting"] == 0)
        assert service.status()["counts"]["frames"] == 2
        service.end()
    assert [bytes(p) for (p,) in journal_rows(folder, "SELECT path FROM sighting WHERE outcome = 'partner'")] == [
        os.fsencode(halves[last][0])
    ]
    with watching(folder, impatient=True) as service:
        state = service.meet_again()
        assert [f["verdict"]["pixels"]["kind"] for f in state["frames"]] == ["raw", "jpeg"]
        (folder / "last.jpg").write_bytes(jpeg(2))
        service.until(lambda: "last.jpg" in service.files)
        assert service.frames[-1]["frame"] == 3
        assert not service.refused


def test_a_raw_that_comes_when_many_frames_have_gone_by_is_judged_all_the_same(folder: Path) -> None:
    """More frames than can be judged again in a row: it is judged by itself, and keeps its number and its place."""
    halves = dict(both_files())
    with watching(folder, impatient=True) as service:
        (folder / "bowl.JPG").write_bytes(halves["JPG"])
        service.until(lambda: "bowl.JPG" in service.files)
        for number in range(6):
            (folder / f"{number}.jpg").write_bytes(jpeg(number, size=(64, 48)))
        service.until(lambda: len(service.files) == 7)
        (folder / "bowl.DNG").write_bytes(halves["DNG"])
        again = service.until(lambda: [e for e in service.of_kind("frame") if e.get("again")])[0]["verdict"]
        assert (again["file"], again["frame"], again["pixels"]["kind"]) == ("bowl.JPG", 1, "raw")
        assert not {notice["kind"] for notice in again["notices"]} & {"size", "light-changed"}
        assert service.status()["counts"]["frames"] == 7
        service.end()
    with watching(folder, impatient=True) as service:
        kinds = [frame["verdict"]["pixels"]["kind"] for frame in service.meet_again()["frames"]]
        assert sorted(kinds) == ["jpeg"] * 6 + ["raw"]


def test_a_tethered_camera_fires_and_steps(folder: Path) -> None:
    """Through real libgphoto2: fired frames land, are read at once, and the suggested aperture is set and shot."""

    def take(settings: Settings, number: int) -> Exposed:
        # A stop is some 40 codes here (sRGB around mid grey): near enough for a direction.
        codes_from = int(min(190, max(0, 190 - 40 * 2 * math.log2(settings.f_number / 4))))
        frame = jpeg(number, f_number=settings.f_number, codes_from=codes_from)
        return Exposed((("JPG", frame),), {})

    body = Body(Card(io.BytesIO()), formats=FORMATS[0])
    body.dial("shutter", "1/60")
    body.dial("f_number", 4.0)
    with Server(body, take, port=0) as camera, watching(folder, "--camera", camera.address) as service:
        service.until(lambda: service.status()["camera"]["state"] == "ready")
        assert service.ask("fire")["ok"]
        service.until(lambda: len(service.files) == 1)
        step = service.frames[0]["next"]
        assert step["move"] == "close"
        assert step["f_number"] in service.status()["camera"]["f_numbers"]
        assert service.ask("step")["ok"]
        service.until(lambda: len(service.files) == 2)
        assert service.frames[1]["exposure"]["f_number"] == step["f_number"]
        assert not service.refused
        assert service.end() == 0
    assert not list(folder.glob(".lampblack-part-*"))


# ---------------------------------------------------------------- bad input


def test_bad_files_get_one_line_each_and_harm_no_other(impatient: Watching) -> None:
    """Cut short, empty, text by a frame's name: refused by name; a frame without Exif is a frame."""
    folder, whole = impatient.folder, jpeg(1)
    (folder / "cut.jpg").write_bytes(whole[: len(whole) // 2])
    (folder / "completed.jpg").write_bytes(jpeg(5)[:1500])
    (folder / "empty.jpg").touch()
    (folder / "text.jpg").write_text("this is no picture")
    (folder / "bare.jpg").write_bytes(jpeg(2, exif=False))
    impatient.until(lambda: {"cut.jpg", "empty.jpg", "text.jpg", "completed.jpg"} <= impatient.refused.keys())
    impatient.until(lambda: "bare.jpg" in impatient.files)
    (folder / "completed.jpg").write_bytes(jpeg(5))
    impatient.until(lambda: "completed.jpg" in impatient.files)
    assert all("\n" not in error and error for error in impatient.refused.values())
    assert len(impatient.of_kind("refused")) == 4
    assert impatient.status()["counts"]["refused"] == 3  # the completed one is no longer among them
    assert next(f for f in impatient.frames if f["file"] == "bare.jpg")["exposure"]["f_number"] is None


def test_a_frame_cut_short_at_first_is_read_when_complete(service: Watching) -> None:
    """Its writer closed it in the middle and came back: no refusal, one verdict."""
    whole = jpeg(3)
    (service.folder / "resumed.jpg").write_bytes(whole[:3000])
    (service.folder / "other.jpg").write_bytes(jpeg(4))
    service.until(lambda: "other.jpg" in service.files)
    with open(service.folder / "resumed.jpg", "ab") as again:
        again.write(whole[3000:])
    service.until(lambda: "resumed.jpg" in service.files)
    assert not service.refused


def test_hostile_names_and_odd_files_are_shown_clean(impatient: Watching, tmp_path: Path) -> None:
    """Escape sequences, newlines, bytes that are no text; pipes and links are named, not opened."""
    folder = os.fsencode(impatient.folder)
    names = [b"esc\x1b[31m.jpg", b"two\nlines.jpg", b"bytes\xff\xfe.jpg", "dir\u202egpj.jpg".encode()]
    for number, name in enumerate(names):
        with open(os.path.join(folder, name), "wb") as out:
            out.write(jpeg(number))
    os.mkfifo(impatient.folder / "pipe.jpg")
    (tmp_path / "target.jpg").write_bytes(jpeg(9))
    os.symlink(tmp_path / "target.jpg", impatient.folder / "link.jpg")
    impatient.until(lambda: len(impatient.files) == 4 and len(impatient.refused) == 2)
    assert impatient.refused.keys() == {"pipe.jpg", "link.jpg"}
    assert all(name.isprintable() for name in impatient.files)
    assert impatient.end() == 0
    lines = log_text(impatient.folder).split("\n")
    assert any("pipe.jpg" in line for line in lines)
    assert not [line for line in lines if not line.isprintable()]


# ---------------------------------------------------------------- the folder and the disk


def test_the_folder_goes_and_comes_back(impatient: Watching) -> None:
    """One line says so; the new folder is watched, locked and journalled anew."""
    folder = impatient.folder
    (folder / "one.jpg").write_bytes(jpeg(1))
    impatient.until(lambda: impatient.files == ["one.jpg"])
    shutil.rmtree(folder)
    impatient.until(lambda: "folder-gone" in [e["service"]["state"] for e in impatient.of_kind("service")])
    folder.mkdir()
    (folder / "two.jpg").write_bytes(jpeg(2))
    impatient.until(lambda: "two.jpg" in [e["verdict"]["file"] for e in impatient.of_kind("frame")])
    assert len([e for e in impatient.of_kind("service") if e["service"]["state"] == "folder-gone"]) == 1
    assert json.loads((folder / ".lampblack.lock").read_text())["pid"] == impatient.process.pid
    assert impatient.meet_again()["counts"]["frames"] == 1
    assert impatient.end() == 0
    assert journal_rows(folder, "SELECT path FROM frame") == [(b"two.jpg",)]


@pytest.fixture
def small_disk(folder: Path) -> Iterator[Path]:
    if os.geteuid() != 0 or not sys.platform.startswith("linux"):
        pytest.skip("mounting a small disk needs root on Linux")
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(folder)], capture_output=True, text=True, check=False
    )
    if mounted.returncode:
        pytest.skip(f"no small disk can be mounted here: {mounted.stderr.strip()}")
    try:
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=True)


def test_the_empty_place_of_a_drive_that_was_pulled_is_not_watched(small_disk: Path) -> None:
    """Its frames would be hidden when the drive is back; a drive that is mounted there is watched again."""
    with watching(small_disk, impatient=True) as service:
        subprocess.run(["umount", "--lazy", str(small_disk)], check=True)
        service.until(lambda: "folder-gone" in [e["service"]["state"] for e in service.of_kind("service")])
        with contextlib.suppress(AssertionError):
            service.until(lambda: service.status()["service"]["state"] != "folder-gone", deadline_s=1)
        assert list(small_disk.iterdir()) == []
        assert service.status()["service"]["state"] == "folder-gone"
        subprocess.run(["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(small_disk)], check=True)
        (small_disk / "one.jpg").write_bytes(jpeg(1))
        service.until(lambda: "one.jpg" in [e["verdict"]["file"] for e in service.of_kind("frame")])
        assert service.end() == 0


def test_a_full_disk_costs_no_verdict(small_disk: Path) -> None:
    """It goes out flagged, is kept, and is written when there's room again."""
    folder = small_disk
    with watching(folder) as service:
        (folder / "one.jpg").write_bytes(jpeg(1))
        service.until(lambda: service.files == ["one.jpg"])
        frame = jpeg(2)
        (folder / "two.part").write_bytes(frame)
        with contextlib.suppress(OSError), open(folder / "filler", "wb", buffering=0) as filler:
            while True:
                filler.write(bytes(1024))
        os.rename(folder / "two.part", folder / "two.jpg")
        service.until(lambda: "two.jpg" in service.files)
        assert service.frames[-1]["unsaved"] is True
        assert any("full" in text for text in service.troubles())
        (folder / "filler").unlink()
        service.until(lambda: [e for e in service.of_kind("frame") if e.get("again")])
        assert "unsaved" not in [e for e in service.of_kind("frame") if e.get("again")][-1]["verdict"]
        assert service.end() == 0
    assert journal_rows(folder, "SELECT path FROM frame ORDER BY id") == [(b"one.jpg",), (b"two.jpg",)]


def test_a_damaged_journal_is_moved_aside_and_made_anew(folder: Path) -> None:
    """Nothing of it is thrown away, and every frame is there again."""
    (folder / "one.jpg").write_bytes(jpeg(1))
    with watching(folder) as service:
        service.until(lambda: service.files == ["one.jpg"])
        service.end()
    journal = folder / "lampblack.journal"
    damaged = bytearray(journal.read_bytes())
    damaged[100:4000] = os.urandom(3900)
    journal.write_bytes(damaged)
    with watching(folder) as service:
        service.until(lambda: service.files == ["one.jpg"])
        service.end()
    [aside] = folder.glob("lampblack.journal.broken-*")
    assert aside.read_bytes() == damaged
    assert "damaged" in log_text(folder)


# ---------------------------------------------------------------- life


def test_a_second_start_leaves_the_first_alone(service: Watching) -> None:
    """It says which process has the folder, and is no failure."""
    second = run("watch", str(service.folder))
    assert second.returncode == 0
    assert str(service.process.pid) in second.stdout
    foreground = run("watch", str(service.folder), "--foreground", "--json")
    assert foreground.returncode == 0
    told = json.loads(foreground.stdout)
    assert told["already"] is True
    assert told["pid"] == service.process.pid
    assert service.status()["pid"] == service.process.pid


def test_a_second_start_with_other_options_says_which(service: Watching) -> None:
    """What was not asked for this time is no difference; what to do is said."""
    second = run("watch", str(service.folder), "--aim", "even", "--camera", "auto", "--backdrop", "black")
    assert second.returncode == 1
    assert "with --backdrop auto, no camera:" in second.stderr
    assert f"lampblack stop {service.folder}" in second.stderr
    assert service.ask("aim", aim="clean-backdrop")["ok"]
    foreground = run("watch", str(service.folder), "--foreground", "--json", "--aim", "even")
    assert foreground.returncode == 1
    told = json.loads(foreground.stdout)
    assert told["differs"] == ["aim"]
    assert "with --aim clean-backdrop:" in told["error"]
    assert run("watch", str(service.folder), "--backdrop", "auto").returncode == 0


def test_a_camera_that_never_comes_is_spoken_of(folder: Path) -> None:
    """In the status and in the log, with its address and what to do."""
    with socket.socket() as nobody:
        nobody.bind(("127.0.0.1", 0))  # bound, but never listening: refused at once
        address = f"ptpip:127.0.0.1:{nobody.getsockname()[1]}"
        with watching(folder, "--camera", address) as service:
            service.until(lambda: "switch it on" in service.status()["camera"]["text"])
            assert service.status()["camera"]["state"] == "searching"
            said = run("status", str(folder)).stdout
            assert f"Camera: No camera answers at {address}: switch it on" in said
            service.until(lambda: f"No camera answers at {address}" in log_text(folder))
            assert log_text(folder).count("No camera answers") == 1
            # Its pairing outlives a reboot, which empties the runtime folder.
            assert (folder.parent / "state" / "lampblack" / "camera-home").stat().st_mode & 0o777 == 0o700


def test_a_service_whose_folder_is_gone_can_be_seen_and_stopped(impatient: Watching) -> None:
    folder = impatient.folder
    folder.rename(folder.with_name("elsewhere"))
    impatient.until(lambda: "folder-gone" in [e["service"]["state"] for e in impatient.of_kind("service")])
    told = json.loads(run("status", "--json", str(folder)).stdout)
    assert (told["running"], told["pid"]) == (True, impatient.process.pid)
    assert "is gone" in run("status").stdout
    again = run("watch", str(folder))
    assert again.returncode == 1
    assert f"process {impatient.process.pid} waits for it" in again.stderr
    stopped = run("stop", str(folder), "--json")
    assert stopped.returncode == 0, stopped.stderr
    assert json.loads(stopped.stdout)["was_running"] is True
    assert impatient.process.wait(DEADLINE_S) == 0
    assert run("stop", str(folder)).returncode == 1


@pytest.mark.parametrize("unusable", ["absent/deep", "file/run", "/proc"])
def test_without_its_usual_places_it_goes_on(folder: Path, monkeypatch: pytest.MonkeyPatch, unusable: str) -> None:
    """No runtime folder, no home: a private one in the temporary folder, and no log; the commands find each other."""
    (folder.parent / "file").touch()
    with tempfile.TemporaryDirectory(prefix="lb") as temporary:
        monkeypatch.setenv("TMPDIR", temporary)
        for name in ("XDG_RUNTIME_DIR", "XDG_STATE_HOME", "XDG_CONFIG_HOME", "XDG_DATA_HOME"):
            monkeypatch.setenv(name, str(folder.parent / unusable) if name == "XDG_RUNTIME_DIR" else "/proc/nothing")
        started = run("watch", str(folder), "--camera", "auto")
        try:
            assert (started.returncode, started.stderr) == (0, "")
            assert "Log:     none: /proc/nothing" in started.stdout
            private = Path(temporary) / f"lampblack-{os.getuid()}"
            assert private.stat().st_mode & 0o777 == 0o700
            assert list(private.glob("*.sock"))
            assert (private / "camera-home").stat().st_mode & 0o777 == 0o700
            assert json.loads(run("status", "--json", str(folder)).stdout)["running"] is True
        finally:
            assert run("stop", str(folder)).returncode == 0


def test_a_service_that_cannot_start_says_why(folder: Path) -> None:
    (folder / "lampblack.toml").write_text("[black\n")
    started = run("watch", str(folder), "--json")
    assert started.returncode == 1
    assert "lampblack.toml" in json.loads(started.stdout)["error"]
    assert started.stderr.count("\n") == 1


def test_background_start_status_and_stop(folder: Path) -> None:
    """The commands as a photographer types them."""
    (folder / "one.jpg").write_bytes(jpeg(1))
    os.utime(folder / "one.jpg", (1_700_000_000,) * 2)
    nothing = run("status", "--json", str(folder))
    assert nothing.returncode == 0
    assert json.loads(nothing.stdout)["running"] is False
    started = run("watch", str(folder), "--json")
    try:
        assert started.returncode == 0, started.stderr
        assert json.loads(started.stdout)["running"] is True
        with contextlib.closing(Client.connect(folder)) as client:
            while not client.ask({"do": "status"}, DEADLINE_S)["status"]["counts"]["frames"]:
                client.receive(0.1)
        status = json.loads(run("status", "--json", str(folder)).stdout)
        assert status["running"] is True
        assert status["frames"] == 1
        assert status["newest"]["file"] == "one.jpg"
        assert {"pid", "refused", "waiting", "camera", "setup"} <= status.keys()
        everywhere = [json.loads(line) for line in run("status", "--json", cwd=folder.parent).stdout.splitlines()]
        assert str(folder) in [one["folder"] for one in everywhere], "whatever else is watched on this machine"
        assert (
            ": Watching. 1 frame, 0 refused, 0 waiting. Setup 1. Newest: one.jpg: " in run("status", cwd=folder).stdout
        )
    finally:
        stopped = run("stop", str(folder))
    assert stopped.returncode == 0, stopped.stderr
    assert json.loads(run("status", "--json", str(folder)).stdout)["running"] is False
    assert not (folder / ".lampblack.lock").exists()
    assert not list(Path(os.environ["XDG_RUNTIME_DIR"]).rglob("*.sock"))


@pytest.mark.parametrize("command", ["watch", "panel", "status", "stop"])
def test_a_folder_that_is_not_there_is_named(folder: Path, command: str) -> None:
    """One line, exit status 1, and the whole path even if half of it was given; the same for every command."""
    json_too = [] if command == "panel" else ["--json"]
    missing = run(command, "nowhere", *json_too, cwd=folder)
    assert missing.returncode == 1
    assert missing.stderr == f"{folder / 'nowhere'} is no folder: make it, or see to its name.\n"
    if json_too:
        assert json.loads(missing.stdout) == {"folder": str(folder / "nowhere"), "error": missing.stderr.strip()}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["watch"], "FOLDER"),
        (["watch", "--camera", "foo", "."], "no camera's address: write auto, ptpip:"),
        (["watch", "--aim", "beauty\n\x1b[2J", "."], "invalid choice"),
        (["frob"], "invalid choice"),
        (["score"], "FILE"),
        (["status", "--frob"], "--frob"),
        (["mock", "--frob"], "--frob"),
    ],
)
def test_wrong_usage_is_one_line_and_two(folder: Path, words: list[str], said: str) -> None:
    wrong = run(*words, cwd=folder)
    assert (wrong.returncode, wrong.stdout) == (2, "")
    assert wrong.stderr.count("\n") == 1
    assert wrong.stderr.strip().isprintable()
    assert said in wrong.stderr
    assert "--help" in wrong.stderr


def test_bare_it_shows_its_help_and_it_knows_its_version() -> None:
    bare, version = run(), run("--version")
    assert (bare.returncode, bare.stderr) == (0, "")
    assert "rehearse" in bare.stdout
    assert version.stdout.startswith("lampblack ")
    assert version.returncode == 0


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
@pytest.mark.parametrize("unbuffered", ["", "1"])
def test_an_output_that_takes_nothing_is_named(folder: Path, monkeypatch: pytest.MonkeyPatch, unbuffered: str) -> None:
    """Whether it fails at once or at the end."""
    monkeypatch.setenv("PYTHONUNBUFFERED", unbuffered)
    (folder / "one.jpg").write_bytes(jpeg(1))
    for words in (["status", str(folder)], ["score", str(folder / "one.jpg")]):
        with open("/dev/full", "w") as full:
            command = [sys.executable, "-m", "lampblack.daemon.cli", *words]
            done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, timeout=DEADLINE_S)
        assert done.returncode == 1
        assert done.stderr == "The output cannot be written: No space left on device.\n"


def test_status_needs_no_image_library(folder: Path) -> None:
    """So that it answers at once."""
    look = (
        "import sys; from lampblack.daemon import cli; code = cli.main(['status', sys.argv[1]]);"
        "print(code, sorted({'cv2', 'numpy', 'gphoto2', 'rich', 'watchdog', 'asyncio'} & sys.modules.keys()))"
    )
    said = subprocess.run([sys.executable, "-c", look, str(folder)], capture_output=True, text=True, check=True)
    assert said.stdout.splitlines()[-1] == "0 []"


@pytest.mark.parametrize("command", ["watch", "panel", "status", "stop", "score", "rehearse"])
def test_every_command_shows_an_example(command: str) -> None:
    """In its help, which is usage done right: exit status 0."""
    shown = run(command, "--help")
    assert shown.returncode == 0
    assert f"example: lampblack {command}" in " ".join(shown.stdout.split())


def test_the_mock_camera_gets_its_words_unread() -> None:
    """It is a program of its own, and so is its help and its exit status."""
    shown = run("mock", "--help")
    assert shown.returncode == 0
    assert "usage" in shown.stdout
    assert run("mock", "--no-such-option").returncode == 2


def test_c_libraries_write_into_the_log(folder: Path) -> None:
    """In the background file descriptor 2 is the log, rotated or not, and every line of ours is clean."""
    story = r"""
import logging, os, sys
from pathlib import Path
from lampblack.daemon import premises
path = premises.open_log(Path(sys.argv[1]), background=True)
logging.getLogger().handlers[-1].maxBytes = 2000
for n in range(60):
    logging.warning("frame %d \x1b[31m red", n)
os.write(2, b"a library speaks\n")
print(path)
"""
    said = subprocess.run([sys.executable, "-c", story, str(folder)], capture_output=True, text=True, check=True)
    path = Path(said.stdout.strip())
    assert path.with_name(path.name + ".1").exists()
    assert path.read_text().endswith("a library speaks\n")
    assert "\x1b" not in path.read_text()
    assert said.stderr == ""


def test_sigterm_finishes_the_frame_in_hand(folder: Path) -> None:
    """Everything given out is either in the journal or untouched; nothing is left behind."""
    with watching(folder) as service:
        (folder / "one.jpg").write_bytes(jpeg(1, size=(1500, 1000)))
        service.until(lambda: service.status()["counts"]["waiting"] == 1 or service.files)
        assert service.end() == 0
        assert not Path(service.where["socket"]).exists()
    assert not (folder / ".lampblack.lock").exists()
    assert not list(folder.glob("lampblack.journal-*"))
    assert journal_rows(folder, "PRAGMA integrity_check") == [("ok",)]


def test_after_sigkill_nothing_is_read_twice(folder: Path) -> None:
    """The journal knows the frames and the setup; what came meanwhile is caught up with."""
    with watching(folder) as service:
        (folder / "one.jpg").write_bytes(jpeg(1))
        service.until(lambda: service.files == ["one.jpg"])
        assert service.ask("slate", name="flag in")["ok"]
        (folder / "two.jpg").write_bytes(jpeg(2, f_number=11))
        service.until(lambda: "two.jpg" in service.files)
        service.end(signal.SIGKILL)
    (folder / "three.jpg").write_bytes(jpeg(3, f_number=8))
    with watching(folder) as service:
        state = service.meet_again()
        assert state["setup"] == {"number": 2, "name": "flag in"}
        assert state["frames"][0]["verdict"]["file"] == "two.jpg"
        assert state["frames"][0]["preview"]["width"] > 0
        service.until(lambda: "three.jpg" in service.files)
        three = service.frames[-1]
        assert three["frame"] == 3
        assert [step["f_number"] for step in three["forecast"] if step["shot"]] == [8, 11]
        service.end()
    rows = journal_rows(folder, "SELECT path, setup, number FROM frame ORDER BY id")
    assert rows == [(b"one.jpg", 1, 1), (b"two.jpg", 2, 2), (b"three.jpg", 2, 3)]
    assert len(journal_rows(folder, "SELECT id FROM verdict")) == 3


def test_the_supervisor_hears_when_it_is_ready_and_when_it_stops(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """sd_notify(3): READY=1 once watching, STOPPING=1 at the end."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        ear.bind(str(folder.parent / "notify"))
        ear.settimeout(DEADLINE_S)
        monkeypatch.setenv("NOTIFY_SOCKET", str(folder.parent / "notify"))
        with watching(folder) as service:
            assert ear.recv(100) == b"READY=1"
            service.end()
            assert ear.recv(100) == b"STOPPING=1"


def test_a_supervisor_that_asks_for_signs_of_life_gets_them(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """sd_watchdog_enabled(3): WATCHDOG=1 again and again, unless another process is meant."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        ear.bind(str(folder.parent / "notify"))
        ear.settimeout(DEADLINE_S)
        monkeypatch.setenv("NOTIFY_SOCKET", str(folder.parent / "notify"))
        monkeypatch.setenv("WATCHDOG_USEC", "100000")
        with watching(folder) as service:
            while ear.recv(100) != b"READY=1":
                pass
            assert [ear.recv(100) for _ in range(5)] == [b"WATCHDOG=1"] * 5
            service.end()
        while ear.recv(100) != b"STOPPING=1":
            pass
        ear.settimeout(0)
        with contextlib.suppress(BlockingIOError):
            raise AssertionError(ear.recv(100))


@pytest.mark.parametrize(
    ("usec", "pid", "expected"),
    [(None, None, None), ("30000000", None, 15.0), ("30000000", "1", None), ("soon", None, None), ("0", None, None)],
)
def test_how_often_a_sign_of_life_is_wanted(
    monkeypatch: pytest.MonkeyPatch, usec: str | None, pid: str | None, expected: float | None
) -> None:
    for name, value in (("WATCHDOG_USEC", usec), ("WATCHDOG_PID", pid)):
        if value is None:
            monkeypatch.delenv(name, raising=False)
        else:
            monkeypatch.setenv(name, value)
    assert watchdog_s() == expected


# ---------------------------------------------------------------- requests and guests


def test_setups_and_aims_are_taken_on(service: Watching) -> None:
    """A slate empties the row; another aim judges the newest frame anew."""
    (service.folder / "one.jpg").write_bytes(jpeg(1))
    service.until(lambda: service.files == ["one.jpg"])
    assert service.ask("aim", aim="hold-highlights")["ok"]
    service.until(lambda: [e for e in service.of_kind("frame") if e.get("again")])
    assert service.of_kind("aim")[-1]["aim"] == "hold-highlights"
    assert not service.ask("aim", aim="brighter")["ok"]
    assert service.ask("slate", name="rim \x1b[2Jlower")["text"] == "Setup 2 begins."
    state = service.meet_again()
    assert state["setup"] == {"number": 2, "name": "rim [2Jlower"}
    assert state["frames"] == []
    for request in ({"do": "step"}, {"do": "fire"}, {"do": "aperture", "f_number": 8}, {"do": "dance"}):
        reply = service.client.ask(request, DEADLINE_S)
        assert reply["ok"] is False
        assert reply["text"]


def test_hostile_guests_are_shown_out_and_harm_nobody(service: Watching) -> None:
    """Garbage, endless lines, bad UTF-8, deep brackets, and one that never reads."""
    lines = [b"\xff\xfe\n" * 20, b"[" * 60_000 + b"\n" + b"{}\n" * 20, b"x" * 10_000_000, b'{"do": 1}\n' * 20]
    for line in lines:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as guest:
            guest.settimeout(DEADLINE_S)
            guest.connect(service.where["socket"])
            with contextlib.suppress(OSError):
                guest.sendall(line)
            _read_to_end(guest)
    silent = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    silent.connect(service.where["socket"])
    with contextlib.closing(silent):
        (service.folder / "one.jpg").write_bytes(jpeg(1))
        service.until(lambda: service.files == ["one.jpg"])
    assert (Path(service.where["socket"]).stat().st_mode & 0o777) == 0o600
    assert (Path(service.where["socket"]).parent.stat().st_mode & 0o777) == 0o700


def _read_to_end(guest: socket.socket) -> None:
    with contextlib.suppress(ConnectionError):
        while guest.recv(1 << 16):
            pass


def test_readings_are_logged_compared_and_aimed_at(folder: Path) -> None:
    (folder / "1.jpg").write_bytes(jpeg(1))
    with watching(folder) as service:
        service.until(lambda: service.files == ["1.jpg"])
        assert service.ask("aim", aim="meter")["ok"]
        exposure = service.of_kind("frame")[-1]["verdict"]["exposure"]
        done = run("reading", str(folder), "key=16", "fill=8", "--json")
        assert done.returncode == 0, done.stderr
        said = json.loads(done.stdout)
        assert [r["place"] for r in said["readings"]] == ["key", "fill"]
        assert (said["ratios"][0]["stops"], said["ratios"][0]["ratio"]) == (2, 4)
        assert said["readings"][0]["ev100"] == pytest.approx(8 + exposure["tv"] - exposure["sv"] + 5)
        service.until(lambda: "key reading asks for f/16" in service.of_kind("frame")[-1]["verdict"]["next"]["why"])
        assert service.ask("reading", reading="c11")["ok"], "as typed in the panel"
        service.until(lambda: "camera reading asks for f/11" in service.of_kind("frame")[-1]["verdict"]["next"]["why"])
        assert not service.ask("reading", reading="c")["ok"]
        (folder / "2.jpg").write_bytes(jpeg(2))
        service.until(lambda: service.files == ["1.jpg", "2.jpg"])
        assert service.ask("slate", name="closer")["ok"]
        assert run_here("reading", str(folder), "--json").returncode == 0
        assert service.ask("reading")["readings"] == [], "another setup, other light"
    done = run_here("reading", str(folder), "key=ev12", "--meter", "old one")
    assert done.returncode == 0, "no service is needed"
    assert "key: EV 12.0 at ISO 100" in done.stdout
    assert run_here("reading", str(folder), "--remove", "key").returncode == 0
    assert run_here("reading", str(folder), "--remove", "key").returncode == 1
    assert run_here("reading", str(folder), "key=16x").returncode == 1


def test_a_region_and_a_plate_are_said_kept_and_used_at_once(folder: Path) -> None:
    (folder / "1.jpg").write_bytes(jpeg(1))

    def area(service: Watching) -> float:
        return float(service.of_kind("frame")[-1]["verdict"]["backdrop"]["area"])

    with watching(folder) as service:
        service.until(lambda: service.files == ["1.jpg"])
        found = area(service)
        assert run("region", str(folder), "subject=0,0,0.5,0.5").returncode == 0
        service.until(lambda: area(service) < found - 0.1)
        assert service.of_kind("frame")[-1]["again"]
        assert run_here("region", str(folder), "--remove", "subject=0,0,.50,.5").returncode == 0, "written otherwise"
        service.until(lambda: area(service) == found)
        assert run_here("region", str(folder), "--remove", "subject=0,0,0.5,0.5").returncode == 1
        triangle = "subject=0.05,0.05/0.5,0.05/0.05,0.45"
        assert run_here("region", str(folder), triangle).returncode == 0, "by its corners, no quotes needed"
        service.until(lambda: abs(found - area(service) - 0.09) < 0.02)
        assert run_here("region", str(folder), "subject=.05,.05/.5,.05/.05,.45").returncode == 0, "the same once more"
        assert json.loads(run_here("region", str(folder), "--json").stdout)["regions"] == [triangle]
        assert run_here("region", str(folder)).stdout == f"{triangle}\n"
        crossed = run_here("region", str(folder), "subject=0.1,0.1/0.9,0.9/0.9,0.1/0.1,0.9")
        assert (crossed.returncode, crossed.stdout) == (2, "")
        assert "crosses" in crossed.stderr.splitlines()[-1]
        said = service.ask("region", region="ignore=0.1,0.1/0.9,0.9/0.9,0.1/0.1,1.9")
        assert not said["ok"]
        assert "outside the picture" in said["text"]
        assert not service.ask("region", region="ignore=" + "0.1,0.1/" * 1000)["ok"]
        assert run_here("region", str(folder), "--remove", triangle).returncode == 0
        service.until(lambda: area(service) == found)
        assert run_here("region", str(folder), "ignore=0.9,0,0.1,1").returncode == 0
        assert run_here("region", str(folder), "ignore=0,0/0.1,0/0,0.3").returncode == 0
        assert run("plate", str(folder), "2").returncode == 1, "there is no such frame yet"
        assert run_here("plate", str(folder), "1").returncode == 0
        (folder / "2.jpg").write_bytes(jpeg(2))
        service.until(lambda: service.files == ["1.jpg", "2.jpg"])
    with watching(folder):
        assert json.loads(run_here("region", str(folder), "--json").stdout)["regions"] == [
            "ignore=0.9,0,0.1,1",
            "ignore=0,0/0.1,0/0,0.3",
        ]
        assert json.loads(run_here("plate", str(folder), "--json").stdout)["plate"] == 1
    assert run_here("plate", str(folder), "--remove").returncode == 0, "no service is needed"
    assert json.loads(run_here("plate", str(folder), "--json").stdout)["plate"] is None
    assert run_here("region", str(folder), "ignore=0.9,0,2,1").returncode == 2


def test_spots_are_named_aimed_at_and_kept(folder: Path) -> None:
    (folder / "1.jpg").write_bytes(jpeg(1))
    with watching(folder) as service:
        service.until(lambda: service.files == ["1.jpg"])
        done = run("spot", str(folder), "lip=0.5,0.4@VI")
        assert done.returncode == 0, done.stderr
        service.until(lambda: any(e["verdict"]["spots"] for e in service.of_kind("frame")))
        spot = service.of_kind("frame")[-1]["verdict"]["spots"][0]
        assert (spot["name"], spot["want_stops"]) == ("lip", 1)
        assert service.ask("aim", aim="spot:lip")["ok"]
        assert not service.ask("aim", aim="spot:nose")["ok"]
        service.until(lambda: "lip" in service.of_kind("frame")[-1]["verdict"]["next"]["why"])
        assert run_here("spot", str(folder), "--remove", "nose").returncode == 1
    with watching(folder):
        done = run_here("spot", str(folder), "--json")
        assert json.loads(done.stdout)["spots"] == ["lip=0.5,0.4,0.02@1"]
        assert run_here("spot", str(folder), "--remove", "lip").returncode == 0
        assert json.loads(run_here("spot", str(folder), "--json").stdout)["spots"] == []
    assert run_here("spot", str(folder), "handle=0.7,0.5@-1").returncode == 0, "no service is needed"
    assert run_here("spot", str(folder), "--remove", "lip").returncode == 1
    with watching(folder) as service:
        service.until(lambda: service.files == ["1.jpg"])
        assert service.ask("spot")["spots"] == ["handle=0.7,0.5,0.02@-1"]
    assert run_here("spot", str(folder / "none"), "lip=0.5,0.4").returncode == 1
    assert run_here("spot", str(folder), "lip=5,0.4").returncode == 2


def test_a_place_is_read_as_the_spot_named_there_would_be_and_nothing_is_kept(folder: Path) -> None:
    (folder / "1.jpg").write_bytes(jpeg(1))
    with watching(folder) as service:
        service.until(lambda: service.files == ["1.jpg"])
        told = service.ask("place", frame=1, x=0.5, y=0.4)
        assert told["ok"]
        assert service.ask("spot")["spots"] == []
        assert service.ask("spot", spot="lip=0.5,0.4")["ok"]
        service.until(lambda: any(e["verdict"]["spots"] for e in service.of_kind("frame")))
        spot = service.of_kind("frame")[-1]["verdict"]["spots"][0]
        assert {key: told[key] for key in ("stops", "zone", "bound")} == {
            key: spot[key] for key in ("stops", "zone", "bound")
        }
        assert f"zone {spot['zone']}" in told["text"]
        assert service.ask("place", frame=1, x=0.05, y=0.05)["stops"] != told["stops"]
        for wrong in ({"frame": 7, "x": 0.5, "y": 0.5}, {"x": 0.5, "y": 0.5}):
            assert not service.ask("place", **wrong)["ok"]
        for x in (None, "0.5", 1.5, -1, True, [0.5]):
            said = service.ask("place", frame=1, x=x, y=0.5)
            assert not said["ok"]
            assert "shares" in said["text"]
        for corner in (0, 1):
            assert service.ask("place", frame=1, x=corner, y=1 - corner)["ok"]


@pytest.mark.slow
def test_where_a_camera_is_full_is_learned_at_once_and_kept_for_the_next_shoot(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A dark frame is judged again once a brighter one shows its pile; next time one frame knows it from the start."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))

    def saturation(service: Watching, file: str) -> dict[str, object]:
        said = [service.frames, [event["verdict"] for event in service.of_kind("frame")]]
        return [one["saturation"] for each in said for one in each if one["file"] == file][-1]

    with watching(folder) as service:
        (folder / "1.dng").write_bytes(overtagged_dng(22.0))
        service.until(lambda: service.files == ["1.dng"])
        assert saturation(service, "1.dng")["from"] == "tag"
        assert "White is where the file says" in run("status", str(folder)).stdout
        (folder / "2.dng").write_bytes(overtagged_dng(8.0, 2))
        service.until(lambda: saturation(service, "1.dng")["from"] == "setup")
        assert saturation(service, "1.dng")["of_tag"] == pytest.approx(1 / 1.08, abs=0.001)
        for number, f_number in ((3, 5.6), (4, 11.0)):
            (folder / f"{number}.dng").write_bytes(overtagged_dng(f_number, number))
        service.until(lambda: len(service.files) == 4)
    kept = json.loads((tmp_path / "data" / "lampblack" / "saturations.json").read_text())
    assert [len(one["seen"]) for one in kept["bodies"]] == [3]
    with watching(folder) as service:
        service.until(lambda: service.status()["service"]["state"] == "watching")
    again = json.loads((tmp_path / "data" / "lampblack" / "saturations.json").read_text())
    assert again == kept, "frames read again by a service started anew have no second voice"
    other = tmp_path / "next week"
    other.mkdir()
    (other / "1.dng").write_bytes(overtagged_dng(22.0, 9))
    with watching(other) as service:
        service.until(lambda: service.files == ["1.dng"])
        said = saturation(service, "1.dng")
        assert (said["from"], said["frames"], said["contradicted"]) == ("kept", 3, False)
        assert "White is where this camera's frames were full (3 seen)." in run("status", str(other)).stdout
    done = run("again", str(folder), "--json")
    assert done.returncode == 0, done.stderr
    said = {
        one["file"]: one["saturation"]["from"] for one in map(json.loads, done.stdout.splitlines()) if "file" in one
    }
    assert said == {"1.dng": "kept", "2.dng": "data", "3.dng": "data", "4.dng": "data"}
