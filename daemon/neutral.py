"""`lampblack neutral`: the cast of a plain backdrop or a grey card, and whether a custom balance took."""

from __future__ import annotations

import argparse
import math
import os
from typing import Any

from lampblack.daemon import standing
from lampblack.daemon.clean import clean_name, clean_path
from lampblack.daemon.config import ConfigError, load_thresholds
from lampblack.daemon.eye import Eye, Seen
from lampblack.rules.look import Look
from lampblack.rules.neutral import Colour, NeutralError, advice_on, meter_notice, neutral_at
from lampblack.rules.thresholds import Thresholds
from lampblack.rules.verdict import colour_json

Patch = tuple[float, float, float, float]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command's options."""
    parser.add_argument("files", metavar="FILE", nargs="+", help="frames of the neutral, in shot order")
    parser.add_argument(
        "--at", type=_patch, metavar="X,Y,W,H",
        help="where the neutral is: left, top, width, height in shares of the picture, or in its pixels",
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help="print one JSON object a frame, nothing else")


def _patch(text: str) -> Patch:
    try:
        x, y, width, height = (float(part) for part in text.split(","))
    except ValueError:
        x = y = width = height = math.nan
    if not (0 <= x < math.inf and 0 <= y < math.inf and 0 < width < math.inf and 0 < height < math.inf):
        raise argparse.ArgumentTypeError(f"{text!r}: write a patch as left,top,width,height, say 0.4,0.4,0.2,0.2")
    return x, y, width, height


def run(args: argparse.Namespace) -> int:
    """Say each frame's cast; return the exit status of the contract."""
    try:
        thresholds = load_thresholds()
    except ConfigError as wrong:
        return standing.fail_file(args, None, str(wrong))
    status, before = 0, None
    eye = Eye(thresholds)
    try:
        for name in args.files:
            seen = eye.see(os.fsencode(name))
            if not isinstance(seen, Seen):
                status = standing.fail_file(args, name, seen.reason)
                continue
            try:
                found = neutral_at(seen.look, _in_shares(args.at, seen.look), thresholds.neutral)
            except NeutralError as wrong:
                where = "; or say where the neutral is (--at)" if args.at is None else ""
                status = standing.fail_file(args, name, f"{wrong}{where}")
                continue
            _say(args, name, found, _why(seen.look, found, before, thresholds), thresholds)
            before = found
    finally:
        eye.close()
    return status


def _in_shares(at: Patch | None, look: Look) -> Patch | None:
    """Return a patch in shares of the picture: what goes beyond 1 was meant in pixels."""
    if at is None or max(at) <= 1:
        patch = at
    else:
        patch = at[0] / look.width, at[1] / look.height, at[2] / look.width, at[3] / look.height
    if patch is not None and (patch[0] + patch[2] > 1.0001 or patch[1] + patch[3] > 1.0001):
        raise NeutralError(f"the patch reaches out of the picture of {look.width} x {look.height} pixels")
    return patch


def _why(look: Look, found: Colour, before: Colour | None, thresholds: Thresholds) -> str:
    raw = look.kind == "raw"
    metered = meter_notice(look, thresholds.neutral, None)
    why = advice_on(found, raw, thresholds.neutral, before)
    return why if metered is None else f"{why} {metered}"


def _say(args: argparse.Namespace, name: str, found: Colour, why: str, thresholds: Thresholds) -> None:
    if not args.json:
        print(f"{clean_name(name)}: {why}", flush=True)
        return
    said: dict[str, Any] = {
        "file": clean_path(name),
        "colour": colour_json(found),
        "gains": dict(zip("rgb", (round(gain, 5) for gain in found.gains), strict=True)),
        "neutral": found.delta_ab <= thresholds.neutral.neutral_ab,
        "delta_ab": round(found.delta_ab, 3),
        "why": why,
    }
    standing.print_json(said)
