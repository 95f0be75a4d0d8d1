"""Frames of single lamps: how `balance`, `match` and `effect` come by them, and how they say what comes of it."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np

from lampblack.daemon import standing
from lampblack.daemon.clean import clean, clean_name
from lampblack.daemon.config import ConfigError
from lampblack.daemon.eye import Eye, Seen
from lampblack.daemon.intake import is_raw
from lampblack.daemon.journal import Kept
from lampblack.daemon.lampbook import ALL, NONE, Lamp
from lampblack.daemon.record import RecordError, SetupRecord, Shoot, read_shoot
from lampblack.rules.layers import Layers, LayersError, gather, realigned
from lampblack.rules.lessons import NO_LESSONS
from lampblack.rules.look import Look
from lampblack.rules.mixing import TermError
from lampblack.rules.radiance import Radiance
from lampblack.rules.response import PRIOR, Response
from lampblack.rules.thresholds import Thresholds
from lampblack.rules.wells import NO_WELLS

Json = dict[str, Any]
Notices = list[dict[str, str]]
_MOST_BRACKET = 9
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
    add_bracket_argument(parser)


def add_bracket_argument(parser: argparse.ArgumentParser) -> None:
    """Describe the option by which a camera's tone response is taught."""
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


def told(args: argparse.Namespace, work: Callable[[], tuple[Json, str]]) -> int:
    """
    Do a command's work and print what comes of it, as JSON or in words; return the exit status of the contract.

    What can't be done (FramesError, LayersError, ConfigError) is one line, and an object too where JSON was asked for.
    """
    try:
        said, words = work()
    except (FramesError, LayersError, ConfigError) as wrong:
        if args.json:
            standing.print_json({"error": clean(str(wrong), 400)})
        print(str(wrong), file=sys.stderr)
        return 1
    except (UsageError, TermError) as wrong:
        print(f"lampblack {args.command}: {clean(str(wrong), 300)}", file=sys.stderr)
        return 2
    if args.json:
        standing.print_json(said)
    else:
        print(words, flush=True)
    return 0


@dataclass(frozen=True)
class Chosen:
    """
    The frames that a command is about.

    lamps: names and files, each with that lamp alone. dark, all_on: with none, with all of them. bracket: frames that
    teach the tone response. facts: what was said of the lamps. shoot: whose marks were read, None for files by name.
    """

    lamps: Sequence[tuple[str, str]]
    dark: str | None = None
    all_on: str | None = None
    bracket: Sequence[str] = ()
    facts: Mapping[str, Lamp] = field(default_factory=dict)
    shoot: Shoot | None = None

    @property
    def names(self) -> list[str]:
        """Return the lamps' names."""
        return [name for name, _ in self.lamps]

    @property
    def files(self) -> list[str | None]:
        """Return the files of lamps, and of none of them."""
        return [*(file for _, file in self.lamps), self.dark]


def chosen(args: argparse.Namespace) -> Chosen:
    """
    Return the frames that `add_lamp_arguments` has named, or those of a shoot's marks.

    Raises:
        UsageError: neither frames nor a folder are named, or both, or a lamp twice.
        FramesError: the shoot can't be read, or no frame of the setup is marked.
    """
    if args.folder is not None and args.lamps:
        raise UsageError("give either --lamp, once for each, or a shoot's --folder")
    if args.folder is None and not args.lamps:
        raise UsageError("name a frame for each lamp: --lamp key=FILE, or a shoot: --folder FOLDER")
    found = Chosen(args.lamps, args.dark, None, args.bracket) if args.folder is None else _from_shoot(args)
    if len(set(found.names)) < len(found.names):
        raise UsageError("two lamps have the same name: give each its own")
    return found


