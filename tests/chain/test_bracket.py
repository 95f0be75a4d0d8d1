"""Runs with the real service, the real libgphoto2 and the mock camera: they end rightly and put the camera back."""

from __future__ import annotations

import contextlib
import json
import random
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from watching import Watching, run, watching


class Mock:
    """The mock camera in a process of its own, with its stage commands."""

    def __init__(self, seed: int = 1) -> None:
        command = [
            sys.executable,
            "-m",
            "lampblack.mock_camera",
            "--port",
            "0",
            "--megapixels",
            "1",
            "--seed",
            str(seed),
        ]
        self.process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        assert self.process.stdout is not None
        greeting = self.process.stdout.readline()
        self.address = greeting[greeting.index("ptpip:") :].split()[0]

    def do(self, line: str) -> Any:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()
        return json.loads(self.process.stdout.readline())

    def close(self) -> None:
        self.process.kill()
        self.process.communicate()


@contextlib.contextmanager
def tethered(folder: Path, seed: int = 1) -> Iterator[tuple[Mock, Watching]]:
    mock = Mock(seed)
    try:
        with watching(folder, "--camera", mock.address) as service:
            service.until(lambda: camera(service)["state"] == "ready")
            yield mock, service
    finally:
        mock.close()


def camera(service: Watching) -> Any:
    told = service.of_kind("camera")
    return told[-1]["camera"] if told else {"state": None}


def bracket(folder: Path, *words: str) -> tuple[int, list[Any]]:
    done = run("bracket", str(folder), "--json", *words)
    return done.returncode, [json.loads(line) for line in done.stdout.splitlines()]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    place = tmp_path / "bowls"
    place.mkdir()
    return place


def test_a_run_shoots_until_the_aim_is_met_and_puts_the_camera_back(folder: Path) -> None:
    with tethered(folder) as (_, service):
        before = {key: camera(service)[key] for key in ("f_number", "shutter_s")}
        status, told = bracket(folder, "--aim", "hold-highlights")
        assert status == 0, told
        assert told[0]["left"], "the plan comes first"
        assert (told[-1]["state"], told[-1]["end"]) == ("ended", "met")
        service.until(lambda: len(service.files) == len(told[-1]["taken"]))
        assert service.frames[-1]["next"]["move"] == "keep"
        service.until(lambda: {key: camera(service)[key] for key in before} == before)
        status, told = bracket(folder, "--at", "f/16,f/8")
        assert status == 0, told
        assert [one["f_number"] for one in told[-1]["taken"]] == [16, 8]
        status, told = bracket(folder, "--frames", "3", "--thirds", "3", "--hold-aperture")
        assert status == 0, told
        assert len({one["shutter_s"] for one in told[-1]["taken"]}) == 3
        service.until(lambda: {key: camera(service)[key] for key in before} == before)
        assert run("reading", str(folder), "key=16", "fill=5.6").returncode == 0
        status, told = bracket(folder, "--at", "readings")
        assert [one["f_number"] for one in told[-1]["taken"]] == [16, 5.6]
        assert bracket(folder, "--at", "f/1.1")[0] == 1
        assert bracket(folder, "--halt")[0] == 1, "no run is on"
        service.until(lambda: len(service.files) == len(list(folder.glob("*.JPG"))))
        assert len(set(service.files)) == len(service.files)


def test_a_run_without_a_camera_says_so(folder: Path) -> None:
    with watching(folder):
        status, told = bracket(folder)
        assert status == 1
        assert "camera" in told[-1]["error"]
    status, told = bracket(folder)
    assert status == 1
    assert "Nobody watches" in told[-1]["error"]


def test_a_run_waits_out_a_camera_that_falls_asleep(folder: Path) -> None:
    with tethered(folder) as (mock, service):
        mock.do("sleep")
        service.client.send({"do": "bracket", "at": [11, 8]})
        time.sleep(1.0)
        mock.do("wake")
        service.until(lambda: any(e["run"]["state"] == "ended" for e in service.of_kind("run")), 90)
        end = service.of_kind("run")[-1]["run"]
        assert end["end"] == "shot", end
        service.until(lambda: len(service.files) == 2)


def test_a_frame_shot_by_hand_meanwhile_is_not_taken_for_the_runs(folder: Path) -> None:
    with tethered(folder) as (mock, service):
        assert service.ask("aperture", f_number=5.6)["ok"]
        mock.do("press")
        service.until(lambda: len(service.files) == 1)
        service.client.send({"do": "bracket", "at": [16, 11]})
        mock.do("press")
        service.until(lambda: any(e["run"]["state"] == "ended" for e in service.of_kind("run")), 90)
        end = service.of_kind("run")[-1]["run"]
        assert end["end"] == "shot", end
        service.until(lambda: {16, 11} <= {frame["exposure"]["f_number"] for frame in service.frames})


FAULTS = ("sleep", None)


@pytest.mark.slow
def test_runs_from_anywhere_end_rightly_or_say_why(folder: Path) -> None:
    """Random starts and aims, faults in between; card and folder agree, none lost, none twice."""
    dice = random.Random(6)
    with tethered(folder) as (mock, service):
        for _ in range(8):
            start = dice.choice([n for n in camera(service)["f_numbers"] if 2.8 <= n <= 22])
            service.until(lambda: camera(service)["state"] == "ready", 60)
            assert service.ask("aperture", f_number=start)["ok"]
            count = len(service.of_kind("run"))
            service.ask("aim", aim=dice.choice(["even", "hold-highlights"]))
            service.ask("bracket", **dice.choice([{}, {"cover": True}, {"at": [16, 8, 4]}, {"frames": 3, "thirds": 2}]))
            fault = dice.choice(FAULTS)
            if fault in ("sleep",):
                mock.do("sleep")
                time.sleep(0.5)
                mock.do("wake")
            service.until(
                lambda count=count: any(e["run"]["state"] == "ended" for e in service.of_kind("run")[count:]), 200
            )
            end = service.of_kind("run")[-1]["run"]
            assert "\n" not in end["text"]
            assert end["end"] in ("met", "covered", "shot") or end["text"]
            service.until(lambda start=start: camera(service)["f_number"] == start, 60)
        names = [Path(name).name for name in service.files]
        assert len(set(names)) == len(names)
        assert sorted(names) == sorted(path.name for path in folder.glob("*.JPG"))


def test_a_cast_is_told_set_right_on_the_camera_and_looked_for_in_the_next_frame(folder: Path) -> None:
    with tethered(folder) as (mock, service):
        mock.do("arrange grey")
        mock.do("balance daylight")
        assert service.ask("neutral")["ok"] is False, "no frame yet"
        assert service.ask("aperture", f_number=5.6)["ok"]
        for number in (1, 2):
            assert service.ask("fire")["ok"]
            service.until(lambda n=number: len(service.frames) == n)  # type: ignore[misc]
            if number == 1:
                reply = service.ask("neutral")
                assert "about 3500 K" in reply["text"], reply
                assert "Balance Tungsten" in reply["text"], reply
        before, after = (frame["colour"] for frame in service.frames)
        assert abs(after["b"]) < abs(before["b"]) / 3
        told = [notice for notice in service.frames[1]["notices"] if notice["kind"] == "balance"]
        assert "the balance took" in told[0]["text"]
