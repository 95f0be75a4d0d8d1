"""
The tether against the mock camera, through unmodified libgphoto2 over PTP/IP: a good day, then every bad one.

Frames here are small made-up files, each with bytes of its own, so that a swapped, torn or doubled one shows.
"""

import io
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from tethering import JPEG, RAW_AND_JPEG, Camera, Desk, camera, frame_bytes, tethered

from lampblack.daemon import tether
from lampblack.mock_camera.body import Card


@pytest.fixture(autouse=True)
def short_pauses(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tether, "BACK_OFF_S", (0.05, 0.1, 0.2, 0.4, 0.8))


@pytest.fixture
def shoot(tmp_path: Path) -> Path:
    folder = tmp_path / "shoot"
    folder.mkdir()
    return folder


@pytest.fixture
def mock() -> Iterator[Camera]:
    with camera() as mock:
        yield mock


@pytest.fixture
def desk(mock: Camera, shoot: Path) -> Iterator[Desk]:
    with tethered(mock.address, shoot) as desk:
        desk.until_state("ready")
        yield desk


def everything_landed(desk: Desk, mock: Camera, count: int) -> None:
    """All that was shot is in the folder, whole, and nothing else."""
    desk.until_fetched(count)
    assert len(desk.fetched) == count
    assert desk.files() == mock.on_card()


# ---- a good day


def test_the_body_shows_as_numbers(desk: Desk) -> None:
    camera = desk.camera
    assert camera["f_numbers"] == [
        *(2.8, 3.2, 3.5, 4, 4.5, 5, 5.6, 6.3, 7.1, 8, 9, 10, 11, 13, 14, 16, 18, 20, 22),
    ]
    assert camera["f_number"] == 8
    assert camera["shutter"] == "1/250"
    assert camera["shutter_s"] == pytest.approx(1 / 250, rel=0.03)
    assert (camera["iso"], camera["battery"]) == (100, 100)
    assert camera["model"]
    assert camera["serial"]
    assert camera["address"].startswith("ptpip:127.0.0.1:")


def test_a_set_aperture_is_what_the_next_frame_is_taken_with(desk: Desk, mock: Camera) -> None:
    assert desk.ask(do="aperture", f_number=5.6) == (True, "Aperture f/5.6.")
    assert mock.do(lambda body: body.f_number) == 5.6
    assert desk.camera["f_number"] == 5.6
    ok, text = desk.ask(do="fire")
    assert ok, text
    everything_landed(desk, mock, 1)
    assert desk.camera["state"] == "ready"


def test_both_files_of_a_shot_land_under_one_stem(shoot: Path) -> None:
    with camera(formats=RAW_AND_JPEG) as mock, tethered(mock.address, shoot) as desk:
        desk.until_state("ready")
        assert desk.ask(do="fire") == (True, "Fired: 2 files.")
        everything_landed(desk, mock, 2)
        assert len({name.partition(".")[0] for name in desk.fetched}) == 1


def test_frames_by_the_cameras_own_button_land_too(desk: Desk, mock: Camera) -> None:
    for count in range(1, 4):
        mock.press()
        desk.until_fetched(count)
    everything_landed(desk, mock, 3)


def test_a_dial_turned_by_hand_shows(desk: Desk, mock: Camera) -> None:
    mock.do(lambda body: body.dial("f_number", 16.0))
    mock.do(lambda body: body.dial("iso", 400))
    desk.until(lambda: (desk.camera["f_number"], desk.camera["iso"]) == (16, 400))


def test_a_name_already_in_the_folder_is_never_written_over(mock: Camera, shoot: Path) -> None:
    (shoot / "KILN0001.JPG").write_bytes(b"from another day")
    (shoot / "kiln0002.dng").write_bytes(b"other")
    with tethered(mock.address, shoot) as desk:
        desk.until_state("ready")
        assert desk.ask(do="fire")[0]
        assert desk.ask(do="fire")[0]
        assert desk.fetched == ["KILN0001-2.JPG", "KILN0002-2.JPG"]
        assert (shoot / "KILN0001.JPG").read_bytes() == b"from another day"


def test_a_new_folder_on_the_card_makes_no_difference(shoot: Path) -> None:
    with camera(frames_per_folder=1) as mock, tethered(mock.address, shoot) as desk:
        desk.until_state("ready")
        for _ in range(3):
            assert desk.ask(do="fire")[0]
        everything_landed(desk, mock, 3)


