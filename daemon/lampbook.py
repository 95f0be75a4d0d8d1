"""The lamps of a shoot as people name them, what each frame shows of them, and the circuits they hang on. No I/O."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from typing import Any

from lampblack.daemon.noted import lineage, text_of
from lampblack.rules.cautions import LAMPS
from lampblack.rules.circuits import Circuit, load_lines, parse_circuit
from lampblack.rules.distance import Place, falloff_of, lines_on, reflector_stops
from lampblack.rules.figures import stops_long
from lampblack.rules.plan import Thing, What, bearing_text, parse_bearing, to_backdrop

Json = dict[str, Any]

LAMP, NO_LAMP, SHOWS, CIRCUIT, FLOOR = "lamp", "lamp-gone", "shows", "circuit", "floor"
"""
The journal's words: for a lamp's facts, for one taken back, for what a frame shows, for a circuit's rating, for where
camera and backdrop stand.
"""

LAMP_KINDS = (LAMP, NO_LAMP, SHOWS, CIRCUIT, FLOOR)

HOT = ("tungsten", "halogen", "hmi")
CARDS: tuple[What, ...] = ("flag", "reflector")
"""Named as lamps are, but they give no light of their own."""
KINDS = (*HOT, "led", "fluorescent", "daylight", "other", *CARDS)
ALL, NONE = "all", "none"
"""What a frame shows when it isn't one lamp alone."""


@dataclass(frozen=True)
class Lamp:
    """
    A lamp as it stands, or a card (a flag, a reflector), as far as it was said.

    watts: of its bulb. distance, size: metres to the subject, and its largest dimension as the subject sees it.
    bearing: degrees from the line to the camera, left of it in the picture below 0. above: metres over the subject's
    middle. of: the lamp that a card works with.
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
    bearing: float | None = None
    above: float | None = None
    of: str | None = None

    @property
    def is_card(self) -> bool:
        """Return whether it only takes or turns the light of others."""
        return self.kind in CARDS

    @property
    def thing(self) -> Thing:
        """Return it as it stands in a plan."""
        what: What = next((card for card in CARDS if card == self.kind), "lamp")
        return Thing(self.name, what, self.distance, self.bearing, self.above, self.size, self.of)

    @property
    def text(self) -> str:
        """Return its facts in a line."""
        told = [
            self.role,
            self.kind,
            None if self.watts is None else f"{self.watts:g} W",
            None if self.distance is None else f"at {self.distance:g} m",
            None if self.bearing is None else bearing_text(self.bearing),
            None if self.above is None else _above_text(self.above),
            None if self.of is None else f"for {self.of}",
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


@dataclass(frozen=True)
class Floor:
    """Where camera and backdrop stand, in metres from the subject, and how deep that is; as far as it was said."""

    camera: float | None = None
    backdrop: float | None = None
    depth: float | None = None

    @property
    def told(self) -> Json:
        """Return what was said."""
        return {key: value for key, value in asdict(self).items() if value is not None}

    @property
    def text(self) -> str:
        """
        Return it in a line; nothing where nothing was said.

        >>> Floor(camera=2.4, depth=0.3).text
        'Camera 2.4 m from the subject; subject 0.3 m deep.'
        """
        told = [
            None if self.camera is None else f"camera {self.camera:g} m from the subject",
            None if self.backdrop is None else f"backdrop {self.backdrop:g} m behind the subject",
            None if self.depth is None else f"subject {self.depth:g} m deep",
        ]
        line = "; ".join(fact for fact in told if fact)
        return f"{line[0].upper()}{line[1:]}." if line else ""


def floor_of(told: Mapping[str, Any]) -> Floor:
    """
    Return what is said of the floor.

    Raises:
        ValueError: one of the distances can't be; the text is one line for a person.
    """
    keys = [each.name for each in fields(Floor)]
    return Floor(**{key: _number(key, told[key], 0.01, 100.0) for key in keys if told.get(key) is not None})


def _above_text(metres: float) -> str:
    if metres == 0:
        return "level with the subject"
    return f"{abs(metres):g} m {'above' if metres > 0 else 'below'} the subject"


_TEXTS = ("kind", "role", "modifier", "gel", "circuit", "of")
_NUMBERS = {
    "watts": (0.5, 30_000.0),
    "distance": (0.05, 100.0),
    "size": (0.001, 20.0),
    "above": (-20.0, 20.0),
    "bearing": (-180.0, 180.0),
}


@dataclass
class LampBook:
    """What was said of a shoot's lamps."""

    said: list[tuple[int, Lamp | str]] = field(default_factory=list)
    """In order, with the setup: a lamp with the facts that were given, or the name of one that is gone."""
    shows: dict[int, str] = field(default_factory=dict)
    """By frame: a lamp's name, `ALL`, `NONE`."""
    circuits: dict[str, Circuit] = field(default_factory=dict)
    split: Mapping[int, int] = field(default_factory=dict)
    """Setups that were split off from others; see `noted.lineage`."""
    floors: list[tuple[int, Floor]] = field(default_factory=list)
    """In order, with the setup."""

    def floor(self, setup: int) -> Floor:
        """Return the floor as it was in a setup: as before it, but for what was said since."""
        found = Floor()
        holds = lineage(setup, self.split)
        for number, said in sorted(self.floors, key=lambda floor: floor[0]):
            found = replace(found, **said.told) if holds(number) else found
        return found

    def lamps(self, setup: int) -> dict[str, Lamp]:
        """Return the lamps as they stood in a setup: as before it, but for what was said since."""
        found: dict[str, Lamp] = {}
        holds = lineage(setup, self.split)
        for number, one in sorted(self.said, key=lambda said: said[0]):  # what is put right later comes in its place
            if not holds(number):
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
        elif kind == FLOOR:
            self.floors.append((int(told["setup"]), floor_of(told)))

    def lines(
        self,
        setup: int,
        floor: Floor,
        reflector: tuple[float, float] | None = None,
    ) -> list[str]:
        """
        Return a line on each lamp, on where it stands, and on each circuit, with the cautions.

        reflector: its area in square metres and its distance from the subject.
        """
        lamps, found = self.lamps(setup), []
        marked = self.marked
        for lamp in lamps.values():
            alone = f"; alone in frame {marked[lamp.name]}" if lamp.name in marked else ""
            found.append(f"{lamp.name}: {lamp.text}{alone}")
            found += distance_lines(lamp, floor)
            if reflector is not None and lamp.distance is not None and not lamp.is_card:
                found.append(_reflector_line(reflector, lamp.distance))
        found += [f"{word} lamps {how} in frame {marked[key]}" for word, how, key in _MARKS if key in marked]
        found += [floor.text] if floor.text else []
        found += self.circuit_lines(setup)
        if any(lamp.kind in HOT for lamp in lamps.values()):
            found.append(LAMPS)
        return found

    def circuit_lines(self, setup: int) -> list[str]:
        """Return what the lamps of a setup draw of what their circuits carry."""
        lamps, found = self.lamps(setup).values(), []
        for name in dict.fromkeys(lamp.circuit for lamp in lamps if lamp.circuit is not None):
            watts = [lamp.watts or 0.0 for lamp in lamps if lamp.circuit == name]
            found += load_lines(name, self.circuits.get(name), watts)
        return found


