"""Frames of single lamps, read from files: what `balance` and `match` begin with."""

from __future__ import annotations

import argparse
import os
from types import TracebackType

import numpy as np

from lampblack.daemon.clean import clean, clean_name
from lampblack.daemon.eye import Eye, Seen
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
        "--lamp", action="append", required=True, metavar="NAME=FILE", type=named, dest="lamps",
        help="a frame with this lamp alone; once for each lamp",
    )  # fmt: skip
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
        return gather(lamps, self._thresholds, self._learned(args.bracket), dark=dark, check=check), notices

    def _learned(self, files: list[str]) -> Response:
        lessons = NO_LESSONS
        for file in files:
            lessons = lessons.after(self.see(file))
        return lessons.response if files else PRIOR
