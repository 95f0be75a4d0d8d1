"""
`python -m lampblack.mock_camera`: the camera in its studio, on loopback.

Standard input takes what a person does there, a line each: moving lamps, pressing the button, pulling the
battery. Each line is answered by one JSON object. Frames travel by PTP/IP alone.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import itertools
import json
import math
import signal
import sys
import tempfile
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, replace
from datetime import datetime
from pathlib import Path
from typing import NoReturn, Protocol, TextIO

from lampblack.mock_camera import codec
from lampblack.mock_camera.body import (
    FORMATS,
    MODES,
    WHITE_BALANCES,
    Body,
    Card,
    CardItem,
    Exposed,
    RefusedError,
    Settings,
    Shot,
)
from lampblack.mock_camera.server import Server


class Studio(Protocol):
    """What the camera looks at."""

    @property
    def arrangements(self) -> tuple[str, ...]:
        """Return the arrangements by name."""

    @property
    def lamps(self) -> tuple[str, ...]:
        """Return the lamps by name."""

    def arrange(self, name: str) -> None:
        """Set an arrangement up."""

    def set_lamp(self, name: str, gain_stops: float | None) -> None:
        """Turn a lamp up or down, in stops from its full light; None: off."""

    def meter(self, iso: int, shutter_s: float) -> Mapping[str, object]:
        """Return what a hand-held meter reads at a speed and a time, by place."""

    def photograph(self, settings: Settings, number: int, megapixels: float) -> Exposed:
        """Take a frame."""


class _StageError(Exception):
    """A stage command can't be carried out; the text says why."""


class _EndError(Exception):
    """A signal asks the camera to end."""


# ---------------------------------------------------------------------------------------------- stage


def _number(words: Sequence[str], low: float, high: float = math.inf) -> float:
    try:
        number = float(words[0])
    except (IndexError, ValueError):
        raise _StageError("a number is missing") from None
    if not low <= number <= high:
        raise _StageError(f"{number:g} is not from {low:g} to {high:g}")
    return number


def _whole(words: Sequence[str]) -> int:
    number = _number(words, 0, 1e12)
    if number != int(number):
        raise _StageError("a whole number is wanted")
    return int(number)


def _choice(words: Sequence[str], choices: Sequence[str], what: str) -> str:
    if not words or words[0] not in choices:
        raise _StageError(f"{what} is one of: {', '.join(choices)}")
    return words[0]


class Stage:
    """
    What a person can do in the studio and to the camera.

    Args:
        server: the running camera.
        studio: what it looks at.
    """

    def __init__(self, server: Server, studio: Studio) -> None:
        self._server = server
        self._studio = studio

    def answer(self, line: str) -> dict[str, object]:
        """Carry a command out; returns `{"ok": true, ...}` or `{"ok": false, "error": ...}`."""
        words = line.split()
        act = _COMMANDS.get(words[0]) if words else None
        if act is None:
            return {"ok": False, "error": "unknown command; try: help"}
        try:
            return {"ok": True, **act[0](self, words[1:])}
        except (_StageError, RefusedError) as why:
            return {"ok": False, "error": str(why)}

    def _arrange(self, words: Sequence[str]) -> dict[str, object]:
        name = _choice(words, self._studio.arrangements, "an arrangement")
        self._server.in_darkroom(lambda: self._studio.arrange(name))
        return {"arrangement": name}

    def _lamp(self, words: Sequence[str]) -> dict[str, object]:
        name = _choice(words, self._studio.lamps, "a lamp")
        stops = None if words[1:2] == ["off"] else _number(words[1:], -20, 20)
        self._server.in_darkroom(lambda: self._studio.set_lamp(name, stops))
        return {"lamp": name, "stops": stops}

    def _meter(self, words: Sequence[str]) -> dict[str, object]:
        iso, shutter_s = self._server.do(lambda body: (body.iso, body.shutter_s))
        return {"readings": dict(self._server.in_darkroom(lambda: self._studio.meter(iso, shutter_s)))}

    def _press(self, words: Sequence[str]) -> dict[str, object]:
        return {"frame": self._server.do(lambda body: body.press()).number}

    def _sleep(self, words: Sequence[str]) -> dict[str, object]:
        self._server.do(lambda body: body.sleep())
        return {}

    def _wake(self, words: Sequence[str]) -> dict[str, object]:
        self._server.do(lambda body: body.wake())
        return {}

    def _busy(self, words: Sequence[str]) -> dict[str, object]:
        seconds = _number(words, 0, 1e6)

        def act(body: Body) -> None:
            body.trouble.busy_s = seconds

        self._server.do(act)
        return {"busy_s": seconds}

    def _drop(self, words: Sequence[str]) -> dict[str, object]:
        after, skip = _whole(words), _whole(words[1:2] or ("0",))
        self._server.do(lambda body: body.trouble.cut(after, skip))
        return {"after_bytes": after, "skip_objects": skip}

    def _slow(self, words: Sequence[str]) -> dict[str, object]:
        rate = None if words[:1] == ["off"] else _number(words, 0, 1e12)
        self._server.do(lambda body: body.trouble.slow(rate))
        return {"bytes_per_s": rate}

    def _card(self, words: Sequence[str]) -> dict[str, object]:
        frames = None if words[:1] == ["off"] else _whole(words)

        def act(body: Body) -> int:
            body.card.frames_left = frames
            return body.card.free_frames

        return {"frames_left": self._server.do(act)}

    def _files(self, words: Sequence[str]) -> dict[str, object]:
        def digests(body: Body) -> list[str]:
            items = [item for item in body.card.items.values() if not item.is_folder]
            return [hashlib.sha256(body.card.read(item, 0, item.size)).hexdigest() for item in items]

        return {"sha256": self._server.do(digests)}

    def _battery(self, words: Sequence[str]) -> dict[str, object]:
        percent = _number(words, 0, 100)
        self._server.do(lambda body: body.charge(percent))
        return {"percent": percent}

    def _mode(self, words: Sequence[str]) -> dict[str, object]:
        mode = _choice(words, MODES, "a mode")
        self._server.do(lambda body: body.dial("mode", mode))
        return {"mode": mode}

    def _balance(self, words: Sequence[str]) -> dict[str, object]:
        balance = _choice(words, WHITE_BALANCES, "a white balance")
        self._server.do(lambda body: body.dial("white_balance", balance))
        return {"white_balance": balance}

    def _help(self, words: Sequence[str]) -> dict[str, object]:
        return {
            "commands": {f"{name} {rest}".strip(): text for name, (_, rest, text) in _COMMANDS.items()},
            "arrangements": self._studio.arrangements,
            "lamps": self._studio.lamps,
        }

    def _quit(self, words: Sequence[str]) -> dict[str, object]:
        return {}


