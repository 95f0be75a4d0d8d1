"""
The rehearsal: a short session on a mock camera, with the real service and the real panel.

It is the product's own proof. Every frame goes the way any frame goes (PTP/IP, libgphoto2, a file in the folder), and
every verdict is held against what the mock studio's light says. Only a rehearsal whose verdicts all agree ends well.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from lampblack.daemon import client
from lampblack.rules.exposure import aperture_value, marked_f_number
from lampblack.rules.figures import f_text, percent, stops_long

Event = dict[str, Any]

READY_S = 60.0
FRAME_S = 45.0
_THIRD = 1 / 3


class RehearsalError(Exception):
    """The play cannot go on; one line for a person."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command's options."""
    parser.add_argument("--hands-off", action="store_true", help="play it to the end by itself, then leave")
    parser.add_argument("--folder", type=Path, metavar="DIR", help="an empty folder for the shoot (default: a new one)")
    parser.add_argument("--raw", action="store_true", help="let the camera write a DNG beside each JPEG")
    parser.add_argument("--ascii", action="store_true", help="draw the panel with ASCII only")


def run(args: argparse.Namespace) -> int:
    """Play it; return 0 only if every step gave the verdict that the light gives."""
    watched = sys.stdout.isatty() and os.environ.get("TERM", "dumb") != "dumb"
    folder = args.folder or Path(tempfile.mkdtemp(prefix="lampblack-rehearsal-"))
    folder.mkdir(parents=True, exist_ok=True)
    if any(folder.iterdir()):
        print(f"{folder} is not empty: the rehearsal wants a folder of its own.", file=sys.stderr)
        return 2
    try:
        with _stage(folder, args) as (mock, truth):
            play = Play(folder, mock, truth, slow=watched)
            _perform(play, args, watched=watched)
    except RehearsalError as trouble:
        print(f"The rehearsal could not go on: {trouble}", file=sys.stderr)
        return 1
    return _sum_up(play, folder, to_the_end=args.hands_off)


def _perform(play: Play, args: argparse.Namespace, *, watched: bool) -> None:
    """Run the play beside the panel, or alone and in lines."""
    if not watched:
        play.say = print_line
        play.perform()
        return
    from lampblack.daemon import screen  # rich is needed only here

    over = threading.Event()

    def act() -> None:
        try:
            play.perform()
        except RehearsalError as trouble:
            play.trouble = trouble
        finally:
            # Left alone, the panel stays open for whoever wants to go on; hands off, it closes after a last look.
            if args.hands_off:
                time.sleep(play.pause_s)
                over.set()

    actor = threading.Thread(target=act, name="rehearsal", daemon=True)
    actor.start()
    screen.run(play.folder, ascii_only=args.ascii, ended=over)
    play.curtain.set()
    actor.join(FRAME_S)
    if play.trouble is not None:
        raise play.trouble


def print_line(text: str) -> None:
    """Say a line at once: whoever reads it may be waiting for it."""
    print(text, flush=True)


