"""
What an exposure not shot would give, from the frames of a setup that were.

Closing by a stop halves the light of every pixel, so the share that clips at a closer aperture is the share that lies
that much over white: beyond what a clipped frame shows, but within what a darker frame of the setup does. Each
question is put to the frame that can answer it best.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from lampblack.rules.cells import count_by_label, single
from lampblack.rules.distribution import Distribution, bin_of
from lampblack.rules.ends import FALLEN, LAST, clips_from
from lampblack.rules.exposure import aperture_value
from lampblack.rules.glints import Heights
from lampblack.rules.grain import Levels, Sparse
from lampblack.rules.look import MIXED_CELLS, Look, Part, Thin, mid_light_of, subject_in
from lampblack.rules.response import PRIOR, Response
from lampblack.rules.thresholds import Highlights
from lampblack.rules.tone import MID_GREY, code_of_light

_SAME = 1 / 12
"""Stops within which two exposures are the same."""
_CUT_ALIKE = 0.002
"""Share of the frame's cells that two frames may take for different things and still be cut alike."""
_EXPOSURE_OFF = 0.1
"""Stops by which a marked exposure is commonly off (common practice: leaf, iris and lamps repeat to about that)."""


_COUNT_OFF = 0.005
"""Share of the subject by which two frames' counts may differ for other reasons than light: outline, compression."""
_NOISE_TAKES = 0.05
"""Stops over white within which noise, cut off on one side alone, takes pixels back under it: counts may lack them."""
_SOON = 1 / 3
_MOST_BENT = 0.25  # stops; less than the way on which it comes in: more exposure never clips less
_PALE_CODE = 250  # the brightest channel of a clean white has no less

_DARKER = 0.5
"""Stops by which a frame is darker at the least in which what clips is a plain tone: compression wears no code down so
far."""
_TELLING = (0.33, 0.5, 0.75, 1.0, 1.3)
"""Stops under white of the tones by which two frames are held against each other, ..."""
_FOOT = 8  # ... unless the curve is so flat there that they lie as few codes under its end: a pile reaches down so far
_NEAR, _AROUND = 0.1, 0.25  # stops to either side, to tell how many pixels a stop of light holds
_MOST_APART = 0.3  # stops: a tone that seems farther off what is marked is another one
_TOLD_COUNT, _TONE_OFF = 0.003, 0.02
"""Share of the subject by which two frames' counts of a tone differ anyway, and stops by which any one of them is off:
on rendered scenes."""
_PILE_OFF, _WORN_OFF, _WHITE_OFF = 0.005, 0.3, 0.02
"""How far off a pile is: so large a share of the subject but no more than itself, so much of what it is taken to have
lost, and what so many stops under white hold: within those its tones can't be told from pale ones."""
_TOLD_OFF = 0.001  # share of the subject: what noise and compression move in a darker frame