_Act = Callable[[Stage, Sequence[str]], dict[str, object]]
_COMMANDS: Mapping[str, tuple[_Act, str, str]] = {
    "arrange": (Stage._arrange, "NAME", "set an arrangement of lamps, cards and backdrop up"),
    "lamp": (Stage._lamp, "NAME STOPS|off", "turn a lamp up or down from its full light, or off"),
    "meter": (Stage._meter, "", "read the hand-held meter, at the camera's speed and time"),
    "press": (Stage._press, "", "press the camera's own button; wakes it too"),
    "sleep": (Stage._sleep, "", "let the camera fall asleep: connections drop, new ones are refused"),
    "wake": (Stage._wake, "", "wake it"),
    "busy": (Stage._busy, "SECONDS", "let it answer for so long that it is busy"),
    "drop": (
        Stage._drop,
        "BYTES [OBJECTS]",
        "break the line after so many bytes of an object; OBJECTS go through first",
    ),
    "slow": (Stage._slow, "BYTES_PER_SECOND|off", "slow the line down; 0 freezes it"),
    "card": (Stage._card, "FRAMES|off", "leave room for so many frames"),
    "files": (Stage._files, "", "tell each file on the card by its SHA-256"),
    "battery": (Stage._battery, "PERCENT", "set the battery's charge; under 3 the shutter stays locked"),
    "balance": (Stage._balance, "NAME", f"set the white balance by hand: {', '.join(WHITE_BALANCES)}"),
    "mode": (
        Stage._mode,
        "M|A",
        "turn the mode dial: manual, or automatic, which keeps aperture and shutter to itself",
    ),
    "help": (Stage._help, "", "list this"),
    "quit": (Stage._quit, "", "end"),
}
"""Each command: what it does, what follows it, what it is for."""


# ------------------------------------------------------------------------------------------- the program


def _port(text: str) -> int:
    port = int(text)
    if not 0 <= port <= 65535:
        raise ValueError
    return port


def _above_zero(text: str) -> float:
    number = float(text)
    if not 0 < number < math.inf:
        raise ValueError
    return number


# What argparse calls them when it refuses one.
_port.__name__ = "port"
_above_zero.__name__ = "number above zero"


class _Parser(argparse.ArgumentParser):
    """Says wrong usage in one line."""

    def error(self, message: str) -> NoReturn:
        """Say it and end with the exit status of wrong usage."""
        line = "".join(c if c.isprintable() else "?" for c in message)
        self.exit(2, f"{self.prog}: {line[:300]}; see {self.prog} --help\n")


def _parser() -> argparse.ArgumentParser:
    p = _Parser(
        prog="lampblack mock", allow_abbrev=False, description="A camera in a small studio, on this machine alone."
    )
    p.add_argument("--port", type=_port, default=codec.PORT, help="where to listen; 0: any free port (%(default)s)")
    p.add_argument("--event-port", type=_port, help="a second port for the event connection (the same)")
    p.add_argument("--megapixels", type=_above_zero, default=6.0, help="size of the frames (%(default)s)")
    p.add_argument("--raw", action="store_true", help="write a DNG beside each JPEG")
    p.add_argument(
        "--sleep-after", type=_above_zero, metavar="S", help="fall asleep after so many idle seconds (never)"
    )
    p.add_argument("--seed", type=int, default=1, help="of the sensor's noise (%(default)s)")
    p.add_argument("--truth", type=Path, metavar="FILE", help="append what is known of each frame's light, as JSON")
    p.add_argument(
        "--bytes-per-second", type=_above_zero, metavar="B", help="let the line be slow (as fast as it goes)"
    )
    p.add_argument("--no-view", action="store_true", help="show nobody what the lens sees without a shot")
    return p


