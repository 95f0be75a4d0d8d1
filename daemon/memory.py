"""The shoot as its journal has it, in memory: this setup's frames, and what every file was. No I/O of its own."""

from __future__ import annotations

import contextlib
import json
from dataclasses import dataclass
from typing import Any, get_args

from lampblack.daemon.intake import stem_of
from lampblack.daemon.journal import Journal, Kept, Setup
from lampblack.daemon.lampbook import LAMP_KINDS, LampBook
from lampblack.daemon.noted import (
    NO_NOTE,
    NO_READING,
    NO_REGION,
    NO_SPOT,
    NOTE,
    PLATE,
    READINGS,
    REGION,
    RENAME,
    SPOT,
    TAUGHT,
    WISH,
    Entry,
    Notes,
    lineage,
    readings_of,
    text_of,
)
from lampblack.rules.advice import AIMS, SPOT_AIM, Aim
from lampblack.rules.exposure import Exposure
from lampblack.rules.given import Region, parse_region
from lampblack.rules.readings import Metered, Reading, chosen, newest, offset_of, taught_by
from lampblack.rules.shoot import BackdropWish
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
        self.split: dict[int, int] = {}
        """Setups that were split off from others; see `noted.lineage`."""
        self.placed: dict[int, int] = {}
        """The setup of each frame, by their numbers."""
        self.notes: dict[int, Notes] = {}
        """By setup."""
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
        memory.split = memory.lamps.split = journal.splits()
        memory.frames = [Shown(kept) for kept in journal.frames(memory.setup.number)]
        earlier = memory.frames or [Shown(kept) for kept in journal.frames(memory.setup.number - 1)]
        if earlier:
            memory.dialled = earlier[-1].kept.verdict.get("exposure") or {}
        for path, digest, setup, number in journal.identities():
            memory.index(path, digest, setup, number)
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
            elif kind in (RENAME, WISH, NOTE, NO_NOTE):
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
            if kind in (NOTE, NO_NOTE):
                self.notes.setdefault(number, Notes()).note(kind, told)
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
                setup, frame = int(told["setup"]), int(told["frame"])
                if (
                    self.placed.get(frame, setup) == setup
                ):  # else it was moved since, and has taught nothing of this one
                    self.taught.setdefault((str(told["meter"]), setup), {})[frame] = float(told["stops"])

    def wish_of(self, setup: int) -> tuple[Aim, BackdropWish]:
        """Return the aim and the backdrop that a setup's frames were judged by; the usual ones where nobody knows."""
        aim, backdrop = self.wish_noted(setup) or ("", "")
        known = (*AIMS, *(f"{SPOT_AIM}{name}" for name in self.spots))
        return (
            aim if aim in known else "even",
            next((one for one in get_args(BackdropWish) if one == backdrop), "auto"),
        )

    def wish_noted(self, setup: int) -> tuple[str, str] | None:
        """Return what is noted of it, with the setup or last before."""
        holds = lineage(setup, self.split)
        return next((self.wishes[number] for number in sorted(self.wishes, reverse=True) if holds(number)), None)

    def now_read(self, setup: int | None = None) -> list[Reading]:
        """Return this setup's readings, or another's, one a place."""
        of = self.setup.number if setup is None else setup
        return list(newest(reading for number, reading in self.readings if number == of).values())

    def metered(self, setup: int | None = None) -> Metered | None:
        """
        Return what the aim `meter` goes by in this setup, or another, with the offset that the others have taught.

        A setup's own frames don't count: they would bend the reading until the subject came out mid grey.
        """
        of = self.setup.number if setup is None else setup
        reading = chosen(self.now_read(of))
        if reading is None:
            return None
        others = [
            offset_of(list(frames.values())).stops
            for (meter, number), frames in self.taught.items()
            if meter == (reading.meter or "") and number != of
        ]
        return Metered(reading, offset_of(others))

    def lesson(self, verdict: Event, setup: int | None = None) -> Entry | None:
        """Return what a frame of this setup, or another, teaches of the meter, to be noted; None for nothing new."""
        of = self.setup.number if setup is None else setup
        reading, told = chosen(self.now_read(of)), verdict.get("exposure") or {}
        off = verdict.get("mid_stops")
        if reading is None or off is None or verdict.get("frame") is None:
            return None
        exposure = Exposure.of(told.get("f_number"), told.get("shutter_s"), told.get("iso"))
        stops = taught_by(reading, exposure, float(off))
        if stops is None or abs(stops) > _MOST_OFFSET:
            return None
        meter, frame, stops = reading.meter or "", verdict["frame"], round(stops, 3)
        if self.taught.get((meter, of), {}).get(frame) == stops:
            return None
        return TAUGHT, json.dumps({"meter": meter, "setup": of, "frame": frame, "stops": stops})

    def index(self, path: bytes, digest: str, setup: int, number: int) -> None:
        """Know a frame by its content, its path and its stem, and where it belongs."""
        self.placed[number] = setup
        self.total = max(self.total, number)
        self.by_digest.setdefault(digest, path)
        self.by_path[path] = digest
        self.by_stem[stem_of(path)] = path, digest

    def add(self, shown: Shown) -> None:
        """Add a frame to this setup."""
        self.frames.append(shown)
        self.dialled = shown.kept.verdict.get("exposure") or self.dialled
        self.index(shown.kept.path, shown.kept.digest, shown.kept.setup, shown.kept.number)
        self.refused.pop(shown.kept.path, None)

    def refuse(self, path: bytes, error: str) -> None:
        """Remember why a file is no frame; the newest refusal stands last."""
        self.refused.pop(path, None)
        self.refused[path] = error

    @property
    def next_setup(self) -> int:
        """Return the number of the setup that is begun next."""
        return max(self.names, default=0) + 1

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
