"""
The setup so far, and the verdict on each frame that joins it: the light half of the work.

A setup is one arrangement of lamps, cards and backdrop before a camera that stands still. What earlier frames taught
serves the later ones.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from lampblack.rules.advice import Aim, instead_of, is_complete, suggest_step
from lampblack.rules.belonging import File, Unlike, files_of, light_alone, light_as_before, notices_of, unlike
from lampblack.rules.blind import blindness, may_be_burnt, step_from
from lampblack.rules.cleanness import Cleanness, Tone, judge_backdrop, tone_of
from lampblack.rules.distribution import Distribution
from lampblack.rules.ends import clips_from
from lampblack.rules.exposure import LADDER
from lampblack.rules.figures import percent, stops_long
from lampblack.rules.forecast import Headroom, Sample, forecast, headroom, read_together
from lampblack.rules.lessons import NO_LESSONS, Lessons
from lampblack.rules.look import Look, Part
from lampblack.rules.neutral import backdrop_colour
from lampblack.rules.optics import costs
from lampblack.rules.radiance import Radiance
from lampblack.rules.readings import Metered
from lampblack.rules.remedy import Remedy, remedies
from lampblack.rules.response import Response
from lampblack.rules.scaling import in_units_of, spots_in_units_of
from lampblack.rules.spots import Remembered, Spot, place_spots
from lampblack.rules.thresholds import Thresholds
from lampblack.rules.tone import MID_GREY
from lampblack.rules.verdict import Highlights, Notice, Shadows, Verdict, by_cost
from lampblack.rules.wells import NO_WELLS, Wells, rescale
from lampblack.rules.yardsticks import NO_YARDSTICKS, Yardsticks, colour_notices, steady_notices

BackdropWish = Literal["auto", "black", "grey", "white", "none"]


@dataclass(frozen=True)
class Setup:
    """One setup and what its frames have taught."""

    number: int
    name: str | None
    aim: Aim
    backdrop: BackdropWish
    f_numbers: tuple[float, ...]
    samples: tuple[Sample, ...] = ()
    tones: tuple[Tone, ...] = ()
    radiance: Radiance | None = None
    files: tuple[tuple[bool, File], ...] = ()
    """What its frames' files were like, by whether they are raw."""
    lessons: Lessons = NO_LESSONS
    spots: tuple[Spot, ...] = ()
    spots_known: tuple[Remembered, ...] = ()
    metered: Metered | None = None
    yardsticks: Yardsticks = NO_YARDSTICKS
    aside: Setup | None = None
    """What was known before the light changed: a cap comes off again, a lamp that was off comes on."""
    wells: Wells = NO_WELLS
    """Where cameras are full, as far as that is known."""

    @property
    def known(self) -> Radiance | None:
        """Return what a look at the next frame is helped by."""
        if self.radiance is None and not (self.wells.here or self.wells.kept):
            return None
        return replace(self.radiance or Radiance(), wells=self.wells)

    @property
    def response(self) -> Response:
        """Return the camera's tone response, as well as it is known."""
        return self.lessons.response

    def with_aim(self, aim: Aim) -> Setup:
        """Return the same setup under another aim."""
        return replace(self, aim=aim)


def new_setup(
    number: int,
    name: str | None = None,
    *,
    aim: Aim = "even",
    backdrop: BackdropWish = "auto",
    f_numbers: tuple[float, ...] | None = None,
    spots: tuple[Spot, ...] = (),
    metered: Metered | None = None,
    wells: Wells = NO_WELLS,
) -> Setup:
    """Return an empty setup; without a camera's own list, every third stop from f/2.8 to f/22 is on offer."""
    offered = tuple(sorted(f_numbers)) if f_numbers else LADDER
    return Setup(number, name, aim, backdrop, offered, spots=spots, metered=metered, wells=wells)


