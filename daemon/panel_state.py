"""
What a panel knows: built from the service's events and the person's keys by pure functions, fit to be drawn.

Everything that comes in is taken for hostile: strings pass `clean`, numbers must be finite numbers, and an event
of the wrong shape changes what it can and raises nothing.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from lampblack.daemon.clean import clean
from lampblack.daemon.loose import (
    Json,
    count_of,
    line_of,
    list_of,
    name_of,
    number_of,
    object_of,
    positive_of,
    word_of,
)
from lampblack.daemon.told import Frame, Preview, Step, frame_of, preview_of
from lampblack.rules.advice import AIMS, SPOT_AIM
from lampblack.rules.spots import parse_want

FRAMES_KEPT = 100
REFUSED_KEPT = 5
NAME_LENGTH_MAX = 60

Request = dict[str, Any]


@dataclass(frozen=True)
class Camera:
    """What the camera is doing."""

    state: str = "none"
    text: str = ""
    model: str = ""
    f_number: float | None = None
    f_numbers: tuple[float, ...] = ()
    shutter: str = ""
    iso: float | None = None
    battery: float | None = None


@dataclass(frozen=True)
class Refused:
    """A file that was no frame, and why."""

    file: str
    error: str


@dataclass(frozen=True)
class Said:
    """A line for the person at the keys."""

    text: str
    ok: bool = True


@dataclass(frozen=True)
class Asked:
    """An aperture asked for, until the service has answered; to: the request's id, None until it is sent."""

    f_number: float
    to: int | None = None


Asking = Literal["setup", "reading", "lamp", "spot"]


@dataclass(frozen=True)
class Question:
    """
    Something that is typed.

    what: it is called. lead: stands before what is typed. done: what enter does. do, key, more: of the request.
    """

    what: str
    lead: str
    done: str
    do: str
    key: str
    more: Mapping[str, str] = field(default_factory=dict)


ASKED: dict[Asking, Question] = {
    "setup": Question("new setup", "name of the new setup: ", "begin it (no name: numbered)", "slate", "name"),
    "reading": Question("reading", "readings (k16 f8 c11): ", "log them (none: tell them)", "reading", "reading"),
    "lamp": Question(
        "lamp", "this frame shows (lamp, all, none): ", "mark it (nothing: unmark)", "lamp", "name", {"frame": "newest"}
    ),
    "spot": Question("spot", "name and zone or stops (rim VI, rim -1): ", "name it (no zone: as now)", "spot", "spot"),
}


Here = tuple[int | None, float, float]
"""A place of a frame: its number, across and down."""


@dataclass(frozen=True)
class Told:
    """What the service says of a place."""

    text: str
    ok: bool
    stops: float | None = None
    """From mid grey; None where that is not known, or only a bound is."""


@dataclass(frozen=True)
class Cursor:
    """
    A place on the newest frame that is being chosen.

    x, y: across and down, in shares of the picture. hundredths: of it, how far an arrow goes. on: the spot it stands
    on. told, told_of: what lies there, and where that was. asked, asked_of: the request on its way, by its id.
    """

    x: float = 0.5
    y: float = 0.5
    hundredths: int = 1
    on: str = ""
    told: Told | None = None
    told_of: Here | None = None
    asked: int | None = None
    asked_of: Here | None = None


@dataclass(frozen=True)
class PanelState:
    """
    All that a panel shows.

    link: whether the service is there. typing: the setup's name as far as it is typed; None outside the prompt.
    asked: the aperture asked for last. said: the last reply or hint. note: a standing line of whoever shows the panel.
    keys: whether there is a keyboard to press them on.
    """

    link: Literal["searching", "up", "lost"] = "searching"
    folder: str = ""
    aim: str = ""
    backdrop_wish: str = ""
    service: str = ""
    service_text: str = ""
    camera: Camera = Camera()
    setup_number: int | None = None
    setup_name: str = ""
    frames: tuple[Frame, ...] = ()
    refused: tuple[Refused, ...] = ()
    frames_count: int = 0
    refused_count: int = 0
    asked: Asked | None = None
    said: Said | None = None
    note: str = ""
    mix: Preview | None = None
    """A mix of lamps that is looked at, until the next frame or key."""
    typing: str | None = None
    running: bool = False
    """A bracket is being shot."""
    prompt: str = ""
    """The lamp that a run waits for; all, none."""
    typing_what: Asking = "setup"
    cursor: Cursor | None = None
    """Where a spot is to be; None while none is looked for."""
    keys: bool = True
    large: bool = False
    """Three facts only."""
    sound: bool = False

    @property
    def newest(self) -> Frame | None:
        """The setup's newest frame."""
        return self.frames[-1] if self.frames else None

    @property
    def here(self) -> Here | None:
        """The place that is being chosen, and on which frame."""
        if self.cursor is None or self.newest is None:
            return None
        return self.newest.number, self.cursor.x, self.cursor.y

    @property
    def under(self) -> Told | None:
        """What the service says of that place; None until it has said something of just this one."""
        return self.cursor.told if self.cursor is not None and self.cursor.told_of == self.here else None

    @property
    def tethered(self) -> bool:
        """Whether there is a camera that keys can reach."""
        return self.camera.state in ("ready", "busy", "asleep")


