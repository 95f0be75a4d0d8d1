"""`lampblack balance`: what each lamp gives, and the change of lamps that gives what is wanted."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lampblack.daemon import standing
from lampblack.daemon.clean import clean_name
from lampblack.daemon.client import NoServiceError, ask
from lampblack.daemon.config import load_thresholds
from lampblack.daemon.lampbook import Lamp
from lampblack.daemon.layering import Chosen, Frames, FramesError, Json, Notices, add_lamp_arguments, chosen, told
from lampblack.daemon.showing import preview_json
from lampblack.daemon.whole import write_whole
from lampblack.rules.cautions import LAMPS
from lampblack.rules.exposure import LADDER
from lampblack.rules.figures import f_text, percent, stops_long
from lampblack.rules.layers import Additivity, Layers, Share, add_up, shares, spilling
from lampblack.rules.look import Look
from lampblack.rules.match import match_frame, what_differs
from lampblack.rules.mixing import Outcome, Plan, Terms, parse_terms, plan
from lampblack.rules.neutral import lamp_colours, lamps_apart_notice
from lampblack.rules.thresholds import Thresholds
from lampblack.rules.tone import linear_to_srgb
from lampblack.rules.ways import TUNGSTEN_KELVIN, ways_of

_ADDS_UP = 0.12  # stops; over it the layers are not of the light that the check frame shows


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command's options."""
    add_lamp_arguments(parser)
    parser.add_argument("--check", metavar="FILE", help="a frame with all lamps on: does their light add up?")
    parser.add_argument(
        "--want", action="append", default=[], metavar="TERM", dest="terms",
        help="ratio=3:1, backdrop=clean, hold-highlights, NAME<=+0.5 or NAME=0; once for each",
    )  # fmt: skip
    parser.add_argument("--aperture", type=float, metavar="N", help="the f-number to hold to (default: it is free)")
    parser.add_argument(
        "--out", type=Path, metavar="PREVIEW", help="write a picture: as it is, and as it would be (PNG)"
    )
    parser.add_argument("--panel", action="store_true", help="show that picture in the panel of the --folder's service")
    parser.add_argument("--json", action="store_true", help="print one JSON object, nothing else")


def run(args: argparse.Namespace) -> int:
    """Balance the lamps; return the exit status of the contract."""
    return told(args, lambda: _told(args))


def _told(args: argparse.Namespace) -> tuple[Json, str]:
    frames = chosen(args)
    said, picture = _balance(args, frames, parse_terms(args.terms, frames.names))
    if args.out is not None:
        _write(args.out, picture)
    if args.panel:
        _show(args, picture, said["why"])
    return said, in_words(said)


def _balance(args: argparse.Namespace, named: Chosen, terms: Terms) -> tuple[Json, NDArray[np.uint8]]:
    thresholds = load_thresholds()
    with Frames(thresholds) as frames:
        file = args.check or named.all_on
        # The check first: the others' pictures are held against it.
        frames.see_alike([file, *named.files])
        check = None if file is None else frames.see(file)
        layers, nudges = frames.layers(named, check)
    found = plan(layers, terms, LADDER, thresholds, f_number=args.aperture)
    adds = None if check is None else add_up(layers, check)
    said = _as_json(layers, shares(layers), adds, found, named.dark is not None, named.facts)
    said["notices"] += nudges
    if check is not None and adds is not None and adds.median > _ADDS_UP:
        said["notices"] += _differs(layers, check)
    if (worst := spilling(layers, thresholds)) is not None:
        said["notices"].append({"kind": "spill-lamp", "text": flag_text(*worst)})
    return _with_colours(said, layers, thresholds), preview(layers, found)


def _differs(layers: Layers, check: Look) -> Notices:
    """Return which lamp gives another light in the frame of all than in its own."""
    wrong = match_frame(layers, check).first
    if wrong is None:
        return []
    return [{"kind": "lamp-differs", "text": f"Against its own frame, in that of all lamps {what_differs(wrong)}."}]


def flag_text(name: str, share: float, side: str | None, fall: float) -> str:
    """Return where a flag belongs: before which lamp, and on which side of the picture."""
    where = "" if side is None else f", most of it from the {side}"
    place = "" if side is None else f", at the {side} of the picture"
    return (
        f"{name} gives {percent(share)} of the light on the backdrop{where}: a flag between it and the backdrop{place},"
        f" would take up to {stops_long(fall)} of it."
    )


def _with_colours(said: Json, layers: Layers, thresholds: Thresholds) -> Json:
    """Add each lamp's colour, and a notice where two differ."""
    colours, source = lamp_colours(layers)
    for lamp, colour in zip(said["lamps"], colours, strict=True):
        lamp["mired"] = None if colour is None else _number(colour.mired, 1)
        lamp["mired_from"] = None if colour is None else source
    text = lamps_apart_notice([lamp.name for lamp in layers.lamps], colours, thresholds.neutral)
    if text is not None:
        said["notices"].append({"kind": "lamp-colours", "text": text})
    return said


def _as_json(
    layers: Layers,
    given: tuple[Share, ...],
    adds: Additivity | None,
    found: Plan,
    has_dark: bool,
    facts: Mapping[str, Lamp],
) -> Json:
    return {
        "lamps": [
            {
                "name": share.name,
                "gain_stops": gain,
                "distance_factor": round(2 ** (-gain / 2), 4),
                "subject_share": _number(share.subject),
                "left_stops_below_white": _number(share.left, 3),
                "right_stops_below_white": _number(share.right, 3),
                "backdrop_share": _number(share.backdrop),
                "mired": None,
                "clipped": share.clipped,
                "ways": _ways(gain, facts.get(share.name)),
            }
            for share, gain in zip(given, found.gains, strict=True)
        ],
        "additivity": {
            "median_stops": None if adds is None else _number(adds.median, 4),
            "p95_stops": None if adds is None else _number(adds.p95, 4),
            "signed_stops": None if adds is None else _number(adds.signed, 4),
        },
        "backdrop": layers.tone,
        "before": _outcome(found.before),
        "after": _outcome(found.after),
        "met": found.met,
        "why": found.why,
        "notices": share_notices(given, adds, has_dark) + _cautions(found),
    }


