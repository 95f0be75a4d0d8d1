"""What people say of a shoot, as its journal notes it: the words for it, and how they are read again. No I/O."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from lampblack.daemon.clean import clean
from lampblack.rules.readings import Reading

Json = dict[str, Any]
Entry = tuple[str, str]
"""A journal's event: its kind, and its text."""

SPOT, NO_SPOT = "spot", "spot-gone"
"""The journal's words for a spot as written, and for the name of one that is taken back."""

REGION, NO_REGION, PLATE = "region", "region-gone", "plate"
"""... for a region as written, for one that is taken back, and for the number of the frame that is the clean plate."""

READINGS, NO_READING, TAUGHT = "readings", "reading-gone", "meter-taught"
"""... for readings (a JSON list), for one that is taken back, and for what a frame has taught of a meter."""

CHOICE, NOTE, RENAME = "choice", "note", "rename"
"""... for what a person thinks of a frame, says of a setup, and calls it now; JSON objects."""

WISH = "wish"
"""... for the aim and the backdrop that a service judges a setup's frames by; a JSON object."""

LONG, SHORT = 2000, 60
"""Letters of what is written in sentences, and of a name."""


@dataclass(frozen=True)
class Choice:
    """What a person thought of a frame. rating: 0 to 5, -1 rejected (XMP, xmp:Rating); None for none."""

    rating: int | None
    label: str | None
    why: str | None


def choice_of(told: Json) -> Choice:
    """Return a choice as the journal has it."""
    rating = told.get("rating")
    return Choice(None if rating is None else int(rating), text_of(told.get("label")), text_of(told.get("why"), LONG))


def own_notices(verdict: Json) -> list[Json]:
    """Return the notices that the service, not the rules, put into a verdict."""
    return [notice for notice in verdict.get("notices", []) if notice.get("kind") in ("rewritten", "balance", "lamp")]


def text_of(told: Any, most: int = SHORT) -> str | None:
    """Return a text that is fit to be shown, None for none."""
    return None if told is None else clean(str(told), most).strip() or None


def readings_entry(setup: int, readings: Sequence[Reading]) -> Entry:
    """Return readings for the journal."""
    told = [
        {"setup": setup, "place": one.place, "ev100": one.ev100, "said": one.said, "meter": one.meter}
        for one in readings
    ]
    return READINGS, json.dumps(told)


def readings_of(told: Any) -> list[tuple[int, Reading]]:
    """
    Return readings as the journal has them, each with its setup's number.

    Raises:
        KeyError, TypeError, ValueError: another version's.
    """
    return [
        (
            int(one["setup"]),
            Reading(
                clean(str(one["place"]), SHORT),
                float(one["ev100"]),
                clean(str(one["said"]), SHORT),
                text_of(one.get("meter")),
            ),
        )
        for one in told
    ]


def reading_json(reading: Reading) -> Json:
    """Return a reading as clients and pages have it."""
    return {"place": reading.place, "ev100": round(reading.ev100, 3)}
