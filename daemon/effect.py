"""`lampblack effect`: what a reflector, a flag or a scrim brought, from a frame without it and one with it."""

from __future__ import annotations

import argparse
import sys
from dataclasses import asdict

from lampblack.daemon import standing
from lampblack.daemon.clean import clean
from lampblack.daemon.config import ConfigError, load_thresholds
from lampblack.daemon.layering import Frames, FramesError, Notices
from lampblack.rules.effect import Effect, effect, in_words
from lampblack.rules.layers import LayersError, gather


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command's options."""
    parser.add_argument("before", metavar="WITHOUT", help="a frame without it")
    parser.add_argument("after", metavar="WITH", help="a frame with it, all else as it was")
    parser.add_argument(
        "--bracket", metavar="FILE", action="append", default=[],
        help="frames of one setup at two exposures or more, which teach the camera's tone response (JPEG only)",
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help="print one JSON object, nothing else")


def run(args: argparse.Namespace) -> int:
    """Say what it brought; return the exit status of the contract."""
    try:
        found, notices = _effect(args)
    except (FramesError, LayersError, ConfigError) as error:
        if args.json:
            standing.print_json({"error": clean(str(error), 400)})
        print(str(error), file=sys.stderr)
        return 1
    if args.json:
        told = {key: round(value, 3) if isinstance(value, float) else value for key, value in asdict(found).items()}
        standing.print_json({**told, "why": " ".join(in_words(found)), "notices": notices})
    else:
        print("\n".join([*in_words(found), *(notice["text"] for notice in notices)]), flush=True)
    return 0


def _effect(args: argparse.Namespace) -> tuple[Effect, Notices]:
    notices: Notices = []
    thresholds = load_thresholds()
    with Frames(thresholds) as frames:
        before = frames.see(args.before)
        after = frames.aligned(args.after, "what came in", notices)
        layers = gather([("before", before)], thresholds, frames.learned(args.bracket))
    return effect(layers, after), notices
