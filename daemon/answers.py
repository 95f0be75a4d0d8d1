"""
What a person says of the shoot, answered: spots, regions, the plate, readings, choices, notes, names, lamps. No I/O.

Each answer is the reply, and what the journal is to note; `Memory.note` takes that in once it is kept.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from lampblack.daemon.clean import clean
from lampblack.daemon.journal import Journal
from lampblack.daemon.lampbook import (
    ALL,
    CIRCUIT,
    FLOOR,
    LAMP,
    NO_LAMP,
    NONE,
    SHOWS,
    Lamp,
    floor_of,
    lamp_of,
    lamps_json,
)
from lampblack.daemon.memory import Event, Memory
from lampblack.daemon.noted import (
    CHOICE,
    LONG,
    NO_NOTE,
    NO_READING,
    NO_REGION,
    NO_SPOT,
    NOTE,
    PLATE,
    REGION,
    RENAME,
    SPOT,
    Entry,
    reading_json,
    readings_entry,
    text_of,
)
from lampblack.rules.circuits import parse_circuit
from lampblack.rules.exposure import Exposure
from lampblack.rules.given import Region, parse_region
from lampblack.rules.readings import Reading, in_words, newest, parse_readings, ratios, wanted_av
from lampblack.rules.spots import parse_spot, written
from lampblack.rules.zones import place_words

Answer = tuple[Event, Entry | None]

MOST_SPOTS = 20
"""More are not kept: each has its line in the panel. Nor are more regions, or lamps."""

_MOST_STARS = 5
_LONGEST_REGION = 2000


def answer(memory: Memory, request: Event) -> Answer:
    """
    Return the reply to a request, and what the journal is to note.

    request: `do` is one of `ASKED`. What is to be noted isn't taken in yet.
    """
    try:
        return _ANSWERS[request["do"]](memory, request)
    except ValueError as wrong:
        return {"ok": False, "text": str(wrong)}, None


def _spot(memory: Memory, request: Event) -> Answer:
    known = [written(spot) for spot in memory.spots.values()]
    if request.get("remove") is not None:
        name = str(request["remove"])
        if name not in memory.spots:
            raise ValueError(f"There is no spot {clean(name, 60)}.")
        return {"ok": True, "text": f"{name} is no spot any more."}, (NO_SPOT, name)
    if request.get("spot") is None:
        return {"ok": True, "text": "; ".join(known) or "No spot is named yet.", "spots": known}, None
    spot = parse_spot(clean(str(request["spot"]), 200))
    if len(memory.spots) >= MOST_SPOTS and spot.name not in memory.spots:
        raise ValueError(f"{MOST_SPOTS} spots are named already: remove one first.")
    want = "" if spot.want is None else f", wanted {place_words(spot.want, None)}"
    return {"ok": True, "text": f"The spot {spot.name} is noted{want}."}, (SPOT, written(spot))


def _region(memory: Memory, request: Event) -> Answer:
    known = list(memory.regions)
    if request.get("remove") is not None:
        text = _asked_region(request["remove"]).text
        if text not in memory.regions:
            raise ValueError(f"There is no region {text}.")
        return {"ok": True, "text": f"{text} is no region any more."}, (NO_REGION, text)
    if request.get("region") is None:
        reply = {"ok": True, "text": "; ".join(known) or "No region is given yet.", "regions": known}
        return {**reply, "lines": known}, None
    text = _asked_region(request["region"]).text
    if len(known) >= MOST_SPOTS and text not in memory.regions:
        raise ValueError(f"{MOST_SPOTS} regions are given already: remove one first.")
    return {"ok": True, "text": f"{text} is noted."}, (REGION, text)


def _asked_region(written: object) -> Region:
    """Return a region as written; one that is too long is refused, not cut."""
    text = str(written)
    if len(text) > _LONGEST_REGION:
        raise ValueError(f"A region is at most {_LONGEST_REGION} characters long.")
    return parse_region(clean(text, _LONGEST_REGION))


def _plate(memory: Memory, request: Event) -> Answer:
    if request.get("remove"):
        return {"ok": True, "text": "No plate is used any more.", "plate": None}, (PLATE, "0")
    if request.get("frame") is None:
        text = "No frame is the plate." if memory.plate is None else f"Frame {memory.plate} is the plate."
        return {"ok": True, "text": text, "plate": memory.plate}, None
    number = _asked_frame(memory, request)
    return {"ok": True, "text": f"Frame {number} is the plate.", "plate": number}, (PLATE, str(number))


def _reading(memory: Memory, request: Event) -> Answer:
    shutter_s, iso = _dialled(memory, request)
    setup = _asked_setup(memory, request)
    if request.get("remove") is not None:
        place = clean(str(request["remove"]), 40).lower()
        if place not in {reading.place for reading in memory.now_read(setup)}:
            raise ValueError(f"There is no reading of {place} in {_this(memory, setup)}.")
        gone = json.dumps({"setup": setup, "place": place})
        text = " ".join([f"The reading of {place} is taken back.", *_judged_by(memory, setup)])
        return {"ok": True, "text": text}, (NO_READING, gone)
    new: list[Reading] = []
    if request.get("reading") is not None:
        new = parse_readings(clean(str(request["reading"]), 300), shutter_s, iso, text_of(request.get("meter")))
    exposure = Exposure.of(None, shutter_s, iso)
    known = list(newest([*memory.now_read(setup), *new]).values())
    lines = in_words(known, exposure)
    lines = lines[len(known) :] + lines[: len(known)]  # the ratios first: the panel has room for one line
    lines += _judged_by(memory, setup) if new else []
    reply = {
        "ok": True,
        "text": "; ".join(lines) or f"No reading is logged in {_this(memory, setup)} yet.",
        "readings": [_reading_json(reading, exposure) for reading in known],
        "ratios": [
            {"brighter": r.brighter, "darker": r.darker, "stops": round(r.stops, 3), "ratio": round(r.n, 3)}
            for r in ratios(known)
        ],
    }
    return reply, readings_entry(setup, new) if new else None


def _this(memory: Memory, setup: int) -> str:
    return "this setup" if setup == memory.setup.number else f"setup {setup}"


def _judged_by(memory: Memory, setup: int) -> list[str]:
    """Say how an earlier setup comes to be judged by its readings as they are now."""
    if setup == memory.setup.number or memory.wish_of(setup)[0] != "meter":
        return []
    return [f"Its frames were judged by the meter: lampblack again --setup {setup} judges them by what it says now."]


def _reading_json(reading: Reading, exposure: Exposure) -> Event:
    av = wanted_av(reading, exposure)
    return {
        **reading_json(reading),
        "lux": round(reading.lux, 1),
        "f_number": None if av is None else round(2 ** (av / 2), 3),
        "meter": reading.meter,
        "as": reading.said,
    }


def _choose(memory: Memory, request: Event) -> Answer:
    number, rating = _asked_frame(memory, request), request.get("rating")
    if rating is not None and (not isinstance(rating, int) or not -1 <= rating <= _MOST_STARS):
        raise ValueError(f"A rating is a number from 0 to {_MOST_STARS}, or -1 for rejected.")
    label, why = text_of(request.get("label")), text_of(request.get("why"), LONG)
    entry = {"frame": number, "rating": rating, "label": label, "why": why}
    return {"ok": True, "text": f"Frame {number} is noted."}, (CHOICE, json.dumps(entry))


def _asked_frame(memory: Memory, request: Event) -> int:
    number = request.get("frame")
    if isinstance(number, int) and not isinstance(number, bool) and 1 <= number <= memory.total:
        return number
    known = f"frames are numbered from 1 to {memory.total}" if memory.total else "none is in the journal yet"
    raise ValueError(f"There is no frame {clean(str(number), 20)}: {known}.")


def _note_setup(memory: Memory, request: Event) -> Answer:
    """Answer on notes: `text`, with `instead` a note's number; `remove`, a number; neither: those of the setup."""
    setup = _asked_setup(memory, request)
    known = memory.notes[setup].said if setup in memory.notes else {}
    if request.get("remove") is not None:
        number = _asked_note(known, request["remove"], _this(memory, setup))
        return _ok(f"Note {number} is taken back."), _entry(NO_NOTE, setup=setup, note=number)
    if request.get("text") is None and request.get("instead") is None:
        lines = [f"{number}: {text}" for number, text in known.items()]
        reply = _ok("; ".join(lines) or f"Nothing is noted of {_this(memory, setup)} yet.")
        return {**reply, "lines": lines, "notes": [{"note": n, "text": text} for n, text in known.items()]}, None
    text = text_of(request.get("text"), LONG)
    if text is None:
        raise ValueError("There is nothing to note.")
    if request.get("instead") is not None:
        number = _asked_note(known, request["instead"], _this(memory, setup))
        return _ok(f"Note {number} is now: {text}"), _entry(NOTE, setup=setup, note=number, text=text)
    return _ok("Noted."), _entry(NOTE, setup=setup, text=text)


