"""The next aperture step, and why, in one sentence a photographer would say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from lampblack.rules.cleanness import Cleanness
from lampblack.rules.exposure import (
    ISOS_THIRD,
    SHUTTERS_THIRD,
    Exposure,
    aperture_value,
    marked_f_number,
    shutter_seconds,
    speed_value,
    time_value,
)
from lampblack.rules.figures import percent
from lampblack.rules.figures import stops_long as _stops_text
from lampblack.rules.forecast import Headroom, Sample, blocked_share, broad_share, mid_light
from lampblack.rules.readings import Metered, wanted_av
from lampblack.rules.spots import Placed
from lampblack.rules.thresholds import Thresholds
from lampblack.rules.tone import MID_GREY
from lampblack.rules.zones import zone_of

Aim = str
AIMS: tuple[Aim, ...] = ("even", "hold-highlights", "clean-backdrop", "meter")
SPOT_AIM = "spot:"
"""... and, with a spot's name behind it, that spot's wanted value."""
Move = Literal["close", "open", "keep", "light"]
Rounding = Literal["nearest", "under", "over"]

# A backdrop may cost the subject this much light before it is better to change the light (common practice: a frame
# two stops under is not a picture of the subject any more).
_SUBJECT_MAY_LOSE = 2.0
# A fully clipped or blocked middle says only the direction; then go a long step and look again.
_LONG_STEP = 2.0
_BURNT = 1 / 3
"""Of the frame, white: with no subject in sight it may be what is burnt; with one, some of it may be."""
IN_SIGHT = 0.005  # of the frame: what is smaller is no subject


@dataclass(frozen=True)
class Step:
    """
    What to do next.

    move: None when the aim has nothing to go by. stops: change of exposure, negative closes. f_number: one that is
    on offer, None when the frame's own isn't known.
    """

    move: Move | None
    stops: float | None
    f_number: float | None
    why: str
    missing: float = 0.0
    """Stops that the aperture can't give: for shutter, ISO or lamps."""
    wanted: float | None = None
    """The change itself, before it was brought to a mark; None where nothing is to change or nobody knows how far."""
    rounding: Rounding = "nearest"
    """To which side of `wanted` a mark may lie: at most so much exposure (under), at least so much (over)."""


@dataclass(frozen=True)
class Ladder:
    """The apertures on offer around a frame: exact stops of change for each mark."""

    here: Exposure
    f_numbers: tuple[float, ...]

    def change(self, f_number: float) -> float:
        """Return by how many stops a mark changes the frame's exposure; negative closes."""
        return (self.here.av or 0.0) - aperture_value(f_number)

    def nearest(self, stops: float) -> float:
        """Return the mark nearest to a wanted change; of two equally near the closer aperture."""
        return min(self.f_numbers, key=lambda n: (round(abs(self.change(n) - stops), 6), self.change(n)))

    def at_most(self, stops: float) -> float:
        """Return the widest mark that changes the exposure by no more than `stops`, or the closest there is."""
        fitting = [n for n in self.f_numbers if self.change(n) <= stops + 1e-6]
        return max(fitting, key=self.change) if fitting else min(self.f_numbers, key=self.change)

    def at_least(self, stops: float) -> float:
        """Return the closest mark that changes the exposure by no less than `stops`, or the widest there is."""
        fitting = [n for n in self.f_numbers if self.change(n) >= stops - 1e-6]
        return min(fitting, key=self.change) if fitting else max(self.f_numbers, key=self.change)


def suggest_step(
    aim: Aim,
    samples: list[Sample],
    here: Exposure,
    cleanness: Cleanness | None,
    room: Headroom | None,
    f_numbers: tuple[float, ...],
    thresholds: Thresholds,
    spots: Sequence[Placed] = (),
    metered: Metered | None = None,
) -> Step:
    """
    Return the next step from the newest frame under an aim.

    Args:
        aim: what the step tries to reach.
        samples: the setup's frames, the newest last.
        here: the newest frame's exposure.
        cleanness: its backdrop's verdict, if any.
        room: its headroom.
        f_numbers: the apertures on offer.
        thresholds: the thresholds.
        spots: the spots that a person has named, in the newest frame.
        metered: the incident reading that the setup goes by.
    """
    ladder = None
    if here.av is not None and here.f_number is not None:
        # The aperture just shot is on offer, whatever a list says.
        ladder = Ladder(here, tuple(sorted({*f_numbers, here.f_number})))
    if aim.startswith(SPOT_AIM):
        return _for_spot(aim.removeprefix(SPOT_AIM), spots, ladder, thresholds)
    if aim == "meter":
        return _by_meter(metered, ladder, thresholds)
    if _nothing_in_sight(samples[-1], room):
        return _far_down("The frame is burnt out; to see anything", ladder, thresholds)
    if aim == "hold-highlights":
        return _hold_highlights(samples, room, ladder, thresholds)
    if aim == "clean-backdrop" and cleanness is not None and cleanness.tone != "grey":
        return _clean_backdrop(samples, here, cleanness, ladder, thresholds)
    return _even(samples, here, ladder, thresholds)