# --- events ---


def owed(state: PanelState) -> Request | None:
    """Return what is to be asked now, without any key: what lies under the cursor, one question at a time."""
    here = state.here
    if here is None or state.cursor is None or state.link != "up":
        return None
    if state.cursor.asked is not None or state.cursor.told_of == here:
        return None
    return {"do": "place", "frame": here[0], "x": here[1], "y": here[2]}


def fold(state: PanelState, event: Json) -> PanelState:
    """
    Return the state after one event of the socket; unknown events change nothing.

    Three more events than the socket has: `{"event": "link", "up": bool}` and `{"event": "sent", "do": ..., "id": n}`,
    from whoever holds the connection, and `{"event": "note", "text": ...}`, from whoever shows the panel. Pure; raises
    nothing, whatever the event holds.
    """
    name = event.get("event")
    fold_one = _FOLDS.get(name) if isinstance(name, str) else None
    return state if fold_one is None else _with_picture(fold_one(state, event))


def _with_picture(state: PanelState) -> PanelState:
    """Return the state without a cursor where there is no picture to set it on any more, or somebody is waited for."""
    if state.cursor is None or (state.newest is not None and state.newest.preview is not None and not state.prompt):
        return state
    typing = None if state.typing_what == "spot" else state.typing
    return replace(state, cursor=None, typing=typing)


def _fold_hello(state: PanelState, event: Json) -> PanelState:
    told = object_of(event.get("state"))
    counts = object_of(told.get("counts"))
    frames = [frame for item in list_of(told.get("frames")) if (frame := frame_of(object_of(item))) is not None]
    after = replace(
        state,
        link="up",
        folder=name_of(told.get("folder")),
        backdrop_wish=word_of(told.get("backdrop")),
        frames=tuple(frames[-FRAMES_KEPT:]),
        refused=tuple(_refused(object_of(item)) for item in list_of(told.get("refused")))[-REFUSED_KEPT:],
        frames_count=count_of(counts.get("frames")),
        refused_count=count_of(counts.get("refused")),
        said=None,
    )
    for part in (_fold_setup_names, _fold_camera, _fold_service, _fold_aim):
        after = part(after, told)
    return after


def _fold_frame(state: PanelState, event: Json) -> PanelState:
    frame = frame_of(event)
    if frame is None:
        return state
    if state.cursor is not None:  # whatever was said of the place, it was of another frame or by what was known then
        state = replace(state, cursor=replace(state.cursor, told_of=None))
    known = [old.file for old in state.frames]
    if frame.file in known:
        place = known.index(frame.file)
        return replace(state, frames=(*state.frames[:place], frame, *state.frames[place + 1 :]))
    frames = (*state.frames, frame)[-FRAMES_KEPT:]
    return replace(state, frames=frames, frames_count=state.frames_count + 1, said=None, mix=None)


def _fold_refused(state: PanelState, event: Json) -> PanelState:
    refused = (*state.refused, _refused(event))[-REFUSED_KEPT:]
    return replace(state, refused=refused, refused_count=state.refused_count + 1)


def _fold_camera(state: PanelState, event: Json) -> PanelState:
    told = object_of(event.get("camera"))
    camera = Camera(
        state=word_of(told.get("state")) or "none",
        text=line_of(told.get("text")),
        model=line_of(told.get("model"), 60),
        f_number=positive_of(told.get("f_number")),
        f_numbers=tuple(sorted(n for v in list_of(told.get("f_numbers")) if (n := positive_of(v)) is not None)),
        shutter=line_of(told.get("shutter"), 20),
        iso=positive_of(told.get("iso")),
        battery=number_of(told.get("battery")),
    )
    return replace(state, camera=camera)


def _fold_setup(state: PanelState, event: Json) -> PanelState:
    after = _fold_setup_names(state, event)
    same = after.setup_number == state.setup_number
    return after if same else replace(after, frames=())


