"""`lampblack score`: measure files without a service."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from lampblack.daemon import standing
from lampblack.daemon.clean import clean_name, clean_path
from lampblack.daemon.config import ConfigError, load_thresholds
from lampblack.daemon.decode import JPEG_SUFFIXES, RAW_SUFFIXES, TIFF_SUFFIXES
from lampblack.daemon.eye import Eye, Seen
from lampblack.rules.advice import AIMS, SPOT_AIM
from lampblack.rules.figures import f_text, percent
from lampblack.rules.given import Given, Plate, Region, parse_region, plate_of
from lampblack.rules.look import Look, Part
from lampblack.rules.readings import Metered, ReadingError, chosen, parse_readings
from lampblack.rules.shoot import Setup, judge, new_setup
from lampblack.rules.spots import Spot, parse_spot
from lampblack.rules.zones import spot_words

BACKDROPS = ("auto", "black", "grey", "white", "none")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command's options."""
    parser.add_argument("files", nargs="+", metavar="FILE", help="JPEG, TIFF or raw files, in shot order")
    parser.add_argument("--json", action="store_true", help="print one JSON object per frame, nothing else")
    parser.add_argument("--each", action="store_true", help="the files are unrelated frames, not one setup")
    parser.add_argument(
        "--aim",
        type=an_aim,
        metavar="AIM",
        default="even",
        help=f"what the next step tries to reach: {', '.join(AIMS)} or spot:NAME (default: even)",
    )
    parser.add_argument(
        "--spot",
        type=a_spot,
        action="append",
        default=[],
        metavar="NAME=X,Y[,SIZE][@WANT]",
        dest="spots",
        help="a place to read, in shares of the picture, and where it is wanted: stops from mid grey, or a zone I to X",
    )
    parser.add_argument("--backdrop", choices=BACKDROPS, default="auto", help="what the backdrop is meant to be")
    parser.add_argument(
        "--region",
        type=a_region,
        action="append",
        default=[],
        metavar="KIND=X,Y,W,H|X,Y/X,Y/X,Y...",
        dest="regions",
        help="a rectangle, or a polygon by its corners, in shares of the picture, that is backdrop, subject, or neither"
        " (ignore), whatever is found",
    )
    parser.add_argument(
        "--reading",
        action="append",
        default=[],
        metavar="PLACE=VALUE",
        dest="readings",
        help="an incident reading for the aim meter: key=16 (at the frame's time and ISO), camera=11@1/60,200",
    )
    parser.add_argument("--plate", metavar="FILE", help="a frame of the set without its subject: sharpens the outline")
    parser.add_argument(
        "--masks", metavar="DIR", type=Path, help="write the backdrop and subject found as PNG into DIR"
    )


def a_region(text: str) -> Region:
    """Return a region as typed; argparse's own error where it is none."""
    try:
        return parse_region(text)
    except ValueError as wrong:
        raise argparse.ArgumentTypeError(str(wrong)) from None


def an_aim(text: str) -> str:
    """Return an aim as typed; argparse's own error where it is none."""
    if text in AIMS or (text.startswith(SPOT_AIM) and text != SPOT_AIM):
        return text
    raise argparse.ArgumentTypeError(f"{text!r} is no aim: it is one of {', '.join(AIMS)}, or spot:NAME")


def a_spot(text: str) -> Spot:
    """Return a spot as typed; argparse's own error where it is none."""
    try:
        return parse_spot(text)
    except ValueError as wrong:
        raise argparse.ArgumentTypeError(str(wrong)) from None