def _nothing_in_sight(sample: Sample, room: Headroom | None) -> bool:
    """Say whether a frame is white and shows no subject: none, or specks that hold; specks that don't tell how far."""
    if sample.pale <= _BURNT or sample.subject.pixels >= IN_SIGHT * sample.thin.top.size:
        return False
    return not sample.subject.pixels or room is None or room.seen


def _may_hide(samples: Sequence[Sample]) -> bool:
    """
    Say whether what is burnt may be more than a backdrop: light as bright can't be told from it.

    Not where some frame isn't burnt, nor where closing has left as much of it burnt: the subject's parts would show.
    """
    newest = samples[-1]
    stays = any(
        (bright.stops or 0.0) >= (dark.stops or 0.0) + _TELLING
        and max(bright.burnt, newest.burnt) <= dark.burnt + _AS_BURNT
        for dark in samples
        if (dark.stops or 0.0) <= (newest.stops or 0.0)
        for bright in samples
    )
    return not stays and all(one.burnt > _BURNT for one in samples)


_TELLING, _AS_BURNT = 0.5, 0.02  # stops; share of the frame


def _far_down(seen: str, ladder: Ladder | None, thresholds: Thresholds) -> Step:
    """Return the step to a frame so much darker that it shows what this one burns out."""
    far = -2 * _LONG_STEP
    return _move(far, ladder, ladder.nearest(far) if ladder else None, seen, thresholds)


def _by_meter(metered: Metered | None, ladder: Ladder | None, thresholds: Thresholds) -> Step:
    if metered is None:
        return Step(
            None, None, None, "No incident reading is logged for this setup: lampblack reading, or r in the panel."
        )
    here = None if ladder is None else ladder.here
    meant = None if here is None else wanted_av(metered.reading, here, metered.offset)
    if ladder is None or here is None or here.av is None or meant is None:
        return Step(
            None, None, None, "The file doesn't tell aperture, time and ISO: the reading can't be held against it."
        )
    reading, offset = metered.reading, metered.offset
    wanted = here.av - meant
    learned = ""
    if abs(offset.stops) > thresholds.steps.keep_within_stops:
        learned = (
            f", {_stops_text(offset.stops)} {'opened' if offset.stops > 0 else 'closed'} for this meter and camera"
        )
    mark = _mark(marked_f_number(here.av - wanted))
    seen = f"The {reading.place} reading asks for f/{mark}{learned}"
    if abs(wanted) <= thresholds.steps.keep_within_stops:
        return Step("keep", 0.0, here.f_number, f"{seen}: this is the one.")
    return _move(wanted, ladder, ladder.nearest(wanted), seen, thresholds)


def _wanted_for_even(samples: list[Sample], here: Exposure) -> float | None:
    """Return the change that brings the subject's mid tones to mid grey, in stops."""
    newest = samples[-1]
    middle = newest.mid_light if here.stops is None else mid_light(samples, here.stops)
    if middle is None:
        return None
    wanted = float(np.log2(MID_GREY / max(middle, 1e-4)))
    return float(np.clip(wanted, -2 * _LONG_STEP, 2 * _LONG_STEP))


def _even(samples: list[Sample], here: Exposure, ladder: Ladder | None, thresholds: Thresholds) -> Step:
    wanted = _wanted_for_even(samples, here)
    if wanted is None:
        return Step("light", None, None, "The frame shows no subject to expose for.")
    if abs(wanted) <= thresholds.steps.keep_within_stops:
        return Step("keep", 0.0, here.f_number, "The subject's mid tones lie at mid grey: this is the one.")
    seen = f"The subject's mid tones lie {_stops_text(wanted)} {'under' if wanted > 0 else 'over'} mid grey"
    step = _move(wanted, ladder, ladder.nearest(wanted) if ladder else None, seen, thresholds)
    if step.move == "open" and step.stops is not None and here.stops is not None:
        burnt = broad_share(samples, here.stops + step.stops, thresholds.highlights.halving_stops)
        if burnt is not None and burnt > max(thresholds.highlights.broad_limit, 0.01):
            return replace(step, why=f"{step.why} About {percent(burnt)} of it will burn out there.")
    return step


