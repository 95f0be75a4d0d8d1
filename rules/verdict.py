"""What is said of one frame, and how it is printed (the contract that scripts rely on)."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from lampblack.rules.advice import Instead, Step
from lampblack.rules.blind import Blind
from lampblack.rules.cleanness import Cleanness
from lampblack.rules.exposure import aperture_value
from lampblack.rules.forecast import Forecast, Headroom, Within
from lampblack.rules.look import Look
from lampblack.rules.neutral import Colour
from lampblack.rules.optics import Cost
from lampblack.rules.remedy import Remedy
from lampblack.rules.response import PRIOR, Response
from lampblack.rules.spots import Placed
from lampblack.rules.wells import Full
from lampblack.rules.zones import zone_of


@dataclass(frozen=True)
class Notice:
    """Something a person should know of a frame; kind is a stable word for scripts."""

    kind: str
    text: str


_COSTS = (
    # what keeps a frame from being judged at all, ...
    *("camera", "size", "burnt-out", "black-frame", "no-exposure"),
    # what no later work gives back, ...
    *("softer", "focus-elsewhere", "clipped", "edge-eaten", "reaches-in", "intruder"),
    # what the shoot is about, and can be mended at the lamps, ...
    *("spill", "grain", "white-short", "uneven", "bands", "light-changed", "light-again", "metered", "level", "nudged"),
    # what later work can even out.
    *("two-colours", "cast", "colour-drift", "no-backdrop", "other-kind", "white-unsure"),
)
"""Kinds of notices, what costs the picture most first."""


def by_cost(notices: Iterable[Notice]) -> tuple[Notice, ...]:
    """Return notices in the order of what they cost the picture; those of one kind stay as they are."""
    place = {kind: i for i, kind in enumerate(_COSTS)}
    return tuple(sorted(notices, key=lambda notice: place.get(notice.kind, len(place))))


@dataclass(frozen=True)
class Highlights:
    """Shares, 0 to 1; see the contract."""

    frame: float
    subject: float | None
    channels: tuple[float, float, float]
    broad: float | None
    specular: float | None
    headroom: Headroom | None


@dataclass(frozen=True)
class Shadows:
    """Shares, 0 to 1."""

    frame: float
    subject: float | None


@dataclass(frozen=True)
class Verdict:
    """Everything said of one frame."""

    file: str
    frame: int
    setup: str | None
    look: Look
    highlights: Highlights
    shadows: Shadows
    backdrop: Cleanness | None
    step: Step
    forecast: tuple[Forecast, ...]
    notices: tuple[Notice, ...]
    response: Response = PRIOR
    spots: tuple[Placed, ...] = ()
    remedies: tuple[Remedy, ...] = ()
    costs: tuple[Cost, ...] = ()
    instead: tuple[Instead, ...] = ()
    complete: bool = False
    blind: Blind | None = None
    """What keeps the frame from showing anything."""
    colour: Colour | None = None
    sharpness: float | None = None
    """Fine contrast against the setup's sharpest frame."""
    mid_stops: float | None = None
    """By how many stops the subject's mid tones lie over mid grey."""

    def as_json(self) -> dict[str, Any]:
        """Return the object that the commands print; unknown values are None."""
        return _verdict_json(self)


def _number(value: float | None, digits: int = 6) -> float | None:
    """Return a rounded finite number or None: JSON has no NaN."""
    # Adding nothing turns -0.0 into 0.0.
    return round(float(value), digits) + 0.0 if value is not None and np.isfinite(value) else None


def _verdict_json(v: Verdict) -> dict[str, Any]:
    shot, exposure, h = v.look.shot, v.look.shot.exposure, v.highlights
    return {
        "file": v.file,
        "frame": v.frame,
        "setup": v.setup,
        "taken_at": shot.taken_at,
        "camera": shot.camera,
        "lens": shot.lens,
        "exposure": {
            "f_number": _number(exposure.f_number),
            "av": _number(exposure.av),
            "shutter_s": _number(exposure.shutter_s),
            "tv": _number(exposure.tv),
            "iso": _number(exposure.iso),
            "sv": _number(exposure.sv),
            "ev100": _number(exposure.ev100),
        },
        "pixels": {"kind": v.look.kind, "width": v.look.width, "height": v.look.height},
        "highlights": {
            "frame": _number(h.frame),
            "subject": _number(h.subject),
            "channels": dict(zip("rgb", map(_number, h.channels), strict=True)),
            "broad": _number(h.broad),
            "specular": _number(h.specular),
            "headroom_stops": _number(h.headroom.stops, 3) if h.headroom else None,
            "headroom_within": [_number(h.headroom.least, 3), _number(h.headroom.most, 3)] if h.headroom else None,
            "headroom_seen": h.headroom.seen if h.headroom else None,
        },
        "shadows": {"frame": _number(v.shadows.frame), "subject": _number(v.shadows.subject)},
        "mid_stops": _number(v.mid_stops, 3),
        "backdrop": {**_backdrop_json(v.backdrop), "remedies": [_remedy_json(one) for one in v.remedies]},
        "colour": colour_json(v.colour),
        "steadiness": _steadiness_json(v),
        "next": {
            "move": v.step.move,
            "stops": _number(v.step.stops, 2),
            "f_number": v.step.f_number,
            "why": v.step.why,
            "costs": [{"kind": cost.kind, "text": cost.text} for cost in v.costs],
            "instead": [{"shutter_s": one.shutter_s, "iso": one.iso, "text": one.text} for one in v.instead],
            "complete": v.complete,
        },
        "forecast": [
            {
                "f_number": f.f_number,
                "highlights_subject": _number(f.highlights_subject),
                "shadows_subject": _number(f.shadows_subject),
                "backdrop_p99": f.backdrop_p99,
                "shot": f.shot,
                "within": _within_json(f.within),
                "spots": _spots_at(v, f.f_number),
            }
            for f in v.forecast
        ],
        "spots": [_spot_json(one) for one in v.spots],
        "notices": [{"kind": n.kind, "text": n.text} for n in v.notices],
        "tone_response": _response_json(v),
        "saturation": _saturation_json(v.look.full),
    }


