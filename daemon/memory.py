"""The shoot as its journal has it, in memory: this setup's frames, and what every file was. No I/O of its own."""

from __future__ import annotations

import contextlib
import json
from dataclasses import dataclass
from typing import Any

from lampblack.daemon.intake import stem_of
from lampblack.daemon.journal import Journal, Kept, Setup
from lampblack.daemon.lampbook import LAMP_KINDS, LampBook
from lampblack.daemon.noted import (
    NO_READING,
    NO_REGION,
    NO_SPOT,
    PLATE,
    READINGS,
    REGION,
    RENAME,
    SPOT,
    TAUGHT,
    WISH,
    Entry,
    readings_of,
    text_of,
)
from lampblack.rules.exposure import Exposure
from lampblack.rules.given import Region, parse_region
from lampblack.rules.readings import Metered, Reading, chosen, newest, offset_of, taught_by
from lampblack.rules.spots import Spot, parse_spot

Event = dict[str, Any]


@dataclass
class Shown:
    """A frame as clients see it, ready to send."""

    kept: Kept
    unsaved: bool = False

    @property
    def verdict(self) -> Event:
        """The verdict, with a mark while the journal does not have it."""
        return {**self.kept.verdict, "unsaved": True} if self.unsaved else self.kept.verdict

    def as_json(self) -> Event:
        """Return it as it stands in events."""
        return {"verdict": self.verdict, "preview": self.kept.preview or None}


