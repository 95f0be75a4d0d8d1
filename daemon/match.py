"""`lampblack match`: bring today's light to that of stored lamps, one change after the other."""

from __future__ import annotations

import argparse

from lampblack.daemon.config import load_thresholds
from lampblack.daemon.layering import (
    Chosen,
    Frames,
    Json,
    Notices,
    UsageError,
    add_lamp_arguments,
    chosen,
    named,
    newest_unmarked,
    told,
)
from lampblack.rules.match import Match, match_frame, match_lamps, what_to_do


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command's options."""
    add_lamp_arguments(parser)
    now = parser.add_mutually_exclusive_group()
    now.add_argument(
        "--now",
        metavar="FILE",
        help="today's frame, with all the lamps on (default: the shoot's newest that isn't marked)",
    )
    now.add_argument(
        "--now-lamp", action="append", metavar="NAME=FILE", type=named, dest="now_lamps",
        help="today's frame with this lamp alone, once for each: surer than one frame of all",
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help="print one JSON object, nothing else")


def run(args: argparse.Namespace) -> int:
    """Say how each lamp stands; return the exit status of the contract."""
    return told(args, lambda: _told(*_matched(args)))


def _told(found: Match, notices: Notices) -> tuple[Json, str]:
    said = {**_as_json(found), "notices": notices}
    return said, "\n".join([*in_words(found), *(notice["text"] for notice in notices)])


def _now(args: argparse.Namespace, then: Chosen) -> str | None:
    """Return today's frame of all lamps, None where each is shot alone; lamps are named alike then and now."""
    asked = [name for name, _ in args.now_lamps or ()]
    wrong = next((name for name in asked if name not in then.names), None)
    if wrong is not None:
        raise UsageError(f"{wrong} is none of the stored lamps ({', '.join(then.names)}): name it as then")
    if len(set(asked)) < len(asked):
        raise UsageError("two of today's lamps have the same name: give each its own")
    if args.now is not None or asked:
        return None if args.now is None else str(args.now)
    if then.shoot is None:
        raise UsageError("give today's frame: --now FILE, or --now-lamp NAME=FILE for each lamp")
    return newest_unmarked(then.shoot)


def _matched(args: argparse.Namespace) -> tuple[Match, Notices]:
    then = chosen(args)
    now = _now(args, then)
    with Frames(load_thresholds()) as frames:
        frames.see_alike([*then.files, now, *(file for _, file in args.now_lamps or ())])
        layers, notices = frames.layers(then)
        if now is not None:
            return match_frame(layers, frames.aligned(now, "today", notices)), notices
        looks = [(name, frames.aligned(file, f"{name} today", notices)) for name, file in args.now_lamps]
        return match_lamps(layers, looks), notices


def in_words(found: Match) -> list[str]:
    """Return what to do, the first thing first, then how each lamp stands."""
    first = found.first
    lead = "Every lamp stands as it stood." if first is None else f"First: {what_to_do(first)}"
    others = [what_to_do(lamp) for lamp in found.lamps if lamp is not first]
    return [lead, *others] if first is not None else [lead]


def _as_json(found: Match) -> Json:
    first = found.first
    return {
        "lamps": [
            {
                "name": lamp.name,
                "off_stops": round(lamp.off, 3) + 0.0,
                "within_stops": round(lamp.within, 3),
                "off_mired": None if lamp.mired is None else round(lamp.mired, 1) + 0.0,
                "moved": lamp.moved,
                "distance_factor": None if lamp.is_off else round(2 ** (lamp.off / 2), 4),
                "matches": lamp.matches,
                "why": what_to_do(lamp),
            }
            for lamp in found.lamps
        ],
        "misfit_stops": round(found.misfit, 4),
        "matches": found.matches,
        "first": None if first is None else first.name,
        "why": in_words(found)[0],
    }
