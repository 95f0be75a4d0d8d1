"""
`lampblack again`: a shoot's frames measured again, with other thresholds or under another aim.

All cores work at it. It can be stopped at any time; the same command goes on from there.
"""

from __future__ import annotations

import argparse
import contextlib
import signal
import sqlite3
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from types import FrameType
from typing import Any, NoReturn, Protocol

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn
from rich.text import Text

from lampblack.daemon import standing
from lampblack.daemon.clean import clean, clean_path
from lampblack.daemon.config import JOURNAL_NAME, ConfigError, load_thresholds
from lampblack.daemon.eyes import Eyes, cores
from lampblack.daemon.journal import Journal, JournalError
from lampblack.daemon.premises import AlreadyWatchedError, FolderLock, StartError
from lampblack.daemon.remeasure import Again, Outcome, Wanted
from lampblack.daemon.score import BACKDROPS, an_aim

Json = dict[str, Any]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command's options."""
    parser.add_argument("folder", metavar="FOLDER", type=Path, help="the shoot's folder")
    parser.add_argument(
        "--setup", type=int, action="append", metavar="N", dest="setups", help="this setup alone; may be given again"
    )
    parser.add_argument("--aim", type=an_aim, metavar="AIM", help="another aim than the one at the time")
    parser.add_argument("--backdrop", choices=BACKDROPS, help="what the backdrop is meant to be, if not as at the time")
    parser.add_argument("--thresholds", type=Path, metavar="FILE", help="thresholds (TOML) that go over your own")
    parser.add_argument("--cores", type=_count, metavar="N", help="how many frames to work on at a time (default: all)")
    parser.add_argument("--json", action="store_true", help="print one JSON object a frame, and one at the end")


