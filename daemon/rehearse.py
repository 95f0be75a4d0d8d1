"""
The rehearsal: a short session on a mock camera, with the real service and the real panel.

It is the product's own proof. Every frame goes the way any frame goes (PTP/IP, libgphoto2, a file in the folder), and
every verdict is held against what the mock studio's light says. Only a rehearsal whose verdicts all agree ends well.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from lampblack.daemon import client
from lampblack.daemon.stage import (
    EndedError,
    RehearsalError,
    Signals,
    Stage,
    WrongFolderError,
    set_up,
    shoot_folder,
)
from lampblack.rules.exposure import aperture_value, marked_f_number
from lampblack.rules.figures import f_text, percent, stops_long

Event = dict[str, Any]

READY_S = 60.0
FRAME_S = 45.0
LEAVE_S = 2.0
"""For the play to notice that the panel was closed."""
_THIRD = 1 / 3
_CLEAN_CODE = 5
"""What the README calls clean black."""
_ABOUT_CLEAN = (5, 6)  # a third of a stop about 5.5, where codes go with light


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command's options."""
    parser.add_argument("--hands-off", action="store_true", help="play it to the end by itself, then leave")
    parser.add_argument("--keep", action="store_true", help="keep its frames and journal afterwards, and say where")
    parser.add_argument("--folder", type=Path, metavar="DIR", help="an empty folder for the shoot; it is kept")
    parser.add_argument("--raw", action="store_true", help="let the camera write a DNG beside each JPEG")
    parser.add_argument("--ascii", action="store_true", help="draw the panel with ASCII only")


def run(args: argparse.Namespace) -> int:
    """Play it; return 0 only if every step gave the verdict that the light gives."""
    with Signals() as signals:
        try:
            with shoot_folder(args.folder, keep=args.keep) as folder:
                keep = args.keep or args.folder is not None
                try:
                    status = _run(args, folder, signals)
                    if keep:
                        _write_page(folder)
                    return status
                finally:
                    if keep:
                        print_line(f"Frames and journal are kept in {folder}")
        except WrongFolderError as wrong:
            print(wrong, file=sys.stderr)
            return 2
        except RehearsalError as trouble:
            print(f"The rehearsal could not go on: {trouble}", file=sys.stderr)
            return 1
        except EndedError as ended:
            return 128 + ended.number


def _write_page(folder: Path) -> None:
    from lampblack.daemon.sheet import write_page  # heavy: only where there is something to keep

    page = write_page(folder, "class")
    if page is not None:
        print_line(f"A page of them: {page}")


def _run(args: argparse.Namespace, folder: Path, signals: Signals) -> int:
    watched = sys.stdout.isatty() and os.environ.get("TERM", "dumb") != "dumb"
    with set_up(folder, signals, raw=args.raw) as stage:
        play = Play(stage, slow=watched)
        if watched:
            _perform_beside_panel(play, args, signals)
        else:
            play.say = play.report = print_line
            with signals.heard():
                play.perform()
    if watched:
        for why, verdict in play.shown:
            print_line(in_a_line(why, verdict))
    return _sum_up(play, to_the_end=args.hands_off)


def _perform_beside_panel(play: Play, args: argparse.Namespace, signals: Signals) -> None:
    from lampblack.daemon import screen  # rich is needed only here

    cue = screen.Cue()
    play.say = cue.say

    def act() -> None:
        try:
            play.perform()
        except RehearsalError as trouble:
            play.trouble = trouble
        # Hands off, the panel closes after a last look; else it stays for whoever wants to go on.
        if args.hands_off and not play.taken_over:
            play.curtain.wait(play.pause_s)
            cue.end()
        else:
            cue.say(afterword(play))

    actor = threading.Thread(target=act, name="rehearsal", daemon=True)
    actor.start()
    try:
        status = screen.run(play.stage.folder, ascii_only=args.ascii, cue=cue)
    finally:
        play.curtain.set()
    if status > 128:
        raise EndedError(status - 128)
    with signals.heard():
        actor.join(LEAVE_S)
    if play.trouble is not None:
        raise play.trouble


