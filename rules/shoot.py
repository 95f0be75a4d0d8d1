"""
The setup so far, and the verdict on each frame that joins it: the light half of the work.

A setup is one arrangement of lamps, cards and backdrop before a camera that stands still. What earlier frames taught
serves the later ones.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from lampblack.rules.advice import Aim, suggest_step
from lampblack.rules.cleanness import Cleanness, Tone, judge_backdrop, tone_of
from lampblack.rules.distribution import Distribution
from lampblack.rules.exposure import LADDER
from lampblack.rules.figures import percent, stops_long
from lampblack.rules.forecast import Headroom, Sample, forecast, headroom
from lampblack.rules.look import Look, Part
from lampblack.rules.radiance import Radiance
from lampblack.rules.response import PRIOR, Exposed, Response, learn
from lampblack.rules.thresholds import Thresholds
from lampblack.rules.verdict import Highlights, Notice, Shadows, Verdict

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
    size: tuple[int, int] | None = None
    bracket: tuple[Exposed, ...] = ()
    white_code: int = 255
    """The lowest code at which a frame of this setup was seen to clip."""
    response: Response = PRIOR
    """The camera's tone response, as well as it is known."""

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
) -> Setup:
    """Return an empty setup; without a camera's own list, every third stop from f/2.8 to f/22 is on offer."""
    return Setup(number, name, aim, backdrop, tuple(sorted(f_numbers)) if f_numbers else LADDER)


def judge(setup: Setup, look: Look, thresholds: Thresholds, *, file: str, frame: int) -> tuple[Setup, Verdict]:
    """
    Return the setup with one more frame in it, and the verdict on that frame.

    Args:
        setup: what was known before.
        look: the frame, measured (with the setup's `radiance`, if it had one).
        thresholds: the thresholds.
        file: the frame's name as a person sees it, clean.
        frame: its number in the shoot, from 1.
    """
    sample = Sample.of(look)
    if look.lit_otherwise > thresholds.steps.same_light_share:
        # Never merged blindly: what earlier frames said of their light is not true of this one.
        setup = replace(setup, samples=(), radiance=None, bracket=())
    setup = _learned(setup, look)
    response = setup.response
    kept = (*setup.samples, sample)
    samples = [each.under(response, setup.white_code) for each in kept]
    tone, tones = _tone(setup, look, thresholds)
    cleanness = None if tone is None else judge_backdrop(look, tone, thresholds, response)
    room = headroom(samples[-1], samples[:-1], thresholds.highlights)
    step = suggest_step(setup.aim, samples, look.shot.exposure, cleanness, room, setup.f_numbers, thresholds)
    highlights, shadows = _highlights(look, sample, room), _shadows(look, sample)
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
        notices=_notices(setup, look, highlights, cleanness, thresholds),
    )
    after = replace(
        setup,
        samples=kept,
        tones=tones,
        radiance=look.radiance or setup.radiance,
        size=setup.size or (look.width, look.height),
    )
    return after, verdict


_MOST_LEARNED_FROM = 6  # frames; more teach little and take time
_EVERY = 4  # cells, each way: fifteen thousand of them tell the curve
_OTHER_EXPOSURE = 0.3  # stops, from which a frame teaches something new


def _learned(setup: Setup, look: Look) -> Setup:
    """Return the setup with the camera's response learned anew, if this frame's exposure is a new one."""
    setup = replace(setup, white_code=min(setup.white_code, look.white_code))
    stops = look.shot.exposure.stops
    if look.kind == "raw" or stops is None or len(setup.bracket) >= _MOST_LEARNED_FROM:
        return setup
    if any(abs(frame.stops - stops) < _OTHER_EXPOSURE for frame in setup.bracket):
        return setup
    light = look.light[::_EVERY, ::_EVERY].astype(np.float32).reshape(-1, 3)
    clipped = look.clipped_any[::_EVERY, ::_EVERY].ravel().astype(np.float32) / np.float32(255)
    frame = Exposed(PRIOR.code_of(light).astype(np.float32), stops, clipped)
    if setup.bracket and len(setup.bracket[0].codes) != len(frame.codes):
        return setup
    bracket = (*setup.bracket, frame)
    found = learn(bracket, white_code=setup.white_code) if len(bracket) > 1 else None
    return replace(setup, bracket=bracket, response=found or setup.response)


