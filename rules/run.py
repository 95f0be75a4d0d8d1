"""
A run: which exposure comes next, which are still to come, or why none does.

The planner is asked anew after every frame, with all that the setup's frames have taught by then, so that a forecast
which was off costs one frame and no more. Exposures are settings of two dials, aperture and time; the speed stays.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from lampblack.rules.advice import Rounding, Step
from lampblack.rules.exposure import aperture_value, speed_value, time_value
from lampblack.rules.figures import f_text, shutter_text, stops_long
from lampblack.rules.forecast import Sample, blocked_share, broad_share, headroom, read_together
from lampblack.rules.shoot import Setup
from lampblack.rules.thresholds import Thresholds
from lampblack.rules.verdict import Verdict

Goal = Literal["aim", "cover", "at", "ladder"]
End = Literal["met", "covered", "shot", "cannot"]

_THIRD = 1 / 3
_EXACT = 1e-6
_SAME = 1 / 12  # stops: two settings this near are one
_ENDLESS = 99.0
_FARTHEST = 12.0  # stops from any frame; no scene before a lens holds more
_LOOK_AGAIN_LEAST, _LOOK_AGAIN_MOST = 1.0, 4.0  # how far to open towards shadows that no frame shows yet


@dataclass(frozen=True)
class Setting:
    """Where two dials stand: as marked; None is a dial that cannot be turned, or read."""

    f_number: float | None
    shutter_s: float | None

    @property
    def text(self) -> str:
        """
        Return it as a person reads it.

        >>> Setting(5.6, 1 / 60).text, Setting(None, 0.5).text
        ('f/5.6 1/60 s', '1/2 s')
        """
        told = [] if self.f_number is None else [f_text(self.f_number)]
        return " ".join([*told, *([] if self.shutter_s is None else [shutter_text(self.shutter_s)])])

    @property
    def light(self) -> float:
        """Return how much light it lets in, in stops, but for the speed: one more is twice as much."""
        av = 0.0 if self.f_number is None else aperture_value(self.f_number)
        return -av - (0.0 if self.shutter_s is None else time_value(self.shutter_s))

    def is_like(self, other: Setting) -> bool:
        """Tell whether both dials stand alike, as far as both are known."""
        apertures, times = (self.f_number, other.f_number), (self.shutter_s, other.shutter_s)
        return _alike(*apertures, aperture_value) and _alike(*times, time_value)


def _alike(one: float | None, other: float | None, apex: Callable[[float], float]) -> bool:
    # A dial and a file may round one mark differently: 1/60 is 0.0166 s to some.
    return not one or not other or abs(apex(one) - apex(other)) < _THIRD / 2


@dataclass(frozen=True)
class Offer:
    """What the camera lets be set just now: marks, ascending; empty for a dial that it keeps to itself."""

    here: Setting
    f_numbers: tuple[float, ...] = ()
    shutters_s: tuple[float, ...] = ()
    iso: float | None = None


@dataclass(frozen=True)
class Wish:
    """
    What a run is for.

    aim: until the setup's aim is met. cover: until every tone of the subject is held in some frame. at: these
    apertures. ladder: so many frames, so many thirds apart, about where the camera stands.
    """

    goal: Goal = "aim"
    hold_aperture: bool = False
    at: tuple[float, ...] = ()
    frames: int = 0
    thirds: int = 0


@dataclass(frozen=True)
class Known:
    """What the setup's frames have taught, and what was said of the newest."""

    setup: Setup
    newest: Verdict


@dataclass(frozen=True)
class Plan:
    """
    The frames still to come as far as they can be foreseen, the next one first; or none, and how it ended.

    why: one sentence for a person.
    """

    shots: tuple[Setting, ...]
    end: End | None
    why: str


