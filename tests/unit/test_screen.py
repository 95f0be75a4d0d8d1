"""The panel in a real (pseudo) terminal: keys arrive, and the terminal comes back whatever happens."""

from __future__ import annotations

import contextlib
import fcntl
import os
import pty
import signal
import struct
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from fakes import FakeService, preview, shoot_state, verdict
from terminals import ALT_OFF, ALT_ON, PATIENCE_S, Terminal

from lampblack.daemon import screen
from lampblack.daemon.letters import faces
from lampblack.daemon.panel import PanelState, Style, fold

PROGRAM = """
from pathlib import Path
from lampblack.daemon import screen
{extra}
sys.exit(screen.run(Path(sys.argv[1]), colours="true"))
"""


@pytest.fixture
def service(tmp_path: Path) -> Iterator[FakeService]:
    small = [{"verdict": verdict(1), "preview": preview(12, 8)}]
    with FakeService(tmp_path, shoot_state(frames=small, folder="bowls")) as fake:
        yield fake


@pytest.fixture
def open_panel() -> Iterator[Callable[..., Terminal]]:
    opened: list[Terminal] = []

    def open_one(folder: Path, extra: str = "", **kwargs: Any) -> Terminal:
        opened.append(Terminal(PROGRAM.format(extra=extra), str(folder), **kwargs))
        return opened[-1]

    yield open_one
    for terminal in opened:
        terminal.close()


@pytest.fixture
def terminal(service: FakeService, open_panel: Callable[..., Terminal]) -> Terminal:
    terminal = open_panel(service.folder)
    terminal.shows("setup 2: rim lower")
    return terminal


def test_what_the_service_tells_is_shown(terminal: Terminal, service: FakeService) -> None:
    service.say({"event": "aim", "aim": "even"})
    terminal.shows("aim even")
    service.say({"event": "frame", "verdict": verdict(7), "preview": preview(12, 8)})
    terminal.shows("bowls/0007.jpg")


def test_keys_reach_the_service(terminal: Terminal, service: FakeService) -> None:
    """The second arrow counts from where the first led, though the camera never says that it got there."""
    service.reply = lambda request: {"ok": True, "text": f"done: {request['do']}", "to": 0}
    for data in (b" ", b"f", b"a", b"\x1b[A", b"\x1b[B", b"nflag in\r"):
        terminal.keys(data)
    wanted = [
        {"do": "step"},
        {"do": "fire"},
        {"do": "aim", "aim": "clean-backdrop"},
        {"do": "aperture", "f_number": 10.0},
        {"do": "aperture", "f_number": 11.0},
        {"do": "slate", "name": "flag in"},
    ]
    terminal.until(lambda: len(service.requests) == len(wanted))
    assert [{k: v for k, v in request.items() if k != "id"} for request in service.requests] == wanted
    terminal.shows("done: slate")


def test_a_spot_is_placed_by_keys_and_the_service_asked_what_lies_there(
    terminal: Terminal, service: FakeService
) -> None:
    service.reply = lambda request: {"ok": True, "text": f"zone V at {request.get('x')}", "stops": 0.25, "bound": None}
    terminal.keys(b".")
    terminal.shows("zone V at 0.5")
    terminal.keys(b"\x1b[D\x1b[1;2A")
    terminal.shows("zone V at 0.49")
    terminal.until(lambda: service.requests[-1].get("y") == 0.45)
    terminal.keys(b"\rrim\r")
    terminal.until(lambda: service.requests[-1]["do"] == "spot")
    assert service.requests[-1]["spot"] == "rim=0.49,0.45@0.25"
    asked = [request for request in service.requests if request["do"] == "place"]
    assert asked[0] | {"id": 0} == {"id": 0, "do": "place", "frame": 1, "x": 0.5, "y": 0.5}
    assert len(asked) <= 3, "one question at a time, none twice"


def test_an_escape_leaves_the_prompt(terminal: Terminal, service: FakeService) -> None:
    terminal.keys(b"nq")
    terminal.shows("name of the new setup: q")
    terminal.keys(b"\x1b")
    terminal.shows("No new setup")
    assert service.requests == []


def test_q_gives_the_terminal_back(terminal: Terminal) -> None:
    terminal.keys(b"q")
    assert terminal.ends() == 0
    terminal.assert_given_back()


@pytest.mark.parametrize(
    ("number", "status"), [(signal.SIGTERM, 143), (signal.SIGHUP, 129), (signal.SIGQUIT, 131), (signal.SIGINT, 0)]
)
def test_a_signal_gives_the_terminal_back(terminal: Terminal, number: int, status: int) -> None:
    terminal.process.send_signal(number)
    assert terminal.ends() == status
    terminal.assert_given_back()