def _told(path: Path | None) -> Callable[[Shot, list[CardItem], Exposed], None] | None:
    """Return what appends a frame's truth to the file. OSError if the file can't be written."""
    if path is None:
        return None
    with path.open("a", encoding="utf-8"):
        pass

    def tell(shot: Shot, items: list[CardItem], exposed: Exposed) -> None:
        names = [item.name for item in items]
        line = {"file": names, "settings": asdict(shot.settings), "truth": dict(exposed.truth)}
        with path.open("a", encoding="utf-8") as out:
            out.write(json.dumps(line, allow_nan=False) + "\n")

    return tell


def _view_of(studio: Studio) -> Callable[[Settings], bytes]:
    """Return what makes a small picture of what the lens sees; each has noise of its own."""
    numbers = itertools.count(1_000_000)

    def view(settings: Settings) -> bytes:
        return studio.photograph(replace(settings, formats=FORMATS[0]), next(numbers), _VIEW_MEGAPIXELS).files[0][1]

    return view


_VIEW_MEGAPIXELS = 0.1
_ENDING = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)


@contextlib.contextmanager
def _ended_by_signals() -> Iterator[None]:
    """Let a signal end the block, and nothing but the block: threads are started and joined undisturbed."""
    try:
        try:
            signal.pthread_sigmask(signal.SIG_UNBLOCK, _ENDING)
            yield
        finally:
            signal.pthread_sigmask(signal.SIG_BLOCK, _ENDING)
    except _EndError:
        pass


def _hold_signals() -> None:
    """Have signals wait for `_ended_by_signals`."""

    def end(number: int, frame: object) -> None:
        for each in _ENDING:
            signal.signal(each, lambda *_: None)  # another may already have come
        raise _EndError

    signal.pthread_sigmask(signal.SIG_BLOCK, _ENDING)
    for number in _ENDING:
        if signal.getsignal(number) is not signal.SIG_IGN:  # nohup stays nohup
            signal.signal(number, end)


def _play(stage: Stage, server: Server, lines: Iterable[str], out: TextIO) -> None:
    """Carry stage commands out until `quit`; at their end stay until a signal comes."""
    for line in lines:
        if not line.strip():
            continue
        print(json.dumps(stage.answer(line), allow_nan=False), file=out, flush=True)
        if line.split() == ["quit"]:
            return
    server.wait()


def _wake_main() -> None:
    """Let the main thread know that the camera died by itself, though it may be reading a line."""
    main = threading.main_thread().ident
    if main is not None:
        signal.pthread_kill(main, signal.SIGTERM)


def run(argv: Sequence[str], build: Callable[[int], Studio], lines: Iterable[str], out: TextIO) -> int:
    """
    Run the camera until it is told to end.

    Args:
        argv: the options, without the program's name.
        build: makes the studio from a seed.
        lines: stage commands.
        out: takes the line of greeting and the answers.

    Returns:
        The exit status: 0 ended as asked, 1 it could not begin, 2 wrong usage.
    """
    try:
        args = _parser().parse_args(argv)
    except SystemExit as status:
        return int(status.code or 0)
    _hold_signals()
    studio = build(args.seed)
    formats = FORMATS[2] if args.raw else FORMATS[0]
    try:
        with tempfile.TemporaryFile() as memory:
            body = Body(Card(memory), clock=datetime.now(), sleep_after_s=args.sleep_after, formats=formats)
            body.trouble.slow(args.bytes_per_second)
            server = Server(
                body,
                lambda settings, number: studio.photograph(settings, number, args.megapixels),
                port=args.port,
                event_port=args.event_port,
                on_frame=_told(args.truth),
                view=None if args.no_view else _view_of(studio),
                on_failure=_wake_main,
            )
            with server, _ended_by_signals():
                print(f"camera ready at {server.address}", file=out, flush=True)
                _play(Stage(server, studio), server, lines, out)
    except OSError as error:
        print(f"lampblack mock: {error.strerror or error}: {error.filename or f'port {args.port}'}", file=sys.stderr)
        return 1
    return 0


def main(argv: Sequence[str] | None = None) -> int:
    """Run the camera in the studio that comes with it."""
    from lampblack.mock_camera.studio import Studio as OurStudio  # late: `--help` needs no light

    return run(sys.argv[1:] if argv is None else argv, lambda seed: OurStudio(seed=seed), sys.stdin, sys.stdout)
