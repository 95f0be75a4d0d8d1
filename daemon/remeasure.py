"""
Frames of a shoot measured again: with other thresholds, under another aim, or in the setup they were moved to.

What is said of them now goes into the journal beside what was said before, frame by frame, as part of a *pass*. One
that didn't come to its end is taken up by the same wish: its verdicts say which frames it has done. What a setup's
frames teach each other isn't kept, so the frames done of a setup in hand are looked at once more, and no more is said
of them.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
import os
from collections import deque
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from functools import cache, partial
from pathlib import Path
from typing import Any

from lampblack.daemon import learning, noted
from lampblack.daemon.clean import clean_path
from lampblack.daemon.config import load_shipped
from lampblack.daemon.eye import Seen
from lampblack.daemon.eyes import Eyes, Row
from lampblack.daemon.intake import is_raw
from lampblack.daemon.journal import Journal, Kept
from lampblack.daemon.memory import Memory
from lampblack.daemon.refusal import Refused
from lampblack.rules import shoot
from lampblack.rules.advice import SPOT_AIM, Aim
from lampblack.rules.given import NOTHING_GIVEN, Given, Plate, plate_of
from lampblack.rules.thresholds import Thresholds
from lampblack.rules.verdict import Verdict

Json = dict[str, Any]


@dataclass(frozen=True)
class Wanted:
    """What is to be measured again, and by what; None: every setup, and what was wished for each at its time."""

    setups: frozenset[int] | None = None
    aim: Aim | None = None
    backdrop: shoot.BackdropWish | None = None


@dataclass(frozen=True, eq=False)
class Outcome:
    """
    One frame dealt with: what is said of it now, or why it can't be measured.

    before: what was said of it until now. known: it was done already, and only looked at once more.
    """

    before: Kept
    verdict: Json | None = None
    error: str | None = None
    known: bool = False


@dataclass
class _Setup:
    """A setup's frames, without what was said of them, and what those measured so far have taught."""

    frames: list[Kept]
    row: Row
    rules: shoot.Setup


@dataclass(frozen=True, eq=False)
class _Judged:
    """A frame judged, but not written down: its verdict, or why there is none."""

    frame: Kept
    verdict: Verdict | str
    preview: Json | None = None


