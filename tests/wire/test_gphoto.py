"""The camera as the unmodified libgphoto2 of the wheel sees it: the foreign peer."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from caller import content, sized, take
from gphoto import BAD_PARAMETERS, BUSY, FAILED, IO, NOT_SUPPORTED, Gphoto, GphotoError

from lampblack.mock_camera.body import F_NUMBERS, SHUTTERS, Body, Settings
from lampblack.mock_camera.server import Server, Take

FOLDER = "/store_00010001/DCIM/100GLAZE"
LOST = (FAILED, IO)
"""How libgphoto2 reports a connection that went away, before and after it noticed."""


@pytest.fixture
def lg(tmp_path: Path) -> Iterator[Gphoto]:
    with Gphoto(tmp_path / "home") as it:
        yield it


@contextlib.contextmanager
def camera(make: Take = take, event_port: int | None = None, **how: object) -> Iterator[Server]:
    with Server(Body(**how), make, event_port=event_port) as server:  # type: ignore[arg-type]
        yield server


def test_what_the_lens_sees_comes_without_a_shot_and_follows_the_dials(lg: Gphoto) -> None:
    def view(settings: Settings) -> bytes:
        return b"\xff\xd8" + f"f/{settings.f_number:g}".encode() + b"\xff\xd9"

    with Server(Body(), take, view=view) as server:
        lg.call("connect", address=server.address)
        for f_number in ("f/8", "f/5.6"):
            lg.call("set", name="f-number", value=f_number)
            while seen_by(lg) != f_number:
                time.sleep(0.02)
        assert server.do(lambda body: (body.showing, len(body.card.items))) == (True, 2)  # its two folders
        lg.call("set", name="5021", value="0")
        assert not server.do(lambda body: body.showing)
        assert lg.shoot() == [f"{FOLDER}/KILN0001.JPG"]
    with connected(lg):
        assert refused(lg, "view") == NOT_SUPPORTED


def seen_by(lg: Gphoto) -> str | None:
    """Return what libgphoto2 sees; None while the camera has none yet."""
    try:
        return bytes.fromhex(lg.call("view"))[2:-2].decode()
    except GphotoError as error:
        if error.code != BUSY:
            raise
        return None


@contextlib.contextmanager
def connected(lg: Gphoto, make: Take = take, **how: object) -> Iterator[Server]:
    with camera(make, **how) as server:
        lg.call("connect", address=server.address)
        yield server


def refused(lg: Gphoto, name: str, /, **how: object) -> int:
    with pytest.raises(GphotoError) as caught:
        lg.call(name, **how)
    return caught.value.code


# ------------------------------------------------------------------------------------- opening, dials


def test_it_opens_as_a_ptp_ip_camera(lg: Gphoto) -> None:
    with connected(lg) as server:
        assert server.address == f"ptpip:127.0.0.1:{server.port}:{server.port}"
        assert lg.call("model") == "PTP/IP Camera"
        lg.call("exit")


def test_the_event_connection_may_have_a_port_of_its_own(lg: Gphoto) -> None:
    with connected(lg, event_port=0) as server:
        assert server.port != server.event_port
        assert lg.shoot() == [f"{FOLDER}/KILN0001.JPG"]


def test_a_foreign_peer_knows_our_codes_by_their_published_names(lg: Gphoto) -> None:
    """ISO 15740 codes under the names that libgphoto2's own tables give them."""
    with connected(lg):
        summary = lg.call("summary")
    for line in (
        *("Battery Level             (5001 ro u8", "Compression Setting       (5004 rw u8"),
        *("White Balance             (5005 rw u16", "F-Number                  (5007 rw u16"),
        *("Exposure Time             (500d rw u32", "Exposure Program Mode     (500e rw u16"),
        *("Exposure Index (film speed ISO) (500f rw u16", "Date & Time               (5011 rw str"),
        *("Capture Formats: JPEG DNG", "Removable RAM (memory card)", "Digital Camera Layout (DCIM)"),
        *("Generic Image Capture", "No File Deletion, No File Upload", "Access Capability: Read-Only"),
    ):
        assert line in summary


def test_dials_list_the_marks(lg: Gphoto) -> None:
    with connected(lg):
        dials = lg.call("dials")
    assert dials["f-number"]["value"] == "f/8"
    assert dials["f-number"]["choices"] == [f"f/{n:g}" for n in F_NUMBERS]
    assert dials["shutterspeed"]["value"] == "0.0166s"
    assert len(dials["shutterspeed"]["choices"]) == len(set(dials["shutterspeed"]["choices"])) == len(SHUTTERS)
    assert dials["iso"]["value"] == "200"
    assert dials["whitebalance"]["choices"] == ["Manual", "Automatic", "Daylight", "Fluorescent", "Tungsten"]
    assert dials["batterylevel"]["value"] == "100%"
    assert dials["expprogram"]["choices"] == ["M", "P"]
    assert dials["d101"]["choices"] == ["JPEG", "DNG", "DNG+JPEG"]
    assert dials["serialnumber"]["value"] == "KILN-0001"


