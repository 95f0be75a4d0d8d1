"""A shoot measured again by the real command: on any number of cores, stopped and taken up, and not under a service."""

from __future__ import annotations

import hashlib
import json
import shutil
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from watching import DEADLINE_S, journal_rows, jpeg, run, watching

from lampblack.daemon.intake import Sight
from lampblack.daemon.journal import NAME, Journal, Kept

Json = dict[str, Any]


@pytest.fixture
def shoot(folder: Path) -> Path:
    """Two setups of six frames, one of them gone, one cut short."""
    journal, _ = Journal.open(folder / NAME)
    for number in range(1, 13):
        setup = 1 + number // 7
        journal.begin_setup(setup, None)
        data = jpeg(number, f_number=(4.0, 5.6, 8.0)[number % 3])
        (folder / f"{number}.jpg").write_bytes(data[:-300] if number == 3 else data)
        digest = hashlib.sha256(data).hexdigest()
        journal.add_frame(Kept(b"%d.jpg" % number, digest, setup, number, {}, {}), Sight(1, 1, number))
    journal.close()
    (folder / "2.jpg").unlink()
    return folder


def told(text: str) -> tuple[dict[int, Json], Json]:
    """What was said of each frame, and at the end."""
    said = [json.loads(line) for line in text.splitlines()]
    return {one["frame"]: {**one, "progress": None} for one in said[:-1]}, said[-1]


def test_any_number_of_eyes_says_the_same(shoot: Path) -> None:
    """One, and more than there are cores: frames wait for those before them, not for those that are refused."""
    copy = shoot.with_name("copy")
    shutil.copytree(shoot, copy)
    one = run("again", str(shoot), "--json", "--cores", "1")
    many = run("again", str(copy), "--json", "--cores", "4")
    assert (one.returncode, many.returncode) == (1, 1)
    by_one, end = told(one.stdout)
    by_many, _ = told(many.stdout)
    assert by_one == by_many
    assert end == {"measured": 10, "changed": 10, "refused": 2, "done_before": 0, "stopped": False}
    assert {number for number, said in by_one.items() if "error" in said} == {2, 3}
    assert one.stderr.count("\n") == 2
    assert [shot["f_number"] for shot in by_one[12]["forecast"] if shot["shot"]] == [4.0, 5.6, 8.0]


def test_stopped_it_keeps_what_is_done_and_goes_on_from_there(shoot: Path) -> None:
    words = [sys.executable, "-m", "lampblack.daemon.cli", "again", str(shoot), "--json", "--cores", "1"]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as process:
        assert process.stdout is not None
        process.stdout.readline()
        process.send_signal(signal.SIGINT)
        _, end = told(process.stdout.read())
        assert process.wait(DEADLINE_S) == 130
    assert end["stopped"]
    kept = journal_rows(shoot, "SELECT count(*) FROM verdict WHERE pass = 1")[0][0]
    assert kept == end["measured"] > 0
    done = run("again", str(shoot))
    assert done.returncode == 1
    assert f"{kept} were done before" in done.stdout.splitlines()[0]
    assert journal_rows(shoot, "SELECT count(DISTINCT frame), count(*) FROM verdict WHERE pass = 1") == [(10, 10)]


def shots(said: Json) -> list[float]:
    return [shot["f_number"] for shot in said["forecast"] if shot["shot"]]


def test_frames_moved_are_judged_with_their_new_setup(folder: Path) -> None:
    """Under a service, whose panels hear of it and whose next frame joins them; and without one. No frame changes."""
    with watching(folder) as service:
        for number, f_number in enumerate((4.0, 5.6, 8.0, 11.0), start=1):
            (folder / f"{number}.jpg").write_bytes(jpeg(number, f_number=f_number))
            service.until(lambda n=number: len(service.of_kind("frame")) == n)
        before = {path.name: path.read_bytes() for path in folder.glob("*.jpg")}
        done = run("slate", str(folder), "flag in", "--frames", "3-4")
        assert (done.returncode, done.stderr) == (0, "")
        service.until(lambda: len([e for e in service.of_kind("frame") if e.get("again")]) == 2)
        said = {e["verdict"]["frame"]: e["verdict"] for e in service.of_kind("frame")}
        assert [shots(said[number]) for number in (3, 4)] == [[8.0], [8.0, 11.0]]
        assert service.status()["setup"] == {"number": 2, "name": "flag in"}
        assert service.meet_again()["frames"][0]["verdict"]["frame"] == 3
        (folder / "5.jpg").write_bytes(jpeg(5, f_number=16.0))
        service.until(lambda: any(shots(e["verdict"]) == [8.0, 11.0, 16.0] for e in service.of_kind("frame")))
        assert run("slate", str(folder), "--frames", "1", "--to", "9").returncode == 1
    done = run("slate", str(folder), "--frames", "3", "--to", "1", "--json")
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert (done.returncode, lines[0]["frames"], lines[0]["setup"]) == (0, [3], 1)
    assert {line["frame"]: shots(line) for line in lines[1:-1]} == {
        **{1: [4.0], 2: [4.0, 5.6], 3: [4.0, 5.6, 8.0]},
        **{4: [11.0], 5: [11.0, 16.0]},
    }
    setups = json.loads(run("report", str(folder), "--json").stdout)["setups"]
    assert [[frame["frame"] for frame in setup["frames"]] for setup in setups] == [[1, 2, 3], [4, 5]]
    assert {name: (folder / name).read_bytes() for name in before} == before


def test_a_shoot_that_is_watched_is_left_to_its_service(shoot: Path) -> None:
    """In one line, with what to do; and a folder without a journal gets none."""
    with watching(shoot):
        done = run("again", str(shoot))
        assert done.returncode == 1
        assert "lampblack stop" in done.stderr
        assert done.stderr.count("\n") == 1
    (shoot / NAME).unlink()
    assert run("again", str(shoot)).returncode == 1
    assert not (shoot / NAME).exists()
    assert run("again", str(shoot), "--cores", "0").returncode == 2
