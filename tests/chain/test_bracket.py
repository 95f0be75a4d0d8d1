"""Runs with the real service, the real libgphoto2 and the mock camera: they end rightly and put the camera back."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import random
import signal
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from mocking import Mock, camera, run_now, tethered
from watching import Watching, jpeg, run, watching


def bracket(folder: Path, *words: str) -> tuple[int, list[Any]]:
    done = run("bracket", str(folder), "--json", *words)
    return done.returncode, [json.loads(line) for line in done.stdout.splitlines()]


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


@pytest.mark.slow
def test_a_run_waits_out_a_camera_that_falls_asleep(folder: Path) -> None:
    with tethered(folder) as (mock, service):
        mock.do("sleep")
        service.client.send({"do": "bracket", "at": [11, 8]})
        time.sleep(1.0)
        mock.do("wake")
        service.until(lambda: any(e["run"]["state"] == "ended" for e in service.of_kind("run")), 90)
        end = run_now(service)
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
        end = run_now(service)
        assert end["end"] == "shot", end
        service.until(lambda: {16, 11} <= {frame["exposure"]["f_number"] for frame in service.frames})


CURES = {"sleep": "wake", "slow": "slow off", "mode": "mode M", "card": "card off"}
FAULTS = (None, "sleep", "busy 1.5", "drop 30000", "drop 2000 1", "slow 150000", "mode A", "card 0", "card 1")
"""All of these pass, so that the run must go through."""
RUNS = int(os.environ.get("LAMPBLACK_RUNS", "10"))


def trouble(mock: Mock, fault: str | None, lasts_s: float) -> None:
    """Inject a fault, and take back what lasts."""
    if fault is None:
        return
    mock.do(fault)
    time.sleep(lasts_s)
    if fault.split()[0] in CURES:
        mock.do(CURES[fault.split()[0]])


def agree(mock: Mock, service: Watching, folder: Path) -> None:
    """Wait until the card's files and the folder's are the same by content, none lost, none twice, all judged."""

    def here() -> list[str]:
        return sorted(hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.glob("*.JPG"))

    def there() -> list[str]:
        return sorted(mock.do("files")["sha256"])

    service.until(lambda: len(here()) >= len(there()), 60)
    assert here() == there()
    assert len(set(here())) == len(here())
    service.until(lambda: len(service.frames) == len(here()), 60)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [6, 7])
def test_runs_from_anywhere_end_rightly_or_say_why(folder: Path, seed: int) -> None:
    """Random starts, scenes, aims and faults; at the end what the card holds is what the folder holds."""
    dice = random.Random(seed)
    with tethered(folder, seed) as (mock, service):
        for turn in range(RUNS):
            mock.do(f"arrange {dice.choice(['black', 'black-flag', 'grey', 'white'])}")
            assert service.ask("slate", name=None)["ok"]
            start = dice.choice([n for n in camera(service)["f_numbers"] if 2.8 <= n <= 22])
            service.until(lambda: camera(service)["state"] == "ready", 60)
            assert service.ask("aperture", f_number=start)["ok"]
            before = {"f_number": start, **{key: camera(service)[key] for key in ("shutter_s", "iso")}}
            count = len(service.of_kind("run"))
            service.ask("aim", aim=dice.choice(["even", "hold-highlights", "clean-backdrop"]))
            wish: dict[str, Any] = dice.choice([{}, {"cover": True}, {"at": [16, 8, 4]}, {"frames": 3, "thirds": 2}])
            assert service.ask("bracket", **wish)["ok"]
            fault = dice.choice(FAULTS)
            time.sleep(dice.uniform(0, 0.5))
            trouble(mock, fault, dice.uniform(0.3, 2.5))
            service.until(
                lambda count=count: any(e["run"]["state"] == "ended" for e in service.of_kind("run")[count:]), 200
            )
            end = run_now(service)
            print(turn, fault, wish, end["end"], len(end["taken"]), end["text"])
            assert "\n" not in end["text"]
            if "at" in wish or "frames" in wish:
                assert end["end"] == "shot" or "beyond what the camera offers" in end["text"], (fault, end)
            else:
                assert end["end"] in ("met", "covered") or _says_why(end["text"]), (fault, end)
            service.until(lambda before=before: before.items() <= camera(service).items(), 60)  # type: ignore[misc]
        agree(mock, service, folder)


def _says_why(text: str) -> bool:
    """Say whether an end without its aim says what the light is to do: a fault that has passed is no reason."""
    return "light" in text or "lamp" in text


def test_a_halted_run_puts_the_aperture_back(folder: Path) -> None:
    with tethered(folder) as (_, service):
        before = camera(service)["f_number"]
        assert service.ask("bracket", at=[22, 16, 11, 8, 5.6, 4])["ok"]
        service.until(lambda: len(service.frames) == 1, 60)
        assert service.ask("halt")["ok"]
        service.until(lambda: run_now(service)["state"] == "ended", 60)
        assert run_now(service)["text"].startswith("Halted")
        service.until(lambda: camera(service)["f_number"] == before, 60)


@pytest.mark.slow
def test_a_mode_without_an_aperture_is_explained_in_a_line_and_waited_out(folder: Path) -> None:
    with tethered(folder) as (mock, service):
        mock.do("mode A")
        service.until(lambda: "mode dial" in camera(service)["text"], 30)
        assert service.ask("bracket", at=[16, 11])["ok"]
        service.until(lambda: run_now(service)["state"] == "waiting", 30)
        waiting = run_now(service)
        assert "turn its mode dial to M" in waiting["text"]
        assert "\n" not in waiting["text"]
        assert not service.files
        mock.do("mode M")
        service.until(lambda: run_now(service)["state"] == "ended", 60)
        assert run_now(service)["end"] == "shot"
        assert len(service.files) == 2


@pytest.mark.slow
def test_a_full_card_is_waited_out_and_a_halt_ends_the_wait(folder: Path) -> None:
    with tethered(folder) as (mock, service):
        before = camera(service)["f_number"]
        mock.do("card 1")
        for cure in ("card off", None):
            assert service.ask("bracket", at=[16, 11, 9])["ok"]
            service.until(lambda: run_now(service)["state"] == "waiting", 60)
            assert "full" in run_now(service)["text"]
            assert mock.do(cure)["ok"] if cure else service.ask("halt")["ok"]
            service.until(lambda: run_now(service)["state"] == "ended", 60)
            end = run_now(service)
            assert end["end"] == ("shot" if cure else "cannot"), end
            assert len(end["taken"]) == (3 if cure else 0)
            service.until(lambda: camera(service)["f_number"] == before, 60)
            mock.do("card 0")
        agree(mock, service, folder)


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


@contextlib.contextmanager
def virtual_camera(place: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """
    The camera that comes with the gphoto2 wheel, made by others; what it shoots is another picture each time.

    By itself it hands out one file again and again; so the end of that file is changed all the while.
    """
    place.mkdir()
    picture = jpeg(1, exif=False)

    def put(number: int) -> None:
        (place / "next").write_bytes(picture + number.to_bytes(8, "big"))  # what comes after its end is no part of it
        os.utime(place / "next", (10**9, 10**9))  # to the tether it is the file that lay there at the start
        os.replace(place / "next", place / "PIC1.jpg")

    over = threading.Event()

    def roll() -> None:
        number = 0
        while not over.wait(0.05):
            number += 1
            put(number)

    put(0)
    monkeypatch.setenv("VCAMERADIR", str(place))
    roller = threading.Thread(target=roll)
    roller.start()
    try:
        yield
    finally:
        over.set()
        roller.join()


VIRTUAL_RUNS = max(2, RUNS // 3)


@pytest.mark.slow
def test_runs_with_a_foreign_camera_whose_driver_dies_now_and_then(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It tells no ISO and its frames no exposure, so that the apertures are given; it takes 26 frames a life."""
    dice = random.Random(8)
    with virtual_camera(tmp_path / "pictures", monkeypatch), watching(folder, "--camera", "auto") as service:
        for turn in range(VIRTUAL_RUNS):
            service.until(lambda: camera(service)["state"] == "ready", 60)
            start, shots = dice.choice(camera(service)["f_numbers"]), dice.sample(camera(service)["f_numbers"], 3)
            assert service.ask("aperture", f_number=start)["ok"]
            wish = dice.choice([{"at": shots}, {"frames": 3, "thirds": 2}, {"frames": 3, "hold_aperture": True}])
            count, dies = len(service.of_kind("run")), turn % 2 == 1
            assert service.ask("bracket", **wish)["ok"]
            if dies:
                time.sleep(dice.uniform(0, 2))
                os.kill(_camera_process(service.process.pid), signal.SIGSEGV)
            service.until(
                lambda count=count: any(e["run"]["state"] == "ended" for e in service.of_kind("run")[count:]), 200
            )
            end = run_now(service)
            print(turn, wish, dies, end["end"], end["text"])
            assert end["end"] == "shot" or "beyond what the camera offers" in end["text"], end
            service.until(lambda start=start: camera(service)["f_number"] == start, 60)  # type: ignore[misc]
        files = [hashlib.sha256(path.read_bytes()).digest() for path in folder.glob("*.JPG")]
        assert len(files) == len(set(files))
        service.until(lambda: len(service.frames) == len(files), 60)
        assert not list(folder.glob("PIC1*")), "what lay on the card before is left there"
        assert not service.refused


def _camera_process(service: int) -> int:
    """Return the process that holds the camera for a service."""
    found = subprocess.run(
        ["pgrep", "-f", "camera_child", "-P", str(service)], capture_output=True, text=True, check=True
    )
    return int(found.stdout.split()[0])