def afterword(play: Play) -> str:
    """Return what the panel says at its foot once the play is over."""
    if play.trouble is not None:
        return f"The play could not go on: {play.trouble}."
    if play.taken_over:
        return "You have taken over: the play stops here, camera and studio stay. q leaves."
    return "The play is over; the keys are yours: space takes the step, f fires, q leaves."


def print_line(text: str) -> None:
    """Say a line at once: whoever reads it may be waiting for it."""
    print(text, flush=True)


def _nobody(text: str) -> None:
    """Where the panel does the talking."""


@dataclass
class Play:
    """The session as it is played: what was shot, and where a verdict and the light disagreed."""

    stage: Stage
    slow: bool
    say: Callable[[str], None] = _nobody
    """Takes what is done."""
    report: Callable[[str], None] = _nobody
    """Takes each frame's line."""
    shown: list[tuple[str, Event]] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    finished: bool = False
    taken_over: bool = False
    trouble: RehearsalError | None = None
    curtain: threading.Event = field(default_factory=threading.Event)

    def __post_init__(self) -> None:
        """Begin before the first frame."""
        self.pause_s = 3.0 if self.slow else 0.0
        self._client: Any = None
        self._fired = 0

    def perform(self) -> None:
        """Play from the first slate to the clean backdrop, unless a person takes the keys."""
        try:
            self._client = self._connected()
            camera = self._camera_ready()
            self.say(f"Camera: {camera['model']} at {self.stage.mock.address}")
            self._metered_bracket(camera)
            self._follow_the_advice()
            self._bring_the_flag()
            self.finished = True
        except _CurtainError:
            pass
        except _TakenOverError:
            self.taken_over = True
        except client.NoServiceError as gone:
            self.stage.check_service()
            raise RehearsalError(str(gone)) from None
        finally:
            if self._client is not None:
                self._client.close()

    # ------------------------------------------------------------------ the acts

    def _metered_bracket(self, camera: Event) -> None:
        """Shoot at each of three incident readings: they differ by stops, and none of them is the answer yet."""
        self.stage.mock.ask("arrange black")
        self._slate("rim lamp, no flag")
        readings = self.stage.mock.ask("meter")["readings"]
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
        self.stage.mock.ask("arrange black-flag")
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
        self.report(f"  {in_a_line(why, verdict)}")
        for complaint in disagreements(verdict, self._light_of(verdict["file"])):
            self._expect(False, f"{verdict['file']}: {complaint}")
        return verdict

    def _light_of(self, file: str) -> Event:
        """Return what the mock studio knows of a frame."""
        stem = Path(file).stem.lower()
        for line in self.stage.truth.read_text("utf-8").splitlines():
            told = json.loads(line)
            if any(Path(name).stem.lower() == stem for name in told["file"]):
                truth: Event = told["truth"]
                return truth
        raise RehearsalError(f"the mock camera knows nothing of {file}")

    def _expect(self, true: bool, otherwise: str) -> None:
        if not true:
            self.wrong.append(otherwise)
            self.report(f"  WRONG: {otherwise}")

    def _ask(self, request: Event) -> None:
        reply = self._client.ask(request, FRAME_S)
        if not reply.get("ok"):
            raise RehearsalError(f"'{request['do']}' was refused: {reply.get('text')}")
        self._fired += request["do"] in ("fire", "step")

    def _next_frame(self) -> Event:
        for event in self._events("a frame"):
            if event["event"] == "frame" and not event.get("again"):
                verdict: Event = event["verdict"]
                return verdict
            if event["event"] == "refused":
                raise RehearsalError(f"{event['file']} was refused: {event['error']}")
        raise AssertionError  # _events ends by raising

    def _connected(self) -> client.Client:
        deadline = time.monotonic() + READY_S
        while True:
            try:
                return client.Client.connect(self.stage.folder)
            except client.NoServiceError as gone:
                if self.curtain.is_set():
                    raise _CurtainError from None
                self.stage.check_service()
                if time.monotonic() > deadline:
                    raise RehearsalError(str(gone)) from None
                time.sleep(0.1)

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
            self.stage.check_service()
            yield from self._client.receive(0.25)
        raise RehearsalError(f"{what} did not come within {FRAME_S:.0f} s")

    def _pause(self) -> None:
        """Give a person time to look; frames that come meanwhile are theirs: they have taken the keys."""
        deadline = time.monotonic() + self.pause_s
        while True:
            left = deadline - time.monotonic()
            for event in self._client.receive(max(left, 0)):
                theirs = event["event"] == "aim" or (event["event"] == "frame" and not event.get("again"))
                if theirs and self._fired:
                    raise _TakenOverError
            if self.curtain.is_set():
                raise _CurtainError
            if left <= 0:
                return


