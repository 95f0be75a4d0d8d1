"""`lampblack slate`, `choose`, `note`, `shoots`: what a person keeps of a shoot, with a service or without."""

from __future__ import annotations

import argparse
import base64
import contextlib
import json
import os
import sys
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

from lampblack.daemon import standing
from lampblack.daemon.clean import clean, clean_name, clean_path
from lampblack.daemon.journal import Journal, Kept
from lampblack.daemon.noted import Choice
from lampblack.daemon.record import RecordError, find_shoots, read_frame, read_journal, read_summary
from lampblack.daemon.sidecar import SidecarError, sidecar_of, write_sidecar
from lampblack.daemon.whole import write_whole

Json = dict[str, Any]


def slate(args: argparse.Namespace) -> int:
    """Begin a setup, rename one, or move frames to one; returns the exit status."""
    if args.frames is not None:
        return _move(args)
    if args.to is not None:
        print("lampblack slate: --to is where --frames go: name them too", file=sys.stderr)
        return 2
    if args.rename is not None:
        return standing.say(args, {"do": "rename", "setup": args.rename, "name": args.name})
    return standing.say(args, {"do": "slate", "name": args.name or None})


def note(args: argparse.Namespace) -> int:
    """Note something on a setup, put a note right, take one back, or list them; returns the exit status."""
    number, text = args.instead_of or (None, args.text)
    number = int(number) if number is not None and number.isdecimal() else number
    asked = {"do": "note", "setup": args.setup, "text": text, "instead": number, "remove": args.remove}
    return standing.say(args, asked, *(["notes"] if args.text is None and args.remove is None else []))


def _move(args: argparse.Namespace) -> int:
    """Move frames to a setup that is there, or to a new one; without a service they are judged again here."""
    folder = standing.folder_of(args)
    reply = standing.answer_of(folder, {"do": "move", "frames": args.frames, "to": args.to, "name": args.name})
    text = clean(str(reply.get("text") or ""), 2000)
    if not reply.get("ok"):
        return standing.fail(args, folder, text)
    if args.json:
        told = {key: reply.get(key) for key in ("setup", "frames")}
        standing.print_json({"folder": standing.folder_text(folder), "text": text, **told})
    else:
        print(text)
    if not reply.get("to_judge"):
        return 0
    from lampblack.daemon.again import judge_again  # heavy, and the service does it otherwise

    return judge_again(args, folder, reply["to_judge"])


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
    """List the shoots below some places, check or export them; returns the exit status."""
    places = [Path(place).expanduser() for place in args.places] or [Path.cwd()]
    status = 0
    for place in places:
        if not place.is_dir():
            status = standing.fail(args, place, standing.no_folder(place))
    if args.export is not None:
        return max(status, _export(args, [place for place in places if place.is_dir()]))
    for folder in find_shoots([place for place in places if place.is_dir()]):
        if args.check:
            status = max(status, _check(args, folder))
            continue
        try:
            told = read_summary(folder)
        except RecordError as wrong:
            status = standing.fail(args, folder, str(wrong))
            continue
        if args.json:
            standing.print_json({"folder": standing.folder_text(folder), **asdict(told)})
        else:
            counts = f"setups {told.setups}, frames {told.frames}, chosen {told.chosen}"
            print(f"{clean_name(folder)}: begun {told.begun[:10]}, {counts}")
    return status


def _check(args: argparse.Namespace, folder: Path) -> int:
    """Say whether a shoot's journal is sound, and which of its frames' files are gone; returns the exit status."""
    checked = check_shoot(folder)
    if args.json:
        standing.print_json({"folder": standing.folder_text(folder), **checked})
    wrong = [*checked["problems"], *(f"{name} is gone" for name in checked["gone"])]
    for text in wrong:
        print(f"{clean_name(folder)}: {text}", file=sys.stderr)
    if not args.json and not wrong:
        print(f"{clean_name(folder)}: sound, version {checked['version']}, frames {checked['frames']}")
    return 1 if wrong else 0


def check_shoot(folder: Path) -> Json:
    """Return what is wrong with a journal, which of its frames' files are gone, and how many frames it has."""
    found: Json = {"sound": False, "version": None, "frames": None, "problems": [], "gone": []}
    try:
        with read_journal(folder) as journal:
            wrong = [f"{journal.path.name} is damaged: {clean(text, 200)}" for text in journal.check()]
            found |= {"sound": not wrong, "version": journal.version, "problems": wrong}
            places = [path for path, *_ in journal.identities()]
            gone = [clean_path(path) for path in places if not (folder / os.fsdecode(path)).is_file()]
            return found | {"frames": len(places), "gone": gone}
    except RecordError as wrong_with_it:
        return found | {"sound": False, "problems": [*found["problems"], str(wrong_with_it)]}


def _export(args: argparse.Namespace, places: list[Path]) -> int:
    """Write a shoot's journal as SQL or as lines of JSON, by the name of the file; returns the exit status."""
    out: Path = args.export
    found = list(find_shoots(places))
    if len(found) != 1:
        text = f"{len(found)} shoots are there: an export is of one; give its folder."
        return standing.fail(args, places[0] if places else Path.cwd(), text)
    try:
        with read_journal(found[0]) as journal:
            lines = journal.dump() if out.suffix.lower() == ".sql" else _as_lines(journal)
            write_whole(out, (f"{line}\n".encode("utf-8", "surrogateescape") for line in lines))
    except RecordError as wrong:
        return standing.fail(args, found[0], str(wrong))
    except OSError as wrong:
        return standing.fail(args, found[0], f"{clean_name(out)} can't be written ({wrong.strerror}).")
    if args.json:
        standing.print_json({"folder": standing.folder_text(found[0]), "export": standing.folder_text(out)})
    else:
        print(f"Written: {clean_name(out)}")
    return 0


def _as_lines(journal: Journal) -> Iterator[str]:
    for table, row in journal.rows():
        told = {name: _as_json(value) for name, value in row.items()}
        yield json.dumps({"table": table, "row": told}, ensure_ascii=False)


def _as_json(value: Any) -> Any:
    """Return a cell: bytes (paths) as text where they are that, JSON as what it says."""
    if isinstance(value, bytes):
        try:
            return value.decode()
        except UnicodeDecodeError:
            return {"base64": base64.b64encode(value).decode()}
    if isinstance(value, str) and value[:1] in "{[":
        with contextlib.suppress(ValueError, RecursionError):
            return json.loads(value)
    return value