def _asked_note(known: Mapping[int, str], number: Any, where: str) -> int:
    if isinstance(number, int) and number in known:
        return number
    raise ValueError(f"There is no note {clean(str(number), 20)} on {where}.")


@dataclass(frozen=True)
class Move:
    """Frames that belong to another setup: one that is there, or one made of them."""

    frames: tuple[int, ...]
    setup: int
    new: bool
    name: str | None
    split_from: int | None
    """Of a new one: the setup that it is split off from; None where it goes on in that one's place."""
    affected: tuple[int, ...]
    """Setups whose frames are to be judged again."""

    @property
    def text(self) -> str:
        """Return what is done, in a line."""
        called = f"{self.setup}{f' ({self.name})' if self.name else ''}"
        if not self.new:
            return f"{frames_text(self.frames)} now in setup {called}."
        goes_on = " It goes on with the frames to come." if self.split_from is None else ""
        return f"{frames_text(self.frames)} now setup {called}.{goes_on}"

    def write(self, journal: Journal) -> None:
        """Write it down; raises `JournalError`."""
        if self.new:
            journal.begin_setup(self.setup, self.name, self.split_from)
        journal.move(self.frames, self.setup)


def move_of(memory: Memory, request: Event) -> Move:
    """
    Return what is to be moved where: `frames` as typed, `to` a setup or null for a new one, of `name`.

    A new setup with the newest frame of the one that goes on goes on in its place: so a slate that was forgotten is
    put right. Any other stands aside, with the lamps of the setup that its first frame was in.

    Raises:
        ValueError: it can't be; the text is one line for a person.
    """
    frames = frame_numbers(str(request.get("frames") or ""), memory.total)
    if lost := [number for number in frames if number not in memory.placed]:
        raise ValueError(f"There is no frame {lost[0]} in the journal.")
    to, name = request.get("to"), text_of(request.get("name"))
    if to is not None:
        setup = _asked_setup(memory, {"setup": to})
        moving = tuple(number for number in frames if memory.placed[number] != setup)
        if not moving:
            raise ValueError(f"{frames_text(frames)} in setup {setup} already.")
        sources = {memory.placed[number] for number in moving}
        return Move(moving, setup, False, memory.names.get(setup), None, tuple(sorted({*sources, setup})))
    sources, setup = {memory.placed[number] for number in frames}, memory.next_setup
    live = [number for number, of in memory.placed.items() if of == memory.setup.number]
    goes_on = bool(live) and max(live) in frames
    split_from = None if goes_on else memory.placed[frames[0]]
    return Move(frames, setup, True, name, split_from, tuple(sorted({*sources, setup})))


