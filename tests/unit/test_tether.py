"""The camera's keeper with stand-in processes: whatever they do, it goes on, and everybody asking is answered."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from lampblack.daemon import tether
from lampblack.daemon.tether import Tether, check_address

DEADLINE_S = 20.0

# What every stand-in begins with: `orders()` yields what the parent says, `say()` answers.
BEGIN = """
import json, os, signal, sys
def say(say, **more):
    sys.stdout.write(json.dumps({"say": say, **more}) + chr(10)); sys.stdout.flush()
def doing(what):
    say("doing", what=what, size=0)
def orders():
    for line in sys.stdin:
        order = json.loads(line)
        if order["do"] == "stop": sys.exit(0)
        yield order
def ready():
    say("connected"); say("camera", camera={"state": "ready", "text": "ready", "model": "Body"}); doing("idle")
FILE = ["/store", "A.JPG", 5, 100, ""]
stream = orders()
begin = next(stream)
"""
SERVES = "ready()\nfor order in stream: say('done', n=order['n'], ok=True, text=order['do'])"


class Desk:
    """A tether around a stand-in, and all it said."""

    def __init__(self, folder: Path, hear: Callable[[dict[str, Any]], None] | None = None) -> None:
        self.events: list[dict[str, Any]] = []
        self._heard = threading.Condition()
        self._also = hear
        self.tether = Tether("auto", folder, self._hear, home=folder / "run" / "home")

    def _hear(self, event: dict[str, Any]) -> None:
        with self._heard:
            self.events.append(event)
            self._heard.notify_all()
        if self._also:
            self._also(event)

    def until(self, what: Callable[[], Any]) -> Any:
        until_s = time.monotonic() + DEADLINE_S
        with self._heard:
            while not (found := what()):
                assert time.monotonic() < until_s, self.events[-5:]
                self._heard.wait(0.02)
            return found

    @property
    def states(self) -> list[str]:
        return [event["camera"]["state"] for event in self.events if event["event"] == "camera"]

    @property
    def troubles(self) -> list[str]:
        return [event["text"] for event in self.events if event["event"] == "trouble"]

    def post(self) -> list[tuple[bool, str]]:
        answers: list[tuple[bool, str]] = []
        self.tether.request({"do": "fire"}, lambda ok, text: answers.append((ok, text)))
        return answers


@pytest.fixture
def desk_with(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., Desk]]:
    monkeypatch.setattr(tether, "BACK_OFF_S", (0.01,))
    with contextlib.ExitStack() as end:

        def make(script: str, hear: Callable[[dict[str, Any]], None] | None = None) -> Desk:
            monkeypatch.setattr(tether, "CHILD", (sys.executable, "-c", BEGIN + script))
            desk = Desk(tmp_path, hear)
            desk.tether.start()
            end.callback(desk.tether.stop, 1.0)
            return desk

        yield make


def test_a_process_that_ends_at_once_is_started_again_and_complained_of_once(
    desk_with: Callable[..., Desk], tmp_path: Path
) -> None:
    desk = desk_with(f"open({str(tmp_path / 'lives')!r}, 'a').write('x'); sys.exit(7)")
    desk.until(lambda: (tmp_path / "lives").exists() and (tmp_path / "lives").stat().st_size >= 4)
    assert desk.troubles == ["The camera's driver stopped (exit code 7). Starting it again."]
    assert desk.states[:2] == ["searching", "lost"]
    assert set(desk.states) == {"searching", "lost"}


def test_the_pause_grows_and_a_good_while_makes_it_short_again(
    desk_with: Callable[..., Desk], monkeypatch: pytest.MonkeyPatch
) -> None:
    pauses: list[float] = []
    monkeypatch.setattr(Tether, "_pause", lambda self, pause_s: pauses.append(pause_s))
    desk = desk_with("sys.exit(7)")
    monkeypatch.setattr(tether, "BACK_OFF_S", (1.0, 2.0, 4.0))
    desk.until(lambda: len(pauses) > 5)
    monkeypatch.setattr(tether, "GOOD_S", 0.0)
    seen = len(pauses)
    desk.until(lambda: len(pauses) > seen + 3)
    assert pauses[-1] == 1.0
    assert pauses[3:5] == [4.0, 4.0]


def test_a_crash_is_named_and_orders_under_way_are_answered(desk_with: Callable[..., Desk]) -> None:
    desk = desk_with("ready()\nfor order in stream: os.kill(os.getpid(), signal.SIGSEGV)")
    desk.until(lambda: "ready" in desk.states)
    answers = desk.post()
    desk.until(lambda: answers)
    assert answers == [(False, "The connection broke before the camera answered: see whether it fired.")]
    assert desk.troubles == ["The camera's driver stopped (SIGSEGV). Starting it again."]


def test_a_process_that_says_nothing_is_killed(desk_with: Callable[..., Desk], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tether, "DEADLINES_S", {**tether.DEADLINES_S, "fire": 0.2})
    desk = desk_with("ready()\nfor order in stream: doing('fire'); signal.pause()")
    desk.until(lambda: "ready" in desk.states)
    pid, answers = desk.tether.child_pid, desk.post()
    desk.until(lambda: desk.troubles)
    assert desk.troubles == ["Body gave no answer while firing. Connecting again."]
    desk.until(lambda: answers)
    with pytest.raises(ProcessLookupError):
        os.kill(pid or 0, 0)


def test_a_process_that_will_not_stop_is_killed_in_time(desk_with: Callable[..., Desk]) -> None:
    desk = desk_with("signal.signal(signal.SIGTERM, signal.SIG_IGN); ready()\nwhile True: signal.pause()")
    desk.until(lambda: "ready" in desk.states)
    pid = desk.tether.child_pid
    desk.tether.stop(0.1)
    with pytest.raises(ProcessLookupError):
        os.kill(pid or 0, 0)
    assert desk.states[-1] == "none"
    desk.tether.stop(0.1)  # a second time changes nothing


def test_a_stop_leaves_no_process(desk_with: Callable[..., Desk]) -> None:
    desk = desk_with(SERVES)
    desk.until(lambda: "ready" in desk.states)
    desk.tether.stop()
    assert desk.tether.child_pid is None


def test_whatever_it_prints_that_is_no_report_is_passed_over(desk_with: Callable[..., Desk]) -> None:
    odd = "for line in ('{half', '', '[1]', '{}', '7', chr(27) + '[2J'): print(line)\n"
    much = "print('x' * 100_000, file=sys.stderr)\n"
    desk = desk_with(odd + much + SERVES)
    desk.until(lambda: "ready" in desk.states)
    answers = desk.post()
    desk.until(lambda: answers)
    assert answers == [(True, "fire")]
    assert not desk.troubles


def test_listeners_that_raise_harm_nobody(desk_with: Callable[..., Desk]) -> None:
    def bad(_: dict[str, Any]) -> None:
        raise RuntimeError("listener")

    desk = desk_with(SERVES, bad)
    desk.until(lambda: "ready" in desk.states)
    called: list[bool] = []

    def worse(ok: bool, _: str) -> None:
        called.append(ok)
        raise RuntimeError("asker")

    desk.tether.request({"do": "fire"}, worse)
    answers = desk.post()
    desk.until(lambda: answers)
    assert called == [True]


def test_everybody_is_answered_exactly_once_whatever_happens(desk_with: Callable[..., Desk]) -> None:
    """Many ask at once while the process answers a few and dies, again and again; then comes the end."""
    desk = desk_with(
        "ready()\nfor place, order in enumerate(stream):\n"
        "    say('done', n=order['n'], ok=True, text='first'); say('done', n=order['n'], ok=True, text='again')\n"
        "    if place == 3: os.kill(os.getpid(), signal.SIGKILL)"
    )
    answers: list[list[bool]] = []

    def ask_on() -> None:
        for _ in range(200):
            mine: list[bool] = []
            answers.append(mine)
            desk.tether.request({"do": "fire"}, lambda ok, _text, mine=mine: mine.append(ok))  # type: ignore[misc]

    askers = [threading.Thread(target=ask_on) for _ in range(3)]
    for asker in askers:
        asker.start()
    desk.until(lambda: any(answers))
    desk.tether.stop(0.5)
    for asker in askers:
        asker.join()
    assert len(answers) == 600
    assert {len(mine) for mine in answers} == {1}


def test_before_the_start_and_after_the_end_requests_are_refused(tmp_path: Path) -> None:
    never = Desk(tmp_path)
    assert [ok for ok, _ in never.post()] == [False]
    never.tether.stop()


def test_a_new_process_knows_what_the_last_one_fetched(desk_with: Callable[..., Desk], tmp_path: Path) -> None:
    begins = tmp_path / "begins"
    desk = desk_with(
        f"open({str(begins)!r}, 'a').write(json.dumps(begin) + chr(10))\n"
        "if not begin['bodies']:\n"
        "    say('body', key='Body|1')\n"
        "    say('left', files=[['/store', 'OLD.JPG', 1, 1, ''], ['/store', 'NEW.JPG', 1, 1, '']])\n"
        "    say('left', files=None); say('not left', file=['/store', 'NEW.JPG', 1, 1, ''])\n"
        "    say('fetching', file=FILE); say('fetched', file=FILE, name='A.JPG'); sys.exit(1)\n" + SERVES
    )
    desk.until(lambda: "ready" in desk.states)
    second = json.loads(begins.read_text().splitlines()[1])
    assert second["bodies"] == {
        "Body|1": {"left": [["/store", "OLD.JPG", 1, 1, ""]], "have": [["/store", "A.JPG", 5, 100, "", "A.JPG"]]}
    }
    fetched = [event["path"] for event in desk.events if event["event"] == "fetched"]
    assert fetched == [os.fsencode(tmp_path / "A.JPG")]


def test_a_card_half_listed_counts_as_not_listed(desk_with: Callable[..., Desk], tmp_path: Path) -> None:
    """Else the rest of an old card would be fetched as new."""
    begins = tmp_path / "begins"
    desk = desk_with(
        f"open({str(begins)!r}, 'a').write(json.dumps(begin) + chr(10))\n"
        f"if len(open({str(begins)!r}).readlines()) == 1:\n"
        "    say('body', key='Body|1'); say('left', files=[['/store', 'OLD.JPG', 1, 1, '']]); sys.exit(1)\n" + SERVES
    )
    desk.until(lambda: "ready" in desk.states)
    assert json.loads(begins.read_text().splitlines()[1])["bodies"] == {}


def test_a_file_that_brings_the_driver_down_each_time_is_left_on_the_card(
    desk_with: Callable[..., Desk], tmp_path: Path
) -> None:
    desk = desk_with(
        "if not begin['bodies']: say('body', key='Body|1'); say('left', files=None)\n"
        "else: say('body', key='Body|1')\n"
        "ready()\n"
        "if not any(begin['bodies'].get('Body|1', {}).get('have', [])):\n"
        "    doing('fetch'); say('fetching', file=FILE); os.kill(os.getpid(), signal.SIGSEGV)\n"
        f"open({str(tmp_path / 'tries')!r}, 'w').write(json.dumps(begin['tries']))\n"
        "for order in stream: pass"
    )
    desk.until(lambda: (tmp_path / "tries").exists() and (tmp_path / "tries").read_text())
    assert json.loads((tmp_path / "tries").read_text()) == [["/store", "A.JPG", 5, 100, "", 3]]
    assert desk.troubles[-1] == "A.JPG stops the camera's driver each time. It stays on the card: copy it from there."


def test_much_to_remember_goes_over_whole(desk_with: Callable[..., Desk], tmp_path: Path) -> None:
    """A card of thousands of files is more than a pipe holds: neither side may wait for the other for ever."""
    count = 9_000
    desk = desk_with(
        "if not begin['bodies']:\n"
        "    say('body', key='B')\n"
        "    name = '/store_00010001/DCIM/100STUDIO', 'IMG_0001.JPG'\n"
        f"    say('left', files=[[*name, n, n, ''] for n in range({count})])\n"
        "    say('left', files=None); sys.exit(1)\n"
        f"open({str(tmp_path / 'count')!r}, 'w').write(str(len(begin['bodies']['B']['left'])))\n" + SERVES
    )
    desk.until(lambda: "ready" in desk.states)
    assert (tmp_path / "count").read_text() == str(count)


def test_the_camera_process_has_its_own_home_and_language(
    desk_with: Callable[..., Desk], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LC_NUMERIC", "de_DE.UTF-8")
    monkeypatch.setenv("LANGUAGE", "de")
    desk = desk_with(f"open({str(tmp_path / 'env')!r}, 'w').write(json.dumps(dict(os.environ)))\n" + SERVES)
    desk.until(lambda: "ready" in desk.states)
    env = json.loads((tmp_path / "env").read_text())
    assert env["HOME"] == str(tmp_path / "run" / "home")
    assert {key: value for key, value in env.items() if key.startswith("L")}.items() >= {"LC_ALL": "C.UTF-8"}.items()
    assert "LC_NUMERIC" not in env
    assert "LANGUAGE" not in env
    assert (tmp_path / "run" / "home").stat().st_mode & 0o777 == 0o700


def test_a_signal_for_the_service_is_not_one_for_the_camera_process(desk_with: Callable[..., Desk]) -> None:
    """Ctrl-C goes to a whole process group; the camera is told goodbye in order."""
    desk = desk_with(SERVES)
    desk.until(lambda: "ready" in desk.states)
    assert os.getpgid(desk.tether.child_pid or 0) != os.getpgid(0)
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


@pytest.mark.parametrize(
    "address", ["auto", "usb:001,004", "ptpip:192.168.1.20", "ptpip:127.0.0.1:15740", "ptpip:10.0.0.7:15740:15741"]
)
def test_addresses_that_can_be_a_cameras(address: str) -> None:
    check_address(address)


@pytest.mark.parametrize(
    "address",
    [
        *("foo", "", "auto:1", "usb", "usb:", "usb:1", "ptpip", "ptpip:", "ptpip:studio.local", "ptpip:::1"),
        *("ptpip:300.1.1.1", "ptpip:10.0.0.7:0", "ptpip:10.0.0.7:99999", "ptpip:10.0.0.7:1:2:3", "ptpip:10.0.0.7:\x1b"),
    ],
)
def test_addresses_that_can_not(address: str) -> None:
    with pytest.raises(ValueError, match="write auto, ptpip:") as wrong:
        check_address(address)
    assert str(wrong.value).isprintable()


def test_what_the_library_repeats_is_logged_once(
    desk_with: Callable[..., Desk], caplog: pytest.LogCaptureFixture
) -> None:
    """A camera that isn't there is tried again every few seconds, all night."""
    caplog.set_level("INFO")
    desk = desk_with("for word in ['refused'] * 5 + ['end']: print(word, file=sys.stderr, flush=True)\n" + SERVES)
    desk.until(lambda: "camera process: end" in caplog.text)
    assert caplog.text.count("camera process: refused") == 1