def _fold_setup_names(state: PanelState, event: Json) -> PanelState:
    told = object_of(event.get("setup"))
    number = number_of(told.get("number"))
    return replace(
        state,
        setup_number=None if number is None else int(number),
        setup_name=line_of(told.get("name"), NAME_LENGTH_MAX),
    )


def _fold_service(state: PanelState, event: Json) -> PanelState:
    told = object_of(event.get("service"))
    return replace(state, service=word_of(told.get("state")), service_text=line_of(told.get("text")))


def _fold_aim(state: PanelState, event: Json) -> PanelState:
    return replace(state, aim=word_of(event.get("aim")))


def _fold_run(state: PanelState, event: Json) -> PanelState:
    told = object_of(event.get("run"))
    ended, ok = told.get("state") == "ended", told.get("end") != "cannot"
    prompt = line_of(told.get("prompt"), 40)
    return replace(state, running=not ended, prompt=prompt, said=Said(line_of(told.get("text")), ok))


def _fold_reply(state: PanelState, event: Json) -> PanelState:
    text, ok = line_of(event.get("text")), event.get("ok") is True
    cursor = state.cursor
    if cursor is not None and cursor.asked is not None and event.get("to") == cursor.asked:
        stops = None if event.get("bound") is not None else number_of(event.get("stops"))
        told = Told(text, ok, stops)
        return replace(state, cursor=replace(cursor, told=told, told_of=cursor.asked_of, asked=None))
    answered = state.asked is not None and state.asked.to is not None and event.get("to") == state.asked.to
    said = Said(text or ("done" if ok else "The service refused."), ok)
    return replace(state, said=said, asked=None if answered else state.asked)


def _fold_sent(state: PanelState, event: Json) -> PanelState:
    number = event.get("id")
    if event.get("do") == "place" and state.cursor is not None and isinstance(number, int):
        return replace(state, cursor=replace(state.cursor, asked=number, asked_of=state.here))
    if state.asked is None or event.get("do") != "aperture" or not isinstance(number, int):
        return state
    return replace(state, asked=replace(state.asked, to=number))


def _fold_link(state: PanelState, event: Json) -> PanelState:
    if event.get("up") is True:
        return replace(state, link="up", said=None)
    cursor = None if state.cursor is None else replace(state.cursor, asked=None, told_of=None)
    link: Literal["searching", "lost"] = "searching" if state.link == "searching" else "lost"
    return replace(state, link=link, said=None, asked=None, cursor=cursor)


def _fold_mix(state: PanelState, event: Json) -> PanelState:
    return replace(state, mix=preview_of(object_of(event.get("preview"))), said=Said(line_of(event.get("text"), 300)))


def _fold_note(state: PanelState, event: Json) -> PanelState:
    return replace(state, note=line_of(event.get("text")))


_FOLDS: dict[str, Callable[[PanelState, Json], PanelState]] = {
    "mix": _fold_mix,
    "hello": _fold_hello,
    "frame": _fold_frame,
    "refused": _fold_refused,
    "camera": _fold_camera,
    "setup": _fold_setup,
    "run": _fold_run,
    "service": _fold_service,
    "aim": _fold_aim,
    "reply": _fold_reply,
    "link": _fold_link,
    "sent": _fold_sent,
    "note": _fold_note,
}


# --- keys ---


@dataclass(frozen=True)
class Pressed:
    """What a key did: the state after it, what to ask of the service, whether to leave."""

    state: PanelState
    request: Request | None = None
    leave: bool = False


def press(state: PanelState, key: str) -> Pressed:
    """
    Return what a key does. Pure.

    Args:
        state: as shown.
        key: one printable character, or "enter", "escape", "backspace", "up", "shift-up" and the like.
    """
    if state.typing is not None:
        return _type(state, key)
    if key == "q":
        return Pressed(state, leave=True)
    if state.cursor is not None:
        return _press_cursor(replace(state, said=None), state.cursor, key)
    act = _KEYS.get(key)
    if act is None:
        return Pressed(state)
    if state.link != "up":
        return _hint(state, _NOT_SENT)
    return act(replace(state, said=None, mix=None))


def _type(state: PanelState, key: str) -> Pressed:
    typed = state.typing or ""
    asking = ASKED[state.typing_what]
    if key == "escape":
        return Pressed(replace(state, typing=None, said=Said(f"No {asking.what}: everything stays as it was.")))
    if key == "enter":
        text = clean(typed, NAME_LENGTH_MAX).strip() or None
        if state.link != "up":
            return _hint(state if state.typing_what == "spot" else replace(state, typing=None), _NOT_SENT)
        if state.cursor is not None and state.typing_what == "spot":
            return _name_spot(state, state.cursor, text or "")
        return Pressed(replace(state, typing=None), {"do": asking.do, asking.key: text, **asking.more})
    if key == "backspace":
        return Pressed(replace(state, typing=typed[:-1], said=None))
    if len(key) == 1 and len(typed) < NAME_LENGTH_MAX and (key == " " or clean(key)):
        return Pressed(replace(state, typing=typed + key, said=None))
    return Pressed(state)


