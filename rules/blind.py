"""Frames in which nothing can be seen: burnt out all over, or black all over."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Literal

from lampblack.rules.advice import IN_SIGHT, Step
from lampblack.rules.cleanness import Tone
from lampblack.rules.exposure import Exposure, aperture_value
from lampblack.rules.figures import f_text
from lampblack.rules.forecast import Sample
from lampblack.rules.look import Look
from lampblack.rules.tone import light_of_code

Blind = Literal["burnt", "black"]

_BURNT_SHARE, _UNBURNT = 0.95, 0.5
"""Of all pixels: a subject before a clipped white backdrop mostly holds more than the rest; see `may_be_burnt`."""
_BLACK_CODE, _LIFTED_CODE = 8, 40  # no cell above the one; or above the other, all alike, where blacks are lifted
_ALIKE = 1.15
_LONG_STEP = 2.0  # stops: a blind frame tells the direction only


def blindness(look: Look) -> Blind | None:
    """Return what keeps a frame from showing anything, or None."""
    if look.clipped_frame >= _BURNT_SHARE:
        return "burnt"
    low, high = look.span
    if high < light_of_code(_BLACK_CODE) or (high < light_of_code(_LIFTED_CODE) and high < _ALIKE * low):
        return "black"
    return None


def may_be_burnt(look: Look, tone: Tone | None, others: Iterable[Sample]) -> bool:
    """
    Say whether nearly all of a frame is burnt as it should be: before white a small subject leaves no less.

    Args:
        look: the frame.
        tone: what the backdrop is meant to be.
        others: frames of the same light; one in which most isn't burnt has told so.
    """
    in_sight = look.clipped_frame <= 1 - IN_SIGHT
    return in_sight and tone == "white" and any(one.burnt < _UNBURNT for one in others)


def step_from(blind: Blind, unforeseen: bool, step: Step, here: Exposure, f_numbers: tuple[float, ...]) -> Step:
    """
    Return the step from a frame that shows nothing.

    Args:
        blind: why.
        unforeseen: the setup's earlier frames showed that it should not be so.
        step: what the earlier frames advise; kept where it leads out of the dark, or the glare.
        here: the frame's exposure.
        f_numbers: the apertures on offer.
    """
    if blind == "black" and unforeseen:
        why = "The frame is black, which no aperture explains: is the cap on, a lamp off, the shutter set otherwise?"
        return Step("light", None, here.f_number, why)
    move: Literal["close", "open"] = "close" if blind == "burnt" else "open"
    seen = "The whole frame is burnt out" if blind == "burnt" else "The frame is black"
    if step.move == move:
        return replace(step, why=f"{seen}. {step.why}")
    hint = "" if blind == "burnt" else " If the cap is on, take it off."
    sign = -1 if blind == "burnt" else 1
    if here.av is None or here.f_number is None:
        why = f"{seen}: {move} a long way and look again.{hint}"
        return Step(move, sign * _LONG_STEP, None, why, wanted=sign * _LONG_STEP)
    change = {n: here.av - aperture_value(n) for n in f_numbers}
    ahead = [n for n in change if sign * change[n] > 0.1]
    if not ahead:
        less = "a faster shutter, a lower ISO or less" if blind == "burnt" else "a slower shutter, a higher ISO or more"
        return Step(
            "light",
            None,
            here.f_number,
            f"{seen}, and {f_text(here.f_number)} is as far as it goes: {less} light.{hint}",
            wanted=sign * _LONG_STEP,
        )
    mark = min(ahead, key=lambda n: abs(change[n] - sign * _LONG_STEP))
    why = f"{seen}: {move} to {f_text(mark)} and look again.{hint}"
    return Step(move, round(change[mark], 2), mark, why, wanted=sign * _LONG_STEP)