def judge(setup: Setup, look: Look, thresholds: Thresholds, *, file: str, frame: int) -> tuple[Setup, Verdict]:
    """
    Return the setup with one more frame in it, and the verdict on that frame.

    Args:
        setup: what was known before.
        look: the frame, measured (with what the setup has `known`).
        thresholds: the thresholds.
        file: the frame's name as a person sees it, clean.
        frame: its number in the shoot, from 1.
    """
    setup = _on_one_scale(setup, look)
    earlier, why = setup, unlike(setup.files, look, thresholds)
    aside = setup.aside.radiance if setup.aside is not None and why == "light" else None
    again = light_as_before(aside, look, thresholds)
    setup = _believed(setup, look, why) if again is None else _again(setup, again)
    lessons = setup.lessons.after(look)
    kept = _with_samples(setup, look)
    # Raw and JPEG stand on different footings: each is foretold from its own kind.
    samples = read_together(kept, lessons.response, lessons.end, raw=look.kind == "raw")
    response = lessons.response
    tone, tones = _tone(setup, look, thresholds)
    blind = blindness(look)
    if blind == "burnt" and why is None and may_be_burnt(look, tone, samples[:-1]):
        blind = None
    cleanness = None if tone is None else judge_backdrop(look, tone, thresholds, response)
    room = headroom(samples[-1], samples[:-1], thresholds.highlights)
    highlights = _highlights(look, samples[-1], room)
    spots, spots_known = place_spots(setup.spots, look, response, setup.spots_known)
    step = suggest_step(
        setup.aim,
        samples,
        look.shot.exposure,
        cleanness,
        highlights.headroom,
        setup.f_numbers,
        thresholds,
        spots,
        setup.metered,
    )
    if blind is not None:
        step = step_from(blind, why == "light" and again is None, step, look.shot.exposure, setup.f_numbers)
    complete = is_complete(step, samples, thresholds)
    if complete:
        step = replace(step, why=f"{step.why.removesuffix('.')}, and the bracket is complete.")
    colour = backdrop_colour(look, thresholds.neutral)
    ways = remedies(cleanness, look, thresholds, response)
    shadows = _shadows(look, kept[-1])
    verdict = Verdict(
        file=file,
        frame=frame,
        setup=setup.name,
        look=look.without_radiance(),
        highlights=highlights,
        shadows=shadows,
        backdrop=cleanness,
        step=step,
        forecast=forecast(samples, look, setup.f_numbers, thresholds.highlights, response),
        response=response,
        spots=spots,
        remedies=ways,
        costs=costs(look.shot.exposure.f_number, step.f_number, look.shot.optics),
        instead=instead_of(step, look.shot.exposure),
        complete=complete,
        notices=by_cost(
            [
                *notices_of(earlier.files, look, blind, why, again is not None),
                *_notices(setup, look, highlights, cleanness, ways, thresholds),
                *colour_notices(
                    setup.yardsticks, look, tone, colour, thresholds.neutral, told=setup.backdrop != "auto"
                ),
                *steady_notices(setup.yardsticks, look, thresholds),
            ]
        ),
        blind=blind,
        colour=colour,
        sharpness=setup.yardsticks.sharpness(look),
        mid_stops=_mid_stops(samples[-1]),
    )
    radiance = (look.radiance or setup.radiance) if setup is earlier else setup.radiance
    if lessons.end < setup.lessons.end and not _were_dark(setup.samples, lessons.end):
        radiance = light_alone(look)  # frames before took for light what was clipped
    yardsticks = setup.yardsticks.after(look, frame, colour)
    after = replace(
        setup,
        samples=kept,
        tones=tones,
        radiance=replace(radiance or Radiance(), response=lessons.shown, tiles=yardsticks.tiles),
        files=tuple({**dict(setup.files), **files_of(look)}.items()),
        lessons=lessons,
        spots_known=spots_known,
        yardsticks=yardsticks,
        wells=setup.wells.after(look.full),
    )
    return after, verdict


def _on_one_scale(setup: Setup, look: Look) -> Setup:
    """
    Return the setup with its raw frames in units of this frame's white.

    Those before it had the file's word alone for where their white lies; if this one knows, it holds for them too.
    """
    aside = None if setup.aside is None else _on_one_scale(setup.aside, look)
    factor = 1.0 if setup.radiance is None else rescale(setup.radiance.full, look.full)
    if setup.radiance is None or factor == 1:
        return setup if aside is setup.aside else replace(setup, aside=aside)
    return replace(
        setup,
        samples=tuple(each if each.coded else in_units_of(each, factor) for each in setup.samples),
        spots_known=spots_in_units_of(setup.spots_known, factor),
        radiance=setup.radiance.on_scale(look.full),
        aside=aside,
    )


