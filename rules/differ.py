"""
What differs between frames: how they were exposed, and what stood before the camera.

How bright a thing comes out says exposure and light together; with the exposure known, the two can be told apart. What
a thing sends out, in stops, is how bright it came out less the exposure given (Sv - Av - Tv, APEX). Frames that differ
in exposure alone agree in that, however bright or dark they are.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from lampblack.rules.exposure import Exposure
from lampblack.rules.figures import f_text, percent, shutter_text, stops_long
from lampblack.rules.readings import Ratio
from lampblack.rules.sampled import Change, Sample, change
from lampblack.rules.thresholds import Thresholds

Kind = Literal["exposure", "light", "backdrop", "ratio", "colour", "steadiness", "clipped", "blocked", "clean"]

CAUSES: tuple[Kind, ...] = ("exposure", "light", "backdrop", "ratio", "colour", "steadiness")
"""What was done, exposure first; the other kinds are what came of it."""

_SAME_EXPOSURE = 1 / 12  # stops
_THIRD = 1 / 3 - 1e-6
_UNKNOWN = Exposure()
_SHARE_APART = 2.0  # a share of clipped or blocked pixels is another one when it has doubled


@dataclass(frozen=True)
class Facts:
    """
    What of a frame can be compared; None for what isn't known.

    name: what it is called in sentences. raw: a raw file and a JPEG read light on different footings. mid_stops:
    the subject's mid tones over mid grey. clipped, blocked: shares of the subject. tone, clean, over_stops: the
    backdrop's; how much less light would make it clean. backdrop_code, backdrop_stops: its median, as a code, and
    in stops under white. colour_from: what neutral `mired` was read off. shift: (right, down) in pixels of
    `long_side`. troubles: kinds of notices that tell of nudges, focus and flicker. sample: light at places of the
    picture. ratios: of the setup's readings.
    """

    name: str
    exposure: Exposure = _UNKNOWN
    raw: bool = False
    mid_stops: float | None = None
    clipped: float | None = None
    blocked: float | None = None
    tone: str | None = None
    clean: bool | None = None
    over_stops: float | None = None
    backdrop_code: float | None = None
    backdrop_stops: float | None = None
    mired: float | None = None
    colour_from: str | None = None
    shift: tuple[float, float] | None = None
    long_side: float | None = None
    troubles: frozenset[str] = frozenset()
    sample: Sample | None = None
    ratios: tuple[Ratio, ...] = ()


@dataclass(frozen=True)
class Difference:
    """One thing that differs. amount: in stops, mired, pixels or as a share, as the kind has it; None for none."""

    kind: Kind
    text: str
    amount: float | None = None


TROUBLES = {
    "nudged": "nudged",
    "softer": "softer",
    "focus-elsewhere": "focused elsewhere",
    "shaken": "shaken",
    "reaches-in": "with something reaching in",
    "bands": "banded by the lamps",
    "level": "flickering",
}
"""Kinds of notices that tell of the camera's stand and the lamps' steadiness, and how a frame is called for it."""


def differ(one: Facts, other: Facts, thresholds: Thresholds) -> tuple[Difference, ...]:
    """
    Return what differs from one frame to the other, causes first; told as a change from `one` to `other`.

    Args:
        one: a frame.
        other: the one held against it.
        thresholds: what counts as a change of light, colour or place.

    """
    found = [
        *_exposure(one, other),
        _light(one, other, thresholds),
        _backdrop(one, other, thresholds),
        *_ratios(one, other, thresholds),
        _colour(one, other, thresholds),
        *_steadiness(one, other, thresholds),
        *_outcome(one, other),
    ]
    return tuple(each for each in found if each is not None)


def alike(one: Facts, other: Facts, thresholds: Thresholds) -> tuple[str, ...]:
    """Return in words what is the same in both frames, of what can be told exactly."""
    if one.raw != other.raw or not _exact(one, other):
        return ()
    differs = {each.kind for each in differ(one, other, thresholds)}
    told: dict[Kind, bool] = {
        "exposure": one.exposure.stops is not None and other.exposure.stops is not None,
        "light": _by_places(one, other, thresholds, ground=False) is not None,
        "backdrop": _by_places(one, other, thresholds, ground=True) is not None,
        "colour": one.mired is not None and other.mired is not None and one.colour_from == other.colour_from,
    }
    return tuple(_IN_WORDS[kind] for kind, known in told.items() if known and kind not in differs)


# ---------------------------------------------------------------- one thing at a time


def _exposure(one: Facts, other: Facts) -> list[Difference]:
    """Return what was dialled otherwise: in all, in stops, and by which dials."""
    dials = _dials(one.exposure, other.exposure)
    if not dials:
        return []
    before, after = one.exposure.stops, other.exposure.stops
    if before is None or after is None:
        return [Difference("exposure", f"{', '.join(dials)}; by how much in all can't be told")]
    stops = after - before
    if abs(stops) < _SAME_EXPOSURE:
        return [Difference("exposure", f"exposed alike by other means: {', '.join(dials)}", 0.0)]
    return [Difference("exposure", f"exposed {_more(stops)}: {', '.join(dials)}", stops)]


def _dials(one: Exposure, other: Exposure) -> list[str]:
    pairs = (
        (one.av, other.av, f_text(one.f_number), f_text(other.f_number)),
        (one.tv, other.tv, shutter_text(one.shutter_s), shutter_text(other.shutter_s)),
        (one.sv, other.sv, _iso(one), _iso(other)),
    )
    return [
        f"{before} to {after}"
        for a, b, before, after in pairs
        if (a is None) != (b is None) or (a is not None and b is not None and abs(a - b) >= _SAME_EXPOSURE)
    ]


def _iso(exposure: Exposure) -> str:
    return "ISO ?" if exposure.iso is None else f"ISO {exposure.iso:g}"


def _apart(one: Facts, other: Facts) -> float:
    """Return the stops of exposure between two frames."""
    return abs((other.exposure.stops or 0.0) - (one.exposure.stops or 0.0))


def _exact(one: Facts, other: Facts) -> bool:
    """Say whether light is read exactly: of raw, and between frames of one exposure; a tone curve isn't known."""
    return one.raw or _apart(one, other) < _SAME_EXPOSURE


