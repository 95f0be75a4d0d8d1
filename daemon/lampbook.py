"""The lamps of a shoot as people name them, what each frame shows of them, and the circuits they hang on. No I/O."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from typing import Any

from lampblack.daemon.noted import text_of
from lampblack.rules.cautions import LAMPS
from lampblack.rules.circuits import Circuit, load_lines, parse_circuit
from lampblack.rules.distance import Place, lines_on, reflector_stops
from lampblack.rules.figures import stops_long

Json = dict[str, Any]

LAMP, NO_LAMP, SHOWS, CIRCUIT = "lamp", "lamp-gone", "shows", "circuit"
"""The journal's words: for a lamp's facts, for one taken back, for what a frame shows, for a circuit's rating."""

LAMP_KINDS = (LAMP, NO_LAMP, SHOWS, CIRCUIT)

HOT = ("tungsten", "halogen", "hmi")
KINDS = (*HOT, "led", "fluorescent", "daylight", "other")
ALL, NONE = "all", "none"
"""What a frame shows when it isn't one lamp alone."""


@dataclass(frozen=True)
class Lamp:
    """
    A lamp as it stands, as far as it was said.

    watts: of its bulb. distance, size: metres to the subject, and its largest dimension as the subject sees it.
    """

    name: str
    kind: str | None = None
    role: str | None = None
    watts: float | None = None
    distance: float | None = None
    size: float | None = None
    modifier: str | None = None
    gel: str | None = None
    circuit: str | None = None

    @property
    def text(self) -> str:
        """Return its facts in a line."""
        told = [
            self.role,
            self.kind,
            None if self.watts is None else f"{self.watts:g} W",
            None if self.distance is None else f"at {self.distance:g} m",
            None if self.size is None else f"{self.size * 100:.0f} cm across",
            self.modifier,
            self.gel,
            None if self.circuit is None else f"circuit {self.circuit}",
        ]
        return ", ".join(fact for fact in told if fact) or "nothing more is said of it"

    @property
    def told(self) -> Json:
        """Return what was said of it, its name too."""
        return {each.name: value for each in fields(self) if (value := getattr(self, each.name)) is not None}

    def with_more(self, other: Lamp) -> Lamp:
        """Return the same with what was said later in place of what was said before."""
        return replace(self, **other.told)


_TEXTS = ("kind", "role", "modifier", "gel", "circuit")
_NUMBERS = {"watts": (0.5, 30_000.0), "distance": (0.05, 100.0), "size": (0.001, 20.0)}


@dataclass
class LampBook:
    """What was said of a shoot's lamps."""

    said: list[tuple[int, Lamp | str]] = field(default_factory=list)
    """In order, with the setup: a lamp with the facts that were given, or the name of one that is gone."""
    shows: dict[int, str] = field(default_factory=dict)
    """By frame: a lamp's name, `ALL`, `NONE`."""
    circuits: dict[str, Circuit] = field(default_factory=dict)

    def lamps(self, setup: int) -> dict[str, Lamp]:
        """Return the lamps as they stood in a setup: as before it, but for what was said since."""
        found: dict[str, Lamp] = {}
        for number, one in self.said:
            if number > setup:
                continue
            if isinstance(one, str):
                found.pop(one, None)
            else:
                found[one.name] = found.get(one.name, one).with_more(one)
        return found

    @property
    def marked(self) -> dict[str, int]:
        """Return the newest frame of each thing that is shown: a lamp's name, `ALL`, `NONE`."""
        return {what: frame for frame, what in sorted(self.shows.items())}

    def note(self, kind: str, text: str) -> None:
        """
        Take in what the journal has.

        Raises:
            KeyError, TypeError, ValueError: another version's.
        """
        told = json.loads(text)
        if kind == LAMP:
            self.said.append((int(told["setup"]), lamp_of(told)))
        elif kind == NO_LAMP:
            self.said.append((int(told["setup"]), str(told["name"])))
        elif kind == SHOWS:
            frame, what = int(told["frame"]), text_of(told.get("what"))
            self.shows.pop(frame, None)
            if what is not None:
                self.shows[frame] = what
        elif kind == CIRCUIT:
            self.circuits[str(told["name"])] = parse_circuit(str(told["rating"]))

    def lines(
        self,
        setup: int,
        depth: float | None = None,
        backdrop: float | None = None,
        reflector: tuple[float, float] | None = None,
    ) -> list[str]:
        """
        Return a line on each lamp, on where it stands, and on each circuit, with the cautions.

        depth, backdrop: of the subject, and behind it, in metres. reflector: its area in square metres and its distance
        from the subject.
        """
        lamps, found = self.lamps(setup), []
        marked = self.marked
        for lamp in lamps.values():
            alone = f"; alone in frame {marked[lamp.name]}" if lamp.name in marked else ""
            found.append(f"{lamp.name}: {lamp.text}{alone}")
            if lamp.distance is not None:
                found += lines_on(Place(lamp.distance, lamp.size or 0.0, depth, backdrop))
                if reflector is not None:
                    found.append(_reflector_line(reflector, lamp.distance))
        found += [f"{word} lamps {how} in frame {marked[key]}" for word, how, key in _MARKS if key in marked]
        for name in dict.fromkeys(lamp.circuit for lamp in lamps.values() if lamp.circuit is not None):
            watts = [lamp.watts or 0.0 for lamp in lamps.values() if lamp.circuit == name]
            found += load_lines(name, self.circuits.get(name), watts)
        if any(lamp.kind in HOT for lamp in lamps.values()):
            found.append(LAMPS)
        return found


def _reflector_line(reflector: tuple[float, float], distance: float) -> str:
    area, metres = reflector
    under = -reflector_stops(area, distance, metres, distance)
    return (
        f"A matt white reflector of {area:g} m2, {metres:g} m from the subject, gives about {stops_long(under)} less"
        " than it: an estimate, lampblack effect measures it."
    )


_MARKS = (("All", "on", ALL), ("All", "off", NONE))


def lamp_of(told: Mapping[str, Any]) -> Lamp:
    """
    Return a lamp with the facts that are given.

    Raises:
        ValueError: one of them can't be; the text is one line for a person.
    """
    name = text_of(told.get("name"), 40)
    if name is None:
        raise ValueError("A lamp wants a name: key, fill, rim.")
    if name.lower() in (ALL, NONE):
        raise ValueError(f"{name} is what frames of all lamps on, or off, are marked with: call the lamp otherwise.")
    given: Json = {key: text_of(told.get(key), 60) for key in _TEXTS}
    if given["kind"] is not None:
        given["kind"] = given["kind"].lower()
        if given["kind"] not in KINDS:
            raise ValueError(f"{given['kind']} is no kind of lamp: {', '.join(KINDS)}.")
    for key, (least, most) in _NUMBERS.items():
        value = told.get(key)
        if value is not None:
            if not isinstance(value, int | float) or isinstance(value, bool) or not least <= value <= most:
                raise ValueError(f"{key} is a number from {least:g} to {most:g}.")
            given[key] = float(value)
    return Lamp(name, **given)


def lamps_json(book: LampBook, setup: int) -> list[Json]:
    """Return the lamps of a setup as clients and pages have them."""
    return [{**asdict(lamp), "frame": book.marked.get(lamp.name)} for lamp in book.lamps(setup).values()]