def test_a_signal_ends_a_panel_whose_output_is_held(terminal: Terminal, service: FakeService) -> None:
    """Ctrl-S holds the output; the panel blocks in the middle of a screen, and still ends whole."""
    termios.tcflow(terminal.slave, termios.TCOOFF)
    for number in range(40):
        service.say({"event": "frame", "verdict": verdict(number), "preview": preview(12, 8)})
    terminal.process.send_signal(signal.SIGTERM)
    assert terminal.ends() == 143
    terminal.assert_given_back()


def test_an_error_of_ours_gives_the_terminal_back(service: FakeService, open_panel: Callable[..., Terminal]) -> None:
    """The second drawing fails: the traceback stands on the main screen, and the status says so."""
    extra = (
        "draw = screen.draw\nscreen.draw = lambda state, *a, **k: 1 / (state.aim != 'meter') and draw(state, *a, **k)"
    )
    terminal = open_panel(service.folder, extra)
    terminal.shows("setup 2: rim lower")
    service.say({"event": "aim", "aim": "meter"})
    assert terminal.ends() == 1
    terminal.assert_given_back()
    assert b"ZeroDivisionError" in terminal.process.stderr.read()


def test_a_terminal_that_goes_away_ends_the_panel(terminal: Terminal) -> None:
    os.close(terminal.slave)
    os.close(terminal.master)
    terminal.master = terminal.slave = -1
    assert terminal.process.wait(PATIENCE_S) in (0, 129)
    assert terminal.process.stderr.read() == b""


def test_ctrl_z_leaves_the_screen_and_comes_back_to_it(terminal: Terminal, service: FakeService) -> None:
    """In a session of its own nothing may stop the process for good, so it comes back at once."""
    terminal.process.send_signal(signal.SIGTSTP)
    terminal.until(lambda: terminal.out.count(ALT_ON) == 2)
    assert terminal.out.count(ALT_OFF) == 1
    since = len(terminal.out)
    service.say({"event": "aim", "aim": "even"})
    terminal.shows("aim even", since)
    terminal.keys(b"q")
    assert terminal.ends() == 0
    terminal.assert_given_back()


def test_a_service_that_goes_is_said_and_one_that_comes_is_taken(terminal: Terminal, service: FakeService) -> None:
    service.close()
    terminal.shows("The service has stopped.")
    terminal.shows("looking for the service")
    assert any(face.draw("NO SERVICE")[0] in terminal.text() for face in faces(False))
    since = len(terminal.out)
    with FakeService(service.folder, shoot_state(aim="meter", frames=[])):
        terminal.shows("aim meter", since)
        terminal.keys(b"q")
        assert terminal.ends() == 0


def test_the_panel_waits_for_a_service_and_can_be_left_meanwhile(
    tmp_path: Path, open_panel: Callable[..., Terminal]
) -> None:
    terminal = open_panel(tmp_path)
    terminal.shows("No service watches")
    terminal.keys(b"f")
    terminal.shows("nothing was sent")
    terminal.keys(b"q")
    assert terminal.ends() == 0
    terminal.assert_given_back()


def test_a_resized_terminal_is_drawn_anew(terminal: Terminal) -> None:
    terminal.resize(70, 20)
    terminal.shows("70x20: the panel needs 80x24")
    since = len(terminal.out)
    terminal.resize(100, 30)
    terminal.shows("setup 2: rim lower", since)


def test_a_burst_of_events_is_not_a_burst_of_drawings(terminal: Terminal, service: FakeService) -> None:
    """At most four a second: hundreds of events in a row make a handful of screens."""
    since = len(terminal.out)

    def burst() -> None:
        with contextlib.suppress(OSError):
            for number in range(300):
                service.say({"event": "aim", "aim": f"burst {number}"})

    # Beside the reading: a terminal that nobody reads stops the panel, and the panel then the sending.
    saying = threading.Thread(target=burst)
    saying.start()
    try:
        terminal.shows("aim burst 299", since)
    except BaseException:
        terminal.process.kill()
        raise
    finally:
        saying.join()
    assert terminal.text(since).count("aim burst") < 100