def frame_numbers(text: str, most: int) -> tuple[int, ...]:
    """
    Return the frames of a list such as 7-9,12, each once, in order.

    >>> frame_numbers("7-9, 12,8", 12), frame_numbers("3", 12)
    ((7, 8, 9, 12), (3,))

    Raises:
        ValueError: it is no such list, or leads beyond the last frame; one line for a person.
    """
    found: set[int] = set()
    for part in text.split(","):
        first, dash, last = (word.strip() for word in part.partition("-"))
        if not _is_number(first) or (dash and not _is_number(last)):
            raise ValueError(f"{clean(text, 60)!r} names no frames: write 7, 7-9 or 7-9,12.")
        begin, end = int(first), int(last or first)
        if not 1 <= begin <= end <= most:
            known = f"frames are numbered from 1 to {most}" if most else "none is in the journal yet"
            raise ValueError(f"There are no frames {clean(part.strip(), 30)}: {known}.")
        found.update(range(begin, end + 1))
    return tuple(sorted(found))


def _is_number(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) < 10


def frames_text(frames: Sequence[int]) -> str:
    """
    Return frames as a person says them, with the verb.

    >>> frames_text([3]), frames_text([7, 8, 9, 12])
    ('Frame 3 is', 'Frames 7-9, 12 are')
    """
    runs: list[list[int]] = []
    for number in frames:
        if runs and runs[-1][-1] == number - 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    told = ", ".join(f"{run[0]}-{run[-1]}" if len(run) > 1 else str(run[0]) for run in runs)
    return f"Frame {told} is" if len(frames) == 1 else f"Frames {told} are"


def _rename(memory: Memory, request: Event) -> Answer:
    setup, name = _asked_setup(memory, request), text_of(request.get("name"))
    entry = json.dumps({"setup": setup, "name": name})
    return {"ok": True, "text": f"Setup {setup} is now {name or 'without a name'}."}, (RENAME, entry)