def test_names_that_could_do_harm_are_replaced(shoot: Path) -> None:
    with camera() as mock, tethered(mock.address, shoot) as desk:
        desk.until_state("ready")
        mock.do(lambda body: setattr(body, "_shots", 0))
        evil = ["..\\..\\x.JPG", "a\x1b[2Jb.JPG", ".hidden.JPG", "-rf.JPG"]

        def plant(body: object) -> None:
            from lampblack.mock_camera.body import Added, Body

            assert isinstance(body, Body)
            folder = body.card.folder("100GLAZE", body.card.folder("DCIM", 0)[0].handle)[0]
            for name in evil:
                item = body.card.write(name, folder.handle, frame_bytes(name, 500), "2026-03-02T10:00:00.00")
                body._news.append(Added(item.handle, None))

        mock.do(plant)
        desk.until_fetched(4)
        assert sorted(desk.files()) == [f"frame-{n:04d}.JPG" for n in range(1, 5)]
        assert set(desk.files().values()) == set(mock.on_card().values())
        assert sorted(path.name for path in shoot.parent.iterdir()) == ["run", "shoot"]


# ---- what was there before


def test_what_lies_on_the_card_at_the_first_connection_is_left_alone(shoot: Path) -> None:
    with camera() as mock:
        mock.press()
        with tethered(mock.address, shoot) as desk:
            desk.until_state("ready")
            assert desk.ask(do="fire")[0]
            assert len(desk.fetched) == 1
            pid = desk.tether.child_pid or 0
            os.kill(pid, signal.SIGKILL)
            desk.until(lambda: desk.tether.child_pid not in (None, pid) and desk.camera["state"] == "ready")
            assert desk.ask(do="fire")[0]
            assert desk.fetched == ["KILN0002.JPG", "KILN0003.JPG"]


def test_half_files_of_an_earlier_crash_are_swept_away(mock: Camera, shoot: Path) -> None:
    (shoot / ".lampblack-part-123-1").write_bytes(b"half")
    with tethered(mock.address, shoot) as desk:
        desk.until_state("ready")
        assert not list(shoot.iterdir())


# ---- bad days


def test_no_camera_says_what_to_do_and_one_that_comes_is_found(shoot: Path) -> None:
    with camera() as gone:
        address = gone.address
    with tethered(address, shoot) as desk:
        assert desk.until_says("switch it on")["state"] == "searching"
        ok, text = desk.ask(do="fire")
        assert not ok
        assert text
        with camera(port=gone.server.port) as mock:
            desk.until_state("ready")
            assert desk.ask(do="fire")[0]
            everything_landed(desk, mock, 1)


def test_an_address_that_is_none_is_said_once(shoot: Path) -> None:
    with tethered("ptpip:studio.local", shoot) as desk:
        assert desk.until_says("is no address")["state"] == "searching"
    assert not desk.troubles


def test_a_camera_that_another_program_holds_says_so(desk: Desk, mock: Camera, tmp_path: Path) -> None:
    (tmp_path / "two" / "shoot").mkdir(parents=True)
    with tethered(mock.address, tmp_path / "two" / "shoot") as second:
        second.until_says("turns us away", "busy")
    assert desk.ask(do="fire")[0]


def test_no_usb_camera_says_what_to_do(shoot: Path) -> None:
    with tethered("auto", shoot) as desk:
        assert desk.until_says("plug it in")["state"] == "searching"


def test_asleep_says_so_and_what_was_shot_meanwhile_comes_on_waking(desk: Desk, mock: Camera) -> None:
    assert desk.ask(do="fire")[0]
    mock.do(lambda body: body.sleep())
    desk.until_state("asleep", "lost")
    desk.until(lambda: "half way" in desk.camera["text"])
    ok, text = desk.ask(do="fire")
    assert not ok
    assert "half way" in text
    mock.press()  # wakes it
    desk.until_state("ready")
    assert desk.ask(do="fire")[0]
    everything_landed(desk, mock, 3)


@pytest.mark.parametrize("after_bytes", [0, 30_000])
def test_a_line_that_breaks_in_mid_transfer_loses_nothing_and_doubles_nothing(
    desk: Desk, mock: Camera, after_bytes: int
) -> None:
    assert desk.ask(do="fire")[0]
    mock.do(lambda body: body.trouble.cut(after_bytes))
    desk.post({"do": "fire"})
    desk.until(lambda: desk.troubles)
    everything_landed(desk, mock, 2)
    desk.until_state("ready")
    assert desk.ask(do="fire")[0]
    everything_landed(desk, mock, 3)


