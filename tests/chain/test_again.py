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
