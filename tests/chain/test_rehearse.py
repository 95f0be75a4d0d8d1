"""The rehearsal as it is run, and how it ends: played out, torn down by a signal, or stopped by its own service."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from fakes import verdict

from lampblack.daemon import rehearse
from lampblack.daemon.rehearse import Play, disagreements
from lampblack.daemon.stage import EndedError, Mock, RehearsalError, Signals, Stage

DEADLINE_S = 60.0
ONE = [sys.executable, "-m", "lampblack.daemon.cli"]


@pytest.fixture
def place(monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A place of its own for all that is made; its name in the environment marks the processes of this test."""
    with tempfile.TemporaryDirectory(prefix="lb") as made:
        place = Path(made)
        for name in ("tmp", "run", "state"):
            (place / name).mkdir()
        monkeypatch.setenv("TMPDIR", str(place / "tmp"))
        monkeypatch.setenv("XDG_RUNTIME_DIR", str(place / "run"))
        monkeypatch.setenv("XDG_STATE_HOME", str(place / "state"))
        yield place


def living(place: Path) -> list[str]:
    """The processes that were started with this environment and still run."""
    found = []
    mark = f"TMPDIR={place / 'tmp'}".encode()
    for process in Path("/proc").glob("[0-9]*"):
        try:
            if mark in (process / "environ").read_bytes().split(b"\0") and int(process.name) != os.getpid():
                found.append((process / "cmdline").read_bytes().replace(b"\0", b" ").decode())
        except OSError:
            continue
    return found


def assert_nothing_left(place: Path) -> None:
    assert living(place) == []
    assert list((place / "tmp").iterdir()) == []
    assert [path for path in (place / "state").rglob("*") if path.is_file()] == []
    assert list((place / "run").rglob("*.sock")) == []


