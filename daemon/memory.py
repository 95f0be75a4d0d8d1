"""The shoot as its journal has it, in memory: this setup's frames, and what every file was. No I/O of its own."""

from __future__ import annotations

import contextlib
import json
from dataclasses import dataclass
from typing import Any

from lampblack.daemon.clean import clean
from lampblack.daemon.intake import stem_of
from lampblack.daemon.journal import Journal, Kept, Setup
from lampblack.rules.exposure import Exposure
from lampblack.rules.given import Region, parse_region, region_text
from lampblack.rules.readings import (
    Metered,
    Reading,
    chosen,
    in_words,
    newest,
    offset_of,
    parse_readings,
    ratios,
    taught_by,
    wanted_av,
)
from lampblack.rules.spots import Spot, parse_spot, written

Event = dict[str, Any]

SPOT, NO_SPOT = "spot", "spot-gone"
"""The journal's words for a spot as written, and for the name of one that is taken back."""

REGION, NO_REGION, PLATE = "region", "region-gone", "plate"
"""... for a region as written, for one that is taken back, and for the number of the frame that is the clean plate."""

READINGS, NO_READING, TAUGHT = "readings", "reading-gone", "meter-taught"
"""... for readings (a JSON list), for one that is taken back, and for what a frame has taught of a meter."""

CHOICE, NOTE, RENAME = "choice", "note", "rename"
"""... for what a person thinks of a frame, says of a setup, and calls it now; JSON objects."""