def _for_spot(name: str, spots: Sequence[Placed], ladder: Ladder | None, thresholds: Thresholds) -> Step:
    placed = next((one for one in spots if one.spot.name == name), None)
    if placed is None or placed.off is None or placed.spot.want is None:
        missing = "There is no spot" if placed is None else "There is no wanted value for the spot"
        return Step(None, None, None, f"{missing} {name}.")
    wanted = -placed.off
    if placed.bound is not None:
        # Clipped or drowned: that tells the direction, not how far.
        wanted = min(wanted, -_LONG_STEP) if placed.bound == "at least" else max(wanted, _LONG_STEP)
    zone = f"zone {zone_of(placed.spot.want)}"
    if abs(wanted) <= thresholds.steps.keep_within_stops:
        here = ladder.here.f_number if ladder else None
        return Step("keep", 0.0, here, f"{name} lies where it is wanted, {zone}: this is the one.")
    least = "at least " if placed.bound else ""
    seen = f"{name} lies {least}{_stops_text(placed.off)} {'over' if placed.off > 0 else 'under'} {zone}"
    return _move(wanted, ladder, ladder.nearest(wanted) if ladder else None, seen, thresholds)


_FAR_OVER, _RAW_CLOSES_MORE = -2.0, 2.0
"""Stops. Raw far over is closed by so much more than it may be over: then the next one shows exactly how far under it
is; one that is over again would tell little."""


def _hold_highlights(
    samples: Sequence[Sample], room: Headroom | None, ladder: Ladder | None, thresholds: Thresholds
) -> Step:
    if room is None:
        return Step("light", None, None, "The frame shows no subject to expose for.")
    if not room.seen:
        # Close far enough that the next frame shows what this one can't.
        seen = f"Too much is burnt out to tell how far over it is, by {_stops_text(room.stops)} or so; to see it"
        raw = not samples[-1].coded
        least = room.least - _RAW_CLOSES_MORE if raw and room.least < _FAR_OVER else room.least
        if _may_hide(samples):
            least = min(least, -_LONG_STEP)
        return _move(least, ladder, ladder.at_most(least) if ladder else None, seen, thresholds, "under")
    if _may_hide(samples):
        return _far_down("What is burnt out may hide bright parts of the subject; to see", ladder, thresholds)
    if room.stops < 0:
        seen = f"The highlights are {_stops_text(room.stops)} over what the frame holds"
    else:
        seen = f"The highlights have {_stops_text(room.stops)} of room"
    if 0 <= room.stops < thresholds.steps.third - 1e-3:
        here = ladder.here.f_number if ladder else None
        return Step("keep", 0.0, here, f"{seen}: this is the one.")
    return _move(room.stops, ladder, ladder.at_most(room.stops) if ladder else None, seen, thresholds, "under")


def _clean_backdrop(
    samples: list[Sample], here: Exposure, cleanness: Cleanness, ladder: Ladder | None, thresholds: Thresholds
) -> Step:
    """Put the backdrop's verdict first, and of the exposures that keep it the one that suits the subject best."""
    even = _wanted_for_even(samples, here)
    even = 0.0 if even is None else even
    black = cleanness.tone == "black"
    # Black allows every change up to the slack, white every change down to its negative.
    limit = cleanness.slack_stops if black else -cleanness.slack_stops
    wanted = min(even, limit) if black else max(even, limit)
    if cleanness.light_is_clean and abs(even) <= thresholds.steps.keep_within_stops:
        seen = f"{_whose(cleanness)} is clean {cleanness.tone} and the subject well exposed."
        return Step("keep", 0.0, here.f_number, seen)
    if black and even - wanted > _SUBJECT_MAY_LOSE:
        return Step("light", None, here.f_number, _too_dark(even, wanted, cleanness))
    lies = f"lies {_stops_text(even)} {'under' if even > 0 else 'over'}"
    seen = (
        f"The backdrop is {_stops_text(limit)} {'over clean black' if black else 'short of clean white'}"
        if not cleanness.light_is_clean
        else f"{_whose(cleanness)} stays clean and the subject {lies}"
    )
    mark = (ladder.at_most(wanted) if black else ladder.at_least(wanted)) if ladder else None
    return _move(wanted, ladder, mark, seen, thresholds, "under" if black else "over")


def _whose(cleanness: Cleanness) -> str:
    return "The backdrop's light" if cleanness.only_grain else "The backdrop"