def _slack(one: Facts, other: Facts, thresholds: Thresholds) -> float:
    """Return how many stops of exposure may look like stops of light."""
    return 0.0 if _exact(one, other) else thresholds.steps.curve_share * _apart(one, other)


def _light(one: Facts, other: Facts, thresholds: Thresholds) -> Difference | None:
    found = _by_places(one, other, thresholds, ground=False)
    if found is None:
        return _more_light(_change(one, other, one.mid_stops, other.mid_stops), "subject", thresholds)
    steps = thresholds.steps
    if found.spread > steps.same_light_stops + _slack(one, other, thresholds):
        return Difference("light", "the subject is another, or stands or is lit otherwise")
    if abs(found.stops) >= steps.keep_within_stops + _slack(one, other, thresholds):
        return Difference("light", f"{_more(found.stops)} light on the subject", found.stops)
    if _exact(one, other) and found.off >= steps.same_light_share:
        where = f", most of it at the {found.side}" if found.side else ""
        text = f"{percent(found.off)} of the subject has {_more(found.by)} light{where}"
        return Difference("light", text, found.by)
    return None


def _by_places(one: Facts, other: Facts, thresholds: Thresholds, *, ground: bool) -> Change | None:
    given, then = one.exposure.stops, other.exposure.stops
    if one.sample is None or other.sample is None or given is None or then is None or one.raw != other.raw:
        return None
    return change(one.sample, other.sample, then - given, thresholds.steps.same_light_stops, ground=ground)


def _change(one: Facts, other: Facts, before: float | None, after: float | None) -> float | None:
    """Return by how many stops a thing sends out more light, given how bright it came out (stops)."""
    given, then = one.exposure.stops, other.exposure.stops
    if before is None or after is None or given is None or then is None or one.raw != other.raw:
        return None
    return (after - then) - (before - given)


def _more_light(stops: float | None, on: Literal["subject", "backdrop"], thresholds: Thresholds) -> Difference | None:
    """Tell a change measured of the whole: subject and backdrop may have been cut apart otherwise in each frame."""
    if stops is None or abs(stops) < thresholds.steps.same_light_stops:
        return None
    return Difference("light" if on == "subject" else "backdrop", f"{_more(stops)} light on the {on}", stops)


def _backdrop(one: Facts, other: Facts, thresholds: Thresholds) -> Difference | None:
    found = _by_places(one, other, thresholds, ground=True)
    tones = f"it is {other.tone}, and was {one.tone}" if one.tone and other.tone and one.tone != other.tone else ""
    if found is None:  # too dark or too bright to tell, or gone
        if tones:
            return Difference("backdrop", f"the backdrop is another: {tones}")
        told = [_telling(each, thresholds) for each in (one, other)]
        return _more_light(_change(one, other, *told), "backdrop", thresholds)
    if abs(found.stops) < thresholds.steps.keep_within_stops + _slack(one, other, thresholds):
        return None  # a white backdrop that is exposed less is called grey, and is the same
    text = f"{_more(found.stops)} light on the backdrop"
    return Difference("backdrop", f"{text}: {tones}" if tones else text, found.stops)