def next_of(wish: Wish, offer: Offer, known: Known | None, taken: Sequence[Setting], thresholds: Thresholds) -> Plan:
    """
    Return what comes next in a run.

    Args:
        wish: what it is for.
        offer: what the camera offers, and where it stood when the run began.
        known: the setup's frames so far; None before the first.
        taken: the settings that this run has shot, in order.
        thresholds: the thresholds.
    """
    if wish.goal in ("at", "ladder"):
        return _fixed(wish, offer, len(taken))
    if known is None:
        return Plan((offer.here,), None, "No frame tells of this light yet: first one as the camera stands.")
    if known.newest.look.shot.exposure.stops is None:
        return _cannot("The frame's file doesn't tell aperture and time: no exposure can be reckoned from it.")
    plan = _for_aim(wish, offer, known, taken) if wish.goal == "aim" else _cover(wish, offer, known, taken, thresholds)
    if plan.shots and len(taken) >= thresholds.runs.most_frames:
        return _cannot(f"{len(taken)} frames have not led there; the last said: {plan.why}")
    return plan


def _cannot(why: str) -> Plan:
    return Plan((), "cannot", why)


# --- which setting ---


def _place(wish: Wish, offer: Offer, stops: float, rounding: Rounding = "nearest") -> Setting:
    """
    Return the setting that lets in `stops` of light (see `Setting.light`), as nearly as the dials allow.

    The time moves only for what the aperture cannot give; a held aperture does not move at all.
    """
    here = offer.here
    f_numbers: Sequence[float | None] = [here.f_number]
    if offer.f_numbers and not wish.hold_aperture:
        f_numbers = offer.f_numbers
    times: Sequence[float | None] = offer.shutters_s or [here.shutter_s]
    slack = _THIRD / 2 if rounding == "nearest" else _THIRD - 1e-3

    def cost(setting: Setting) -> tuple[bool, float, float, float]:
        off = setting.light - stops
        wrong_side = (rounding == "under" and off > _EXACT) or (rounding == "over" and off < -_EXACT)
        beyond = max(0.0, abs(off) - slack - _EXACT)
        moved = 0.0
        if setting.shutter_s is not None and here.shutter_s is not None:
            moved = abs(time_value(setting.shutter_s) - time_value(here.shutter_s))
        return wrong_side, round(beyond, 4), round(moved, 4), abs(off)

    return min((Setting(f, t) for f, t in itertools.product(f_numbers, times)), key=cost)


def _speed_change(offer: Offer, known: Known) -> float:
    """Return by how much the camera's speed now exceeds the newest frame's, in stops."""
    then = known.newest.look.shot.exposure.sv
    return 0.0 if offer.iso is None or then is None else speed_value(offer.iso) - then


def _light_of(exposure_stops: float, offer: Offer, known: Known) -> float:
    """Bring an exposure (Sv - Av - Tv) to what the two dials have to let in."""
    sv = known.newest.look.shot.exposure.sv
    return exposure_stops - (5.0 if sv is None else sv) - _speed_change(offer, known)


# --- until the aim is met ---


def _for_aim(wish: Wish, offer: Offer, known: Known, taken: Sequence[Setting]) -> Plan:
    step = known.newest.step
    if step.move == "keep":
        return Plan((), "met", step.why)
    return (_by_step(wish, offer, known, taken) if step.move else None) or _cannot(step.why)


def _by_step(wish: Wish, offer: Offer, known: Known, taken: Sequence[Setting]) -> Plan | None:
    """Return the frame that the newest one's step leads to; None where it leads nowhere."""
    step, stops = known.newest.step, known.newest.look.shot.exposure.stops
    wanted = _bold(known, step)
    if wanted is None or stops is None:
        return None
    light = _light_of(stops + wanted, offer, known)
    return _unless_taken(_place(wish, offer, light, step.rounding), light, step, taken)


def _bold(known: Known, step: Step) -> float | None:
    """
    Return the change to make for a step, in stops; bolder where the frame tells too little, and a frame is cheap.

    A raw frame some stops darker than it need be still shows its highlights far above the noise; one that is still
    burnt out tells nothing. Where no subject is seen for the dark, a long step up shows it.
    """
    verdict = known.newest
    room, raw = verdict.highlights.headroom, verdict.look.kind == "raw"
    if verdict.blind == "burnt" and step.wanted is not None:
        return min(step.wanted, _FROM_BURNT_RAW if raw else step.wanted)
    held = known.setup.aim == "hold-highlights" and raw
    if held and room is not None and not room.seen and step.wanted is not None and step.wanted < 0:
        far = _FROM_BURNT_RAW if (verdict.highlights.subject or 0.0) > _MOSTLY else 0.0
        return min(room.least - _DARKER_TO_SEE, far)
    bright = float(np.percentile(verdict.look.bright, 99))
    if step.wanted is None and step.move == "light" and bright < _DARK:
        return math.log2(_DARK / max(bright, 2.0**-14))
    return step.wanted