@dataclass(frozen=True)
class Sample:
    """What one frame of the setup can say about others: its exposure, and how its light is spread."""

    stops: float | None
    subject: Distribution
    heights: Heights
    """Where the subject is how bright, to tell glints from burnt areas."""
    backdrop: Distribution
    """In codes as a person sees them: developed plainly, if raw."""
    mid_light: float | None
    """The subject's median, so scaled that mid grey is 0.18."""
    white: float
    """Light from which a pixel that is foretold clips; of those this frame shows, see `clips_from`."""
    floor: float
    thin: Thin
    parts: NDArray[np.uint8]
    """What each cell was taken to show."""
    coded: bool
    """Whether the bins are a JPEG's codes, whose light hangs on the camera's response."""
    clips_from: float = 1.0
    """Light from which on as many of the subject's pixels lie as are clipped in this frame itself; see `told_by`."""
    piled_from: float = 1.0
    """The same, by this frame's own pile at the end of the codes alone; see `under`."""
    end: int = LAST
    """The last code of the camera's curve, as far as this frame shows it."""
    lossy: bool = False
    """Whether compression has moved its codes."""
    burnt: float = 0.0
    """Share of the whole frame at the white level."""
    pale: float = 0.0
    """Share of the whole frame that looks white, at the white level or a few codes under it."""
    noise: Sparse | None = None
    """Of raw, where it can be told."""
    doubt: float = 0.0
    """How far off the light of its bins may be, in stops (`Response.sure_stops`)."""
    _told: list[tuple[Sample, float]] = field(default_factory=list, init=False, repr=False, compare=False)
    """What the next brighter frame told last of this one's white: a bisection asks again and again."""

    @classmethod
    def of(cls, look: Look) -> Sample:
        """Take from a look what forecasts need."""
        return cls(
            stops=look.shot.exposure.stops,
            subject=Distribution(look.levels[Part.SUBJECT] + look.levels[Part.GLINT], look.edges),
            heights=look.heights,
            backdrop=Distribution(look.counts[Part.BACKDROP]),
            mid_light=look.mid_light,
            white=look.white_light,
            floor=look.floor_light,
            thin=look.thin,
            parts=look.parts,
            coded=look.kind != "raw",
            clips_from=look.white_light,
            piled_from=look.white_light,
            end=look.end,
            lossy=look.kind == "jpeg",
            burnt=look.clipped_frame,
            pale=float(look.counts[:, _PALE_CODE:].sum() / max(look.counts.sum(), 1)),
            noise=None if look.grain is None else Sparse.of(look.grain, single(look.light)),
        )

    def cut_as(self, look: Look) -> Sample:
        """
        Return the same frame, subject and backdrop where a later one found them.

        The later one knows them better, having the earlier ones' light to go by; and all count the same pixels.
        """
        if self.parts.shape != look.parts.shape or np.mean(_told(self.parts) != _told(look.parts)) <= _CUT_ALIKE:
            return self
        points = look.points(self.thin.top.shape)
        of_part = count_by_label(self.thin.bins, points, len(self.subject.counts), len(Part))
        subject = look.subject
        return replace(
            self,
            subject=Distribution(of_part[Part.SUBJECT] + of_part[Part.GLINT], self.subject.edges),
            heights=replace(self.heights, subject=subject),
            backdrop=Distribution(count_by_label(self.thin.top, points, 256, len(Part))[Part.BACKDROP]),
            mid_light=mid_light_of(self.thin.luminance[subject].astype(np.float32), raw=not self.coded),
            parts=look.parts,
        )

    def share_from(self, light: float) -> float | None:
        """
        Return the share of the subject that clips where this light is white; None for a frame without a subject.

        Of a frame in which it is white already, what is there; else as noisy as it will be then.
        """
        share = self.subject.share_from(light)
        if share is None or self._levels is None or light >= 1:
            return share
        return min(max(share + self._levels.more_over(light), 0.0), 1.0)

    def light_with(self, share: float, near: float) -> float | None:
        """Return from which light on so large a share of the subject lies; near: about where, for noise's part."""
        more = 0.0 if self._levels is None or near >= 1 else self._levels.more_over(near)
        return self.subject.percentile_light(100 * (1 - min(max(share - more, 0.0), 1.0)))

    def white_off(self, brighter: Sample) -> float:
        """
        Return by how many stops white lies off where the marks say, for an exposure as of a brighter frame.

        It has clipped some share, and the light from which on as large a share lies in this one is white there. Tone
        response, marks and iris make up the difference. It is trusted as far as shares change with light: where they
        hardly do, a little more of them is many stops.
        """
        if not self._told or self._told[0][0] is not brighter:
            self._told[:] = [(brighter, self._white_off(brighter))]
        return self._told[0][1]

    def _white_off(self, brighter: Sample) -> float:
        white = self.white * 2.0 ** (_stops(self) - _stops(brighter))
        share = brighter.share_from(brighter.piled_from)
        light = None if share is None else self.light_with(share, white)
        steep = self._per_stop(white, _AROUND)
        if not light or steep <= 0:
            return 0.0
        count_off = _COUNT_OFF / steep  # in stops
        light_off = np.hypot(_EXPOSURE_OFF, self.doubt)
        trust = light_off**2 / (light_off**2 + count_off**2)
        off = math.log2(light / white)
        off -= min(max(off, 0.0), _NOISE_TAKES)
        return float(np.clip(trust * off, -_MOST_BENT, _MOST_BENT))

    def told_by(self, darker: Sample) -> Sample:
        """
        Return the same frame, how much of it is clipped told by a darker one as well.

        Compression wears down the pile at the end of the codes, and pale tones pass for part of it. In a darker frame
        the same pixels are plain tones; but where white lies among them hangs on the response, and on how far apart
        the two were exposed. Each of the two shares counts by how sure it is.
        """
        at_end, own = self.share_from(self.white), self.share_from(self.piled_from)
        if at_end is None or own is None or not self.subject.counts[self.end :].any():
            return self
        apart, apart_off = self._apart(darker)
        white = self.white * 2.0**apart
        told, steep = darker.share_from(white) or 0.0, darker._per_stop(white)
        own_off = math.hypot(min(_PILE_OFF, own), _WORN_OFF * (own - at_end), _WHITE_OFF * steep)
        read_off = math.hypot(apart_off, self.doubt * min(-apart / 3, 1.0))
        told_off = math.hypot(_TOLD_OFF, self._cut_otherwise(darker), steep * read_off)
        share = own + (told - own) * own_off**2 / (own_off**2 + told_off**2)
        light = self.light_with(share, 1.0)
        lowest = float(self.subject.edges[self.end - FALLEN])  # no pile reaches farther down, nor up over white
        return self if light is None else replace(self, clips_from=min(max(light, lowest), self.white))

    def _cut_otherwise(self, other: Sample) -> float:
        """Return what share of the subject another frame may count otherwise, for its subject is cut out otherwise."""
        if self.parts is other.parts:
            return 0.0
        if self.parts.shape != other.parts.shape:
            return 1.0
        here, there = subject_in(self.parts), subject_in(other.parts)
        return float(np.count_nonzero(here != there)) / max(int(np.count_nonzero(here)), 1)

    def _apart(self, darker: Sample) -> tuple[float, float]:
        """
        Return how far apart a darker frame was exposed, in stops, and how far that may be off.

        Near what is marked; and where as many pixels are brighter than a tone here as there, it is the same tone.
        """
        marked = _stops(darker) - _stops(self)
        off, sure = 0.0, _EXPOSURE_OFF**-2
        for below in _TELLING:
            light = self.white * 2.0**-below
            share = self.share_from(light)
            there = None if share is None else darker.light_with(share, 1.0)
            steep = darker._per_stop(light * 2.0**marked)
            if not there or steep <= 0 or bin_of(light, self.subject.edges) > self.end - _FOOT:
                continue
            here = math.log2(there / light) - marked
            if abs(here) > _MOST_APART:
                continue
            off_here = math.hypot(_TOLD_COUNT / steep, _TONE_OFF)
            off += here / off_here**2 / len(_TELLING)
            sure += off_here**-2 / len(_TELLING)
        return marked + off / sure, sure**-0.5

    def _per_stop(self, light: float, within: float = _NEAR) -> float:
        """Return how large a share of the subject a stop of light holds there, by what lies so many stops around."""
        more, less = (self.subject.share_from(light * 2**off) or 0.0 for off in (-within, within))
        return (more - less) / (2 * within)

    @cached_property
    def astray(self) -> float:
        """
        Return what share of the subject the outline may cut wrongly: what lies within half a cell of it.

        On the rendered scenes of the tests half of the outlines are no farther off.
        """
        line = int(np.count_nonzero(self.parts == Part.MIXED)) / MIXED_CELLS
        return min(line / 2 / max(int(np.count_nonzero(subject_in(self.parts))), 1), 1.0)

    @cached_property
    def _levels(self) -> Levels | None:
        return None if self.noise is None else self.noise.levels(subject_in(self.parts))

    def under(self, response: Response, end: int) -> Sample:
        """
        Return the same frame read through a camera's own tone response instead of sRGB; raw stays as it is.

        `end`: the code where the camera's curve was seen to end, though this frame may not show it.
        """
        if not self.coded:
            return self

        def again(light: float) -> float:
            return float(response.light_of(code_of_light(light)))

        end = min(self.end, end)
        own = again(clips_from(self.subject.counts, end, lossy=self.lossy))
        edges = response.light_of(np.clip(np.arange(257) - 0.5, 0, 255))
        grey = MID_GREY / again(MID_GREY)
        return replace(
            self,
            subject=Distribution(self.subject.counts, edges),
            backdrop=Distribution(self.backdrop.counts, edges),
            mid_light=None if self.mid_light is None else grey * again(self.mid_light),
            white=float(response.light_of(end - 0.5)),
            clips_from=own,
            piled_from=own,
            end=end,
            floor=again(self.floor),
            doubt=response.sure_stops,
        )


