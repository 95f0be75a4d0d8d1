"""
`lampblack review`: a setup at a glance, out of the shoot's journal; with a service or without.

A choice goes to the service, which writes it down, or else into the journal, and into a sidecar; nothing else is
written.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import signal
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import get_args

from lampblack.daemon import journal, standing
from lampblack.daemon.clean import clean, clean_name
from lampblack.daemon.config import ConfigError, load_thresholds
from lampblack.daemon.noted import Choice
from lampblack.daemon.record import RecordError, SetupRecord, Shoot, read_frame, read_shoot
from lampblack.daemon.review_state import Against, Held, Page, ReviewState, against, opened, page_of, telling
from lampblack.daemon.review_told import against_json, against_lines, choice_text, page_json, page_lines
from lampblack.daemon.style import Colours, Style, detect
from lampblack.rules.thresholds import Thresholds

Stamp = tuple[tuple[int, int], ...]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command's options."""
    parser.add_argument("folder", metavar="FOLDER", type=Path, nargs="?", help="the shoot's folder (default: here)")
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--setup", type=int, metavar="N", help="this setup (default: the newest with frames)")
    which.add_argument("--frame", type=int, metavar="N", help="the setup of this frame, opened there")
    parser.add_argument(
        "--against", type=int, metavar="N", help="hold it against this earlier setup; with --frame, against this frame"
    )
    parser.add_argument("--plain", action="store_true", help="lines of text, for screen readers; so in a pipe")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.add_argument("--ascii", action="store_true", help="draw with ASCII only")
    parser.add_argument("--no-sidecar", action="store_true", help="keep choices in the journal alone")
    parser.add_argument(
        "--colours",
        choices=("auto", *get_args(Colours)),
        default="auto",
        help="how many colours the terminal has (default: as it says; NO_COLOR is honoured)",
    )


def run(args: argparse.Namespace) -> int:
    """Show a setup, or print it; returns the exit status."""
    folder = standing.folder_of(args)
    if not folder.is_dir():
        return standing.fail(args, folder, standing.no_folder(folder))
    try:
        book = Book(folder, load_thresholds(), sidecar=not args.no_sidecar)
        state = book.opened(args.setup, args.frame, args.against)
    except (RecordError, ConfigError) as wrong:
        return standing.fail(args, folder, str(wrong))
    if args.json:
        told = _asked_against(state)
        standing.print_json(page_json(state.page, state.thresholds) if told is None else against_json(told))
        return 0
    colours = None if args.colours == "auto" else args.colours
    style = detect(os.environ, sys.stdout.encoding, ascii_only=args.ascii, colours=colours)
    if args.plain or not sys.stdout.isatty() or os.environ.get("TERM", "dumb") == "dumb":
        _print_lines(state, style)
        return 0
    return _show(book, state, style)


def _show(book: Book, state: ReviewState, style: Style) -> int:
    from lampblack.daemon.review_screen import Screen  # heavy: what is printed has no pictures
    from lampblack.daemon.terminal import Signals, mute

    with Signals() as signals:
        try:
            Screen(book, signals, state, style).run()
        except OSError:
            mute(sys.stdout)  # the terminal went away, with or without a signal
        return 128 + signals.ended if signals.ended not in (None, signal.SIGINT) else 0


def _print_lines(state: ReviewState, style: Style) -> None:
    told = _asked_against(state)
    for line in page_lines(state.page) if told is None else against_lines(told):
        print(style.say(line).encode(sys.stdout.encoding, "replace").decode(sys.stdout.encoding))


def _asked_against(state: ReviewState) -> Against | None:
    """Return what was asked to be held against each other, be it one thing against itself; None where nothing was."""
    if state.held is None:
        return None
    return against(state.held, Held(state.page, state.tile, state.held.whole), state.thresholds)