_FEW = 1e-3  # of all pixels: what ringing throws up to a code that nothing reaches


def _were_dark(samples: Iterable[Sample], end: int) -> bool:
    """Say whether JPEGs had next to nothing at a code that has turned out to be the camera's last, or over it."""
    return all(np.mean(one.thin.top >= end - 1) < _FEW for one in samples if one.coded)


_TELLING_MIDDLE = 0.003, 0.7  # light of mid tones that are neither drowned nor pressed against white


def _mid_stops(sample: Sample) -> float | None:
    """Return by how many stops the subject's mid tones lie over mid grey; None where they can't be told."""
    middle = sample.mid_light
    if middle is None or not _TELLING_MIDDLE[0] < middle < _TELLING_MIDDLE[1]:
        return None
    return float(np.log2(middle / MID_GREY))


def _believed(setup: Setup, look: Look, why: Unlike | None) -> Setup:
    """
    Return the setup without what its frames said, where this one is of another light or another picture.

    Never merged blindly: what earlier frames said of their light is not true of this one.
    """
    if why is None:
        return setup
    lessons = NO_LESSONS if why == "camera" else setup.lessons.of_other_light()
    # One frame of a light is no reason to forget the many of the light before it.
    aside = setup if len(setup.samples) > 1 or setup.aside is None else setup.aside
    setup = replace(setup, samples=(), spots_known=(), radiance=light_alone(look), lessons=lessons)
    if why == "light":
        yardsticks = setup.yardsticks.of_other_light()
        return replace(setup, yardsticks=yardsticks, aside=replace(aside, aside=None))
    return replace(setup, tones=(), files=(), yardsticks=NO_YARDSTICKS, aside=None)


def _again(setup: Setup, radiance: Radiance) -> Setup:
    """Return the setup with what was set aside believed again."""
    before = setup.aside
    assert before is not None
    lessons = replace(setup.lessons, bracket=before.lessons.bracket)
    yardsticks = replace(setup.yardsticks, colours=before.yardsticks.colours)
    setup = replace(setup, radiance=radiance, lessons=lessons, yardsticks=yardsticks, aside=None)
    return replace(setup, samples=before.samples, spots_known=before.spots_known)


_SAME_EXPOSURE = 1 / 12  # stops
_MOST_SAMPLES = 32  # exposures, each two to four megabytes: a ladder in thirds, and a few times


def _with_samples(setup: Setup, look: Look) -> tuple[Sample, ...]:
    """Return what frames can say, one of each kind and exposure: the newest is cut out best."""
    new = [Sample.of(each) for each in (look.shown, look) if each is not None]

    def is_old(sample: Sample) -> bool:
        return any(
            one.coded == sample.coded
            and one.stops is not None
            and sample.stops is not None
            and abs(one.stops - sample.stops) < _SAME_EXPOSURE
            for one in new
        )

    earlier = [sample for sample in setup.samples if not is_old(sample)][len(new) - _MOST_SAMPLES :]
    cut = [sample.cut_as(look if sample.coded == (look.kind != "raw") else look.shown or look) for sample in earlier]
    return (*cut, *new)


def _tone(setup: Setup, look: Look, thresholds: Thresholds) -> tuple[Tone | None, tuple[Tone, ...]]:
    """Return what the backdrop is meant to be: as told, or what most frames of the setup took it for."""
    if setup.backdrop == "none":
        return None, setup.tones
    if setup.backdrop != "auto":
        return setup.backdrop, setup.tones
    seen = None if blindness(look) else tone_of(look, thresholds)
    tones = setup.tones if seen is None else (*setup.tones, seen)
    return (max(tones, key=lambda t: (tones.count(t), t == seen)) if tones else None), tones


def _highlights(look: Look, told: Sample, room: Headroom | None) -> Highlights:
    """Return what clips; told: the frame, read by the camera's curve and told by darker ones as well."""
    subject, frame = told.subject.share_from(told.clips_from), look.clipped_frame
    if told.coded:
        counts = look.counts.sum(axis=0)
        frame = Distribution(counts).share_from(clips_from(counts, told.end, lossy=told.lossy)) or 0.0
        more = (subject or 0.0) - (told.subject.share_from(told.piled_from) or 0.0)
        frame = min(max(frame + more * told.subject.pixels / max(int(counts.sum()), 1), 0.0), 1.0)
    broad, specular = (_clipped_part(look, part, told) for part in (Part.SUBJECT, Part.GLINT))
    if room is not None and broad is not None:
        room = room.as_shot(holds=broad <= told.heights.limits.broad_limit)
    return Highlights(frame, subject, look.clipped, broad, specular, room)