def test_only_what_is_new_is_drawn_and_not_before_its_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same state again costs nothing; a new one waits until the last drawing is old enough."""
    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    drawn: list[Any] = []
    with open(slave, "w") as file:
        console = SimpleNamespace(file=file, size=None)
        live: Any = SimpleNamespace(console=console, update=lambda sheet, refresh: drawn.append(sheet))
        panel = screen._Panel(None, None, PanelState(), Style("none"), None)  # type: ignore[arg-type]
        monkeypatch.setattr(screen, "REDRAW_S", 0.0)
        assert panel._redraw(live) is None
        panel._state = fold(panel._state, {"event": "link", "up": False})
        assert panel._redraw(live) is None
        assert len(drawn) == 1
        monkeypatch.setattr(screen, "REDRAW_S", 1000.0)
        panel._state = fold(panel._state, {"event": "aim", "aim": "even"})
        wait = panel._redraw(live)
        assert wait is not None
        assert 0 < wait <= 1000.0
        assert len(drawn) == 1
        monkeypatch.setattr(screen, "REDRAW_S", 0.0)
        assert panel._redraw(live) is None
        assert len(drawn) == 2
    os.close(master)


def test_another_thread_may_put_a_line_at_the_foot(service: FakeService, open_panel: Callable[..., Terminal]) -> None:
    """Its line stays over frames that come, as a rehearsal needs it."""
    extra = """
cue, run = screen.Cue(), screen.run
cue.say("The keys are yours")
screen.run = lambda folder, **how: run(folder, cue=cue, **how)
"""
    terminal = open_panel(service.folder, extra)
    terminal.shows("The keys are yours")
    before = len(terminal.out)
    service.say({"event": "frame", "verdict": verdict(7), "preview": preview(12, 8)})
    terminal.shows("bowls/0007.jpg", before)
    terminal.shows("The keys are yours", terminal.out.rindex(b"bowls/0007.jpg"))


def test_a_cue_closes_the_panel(service: FakeService, open_panel: Callable[..., Terminal]) -> None:
    extra = """
cue, run = screen.Cue(), screen.run
cue.end()
screen.run = lambda folder, **how: run(folder, cue=cue, **how)
"""
    terminal = open_panel(service.folder, extra)
    assert terminal.ends() == 0


# --- no terminal ---


def plain(folder: Path, *options: str, **env: str) -> subprocess.Popen[str]:
    code = (
        "import sys, argparse; from lampblack.daemon import screen; p = argparse.ArgumentParser();"
        "screen.add_arguments(p); sys.exit(screen.run(p.parse_args()))"
    )
    return subprocess.Popen(
        [sys.executable, "-c", code, str(folder), *options],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        env={**os.environ, "TERM": "xterm", "PYTHONIOENCODING": "utf-8", **env},
    )


def test_into_a_pipe_go_plain_lines(service: FakeService) -> None:
    with plain(service.folder) as process:
        assert process.stdout is not None
        first = [process.stdout.readline() for _ in range(4)]
        assert first[0] == "bowls: watching. 9 frames, 1 refused.\n"
        assert "CLOSE ⅔ f/14" in first[3]
        service.say({"event": "refused", "file": "a\x1b[2J.jpg", "error": "empty\nline"})
        assert process.stdout.readline() == "Refused a[2J.jpg: empty line.\n"
        process.send_signal(signal.SIGTERM)
        assert process.wait(PATIENCE_S) == 143
        assert process.stdout.read() == ""


def test_plain_lines_are_ascii_where_only_that_goes(service: FakeService) -> None:
    with plain(service.folder, PYTHONIOENCODING="ascii") as process:
        assert process.stdout is not None
        lines = [process.stdout.readline() for _ in range(4)]
        assert "CLOSE 2/3 f/14" in lines[3]
        assert "".join(lines).isascii()
        process.send_signal(signal.SIGINT)
        assert process.wait(PATIENCE_S) == 0


def test_a_reader_that_has_read_enough_ends_the_panel_quietly(service: FakeService) -> None:
    with plain(service.folder, "--plain") as process:
        assert process.stdout is not None
        process.stdout.readline()
        process.stdout.close()
        service.met()
        while process.poll() is None:
            service.say({"event": "refused", "file": "x.jpg", "error": f"{time.monotonic()}"})
            time.sleep(0.01)
        assert process.returncode == 0
        assert process.stderr is not None
        assert process.stderr.read() == ""


def test_a_service_that_is_not_there_is_said_once(tmp_path: Path) -> None:
    with plain(tmp_path, "--plain") as process:
        assert process.stdout is not None
        assert "No service watches" in process.stdout.readline()
        with FakeService(tmp_path, shoot_state(folder="bowls", frames=[])):
            assert process.stdout.readline().startswith("bowls: watching")
            process.send_signal(signal.SIGTERM)
            process.wait(PATIENCE_S)


def test_no_folder_is_named(tmp_path: Path) -> None:
    with plain(tmp_path / "nowhere") as process:
        assert process.wait(PATIENCE_S) == 1
        assert process.stderr is not None
        assert "nowhere is no folder" in process.stderr.read()