class _CurtainError(Exception):
    """The panel was closed."""


class _TakenOverError(Exception):
    """A person plays on."""


def _reading(reading: Any) -> float:
    """Return a meter reading as the nearest mark on the dial."""
    f_number = reading["f_number"] if isinstance(reading, dict) else reading
    return marked_f_number(aperture_value(f_number))


def disagreements(verdict: Event, truth: Event) -> list[str]:
    """
    Return where a verdict and the light of the scene disagree, a line each.

    The light is the mock studio's own, without noise, and no measuring code has seen it. Its subject is all that stands
    before the backdrop: what carries the jug is lit with it, and no picture tells the one from the other. A raw frame
    is held against what its sensor holds, and its black must be clean as developed plainly, too; where that lies within
    a third of a stop of the limit, either is right.
    """
    wrong = []
    backdrop, clipped = verdict["backdrop"], verdict["highlights"]["subject"]
    raw = verdict["pixels"]["kind"] == "raw"
    plain = truth["backdrop_plain_code_p99"]
    clean = truth["clean"] and not (raw and plain > _CLEAN_CODE)
    if raw and truth["clean"] and plain in _ABOUT_CLEAN:
        clean = backdrop["clean"]
    burnt = truth["standing_clipped" if raw else "standing_clipped_jpeg"]
    if backdrop["clean"] is not clean and not (clean and backdrop.get("only_grain")):  # the truth has no noise
        wrong.append(f"backdrop said {_clean(backdrop['clean'])}, is {_clean(clean)}")
    if clipped is None or abs(clipped - burnt) > 0.015:
        wrong.append(f"clipped said {percent(clipped)}, is {percent(burnt)}")
    side = (backdrop.get("spill") or {}).get("side")
    if truth["lit_from"] and not clean and side != truth["lit_from"]:
        wrong.append(f"spill said from {side}, is from {truth['lit_from']}")
    middle, move = truth["standing_mid_stops"], verdict["next"]["move"]
    if abs(middle) > 2 * _THIRD and move != ("close" if middle > 0 else "open"):
        wrong.append(f"said '{move}' though the subject's middle lies {middle:+.1f} stops off mid grey")
    return wrong


def _clean(clean: bool | None) -> str:
    return {True: "clean", False: "not clean", None: "nothing"}[clean]


def in_a_line(why: str, verdict: Event) -> str:
    backdrop, step = verdict["backdrop"], verdict["next"]
    spill = None if backdrop["clean"] or backdrop.get("only_grain") else backdrop["spill"]
    where = f" ({spill['side'] or 'all round'}, {stops_long(spill['over_stops'])} over)" if spill else ""
    return (
        f"{f_text(verdict['exposure']['f_number'])} ({why}): clipped {percent(verdict['highlights']['subject'])},"
        f" backdrop {_clean(backdrop['clean'])}{where}. {step['why']}"
    )


def _sum_up(play: Play, *, to_the_end: bool) -> int:
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