@pytest.mark.parametrize("name", ["f-number", "shutterspeed", "iso", "whitebalance", "imagequality", "d101"])
def test_every_choice_of_a_dial_can_be_set_and_reads_back(lg: Gphoto, name: str) -> None:
    with connected(lg):
        for choice in lg.call("get", name=name)["choices"]:
            assert lg.call("set", name=name, value=choice) == choice


def test_what_libgphoto2_sets_is_what_the_frame_is_taken_with(lg: Gphoto) -> None:
    seen = []

    def make(settings, number):
        seen.append(settings)
        return take(settings, number)

    with connected(lg, make):
        for name, value in (
            *(("f-number", "f/5.6"), ("shutterspeed", "0.5000s"), ("iso", "125")),
            *(("whitebalance", "Manual"), ("d101", "DNG+JPEG")),
        ):
            lg.call("set", name=name, value=value)
        lg.shoot(files=2)
    (settings,) = seen
    assert (settings.f_number, settings.shutter, settings.shutter_s, settings.iso) == (5.6, "0.5", 0.5, 125)
    assert (settings.white_balance, settings.formats) == ("custom", ("dng", "jpeg"))


def test_a_dial_turned_on_the_body_is_told_and_read_anew(lg: Gphoto) -> None:
    with connected(lg) as server:
        lg.call("get", name="f-number")
        server.do(lambda body: body.dial("f_number", 2.8))
        ((_, text),) = lg.call("events", until="unknown")
        assert "5007" in text
        assert lg.call("get", name="f-number")["value"] == "f/2.8"


def test_in_the_wrong_mode_the_aperture_is_read_only(lg: Gphoto) -> None:
    with connected(lg) as server:
        server.do(lambda body: body.dial("mode", "A"))
        lg.call("events", until="unknown", count=3)
        assert lg.call("get", name="f-number")["read_only"]
        assert refused(lg, "set", name="f-number", value="f/4") == BAD_PARAMETERS
        server.do(lambda body: body.dial("mode", "M"))
        lg.call("events", until="unknown", count=3)
        assert lg.call("set", name="f-number", value="f/4") == "f/4"


# ---------------------------------------------------------------------------------------------- frames


@pytest.mark.parametrize("formats", [("jpeg",), ("dng",), ("dng", "jpeg")])
def test_a_capture_delivers_its_files_unharmed(lg: Gphoto, formats: tuple[str, ...]) -> None:
    with connected(lg, sized(3_000_001), formats=formats):
        paths = lg.shoot(len(formats))
        assert [path.rpartition(".")[2] for path in paths] == [{"jpeg": "JPG", "dng": "DNG"}[f] for f in formats]
        for path, kind in zip(paths, formats, strict=True):
            assert lg.download(path) == content(1, kind, 3_000_001)


def test_capture_in_one_call_works_too(lg: Gphoto) -> None:
    with connected(lg):
        assert lg.call("capture") == [FOLDER, "KILN0001.JPG"]
        assert lg.download(f"{FOLDER}/KILN0001.JPG") == content(1, "jpeg")


def test_thirty_captures_in_a_row(lg: Gphoto) -> None:
    with connected(lg, formats=("dng", "jpeg")):
        for number in range(1, 31):
            raw, jpeg = lg.shoot(files=2)
            assert (lg.download(raw), lg.download(jpeg)) == (content(number, "dng"), content(number, "jpeg"))
        assert len(lg.call("files")) == 60


def test_thirty_megabytes_arrive_whole(lg: Gphoto) -> None:
    size = 30 << 20
    with connected(lg, sized(size)):
        (path,) = lg.shoot()
        assert lg.download(path) == content(1, "jpeg", size)


def test_the_cameras_own_button_delivers_too(lg: Gphoto) -> None:
    with connected(lg) as server:
        server.do(lambda body: body.press())
        assert lg.call("events", until="file") == [["file", FOLDER, "KILN0001.JPG"]]
        assert lg.download(f"{FOLDER}/KILN0001.JPG") == content(1, "jpeg")


def test_a_new_folder_is_told_of_before_its_first_file(lg: Gphoto) -> None:
    with connected(lg, frames_per_folder=1):
        lg.shoot()
        lg.call("trigger")
        heard = [event[0] for event in lg.call("events", until="complete")]
        assert heard == ["folder", "file", "complete"]
        assert lg.call("files") == [f"{FOLDER}/KILN0001.JPG", "/store_00010001/DCIM/101GLAZE/KILN0002.JPG"]


def test_a_one_second_exposure_does_not_keep_the_camera_from_answering(lg: Gphoto) -> None:
    with connected(lg):
        lg.call("set", name="shutterspeed", value="1.0000s")
        lg.call("events", until="unknown")
        lg.call("trigger")
        assert lg.call("get", name="iso")["value"] == "200"
        assert refused(lg, "trigger") == BUSY
        assert [event[0] for event in lg.call("events", until="complete")] == ["file", "complete"]


