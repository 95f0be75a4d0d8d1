"""The shoot as its journal has it, in memory: this setup's frames, and what every file was. No I/O of its own."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from typing import Any

from lampblack.daemon.clean import clean
from lampblack.daemon.intake import stem_of
from lampblack.daemon.journal import Journal, Kept, Setup
from lampblack.rules.given import Region, parse_region, region_text
from lampblack.rules.spots import Spot, parse_spot, written

Event = dict[str, Any]

SPOT, NO_SPOT = "spot", "spot-gone"
"""The journal's words for a spot as written, and for the name of one that is taken back."""

REGION, NO_REGION, PLATE = "region", "region-gone", "plate"
"""... for a region as written, for one that is taken back, and for the number of the frame that is the clean plate."""

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

    def answer(self, request: Event) -> tuple[Event, tuple[str, str] | None]:
        """
        Return the reply to `spot`, `region` or `plate` (see the socket's requests), and what the journal is to note.

        What is to be noted isn't taken in yet: `note` does that, once it is kept.
        """
        asked = {"spot": self._spot, "region": self._region, "plate": self._plate}[request["do"]]
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
            raise ValueError(f"There is no frame {clean(str(number), 20)}: frames are numbered from 1 to {self.total}.")
        return {"ok": True, "text": f"Frame {number} is the plate.", "plate": number}, (PLATE, str(number))

    def index(self, path: bytes, digest: str, number: int) -> None:
        """Know a frame by its content, its path and its stem."""
        self.total = max(self.total, number)
        self.by_digest.setdefault(digest, path)
        self.by_path[path] = digest
        self.by_stem[stem_of(path)] = path, digest

    def add(self, shown: Shown) -> None:
        """Add a frame to this setup."""
        self.frames.append(shown)
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
