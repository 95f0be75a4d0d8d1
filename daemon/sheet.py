"""
`lampblack report`: one page of a shoot, to hand over.

One HTML file with everything in it: it opens offline, prints, and asks nothing of anybody. Its drawings are SVG made
here (`drawings`) rather than by a plotting library: they follow the reader's light or dark, and stay text.
"""

from __future__ import annotations

import argparse
import base64
import csv
import io
import itertools
import math
import os
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined

from lampblack.daemon import standing
from lampblack.daemon.clean import clean, clean_name
from lampblack.daemon.config import ConfigError, load_thresholds
from lampblack.daemon.drawings import bars, curve, lamp_plan, plan_words
from lampblack.daemon.eye import Eye
from lampblack.daemon.journal import Kept
from lampblack.daemon.lampbook import Floor, Lamp, changes
from lampblack.daemon.noted import Choice, reading_json
from lampblack.daemon.record import RecordError, SetupRecord, Shoot, read_shoot
from lampblack.daemon.showing import Shown
from lampblack.daemon.whole import write_whole
from lampblack.rules.cautions import STUDIO
from lampblack.rules.figures import f_text, percent, shutter_text, stops_long
from lampblack.rules.readings import in_words

Json = dict[str, Any]
LONG_SIDE = 1000
_MOST_LARGE = 50  # more frames than this and pictures are made smaller, so that the page can still be mailed
_LEAST_SIDE = 320
_WHY = {
    "spill": "Light that lights the subject from behind also reaches the backdrop. A card between the two takes it"
    " away without touching the rim; twice the distance from lamp to backdrop leaves a quarter of it, two stops less.",
    "clipped": "A sensor holds only so much light. What is over that is white without detail, and no later step brings"
    " it back.",
    "uneven": "Light falls off with the square of the distance: one side twice as far from the lamp as the other gets a"
    " quarter of its light.",
    "white-short": "A backdrop photographs white only where enough light falls on it; grey corners are light that is"
    " wanting.",
    "bands": "Lamps on mains ripple at twice its frequency. A shutter that is open for whole ripples sees the same"
    " light everywhere.",
    "cast": "Tungsten light is orange to a camera set for daylight. A custom balance from a plain neutral takes the"
    " cast away.",
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command's options."""
    parser.add_argument("folder", metavar="FOLDER", type=Path, help="the shoot's folder")
    parser.add_argument(
        "--for", choices=("client", "class"), default="client", dest="reader", help="short, or with the why"
    )
    parser.add_argument("--out", type=Path, metavar="FILE", help="where the page goes (default: FOLDER/report.html)")
    parser.add_argument("--csv", type=Path, metavar="FILE", help="also a table of the frames")
    parser.add_argument("--json", action="store_true", help="print all that the page tells as one JSON object")


def run(args: argparse.Namespace) -> int:
    """Write the page; return the exit status of the contract."""
    folder = standing.folder_of(args)
    out = args.out or folder / "report.html"
    try:
        shoot = read_shoot(folder)
        missing = _write_page(shoot, out, args.reader)
        if args.csv is not None:
            _write(args.csv, table(shoot).encode("utf-8-sig"))
    except (RecordError, ConfigError, _SheetError) as wrong:
        return standing.fail(args, folder, str(wrong))
    for text in missing:
        print(text, file=sys.stderr)
    if args.json:
        standing.print_json({**as_json(shoot), "page": standing.folder_text(out)})
    else:
        print(f"Written: {clean_name(out)}")
    return 1 if missing else 0


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


def _write_page(shoot: Shoot, out: Path, reader: str) -> list[str]:
    """Write the page; return a line for each frame whose picture could not be made."""
    page, missing = _page(shoot, reader)
    _write(out, page.encode())
    return missing


def _write(path: Path, data: bytes) -> None:
    try:
        write_whole(path, data)
    except OSError as wrong:
        raise _SheetError(f"{clean_name(path)} can't be written ({wrong.strerror}): give another place.") from None


# ---------------------------------------------------------------- as data


def as_json(shoot: Shoot) -> Json:
    """Return a shoot as data: setups, readings, frames with their verdicts, choices."""
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
    text = clean(value, 2000)
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text


# ---------------------------------------------------------------- as a page


@dataclass(frozen=True)
class _Card:
    """One frame on the page."""

    number: int
    file: str
    settings: str
    line: str
    notices: list[str]
    whys: list[str]
    choice: Choice | None
    stars: str
    picture: str | None
    thumb: str | None
    clipped: str | None
    spilled: str | None
    bars: list[Json]
    alt: str


def _page(shoot: Shoot, reader: str) -> tuple[str, list[str]]:
    """Return the page, and a line for each frame whose picture could not be made."""
    eye = Eye(load_thresholds())
    count = sum(len(setup.frames) for setup in shoot.setups)
    side = max(_LEAST_SIDE, round(LONG_SIDE * min(1.0, math.sqrt(_MOST_LARGE / max(count, 1)))))
    missing: list[str] = []
    try:
        setups = [_setup(shoot, setup, eye, side, reader, missing) for setup in shoot.setups]
    finally:
        eye.close()
    setups = [setup for setup in setups if any(setup[key] for key in ("cards", "readings", "notes", "plan"))]
    for before, after in itertools.pairwise(setups):
        after["changed"] = _changed(before, after)
        if (plan := after["plan"]) is not None:
            plan.again = before["plan"] is not None and plan.lamps == before["plan"].lamps
    html = (
        _templates()
        .get_template("sheet.html")
        .render(name=shoot.name, begun=shoot.begun[:10], setups=setups, reader=reader, caution=STUDIO, count=count)
    )
    return html, missing


def _templates() -> Environment:
    return Environment(
        loader=PackageLoader("lampblack.daemon", "templates"), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip


def _setup(shoot: Shoot, setup: SetupRecord, eye: Eye, side: int, reader: str, missing: list[str]) -> dict[str, Any]:
    cards = []
    for frame in setup.frames:
        shown = eye.show(os.fsencode(shoot.folder / os.fsdecode(frame.path)), side)
        if not isinstance(shown, Shown):
            missing.append(f"{clean_name(os.fsdecode(frame.path))}: no picture on the page: {shown.reason}")
        cards.append(_card(frame, shown if isinstance(shown, Shown) else None, shoot.choices.get(frame.number), reader))
    readings = list(setup.readings.values())
    return {
        "number": setup.number,
        "title": clean(setup.title, 60),
        "notes": setup.notes,
        "cards": cards,
        "readings": in_words(readings),
        "curve": curve(setup),
        "plan": _Plan.of(setup.lamps, shoot.lamps.floor(setup.number)),
        "changed": [],
        "newest": setup.frames[-1].verdict if setup.frames else None,
    }


@dataclass
class _Plan:
    """A setup's lamps on the page. again: they stand as in the setup before."""

    lamps: tuple[dict[str, Lamp], Floor]
    drawing: Json | None
    words: list[str]
    again: bool = False

    @classmethod
    def of(cls, lamps: dict[str, Lamp], floor: Floor) -> _Plan | None:
        """Return what is to be shown; None where no lamp is named."""
        return cls((lamps, floor), lamp_plan(lamps, floor), plan_words(lamps, floor)) if lamps else None


def _card(frame: Kept, shown: Shown | None, choice: Choice | None, reader: str) -> _Card:
    said = frame.verdict
    exposure = said.get("exposure") or {}
    iso = exposure.get("iso")
    speed = "ISO ?" if iso is None else f"ISO {iso:g}"
    settings = f"{f_text(exposure.get('f_number'))}, {shutter_text(exposure.get('shutter_s'))}, {speed}"
    notices = [notice for notice in said.get("notices") or [] if isinstance(notice, dict)]
    line = _line(said)
    spilled = (said.get("backdrop") or {}).get("clean") is False
    whys = list(dict.fromkeys(_WHY[n["kind"]] for n in notices if n.get("kind") in _WHY)) if reader == "class" else []
    if reader == "class" and (said.get("next") or {}).get("why"):
        whys.insert(0, f"What was suggested next: {clean(str(said['next']['why']), 300)}")
    return _Card(
        frame.number,
        clean(str(said.get("file") or ""), 200),
        settings,
        line,
        [clean(str(n.get("text") or ""), 300) for n in notices],
        whys,
        choice,
        "" if choice is None or not choice.rating or choice.rating < 0 else "★" * choice.rating,
        None if shown is None else _inline("image/jpeg", shown.jpeg),
        _thumb(frame.preview),
        None if shown is None or shown.clipped is None else _inline("image/png", shown.clipped),
        _inline("image/png", shown.spilled) if spilled and shown is not None and shown.spilled is not None else None,
        [] if shown is None else bars(shown.stops),
        f"Frame {frame.number} at {settings}. {line}",
    )


def _thumb(preview: Json) -> str | None:
    """Return the journal's small picture; None where it holds none that makes sense."""
    try:
        width, height = int(preview["width"]), int(preview["height"])
        pixels = np.frombuffer(base64.b64decode(preview["rgb"]), np.uint8).reshape(height, width, 3)
    except (KeyError, TypeError, ValueError):
        return None
    return _inline("image/png", cv2.imencode(".png", pixels[..., ::-1])[1].tobytes())


def _inline(kind: str, data: bytes) -> str:
    return f"data:{kind};base64,{base64.b64encode(data).decode()}"


def _line(said: Json) -> str:
    highlights, shadows, backdrop = (said.get(key) or {} for key in ("highlights", "shadows", "backdrop"))
    parts = [
        f"{percent(highlights.get('subject'))} of the subject burnt out",
        f"{percent(shadows.get('subject'))} drowned",
    ]
    if backdrop.get("tone"):
        parts.append(f"{backdrop['tone']} backdrop {'clean' if backdrop.get('clean') else 'not clean'}")
    return ", ".join(parts) + "."


def _changed(before: Json, after: Json) -> list[str]:
    """Return in words what differs between two setups, by their newest frames."""
    old, new = before["newest"] or {}, after["newest"] or {}
    found = []
    if (light := _apart(old, new, "exposure", "ev100", 1 / 6)) is not None:
        found.append(f"exposed {stops_long(light)} {'less' if light > 0 else 'more'}")
    tones = [(said.get("backdrop") or {}).get("tone") for said in (old, new)]
    if tones[0] != tones[1] and tones[1]:
        found.append(f"the backdrop is {tones[1]} now")
    if (deeper := _apart(old, new, "backdrop", "stops_below_white", 1 / 3)) is not None:
        found.append(f"the backdrop lies {stops_long(deeper)} {'deeper' if deeper > 0 else 'higher'}")
    clean_now = [(said.get("backdrop") or {}).get("clean") for said in (old, new)]
    if None not in clean_now and clean_now[0] != clean_now[1]:
        found.append("its backdrop is clean" if clean_now[1] else "its backdrop is not clean any more")
    if (warmer := _apart(old, new, "colour", "mired", 5)) is not None:
        found.append(f"the light is {abs(warmer):.0f} mired {'warmer' if warmer > 0 else 'colder'}")
    return found + changes(*(plan.lamps[0] if (plan := setup["plan"]) else {} for setup in (before, after)))


def _apart(old: Json, new: Json, part: str, key: str, least: float) -> float | None:
    """Return by how much a figure has grown; None where it is not known of both, or by too little."""
    one, other = ((said.get(part) or {}).get(key) for said in (old, new))
    if not isinstance(one, int | float) or not isinstance(other, int | float) or abs(other - one) <= least:
        return None
    return float(other - one)
