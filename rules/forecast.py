"""
What an exposure not shot would give, from the frames of a setup that were.

Closing by a stop halves the light of every pixel, so the share that clips at a closer aperture is the share that lies
that much over white: beyond what a clipped frame shows, but within what a darker frame of the setup does. Each
question is put to the frame that can answer it best.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from lampblack.rules.distribution import Distribution
from lampblack.rules.exposure import aperture_value
from lampblack.rules.look import Look, Part
from lampblack.rules.response import PRIOR, Response
from lampblack.rules.thresholds import Thresholds
from lampblack.rules.tone import MID_GREY, code_of_light

# Where no frame shows what lies over white: how the share thins out there, at the least, per stop. Common practice,
# not physics: a lit subject seldom has more than half of what clips a full stop over.
_THINNING_PER_STOP = math.log(2)


@dataclass(frozen=True)
class Sample:
    """What one frame of the setup can say about others: its exposure, and how its light is spread."""

    stops: float | None
    subject: Distribution
    broad: Distribution
    """The subject without its glints."""
    backdrop: Distribution
    """In codes as a person sees them: developed plainly, if raw."""
    mid_light: float | None
    """The subject's median, so scaled that mid grey is 0.18."""
    white: float
    floor: float
    coded: bool
    """Whether the bins are a JPEG's codes, whose light hangs on the camera's response."""

    @classmethod
    def of(cls, look: Look) -> Sample:
        """Take from a look what forecasts need."""
        return cls(
            stops=look.shot.exposure.stops,
            subject=Distribution(look.levels[Part.SUBJECT] + look.levels[Part.GLINT], look.edges),
            broad=Distribution(look.levels[Part.SUBJECT], look.edges),
            backdrop=Distribution(look.counts[Part.BACKDROP]),
            mid_light=look.mid_light,
            white=look.white_light,
            floor=look.floor_light,
            coded=look.kind != "raw",
        )

    def under(self, response: Response, white_code: int) -> Sample:
        """
        Return the same frame read through a camera's own tone response instead of sRGB; raw stays as it is.

        `white_code`: the code where the camera's curve ends, though this frame may not show it.
        """
        if not self.coded:
            return self

        def again(light: float) -> float:
            return float(response.light_of(code_of_light(light)))

        edges = response.light_of(np.clip(np.arange(257) - 0.5, 0, 255))
        grey = MID_GREY / again(MID_GREY)
        return replace(
            self,
            subject=Distribution(self.subject.counts, edges),
            broad=Distribution(self.broad.counts, edges),
            backdrop=Distribution(self.backdrop.counts, edges),
            mid_light=None if self.mid_light is None else grey * again(self.mid_light),
            white=float(response.light_of(white_code - 0.5)),
            floor=again(self.floor),
        )


@dataclass(frozen=True)
class Forecast:
    """One aperture's outcome; shot: measured from a frame of this setup."""

    f_number: float
    highlights_subject: float | None
    shadows_subject: float | None
    backdrop_p99: int | None
    shot: bool


def clipped_share(samples: Iterable[Sample], stops: float, *, broad: bool) -> float | None:
    """
    Return the share of the subject that an exposure of `stops` would clip; None without frames or subject.

    broad: leave the glints out.
    """
    known = [(s, s.broad if broad else s.subject) for s in samples if s.stops is not None]
    known = [(s, spread) for s, spread in known if spread.pixels]
    if not known:
        return None
    # A frame exposed no more than the one asked about still shows the light in question below its own white; the
    # nearest such frame shows it best.
    under = [(s, spread) for s, spread in known if _stops(s) <= stops + 1e-6]
    if under:
        sample, spread = max(under, key=lambda pair: _stops(pair[0]))
        return spread.share_from(sample.white * 2 ** (_stops(sample) - stops))
    sample, spread = min(known, key=lambda pair: _stops(pair[0]))
    return _beyond_white(spread, _stops(sample) - stops, sample.white)


def _beyond_white(spread: Distribution, over: float, white: float) -> float:
    """Return the share of pixels at least `over` stops over white, by carrying on how it thins out toward white."""
    clipped = spread.share_from(white) or 0.0
    near = spread.share_from(white / 2) or 0.0
    if clipped <= 0:
        return 0.0
    thinning = max(math.log(near / clipped) if near > clipped else 0.0, _THINNING_PER_STOP)
    return clipped * math.exp(-thinning * over)


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


def headroom(sample: Sample, others: Iterable[Sample], thresholds: Thresholds) -> float | None:
    """
    Return how far a frame's exposure can rise (+) or must fall (-) for its broad highlights to meet the limit.

    In stops, to 1/64; at most 8 either way. None without a subject or, when frames must be compared, an exposure.
    """
    limit = thresholds.highlights.broad_limit
    base = sample.stops if sample.stops is not None else 0.0
    pool = [sample, *others] if sample.stops is not None else [replace(sample, stops=0.0)]

    def clips(change: float) -> bool | None:
        share = clipped_share(pool, base + change, broad=True)
        return None if share is None else share > limit

    if clips(0.0) is None:
        return None
    low, high = -8.0, 8.0
    if clips(low):
        return low
    if not clips(high):
        return high
    while high - low > 1 / 64:
        middle = (low + high) / 2
        low, high = (low, middle) if clips(middle) else (middle, high)
    return low


def forecast(
    samples: list[Sample], newest: Look, f_numbers: Iterable[float], response: Response = PRIOR
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
        shot = next((s for s in reversed(samples) if s.stops is not None and abs(s.stops - stops) < 1 / 12), None)
        pool = samples if shot is None else [shot]
        outcomes.append(
            Forecast(
                f_number=f_number,
                highlights_subject=clipped_share(pool, stops, broad=False),
                shadows_subject=blocked_share(pool, stops),
                backdrop_p99=backdrop_p99(pool, stops, response),
                shot=shot is not None,
            )
        )
    return tuple(outcomes)


def _stops(sample: Sample) -> float:
    return sample.stops if sample.stops is not None else 0.0