_FROM_BURNT_RAW, _DARKER_TO_SEE = -9.0, 2.5  # stops
_MOSTLY = 0.4  # of the subject is burnt out
_DARK = 0.5  # of white: nothing in the frame is as bright as that


def _unless_taken(setting: Setting, light: float, step: Step, taken: Sequence[Setting]) -> Plan:
    left = light - setting.light
    if not any(setting.is_like(old) for old in taken):
        return Plan((setting,), None, step.why)
    if abs(left) > _THIRD + _SAME:
        return _cannot(f"{setting.text} is as far as the camera goes, {stops_long(left)} short: {_by(left)}.")
    return Plan((), "met", f"No setting comes nearer than {setting.text}: that frame is the one.")


def _by(left: float) -> str:
    return "more light or a higher ISO" if left > 0 else "less light or a lower ISO"


# --- until the range is covered ---


@dataclass(frozen=True)
class _Range:
    """Exposures in stops: up to `light` the highlights are held, from `dark` on the shadows; and are those seen."""

    light: float
    light_seen: bool
    dark: float
    dark_seen: bool


def _cover(wish: Wish, offer: Offer, known: Known, taken: Sequence[Setting], thresholds: Thresholds) -> Plan:
    verdict = known.newest
    if verdict.blind:
        return _for_aim(wish, offer, known, taken)
    samples = [s for s in samples_of(known) if s.stops is not None and s.subject.pixels]
    reach = _range(samples, thresholds)
    if reach is None:
        return _by_step(wish, offer, known, taken) or _cannot("The frame shows no subject to cover the range of.")
    wanted = _missing(samples, reach, thresholds)
    if not wanted:
        return Plan((), "covered", "Every tone of the subject is held in one of the frames: the range is covered.")
    shots: list[Setting] = []
    for stops, rounding in wanted:
        light = _light_of(stops, offer, known)
        setting = _place(wish, offer, light, rounding)
        if any(setting.is_like(old) for old in taken):
            left = light - setting.light
            end = "highlights" if stops <= reach.light else "shadows"
            return _cannot(
                f"{setting.text} doesn't hold the {end}, {stops_long(left)} are wanting: {_by(left)}, or another lamp."
            )
        if not any(setting.is_like(other) for other in shots):
            shots.append(setting)
    many = "one more frame" if len(shots) == 1 else f"{len(shots)} more frames"
    span = max(0.0, reach.dark - reach.light)
    held = "one frame can hold it all" if not span else f"{stops_long(span)} more than one frame holds"
    return Plan(tuple(shots), None, f"The subject's tones: {held}; {many} would cover them.")


def samples_of(known: Known) -> list[Sample]:
    """Return the setup's frames of the newest one's kind, read as well as the camera is known by now."""
    lessons, raw = known.setup.lessons, known.newest.look.kind == "raw"
    return read_together(known.setup.samples, lessons.response, lessons.end, raw=raw)


def _range(samples: Sequence[Sample], thresholds: Thresholds) -> _Range | None:
    room = headroom(samples[-1], samples[:-1], thresholds.highlights) if samples else None
    if room is None:
        return None
    here = samples[-1].stops or 0.0
    light = here + (room.stops if room.seen else room.least)
    brightest = max(s.stops or 0.0 for s in samples)
    low, high = brightest - _FARTHEST, brightest + _FARTHEST
    while high - low > 1 / 64:
        middle = (low + high) / 2
        blocked = (blocked_share(samples, middle) or 0.0) > thresholds.shadows.held_share
        low, high = (middle, high) if blocked else (low, middle)
    seen = high <= brightest + _SAME
    if not seen:
        high = min(max(high, brightest + _LOOK_AGAIN_LEAST), brightest + _LOOK_AGAIN_MOST)
    return _Range(light, room.seen, high, seen)