_NOT_SENT = "The service isn't there: nothing was sent."


def _hint(state: PanelState, text: str) -> Pressed:
    return Pressed(replace(state, said=Said(text, ok=False)))


def _press_step(state: PanelState) -> Pressed:
    if state.prompt:
        return Pressed(state, {"do": "switched"})
    if not state.tethered:
        return _hint(state, no_camera(state))
    step = state.newest.step if state.newest else Step()
    if step.move in ("close", "open") and step.f_number is not None:
        return Pressed(state, {"do": "step"})
    if step.move == "keep":
        return _hint(state, "This frame is the one: no step to take. f fires again.")
    if step.move == "light":
        return _hint(state, "No aperture will do it: change the light, then f fires again.")
    return _hint(state, "No step is suggested yet. f fires.")


def _press_fire(state: PanelState) -> Pressed:
    return Pressed(state, {"do": "fire"}) if state.tethered else _hint(state, no_camera(state))


def _press_bracket(state: PanelState) -> Pressed:
    if state.running:
        return Pressed(state, {"do": "halt"})
    return Pressed(state, {"do": "bracket"}) if state.tethered else _hint(state, no_camera(state))


def _press_balance(state: PanelState) -> Pressed:
    return Pressed(state, {"do": "neutral"})


def _press_setup(state: PanelState) -> Pressed:
    return Pressed(replace(state, typing="", typing_what="setup"))


def _press_reading(state: PanelState) -> Pressed:
    return Pressed(replace(state, typing="", typing_what="reading"))


def _press_lamp(state: PanelState) -> Pressed:
    if state.newest is None:
        return _hint(state, "No frame yet: f fires, then l says which lamp it shows.")
    return Pressed(replace(state, typing="", typing_what="lamp"))


def _press_spot(state: PanelState) -> Pressed:
    if state.newest is None or state.newest.preview is None:
        return _hint(state, "No picture yet to set a spot on.")
    if state.large:
        return _hint(state, "Spots are set on the picture: z shows all of it.")
    return Pressed(replace(state, cursor=Cursor()))


_MOVES = {"up": (0, -1), "down": (0, 1), "left": (-1, 0), "right": (1, 0)}
_FAR = 5  # times as far with shift, and with the wider of the two steps, for terminals that don't tell shift


def _press_cursor(state: PanelState, cursor: Cursor, key: str) -> Pressed:
    """Move the cursor, from spot to spot too; take the place, or drop the spot there."""
    way = _MOVES.get(key.removeprefix("shift-"))
    if way is not None:
        far = cursor.hundredths * (_FAR if key.startswith("shift-") else 1)
        x, y = (
            min(max(round(at + by * far / 100, 3), 0.0), 1.0) for at, by in ((cursor.x, way[0]), (cursor.y, way[1]))
        )
        return Pressed(replace(state, cursor=replace(cursor, x=x, y=y, on="")))
    if key == ",":
        return Pressed(replace(state, cursor=replace(cursor, hundredths=_FAR if cursor.hundredths == 1 else 1)))
    if key == ".":
        return _next_spot(state, cursor)
    if key in ("backspace", "delete"):
        if not cursor.on:
            return _hint(state, "It stands on no spot: . goes to the next one.")
        if state.link != "up":
            return _hint(state, _NOT_SENT)
        return Pressed(replace(state, cursor=replace(cursor, on="")), {"do": "spot", "remove": cursor.on})
    if key == "enter":
        return Pressed(replace(state, typing=_as_named(state, cursor.on), typing_what="spot"))
    if key == "escape":
        return Pressed(replace(state, cursor=None))
    return Pressed(state)


def _as_named(state: PanelState, name: str) -> str:
    """Return what one would type to name a spot as it is; nothing for none."""
    spots = () if state.newest is None else state.newest.placed
    spot = next((one for one in spots if one.name == name), None)
    if spot is None:
        return ""
    return f"{name} " if spot.want is None else f"{name} {spot.want:+g}"


