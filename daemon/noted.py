"""What people say of a shoot, as its journal notes it: the words for it, and how they are read again. No I/O."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
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

CHOICE, NOTE, NO_NOTE, RENAME = "choice", "note", "note-gone", "rename"
"""... for what a person thinks of a frame, says of a setup or takes back, and calls it now; JSON objects."""

WISH = "wish"
"""... for the aim and the backdrop that a service judges a setup's frames by; a JSON object."""

LONG, SHORT = 2000, 60
"""Letters of what is written in sentences, and of a name."""


@dataclass
class Notes:
    """What was said of a setup, by number; a number stays with its note, and is never given again."""

    said: dict[int, str] = field(default_factory=dict)
    last: int = 0

    def note(self, kind: str, told: Json) -> None:
        """Take in a note, one in another's place, or one that is taken back; may raise as `readings_of`."""
        number = int(told.get("note") or self.last + 1)
        if kind == NO_NOTE:
            self.said.pop(number, None)
            return
        self.said[number] = clean(str(told["text"]), LONG)
        self.last = max(self.last, number)


def lineage(setup: int, split: Mapping[int, int]) -> Callable[[int], bool]:
    """
    Return whether what was said of a setup holds for `setup` too, where nothing else was said of that.

    That is so of those before it. split: by the number of each setup that was split off from one that went on, that
    one: it comes after that alone, and before nothing.

    >>> [n for n in range(1, 6) if lineage(5, {4: 1})(n)], [n for n in range(1, 6) if lineage(4, {4: 1})(n)]
    ([1, 2, 3, 5], [1, 4])
    """
    own = []
    while setup in split and setup not in own:
        own.append(setup)
        setup = split[setup]
    return lambda number: number in own or (number <= setup and number not in split)


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