def _missing(samples: Sequence[Sample], reach: _Range, thresholds: Thresholds) -> list[tuple[float, Rounding]]:
    """Return the exposures still wanted, the one that teaches most first."""
    halving, limit = thresholds.highlights.halving_stops, thresholds.highlights.broad_limit
    stops = {s.stops or 0.0: s for s in samples}
    holds_light = [e for e, s in stops.items() if (broad_share([s], e, halving) or 0.0) <= limit]
    holds_dark = [e for e, s in stops.items() if (blocked_share([s], e) or 0.0) <= thresholds.shadows.held_share]
    if set(holds_light) & set(holds_dark):
        return []
    if reach.dark <= reach.light + _EXACT:
        return [(reach.light, "under")]
    ways = [
        _way(list(stops), one, other, thresholds.runs.cover_gap_stops)
        for one in ({max(holds_light)} if holds_light else set()) | {reach.light}
        for other in ({min(holds_dark)} if holds_dark else set()) | {reach.dark}
    ]
    best = min(ways, key=len)
    unseen = {reach.light: not reach.light_seen, reach.dark: not reach.dark_seen}
    best.sort(key=lambda e: (not unseen.get(e, False), e not in unseen, e))
    sides: dict[float, Rounding] = {reach.light: "under", reach.dark: "over"}
    return [(e, sides.get(e, "nearest")) for e in best]


def _way(shot: Sequence[float], light: float, dark: float, gap_stops: float) -> list[float]:
    """Return what to shoot, besides what was shot, to get from one end to the other with no gap too wide."""
    new = [end for end in (light, dark) if end not in shot]
    rungs = sorted({light, dark, *(e for e in shot if light < e < dark)})
    for low, high in itertools.pairwise(rungs):
        parts = math.ceil((high - low - _THIRD) / gap_stops)
        new += [low + (high - low) * i / parts for i in range(1, parts)]
    return new


# --- fixed runs ---


def _fixed(wish: Wish, offer: Offer, done: int) -> Plan:
    shots = _apertures(wish, offer) if wish.goal == "at" else _ladder(wish, offer)
    if isinstance(shots, str):
        return _cannot(shots)
    left = tuple(shots[done:])
    return Plan(left, None if left else "shot", f"{len(shots)} frames as asked for.")


def _apertures(wish: Wish, offer: Offer) -> list[Setting] | str:
    if not offer.f_numbers:
        return "The camera doesn't let its aperture be set from here: use --frames with --hold-aperture."
    shots = []
    for wanted in wish.at:
        mark = min(offer.f_numbers, key=lambda n: abs(aperture_value(n) - aperture_value(wanted)))
        if abs(aperture_value(mark) - aperture_value(wanted)) > _SAME:
            return f"The camera doesn't offer {f_text(wanted)}; the nearest is {f_text(mark)}."
        shots.append(Setting(mark, offer.here.shutter_s))
    return shots


def _ladder(wish: Wish, offer: Offer) -> list[Setting] | str:
    """From the most light to the least, so that the dials turn one way only."""
    if not offer.f_numbers and not offer.shutters_s:
        return "The camera lets neither aperture nor time be set from here."
    above = wish.frames // 2
    wanted = [offer.here.light + (above - i) * wish.thirds / 3 for i in range(wish.frames)]
    shots = [_place(wish, offer, light) for light in wanted]
    for light, end in ((wanted[0], _place(wish, offer, _ENDLESS)), (wanted[-1], _place(wish, offer, -_ENDLESS))):
        if (light - end.light) * (1 if light == wanted[0] else -1) > _THIRD:
            return (
                f"{wish.frames} frames {stops_long(wish.thirds / 3)} apart reach beyond what the camera offers: "
                f"{end.text} is as far as it goes."
            )
    if len(set(shots)) < len(shots) or any(abs(a - b.light) > _THIRD for a, b in zip(wanted, shots, strict=True)):
        return "The camera's marks lie farther apart than that: ask for wider steps."
    return shots