def _count(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 256:
        raise argparse.ArgumentTypeError(f"{text!r}: a number from 1")
    return int(text)


def run(args: argparse.Namespace) -> int:
    """Measure the frames again; return the exit status of the contract, or 130 when it was stopped."""
    folder = standing.folder_of(args)
    wanted = Wanted(None if args.setups is None else frozenset(args.setups), args.aim, args.backdrop)
    return _run(args, folder, wanted, args.thresholds, args.cores)


def judge_again(args: argparse.Namespace, folder: Path, setups: Iterable[int]) -> int:
    """Measure the frames of some setups again, since they changed; returns as `run` does. args: `json` counts."""
    return _run(args, folder, Wanted(frozenset(setups)))


def _run(
    args: argparse.Namespace, folder: Path, wanted: Wanted, own: Path | None = None, count: int | None = None
) -> int:
    if not folder.is_dir():
        return standing.fail(args, folder, standing.no_folder(folder))
    if not (folder / JOURNAL_NAME).is_file():
        return standing.fail(args, folder, "There is no journal here: watch the folder first, or see to its name.")
    try:
        thresholds = load_thresholds(folder, own)
        with whole_shoot(folder) as journal, contextlib.closing(Eyes(thresholds, count or cores())) as eyes:
            eyes.open()
            return go_over(Again(folder, journal, thresholds, wanted), eyes, told_how(as_json=args.json))
    except (ConfigError, JournalError, StartError, ValueError) as wrong:
        return standing.fail(args, folder, str(wrong))
    except sqlite3.Error as wrong:
        text = f"{JOURNAL_NAME} cannot be read ({clean(str(wrong))}): lampblack shoots --check says more."
        return standing.fail(args, folder, text)


@contextlib.contextmanager
def whole_shoot(folder: Path) -> Iterator[Journal]:
    """
    Open a shoot's journal; no service can begin meanwhile.

    Raises:
        StartError: one has the folder; says what to do.
        JournalError: as `Journal.open`.
    """
    try:
        lock = FolderLock(folder)
    except AlreadyWatchedError as wrong:
        stop = f" End that first, lampblack stop {standing.in_shell(folder)}, and watch it again afterwards."
        raise StartError(f"{wrong}{stop if wrong.watched else ''}") from None
    try:
        lock.keep_for("measured again", folder)
        journal, said = Journal.open(folder / JOURNAL_NAME)
        if said is not None:
            print(said, file=sys.stderr)
        with contextlib.closing(journal):
            yield journal
    finally:
        lock.release()


# ---------------------------------------------------------------- going over them


def go_over(again: Again, eyes: Eyes, teller: Teller) -> int:
    """Measure, telling how it goes; return the exit status."""
    count = _Count(again.frames, len(again.done))
    handlers = {number: signal.signal(number, _interrupt) for number in (signal.SIGTERM, signal.SIGHUP)}
    try:
        teller.begin(count)
        for outcome in again.work(eyes):
            count.add(outcome, time.monotonic())
            teller.frame(count, outcome)
    except KeyboardInterrupt:
        count.stopped = True
    finally:
        for number, handler in handlers.items():
            signal.signal(number, handler)
        teller.end(count)
    return 130 if count.stopped else 1 if count.refused else 0


def _interrupt(number: int, frame: FrameType | None) -> NoReturn:
    raise KeyboardInterrupt


class _Count:
    """How far it has come."""

    def __init__(self, of: int, before: int) -> None:
        self.of, self.before = of, before
        self.looked = self.measured = self.refused = self.changed = 0
        self.stopped = False
        self.left_s: float | None = None
        self._first: float | None = None

    def add(self, outcome: Outcome, now_s: float) -> None:
        """Count a frame."""
        self.looked += 1
        self.refused += outcome.error is not None
        self.measured += outcome.verdict is not None and not outcome.known
        self.changed += bool(differing(outcome))
        if self._first is None:  # starting up is no measure of what is to come
            self._first = now_s
        else:
            self.left_s = (now_s - self._first) / (self.looked - 1) * (self.of - self.looked)

    def as_json(self) -> Json:
        return {"done": self.looked, "of": self.of, "left_s": None if self.left_s is None else round(self.left_s, 1)}


def differing(outcome: Outcome) -> list[str]:
    """
    Return in what a frame is told otherwise than before, by the contract's keys.

    Small changes of figures don't count: what a person would do otherwise does.
    """
    old, new = outcome.before.verdict, outcome.verdict
    return [] if new is None or outcome.known else [key for key, of in _TELLING.items() if of(old) != of(new)]


def _part(said: Json, key: str) -> Json:
    part = said.get(key)
    return part if isinstance(part, dict) else {}


_TELLING: dict[str, Callable[[Json], list[Any]]] = {
    "next": lambda said: [_part(said, "next").get(key) for key in ("move", "f_number")],
    "backdrop": lambda said: [_part(said, "backdrop").get(key) for key in ("tone", "clean")],
    "notices": lambda said: sorted(str(one.get("kind")) for one in said.get("notices") or () if isinstance(one, dict)),
}


# ---------------------------------------------------------------- saying how it goes


class Teller(Protocol):
    """Tells of the work as it goes."""

    def begin(self, count: _Count) -> None:
        """Say what there is to do."""

    def frame(self, count: _Count, outcome: Outcome) -> None:
        """Say that a frame is dealt with."""

    def end(self, count: _Count) -> None:
        """Say how it ended."""


def told_how(*, as_json: bool) -> Teller:
    """Return a way to tell that fits where it is read: JSON, a bar on a terminal, or lines."""
    return _Objects() if as_json else _Bar(Console(highlight=False)) if sys.stdout.isatty() else _Lines()


def duration(seconds: float | None) -> str:
    """
    Return a time to wait in words.

    >>> [duration(s) for s in (None, 0, 0.4, 41, 75, 600, 5400)]
    ['', '', 'a second left', '41 s left', '1 min 15 s left', '10 min left', '1 h 30 min left']
    """
    if not seconds:
        return ""
    whole = round(seconds)
    if whole < 2:
        return "a second left"
    if whole < 60:
        return f"{whole} s left"
    if whole < 300:
        return f"{whole // 60} min {whole % 60} s left"
    minutes = round(whole / 60)
    return f"{minutes} min left" if minutes < 60 else f"{minutes // 60} h {minutes % 60} min left"


def line_of(outcome: Outcome) -> str:
    """Return what is said of a frame now, and before if that was otherwise."""
    name = clean_path(outcome.before.path)
    if outcome.verdict is None:
        return f"{name}: {clean(outcome.error or '', 300)}"
    why, before = (_part(said, "next").get("why") for said in (outcome.verdict, outcome.before.verdict))
    was = f" (before: {before})" if before and before != why and differing(outcome) else ""
    return clean(f"{name}: {why}{was}", 500)


def _what(count: _Count) -> str:
    if not count.of:
        return "No frame is to be measured again."
    gone_on = f"; {count.before} were done before, it goes on from there" if count.before else ""
    return f"{_frames(count.of)} to measure again{gone_on}."


def _frames(count: int) -> str:
    return "1 frame" if count == 1 else f"{count} frames"


def _how(count: _Count) -> str:
    refused = f", {count.refused} could not be" if count.refused else ""
    told = f"{_frames(count.measured)} measured again, {count.changed} told otherwise than before{refused}."
    return f"Stopped: {told} What is done is kept: the same command goes on from there." if count.stopped else told


class _Lines:
    def begin(self, count: _Count) -> None:
        print(_what(count), flush=True)

    def frame(self, count: _Count, outcome: Outcome) -> None:
        if outcome.known:
            return
        left = duration(count.left_s)
        where = f"{count.looked} of {count.of}{f', {left}' if left else ''}"
        out = sys.stdout if outcome.error is None else sys.stderr
        print(f"{where}: {line_of(outcome)}", file=out, flush=True)

    def end(self, count: _Count) -> None:
        if count.of:
            print(_how(count), flush=True)


class _Bar:
    """Bar and words on a terminal; what is told otherwise, or not at all, stands above it."""

    def __init__(self, console: Console) -> None:
        self._console = console
        columns = (BarColumn(None), TextColumn("{task.completed} of {task.total} {task.fields[left]}", markup=False))
        # One thread draws, and nobody's output is caught.
        self._progress = Progress(
            *columns, console=console, auto_refresh=False, redirect_stdout=False, redirect_stderr=False
        )
        self._task = TaskID(0)

    def begin(self, count: _Count) -> None:
        self._console.print(Text(_what(count)))
        if count.of:
            self._progress.start()
            self._task = self._progress.add_task("", total=count.of, left="")

    def frame(self, count: _Count, outcome: Outcome) -> None:
        if outcome.error is not None or differing(outcome):
            self._progress.console.print(Text(line_of(outcome)))
        self._progress.update(self._task, completed=count.looked, left=duration(count.left_s), refresh=True)

    def end(self, count: _Count) -> None:
        self._progress.stop()
        if count.of:
            self._console.print(Text(_how(count)))


class _Objects:
    def begin(self, count: _Count) -> None:
        pass

    def frame(self, count: _Count, outcome: Outcome) -> None:
        before, progress = outcome.before, count.as_json()
        if outcome.verdict is None:
            name = clean_path(before.path)
            standing.print_json({"file": name, "frame": before.number, "error": outcome.error, "progress": progress})
            print(line_of(outcome), file=sys.stderr)
        elif not outcome.known:
            told = {"was": before.verdict, "differs": differing(outcome), "progress": progress}
            standing.print_json({**outcome.verdict, **told})

    def end(self, count: _Count) -> None:
        told = {"measured": count.measured, "changed": count.changed, "refused": count.refused}
        standing.print_json({**told, "done_before": count.before, "stopped": count.stopped})