def _ways(gain: float, lamp: Lamp | None) -> list[Json]:
    """Return the ways to change a lamp, by what was said of it: only a glowing wire turns warmer when dimmed."""
    kind, distance = (None, None) if lamp is None else (lamp.kind, lamp.distance)
    kelvin = TUNGSTEN_KELVIN if kind in (None, "tungsten", "halogen") else None
    return [{"do": way.do, "stops": round(way.stops, 3), "text": way.text} for way in ways_of(gain, kelvin, distance)]


def _outcome(outcome: Outcome) -> Json:
    return {
        "ratio_stops": _number(outcome.ratio, 3),
        "backdrop_p99": outcome.backdrop_p99,
        "backdrop_clean": outcome.clean,
        "highlights_subject": _number(outcome.highlights),
        "f_number": outcome.f_number,
    }


def _number(value: float | None, digits: int = 6) -> float | None:
    return None if value is None or not np.isfinite(value) else round(float(value), digits) + 0.0


def share_notices(given: tuple[Share, ...], adds: Additivity | None, has_dark: bool) -> Notices:
    """Return what is to be said of layers: that they don't add up to the frame of all lamps, that one is burnt out."""
    notices = []
    if adds is not None and adds.median > _ADDS_UP:
        more = "less" if adds.signed < 0 else "more"
        text = f"The lamps together give {stops_long(adds.median)} {more} than one by one:"
        guess = "a lamp was moved or has drifted, or the tone response is not known (--bracket)"
        if adds.signed < 0 and not has_dark:
            guess = f"other light is in every frame (shoot one with all lamps off, --dark), {guess}"
        notices.append({"kind": "does-not-add-up", "text": f"{text} {guess}."})
    clipped = [share.name for share in given if share.clipped]
    if clipped:
        text = f"Burnt out in the frame of {', '.join(clipped)}: its light is at least what is said. Shoot it darker."
        notices.append({"kind": "clipped-layer", "text": text})
    return notices


def _cautions(found: Plan) -> Notices:
    return [{"kind": "caution", "text": LAMPS}] if any(gain > 0.05 for gain in found.gains) else []


def in_words(said: Json) -> str:
    """Return the answer for a person: a line a lamp, then what to do and what comes of it."""
    lines = [
        f"{lamp['name']}: {percent(lamp['subject_share'])} of the subject's light,"
        f" {percent(lamp['backdrop_share'])} of the backdrop's"
        for lamp in said["lamps"]
    ]
    before, after = said["before"], said["after"]
    lines.append(said["why"])
    lines += [
        f"    {lamp['name']}: {'; or '.join(way['text'] for way in lamp['ways'])}"
        for lamp in said["lamps"]
        if lamp["ways"]
    ]
    for name, one in (("now", before), ("then", after)):
        ratio = "?" if one["ratio_stops"] is None else f"{2 ** one['ratio_stops']:.1f}:1"
        backdrop = "" if one["backdrop_p99"] is None else f", backdrop at code {one['backdrop_p99']}"
        burnt = percent(one["highlights_subject"])
        lines.append(f"    {name}: {ratio}{backdrop}, {burnt} of the subject burnt out, {f_text(one['f_number'])}")
    return "\n".join([*lines, *(f"    {notice['text']}" for notice in said["notices"])])


def preview(layers: Layers, found: Plan) -> NDArray[np.uint8]:
    """Return (rows, columns, 3) sRGB codes: the picture as it is at the left, as it would be at the right."""
    now = layers.mix([1.0] * len(layers.lamps))
    then = layers.mix([2.0**stops for stops in found.gains]) * np.float32(2**found.change)
    gap = np.full((now.shape[0], 8, 3), 0.18, np.float32)
    both = np.concatenate([now, gap, then], axis=1).astype(np.float64)
    return np.rint(linear_to_srgb(both) * 255).astype(np.uint8)


def _show(args: argparse.Namespace, picture: NDArray[np.uint8], text: str) -> None:
    """Have the shoot's service show the mix in its panels."""
    if args.folder is None:
        raise FramesError("--panel goes with --folder: whose panel is it?")
    high, wide = picture.shape[:2]
    small: Any = cv2.resize(
        picture, (_PANEL_WIDE, max(1, round(high * _PANEL_WIDE / wide))), interpolation=cv2.INTER_AREA
    )
    preview = preview_json(small, np.zeros(small.shape[:2], np.uint8))
    try:
        ask(args.folder.expanduser().absolute(), {"do": "mix", "preview": preview, "text": text}, standing.ANSWER_S)
    except (NoServiceError, TimeoutError, OSError):
        raise FramesError("nobody watches the folder: there is no panel to show the mix in") from None


_PANEL_WIDE = 128


def _write(path: Path, picture: NDArray[np.uint8]) -> None:
    data: Any = cv2.imencode(".png", picture[..., ::-1])[1]
    try:
        write_whole(path, data.tobytes())
    except OSError as wrong:
        raise FramesError(
            f"{clean_name(path)} cannot be written ({wrong.strerror}): give --out another place"
        ) from None
