"""
The page of a shoot: one HTML file with everything in it, that opens offline, prints, and asks nothing of anybody.

Its drawings are SVG made here (`drawings`) rather than by a plotting library: they follow the reader's light or dark,
and stay text.
"""

from __future__ import annotations

import base64
import itertools
import math
import os
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import simplejpeg
from jinja2 import Environment, PackageLoader, StrictUndefined
from numpy.typing import NDArray

from lampblack.daemon.clean import clean, clean_name
from lampblack.daemon.config import load_thresholds
from lampblack.daemon.contact import Print
from lampblack.daemon.drawings import bars, curve, lamp_plan, plan_words, session_colour
from lampblack.daemon.eyes import ShowingEyes
from lampblack.daemon.journal import Kept
from lampblack.daemon.lampbook import Floor, Lamp, changes, distance_lines, floor_changes
from lampblack.daemon.noted import LONG, Choice
from lampblack.daemon.record import SetupRecord, Shoot
from lampblack.daemon.refusal import Refused
from lampblack.daemon.sharing import SetupShares, shares_of
from lampblack.daemon.showing import Known, Shown
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


@dataclass(frozen=True)
class Page:
    """
    The page of a shoot. missing: a line for each frame whose picture could not be made. shares: of the lamps, by
    setup. prints: the frames for contact sheets.
    """

    html: str
    missing: list[str]
    shares: dict[int, SetupShares]
    prints: list[Print]


@dataclass(frozen=True)
class _Card:
    """One frame on the page."""

    number: int
    file: str
    settings: str
    line: str
    notices: list[str]
    suggested: str | None
    whys: list[str]
    choice: Choice | None
    stars: str
    picture: str | None
    thumb: str | None
    clipped: str | None
    spilled: str | None
    bars: list[Json]
    alt: str


Watched = Callable[[Iterator[Shown | Refused], int], Iterable[Shown | Refused]]
"""Passes so many pictures on as they are made."""


def unwatched(pictures: Iterator[Shown | Refused], count: int) -> Iterable[Shown | Refused]:
    """Pass the pictures on and tell nobody."""
    return pictures


def make_page(shoot: Shoot, reader: str, watched: Watched = unwatched) -> Page:
    """
    Make the page of a shoot for a reader, client or class; pictures are made on all cores, and may be `watched`.

    Raises:
        ConfigError: the thresholds can't be read.
    """
    thresholds = load_thresholds()
    frames = [frame for _, frame in shoot.frames()]
    side = max(_LEAST_SIDE, round(LONG_SIDE * min(1.0, math.sqrt(_MOST_LARGE / max(len(frames), 1)))))
    files = [os.fsencode(shoot.folder / os.fsdecode(frame.path)) for frame in frames]
    with ShowingEyes(thresholds) as eyes:
        shown = eyes.show(list(zip(files, map(_known, frames), strict=True)), side)
        shares = {setup.number: found for setup in shoot.setups if (found := shares_of(shoot, setup, thresholds))}
        pictures = {frame.number: picture for frame, picture in zip(frames, watched(shown, len(frames)), strict=True)}
    setups = [_setup(shoot, setup, pictures, shares.get(setup.number), reader) for setup in shoot.setups]
    html = _rendered(shoot, [setup for setup in setups if any(setup[key] for key in _TELLING)], len(frames), reader)
    missing = [
        f"{clean_name(os.fsdecode(frame.path))}: no picture on the page: {picture.reason}"
        for frame in frames
        if isinstance(picture := pictures[frame.number], Refused)
    ]
    prints = [_print(setup, frame, pictures[frame.number], shoot) for setup, frame in shoot.frames()]
    return Page(html, missing, shares, prints)


def _print(setup: SetupRecord, frame: Kept, made: Shown | Refused, shoot: Shoot) -> Print:
    """Return a frame for a contact sheet; where it can't be read any more, as the journal's small picture."""
    picture = _grid(frame.preview, "rgb", 3)
    if isinstance(made, Shown):
        picture = simplejpeg.decode_jpeg(made.jpeg)
    stars = _stars(shoot.choices.get(frame.number))
    return Print(picture, f"{frame.number}  {_settings(frame.verdict)}", clean(setup.title, 60), stars)


def _stars(choice: Choice | None) -> int:
    return 0 if choice is None else max(0, choice.rating or 0)


_TELLING = ("cards", "readings", "notes", "plan")
"""What a setup must have some of to be on the page."""


def _known(frame: Kept) -> Known:
    """Return what the verdict says that a picture needs."""
    backdrop, highlights = frame.verdict.get("backdrop") or {}, frame.verdict.get("highlights") or {}
    spills = backdrop.get("tone") == "black" and backdrop.get("clean") is False
    return Known(highlights.get("frame") != 0, _grid(frame.preview, "marks") if spills else None)


def _grid(preview: Json, key: str, *channels: int) -> NDArray[np.uint8] | None:
    """Return a preview's rows and columns of codes or marks; None where it holds none that makes sense."""
    try:
        width, height = int(preview["width"]), int(preview["height"])
        return np.frombuffer(base64.b64decode(preview[key]), np.uint8).reshape(height, width, *channels)
    except (KeyError, TypeError, ValueError):
        return None


