"""
Does a frame belong to the frames before it: one camera, one picture, one light?

Where it doesn't, nothing that they taught is believed of it.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal, NamedTuple

import numpy as np

from lampblack.rules.blind import Blind
from lampblack.rules.continuity import NO_CHANGE, light_changed
from lampblack.rules.figures import percent
from lampblack.rules.look import Look, Part
from lampblack.rules.radiance import Radiance, alone, merge, past_of, remembering
from lampblack.rules.thresholds import Thresholds
from lampblack.rules.verdict import Notice

Unlike = Literal["camera", "size", "light"]


class File(NamedTuple):
    """What a frame's file is like; a camera without a name may be any."""

    width: int
    height: int
    camera: str | None


Files = Iterable[tuple[bool, File]]
"""By whether they are raw: a camera's raw is a little larger than its JPEG, and may name it otherwise."""


def files_of(look: Look) -> dict[bool, File]:
    """Return what a frame's files are like."""
    return {each.kind == "raw": File(each.width, each.height, each.shot.camera) for each in _halves(look)}


def _halves(look: Look) -> list[Look]:
    return [look] if look.shown is None else [look, look.shown]


def unlike(before: Files, look: Look, thresholds: Thresholds) -> Unlike | None:
    """Return in what a frame differs from those before it, so that they tell nothing of it; None if in nothing."""
    known = dict(before)
    pairs = [(known[raw], file) for raw, file in files_of(look).items() if raw in known]
    if any(None not in (old.camera, new.camera) and old.camera != new.camera for old, new in pairs):
        return "camera"
    if any(old[:2] != new[:2] for old, new in pairs):
        return "size"
    return "light" if any(each.change.counts(thresholds) for each in _halves(look)) else None


def light_alone(look: Look) -> Radiance | None:
    """Return the light as this frame alone shows it; None where its exposure is not known."""
    stops = look.shot.exposure.stops
    if stops is None:
        return None
    found = Radiance(full=look.full)
    for each in _halves(look):
        clipped = each.clipped_any.astype(np.float32) / np.float32(255)
        merged = alone(each.light, clipped, each.parts == Part.BACKDROP, stops)
        found = found.having(each.kind == "raw", merged)
    return found


def light_as_before(known: Radiance | None, look: Look, thresholds: Thresholds) -> Radiance | None:
    """Return a light known before with this frame in it, or None where the frame does not show itself to be of it."""
    stops = look.shot.exposure.stops
    if known is None or stops is None:
        return None
    for each in _halves(look):
        raw = each.kind == "raw"
        own = known.of(raw)
        clipped = each.clipped_any.astype(np.float32) / np.float32(255)
        frame = past_of(each.light, clipped, each.parts == Part.BACKDROP, stops)
        past = () if own is None else own.past
        change = light_changed(past, frame, thresholds, raw=raw, response=known.response)
        if change is NO_CHANGE or change.counts(thresholds):
            return None
        known = known.having(raw, remembering(merge(own, each.light, clipped, stops), frame))
    return known


def notices_of(before: Files, look: Look, blind: Blind | None, why: Unlike | None, again: bool) -> list[Notice]:
    """
    Return what keeps earlier frames from being believed, or explains why figures differ from theirs.

    Args:
        before: what their files were like.
        look: the frame.
        blind: what keeps it from showing anything.
        why: in what it is unlike them.
        again: the light is that of frames which had been set aside.
    """
    found: list[Notice] = []
    if again:
        found.append(Notice("light-again", "Lit as before the change: the frames of that light count again."))
    elif why is not None:
        kind = "light-changed" if why == "light" else why
        found.append(Notice(kind, {"camera": _CAMERA, "size": _SIZE, "light": _light_text(look)}[why]))
    if blind == "burnt":
        found.append(Notice("burnt-out", "The whole frame is burnt out: nothing can be judged from it."))
    elif blind == "black":
        found.append(Notice("black-frame", "The frame is black: is the cap on, or a lamp off?"))
    kinds = {raw for raw, _ in before}
    if kinds and not kinds & set(files_of(look)):
        here, others = ("raw", "JPEG") if look.kind == "raw" else ("JPEG", "raw")
        text = f"A {here} frame after {others} ones: white lies elsewhere in it, so it is judged by itself."
        found.append(Notice("other-kind", text))
    return found


_CAMERA = "Another camera than the frames before. They are set aside; begin a new setup."
_SIZE = "Another size than the frames before: not the same picture. They are set aside; begin a new setup."


def _light_text(look: Look) -> str:
    changes = [each.change for each in _halves(look)]
    backdrop, picture = max(change.backdrop for change in changes), max(change.picture for change in changes)
    what = f"{percent(backdrop)} of the backdrop" if backdrop > picture else f"{percent(picture)} of the picture"
    return f"{what} is lit otherwise than before: was a lamp or card moved? Then begin a new setup."