class Book:
    """A shoot's journal, as a review reads it and writes choices into it."""

    def __init__(self, folder: Path, thresholds: Thresholds, *, sidecar: bool) -> None:
        self.folder, self._thresholds, self._sidecar = folder, thresholds, sidecar

    def opened(self, setup: int | None, frame: int | None, held: int | None) -> ReviewState:
        """
        Return the review as it was asked for.

        Args:
            setup: the one to show; None: that of the frame, else the newest that has frames.
            frame: the one to open it at.
            held: a setup to hold it against; a frame, if a frame is given.

        Raises:
            RecordError: there is no journal, or no such setup or frame in it.
        """
        numbers = [setup] if held is None else [setup, held]
        if frame is not None:
            numbers = [self._setup_of(one) for one in ([frame] if held is None else [frame, held])]
        shoot, pages = self._read(numbers)
        state = opened(shoot.name, _numbers(shoot), pages[0], self._thresholds, frame)
        if held is None:
            return state
        whole = frame is None
        tile = telling(pages[1].tiles) if whole else next((t for t in pages[1].tiles if t.number == held), None)
        return replace(state, held=Held(pages[1], tile, whole), large=True)

    def turned(self, setup: int) -> tuple[list[int], Page]:
        """Return the numbers of the setups, and one of them as a page; raises as `opened` does."""
        shoot, pages = self._read([setup])
        return _numbers(shoot), pages[0]

    def stamp(self) -> Stamp:
        """Return what changes when somebody writes to the journal; a reader that opens its log changes nothing."""
        found = []
        for name in (journal.NAME, f"{journal.NAME}-wal"):
            size = mtime_ns = 0
            with contextlib.suppress(OSError):
                seen = os.stat(self.folder / name)
                size, mtime_ns = seen.st_size, seen.st_mtime_ns
            found.append((size, mtime_ns if size else 0))
        return tuple(found)

    def keep(self, frame: int, choice: Choice) -> tuple[bool, str]:
        """Keep a choice: by the service, else in the journal, and beside the frame; return whether, and what to say."""
        from lampblack.daemon import keeping  # heavy: it writes XML
        from lampblack.daemon.sidecar import SidecarError

        told = {"rating": choice.rating, "label": choice.label, "why": choice.why}
        reply = standing.answer_of(self.folder, {"do": "choose", "frame": frame, **told})
        if not reply.get("ok"):
            return False, clean(str(reply.get("text") or ""), 400)
        text = f"Frame {frame}: {choice_text(choice) or 'not chosen any more'}."
        if not self._sidecar:
            return True, text
        try:
            beside = keeping.write_beside(self.folder, frame, choice)
        except (RecordError, SidecarError) as wrong:
            return False, f"{text} {wrong}"
        return True, f"{text} Beside it: {clean_name(beside.name)}."

    def _setup_of(self, frame: int) -> int:
        found = read_frame(self.folder, frame)
        if found is None:
            raise RecordError(f"Frame {frame} is not in the journal.")
        return found.setup

    def _read(self, numbers: Sequence[int | None]) -> tuple[Shoot, list[Page]]:
        """Read setups, and of no others the frames; None: the newest that has some. As many pages come back."""

        def wanted(counts: dict[int, int]) -> list[int]:
            return [n for n in (max(counts, default=None) if n is None else n for n in numbers) if n is not None]

        shoot = read_shoot(self.folder, wanted)
        return shoot, [page_of(shoot, _pick(shoot, number), self._thresholds) for number in numbers]


def _numbers(shoot: Shoot) -> list[int]:
    return [one.number for one in shoot.setups]


def _pick(shoot: Shoot, number: int | None) -> SetupRecord:
    if number is None:
        with_frames = [one for one in shoot.setups if one.frames]
        return (with_frames or shoot.setups or [SetupRecord(1, None, "")])[-1]
    found = next((one for one in shoot.setups if one.number == number), None)
    if found is None:
        known = f"numbered {shoot.setups[0].number} to {shoot.setups[-1].number}" if shoot.setups else "none yet"
        raise RecordError(f"There is no setup {number} in the journal: they are {known}.")
    return found