class Again:
    """Frames measured again into an open journal. Belongs to the journal's thread."""

    def __init__(self, folder: Path, journal: Journal, thresholds: Thresholds, wanted: Wanted) -> None:
        """
        Find out what is to be done; nothing is measured yet.

        Raises:
            ValueError: a setup, or the aim's spot, is not there; one line for a person.
        """
        self._root, self._journal, self._thresholds, self._wanted = os.fsencode(folder), journal, thresholds, wanted
        self._memory = Memory.of(journal)
        self._check()
        self._by = self._told()
        open_pass = journal.open_pass(self._by)
        self._pass: int | None = None if open_pass is None else open_pass[0]
        self.done = set[int]() if open_pass is None else open_pass[1]
        """`done`: the numbers of frames that the pass taken up has done."""
        self._wells = learning.wells()  # as it stands at the start, whichever setup comes first
        self._setups = self._rows()
        self.frames = sum(len(setup.frames) for setup in self._setups)
        """How many are to be looked at: those to be measured, and those done of the same setups."""
        self._recall = cache(learning.recalled)  # likewise

    def work(self, eyes: Eyes) -> Iterator[Outcome]:
        """
        Measure, and yield each frame once what is said of it is on disk; may be left at any time.

        Raises:
            JournalError: it can't be written.
        """
        if self._pass is None:
            self._pass = self._journal.begin_pass(self._by)
        rows = [setup.row for setup in self._setups]
        given = Given(tuple(self._memory.regions.values()), self._plate(eyes))
        refused = False
        judged: deque[_Judged] = deque()
        # The next frame of a setup waits for the judging of this one, and not for the disk.
        for seen in eyes.over(rows, lambda row: self._setups[row].rules.known, given):
            if seen is not None:
                judged.append(self._judged(*seen))
                continue
            while judged:
                outcome = self._outcome(judged.popleft())
                refused |= outcome.error is not None
                yield outcome
        for last in judged:
            outcome = self._outcome(last)
            refused |= outcome.error is not None
            yield outcome
        if not refused:
            self._journal.end_pass(self._pass)

    def _judged(self, which: int, place: int, seen: Seen | Refused) -> _Judged:
        setup = self._setups[which]
        frame = setup.frames[place]
        if isinstance(seen, Refused):
            return _Judged(frame, seen.reason)
        if seen.digest != frame.digest:
            text = (
                "its file was written anew since it was measured, and is another frame now: watch the folder for that"
            )
            return _Judged(frame, text)
        judge = partial(learning.judge, recall=self._recall)
        file = clean_path(frame.path)
        setup.rules, verdict = judge(setup.rules, seen.look, self._thresholds, file=file, frame=frame.number)
        return _Judged(frame, verdict, seen.preview)

    def _outcome(self, judged: _Judged) -> Outcome:
        """Write down what is said of a frame."""
        before = next(iter(self._journal.frames(number=judged.frame.number)), judged.frame)
        if isinstance(judged.verdict, str):
            return Outcome(before, error=judged.verdict)
        if before.number in self.done:
            return Outcome(before, before.verdict, known=True)
        said = judged.verdict.as_json()
        said["notices"] = [*said["notices"], *noted.own_notices(before.verdict)]
        preview = judged.preview if judged.preview != before.preview else None
        self._journal.add_verdict(before.path, before.digest, said, preview, self._pass)
        self._learn(before.setup, said)
        return Outcome(before, said)

    def _learn(self, setup: int, said: Json) -> None:
        """Note what a frame teaches of the meter, where that is news."""
        if (lesson := self._memory.lesson(said, setup)) is not None:
            self._memory.note(*lesson)
            self._journal.note(*lesson)

    # ------------------------------------------------------------ what is to be done

    def _check(self) -> None:
        last = max(self._memory.names, default=0)
        for number in sorted(self._wanted.setups or ()):
            if number not in self._memory.names:
                raise ValueError(f"There is no setup {number}: the shoot has {last}.")
        aim = self._wanted.aim or ""
        if aim.startswith(SPOT_AIM) and aim.removeprefix(SPOT_AIM) not in self._memory.spots:
            raise ValueError(f"There is no spot {aim.removeprefix(SPOT_AIM)}: name it first, lampblack spot.")

    def _told(self) -> Json:
        """Return by what this pass measures: the next one that says the same goes on with it."""
        changed = {
            f"{section}.{name}": value
            for section, values in asdict(self._thresholds).items()
            for name, value in values.items()
            if value != getattr(getattr(load_shipped(), section), name)
        }
        said = hashlib.sha256(repr([*self._journal.events(_BEARS), self._journal.moves()]).encode()).hexdigest()[:16]
        return {
            "setups": None if self._wanted.setups is None else sorted(self._wanted.setups),
            "aim": self._wanted.aim,
            "backdrop": self._wanted.backdrop,
            "thresholds": changed,
            "said": said,
            "version": _version(),
        }

    def _rows(self) -> list[_Setup]:
        """Return the setups with a frame that isn't done."""
        partners = self._journal.partners()
        frames: dict[int, list[Kept]] = {}
        for path, digest, setup, number in self._journal.identities():
            frames.setdefault(setup, []).append(Kept(path, digest, setup, number, {}, {}, partners.get(number)))
        wanted = self._wanted.setups
        found = []
        for setup in sorted(frames):
            here = frames[setup]
            if (wanted is None or setup in wanted) and not self.done.issuperset(frame.number for frame in here):
                rules = self._empty(setup, here[-1].number)
                files = [self._file(frame.path, frame.partner) for frame in here]
                found.append(_Setup(here, Row(files, rules.backdrop), rules))
        return found

    def _file(self, path: bytes, partner: bytes | None) -> tuple[bytes, bytes | None]:
        if partner is not None and is_raw(path):
            path, partner = partner, path
        return _below(self._root, path), None if partner is None else _below(self._root, partner)

    def _empty(self, number: int, newest: int) -> shoot.Setup:
        """Return a setup without frames, with what was wished for it and what was offered to its newest frame."""
        memory = self._memory
        aim, backdrop = memory.wish_of(number)
        return shoot.new_setup(
            number,
            memory.names.get(number),
            aim=self._wanted.aim or aim,
            backdrop=self._wanted.backdrop or backdrop,
            f_numbers=_offered(self._journal.frames(number=newest)),
            spots=tuple(memory.spots.values()),
            metered=memory.metered(number),
            wells=self._wells,
        )

    def _plate(self, eyes: Eyes) -> Plate | None:
        """Return the clean plate; None for none, or where its frame can't be read any more."""
        kept = () if self._memory.plate is None else self._journal.frames(number=self._memory.plate)
        rows = [Row([self._file(frame.path, None)]) for frame in kept]
        for seen in eyes.over(rows, lambda row: None, NOTHING_GIVEN):
            if seen is not None and isinstance(seen[2], Seen):
                look = seen[2].look
                return plate_of(
                    look.light, look.clipped_any, look.backdrop, look.shot.exposure.stops, look.kind == "raw"
                )
        return None


_BEARS = (
    *(noted.SPOT, noted.NO_SPOT, noted.REGION, noted.NO_REGION, noted.PLATE, noted.READINGS, noted.NO_READING),
    *(noted.WISH, noted.RENAME),
)
"""What people say that bears on a verdict."""


def _below(root: bytes, path: bytes) -> bytes:
    """Return a file's place in the shoot's folder; the journal may have come from anywhere, and leads nowhere else."""
    if path.startswith(b"/") or b".." in path.split(b"/"):
        return os.path.join(root, b".no such frame")
    return os.path.join(root, path)


def _offered(frames: list[Kept]) -> tuple[float, ...] | None:
    """Return the apertures that a frame's forecast was made for: what the camera offered then."""
    told = [
        one.get("f_number") for frame in frames for one in frame.verdict.get("forecast") or () if isinstance(one, dict)
    ]
    return tuple(f for f in told if isinstance(f, int | float) and 0.5 < f < 200) or None


def _version() -> str:
    try:
        return importlib.metadata.version("lampblack")
    except importlib.metadata.PackageNotFoundError:
        return ""