@dataclass(frozen=True)
class Mock:
    """The camera's process: what a person does in the studio goes in by line, the answers come back by line."""

    process: subprocess.Popen[str]
    address: str

    def ask(self, command: str) -> Event:
        """Do something in the studio; returns the answer."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        try:
            self.process.stdin.write(command + "\n")
            self.process.stdin.flush()
            answer: Event = json.loads(self.process.stdout.readline())
        except (OSError, ValueError) as wrong:
            raise RehearsalError(f"the mock camera is gone ({wrong})") from None
        if not answer.get("ok"):
            raise RehearsalError(f"the studio refused '{command}': {answer.get('error')}")
        return answer


@contextlib.contextmanager
def _stage(folder: Path, args: argparse.Namespace) -> Iterator[tuple[Mock, Path]]:
    """Start camera and service; end both, whatever happens."""
    with tempfile.TemporaryDirectory(prefix="lampblack-stage-") as away, contextlib.ExitStack() as ending:
        truth = Path(away) / "truth.jsonl"
        command = [sys.executable, "-m", "lampblack.mock_camera", "--port", "0", "--truth", str(truth)]
        log = ending.enter_context(open(Path(away) / "log", "w"))
        process = subprocess.Popen(
            command + ["--raw"] * args.raw, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=log, text=True
        )
        ending.callback(_end, process)
        assert process.stdout is not None
        greeting = process.stdout.readline()
        if "ptpip:" not in greeting:
            raise RehearsalError("the mock camera did not start")
        address = greeting[greeting.index("ptpip:") :].split()[0]
        service = subprocess.Popen(
            [sys.executable, "-m", "lampblack.daemon.cli", "watch", str(folder), "--foreground", "--camera", address],
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=log,
            env={**os.environ, "XDG_DATA_HOME": away},  # what the mock camera teaches is of no use to anybody
        )
        ending.callback(_end, service)
        yield Mock(process, address), truth


def _end(process: subprocess.Popen[Any]) -> None:
    process.terminate()
    try:
        process.wait(20)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            with contextlib.suppress(OSError):
                pipe.close()


@dataclass
class Play:
    """The session as it is played: what was shot, and where a verdict and the light disagreed."""

    folder: Path
    mock: Mock
    truth: Path
    slow: bool
    shown: list[tuple[str, Event]] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    finished: bool = False
    taken_over: bool = False
    trouble: RehearsalError | None = None
    curtain: threading.Event = field(default_factory=threading.Event)

    def __post_init__(self) -> None:
        """Begin silent; the panel does the talking unless lines are wanted."""
        self.say: Any = lambda text: None
        self.pause_s = 3.0 if self.slow else 0.0
        self._client: Any = None
        self._fired = 0

    def perform(self) -> None:
        """Play from the first slate to the clean backdrop, unless a person takes the keys."""
        self._client = _connected(self.folder, self.curtain)
        try:
            camera = self._camera_ready()
            self.say(f"Camera: {camera['model']} at {self.mock.address}")
            self._metered_bracket(camera)
            self._follow_the_advice()
            self._bring_the_flag()
            self.finished = True
        except _CurtainError:
            pass
        except _TakenOverError:
            self.taken_over = True
        except client.NoServiceError as gone:
            raise RehearsalError(str(gone)) from None
        finally:
            self._client.close()

    # ------------------------------------------------------------------ the acts

    def _metered_bracket(self, camera: Event) -> None:
        """Shoot at each of three incident readings: they differ by stops, and none of them is the answer yet."""
        self.mock.ask("arrange black")
        self._slate("rim lamp, no flag")
        readings = self.mock.ask("meter")["readings"]
        self.say("Meter: " + ", ".join(f"{place} f/{_reading(r):g}" for place, r in readings.items()))
        for place, reading in readings.items():
            mark = min(camera["f_numbers"], key=lambda n: abs(aperture_value(n) - aperture_value(_reading(reading))))
            self._ask({"do": "aperture", "f_number": mark})
            verdict = self._fire(f"metered {place}")
            self._expect(verdict["exposure"]["f_number"] == mark, f"{place}: the frame is not at f/{mark:g}")

    def _follow_the_advice(self) -> None:
        """Take the suggested step until the advice is to keep what there is; three frames must be enough."""
        verdict = self.shown[-1][1]
        for _ in range(3):
            if verdict["next"]["move"] not in ("open", "close"):
                break
            verdict = self._fire("suggested", {"do": "step"})
        self._expect(verdict["next"]["move"] == "keep", "three suggestions did not end in 'keep'")
        backdrop = verdict["backdrop"]
        self._expect(backdrop["clean"] is False, "the rim lamp's spill on the black backdrop was not flagged")

    def _bring_the_flag(self) -> None:
        """Put a black card between rim lamp and backdrop: same aperture, and the backdrop is clean."""
        before = self.shown[-1][1]
        self.mock.ask("arrange black-flag")
        self._slate("rim lamp, flag in")
        after = self._fire("flag in")
        self._expect(after["backdrop"]["clean"] is True, "the backdrop is not clean with the flag in")
        same = after["exposure"]["f_number"] == before["exposure"]["f_number"]
        self._expect(same, "the aperture changed with the flag")

    # ------------------------------------------------------------------ the means

    def _slate(self, name: str) -> None:
        self._pause()
        self._ask({"do": "slate", "name": name})
        self.say(f"Setup: {name}")

    def _fire(self, why: str, how: Event | None = None) -> Event:
        """Shoot a frame, wait for its verdict, and hold it against the light."""
        self._pause()
        self._ask(how or {"do": "fire"})
        verdict = self._next_frame()
        self.shown.append((why, verdict))
        self.say(f"  {in_a_line(why, verdict)}")
        for complaint in disagreements(verdict, self._light_of(verdict["file"])):
            self._expect(False, f"{verdict['file']}: {complaint}")
        return verdict

    def _light_of(self, file: str) -> Event:
        """Return what the mock studio knows of a frame."""
        stem = Path(file).stem.lower()
        for line in self.truth.read_text("utf-8").splitlines():
            told = json.loads(line)
            if any(Path(name).stem.lower() == stem for name in told["file"]):
                truth: Event = told["truth"]
                return truth
        raise RehearsalError(f"the mock camera knows nothing of {file}")

    def _expect(self, true: bool, otherwise: str) -> None:
        if not true:
            self.wrong.append(otherwise)
            self.say(f"  WRONG: {otherwise}")

    def _ask(self, request: Event) -> None:
        reply = self._client.ask(request, FRAME_S)
        if not reply.get("ok"):
            raise RehearsalError(f"'{request['do']}' was refused: {reply.get('text')}")
        self._fired += request["do"] in ("fire", "step")

    def _next_frame(self) -> Event:
        for event in self._events("a frame"):
            if event["event"] == "frame":
                verdict: Event = event["verdict"]
                return verdict
            if event["event"] == "refused":
                raise RehearsalError(f"{event['file']} was refused: {event['error']}")
        raise AssertionError  # _events ends by raising

    def _camera_ready(self) -> Event:
        for event in self._events("the camera"):
            camera: Event = event["state"]["camera"] if event["event"] == "hello" else event.get("camera", {})
            if camera.get("state") == "ready" and camera.get("f_numbers"):
                return camera
        raise AssertionError

    def _events(self, what: str) -> Iterator[Event]:
        deadline = time.monotonic() + FRAME_S
        while time.monotonic() < deadline:
            if self.curtain.is_set():
                raise _CurtainError
            yield from self._client.receive(0.25)
        raise RehearsalError(f"{what} did not come within {FRAME_S:.0f} s")

    def _pause(self) -> None:
        """Give a person time to look; frames that come meanwhile are theirs: they have taken the keys."""
        deadline = time.monotonic() + self.pause_s
        while True:
            left = deadline - time.monotonic()
            for event in self._client.receive(max(left, 0)):
                if event["event"] == "frame" and self._fired:
                    raise _TakenOverError
            if self.curtain.is_set():
                raise _CurtainError
            if left <= 0:
                return


class _CurtainError(Exception):
    """The panel was closed."""


class _TakenOverError(Exception):
    """A person plays on."""


def _connected(folder: Path, curtain: threading.Event) -> client.Client:
    deadline = time.monotonic() + READY_S
    while True:
        try:
            return client.Client.connect(folder)
        except client.NoServiceError as gone:
            if time.monotonic() > deadline or curtain.is_set():
                raise RehearsalError(str(gone)) from None
            time.sleep(0.1)


def _reading(reading: Any) -> float:
    """Return a meter reading as the nearest mark on the dial."""
    f_number = reading["f_number"] if isinstance(reading, dict) else reading
    return marked_f_number(aperture_value(f_number))


def disagreements(verdict: Event, truth: Event) -> list[str]:
    """
    Return where a verdict and the light of the scene disagree, a line each.

    The light is the mock studio's own, without noise, and no measuring code has seen it. Its subject is all that stands
    before the backdrop: what carries the jug is lit with it, and no picture tells the one from the other.
    """
    wrong = []
    backdrop, clipped = verdict["backdrop"], verdict["highlights"]["subject"]
    if backdrop["clean"] is not truth["clean"]:
        wrong.append(f"backdrop said {_clean(backdrop['clean'])}, is {_clean(truth['clean'])}")
    if clipped is None or abs(clipped - truth["standing_clipped_jpeg"]) > 0.015:
        wrong.append(f"clipped said {clipped}, is {truth['standing_clipped_jpeg']:.4f}")
    side = (backdrop.get("spill") or {}).get("side")
    if truth["lit_from"] and not truth["clean"] and side != truth["lit_from"]:
        wrong.append(f"spill said from {side}, is from {truth['lit_from']}")
    middle, move = truth["standing_mid_stops"], verdict["next"]["move"]
    if abs(middle) > 2 * _THIRD and move != ("close" if middle > 0 else "open"):
        wrong.append(f"said '{move}' though the subject's middle lies {middle:+.1f} stops off mid grey")
    return wrong


def _clean(clean: bool | None) -> str:
    return {True: "clean", False: "not clean", None: "nothing"}[clean]


def in_a_line(why: str, verdict: Event) -> str:
    backdrop, step = verdict["backdrop"], verdict["next"]
    spill = backdrop["spill"]
    where = f" ({spill['side'] or 'all round'}, {stops_long(spill['over_stops'])} over)" if spill else ""
    return (
        f"{f_text(verdict['exposure']['f_number'])} ({why}): clipped {percent(verdict['highlights']['subject'])},"
        f" backdrop {_clean(backdrop['clean'])}{where}. {step['why']}"
    )


def _sum_up(play: Play, folder: Path, *, to_the_end: bool) -> int:
    print()
    for why, verdict in play.shown:
        print_line(in_a_line(why, verdict))
    print_line(f"Frames and journal: {folder}")
    if play.wrong:
        print_line(f"{len(play.wrong)} verdicts disagree with the light:")
        for line in play.wrong:
            print_line(f"  {line}")
        return 1
    if not play.finished:
        print_line("You took over; the play was not finished." if play.taken_over else "Left before the end.")
        return 1 if to_the_end else 0
    print_line(f"{len(play.shown)} frames, every verdict as the light has it.")
    return 0
