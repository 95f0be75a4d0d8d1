"""
Where cameras' sensors were seen to be full, kept for next time; as `responses` keeps tone curves.

What is kept are the levels of single frames, the last of each camera, ISO and kind of file. What they agree on is asked
of `rules.wells`: one odd frame among them is outvoted.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from lampblack.daemon.clean import clean
from lampblack.daemon.kept import alone, damaged, entries_of, place_of, read, write
from lampblack.rules.wells import ENOUGH, LEAST, MOST, MOST_SEEN, Body, Full, agreed, alike

NAME = "saturations.json"
FORMAT = 1
_MOST_KEPT = 1000  # cameras at an ISO, half a kilobyte each; the ones longest unchanged go first

Seen = dict[str, float]
"""The levels of frames by their marks, the newest last."""


def place() -> Path:
    """Return where the file lies on this machine."""
    return place_of(NAME)


def load(path: Path | None = None) -> dict[Body, tuple[float, ...]]:
    """
    Return the levels seen, by camera.

    Raises:
        KeptError: the file is damaged or cannot be read. Go on without.
    """
    return {body: tuple(seen.values()) for body, seen in _read(path or place()).items()}


def keep(full: Full, mark: str, path: Path | None = None) -> str | None:
    """
    Keep the level that a frame has shown as a pile, if that is news.

    mark: tells the frame from others; the same frame, measured once more, has no second voice.

    Returns:
        one line for a person if something was moved aside, else None.

    Raises:
        KeptError: it can't be written. Nothing that was kept before is lost.
        ValueError: the level is not the frame's own, is none a sensor could have, or the camera has no name.
    """
    if full.source != "data" or not LEAST < full.share < MOST or not full.body.camera:
        raise ValueError("only a level that a named camera's frame has shown itself can be kept")
    path = path or place()
    with alone(path):
        return _keep(full, mark, path)


def _keep(full: Full, mark: str, path: Path) -> str | None:
    entries, said = entries_of(path, _read)
    seen = entries.pop(full.body, {})
    if mark in seen or _is_no_news(seen, full.share):
        return said
    seen = {**seen, mark: round(full.share, 6)}
    entries[full.body] = dict(list(seen.items())[-MOST_SEEN:])
    write(path, _whole(dict(list(entries.items())[-_MOST_KEPT:])))
    return said


def _is_no_news(seen: Seen, share: float) -> bool:
    """Say whether so many frames have said the same already that one more needn't be written down."""
    level = agreed(seen.values(), ENOUGH)
    return len(seen) >= MOST_SEEN and level is not None and alike(level.share, share)


def _whole(entries: dict[Body, Seen]) -> dict[str, Any]:
    bodies = [{**body._asdict(), "seen": list(seen.items())} for body, seen in entries.items()]
    return {"format": FORMAT, "bodies": bodies}


def _read(path: Path) -> dict[Body, Seen]:
    whole = read(path, FORMAT, "saturation levels")
    if whole is None:
        return {}
    try:
        return {_body(one): _seen(one["seen"]) for one in whole["bodies"]}
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError):
        raise damaged(path) from None


def _body(told: Any) -> Body:
    iso = None if told["iso"] is None else float(told["iso"])
    return Body(clean(str(told["camera"]), 100), iso, int(told["white"]), int(told["long"]), int(told["short"]))


def _seen(told: Any) -> Seen:
    """Return the levels that a sensor could have."""
    pairs = [(clean(str(mark), 40), float(share)) for mark, share in told[-MOST_SEEN:]]
    return {mark: share for mark, share in pairs if math.isfinite(share) and LEAST < share < MOST}