def _telling(facts: Facts, thresholds: Thresholds) -> float | None:
    """Return how bright a backdrop came out, in stops; None where its codes are too low or too high to tell."""
    code, stops = facts.backdrop_code, facts.backdrop_stops
    if code is None or stops is None or not thresholds.backdrop.telling_code <= code < thresholds.white.clean_code:
        return None
    return -stops


def _ratios(one: Facts, other: Facts, thresholds: Thresholds) -> list[Difference]:
    before = {(ratio.brighter, ratio.darker): ratio for ratio in one.ratios}
    found = []
    for ratio in other.ratios:
        same, turned = before.get((ratio.brighter, ratio.darker)), before.get((ratio.darker, ratio.brighter))
        old = same.stops if same is not None else -turned.stops if turned is not None else None
        if old is None or abs(ratio.stops - old) < thresholds.steps.keep_within_stops:
            continue
        was = f"{_n(2 ** abs(old))}:1" if old >= 0 else f"1:{_n(2**-old)}"
        text = f"{ratio.brighter} to {ratio.darker} {_n(ratio.n)}:1 by the meter, and was {was}"
        found.append(Difference("ratio", text, ratio.stops - old))
    return [*found, *_sides(one, other, thresholds)]


def _sides(one: Facts, other: Facts, thresholds: Thresholds) -> Iterable[Difference]:
    """Yield what the subject's sides did apart from each other: the ratio, as the pictures have it."""
    found = _by_places(one, other, thresholds, ground=False)
    by = None if found is None else found.left_over_right
    if found is None or by is None or found.spread > thresholds.steps.same_light_stops + _slack(one, other, thresholds):
        return
    if abs(by) >= thresholds.backdrop.side_stops + _slack(one, other, thresholds):
        sides = ("left", "right") if by > 0 else ("right", "left")
        text = f"the subject's {sides[0]} has {stops_long(abs(by))} more light against its {sides[1]}"
        yield Difference("ratio", text, by)