def read_together(samples: Iterable[Sample], response: Response, end: int, *, raw: bool) -> list[Sample]:
    """Return a setup's raw frames or the others, read as well as its camera is known and its frames tell each other."""
    return told_together([one.under(response, end) for one in samples if one.coded != raw])


def told_together(samples: Sequence[Sample]) -> list[Sample]:
    """Return frames of one light, read alike; of JPEGs, what is clipped is told by the next darker frame as well."""
    known = [one for one in samples if one.stops is not None]

    def told(sample: Sample) -> Sample:
        darker = [one for one in known if sample.lossy and _stops(one) <= _stops(sample) - _DARKER]
        return sample.told_by(max(darker, key=_stops)) if darker and sample.stops is not None else sample

    return [told(sample) for sample in samples]


def _told(parts: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return the parts without telling glints, which every exposure has its own of, from the rest of the subject."""
    return np.where(parts == Part.GLINT, np.uint8(Part.SUBJECT), parts)


@dataclass(frozen=True)
class Forecast:
    """One aperture's outcome; shot: measured from a frame of this setup."""

    f_number: float
    highlights_subject: float | None
    shadows_subject: float | None
    backdrop_p99: int | None
    shot: bool
    within: Within

    def with_value(self, key: str, value: float) -> Forecast:
        """Return the same with one outcome replaced, and within reach of what it may be."""
        reach = getattr(self.within, key)
        wider = None if reach is None else (min(reach[0], value), max(reach[1], value))
        within: Any = replace(self.within, **{key: wider})
        told: Any = {key: value}
        return replace(self, within=within, **told)


@dataclass(frozen=True)
class Within:
    """Between what the true outcome lies as far as exposure, tone response and what is over white leave it open."""

    highlights_subject: tuple[float, float] | None
    shadows_subject: tuple[float, float] | None
    backdrop_p99: tuple[float, float] | None


class _Seen(NamedTuple):
    """The frame that shows best what lies over a light: how far over white, if it clips there itself."""

    sample: Sample
    light: float
    over: float


def _seen(samples: Iterable[Sample], stops: float) -> _Seen | None:
    """Choose the frame to ask what would clip at an exposure of `stops`; None without frames or subject."""
    known = [s for s in samples if s.stops is not None and s.subject.pixels]
    if not known:
        return None
    # A frame exposed no more than the one asked about still shows the light in question below its own white; the
    # nearest such frame shows it best.
    under = [s for s in known if _stops(s) <= stops + 1e-6]
    if under:
        sample = max(under, key=_stops)
        over = max(stops - _stops(sample), 0.0)
        light = sample.white * 2 ** (_bent(sample, known, over) - over)
        return _Seen(sample, min(light, sample.clips_from), 0.0)
    sample = min(known, key=_stops)
    return _Seen(sample, sample.clips_from, _stops(sample) - stops)


def _bent(sample: Sample, known: Iterable[Sample], over: float) -> float:
    """Return by how many stops the light is off by which a frame foretells an exposure so much over its own."""
    brighter = [one for one in known if _stops(one) > _stops(sample) + _SAME]
    if not brighter:
        return 0.0
    next_one = min(brighter, key=_stops)
    # A curve is least known next to white, which all its other light is reckoned from; what iris and marks are off
    # grows on the way to the other frame.
    way = _SOON if sample.coded else max(_stops(next_one) - _stops(sample), _SOON)
    return sample.white_off(next_one) * min(over / way, 1.0)


def clipped_share(samples: Iterable[Sample], stops: float, halving: float) -> float | None:
    """
    Return the share of the subject that an exposure of `stops` would clip; None without frames or subject.

    halving: where no frame shows what is over white, in so many stops half of it stays (`thresholds.toml`).
    """
    seen = _seen(samples, stops)
    share = None if seen is None else seen.sample.share_from(seen.light)
    return None if seen is None or share is None else share * math.exp2(-seen.over / halving)


def broad_share(samples: Iterable[Sample], stops: float, halving: float) -> float | None:
    """Return the same without glints: what is a glint is asked at that exposure."""
    seen = _seen(samples, stops)
    if seen is None:
        return None
    heights, edges = seen.sample.heights, seen.sample.subject.edges
    dark = seen.light / 2.0**heights.limits.glint_contrast_stops
    share = heights.broad_share(bin_of(seen.light, edges), bin_of(dark, edges))
    return share * math.exp2(-seen.over / halving)


def blocked_share(samples: Iterable[Sample], stops: float) -> float | None:
    """Return the share of the subject that would carry no detail at an exposure of `stops`."""
    known = [s for s in samples if s.stops is not None and s.subject.pixels]
    if not known:
        return None
    over = [s for s in known if _stops(s) >= stops - 1e-6]
    sample = min(over, key=_stops) if over else max(known, key=_stops)
    share = sample.subject.share_from(min(sample.floor * 2 ** (_stops(sample) - stops), 1.0))
    return None if share is None else 1 - share


def backdrop_p99(samples: Iterable[Sample], stops: float, response: Response = PRIOR) -> int | None:
    """Return the 99th percentile code of the backdrop at an exposure of `stops`."""
    known = [s for s in samples if s.stops is not None and s.backdrop.pixels]
    if not known:
        return None

    def trust(sample: Sample) -> tuple[bool, float]:
        code = sample.backdrop.percentile_code(99) or 0
        return (not 2 <= code < 250, abs(_stops(sample) - stops))

    sample = min(known, key=trust)
    light = sample.backdrop.percentile_light(99) or 0.0
    return round(float((response if sample.coded else PRIOR).code_of(light * 2 ** (stops - _stops(sample)))))


def mid_light(samples: Iterable[Sample], stops: float) -> float | None:
    """Return the subject's median light at an exposure of `stops`, over 1 where it would clip."""
    known = [s for s in samples if s.stops is not None and s.mid_light]
    if not known:
        return None

    def trust(sample: Sample) -> tuple[bool, float]:
        light = sample.mid_light or 0.0
        return (not 0.002 < light < 0.9, abs(_stops(sample) - stops))

    sample = min(known, key=trust)
    return (sample.mid_light or 0.0) * float(np.exp2(stops - _stops(sample)))


@dataclass(frozen=True)
class Headroom:
    """
    How far an exposure can rise (+) or must fall (-) for its broad highlights to meet the limit, in stops.

    least, most: within what that is known. seen: whether a frame of the setup shows the highlights unclipped.
    """

    stops: float
    least: float
    most: float
    seen: bool

    def as_shot(self, *, holds: bool) -> Headroom:
        """Return the same, where it was reckoned to be about none: on the side that the frame itself shows."""
        if not self.seen or abs(self.stops) >= _SOON:
            return self
        stops = max(self.stops, 0.0) if holds else min(self.stops, -1 / 64)
        return replace(self, stops=stops, least=min(self.least, stops), most=max(self.most, stops))


_FARTHEST = 8.0  # stops either way


def headroom(sample: Sample, others: Iterable[Sample], limits: Highlights) -> Headroom | None:
    """
    Return a frame's headroom, to 1/64 stop; None without a subject or, when frames must be compared, an exposure.

    Args:
        sample: the frame.
        others: the setup's other frames.
        limits: the thresholds.
    """
    base = sample.stops if sample.stops is not None else 0.0
    pool = [sample, *others] if sample.stops is not None else [replace(sample, stops=0.0)]
    if not sample.subject.pixels:
        return None

    def holds_up_to(halving: float) -> float:
        low, high = -_FARTHEST, _FARTHEST
        while high - low > 1 / 64:
            middle = (low + high) / 2
            share = broad_share(pool, base + middle, halving)
            low, high = (low, middle) if share is not None and share > limits.broad_limit else (middle, high)
        return low

    stops = holds_up_to(limits.halving_stops)
    shown = _seen(pool, base + stops)
    if shown is not None and shown.over > 1 / 32:
        return Headroom(stops, holds_up_to(limits.halving_most), holds_up_to(limits.halving_least), seen=False)
    off = _off(pool, base + stops)
    return Headroom(stops, stops - off, stops + off, seen=True)


def _off(samples: Iterable[Sample], stops: float) -> float:
    """
    Return by how many stops light foretold for an exposure may be off.

    The exposure itself is not quite what is marked, and the tone response is read the further off, the further the
    nearest frame is: whole after three stops.
    """
    known = [s for s in samples if s.stops is not None]
    if not known:
        return 0.0
    nearest = min(known, key=lambda s: abs(_stops(s) - stops))
    away = abs(_stops(nearest) - stops)
    return float(np.hypot(_EXPOSURE_OFF * min(away / _SAME, 1.0), nearest.doubt * min(away / 3, 1.0)))


def forecast(
    samples: list[Sample],
    newest: Look,
    f_numbers: Iterable[float],
    limits: Highlights,
    response: Response = PRIOR,
) -> tuple[Forecast, ...]:
    """
    Return the outcome of every aperture on offer, at the newest frame's time and speed.

    Empty where the newest frame's exposure isn't known: a forecast counts from a known aperture.
    """
    exposure = newest.shot.exposure
    if exposure.stops is None or exposure.av is None:
        return ()
    at_wide_open = exposure.stops + exposure.av
    outcomes = []
    for f_number in f_numbers:
        stops = at_wide_open - aperture_value(f_number)
        shot = next((s for s in reversed(samples) if s.stops is not None and abs(s.stops - stops) < _SAME), None)
        pool = samples if shot is None else [shot]
        outcomes.append(
            Forecast(
                f_number=f_number,
                highlights_subject=clipped_share(pool, stops, limits.halving_stops),
                shadows_subject=blocked_share(pool, stops),
                backdrop_p99=backdrop_p99(pool, stops, response),
                shot=shot is not None,
                within=_within(pool, stops, limits, response, shot=shot is not None),
            )
        )
    return _in_order(outcomes)


_KEYS = {"highlights_subject": -1, "shadows_subject": 1, "backdrop_p99": -1}
"""Outcomes, and whether they rise or fall as the aperture closes."""


def _in_order(outcomes: list[Forecast]) -> tuple[Forecast, ...]:
    """
    Return the outcomes from wide to closed so that none contradicts another.

    Each is asked of the frame that knows it best, so that at the line between two frames it can turn back by what
    separates them. Less light never clips more: what was shot holds, and bounds what was not.
    """
    for key, sign in _KEYS.items():
        values = [getattr(one, key) for one in outcomes]
        if None in values:
            continue
        before, after = -math.inf, _bounds([sign * value for value in values], outcomes)
        for i, one in enumerate(outcomes):
            value = sign * values[i]
            if not one.shot:
                value = min(max(value, before), after[i])
                outcomes[i] = one.with_value(key, sign * value)
            before = max(before, value)
    return tuple(outcomes)


def _bounds(rising: list[float], outcomes: list[Forecast]) -> list[float]:
    """Return for each outcome the least that was shot at its aperture or a closer one."""
    least, bounds = math.inf, []
    for value, one in zip(reversed(rising), reversed(outcomes), strict=True):
        least = min(least, value) if one.shot else least
        bounds.append(least)
    return bounds[::-1]


def _within(samples: list[Sample], stops: float, limits: Highlights, response: Response, *, shot: bool) -> Within:
    """Return between what an outcome lies; of what was shot only what that frame itself leaves open."""
    off = 0.0 if shot else _off(samples, stops)
    astray = 0.0 if shot else max((one.astray for one in samples), default=0.0)
    darker, brighter = stops - off, stops + off
    least = clipped_share(samples, darker, limits.halving_least)
    most = clipped_share(samples, brighter, limits.halving_most)
    return Within(
        None if least is None or most is None else _both(least * (1 - astray), most + (1 - most) * astray),
        _both(blocked_share(samples, brighter), blocked_share(samples, darker)),
        _both(backdrop_p99(samples, darker, response), backdrop_p99(samples, brighter, response)),
    )


def _both(low: float | None, high: float | None) -> tuple[float, float] | None:
    return None if low is None or high is None else (min(low, high), max(low, high))


def _stops(sample: Sample) -> float:
    return sample.stops if sample.stops is not None else 0.0