def _next_spot(state: PanelState, cursor: Cursor) -> Pressed:
    spots = () if state.newest is None else state.newest.placed
    if not spots:
        return _hint(state, "No spot is named yet: enter names one here.")
    names = [one.name for one in spots]
    one = spots[(names.index(cursor.on) + 1) % len(spots) if cursor.on in names else 0]
    return Pressed(replace(state, cursor=replace(cursor, x=one.x, y=one.y, on=one.name)))


def _name_spot(state: PanelState, cursor: Cursor, text: str) -> Pressed:
    """Ask for a spot at the cursor: a name, and behind it where its light is wanted; nothing behind it: as it is."""
    name, want, wrong = name_and_want(text)
    if wrong:
        return _hint(state, wrong)
    stops = state.under.stops if state.under is not None else None
    if want is None and stops is not None:
        want = round(stops, 2)
    place = f"{cursor.x:g},{cursor.y:g}" + ("" if want is None else f"@{want:g}")
    return Pressed(replace(state, typing=None, cursor=None), {"do": "spot", "spot": f"{name}={place}"})


def name_and_want(text: str) -> tuple[str, float | None, str]:
    """
    Return a spot's name, the stops from mid grey that are wanted, and what is wrong with them, in a line.

    >>> name_and_want("left cheek VI"), name_and_want("rim -0,5"), name_and_want("rim")
    (('left cheek', 1.0, ''), ('rim', -0.5, ''), ('rim', None, ''))
    >>> name_and_want("rim XIV")[2]
    "'XIV': want stops from mid grey, say +1 or -0.5, or a zone, I to X"
    """
    words = text.split()
    want: float | None = None
    if len(words) > 1 and _WANTED.fullmatch(words[-1]):
        try:
            want = parse_want(words.pop().replace(",", "."))
        except ValueError as wrong:
            return "", None, str(wrong)
        if len(words) > 1 and words[-1].lower() == "zone":
            words.pop()
    name = " ".join(words)
    if not name or "=" in name:
        return "", None, "A spot needs a name, without = in it."
    return name, want, ""


_WANTED = re.compile(r"[+-]?[0-9][0-9.,]*|[+-]?[.,][0-9]+|[IVXivx]+")


def _press_large(state: PanelState) -> Pressed:
    return Pressed(replace(state, large=not state.large))


def _press_sound(state: PanelState) -> Pressed:
    return Pressed(replace(state, sound=not state.sound, said=Said(f"Sound is {'off' if state.sound else 'on'}.")))


def _press_aim(state: PanelState) -> Pressed:
    aims = (*AIMS, *(f"{SPOT_AIM}{name}" for name in (state.newest.spots_wanted if state.newest else ())))
    place = aims.index(state.aim) if state.aim in aims else -1
    return Pressed(state, {"do": "aim", "aim": aims[(place + 1) % len(aims)]})


def _press_wider(state: PanelState) -> Pressed:
    return _press_aperture(state, -1)


def _press_narrower(state: PanelState) -> Pressed:
    return _press_aperture(state, +1)


def _press_aperture(state: PanelState, way: int) -> Pressed:
    if not state.tethered:
        return _hint(state, no_camera(state))
    # A second press counts from where the first one leads, not from where the camera still stands.
    here = state.asked.f_number if state.asked is not None else state.camera.f_number
    offered = state.camera.f_numbers
    if here is None or not offered:
        return _hint(state, "The camera doesn't tell its apertures: set it on the camera.")
    # A hair of tolerance: the mark itself is no step away from itself.
    beyond = [n for n in offered if (n - here) * way > 0.01]
    if not beyond:
        return _hint(state, f"f/{here:g} is as far as it goes.")
    wanted = min(beyond) if way > 0 else max(beyond)
    return Pressed(replace(state, asked=Asked(wanted)), {"do": "aperture", "f_number": wanted})


def no_camera(state: PanelState) -> str:
    """Return why a key that needs a camera cannot be used now."""
    if state.camera.state == "searching":
        return "Still looking for the camera: this key needs one."
    if state.camera.state == "lost":
        return "The camera is lost: this key needs it."
    return "No camera is tethered: this key needs one."


_KEYS: dict[str, Callable[[PanelState], Pressed]] = {
    " ": _press_step,
    "f": _press_fire,
    "n": _press_setup,
    "a": _press_aim,
    "b": _press_bracket,
    "r": _press_reading,
    "w": _press_balance,
    "l": _press_lamp,
    ".": _press_spot,
    "z": _press_large,
    "s": _press_sound,
    "up": _press_wider,
    "down": _press_narrower,
}


def _refused(told: Json) -> Refused:
    return Refused(name_of(told.get("file")), line_of(told.get("error")) or "no reason given")