def _n(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


def _colour(one: Facts, other: Facts, thresholds: Thresholds) -> Difference | None:
    if one.mired is None or other.mired is None or one.raw != other.raw or one.colour_from != other.colour_from:
        return None
    by = other.mired - one.mired
    if abs(by) < thresholds.neutral.drift_mired:
        return None
    shift = f"{abs(by):.0f} mired {'warmer' if by > 0 else 'colder'}"
    # A JPEG shows the light as the camera was balanced for it.
    return Difference("colour", f"the light {shift}" if one.raw else f"the picture {shift}, by lamps or balance", by)


def _steadiness(one: Facts, other: Facts, thresholds: Thresholds) -> list[Difference]:
    found = []
    if one.shift is not None and other.shift is not None and one.long_side == other.long_side:
        by = math.hypot(other.shift[0] - one.shift[0], other.shift[1] - one.shift[1])
        limits = thresholds.steadiness
        if by >= max(limits.shift_pixels, limits.shift_share * (other.long_side or 0.0)):
            found.append(Difference("steadiness", f"the picture lies {by:.1f} pixels elsewhere", by))
    for kind in sorted(one.troubles ^ other.troubles):
        if kind in TROUBLES and not (kind == "nudged" and found):
            which = other if kind in other.troubles else one
            found.append(Difference("steadiness", f"{which.name} is {TROUBLES[kind]}"))
    return found


def _outcome(one: Facts, other: Facts) -> list[Difference]:
    found: list[Difference] = []
    for kind, word, before, after in (
        ("clipped", "clipped", one.clipped, other.clipped),
        ("blocked", "blocked", one.blocked, other.blocked),
    ):
        if before is not None and after is not None and _shares_apart(before, after):
            text = f"{percent(after)} of the subject {word}, and was {percent(before)}"
            found.append(Difference("clipped" if kind == "clipped" else "blocked", text, after - before))
    found += _cleanness(one, other)
    return found


def _cleanness(one: Facts, other: Facts) -> list[Difference]:
    """Return whether the backdrop is clean otherwise, or what lies over it is more or less by a third at least."""
    before, after = one.over_stops, other.over_stops
    by = None if before is None or after is None else after - before
    if one.clean is None or other.clean is None or (one.clean and other.clean):
        return []
    if one.clean == other.clean and (by is None or abs(by) < _THIRD):
        return []
    text = f"the backdrop is {_clean_word(other, ' clean')}, and was {_clean_word(one)}"
    return [Difference("clean", text, by)]


def _clean_word(facts: Facts, than: str = "") -> str:
    if facts.clean:
        return "clean"
    return f"{stops_long(facts.over_stops)} over{than}" if facts.over_stops else "not clean"


def _shares_apart(one: float, other: float) -> bool:
    low, high = sorted((one, other))
    return high >= _SHARE_LEAST and high > _SHARE_APART * low


_SHARE_LEAST = 0.001


def _more(stops: float) -> str:
    return f"{stops_long(abs(stops))} {'more' if stops > 0 else 'less'}"


# ---------------------------------------------------------------- a whole row of frames


def across(frames: Sequence[Facts], thresholds: Thresholds) -> tuple[frozenset[Kind], str]:
    """
    Return what differs between a setup's frames, and that as a sentence: exposure alone, or what else and where.

    Each frame is held against one that is lit as the first and nearest to it in exposure: there a tone curve that isn't
    known matters least.
    """
    if len(frames) < 2:
        return frozenset(), "One frame: nothing to hold it against." if frames else "No frame yet."
    others: dict[Kind, list[str]] = {}
    for frame, found in _beside_their_likes(frames, thresholds):
        for kind in dict.fromkeys(each.kind for each in found if each.kind in CAUSES[1:]):
            others.setdefault(kind, []).append(frame.name)
    exposed = any(_exposure(frames[0], frame) for frame in frames[1:])
    kinds = frozenset((*others, *(("exposure",) if exposed else ())))
    if not kinds:
        return kinds, "The frames agree in exposure, light, backdrop and colour, as far as can be told."
    told = f"exposure ({_range(frames)})" if exposed else ""
    if not others:
        return kinds, f"They differ in {told} only."
    rest = "; ".join(f"{_IN_WORDS[kind]} in {_listed(names)}" for kind, names in sorted(others.items(), key=_place))
    lead = f"They differ in {told}, and in more: " if exposed else "Exposed alike; what differs: "
    return kinds, f"{lead}{rest}."


def _beside_their_likes(
    frames: Sequence[Facts], thresholds: Thresholds
) -> Iterable[tuple[Facts, tuple[Difference, ...]]]:
    """Yield each frame with what differs from the one nearest in exposure among those that are like the first."""
    likes: dict[bool, list[Facts]] = {}
    for frame in frames:
        like = likes.setdefault(frame.raw, [])
        if like:
            found = differ(min(like, key=lambda each: _apart(each, frame)), frame, thresholds)
            yield frame, found
        if not like or not any(each.kind in CAUSES[1:] for each in found):
            like.append(frame)


_IN_WORDS: dict[Kind, str] = {
    "exposure": "exposure",
    "light": "the light on the subject",
    "backdrop": "the backdrop",
    "ratio": "the ratio",
    "colour": "colour",
    "steadiness": "steadiness",
}


def _place(item: tuple[Kind, list[str]]) -> int:
    return CAUSES.index(item[0])


def _listed(names: Sequence[str]) -> str:
    """
    Return names as a list that is read aloud; what they begin with alike is said once.

    >>> _listed(["frame 2"]), _listed(["frame 2", "frame 3", "frame 5"])
    ('frame 2', 'frames 2, 3 and 5')
    """
    if len(names) == 1:
        return names[0]
    heads = {name.rpartition(" ")[0] for name in names}
    if len(heads) == 1 and (head := next(iter(heads))):
        names = [name.rpartition(" ")[2] for name in names]
        return f"{head}s {', '.join(names[:-1])} and {names[-1]}"
    return f"{', '.join(names[:-1])} and {names[-1]}"


def _range(frames: Sequence[Facts]) -> str:
    """Return from what to what the frames were exposed."""
    avs = sorted((each.exposure.av, each.exposure.f_number) for each in frames if each.exposure.av is not None)
    told = [each.exposure.stops for each in frames if each.exposure.stops is not None]
    span = (
        f", {stops_long(max(told) - min(told))} end to end" if told and max(told) - min(told) > _SAME_EXPOSURE else ""
    )
    if not avs or avs[0][0] == avs[-1][0]:
        return f"time or ISO{span}"
    return f"{f_text(avs[0][1])} to {f_text(avs[-1][1])}{span}"