def distance_lines(lamp: Lamp, floor: Floor) -> list[str]:
    """Return what the place of a lamp means for its light; nothing of a card, or where no distance was told."""
    if lamp.distance is None or lamp.is_card:
        return []
    away = None
    if floor.backdrop is not None:
        with contextlib.suppress(ValueError):  # told to be higher than it is far
            away = to_backdrop(lamp.thing, floor.backdrop)
    return lines_on(Place(lamp.distance, lamp.size or 0.0, floor.depth, floor.backdrop, away or None))


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
        if told.get(key) is not None:
            given[key] = _number(key, told[key], least, most)
    if told.get("at") is not None:
        given["bearing"] = parse_bearing(str(told["at"]))
    return Lamp(name, **given)


def _number(key: str, value: Any, least: float, most: float) -> float:
    if not isinstance(value, int | float) or isinstance(value, bool) or not least <= value <= most:
        raise ValueError(f"{key} is a number from {least:g} to {most:g}.")
    return float(value)


def changes(before: Mapping[str, Lamp], after: Mapping[str, Lamp]) -> list[str]:
    """
    Return in words what has changed about the lamps from one setup to the next.

    >>> one, two = Lamp("rim", distance=1.0), Lamp("rim", distance=2.0, gel="CTO")
    >>> changes({"rim": one}, {"rim": two, "card": Lamp("card", "flag")})
    ['rim is 2 m from the subject (1 m before: 2 stops less)', 'the gel of rim: CTO', 'new: card (flag)']
    """
    found = []
    for name, lamp in after.items():
        if name not in before:
            found.append(f"new: {name}" + (f" ({lamp.kind})" if lamp.is_card else ""))
        else:
            found += _lamp_changes(before[name], lamp)
    return found + [f"gone: {name}" for name in before if name not in after]


def floor_changes(before: Floor, after: Floor) -> list[str]:
    """
    Return in words what has changed about the floor.

    >>> floor_changes(Floor(camera=2.0, backdrop=1.0), Floor(camera=2.0, backdrop=2.0))
    ['the backdrop is 2 m behind the subject (1 m before)']
    """
    found = []
    for key, how in (("camera", "from"), ("backdrop", "behind")):
        old, new = getattr(before, key), getattr(after, key)
        if new is not None and new != old:
            found.append(f"the {key} is {new:g} m {how} the subject" + ("" if old is None else f" ({old:g} m before)"))
    return found


def _lamp_changes(old: Lamp, new: Lamp) -> list[str]:
    found, name = [], new.name
    if new.distance is not None and new.distance != old.distance:
        was = ""
        if old.distance is not None:
            gain = -falloff_of(new.size or 0.0, old.distance, new.distance)
            light = f": {stops_long(gain)} {'more' if gain > 0 else 'less'}"
            was = f" ({old.distance:g} m before{'' if new.is_card else light})"
        found.append(f"{name} is {new.distance:g} m from the subject{was}")
    if new.bearing is not None and new.bearing != old.bearing:
        found.append(f"{name} is {bearing_text(new.bearing)}")
    if new.above is not None and new.above != old.above:
        found.append(f"{name} is {_above_text(new.above)}")
    for key, unit in (("watts", " W"), ("size", " m"), ("modifier", ""), ("gel", ""), ("role", ""), ("of", "")):
        value = getattr(new, key)
        if value is not None and value != getattr(old, key):
            text = value if isinstance(value, str) else f"{value:g}{unit}"
            found.append(f"the {key} of {name}: {text}" if key != "of" else f"{name} is for {text}")
    return found


def lamps_json(book: LampBook, setup: int) -> list[Json]:
    """Return the lamps of a setup as clients and pages have them."""
    return [{**asdict(lamp), "frame": book.marked.get(lamp.name)} for lamp in book.lamps(setup).values()]
