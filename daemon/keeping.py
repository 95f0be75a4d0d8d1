"""`lampblack slate`, `choose`, `note`, `shoots`: what a person keeps of a shoot, with a service or without."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from typing import Any

from lampblack.daemon import standing
from lampblack.daemon.clean import clean, clean_name
from lampblack.daemon.journal import Kept
from lampblack.daemon.noted import Choice
from lampblack.daemon.record import RecordError, find_shoots, read_frame, read_shoot
from lampblack.daemon.sidecar import SidecarError, sidecar_of, write_sidecar

Json = dict[str, Any]


def slate(args: argparse.Namespace) -> int:
    """Begin a setup, or rename one; returns the exit status."""
    if args.rename is not None:
        return standing.say(args, {"do": "rename", "setup": args.rename, "name": args.name})
    return standing.say(args, {"do": "slate", "name": args.name or None})


def note(args: argparse.Namespace) -> int:
    """Note something on a setup; returns the exit status."""
    return standing.say(args, {"do": "note", "setup": args.setup, "text": args.text})


def choose(args: argparse.Namespace) -> int:
    """Keep what a person thinks of a frame: in the journal, and as XMP beside it; returns the exit status."""
    folder = standing.folder_of(args)
    status = standing.say(
        args, {"do": "choose", "frame": args.frame, "rating": args.rating, "label": args.label, "why": args.why}
    )
    if status != 0 or args.no_sidecar:
        return status
    try:
        sidecar = write_beside(folder, args.frame, Choice(args.rating, args.label, args.why))
    except (RecordError, SidecarError) as wrong:
        return standing.fail(args, folder, str(wrong))
    print(f"Written beside it: {clean_name(sidecar)}", file=sys.stderr)
    return 0


def write_beside(folder: Path, number: int, choice: Choice) -> Path:
    """
    Write a choice and a frame's measures as XMP beside the frame; return where.

    Raises:
        RecordError: the journal has no such frame.
        SidecarError: it can't be written.
    """
    frame = read_frame(folder, number)
    if frame is None:
        raise RecordError(f"Frame {number} is not in the journal.")
    sidecar = sidecar_of(folder / os.fsdecode(frame.path))
    write_sidecar(sidecar, choice, measures_of(frame))
    return sidecar


def measures_of(frame: Kept) -> dict[str, str]:
    """Return what of a verdict goes into a sidecar, as text."""
    said = frame.verdict
    highlights, backdrop, exposure = (said.get(key) or {} for key in ("highlights", "backdrop", "exposure"))
    told = {
        "frame": said.get("frame"),
        "setup": said.get("setup"),
        "fNumber": exposure.get("f_number"),
        "clippedShare": highlights.get("subject"),
        "headroomStops": highlights.get("headroom_stops"),
        "backdropTone": backdrop.get("tone"),
        "backdropClean": backdrop.get("clean"),
        "backdropP99": (backdrop.get("code") or {}).get("p99"),
    }
    return {name: clean(str(value), 200) for name, value in told.items() if value is not None}


def shoots(args: argparse.Namespace) -> int:
    """List the shoots below some places; returns the exit status."""
    places = [Path(place).expanduser() for place in args.places] or [Path.cwd()]
    status = 0
    for place in places:
        if not place.is_dir():
            status = standing.fail(args, place, standing.no_folder(place))
    for folder in find_shoots([place for place in places if place.is_dir()]):
        try:
            shoot = read_shoot(folder)
        except RecordError as wrong:
            status = standing.fail(args, folder, str(wrong))
            continue
        frames = sum(len(setup.frames) for setup in shoot.setups)
        chosen = sum(1 for choice in shoot.choices.values() if (choice.rating or 0) > 0)
        if args.json:
            standing.print_json(
                {
                    "folder": standing.folder_text(folder),
                    "begun": shoot.begun,
                    "setups": len(shoot.setups),
                    "frames": frames,
                    "chosen": chosen,
                }
            )
        else:
            counts = f"setups {len(shoot.setups)}, frames {frames}, chosen {chosen}"
            print(f"{clean_name(folder)}: begun {shoot.begun[:10]}, {counts}")
    return status