def run(args: argparse.Namespace) -> int:
    """Score the files; return the exit status of the contract (0 done, 1 something could not be read)."""
    try:
        thresholds = load_thresholds()
        masks = None if args.masks is None else Masks(args.masks)
    except (ConfigError, MasksError) as wrong:
        return standing.fail_file(args, None, str(wrong))
    status = 0
    files = [os.fsencode(name) for name in args.files]
    _say_twice(files)
    eye = Eye(thresholds)
    setup = _setup(args)
    frame = 0
    try:
        given = Given(tuple(args.regions), None if args.plate is None else _plate(eye, args.plate))
        for path, partner in paired(files):
            if args.each:
                setup = _setup(args)
            # A JPEG that is lost leaves its raw.
            for file in (path, partner) if partner else (path,):
                seen = eye.see(file, partner=partner, known=setup.known, backdrop=args.backdrop, given=given)
                if isinstance(seen, Seen):
                    break
                status = standing.fail_file(args, file, seen.reason)
            else:
                continue
            frame += 1
            if given.plate is not None and not _fits(given.plate, seen.look):
                other = "the plate is of another size or kind, and not used for it."
                print(f"{clean_path(file)}: {other}", file=sys.stderr)
            setup = replace(setup, metered=_metered(args.readings, seen.look))
            setup, verdict = judge(setup, seen.look, thresholds, file=clean_path(file), frame=frame)
            said = verdict.as_json()
            if masks is not None:
                try:
                    said["masks"] = masks.write(file, seen.look)
                except MasksError as wrong:
                    status = standing.fail_file(args, file, str(wrong))
            _say(args, said)
    except (_PlateError, ReadingError) as wrong:
        return standing.fail_file(args, None, str(wrong))
    finally:
        eye.close()
    return status


def _metered(texts: Sequence[str], look: Look) -> Metered | None:
    """Return the reading to go by; raises `ReadingError`."""
    if not texts:
        return None
    exposure = look.shot.exposure
    reading = chosen(parse_readings(" ".join(texts), exposure.shutter_s, exposure.iso))
    return None if reading is None else Metered(reading)


class _PlateError(Exception):
    """The plate can't be read; the text is one line for a person."""


def _plate(eye: Eye, file: str) -> Plate:
    seen = eye.see(os.fsencode(file))
    if not isinstance(seen, Seen):
        raise _PlateError(f"{clean_path(os.fsencode(file))}: the plate cannot be used: {seen.reason}")
    look = seen.look
    return plate_of(look.light, look.clipped_any, look.backdrop, look.shot.exposure.stops, look.kind == "raw")


def _setup(args: argparse.Namespace) -> Setup:
    return new_setup(1, aim=args.aim, backdrop=args.backdrop, spots=tuple(args.spots))


def _fits(plate: Plate, look: Look) -> bool:
    return any(
        plate.raw == (each.kind == "raw") and plate.light.shape == each.light.shape
        for each in (look, look.shown)
        if each is not None
    )


def _say_twice(paths: Sequence[bytes]) -> None:
    """Say which files were given more than once: a frame is measured once."""
    count = Counter(map(os.path.abspath, paths))
    for path in dict.fromkeys(map(os.path.abspath, paths)):
        if count[path] > 1:
            print(f"{clean_path(path)}: given {count[path]} times, measured once.", file=sys.stderr)


def paired(paths: Sequence[bytes]) -> list[tuple[bytes, bytes | None]]:
    """
    Return the frames in order, a raw file joined to the JPEG or TIFF of the same name and folder.

    A file that is given twice, by whichever path, comes once.
    """
    order = list({os.path.abspath(path): path for path in reversed(paths)}.values())[::-1]
    raws = {_stem(path): path for path in order if _suffix(path) in RAW_SUFFIXES}
    joined: set[bytes] = set()
    frames: list[tuple[bytes, bytes | None]] = []
    for path in order:
        partner = raws.get(_stem(path)) if _suffix(path) in JPEG_SUFFIXES | TIFF_SUFFIXES else None
        if partner is not None:
            joined.add(partner)
        frames.append((path, partner))
    return [pair for pair in frames if pair[0] not in joined]


def _stem(path: bytes) -> bytes:
    return os.path.splitext(os.path.abspath(path))[0].lower()


def _suffix(path: bytes) -> str:
    return os.path.splitext(os.fsdecode(path))[1].lower()


