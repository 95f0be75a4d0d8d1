"""What each lamp of a setup gives, from the frames that were marked as its own, for the page of a shoot."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from lampblack.daemon.balance import flag_text, share_notices
from lampblack.daemon.clean import clean
from lampblack.daemon.layering import Chosen, Frames, FramesError, marked_frames
from lampblack.daemon.record import SetupRecord, Shoot
from lampblack.rules.figures import percent, stops_long
from lampblack.rules.layers import Layers, LayersError, Share, add_up, shares, spilling
from lampblack.rules.neutral import lamp_colours, lamps_apart_notice
from lampblack.rules.thresholds import Thresholds

Json = dict[str, Any]

_MOST_BRACKET = 2
"""Frames that teach a JPEG's tone response: the brightest and the darkest of the setup."""


@dataclass(frozen=True)
class LampShare:
    """One lamp's part, as it is shown. subject, backdrop: of all light there, 0 to 1; None where there is none."""

    name: str
    subject: float | None
    backdrop: float | None
    side: str
    colour: str

    @property
    def texts(self) -> tuple[str, str]:
        """Return both shares in words."""
        return percent(self.subject), percent(self.backdrop)


@dataclass(frozen=True)
class SetupShares:
    """What the lamps of a setup give, and what is to be said of it; without lamps it couldn't be told."""

    lamps: list[LampShare]
    notices: list[str]

    @property
    def told(self) -> Json:
        """Return it as data."""
        named = [{"name": one.name, "subject": one.subject, "backdrop": one.backdrop} for one in self.lamps]
        return {"lamps": named, "notices": self.notices}


def shares_of(shoot: Shoot, setup: SetupRecord, thresholds: Thresholds) -> SetupShares | None:
    """Return what each lamp of a setup gives; None where fewer than two were shot alone."""
    try:
        frames = marked_frames(shoot, setup, most_bracket=_MOST_BRACKET)
    except FramesError:
        return None
    if len(frames.lamps) < 2:
        return None
    try:
        return _told(frames, thresholds)
    except (FramesError, LayersError) as wrong:
        return SetupShares([], [f"What each lamp gives can't be told: {clean(str(wrong), 300)}."])


def _told(named: Chosen, thresholds: Thresholds) -> SetupShares:
    with Frames(thresholds) as frames:
        frames.see_alike([named.all_on, *named.files])
        check = None if named.all_on is None else frames.see(named.all_on)
        layers, nudges = frames.layers(named, check)
    given = shares(layers)
    notices = [notice["text"] for notice in nudges]
    adds = None if check is None else add_up(layers, check)
    notices += [notice["text"] for notice in share_notices(given, adds, named.dark is not None)]
    if (worst := spilling(layers, thresholds)) is not None:
        notices.append(flag_text(*worst))
    colours, source = lamp_colours(layers)
    if (apart := lamps_apart_notice(named.names, colours, thresholds.neutral)) is not None:
        notices.append(apart)
    known = source == "backdrop" and not layers.coded  # else it hangs on what the camera was balanced for
    words = ["" if one is None or one.kelvin is None or not known else _colour_text(one.kelvin) for one in colours]
    return SetupShares([_share(one, layers, word) for one, word in zip(given, words, strict=True)], notices)


def _share(one: Share, layers: Layers, colour: str) -> LampShare:
    backdrop = one.backdrop if layers.backdrop.any() else None
    return LampShare(clean(one.name, 40), one.subject, backdrop, _side_text(one.left, one.right), colour)


def _side_text(left: float | None, right: float | None) -> str:
    """
    Return which half of the subject a lamp lights more.

    >>> _side_text(2.0, 4.0), _side_text(3.0, 2.9), _side_text(None, 1.0)
    ('left, by 2 stops', 'both sides alike', '')
    """
    if left is None or right is None:
        return ""
    if abs(left - right) < _ALIKE:
        return "both sides alike"
    return f"{'left' if left < right else 'right'}, by {stops_long(left - right)}"


_ALIKE = 1 / 6


def _colour_text(kelvin: float) -> str:
    return f"{1e6 / kelvin:.0f} mired, {round(kelvin, -1):.0f} K"
