"""A shoot as its journal has it, for reading again: setups, frames, readings, notes, choices. Nothing is written."""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from lampblack.daemon import journal as journals
from lampblack.daemon.clean import clean, clean_name
from lampblack.daemon.journal import Journal, Kept
from lampblack.daemon.lampbook import LAMP_KINDS, Lamp, LampBook
from lampblack.daemon.noted import (
    CHOICE,
    NO_NOTE,
    NO_READING,
    NOTE,
    READINGS,
    RENAME,
    Choice,
    Notes,
    choice_of,
    readings_of,
    text_of,
)
from lampblack.rules.readings import Reading

Json = dict[str, Any]


@dataclass
class SetupRecord:
    """One setup with all that hangs on it."""

    number: int
    name: str | None
    begun: str
    frames: list[Kept] = field(default_factory=list)
    readings: dict[str, Reading] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    lamps: dict[str, Lamp] = field(default_factory=dict)
    noted: Notes = field(default_factory=Notes)

    @property
    def title(self) -> str:
        """Return what it is called."""
        return self.name or f"Setup {self.number}"


@dataclass
class Shoot:
    """A shoot: its setups in order, the choices by frame number, and what was said of its lamps."""

    folder: Path
    begun: str
    setups: list[SetupRecord]
    choices: dict[int, Choice]
    lamps: LampBook

    @property
    def name(self) -> str:
        """Return the folder's name."""
        return clean_name(self.folder.name)

    def frames(self) -> Iterator[tuple[SetupRecord, Kept]]:
        """Yield every frame with its setup."""
        for setup in self.setups:
            for frame in setup.frames:
                yield setup, frame

    def frame(self, number: int) -> tuple[SetupRecord, Kept] | None:
        """Return a frame by its number."""
        return next(((setup, frame) for setup, frame in self.frames() if frame.number == number), None)


class RecordError(Exception):
    """There is no shoot to read; the text is one line for a person."""


def read_shoot(folder: Path, only: Callable[[dict[int, int]], Iterable[int]] | None = None) -> Shoot:
    """
    Read a shoot's journal; a service may go on writing it.

    Args:
        folder: the shoot's.
        only: given how many frames each setup has (those that have some), returns the setups whose frames are to be
            read; the others come without theirs. None: all.

    Raises:
        RecordError: there is none, or it can't be read.
    """
    with read_journal(folder) as journal:
        return _shoot(folder, journal, only)


@dataclass(frozen=True)
class Summary:
    """A shoot in a line: since when, how many setups and frames, how many of these were chosen."""

    begun: str
    setups: int
    frames: int
    chosen: int


def read_summary(folder: Path) -> Summary:
    """Read what a list of shoots tells of one; raises as `read_shoot` does. No frame is read for it."""
    with read_journal(folder) as journal:
        frames = sum(journal.frame_counts().values())
        choices: dict[int, Choice] = {}
        for kind, text in journal.events((CHOICE,)):
            with contextlib.suppress(ValueError, KeyError, TypeError):
                _take_in(kind, json.loads(text), {}, choices)
        chosen = sum(1 for choice in choices.values() if (choice.rating or 0) > 0)
        return Summary(journal.begun(), len(journal.setups()), frames, chosen)


def read_frame(folder: Path, number: int) -> Kept | None:
    """Read one frame by its number; raises as `read_shoot` does."""
    with read_journal(folder) as journal:
        return next(iter(journal.frames(number=number)), None)


@contextlib.contextmanager
def read_journal(folder: Path) -> Iterator[Journal]:
    """Open a shoot's journal for reading; raises as `read_shoot` does."""
    place = folder / journals.NAME
    if not place.is_file():
        raise RecordError(f"{clean_name(folder)} has no journal: watch it first, or see to the folder's name.")
    try:
        with contextlib.closing(Journal.read(place)) as journal:
            yield journal
    except (journals.JournalError, sqlite3.Error) as wrong:
        raise RecordError(f"{journals.NAME} cannot be read: {clean(str(wrong))}") from None


_TOLD = (READINGS, NO_READING, NOTE, NO_NOTE, RENAME, CHOICE, *LAMP_KINDS)


def _shoot(folder: Path, journal: Journal, only: Callable[[dict[int, int]], Iterable[int]] | None) -> Shoot:
    setups = {number: SetupRecord(number, name, begun) for number, name, begun in journal.setups()}
    split = journal.splits()
    wanted: list[int | None] = [None] if only is None else list(only(journal.frame_counts()))
    for frame in itertools.chain.from_iterable(journal.frames(number) for number in dict.fromkeys(wanted)):
        if frame.setup in setups:
            setups[frame.setup].frames.append(frame)
    choices: dict[int, Choice] = {}
    lamps = LampBook(split=split)
    for kind, text in journal.events(_TOLD):
        with contextlib.suppress(ValueError, KeyError, TypeError):
            if kind in LAMP_KINDS:
                lamps.note(kind, text)
                continue
            _take_in(kind, json.loads(text) if text[:1] in "[{" else text, setups, choices)
    for setup in setups.values():
        setup.lamps = lamps.lamps(setup.number)
        setup.notes = list(setup.noted.said.values())
    # What was split off stands behind what it was split from.
    order = sorted(setups, key=lambda number: (split.get(number, number), number))
    return Shoot(folder, journal.begun(), [setups[number] for number in order], choices, lamps)


def _take_in(kind: str, told: Any, setups: dict[int, SetupRecord], choices: dict[int, Choice]) -> None:
    if kind == READINGS:
        for setup, reading in readings_of(told):
            setups[setup].readings[reading.place] = reading
    elif kind == NO_READING:
        setups[int(told["setup"])].readings.pop(str(told["place"]), None)
    elif kind in (NOTE, NO_NOTE):
        setups[int(told["setup"])].noted.note(kind, told)
    elif kind == RENAME:
        setups[int(told["setup"])].name = text_of(told["name"])
    elif kind == CHOICE:
        choices[int(told["frame"])] = choice_of(told)


def find_shoots(places: list[Path], deep: int = 4) -> Iterator[Path]:
    """Yield the folders below these places that have a journal; links are not followed."""
    for place in places:
        for folder, inner, files in os.walk(place, followlinks=False):
            depth = len(Path(folder).relative_to(place).parts)
            inner[:] = sorted(name for name in inner if not name.startswith(".")) if depth < deep else []
            if journals.NAME in files:
                yield Path(folder)