def test_frames_stay_on_the_card_across_reconnects(lg: Gphoto, tmp_path: Path) -> None:
    with connected(lg) as server:
        (path,) = lg.shoot()
        lg.call("exit")
        server.do(lambda body: body.press())  # nobody is connected
        lg.call("connect", address=server.address)
        assert lg.call("files") == [path, f"{FOLDER}/KILN0002.JPG"]
        assert lg.download(path) == content(1, "jpeg")
        lg.call("exit")
        with Gphoto(tmp_path / "another") as other:
            other.call("connect", address=server.address)
            assert other.download(f"{FOLDER}/KILN0002.JPG") == content(2, "jpeg")
            other.call("exit")


def test_a_second_caller_is_refused_and_the_first_goes_on(lg: Gphoto, tmp_path: Path) -> None:
    with connected(lg) as server, Gphoto(tmp_path / "second") as second:
        assert refused(second, "connect", address=server.address) == FAILED
        lg.shoot()
        lg.call("exit")
        second.call("connect", address=server.address)


def test_free_space_is_told(lg: Gphoto) -> None:
    with connected(lg) as server:
        lg.shoot()
        server.do(lambda body: setattr(body.card, "frames_left", 12))
        capacity, free, images = lg.call("storage")
        assert (capacity, images) == (8 << 20, 12)
        assert free == 12 * 1000 // 1024


# --------------------------------------------------------------------------------------------- trouble


def test_a_camera_that_falls_asleep_is_lost_and_comes_back_when_woken(lg: Gphoto) -> None:
    with connected(lg) as server:
        (path,) = lg.shoot()
        server.do(lambda body: body.sleep())
        assert refused(lg, "events", until="file") in LOST
        lg.call("forget")
        assert refused(lg, "connect", address=server.address) == IO
        server.do(lambda body: body.wake())
        lg.call("connect", address=server.address)
        assert lg.download(path) == content(1, "jpeg")


def test_waiting_for_events_keeps_no_camera_awake(lg: Gphoto) -> None:
    """wait_for_event sends nothing over PTP/IP: a service that only waits finds the camera asleep."""
    with connected(lg) as server:
        server.do(lambda body: setattr(body, "sleep_after_s", 0.3))
        assert refused(lg, "events", until="file") in LOST


@pytest.mark.parametrize("after", [0, 100_000, 2_500_000])
def test_a_line_cut_in_mid_transfer_costs_no_frame(lg: Gphoto, after: int) -> None:
    with connected(lg, sized(3_000_000)) as server:
        (path,) = lg.shoot()
        server.do(lambda body: body.trouble.cut(after))
        with pytest.raises(GphotoError) as caught:
            lg.download(path)
        assert caught.value.code in LOST
        lg.call("forget")
        lg.call("connect", address=server.address)
        assert lg.download(path) == content(1, "jpeg", 3_000_000)


def test_busy_is_reported_as_busy_and_passes(lg: Gphoto) -> None:
    with connected(lg) as server:

        def busy(seconds: float) -> None:
            server.do(lambda body: setattr(body.trouble, "busy_s", seconds))

        busy(1000)
        assert refused(lg, "trigger") == BUSY
        busy(0)
        lg.shoot()


def test_a_full_card_refuses_to_shoot_and_keeps_its_frames(lg: Gphoto) -> None:
    with connected(lg) as server:
        (path,) = lg.shoot()
        server.do(lambda body: setattr(body.card, "frames_left", 0))
        assert refused(lg, "trigger") == FAILED
        assert lg.download(path) == content(1, "jpeg")
        server.do(lambda body: setattr(body.card, "frames_left", None))
        lg.shoot()


def test_a_low_battery_is_told_and_the_shutter_stays_locked(lg: Gphoto) -> None:
    with connected(lg) as server:
        server.do(lambda body: body.charge(2))
        lg.call("events", until="unknown")
        assert lg.call("get", name="batterylevel")["value"] == "2%"
        assert refused(lg, "trigger") == BUSY


def test_a_slow_line_delivers_late_but_whole(lg: Gphoto) -> None:
    with connected(lg, sized(300_000)) as server:
        (path,) = lg.shoot()
        server.do(lambda body: body.trouble.slow(400_000))
        assert lg.download(path) == content(1, "jpeg", 300_000)


def test_a_frozen_line_ends_in_a_timeout_and_the_frame_is_still_there(lg: Gphoto) -> None:
    with connected(lg, sized(300_000)) as server:
        (path,) = lg.shoot()
        server.do(lambda body: body.trouble.slow(0))
        with pytest.raises(GphotoError):
            lg.download(path)
        lg.call("forget")
        server.do(lambda body: body.trouble.slow(None))
        lg.call("connect", address=server.address)
        assert lg.download(path) == content(1, "jpeg", 300_000)