def _rendered(shoot: Shoot, setups: list[Json], count: int, reader: str) -> str:
    told: set[str] = set()
    for setup in setups:
        if (plan := setup["plan"]) is not None:
            plan.whys = [why for why in plan.whys if why not in told]
            told |= set(plan.whys)
        said: set[str] = set()  # the physics is told where it first matters in a setup, not at every frame
        for card in setup["cards"]:
            card.whys[:] = [why for why in card.whys if why not in said]
            said |= set(card.whys)
    for before, after in itertools.pairwise(setups):
        after["changed"] = _changed(before, after)
        if (plan := after["plan"]) is not None:
            plan.again = before["plan"] is not None and plan.lamps == before["plan"].lamps
    sheet = _templates().get_template("sheet.html")
    return sheet.render(
        name=shoot.name, begun=shoot.begun[:10], setups=setups, reader=reader, caution=STUDIO, count=count,
        colours=session_colour(shoot),
    )  # fmt: skip


def _templates() -> Environment:
    return Environment(
        loader=PackageLoader("lampblack.daemon", "templates"), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True, finalize=_harmless,
    )  # fmt: skip


def _harmless(value: Any) -> Any:
    """Return what a template is about to write, a text cleaned: whoever wrote the journal may not have been us."""
    return clean(value, LONG) if type(value) is str else value


def _setup(
    shoot: Shoot, setup: SetupRecord, pictures: dict[int, Shown | Refused], shares: SetupShares | None, reader: str
) -> Json:
    readings = list(setup.readings.values())
    return {
        "number": setup.number,
        "title": clean(setup.title, 60),
        "notes": setup.notes,
        "cards": [
            _card(frame, pictures[frame.number], shoot.choices.get(frame.number), reader) for frame in setup.frames
        ],
        "readings": in_words(readings),
        "curve": curve(setup),
        "plan": _Plan.of(shoot, setup, reader),
        "shares": shares,
        "changed": [],
        "newest": setup.frames[-1].verdict if setup.frames else None,
    }


@dataclass
class _Plan:
    """A setup's lamps on the page. again: they stand as in the setup before."""

    lamps: tuple[dict[str, Lamp], Floor]
    drawing: Json | None
    words: list[str]
    whys: list[str]
    again: bool = False

    @classmethod
    def of(cls, shoot: Shoot, setup: SetupRecord, reader: str) -> _Plan | None:
        """Return what is to be shown; None where no lamp is named."""
        lamps, floor, whys = setup.lamps, shoot.lamps.floor(setup.number), []
        if not lamps:
            return None
        if reader == "class":
            whys = [f"{lamp.name}: {line}" for lamp in lamps.values() for line in distance_lines(lamp, floor)]
            whys += shoot.lamps.circuit_lines(setup.number)
        return cls((lamps, floor), lamp_plan(lamps, floor), plan_words(lamps, floor), whys)


def _card(frame: Kept, made: Shown | Refused, choice: Choice | None, reader: str) -> _Card:
    said, shown = frame.verdict, made if isinstance(made, Shown) else None
    settings = _settings(said)
    notices = [notice for notice in said.get("notices") or [] if isinstance(notice, dict)]
    line = _line(said)
    why = (said.get("next") or {}).get("why")
    suggested = clean(str(why), 300) if reader == "class" and why else None
    return _Card(
        frame.number,
        clean(str(said.get("file") or ""), 200),
        settings,
        line,
        [clean(str(n.get("text") or ""), 300) for n in notices],
        suggested,
        list(dict.fromkeys(_WHY[n["kind"]] for n in notices if n.get("kind") in _WHY)) if reader == "class" else [],
        choice,
        "★" * _stars(choice),
        None if shown is None else _inline("image/jpeg", shown.jpeg),
        _thumb(frame.preview),
        None if shown is None or shown.clipped is None else _inline("image/png", shown.clipped),
        None if shown is None or shown.spilled is None else _inline("image/png", shown.spilled),
        [] if shown is None else bars(shown.stops),
        f"Frame {frame.number} at {settings}. {line}",
    )


def _settings(said: Json) -> str:
    exposure = said.get("exposure") or {}
    iso = exposure.get("iso")
    speed = "ISO ?" if iso is None else f"ISO {iso:g}"
    return f"{f_text(exposure.get('f_number'))}, {shutter_text(exposure.get('shutter_s'))}, {speed}"


def _thumb(preview: Json) -> str | None:
    """Return the journal's small picture; None where it holds none that makes sense."""
    pixels = _grid(preview, "rgb", 3)
    return None if pixels is None else _inline("image/png", cv2.imencode(".png", pixels[..., ::-1])[1].tobytes())


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
    plans = [plan.lamps if (plan := setup["plan"]) else ({}, Floor()) for setup in (before, after)]
    return found + changes(plans[0][0], plans[1][0]) + floor_changes(plans[0][1], plans[1][1])


def _apart(old: Json, new: Json, part: str, key: str, least: float) -> float | None:
    """Return by how much a figure has grown; None where it is not known of both, or by too little."""
    one, other = ((said.get(part) or {}).get(key) for said in (old, new))
    if not isinstance(one, int | float) or not isinstance(other, int | float) or abs(other - one) <= least:
        return None
    return float(other - one)
