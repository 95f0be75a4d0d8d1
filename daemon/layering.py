"""Frames of single lamps, read from files: what `balance` and `match` begin with."""

from __future__ import annotations

import argparse
import os
from pathlib import Path
from types import TracebackType

import numpy as np

from lampblack.daemon.clean import clean, clean_name
from lampblack.daemon.eye import Eye, Seen
from lampblack.daemon.intake import is_raw
from lampblack.daemon.journal import Kept
from lampblack.daemon.lampbook import ALL, NONE
from lampblack.daemon.record import RecordError, Shoot, read_shoot
from lampblack.rules.layers import Layers, LayersError, gather, realigned
from lampblack.rules.lessons import NO_LESSONS
from lampblack.rules.look import Look
from lampblack.rules.radiance import Radiance
from lampblack.rules.response import PRIOR, Response
from lampblack.rules.thresholds import Thresholds

Notices = list[dict[str, str]]
_MOST_NUDGE, _MOST_TURN = 0.02, 0.3  # share of the width, degrees


class FramesError(Exception):
    """A frame can't be read; the text is one line for a person."""


def add_lamp_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the options by which frames of single lamps are named."""
    parser.add_argument(
        "--lamp", action="append", default=[], metavar="NAME=FILE", type=named, dest="lamps",
        help="a frame with this lamp alone; once for each lamp",
    )  # fmt: skip
    parser.add_argument(
        "--folder", type=Path, metavar="FOLDER", help="a shoot whose frames were marked with lampblack lamp, instead"
    )
    parser.add_argument("--setup", type=int, metavar="N", help="which of its setups (default: the last with lamps)")
    parser.add_argument("--dark", metavar="FILE", help="a frame with all lamps off: what is lit anyway")
    parser.add_argument(
        "--bracket", metavar="FILE", action="append", default=[],
        help="frames of one setup at two exposures or more, which teach the camera's tone response (JPEG only)",
    )  # fmt: skip


def named(text: str) -> tuple[str, str]:
    """Return the lamp and the file of NAME=FILE."""
    name, equals, file = text.partition("=")
    if not equals or not name.strip() or not file:
        raise argparse.ArgumentTypeError(f"{text!r}: write a lamp as NAME=FILE")
    return clean(name.strip(), 60), file


class UsageError(Exception):
    """What was asked for makes no sense; the text is one line for a person."""


def resolve(args: argparse.Namespace) -> None:
    """
    Fill in the frames of lamps from a shoot's marks, where its folder is given, and in `facts` what was said of them.

    Raises:
        UsageError: neither frames nor a folder are named, or both, or a lamp twice.
        FramesError: the shoot can't be read, or no frame of the setup is marked.
    """
    args.facts = {}
    if args.folder is not None and args.lamps:
        raise UsageError("give either --lamp, once for each, or a shoot's --folder")
    if args.folder is not None:
        _from_shoot(args)
    elif not args.lamps:
        raise UsageError("name a frame for each lamp: --lamp key=FILE, or a shoot: --folder FOLDER")
    names = [name for name, _ in args.lamps]
    if len(set(names)) < len(names):
        raise UsageError("two lamps have the same name: give each its own")


def _from_shoot(args: argparse.Namespace) -> None:
    try:
        shoot = read_shoot(args.folder.expanduser().absolute())
    except RecordError as wrong:
        raise FramesError(str(wrong)) from None
    marked = [setup for setup in shoot.setups if any(shoot.lamps.shows.get(f.number) for f in setup.frames)]
    setup = next((s for s in reversed(marked) if args.setup in (None, s.number)), None)
    if setup is None:
        of = "" if args.setup is None else f" of setup {args.setup}"
        raise FramesError(f"no frame{of} is marked with its lamp: lampblack lamp FOLDER key --frame 3")
    shown = {what: _file_of(shoot, frame) for frame in setup.frames if (what := shoot.lamps.shows.get(frame.number))}
    args.lamps = [(name, file) for name, file in shown.items() if name not in (ALL, NONE)]
    args.facts = setup.lamps
    args.dark = args.dark or shown.get(NONE)
    args.all_on = shown.get(ALL)
    if not args.bracket:  # frames of all lamps teach a JPEG's tone response
        unmarked = [frame for frame in setup.frames if not shoot.lamps.shows.get(frame.number)]
        args.bracket = [_file_of(shoot, frame) for frame in unmarked if _is_plain_jpeg(frame)][:_MOST_BRACKET]
    if not args.lamps:
        raise FramesError("no frame shows one lamp alone: lampblack lamp FOLDER key --frame 3")


_MOST_BRACKET = 9


def newest_unmarked(folder: Path) -> str:
    """
    Return the newest frame of a shoot that isn't marked with a lamp.

    Raises:
        FramesError: there is none.
    """
    try:
        shoot = read_shoot(folder.expanduser().absolute())
    except RecordError as wrong:
        raise FramesError(str(wrong)) from None
    frames = [frame for _, frame in shoot.frames() if shoot.lamps.shows.get(frame.number, ALL) == ALL]
    if not frames:
        raise FramesError("no frame of the shoot shows all lamps: shoot one, or name it with --now")
    return _file_of(shoot, max(frames, key=lambda frame: frame.number))


def _file_of(shoot: Shoot, frame: Kept) -> str:
    """Return a frame's file, the raw one where there are two."""
    paths = [path for path in (frame.path, frame.partner) if path is not None]
    return str(shoot.folder / os.fsdecode(next((path for path in paths if is_raw(path)), paths[0])))