def _clipped_part(look: Look, part: Part, told: Sample) -> float | None:
    """Return the clipped pixels of a part as a share of the whole subject."""
    if not told.subject.pixels:
        return None
    spread = Distribution(look.levels[part], told.subject.edges)
    return (spread.share_from(told.clips_from) or 0.0) * spread.pixels / told.subject.pixels


def _shadows(look: Look, sample: Sample) -> Shadows:
    subject = sample.subject.share_from(look.floor_light)
    frame = Distribution(look.levels.sum(axis=0), look.edges).share_from(look.floor_light) or 0.0
    return Shadows(1 - frame, None if subject is None else 1 - subject)


def _notices(
    setup: Setup,
    look: Look,
    highlights: Highlights,
    cleanness: Cleanness | None,
    ways: Sequence[Remedy],
    thresholds: Thresholds,
) -> tuple[Notice, ...]:
    """Return what is worth a line of backdrop, highlights and exposure."""
    found: list[Notice] = []
    if cleanness is not None and not cleanness.clean:
        found.append(_backdrop_notice(cleanness, ways))
    if (side := _intruder_side(look)) is not None:
        text = f"Something reaches in from the {side}: a card, a stand, or a hard edge of light."
        found.append(Notice("intruder", text))
    if cleanness is None and setup.backdrop != "none":
        found.append(Notice("no-backdrop", "No plain backdrop found behind the subject."))
    if highlights.broad is not None and highlights.broad > thresholds.highlights.broad_limit:
        worst = "RGB"[int(np.argmax(highlights.channels))]
        text = f"{percent(highlights.broad)} of the subject is burnt out, most in {_CHANNELS[worst]}."
        found.append(Notice("clipped", text))
    if look.full is not None and look.full.contradicted:
        text = "Samples lie above where this camera's frames were full before: white is taken where the file says."
        found.append(Notice("white-unsure", text))
    if look.shot.exposure.stops is None:
        found.append(Notice("no-exposure", "The file doesn't tell aperture and time: no forecast."))
    return tuple(found)


def _intruder_side(look: Look) -> str | None:
    """Return the border that an intruder holds most of."""
    intruder = look.parts == Part.INTRUDER
    held = {
        "left": intruder[:, :2].mean(),
        "right": intruder[:, -2:].mean(),
        "top": intruder[:2].mean(),
    }
    side = max(held, key=lambda name: held[name])
    return side if held[side] > 0 else None


_CHANNELS = {"R": "red", "G": "green", "B": "blue"}


def _backdrop_notice(cleanness: Cleanness, ways: Sequence[Remedy]) -> Notice:
    if cleanness.only_grain:
        text = "Backdrop not clean black: noise or lint, no light. A lower ISO, or a brush, would do."
        return Notice("grain", text)
    if cleanness.tone == "black" and cleanness.spill is not None:
        side = f" from the {cleanness.spill.side}" if cleanness.spill.side else ""
        over = cleanness.spill.over_stops
        return Notice("spill", f"Backdrop not clean black: light{side}, {stops_long(over)} too much.{_would_do(ways)}")
    if cleanness.tone == "white":
        short = -cleanness.slack_stops
        if short > 0:
            return Notice("white-short", f"Backdrop not clean white: {stops_long(short)} short somewhere.")
        return Notice("edge-eaten", "The white backdrop eats the subject's edge: less light on it, or more distance.")
    even = cleanness.evenness_stops or 0.0
    return Notice("uneven", f"Grey backdrop uneven: {stops_long(even)} from dark to bright.")


def _would_do(ways: Sequence[Remedy]) -> str:
    """Name the cheapest way that is enough."""
    way = next((way for way in ways if way.enough), None)
    if way is None:
        return ""
    said = {
        "flag": f" A flag{f' on the {way.side}' if way.side else ''} would do.",
        "aperture": f" Closing {stops_long(way.stops)} would do.",
        "distance": f" {way.factor or 1:.1f} times the distance to the backdrop would do.",
    }
    return said.get(way.do, "")