def _too_dark(even: float, wanted: float, cleanness: Cleanness) -> str:
    """Say why no aperture gives both a clean black backdrop and a subject that is seen."""
    side = cleanness.spill.side if cleanness.spill else None
    keep = f"keep light{f' from the {side}' if side else ''} off the backdrop, {_stops_text(even - wanted)} of it"
    if cleanness.light_is_clean:
        return (
            f"{_whose(cleanness)} is clean here, but the subject lies {_stops_text(even)} under, and opening that far"
            f" would lift the backdrop {_stops_text(even - wanted)} over clean black: {keep}."
        )
    return f"Closing until the backdrop is clean would leave the subject {_stops_text(even - wanted)} under: {keep}."


def _move(
    wanted: float,
    ladder: Ladder | None,
    mark: float | None,
    seen: str,
    thresholds: Thresholds,
    rounding: Rounding = "nearest",
) -> Step:
    """Turn a wanted change and the mark chosen for it into a step, minding the ends of the ladder."""
    if ladder is None or mark is None:
        move: Move = "close" if wanted < 0 else "open"
        return Step(move, round(wanted, 2), None, f"{seen}.", 0.0, wanted, rounding)
    change = ladder.change(mark)
    missing = wanted - change
    if abs(change) < 1e-6:
        if abs(missing) > thresholds.steps.third:
            return Step(
                "light",
                None,
                ladder.here.f_number,
                f"{seen}, and f/{_mark(mark)} is as far as it goes: {_rest(missing)}.",
                missing,
                wanted,
                rounding,
            )
        return Step("keep", 0.0, ladder.here.f_number, f"{seen}: no mark comes nearer, this is the one.")
    move = "close" if change < 0 else "open"
    at_end = abs(missing) > thresholds.steps.third and mark in (ladder.f_numbers[0], ladder.f_numbers[-1])
    rest = f", and {_rest(missing)}" if at_end else ""
    return Step(
        move,
        round(change, 2),
        mark,
        f"{seen}: {move} {_stops_text(change)} to f/{_mark(mark)}{rest}.",
        missing if at_end else 0.0,
        wanted,
        rounding,
    )


def _rest(missing: float) -> str:
    if missing > 0:
        return f"{_stops_text(missing)} more by a slower shutter, a higher ISO or more light"
    return f"{_stops_text(missing)} less by a faster shutter, a lower ISO or less light"


def _mark(f_number: float) -> str:
    return f"{f_number:g}"


@dataclass(frozen=True)
class Instead:
    """The step that the aperture can't give, by time or by speed: one of the published third-stop marks."""

    shutter_s: float | None
    iso: int | None
    text: str


def instead_of(step: Step, here: Exposure) -> tuple[Instead, ...]:
    """Return what gives the rest of a step beyond the aperture's end; empty where nothing is missing."""
    if abs(step.missing) < 1 / 6:
        return ()
    ways = []
    if here.tv is not None:
        mark = min(
            SHUTTERS_THIRD, key=lambda one: abs(time_value(shutter_seconds(one)) - (here.tv or 0) + step.missing)
        )
        seconds = shutter_seconds(mark)
        if abs(here.tv - step.missing - time_value(seconds)) < 1 / 3:
            care = "mind lamp ripple" if step.missing < 0 else "a sitter has to keep still"
            ways.append(Instead(seconds, None, f"shutter {mark} s, at the same aperture: {care}"))
    if here.sv is not None:
        speed = here.sv + step.missing
        iso = min(ISOS_THIRD, key=lambda one: abs(speed_value(one) - speed))
        if abs(speed - speed_value(iso)) < 1 / 3:
            care = "more noise" if step.missing > 0 else "if the camera goes that low"
            ways.append(Instead(None, iso, f"ISO {iso}, at the same aperture: {care}"))
    return tuple(ways)


def is_complete(step: Step, samples: Sequence[Sample], thresholds: Thresholds) -> bool:
    """
    Say whether the bracket is complete: the aim is met, and every tone of the subject is held in one of its frames.

    Held: some frame's broad highlights are within the limit, and some frame has next to nothing in the floor.
    """
    known = [s for s in samples if s.stops is not None and s.subject.pixels]
    if step.move != "keep" or not known:
        return False
    bright = min(broad_share([s], s.stops or 0.0, thresholds.highlights.halving_stops) or 0.0 for s in known)
    dark = min(blocked_share([s], s.stops or 0.0) or 0.0 for s in known)
    return bright <= thresholds.highlights.broad_limit and dark <= thresholds.shadows.held_share