def test_a_line_that_breaks_between_raw_and_jpeg_keeps_them_a_pair(shoot: Path) -> None:
    with camera(formats=RAW_AND_JPEG) as mock, tethered(mock.address, shoot) as desk:
        (shoot / "KILN0001.TIF").write_bytes(b"takes the name")
        desk.until_state("ready")
        mock.do(lambda body: body.trouble.cut(10_000, 1))
        desk.post({"do": "fire"})
        desk.until_fetched(2)
        desk.until_state("ready")
        assert sorted(desk.fetched) == ["KILN0001-2.DNG", "KILN0001-2.JPG"]


def test_a_busy_camera_is_waited_for(desk: Desk, mock: Camera) -> None:
    def busy(body: object) -> None:
        body.trouble.busy_s = 0.7  # type: ignore[attr-defined]

    mock.do(busy)
    ok, text = desk.ask(do="aperture", f_number=11)
    assert ok, text
    mock.do(busy)
    ok, text = desk.ask(do="fire")
    assert ok, text
    everything_landed(desk, mock, 1)


def test_a_full_card_is_said_plainly_and_the_next_card_works(desk: Desk, mock: Camera) -> None:
    assert desk.ask(do="fire")[0]

    def room(frames: int | None) -> None:
        mock.do(lambda body: setattr(body.card, "frames_left", frames))

    room(0)
    ok, text = desk.ask(do="fire")
    assert not ok
    assert "card is full" in text
    desk.until(lambda: "full" in desk.camera["text"])
    assert desk.camera["state"] == "ready"
    room(None)
    assert desk.ask(do="fire")[0]
    everything_landed(desk, mock, 2)
    assert "full" not in desk.camera["text"]


def test_automatic_mode_is_a_state_with_its_reason(desk: Desk, mock: Camera) -> None:
    mock.do(lambda body: body.dial("mode", "A"))
    desk.until(lambda: "mode dial" in desk.camera["text"])
    assert desk.camera["state"] == "ready"
    ok, text = desk.ask(do="aperture", f_number=4)
    assert not ok
    assert "mode dial" in text
    mock.do(lambda body: body.dial("mode", "M"))
    desk.until(lambda: "mode dial" not in desk.camera["text"])
    assert desk.ask(do="aperture", f_number=4)[0]


def test_a_low_battery_is_said_once(desk: Desk, mock: Camera) -> None:
    mock.do(lambda body: body.charge(8))
    desk.until(lambda: desk.troubles)
    assert desk.ask(do="fire")[0]
    assert desk.camera["battery"] <= 8
    assert len(desk.troubles) == 1
    assert "battery" in desk.troubles[0]


def test_a_slow_line_brings_the_frame_whole(shoot: Path) -> None:
    with camera(size=200_000) as mock, tethered(mock.address, shoot) as desk:
        desk.until_state("ready")
        mock.do(lambda body: body.trouble.slow(300_000))
        ok, text = desk.ask(do="fire")
        assert ok, text
        everything_landed(desk, mock, 1)
        assert not desk.troubles


@pytest.mark.slow
def test_a_frozen_line_is_given_up_and_the_frame_comes_later(shoot: Path) -> None:
    with camera(size=400_000) as mock, tethered(mock.address, shoot) as desk:
        desk.until_state("ready")
        mock.do(lambda body: body.trouble.slow(0))
        mock.press()
        desk.until_state("lost", "asleep")
        mock.do(lambda body: body.trouble.slow(None))
        everything_landed(desk, mock, 1)


def test_a_crash_of_the_driver_costs_only_its_process(shoot: Path) -> None:
    with camera() as mock, tethered(mock.address, shoot) as desk:
        desk.until_state("ready")
        assert desk.ask(do="fire")[0]
        pid = desk.tether.child_pid or 0
        os.kill(pid, signal.SIGSEGV)
        desk.until(lambda: any("SIGSEGV" in text for text in desk.troubles))
        mock.press()  # nobody is listening just now
        desk.until(lambda: desk.tether.child_pid not in (None, pid) and desk.camera["state"] == "ready")
        assert desk.ask(do="fire")[0]
        everything_landed(desk, mock, 3)


def test_an_order_under_way_when_the_driver_crashes_is_answered(desk: Desk, mock: Camera) -> None:
    mock.do(lambda body: body.dial("shutter", "1"))
    desk.until(lambda: desk.camera["shutter"] == "1")
    answers = desk.post({"do": "fire"})
    desk.until(lambda: mock.do(lambda body: body.at_work))
    os.kill(desk.tether.child_pid or 0, signal.SIGSEGV)
    desk.until(lambda: answers)
    assert answers == [(False, "The connection broke before the camera answered: see whether it fired.")]
    everything_landed(desk, mock, 1)