def _tone(setup: Setup, look: Look, thresholds: Thresholds) -> tuple[Tone | None, tuple[Tone, ...]]:
    """Return what the backdrop is meant to be: as told, or what most frames of the setup took it for."""
    if setup.backdrop == "none":
        return None, setup.tones
    if setup.backdrop != "auto":
        return setup.backdrop, setup.tones
    seen = tone_of(look, thresholds)
    tones = setup.tones if seen is None else (*setup.tones, seen)
    return (max(tones, key=lambda t: (tones.count(t), t == seen)) if tones else None), tones


def _highlights(look: Look, sample: Sample, room: Headroom | None) -> Highlights:
    subject = sample.subject.share_from(look.white_light)
    broad, specular = (_clipped_part(look, part, sample) for part in (Part.SUBJECT, Part.GLINT))
    return Highlights(look.clipped_frame, subject, look.clipped, broad, specular, room)


def _clipped_part(look: Look, part: Part, sample: Sample) -> float | None:
    """Return the clipped pixels of a part as a share of the whole subject."""
    if not sample.subject.pixels:
        return None
    spread = Distribution(look.levels[part], look.edges)
    return (spread.share_from(look.white_light) or 0.0) * spread.pixels / sample.subject.pixels


def _shadows(look: Look, sample: Sample) -> Shadows:
    subject = sample.subject.share_from(look.floor_light)
    frame = Distribution(look.levels.sum(axis=0), look.edges).share_from(look.floor_light) or 0.0
    return Shadows(1 - frame, None if subject is None else 1 - subject)


def _notices(
    setup: Setup, look: Look, highlights: Highlights, cleanness: Cleanness | None, thresholds: Thresholds
) -> tuple[Notice, ...]:
    """Return what is worth a line, what costs the picture most first."""
    found: list[Notice] = []
    if setup.size not in (None, (look.width, look.height)):
        found.append(Notice("size", "The frame has another size than the setup's first: was the camera changed?"))
    if look.lit_otherwise > thresholds.steps.same_light_share:
        share = percent(look.lit_otherwise)
        text = f"{share} of the picture is lit otherwise than before: was a lamp or card moved? Then begin a new setup."
        found.append(Notice("light-changed", text))
    if cleanness is not None and not cleanness.clean:
        found.append(_backdrop_notice(cleanness))
    if (side := _intruder_side(look)) is not None:
        text = f"Something reaches in from the {side}: a card, a stand, or a hard edge of light."
        found.append(Notice("intruder", text))
    if cleanness is None and setup.backdrop != "none":
        found.append(Notice("no-backdrop", "No plain backdrop found behind the subject."))
    if highlights.broad is not None and highlights.broad > thresholds.highlights.broad_limit:
        worst = "RGB"[int(np.argmax(highlights.channels))]
        text = f"{percent(highlights.broad)} of the subject is burnt out, most in {_CHANNELS[worst]}."
        found.append(Notice("clipped", text))
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


def _backdrop_notice(cleanness: Cleanness) -> Notice:
    if cleanness.tone == "black" and cleanness.spill is not None:
        side = f" from the {cleanness.spill.side}" if cleanness.spill.side else ""
        over = cleanness.spill.over_stops
        return Notice("spill", f"Backdrop not clean black: light{side}, {stops_long(over)} too much.")
    if cleanness.tone == "white":
        short = -cleanness.slack_stops
        if short > 0:
            return Notice("white-short", f"Backdrop not clean white: {stops_long(short)} short somewhere.")
        return Notice("edge-eaten", "The white backdrop eats the subject's edge: less light on it, or more distance.")
    even = cleanness.evenness_stops or 0.0
    return Notice("uneven", f"Grey backdrop uneven: {stops_long(even)} from dark to bright.")
