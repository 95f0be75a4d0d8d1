"""The shoot as its journal has it, in memory: this setup's frames, and what every file was. No I/O of its own."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from typing import Any

from lampblack.daemon.clean import clean
from lampblack.daemon.intake import stem_of
from lampblack.daemon.journal import Journal, Kept, Setup
from lampblack.rules.spots import Spot, parse_spot, written

Event = dict[str, Any]

SPOT, NO_SPOT = "spot", "spot-gone"
"""The journal's words for a spot as written, and for the name of one that is taken back."""

MOST_SPOTS = 20
"""More are not kept: each has its line in the panel."""


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
        """Take in what a person has said of the shoot: a spot named, or taken back."""
        if kind == SPOT:
            with contextlib.suppress(ValueError):  # of another version: not ours to judge
                spot = parse_spot(text)
                self.spots[spot.name] = spot
        elif kind == NO_SPOT:
            self.spots.pop(text, None)

    def answer(self, request: Event) -> tuple[Event, tuple[str, str] | None]:
        """
        Return the reply to a request about spots (the socket's `spot`), and what of it the journal is to note.

        What is to be noted isn't taken in yet: `note` does that, once it is kept.
        """
        if request.get("spot") is None and request.get("remove") is None:
            known = [written(spot) for spot in self.spots.values()]
            return {"ok": True, "text": "; ".join(known) or "No spot is named yet.", "spots": known}, None
        if request.get("remove") is not None:
            name = str(request["remove"])
            if name not in self.spots:
                return {"ok": False, "text": f"There is no spot {clean(name, 60)}."}, None
            return {"ok": True, "text": f"{name} is no spot any more."}, (NO_SPOT, name)
        try:
            spot = parse_spot(clean(str(request["spot"]), 200))
        except ValueError as wrong:
            return {"ok": False, "text": str(wrong)}, None
        if len(self.spots) >= MOST_SPOTS and spot.name not in self.spots:
            return {"ok": False, "text": f"{MOST_SPOTS} spots are named already: remove one first."}, None
        return {"ok": True, "text": f"{written(spot)} is noted."}, (SPOT, written(spot))

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