class Memory:
    """What a service knows of its shoot."""

    def __init__(self) -> None:
        """Begin with an empty first setup."""
        self.setup = Setup(1, None)
        self.frames: list[Shown] = []
        """This setup's, as they were read."""
        self.total = 0
        self.duplicates = 0
        self.names: dict[int, str | None] = {}
        """Of all setups."""
        self.wishes: dict[int, tuple[str, str]] = {}
        """The aim and the backdrop that a setup's frames were judged by, where that was noted."""
        self.spots: dict[str, Spot] = {}
        self.regions: dict[str, Region] = {}
        """By how they are written; the later one goes over the earlier."""
        self.readings: list[tuple[int, Reading]] = []
        """With the setup that each belongs to."""
        self.lamps = LampBook()
        self.dialled: Event = {}
        """The exposure of the newest frame, of whichever setup."""
        self.taught: dict[tuple[str, int], dict[int, float]] = {}
        """What frames have taught of a meter in a setup, by their numbers."""
        self.plate: int | None = None
        """The number of the frame that shows the set without its subject."""
        self.refused: dict[bytes, str] = {}
        self.by_digest: dict[str, bytes] = {}
        self.by_path: dict[bytes, str] = {}
        self.by_stem: dict[bytes, tuple[bytes, str]] = {}

    @classmethod
    def of(cls, journal: Journal) -> Memory:
        """Read it out of a journal, in the journal's thread."""
        memory = cls()
        memory.setup = journal.setup() or memory.setup
        memory.names = {number: name for number, name, _ in journal.setups()}
        memory.frames = [Shown(kept) for kept in journal.frames(memory.setup.number)]
        earlier = memory.frames or [Shown(kept) for kept in journal.frames(memory.setup.number - 1)]
        if earlier:
            memory.dialled = earlier[-1].kept.verdict.get("exposure") or {}
        for path, digest, _, number in journal.identities():
            memory.index(path, digest, number)
        memory.refused = {refusal.path: refusal.error for refusal in journal.refusals()}
        memory.duplicates = journal.duplicates()
        for kind, text in journal.events():
            memory.note(kind, text)
        return memory

    def note(self, kind: str, text: str) -> None:
        """Take in what a person has said of the shoot."""
        with contextlib.suppress(ValueError):  # of another version: not ours to judge
            if kind == SPOT:
                spot = parse_spot(text)
                self.spots[spot.name] = spot
            elif kind == NO_SPOT:
                self.spots.pop(text, None)
            elif kind == REGION:
                self.regions.pop(text, None)  # said again it goes on top
                self.regions[text] = parse_region(text)
            elif kind == NO_REGION:
                self.regions.pop(text, None)
            elif kind == PLATE:
                self.plate = int(text) or None
            elif kind in (RENAME, WISH):
                self._note_setup(kind, json.loads(text))
            elif kind in (READINGS, NO_READING, TAUGHT):
                self._note_reading(kind, json.loads(text))
            elif kind in LAMP_KINDS:
                with contextlib.suppress(KeyError, TypeError):
                    self.lamps.note(kind, text)

    def _note_setup(self, kind: str, told: Any) -> None:
        """Take in what concerns a setup; as `_note_reading`."""
        with contextlib.suppress(KeyError, TypeError):
            number = int(told["setup"])
            if kind == WISH:
                self.wishes[number] = str(told["aim"]), str(told["backdrop"])
                return
            self.names[number] = text_of(told.get("name"))
            if number == self.setup.number:
                self.setup = Setup(number, self.names[number])

    def _note_reading(self, kind: str, told: Any) -> None:
        """Take in what concerns the meter; a TypeError or KeyError of another version's entry is passed over."""
        with contextlib.suppress(KeyError, TypeError):
            if kind == READINGS:
                self.readings += readings_of(told)
            elif kind == NO_READING:
                setup, place = int(told["setup"]), str(told["place"])
                self.readings = [(n, one) for n, one in self.readings if (n, one.place) != (setup, place)]
            else:
                of = self.taught.setdefault((str(told["meter"]), int(told["setup"])), {})
                of[int(told["frame"])] = float(told["stops"])

    def wish_of(self, setup: int) -> tuple[str, str] | None:
        """Return the aim and the backdrop that a setup's frames were judged by: as noted with it or last before."""
        return next((self.wishes[number] for number in sorted(self.wishes, reverse=True) if number <= setup), None)

    def now_read(self) -> list[Reading]:
        """Return this setup's readings, one a place."""
        return list(newest(reading for setup, reading in self.readings if setup == self.setup.number).values())

    def metered(self) -> Metered | None:
        """
        Return what the aim `meter` goes by, with the offset that other setups have taught.

        This setup's own frames don't count: they would bend the reading until the subject came out mid grey.
        """
        reading = chosen(self.now_read())
        if reading is None:
            return None
        others = [
            offset_of(list(frames.values())).stops
            for (meter, setup), frames in self.taught.items()
            if meter == (reading.meter or "") and setup != self.setup.number
        ]
        return Metered(reading, offset_of(others))

    def lesson(self, verdict: Event) -> Entry | None:
        """Return what a frame teaches of the meter, for the journal to note; None for nothing."""
        reading, told = chosen(self.now_read()), verdict.get("exposure") or {}
        off = verdict.get("mid_stops")
        if reading is None or off is None or verdict.get("frame") is None:
            return None
        exposure = Exposure.of(told.get("f_number"), told.get("shutter_s"), told.get("iso"))
        stops = taught_by(reading, exposure, float(off))
        if stops is None or abs(stops) > _MOST_OFFSET:
            return None
        entry = {
            "meter": reading.meter or "",
            "setup": self.setup.number,
            "frame": verdict["frame"],
            "stops": round(stops, 3),
        }
        return TAUGHT, json.dumps(entry)

    def index(self, path: bytes, digest: str, number: int) -> None:
        """Know a frame by its content, its path and its stem."""
        self.total = max(self.total, number)
        self.by_digest.setdefault(digest, path)
        self.by_path[path] = digest
        self.by_stem[stem_of(path)] = path, digest

    def add(self, shown: Shown) -> None:
        """Add a frame to this setup."""
        self.frames.append(shown)
        self.dialled = shown.kept.verdict.get("exposure") or self.dialled
        self.index(shown.kept.path, shown.kept.digest, shown.kept.number)
        self.refused.pop(shown.kept.path, None)

    def refuse(self, path: bytes, error: str) -> None:
        """Remember why a file is no frame; the newest refusal stands last."""
        self.refused.pop(path, None)
        self.refused[path] = error

    def begin(self, setup: Setup) -> None:
        """Begin a setup: it has no frames yet."""
        self.setup, self.frames = setup, []
        self.names[setup.number] = setup.name

    def in_shot_order(self) -> list[Shown]:
        """Return this setup's frames; those that don't tell their time stay behind the one read before them."""
        keyed: list[tuple[str, int, Shown]] = []
        last = ""
        for place, shown in enumerate(self.frames):
            taken = shown.kept.verdict.get("taken_at")
            last = taken if isinstance(taken, str) else last
            keyed.append((last, place, shown))
        return [shown for _, _, shown in sorted(keyed, key=lambda item: item[:2])]


_MOST_OFFSET = 2.5  # stops: more is another subject than the meter stood before