def _say(args: argparse.Namespace, said: dict[str, Any]) -> None:
    if args.json:
        print(json.dumps(said, ensure_ascii=False, allow_nan=False), flush=True)
    else:
        print(in_words(said), flush=True)


def in_words(said: dict[str, Any]) -> str:
    """Return a verdict for a person: a line of what is, one of what to do, one for each notice."""
    exposure, highlights, backdrop = said["exposure"], said["highlights"], said["backdrop"]
    parts = [f"{said['file']}: {f_text(exposure['f_number'])}"]
    if highlights["subject"] is not None:
        parts.append(f"clipped {percent(highlights['subject'])} of the subject")
    if backdrop["tone"]:
        parts.append(f"{backdrop['tone']} backdrop {'clean' if backdrop['clean'] else 'not clean'}")
    spots = "".join(
        f"\n    {spot_words(one['name'], one['stops'], one['bound'], one['off_stops'])}" for one in said["spots"]
    )
    notices = "".join(f"\n    {notice['text']}" for notice in said["notices"])
    return f"{', '.join(parts)}\n    {said['next']['why']}{spots}{notices}"


class MasksError(Exception):
    """The masks cannot be written; the text is one line for a person."""


class Masks:
    """A folder of masks, each frame's under a name of its own."""

    def __init__(self, folder: Path) -> None:
        """
        Make the folder.

        Raises:
            MasksError: it can't be made or written.
        """
        self._folder, self._taken = folder, dict[str, bytes]()
        shown = clean_name(folder)
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except (FileExistsError, NotADirectoryError):
            raise MasksError(f"{shown} is no folder: give --masks one, or a new name.") from None
        except OSError as wrong:
            raise MasksError(f"{shown} cannot be made ({wrong.strerror}): give --masks another folder.") from None
        if not os.access(folder, os.W_OK | os.X_OK):
            raise MasksError(f"{shown} cannot be written: see to its permissions, or give --masks another folder.")

    def write(self, path: bytes, look: Look) -> dict[str, str]:
        """
        Write a frame's masks at its own size: 255 inside.

        Returns:
            where they are, by what they hold.

        Raises:
            MasksError: they can't be written.
        """
        stem = self._stem(path)
        written = {}
        for name, parts in (("backdrop", (Part.BACKDROP, Part.MIXED)), ("subject", (Part.SUBJECT, Part.GLINT))):
            target = self._folder / f"{stem}.{name}.png"
            try:
                target.write_bytes(cv2.imencode(".png", _full_size(look, parts))[1].tobytes())
            except OSError as wrong:
                raise MasksError(
                    f"its masks cannot be written to {clean_name(self._folder)} ({wrong.strerror}): "
                    "make room there, or give --masks another folder."
                ) from None
            written[name] = str(target)
        return written

    def _stem(self, path: bytes) -> str:
        """Return the frame's own name, or, where another frame has taken that, the next free one; says so."""
        plain = os.path.splitext(clean_name(os.path.basename(path)))[0]
        stem, count = plain, 1
        while stem in self._taken:
            count += 1
            stem = f"{plain}-{count}"
        self._taken[stem] = path
        if stem != plain:
            owner = clean_path(self._taken[plain])
            print(f"{clean_path(path)}: its masks are named {stem}, for {owner} has the name {plain}.", file=sys.stderr)
        return stem


def _full_size(look: Look, parts: tuple[Part, ...]) -> np.typing.NDArray[np.uint8]:
    """Return where these parts are, pixel by pixel; the border of less than a cell goes with the cell beside it."""
    rows, columns = look.parts.shape
    points = look.points((rows * look.side, columns * look.side))
    inside = np.isin(points, parts).astype(np.uint8) * np.uint8(255)
    down, right = look.height - inside.shape[0], look.width - inside.shape[1]
    full: Any = cv2.copyMakeBorder(inside, 0, down, 0, right, cv2.BORDER_REPLICATE)
    return full  # type: ignore[no-any-return]
