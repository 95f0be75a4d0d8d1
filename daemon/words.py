"""
What the panel says, in words: numbers as the trade writes them, the large headlines, plain lines. Pure.

Percent exists only here; everything below counts in fractions.
"""

from __future__ import annotations

import shlex
from dataclasses import dataclass, replace

from lampblack.daemon.clean import sentence
from lampblack.daemon.loose import Json
from lampblack.daemon.panel_state import PanelState, fold
from lampblack.daemon.told import AT, Backdrop, exposure_text, not_clean_text, room_text
from lampblack.rules.figures import f_text, percent, stops_long, stops_text

_MOVES = {"close": "CLOSE", "open": "OPEN"}
_ARROWS = {"left": "←", "right": "→", "top": "↑", "bottom": "↓"}


@dataclass(frozen=True)
class Headline:
    """
    Something to be read from across the room.

    phrases: the same thing, longest first; the first that fits is shown. text: the sentence beneath. role: its look.
    """

    phrases: tuple[str, ...]
    text: str
    role: str


# --- headlines ---


def step_headline(state: PanelState) -> Headline:
    """Return the next step and why; or the trouble that comes before it."""
    return _trouble(state) or _prompt(state) or _step(state)


def _trouble(state: PanelState) -> Headline | None:
    if state.link == "searching":
        start = f"lampblack watch {shlex.quote(state.folder)}"
        text = f"No service watches {state.folder} yet. Start one with: {start} (still looking)."
        return Headline(("NO SERVICE",), text, "trouble")
    if state.link == "lost":
        text = "The service has stopped. Frames go on landing in the folder, but nothing is measured. Trying again."
        return Headline(("NO SERVICE",), text, "trouble")
    if state.service == "folder-gone":
        return Headline(("FOLDER GONE",), state.service_text or "The shoot's folder can't be reached.", "trouble")
    if state.camera.state == "lost":
        step = _step(state) if state.newest else None
        after = f" When it is back: {step.phrases[0]}." if step else ""
        return Headline(("CAMERA LOST",), (state.camera.text or "The camera doesn't answer.") + after, "trouble")
    return None


def _prompt(state: PanelState) -> Headline | None:
    """Return what a run over lamps waits for, large: it is read from where the lamps are."""
    if not state.prompt:
        return None
    word = {"all": "ALL ON", "none": "ALL OFF"}.get(state.prompt, f"{state.prompt.upper()} ALONE")
    text = "" if state.said is None else state.said.text
    return Headline((f"NOW {word}", word, "SWITCH"), f"{text} Space: it is done.".strip(), "key")


def _step(state: PanelState) -> Headline:
    if state.newest is None:
        return Headline(("SHOOT A FRAME", "SHOOT"), "No frame in this setup yet.", "strong")
    step = state.newest.step
    mark = "" if step.f_number is None else f" {f_text(step.f_number)}"
    if step.move in _MOVES:
        verb = _MOVES[step.move]
        by = "" if step.stops is None else f" {stops_text(step.stops)}"
        return Headline((f"{verb}{by}{mark}", f"{verb}{by}", verb), step.why, "strong")
    if step.move == "keep":
        return Headline((f"KEEP{mark}", "KEEP"), step.why, "good")
    if step.move == "light":
        return Headline(("CHANGE THE LIGHT", "CHANGE LIGHT", "LIGHT"), step.why, "clip")
    return Headline(("NO STEP",), step.why or "The service suggests none for this frame.", "dim")


def count_headline(state: PanelState) -> Headline:
    """Return which frame of the setup is the newest, or that a run is on."""
    count = len(state.frames)
    lead = "RUN, " if state.running else ""
    return Headline((f"{lead}FRAME {count}", f"FRAME {count}", str(count)), "", "plain" if count else "dim")


def flag_headline(state: PanelState) -> Headline:
    """
    Return the newest frame's backdrop flag: clean or not, where, by how many stops.

    It loses its colour while the service is away: it may be old by now.
    """
    if state.newest is None:
        return Headline((), "The backdrop is judged with the first frame." if state.link == "up" else "", "dim")
    flag = _flag(state, state.newest.backdrop)
    return flag if state.link == "up" else replace(flag, text=f"As it last was: {flag.text}", role="dim")


def _flag(state: PanelState, backdrop: Backdrop) -> Headline:
    if not backdrop.tone or backdrop.clean is None:
        asked_none = state.backdrop_wish == "none"
        text = (
            "The backdrop isn't judged: none was asked for." if asked_none else "No backdrop was found in this frame."
        )
        return Headline(("NO BACKDROP", "NONE"), text, "dim")
    if backdrop.clean:
        return Headline(("CLEAN",), f"The backdrop is clean {backdrop.tone}{_under_white(backdrop)}.", "good")
    if backdrop.only_grain:  # not in the colour of light: nobody should fetch a flag
        return Headline(("NOT CLEAN NOISE", "NOISE"), not_clean_text(backdrop), "strong")
    size = stops_text(backdrop.over_stops or 0.0)
    by = "" if size == "0" else f" {size}"
    side, arrow = backdrop.side.upper() if backdrop.side in AT else "", _ARROWS.get(backdrop.side, "")
    longest = " ".join(f"NOT CLEAN {side}{by}".split())
    shorter = " ".join(f"NOT CLEAN {arrow}{by}".split())
    return Headline((longest, shorter, "NOT CLEAN"), not_clean_text(backdrop), "spill")