def _from_shoot(args: argparse.Namespace) -> Chosen:
    try:
        shoot = read_shoot(args.folder.expanduser().absolute())
    except RecordError as wrong:
        raise FramesError(str(wrong)) from None
    marked = [setup for setup in shoot.setups if any(shoot.lamps.shows.get(f.number) for f in setup.frames)]
    setup = next((s for s in reversed(marked) if args.setup in (None, s.number)), None)
    if setup is None:
        of = "" if args.setup is None else f" of setup {args.setup}"
        raise FramesError(f"no frame{of} is marked with its lamp: lampblack lamp FOLDER key --frame 3")
    found = marked_frames(shoot, setup)
    return replace(found, dark=args.dark or found.dark, bracket=args.bracket or found.bracket)


def marked_frames(shoot: Shoot, setup: SetupRecord, most_bracket: int = _MOST_BRACKET) -> Chosen:
    """
    Return the frames of a setup that were marked with what they show.

    most_bracket: of how many others at most a JPEG's tone response is learned.

    Raises:
        FramesError: none shows one lamp alone.
    """
    shown = {what: _file_of(shoot, frame) for frame in setup.frames if (what := shoot.lamps.shows.get(frame.number))}
    lamps = [(name, file) for name, file in shown.items() if name not in (ALL, NONE)]
    if not lamps:
        raise FramesError("no frame shows one lamp alone: lampblack lamp FOLDER key --frame 3")
    # Frames of all lamps teach a JPEG's tone response.
    unmarked = [f for f in setup.frames if not shoot.lamps.shows.get(f.number) and _is_plain_jpeg(f)]
    bracket = [_file_of(shoot, frame) for frame in _spread(unmarked, most_bracket)]
    return Chosen(lamps, shown.get(NONE), shown.get(ALL), bracket, setup.lamps, shoot)


def _spread(frames: Sequence[Kept], most: int) -> Sequence[Kept]:
    """Return so many frames, from the most to the least exposed."""
    if len(frames) <= most:
        return frames
    by_exposure = sorted(frames, key=lambda frame: (frame.verdict.get("exposure") or {}).get("ev100") or 0.0)
    return [by_exposure[round(i * (len(frames) - 1) / (most - 1))] for i in range(most)]


def newest_unmarked(shoot: Shoot) -> str:
    """
    Return the newest frame of a shoot that isn't marked with a lamp.

    Raises:
        FramesError: there is none.
    """
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
        self._wells = NO_WELLS

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
            known = self._still if self._wells is NO_WELLS else replace(self._still or Radiance(), wells=self._wells)
            seen = self._eye.see(os.fsencode(file), known=known)
            if not isinstance(seen, Seen):
                raise FramesError(f"{clean_name(file)}: {seen.reason}")
            if self._still is None and seen.look.steady.tiles is not None:
                self._still = Radiance(tiles=(seen.look.steady.tiles,))
            self._seen[file] = seen.look
            self._wells = self._wells.after(seen.look.full)
        return self._seen[file]

    def see_alike(self, files: Iterable[str | None]) -> None:
        """
        Measure files so that raw ones go by one white: those that don't clip by what the others show of the camera.

        Their light is held against each other, and a tag is off by up to a tenth of it.

        Raises:
            FramesError: one can't be read.
        """
        there = [file for file in files if file is not None]
        for file in there:
            self.see(file)
        for file in there:
            if self._wells.know_better(self._seen[file].full):
                del self._seen[file]
                self.see(file)

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

    def layers(self, frames: Chosen, check: Look | None = None) -> tuple[Layers, Notices]:
        """Return each lamp's light, and what is to be said of the frames; check: a frame of all of them."""
        notices: Notices = []
        lamps = [(name, self.aligned(file, name, notices)) for name, file in frames.lamps]
        dark = None if frames.dark is None else self.aligned(frames.dark, "no lamp", notices)
        return gather(lamps, self._thresholds, self.learned(frames.bracket), dark=dark, check=check), notices

    def learned(self, files: Sequence[str]) -> Response:
        """Return the tone response that a bracket teaches; the usual one without a bracket."""
        lessons = NO_LESSONS
        for file in files:
            lessons = lessons.after(self.see(file))
        return lessons.response if files else PRIOR