def _steadiness_json(v: Verdict) -> dict[str, Any]:
    steady = v.look.steady
    moved = steady.moved
    shift = (0.0, 0.0) if steady.tiles is not None else None if moved is None else moved.shift
    return {
        "shift_px": None if shift is None else [_number(by, 2) for by in shift],
        "rotation_deg": None if shift is None else _number(0.0 if moved is None else moved.rotation, 4),
        "sharpness": _number(v.sharpness, 3),
        "banding": _number(steady.bands.share, 4),
        "band_period": _number(steady.bands.period, 4),
    }


def colour_json(colour: Colour | None) -> dict[str, Any]:
    """Return a neutral's colour as the contract has it."""
    if colour is None:
        return dict.fromkeys(("cct_k", "mired", "duv", "a", "b", "from"))
    return {
        "cct_k": _number(colour.kelvin, 1),
        "mired": _number(colour.mired, 2),
        "duv": _number(colour.duv, 5),
        "a": _number(colour.a, 3),
        "b": _number(colour.b, 3),
        "from": colour.source,
    }


def _remedy_json(remedy: Remedy) -> dict[str, Any]:
    return {
        "do": remedy.do,
        "side": remedy.side,
        "stops": _number(remedy.stops, 3),
        "enough": remedy.enough,
        "factor": _number(remedy.factor, 3),
        "text": remedy.text,
        "caution": remedy.caution,
    }


def _spot_json(placed: Placed) -> dict[str, Any]:
    spot, reading = placed.spot, placed.reading
    return {
        "name": spot.name,
        "x": spot.x,
        "y": spot.y,
        "size": spot.size,
        "stops": _number(placed.stops, 3),
        "zone": zone_of(placed.stops),
        "bound": placed.bound,
        "want_stops": _number(spot.want, 3),
        "off_stops": _number(placed.off, 3),
        "clipped": _number(reading.clipped),
        "spread_stops": _number(reading.spread, 3),
    }


def _spots_at(v: Verdict, f_number: float) -> list[dict[str, Any]]:
    """Return where the spots would lie at another aperture, in stops from mid grey."""
    av = v.look.shot.exposure.av
    change = None if av is None else av - aperture_value(f_number)
    return [
        {"name": one.spot.name, "stops": None if change is None else _number(one.stops + change, 3), "bound": one.bound}
        for one in v.spots
    ]


def _within_json(within: Within) -> dict[str, Any]:
    def both(pair: tuple[float, float] | None) -> list[float | None] | None:
        return None if pair is None else [_number(pair[0]), _number(pair[1])]

    return {
        "highlights_subject": both(within.highlights_subject),
        "shadows_subject": both(within.shadows_subject),
        "backdrop_p99": None if within.backdrop_p99 is None else list(within.backdrop_p99),
    }


def _response_json(v: Verdict) -> dict[str, Any] | None:
    """Say by which curve a JPEG's codes were read; raw alone needs none."""
    if v.look.kind == "raw" and v.look.shown is None:
        return None
    return {"from": v.response.source, "sure_stops": _number(v.response.sure_stops, 3)}


def _saturation_json(full: Full | None) -> dict[str, Any] | None:
    """Say by what a raw frame's white was reckoned; a JPEG has none."""
    if full is None:
        return None
    return {
        "from": full.source,
        "of_tag": _number(full.share, 4),
        "sure_stops": _number(full.sure_stops, 3),
        "frames": full.frames,
        "contradicted": full.contradicted,
    }


def _backdrop_json(c: Cleanness | None) -> dict[str, Any]:
    spill: dict[str, Any] = {"side": None, "area": 0.0, "over_stops": 0.0}
    if c is not None and c.spill is not None:
        spill = {
            "side": c.spill.side,
            "area": _number(c.spill.area),
            "over_stops": _number(c.spill.over_stops, 3),
        }
    if c is None:
        code = dict.fromkeys(("p50", "p95", "p99", "max"))
        return {
            **dict.fromkeys(("tone", "area", "clean", "only_grain")),
            "code": code,
            "stops_below_white": None,
            "evenness_stops": None,
            "spill": None,
        }
    return {
        "tone": c.tone,
        "area": _number(c.area),
        "clean": c.clean,
        "only_grain": c.only_grain,
        "code": {"p50": c.p50, "p95": c.p95, "p99": c.p99, "max": c.max},
        "stops_below_white": _number(c.stops_below_white, 3),
        "evenness_stops": _number(c.evenness_stops, 3),
        "spill": spill,
    }