def _under_white(backdrop: Backdrop) -> str:
    stops = backdrop.stops_below_white
    return "" if stops is None else f", {stops_long(stops)} under white"


# --- what the camera and the service do ---

_CAMERA_STATES = {
    "none": "no camera tethered",
    "searching": "looking for the camera",
    "ready": "ready",
    "busy": "busy",
    "asleep": "asleep",
    "lost": "lost",
}


def camera_texts(state: PanelState) -> list[str]:
    """Return what the camera is doing with its settings, the longest first: the first one that fits is shown."""
    if not state.tethered:
        return camera_parts(state)
    said, mark, shutter, iso, battery = _camera_parts(state)
    choices = ([said, mark, shutter, iso, battery], [said, mark, battery], [said, mark], [said])
    return ["  ".join(filter(None, parts)) for parts in choices if any(parts)]


def camera_parts(state: PanelState) -> list[str]:
    """Return what the camera is doing, and its settings, each by itself; without a camera the first alone."""
    return list(filter(None, _camera_parts(state))) if state.tethered else [_camera_parts(state)[0]]


def _camera_parts(state: PanelState) -> tuple[str, str, str, str, str]:
    camera = state.camera
    return (
        camera.text or _CAMERA_STATES.get(camera.state, camera.state),
        f_text(camera.f_number) if camera.f_number else "",
        camera.shutter,
        f"ISO {camera.iso:g}" if camera.iso else "",
        "" if camera.battery is None else f"battery {camera.battery:.0f} %",
    )


def service_text(state: PanelState) -> str:
    """Return what the service is doing and how much it has seen."""
    if state.link != "up":
        return f"{state.folder}: looking for the service, once a second; q leaves"
    return f"{state.folder}: {service_said(state).rstrip('.')}  ({counts_text(state)})"


def service_said(state: PanelState) -> str:
    """Return the service's own line, or a word for its state."""
    return state.service_text or {"catching-up": "catching up"}.get(state.service, state.service or "watching")


def counts_text(state: PanelState) -> str:
    """Return how much the service has seen."""
    refused = f", {state.refused_count} refused" if state.refused_count else ""
    return f"{state.frames_count} frame{'' if state.frames_count == 1 else 's'}{refused}"


def setup_text(state: PanelState) -> str:
    """Return the current setup's number and name."""
    number = "?" if state.setup_number is None else str(state.setup_number)
    return f"setup {number}" + (f": {state.setup_name}" if state.setup_name else "")


# --- plain lines, for screen readers, pipes and logs ---


def tell(state: PanelState, event: Json) -> list[str]:
    """Return what one event is worth in plain lines of whole sentences, given the state before it."""
    after = fold(state, event)
    name = event.get("event")
    if name == "hello":
        return [_service(after), f"{_setup(after)}, aim {after.aim}.", _camera(after), *_newest(after)]
    if name == "frame":
        return _newest(after) if after.frames != state.frames else []
    if name == "refused":
        return [sentence(f"Refused {after.refused[-1].file}: {after.refused[-1].error}")]
    if name == "camera":
        return [_camera(after)] if _camera(after) != _camera(state) else []
    if name == "setup":
        return [f"{_setup(after)} begins."]
    if name == "service":
        return [_service(after)]
    if name == "aim":
        return [f"Aim: {after.aim}."]
    if name == "link" and after.link != "up":
        return [step_headline(after).text]
    return []


def _service(state: PanelState) -> str:
    """Return what the service says and how much it has seen; its own sentences name the folder where they must."""
    return f"{state.folder}: {sentence(service_said(state))} {counts_text(state).capitalize()}."


def _setup(state: PanelState) -> str:
    return setup_text(state).replace("setup", "Setup", 1)


def _camera(state: PanelState) -> str:
    first, *rest = camera_parts(state)
    return f"Camera: {sentence(', '.join([first.rstrip('.'), *rest]))}"


def _newest(state: PanelState) -> list[str]:
    frame = state.newest
    if frame is None:
        return []
    step, flag = _step(state), flag_headline(state)
    number = "" if frame.number is None else f"Frame {frame.number}, "
    highlights = f"broad {percent(frame.broad)}, glints {percent(frame.specular)}; {room_text(frame)}"
    told = [
        f"{number}{frame.file}: {', '.join(exposure_text(frame).split('  '))}.",
        f"Subject clipped {percent(frame.clipped)} ({highlights}), in shadow {percent(frame.shadows_subject)}.",
        flag.text,
        *map(sentence, frame.notices),
        *map(sentence, frame.spots),
        f"Next: {step.phrases[0]}.",
        sentence(step.text),
    ]
    return [" ".join(filter(None, told))]