def _lamp(memory: Memory, request: Event) -> Answer:
    """
    Answer on lamps and circuits.

    Name and facts; `frame` with a name, `all` or `none` marks what a frame shows ("newest": that one); `remove`: a lamp
    to take back; `rating` and `circuit`: of a circuit. None of them: what is known, and `camera`, `backdrop`, `depth`
    are kept of the floor.
    """
    book, setup = memory.lamps, _asked_setup(memory, request)
    known = book.lamps(setup)
    if request.get("remove") is not None:
        name = text_of(request["remove"], 40) or ""
        if name not in known:
            raise ValueError(f"There is no lamp {name}.")
        return _ok(f"{name} is no lamp of {_this(memory, setup)} any more."), _entry(NO_LAMP, setup=setup, name=name)
    if request.get("frame") is not None:
        return _shows(memory, known, request)
    if request.get("rating") is not None:
        circuit, rating = text_of(request.get("circuit"), 40), parse_circuit(str(request["rating"]))
        if circuit is None:
            raise ValueError("Which circuit is rated so? Give its name.")
        return _ok(f"Circuit {circuit} is noted: {rating.text}."), _entry(CIRCUIT, name=circuit, rating=rating.text)
    if request.get("name") is not None:
        lamp = lamp_of(request)
        if lamp.name not in known and len(known) >= MOST_SPOTS:
            raise ValueError(f"{MOST_SPOTS} lamps are named already: remove one first.")
        now = known.get(lamp.name, lamp).with_more(lamp)
        _ = now.thing.reach  # it is refused where it can't stand so
        if floor_of(request).told:
            raise ValueError("Camera, backdrop and depth are the floor's, not a lamp's: say them without a name.")
        return _ok(f"{now.name}: {now.text}."), _entry(LAMP, setup=setup, **lamp.told)
    pair = request.get("reflector")
    area, metres = map(_metres, pair) if isinstance(pair, list) and len(pair) == 2 else (None, None)
    reflector = None if area is None or metres is None else (area, metres)
    told = floor_of(request)
    floor = replace(book.floor(setup), **told.told)
    lines = book.lines(setup, floor, reflector)
    reply = _ok("; ".join(lines) or "No lamp is named yet.")
    entry = _entry(FLOOR, setup=setup, **told.told) if told.told else None
    return {**reply, "lines": lines, "lamps": lamps_json(book, setup), "floor": asdict(floor)}, entry


def _shows(memory: Memory, known: Mapping[str, Lamp], request: Event) -> Answer:
    """Mark what a frame shows: a lamp alone, all of them, none; or nothing, which takes the mark back."""
    newest = memory.frames[-1].kept.number if memory.frames else None
    frame = newest if request["frame"] == "newest" else request["frame"]
    if not isinstance(frame, int) or isinstance(frame, bool) or not 1 <= frame <= memory.total:
        raise ValueError("There is no such frame." if memory.total else "There is no frame yet.")
    what = text_of(request.get("name"), 40)
    if what is None:
        return _ok(f"Frame {frame} is not marked any more."), _entry(SHOWS, frame=frame, what=None)
    what = what.lower() if what.lower() in (ALL, NONE) else what
    if what in known and known[what].is_card:
        raise ValueError(f"{what} is a {known[what].kind}, and gives no light alone: mark frames of lamps.")
    said = {ALL: "all lamps on", NONE: "all lamps off"}.get(what, f"{what} alone")
    new = "" if what in known or what in (ALL, NONE) else f" {what} is not named as a lamp of this setup yet."
    return _ok(f"Frame {frame} shows {said}.{new}"), _entry(SHOWS, frame=frame, what=what)


def _metres(value: Any) -> float | None:
    good = isinstance(value, int | float) and not isinstance(value, bool) and 0 < value < 100
    return float(value) if good else None


def _ok(text: str) -> Event:
    return {"ok": True, "text": text}


def _entry(word: str, /, **told: Any) -> Entry:
    return word, json.dumps(told)


def _asked_setup(memory: Memory, request: Event) -> int:
    setup = request.get("setup")
    if setup is None:
        return memory.setup.number
    if not isinstance(setup, int) or setup not in {memory.setup.number, *memory.names}:
        raise ValueError(f"There is no setup {clean(str(setup), 20)}.")
    return setup


def _dialled(memory: Memory, request: Event) -> tuple[float | None, float | None]:
    """Return time and ISO that an aperture is read for: the camera's now, else those of the newest frame."""
    shutter_s, iso = request.get("shutter_s"), request.get("iso")
    return shutter_s or memory.dialled.get("shutter_s"), iso or memory.dialled.get("iso")


_ANSWERS: dict[str, Callable[[Memory, Event], Answer]] = {
    "spot": _spot,
    "region": _region,
    "plate": _plate,
    "reading": _reading,
    "choose": _choose,
    "note": _note_setup,
    "rename": _rename,
    "lamp": _lamp,
}
ASKED = tuple(_ANSWERS)
"""What `answer` is for."""
