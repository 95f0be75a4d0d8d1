"""The mock camera as a command: the greeting, the stage commands, and how it ends."""

from __future__ import annotations

import contextlib
import io
import json
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
from caller import SocketCaller
from gphoto import BUSY, FAILED, Gphoto, GphotoError
from PIL import ExifTags, Image

from lampblack.mock_camera import codec
from lampblack.mock_camera.codec import InitCommandAck, Operation

COMMAND = [sys.executable, str(Path(__file__).with_name("stage_child.py"))]
PATIENCE_S = 60
STAGE_COMMANDS = {
    *("arrange", "lamp", "meter", "press", "sleep", "wake", "busy", "drop", "files", "slow", "card", "battery", "mode"),
    *("balance", "help", "quit"),
}


class Stage:
    """A running mock camera, and what a person says to it."""

    def __init__(self, *options: str, command: Sequence[str] = COMMAND) -> None:
        self.process = subprocess.Popen(
            [*command, "--port", "0", *options],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        greeting = self._line()
        assert greeting.startswith("camera ready at ptpip:127.0.0.1:")
        self.address = greeting.removeprefix("camera ready at ").strip()
        self.port = int(self.address.split(":")[2])

    def _line(self) -> str:
        assert self.process.stdout is not None
        return self.process.stdout.readline()

    def say(self, line: str) -> dict[str, Any]:
        assert self.process.stdin is not None
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()
        answer = json.loads(self._line())
        assert isinstance(answer["ok"], bool)
        return answer

    def ended(self) -> tuple[int, str]:
        """Wait for the end; returns the exit status and what went to standard error."""
        status = self.process.wait(PATIENCE_S)
        assert self.process.stderr is not None
        return status, self.process.stderr.read()

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        for stream in (self.process.stdin, self.process.stdout, self.process.stderr):
            with contextlib.suppress(BrokenPipeError):
                stream.close()


@contextlib.contextmanager
def stage(*options: str, command: Sequence[str] = COMMAND) -> Iterator[Stage]:
    it = Stage(*options, command=command)
    try:
        yield it
    finally:
        it.close()


@pytest.fixture
def lg(tmp_path: Path) -> Iterator[Gphoto]:
    with Gphoto(tmp_path / "home") as it:
        yield it


def test_it_greets_with_an_address_that_libgphoto2_opens(lg: Gphoto) -> None:
    with stage() as it:
        lg.call("connect", address=it.address)
        assert it.say("quit") == {"ok": True}
        assert it.ended() == (0, "")


def test_the_camera_that_ships_photographs_its_own_studio(lg: Gphoto, tmp_path: Path) -> None:
    """What libgphoto2 dials in is what another reader (Pillow) finds in the Exif of what it downloads."""
    truth = tmp_path / "truth.jsonl"
    command = [sys.executable, "-m", "lampblack.mock_camera"]
    with stage("--raw", "--megapixels", "0.5", "--truth", str(truth), command=command) as it:
        lg.call("connect", address=it.address)
        for name, value in (("f-number", "f/11"), ("shutterspeed", "0.0080s"), ("iso", "400")):
            lg.call("set", name=name, value=value)
        raw, jpeg = lg.shoot(files=2)
        assert lg.download(raw)[:4] == b"II*\0"  # a DNG is a TIFF
        with Image.open(io.BytesIO(lg.download(jpeg))) as picture:
            exif = picture.getexif().get_ifd(ExifTags.IFD.Exif)
        assert exif[ExifTags.Base.FNumber] == 11
        assert exif[ExifTags.Base.ExposureTime] == pytest.approx(1 / 125)
        assert exif[ExifTags.Base.ISOSpeedRatings] == 400
        assert it.say("meter")["readings"]
        assert it.say("quit") == {"ok": True}
        assert it.ended() == (0, "")
    (line,) = truth.read_text().splitlines()
    assert json.loads(line)["file"] == [Path(raw).name, Path(jpeg).name]


def test_two_ports_are_both_told() -> None:
    with stage("--event-port", "0") as it:
        *_, command, event = it.address.split(":")
        assert command != event
        with SocketCaller(int(command), int(event)) as caller:
            assert isinstance(caller.begin(), InitCommandAck)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_it_cleanly(number: signal.Signals) -> None:
    with stage() as it:
        it.process.send_signal(number)
        assert it.ended() == (0, "")


def test_a_signal_at_any_moment_of_beginning_or_ending_leaves_nothing_hanging() -> None:
    """Together with `quit` it once left a thread waiting for ever, one time in twenty."""
    for turn in range(20):
        with stage() as it:
            if turn % 2:
                it.process.stdin.write("press\nquit\n")
                it.process.stdin.flush()
            it.process.send_signal((signal.SIGTERM, signal.SIGINT)[turn // 2 % 2])
            it.process.terminate()
            assert it.ended() == (0, "")


def test_without_anybody_at_standard_input_it_goes_on_until_told(lg: Gphoto) -> None:
    with stage() as it:
        it.process.stdin.close()
        lg.call("connect", address=it.address)
        lg.shoot()
        assert it.process.poll() is None
        it.process.terminate()
        assert it.ended() == (0, "")


def test_light_is_changed_between_frames_and_the_truth_is_written_down(lg: Gphoto, tmp_path: Path) -> None:
    truth = tmp_path / "truth.jsonl"
    with stage("--raw", "--seed", "5", "--megapixels", "2.5", "--truth", str(truth)) as it:
        lg.call("connect", address=it.address)
        first = lg.shoot(files=2)
        assert it.say("lamp key -1.5") == {"ok": True, "lamp": "key", "stops": -1.5}
        assert it.say("lamp rim off") == {"ok": True, "lamp": "rim", "stops": None}
        second = lg.shoot(files=2)
        assert lg.download(first[1]) == b"jpeg 1 {'key': 0.0, 'rim': 0.0}"
        assert lg.download(second[0]) == b"dng 2 {'key': -1.5, 'rim': None}"
    one, two = (json.loads(line) for line in truth.read_text().splitlines())
    assert one["file"] == ["KILN0001.DNG", "KILN0001.JPG"]
    assert one["settings"]["f_number"] == 8.0
    assert one["settings"]["shutter_s"] == 1 / 64
    assert two["truth"] == {"light": {"key": -1.5, "rim": None}, "seed": 5, "megapixels": 2.5}


def test_the_truth_is_written_before_the_file_is_told_of(lg: Gphoto, tmp_path: Path) -> None:
    truth = tmp_path / "truth.jsonl"
    with stage("--truth", str(truth)) as it:
        lg.call("connect", address=it.address)
        for count in range(1, 6):
            lg.call("trigger")
            lg.call("events", until="file")
            assert len(truth.read_text().splitlines()) == count
            lg.call("events", until="complete")


def test_meter_press_and_help_answer() -> None:
    with stage() as it:
        assert it.say("meter") == {"ok": True, "readings": {"iso": 200, "shutter_s": 1 / 64}}
        assert it.say("press") == {"ok": True, "frame": 1}
        assert it.say("arrange table") == {"ok": True, "arrangement": "table"}
        answer = it.say("help")
        assert answer["arrangements"] == ["table", "shelf"]
        words = {line.split()[0] for line in answer["commands"]}
        assert words == STAGE_COMMANDS


@pytest.mark.parametrize(
    "line",
    [
        *("fly", "arrange", "arrange nowhere", "lamp", "lamp key", "lamp key bright", "lamp key 1e9", "lamp key nan"),
        *(
            "busy",
            "busy -1",
            "busy inf",
            "drop 1.5",
            "drop x",
            "slow -3",
            "card -1",
            "battery 101",
            "mode P",
            "\x1b[2J",
        ),
    ],
)
def test_what_cannot_be_done_is_said_and_the_camera_goes_on(line: str) -> None:
    with stage() as it:
        answer = it.say(line)
        assert answer.keys() == {"ok", "error"}
        assert not answer["ok"]
        assert it.say("press")["ok"]


def test_sleep_and_wake_by_hand() -> None:
    with stage() as it:
        assert it.say("sleep")["ok"]
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection(("127.0.0.1", it.port), 20)
        assert it.say("wake")["ok"]
        with SocketCaller(it.port) as caller:
            assert isinstance(caller.begin(), InitCommandAck)


def test_the_button_wakes_a_sleeping_camera_and_its_frame_waits_on_the_card(lg: Gphoto) -> None:
    with stage() as it:
        it.say("sleep")
        assert it.say("press")["ok"]
        lg.call("connect", address=it.address)
        while not (files := lg.call("files")):
            lg.call("exit")  # its list of files is made once
            lg.call("connect", address=it.address)
        assert files == ["/store_00010001/DCIM/100GLAZE/KILN0001.JPG"]


def test_trouble_is_played_as_told(lg: Gphoto) -> None:
    with stage() as it:
        lg.call("connect", address=it.address)
        (path,) = lg.shoot()
        assert it.say("busy 1000") == {"ok": True, "busy_s": 1000}
        with pytest.raises(GphotoError) as caught:
            lg.call("trigger")
        assert caught.value.code == BUSY
        it.say("busy 0")
        assert it.say("card 0") == {"ok": True, "frames_left": 0}
        with pytest.raises(GphotoError) as caught:
            lg.call("trigger")
        assert caught.value.code == FAILED
        assert it.say("press") == {"ok": False, "error": "the card is full"}
        assert it.say("card off")["ok"]
        assert it.say("battery 40")["ok"]
        assert lg.call("get", name="batterylevel")["value"] == "40%"
        assert it.say("mode A")["ok"]
        assert lg.call("get", name="f-number")["read_only"]
        it.say("mode M")
        assert it.say("slow 100000")["ok"]
        assert it.say("slow off")["ok"]
        assert it.say("drop 5") == {"ok": True, "after_bytes": 5, "skip_objects": 0}
        with pytest.raises(GphotoError):
            lg.download(path)
        lg.call("forget")
        lg.call("connect", address=it.address)
        assert lg.download(path).startswith(b"jpeg 1")


def test_it_falls_asleep_by_itself() -> None:
    with stage("--sleep-after", "0.3") as it, pytest.raises(ConnectionRefusedError):
        knock_for_ever(it.port)


def knock_for_ever(port: int) -> None:
    """Connect and let go again; that alone is no use of the camera."""
    while True:
        socket.create_connection(("127.0.0.1", port), 20).close()


def test_a_slow_line_from_the_start() -> None:
    with stage("--bytes-per-second", "2000") as it, SocketCaller(it.port) as caller:
        caller.begin()
        assert caller.ask(Operation.GET_DEVICE_INFO, 1).code == codec.Answer.OK


def test_when_the_studio_fails_the_command_ends_and_says_why() -> None:
    """Though it may be waiting for a line: a camera that makes no frames must not pass for a quiet one."""
    with stage() as it:
        it.say("arrange shelf")
        it.say("press")
        status, text = it.ended()
        assert status == 1
        assert "the shelf broke" in text


@pytest.mark.parametrize(
    "options",
    [
        *(
            ["--port", "70000"],
            ["--port", "x"],
            ["--megapixels", "0"],
            ["--megapixels", "nan"],
            ["--sleep-after", "-1"],
        ),
        *(["--bytes-per-second", "0"], ["--unknown"], ["--seed", "1.5"]),
    ],
)
def test_wrong_usage_is_status_2(options: list[str]) -> None:
    done = subprocess.run([*COMMAND, *options], capture_output=True, text=True, check=False, timeout=PATIENCE_S)
    assert (done.returncode, done.stdout) == (2, "")
    assert "Traceback" not in done.stderr


def test_a_taken_port_and_a_truth_that_cannot_be_written_are_one_line_each(tmp_path: Path) -> None:
    with stage() as it:
        for options in (["--port", str(it.port)], ["--port", "0", "--truth", str(tmp_path / "no" / "where")]):
            done = subprocess.run([*COMMAND, *options], capture_output=True, text=True, check=False, timeout=PATIENCE_S)
            assert (done.returncode, done.stdout) == (1, "")
            assert len(done.stderr.splitlines()) == 1
