"""`lampblack effect`: what a reflector, a flag or a scrim brought, from a frame without it and one with it."""

from __future__ import annotations

import argparse
from dataclasses import asdict

from lampblack.daemon.config import load_thresholds
from lampblack.daemon.layering import Frames, Json, Notices, add_bracket_argument, told
from lampblack.rules.effect import Effect, effect, in_words
from lampblack.rules.layers import gather


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command's options."""
    parser.add_argument("before", metavar="WITHOUT", help="a frame without it")
    parser.add_argument("after", metavar="WITH", help="a frame with it, all else as it was")
    add_bracket_argument(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON object, nothing else")


def run(args: argparse.Namespace) -> int:
    """Say what it brought; return the exit status of the contract."""
    return told(args, lambda: _told(*_effect(args)))


def _told(found: Effect, notices: Notices) -> tuple[Json, str]:
    figures = {key: round(value, 3) if isinstance(value, float) else value for key, value in asdict(found).items()}
    lines = in_words(found)
    said = {**figures, "why": " ".join(lines), "notices": notices}
    return said, "\n".join([*lines, *(notice["text"] for notice in notices)])


def _effect(args: argparse.Namespace) -> tuple[Effect, Notices]:
    notices: Notices = []
    thresholds = load_thresholds()
    with Frames(thresholds) as frames:
        frames.see_alike([args.before, args.after])
        before = frames.see(args.before)
        after = frames.aligned(args.after, "what came in", notices)
        layers = gather([("before", before)], thresholds, frames.learned(args.bracket))
    return effect(layers, after), notices
