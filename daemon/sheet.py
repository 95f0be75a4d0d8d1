"""`lampblack report`: a shoot to hand over: its page (`page`), its frames as a table, all of it as data."""

from __future__ import annotations

import argparse
import csv
import io
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import track

from lampblack.daemon import standing
from lampblack.daemon.clean import clean, clean_name
from lampblack.daemon.config import ConfigError
from lampblack.daemon.contact import contact_sheets
from lampblack.daemon.noted import LONG, Choice, reading_json
from lampblack.daemon.page import Page, Watched, make_page, unwatched
from lampblack.daemon.record import RecordError, Shoot, read_shoot
from lampblack.daemon.refusal import Refused
from lampblack.daemon.showing import Shown
from lampblack.daemon.whole import write_whole

Json = dict[str, Any]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command's options."""
    parser.add_argument("folder", metavar="FOLDER", type=Path, help="the shoot's folder")
    parser.add_argument(
        "--for", choices=("client", "class"), default="client", dest="reader", help="short, or with the why"
    )
    parser.add_argument("--out", type=Path, metavar="FILE", help="where the page goes (default: FOLDER/report.html)")
    parser.add_argument("--csv", type=Path, metavar="FILE", help="also a table of the frames")
    parser.add_argument(
        "--contact", type=_png, metavar="FILE.png", help="also contact sheets: FILE.png, or FILE-1.png, FILE-2.png, ..."
    )
    parser.add_argument("--json", action="store_true", help="print all that the page tells as one JSON object")


def _png(text: str) -> Path:
    path = Path(text)
    if path.suffix.lower() != ".png":
        raise argparse.ArgumentTypeError(f"{text!r}: a contact sheet is a .png")
    return path


def run(args: argparse.Namespace) -> int:
    """Write the page; return the exit status of the contract."""
    folder = standing.folder_of(args)
    out = args.out or folder / "report.html"
    try:
        shoot = read_shoot(folder)
        page = _write_page(shoot, out, args.reader, _watched)
        if args.csv is not None:
            _write(args.csv, table(shoot).encode("utf-8-sig"))
        sheets = [] if args.contact is None else _write_contact(args.contact, shoot, page)
    except (RecordError, ConfigError, _SheetError) as wrong:
        return standing.fail(args, folder, str(wrong))
    for text in page.missing:
        print(text, file=sys.stderr)
    if args.json:
        standing.print_json(
            {
                **as_json(shoot, page),
                "page": standing.folder_text(out),
                "contact": list(map(standing.folder_text, sheets)),
            }
        )
    else:
        print("\n".join(f"Written: {clean_name(path)}" for path in (out, *sheets)))
    return 1 if page.missing else 0


def write_page(folder: Path, reader: str = "client") -> Path | None:
    """Write the page into the shoot's folder; return where, or None where it can't be made."""
    out = folder / "report.html"
    try:
        _write_page(read_shoot(folder), out, reader)
    except (RecordError, ConfigError, _SheetError):
        return None
    return out


class _SheetError(Exception):
    """The page can't be written; the text is one line for a person."""


def _watched(pictures: Iterator[Shown | Refused], count: int) -> Iterable[Shown | Refused]:
    """Show on a terminal how far the pictures are, and how long they will take."""
    console = Console(stderr=True)
    quiet = not console.is_terminal
    return track(pictures, "Pictures", count, console=console, transient=True, disable=quiet)


def _write_page(shoot: Shoot, out: Path, reader: str, watched: Watched = unwatched) -> Page:
    page = make_page(shoot, reader, watched)
    _write(out, page.html.encode())
    return page


def _write_contact(out: Path, shoot: Shoot, page: Page) -> list[Path]:
    """Write the contact sheets; return where."""
    sheets = list(contact_sheets(f"{shoot.name}, {shoot.begun[:10]}", page.prints))
    paths = [out] if len(sheets) == 1 else [out.with_stem(f"{out.stem}-{i + 1}") for i in range(len(sheets))]
    for path, sheet in zip(paths, sheets, strict=True):
        _write(path, sheet)
    return paths


def _write(path: Path, data: bytes) -> None:
    try:
        write_whole(path, data)
    except OSError as wrong:
        raise _SheetError(f"{clean_name(path)} can't be written ({wrong.strerror}): give another place.") from None


# ---------------------------------------------------------------- as data


def as_json(shoot: Shoot, page: Page) -> Json:
    """Return a shoot as data: setups, readings, lamps and their shares, frames with their verdicts, choices."""
    return {
        "folder": standing.folder_text(shoot.folder),
        "begun": shoot.begun,
        "setups": [
            {
                "number": setup.number,
                "name": setup.name,
                "begun": setup.begun,
                "notes": setup.notes,
                "lamps": [lamp.told for lamp in setup.lamps.values()],
                "floor": shoot.lamps.floor(setup.number).told,
                "shares": None if (shares := page.shares.get(setup.number)) is None else shares.told,
                "readings": [reading_json(reading) for reading in setup.readings.values()],
                "frames": [
                    {**frame.verdict, **_choice_json(shoot.choices.get(frame.number))} for frame in setup.frames
                ],
            }
            for setup in shoot.setups
        ],
    }


def _choice_json(choice: Choice | None) -> Json:
    return {"choice": None if choice is None else {"rating": choice.rating, "label": choice.label, "why": choice.why}}


_COLUMNS = (
    *("frame", "setup", "file", "taken_at", "f_number", "shutter_s", "iso", "clipped", "blocked", "backdrop", "clean"),
    *("backdrop_p99", "mired", "rating", "label", "why"),
)


def table(shoot: Shoot) -> str:
    """Return the frames as CSV (RFC 4180). No cell is a formula: what would begin one has an apostrophe before it."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(_COLUMNS)
    for setup, frame in shoot.frames():
        said, choice = frame.verdict, shoot.choices.get(frame.number, Choice(None, None, None))
        exposure, backdrop, colour = (said.get(key) or {} for key in ("exposure", "backdrop", "colour"))
        row = [
            frame.number, setup.title, said.get("file"), said.get("taken_at"), exposure.get("f_number"),
            exposure.get("shutter_s"), exposure.get("iso"), (said.get("highlights") or {}).get("subject"),
            (said.get("shadows") or {}).get("subject"), backdrop.get("tone"), backdrop.get("clean"),
            (backdrop.get("code") or {}).get("p99"), colour.get("mired"), choice.rating, choice.label, choice.why,
        ]  # fmt: skip
        writer.writerow([_cell(value) for value in row])
    return out.getvalue()


def _cell(value: Any) -> Any:
    if not isinstance(value, str):
        return value
    text = clean(value, LONG)
    return f"'{text}" if text.startswith(_FORMULA) else text


_FORMULA = tuple("=+-@＝＋－＠")
"""What a spreadsheet takes for one (OWASP, on CSV injection); white space before it is gone by then."""