def _is_plain_jpeg(frame: Kept) -> bool:
    return not is_raw(frame.path) and frame.partner is None


class Frames:
    """Measures files one after the other, each held against the first for where its picture lies."""

    def __init__(self, thresholds: Thresholds) -> None:
        """Nothing is read yet."""
        self._thresholds = thresholds
        self._eye = Eye(thresholds)
        self._still: Radiance | None = None
        self._seen: dict[str, Look] = {}

    def __enter__(self) -> Frames:
        """Return itself."""
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        """End the eye."""
        self._eye.close()

    def see(self, file: str) -> Look:
        """
        Measure a file; once, however often it is asked for.

        Raises:
            FramesError: it can't be read.
        """
        if file not in self._seen:
            seen = self._eye.see(os.fsencode(file), known=self._still)
            if not isinstance(seen, Seen):
                raise FramesError(f"{clean_name(file)}: {seen.reason}")
            if self._still is None and seen.look.steady.tiles is not None:
                self._still = Radiance(tiles=(seen.look.steady.tiles,))
            self._seen[file] = seen.look
        return self._seen[file]

    def aligned(self, file: str, what: str, notices: Notices) -> Look:
        """
        Measure a file and lay its picture where the first one's lies; what is to be said of that goes to `notices`.

        Raises:
            FramesError: it can't be read.
            LayersError: it lies too far off.
        """
        look = self.see(file)
        moved = look.steady.moved
        if moved is None or moved.shift is None:
            return look
        far = float(np.hypot(*moved.shift))
        if far > _MOST_NUDGE * look.width or abs(moved.rotation) > _MOST_TURN:
            raise LayersError(
                f"{clean_name(file)}: the picture lies {far:.0f} pixels off the others, turned by"
                f" {abs(moved.rotation):.1f} degrees: the tripod was moved, shoot the lamps again"
            )
        if far > self._thresholds.steadiness.shift_share * look.width:
            text = f"The frame of {what} lies {far:.1f} pixels off the others and was laid over them again."
            notices.append({"kind": "nudged", "text": text})
        return realigned(look)

    def layers(self, args: argparse.Namespace, check: Look | None = None) -> tuple[Layers, Notices]:
        """Return the lamps that `add_lamp_arguments` has named, and what is to be said of them."""
        notices: Notices = []
        lamps = [(name, self.aligned(file, name, notices)) for name, file in args.lamps]
        dark = None if args.dark is None else self.aligned(args.dark, "no lamp", notices)
        return gather(lamps, self._thresholds, self.learned(args.bracket), dark=dark, check=check), notices

    def learned(self, files: list[str]) -> Response:
        """Return the tone response that a bracket teaches; the usual one without a bracket."""
        lessons = NO_LESSONS
        for file in files:
            lessons = lessons.after(self.see(file))
        return lessons.response if files else PRIOR