def test_what_is_kept_is_said_even_if_it_is_ended(place: Path) -> None:
    command = [*ONE, "rehearse", "--hands-off", "--keep"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline().startswith("Camera:")
        process.terminate()
        last = process.stdout.read().splitlines()[-1]
    (folder,) = (place / "tmp").iterdir()
    assert last == f"Frames and journal are kept in {folder}"


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="looks for processes in /proc")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, pytest.param(signal.SIGINT, marks=pytest.mark.slow)])
@pytest.mark.parametrize(
    ("words", "sign"),
    [(["rehearse", "--hands-off"], b"Camera:"), (["mock", "--port", "0"], b"camera ready")],
    ids=["rehearse", "mock"],
)
def test_a_signal_tears_everything_down(place: Path, number: int, words: list[str], sign: bytes) -> None:
    with subprocess.Popen(
        [*ONE, *words], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        assert process.stdout.readline().startswith(sign)
        process.send_signal(number)
        status = process.wait(DEADLINE_S)
        errors = process.stderr.read().decode()
    assert (status, errors) == (0 if words[0] == "mock" else 128 + number, "")
    assert_nothing_left(place)


TRUTH = {
    **{"clean": True, "backdrop_plain_code_p99": 7, "lit_from": "right", "standing_mid_stops": 0.0},
    **{"standing_clipped": 0.05, "standing_clipped_jpeg": 0.08},
}


@pytest.mark.parametrize(
    ("kind", "clean", "clipped", "wrong"),
    [("jpeg", True, 0.08, 0), ("jpeg", False, 0.05, 2), ("raw", False, 0.05, 0), ("raw", True, 0.08, 3)],
)
def test_a_raw_frame_is_held_against_its_sensor(kind: str, clean: bool, clipped: float, wrong: int) -> None:
    """A JPEG against what the camera made of the light: the curve clips sooner, and lifts the dark less."""
    spill = None if clean else {"side": "right"}
    said = {
        **{"pixels": {"kind": kind}, "highlights": {"subject": clipped}, "next": {"move": "keep"}},
        "backdrop": {"clean": clean, "spill": spill},
    }
    assert len(disagreements(said, TRUTH)) == wrong
    within_a_third = TRUTH | {"backdrop_plain_code_p99": 6}
    assert len(disagreements(said, within_a_third)) == (1 if (kind, clean) == ("raw", True) else wrong)


@pytest.mark.slow
def test_a_rehearsal_in_raw_ends_well_too(place: Path) -> None:
    done = subprocess.run(
        [*ONE, "rehearse", "--hands-off", "--raw"], capture_output=True, text=True, timeout=DEADLINE_S
    )
    assert (done.returncode, done.stderr) == (0, ""), done.stdout


@pytest.mark.slow
@pytest.mark.parametrize("keep", [False, True])
def test_each_frame_is_said_once_and_nothing_is_left_unless_asked_for(place: Path, keep: bool) -> None:
    command = [*ONE, "rehearse", "--hands-off", *["--keep"] * keep]
    done = subprocess.run(command, capture_output=True, text=True, timeout=DEADLINE_S)
    assert (done.returncode, done.stderr) == (0, "")
    frames = [line.strip() for line in done.stdout.splitlines() if line.strip().startswith("f/")]
    assert len(frames) == len(set(frames)) == 5
    if not keep:
        assert_nothing_left(place)
        return
    (folder,) = (place / "tmp").iterdir()
    assert f"kept in {folder}" in done.stdout
    assert len(list(folder.glob("*.[jJ][pP][gG]"))) == 5
    assert (folder / "lampblack.journal").exists()


def test_a_folder_that_is_not_empty_is_wrong_usage(place: Path) -> None:
    command = [*ONE, "rehearse", "--hands-off", "--folder", str(place)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=DEADLINE_S)
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1


def stage(place: Path, script: str) -> Stage:
    """A stage whose service is a stand-in that runs a script."""
    with open(place / "service.log", "wb") as log:
        service = subprocess.Popen([sys.executable, "-c", script], stdout=log, stderr=log)
    (place / "shoot").mkdir()
    return Stage(place / "shoot", Mock(service, "ptpip:127.0.0.1"), place / "truth", service, place / "service.log")


def test_a_service_that_cannot_start_is_named_at_once(place: Path) -> None:
    """Its own words, and no minute of waiting."""
    set_up = stage(place, "import sys; sys.exit('The disk of shoot is full: make room first.')")
    began_s = time.monotonic()
    with pytest.raises(RehearsalError, match="The disk of shoot is full: make room first"):
        Play(set_up, slow=False).perform()
    assert time.monotonic() - began_s < rehearse.READY_S / 2


class _Events:
    """A client that has these events to give, once."""

    def __init__(self, *events: dict) -> None:
        self.events = list(events)

    def receive(self, timeout_s: float) -> list[dict]:
        events, self.events = self.events, []
        return events

    def close(self) -> None:
        """Nothing to close."""


@pytest.mark.parametrize("event", [{"event": "frame", "verdict": verdict(9)}, {"event": "aim", "aim": "even"}])
def test_whoever_takes_the_keys_is_told_so(place: Path, monkeypatch: pytest.MonkeyPatch, event: dict) -> None:
    play = Play(stage(place, "input()"), slow=False)
    try:
        play._fired = 1
        monkeypatch.setattr(Play, "_connected", lambda self: _Events(event))
        monkeypatch.setattr(Play, "_camera_ready", lambda self: {"model": "Body"})
        monkeypatch.setattr(Play, "_metered_bracket", lambda self, camera: self._pause())
        play.perform()
    finally:
        play.stage.service.kill()
        play.stage.service.wait()
    assert play.taken_over
    assert "taken over" in rehearse.afterword(play)


def test_a_signal_is_raised_only_where_it_is_heard() -> None:
    """Between, it is kept for the next place; a second one disturbs nothing."""
    with Signals() as signals:
        os.kill(os.getpid(), signal.SIGTERM)
        os.kill(os.getpid(), signal.SIGTERM)
        with pytest.raises(EndedError) as ended, signals.heard():
            raise AssertionError("not reached")
        os.kill(os.getpid(), signal.SIGHUP)
    assert ended.value.number == signal.SIGTERM