MOST_SPOTS = 20
"""More are not kept: each has its line in the panel. Nor are more regions."""


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
        self.spots: dict[str, Spot] = {}
        self.regions: dict[str, Region] = {}
        """By how they are written; the later one goes over the earlier."""
        self.readings: list[tuple[int, Reading]] = []
        """With the setup that each belongs to."""
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
            elif kind == RENAME:
                told = json.loads(text)
                if told.get("setup") == self.setup.number:
                    self.setup = Setup(self.setup.number, clean(str(told.get("name") or ""), 60) or None)
            elif kind in (READINGS, NO_READING, TAUGHT):
                self._note_reading(kind, json.loads(text))

    def _note_reading(self, kind: str, told: Any) -> None:
        """Take in what concerns the meter; a TypeError or KeyError of another version's entry is passed over."""
        with contextlib.suppress(KeyError, TypeError):
            if kind == READINGS:
                self.readings += [(int(one["setup"]), _reading_of(one)) for one in told]
            elif kind == NO_READING:
                setup, place = int(told["setup"]), str(told["place"])
                self.readings = [(n, one) for n, one in self.readings if (n, one.place) != (setup, place)]
            else:
                of = self.taught.setdefault((str(told["meter"]), int(told["setup"])), {})
                of[int(told["frame"])] = float(told["stops"])

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

    def lesson(self, verdict: Event) -> tuple[str, str] | None:
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

    def answer(self, request: Event) -> tuple[Event, tuple[str, str] | None]:
        """
        Return the reply to `spot`, `region`, `plate` or `reading`, and what the journal is to note.

        What is to be noted isn't taken in yet: `note` does that, once it is kept.
        """
        asked = {
            "spot": self._spot,
            "region": self._region,
            "plate": self._plate,
            "reading": self._reading,
            "choose": self._choose,
            "note": self._note_setup,
            "rename": self._rename,
        }[request["do"]]
        try:
            return asked(request)
        except ValueError as wrong:
            return {"ok": False, "text": str(wrong)}, None

    def _spot(self, request: Event) -> tuple[Event, tuple[str, str] | None]:
        known = [written(spot) for spot in self.spots.values()]
        if request.get("remove") is not None:
            name = str(request["remove"])
            if name not in self.spots:
                raise ValueError(f"There is no spot {clean(name, 60)}.")
            return {"ok": True, "text": f"{name} is no spot any more."}, (NO_SPOT, name)
        if request.get("spot") is None:
            return {"ok": True, "text": "; ".join(known) or "No spot is named yet.", "spots": known}, None
        spot = parse_spot(clean(str(request["spot"]), 200))
        if len(self.spots) >= MOST_SPOTS and spot.name not in self.spots:
            raise ValueError(f"{MOST_SPOTS} spots are named already: remove one first.")
        return {"ok": True, "text": f"{written(spot)} is noted."}, (SPOT, written(spot))

    def _region(self, request: Event) -> tuple[Event, tuple[str, str] | None]:
        known = list(self.regions)
        if request.get("remove") is not None:
            text = region_text(parse_region(clean(str(request["remove"]), 200)))
            if text not in self.regions:
                raise ValueError(f"There is no region {text}.")
            return {"ok": True, "text": f"{text} is no region any more."}, (NO_REGION, text)
        if request.get("region") is None:
            return {"ok": True, "text": "; ".join(known) or "No region is given yet.", "regions": known}, None
        text = region_text(parse_region(clean(str(request["region"]), 200)))
        if len(known) >= MOST_SPOTS and text not in self.regions:
            raise ValueError(f"{MOST_SPOTS} regions are given already: remove one first.")
        return {"ok": True, "text": f"{text} is noted."}, (REGION, text)

    def _plate(self, request: Event) -> tuple[Event, tuple[str, str] | None]:
        if request.get("remove"):
            return {"ok": True, "text": "No plate is used any more.", "plate": None}, (PLATE, "0")
        if request.get("frame") is None:
            text = "No frame is the plate." if self.plate is None else f"Frame {self.plate} is the plate."
            return {"ok": True, "text": text, "plate": self.plate}, None
        number = request["frame"]
        if not isinstance(number, int) or isinstance(number, bool) or not 1 <= number <= self.total:
            raise ValueError(self._no_frame(number))
        return {"ok": True, "text": f"Frame {number} is the plate.", "plate": number}, (PLATE, str(number))

    def _reading(self, request: Event) -> tuple[Event, tuple[str, str] | None]:
        shutter_s, iso = self._dialled(request)
        if request.get("remove") is not None:
            place = clean(str(request["remove"]), 40).lower()
            if place not in {reading.place for reading in self.now_read()}:
                raise ValueError(f"There is no reading of {place} in this setup.")
            gone = json.dumps({"setup": self.setup.number, "place": place})
            return {"ok": True, "text": f"The reading of {place} is taken back."}, (NO_READING, gone)
        new: list[Reading] = []
        if request.get("reading") is not None:
            meter = None if request.get("meter") is None else clean(str(request["meter"]), 40).strip() or None
            new = parse_readings(clean(str(request["reading"]), 300), shutter_s, iso, meter)
        exposure = Exposure.of(None, shutter_s, iso)
        known = list(newest([*self.now_read(), *new]).values())
        lines = in_words(known, exposure.tv, exposure.sv)
        lines = lines[len(known) :] + lines[: len(known)]  # the ratios first: the panel has room for one line
        reply = {
            "ok": True,
            "text": "; ".join(lines) or "No reading is logged in this setup yet.",
            "readings": [_reading_json(reading, exposure) for reading in known],
            "ratios": [
                {"brighter": r.brighter, "darker": r.darker, "stops": round(r.stops, 3), "ratio": round(r.n, 3)}
                for r in ratios(known)
            ],
        }
        entries = [
            {"setup": self.setup.number, "place": one.place, "ev100": one.ev100, "said": one.said, "meter": one.meter}
            for one in new
        ]
        return reply, (READINGS, json.dumps(entries)) if new else None

    def _choose(self, request: Event) -> tuple[Event, tuple[str, str] | None]:
        number, rating = request.get("frame"), request.get("rating")
        if not isinstance(number, int) or not 1 <= number <= self.total:
            raise ValueError(self._no_frame(number))
        if rating is not None and (not isinstance(rating, int) or not -1 <= rating <= _MOST_STARS):
            raise ValueError(f"A rating is a number from 0 to {_MOST_STARS}, or -1 for rejected.")
        label, why = (
            None if request.get(key) is None else clean(str(request[key]), most).strip() or None
            for key, most in (("label", 60), ("why", 2000))
        )
        entry = {"frame": number, "rating": rating, "label": label, "why": why}
        return {"ok": True, "text": f"Frame {number} is noted."}, (CHOICE, json.dumps(entry))

    def _no_frame(self, number: Any) -> str:
        known = f"frames are numbered from 1 to {self.total}" if self.total else "none is in the journal yet"
        return f"There is no frame {clean(str(number), 20)}: {known}."

    def _note_setup(self, request: Event) -> tuple[Event, tuple[str, str] | None]:
        text = clean(str(request.get("text") or ""), 2000).strip()
        if not text:
            raise ValueError("There is nothing to note.")
        return {"ok": True, "text": "Noted."}, (NOTE, json.dumps({"setup": self._asked_setup(request), "text": text}))

    def _rename(self, request: Event) -> tuple[Event, tuple[str, str] | None]:
        setup, name = self._asked_setup(request), clean(str(request.get("name") or ""), 60).strip()
        return {"ok": True, "text": f"Setup {setup} is now {name or 'without a name'}."}, (
            RENAME,
            json.dumps({"setup": setup, "name": name}),
        )

    def _asked_setup(self, request: Event) -> int:
        setup = request.get("setup")
        if setup is None:
            return self.setup.number
        if not isinstance(setup, int) or not 1 <= setup <= self.setup.number:
            raise ValueError(f"There is no setup {clean(str(setup), 20)}.")
        return setup

    def _dialled(self, request: Event) -> tuple[float | None, float | None]:
        """Return time and ISO that an aperture is read for: the camera's now, else those of the newest frame."""
        shutter_s, iso = request.get("shutter_s"), request.get("iso")
        return shutter_s or self.dialled.get("shutter_s"), iso or self.dialled.get("iso")

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

    def in_shot_order(self) -> list[Shown]:
        """Return this setup's frames; those that don't tell their time stay behind the one read before them."""
        keyed: list[tuple[str, int, Shown]] = []
        last = ""
        for place, shown in enumerate(self.frames):
            taken = shown.kept.verdict.get("taken_at")
            last = taken if isinstance(taken, str) else last
            keyed.append((last, place, shown))
        return [shown for _, _, shown in sorted(keyed, key=lambda item: item[:2])]


_MOST_STARS = 5
_MOST_OFFSET = 2.5  # stops: more is another subject than the meter stood before


def _reading_of(told: Any) -> Reading:
    meter = told.get("meter")
    return Reading(
        clean(str(told["place"]), 40),
        float(told["ev100"]),
        clean(str(told["said"]), 60),
        None if meter is None else clean(str(meter), 40),
    )


def _reading_json(reading: Reading, exposure: Exposure) -> Event:
    f_number = None
    if exposure.tv is not None and exposure.sv is not None:
        f_number = round(2 ** (wanted_av(reading, offset_of([]), exposure.tv, exposure.sv) / 2), 3)
    return {
        "place": reading.place,
        "ev100": round(reading.ev100, 3),
        "lux": round(reading.lux, 1),
        "f_number": f_number,
        "meter": reading.meter,
        "as": reading.said,
    }