@pytest.mark.slow
def test_a_hung_driver_is_killed(desk: Desk, mock: Camera, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tether, "DEADLINES_S", dict.fromkeys(tether.DEADLINES_S, 1.5))
    assert desk.ask(do="fire")[0]  # from here on the short deadlines count
    pid = desk.tether.child_pid or 0
    os.kill(pid, signal.SIGSTOP)
    desk.until(lambda: any("no answer" in text for text in desk.troubles))
    desk.until(lambda: desk.tether.child_pid not in (None, pid) and desk.camera["state"] == "ready")
    assert desk.ask(do="fire")[0]
    everything_landed(desk, mock, 2)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    folder = tmp_path / "small"
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(folder)], capture_output=True, check=False
    )
    if mounted.returncode != 0:
        pytest.skip("mounting a small disk needs the rights of root")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def test_a_full_disk_is_one_clear_line_and_the_frame_comes_when_there_is_room(small_disk: Path) -> None:
    with camera(size=100_000) as mock, tethered(mock.address, small_disk) as desk:
        desk.until_state("ready")
        (small_disk / "filler").write_bytes(bytes(130_000))
        assert desk.ask(do="fire")[0]
        ok, text = desk.ask(do="fire")
        assert ok
        assert "disk is full" in text
        assert len(desk.troubles) == 1
        assert "disk is full" in desk.troubles[0]
        assert not list(small_disk.glob(".lampblack-part-*"))
        (small_disk / "filler").unlink()
        desk.until_fetched(2)
        assert desk.files() == mock.on_card()
        desk.until(lambda: "full" not in desk.camera["text"])
        assert len(desk.troubles) == 1


def test_a_folder_that_is_gone_is_said_and_waited_for(desk: Desk, mock: Camera, shoot: Path) -> None:
    shoot.rmdir()
    mock.press()
    desk.until(lambda: desk.troubles)
    assert "waits on the card" in desk.troubles[0]
    shoot.mkdir()
    everything_landed(desk, mock, 1)


# ---- the end


def test_a_stop_is_quick_and_frees_the_camera_for_the_next(mock: Camera, shoot: Path) -> None:
    for count in (1, 2):
        with tethered(mock.address, shoot) as desk:
            desk.until_state("ready")
            assert desk.ask(do="fire")[0]
        assert desk.camera["state"] == "none"
        assert len(desk.files()) == count
    assert desk.ask(do="fire") == (False, "The camera is not connected: its service is stopping.")


KEEPER = """
import sys, threading
from pathlib import Path
from lampblack.daemon.tether import Tether
ready = threading.Event()
def hear(event):
    if event.get("camera", {}).get("state") == "ready": ready.set()
tether = Tether(sys.argv[1], Path(sys.argv[2]), hear, home=Path(sys.argv[2]) / "run")
tether.start()
ready.wait()
print(tether.child_pid, flush=True)
"""


def test_when_the_service_is_killed_the_camera_is_let_go(mock: Camera, shoot: Path) -> None:
    keeper = subprocess.Popen([sys.executable, "-c", KEEPER, mock.address, str(shoot)], stdout=subprocess.PIPE)
    with keeper:
        assert keeper.stdout is not None
        child = Path(f"/proc/{int(keeper.stdout.readline())}")
        keeper.kill()
    with tethered(mock.address, shoot) as desk:  # it takes only one caller at a time
        desk.until_state("ready")
        desk.until(lambda: not child.exists() or "Z" in (child / "stat").read_text().split()[2])


def test_frames_left_on_the_card_at_the_end_are_counted(small_disk: Path) -> None:
    with camera(size=300_000) as mock, tethered(mock.address, small_disk) as desk:
        desk.until_state("ready")
        assert desk.ask(do="fire")[0]
    assert any("only on the camera's card: 1" in text for text in desk.troubles)


def test_a_new_card_with_old_frames_brings_only_new_ones(shoot: Path) -> None:
    """The card of another day holds frames older than the last one seen: they are left alone."""
    old = Card(io.BytesIO())
    folder = old.folder("100GLAZE", old.folder("DCIM", 0)[0].handle)[0]
    old.write("KILN0500.JPG", folder.handle, b"older", "2025-01-01T10:00:00.00")
    with camera(formats=JPEG) as mock, tethered(mock.address, shoot) as desk:
        desk.until_state("ready")
        assert desk.ask(do="fire")[0]
        mock.do(lambda body: body.sleep())
        desk.until_state("asleep", "lost")
        mock.do(lambda body: setattr(body, "card", old))
        mock.do(lambda body: body.wake())
        desk.until_state("ready")
        assert desk.ask(do="fire")[0]
        assert sorted(desk.files()) == ["KILN0001.JPG", "KILN0002.JPG"]
