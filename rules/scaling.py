"""What raw frames said of their light, brought to units of another white, once it is known better where that lies."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from lampblack.rules.distribution import Distribution
from lampblack.rules.forecast import Sample
from lampblack.rules.spots import Remembered
from lampblack.rules.tone import LIGHT_OF_CODE, linear_to_srgb


def in_units_of(sample: Sample, factor: float) -> Sample:
    """
    Return a raw sample with its light multiplied by a factor; its white is where it was, at 1.

    That is so as long as the frame fills nothing: it is the reason why it didn't know its white.
    """
    table = np.rint(linear_to_srgb(np.clip(LIGHT_OF_CODE * factor, 0, 1)) * 255).astype(np.uint8)
    backdrop = np.bincount(table, weights=sample.backdrop.counts, minlength=256).astype(np.int64)
    luminance = (sample.thin.luminance * np.float32(factor)).astype(np.float16)
    return replace(
        sample,
        subject=Distribution(sample.subject.counts, sample.subject.edges * factor),
        backdrop=Distribution(backdrop),
        mid_light=None if sample.mid_light is None else sample.mid_light * factor,
        floor=sample.floor * factor,
        noise=None if sample.noise is None else sample.noise.times(factor),
        thin=replace(sample.thin, top=table[sample.thin.top], luminance=luminance),
    )


def spots_in_units_of(spots: Iterable[Remembered], factor: float) -> tuple[Remembered, ...]:
    """Return what is remembered of spots likewise; what a JPEG showed of one is as it was."""
    return tuple(spot if spot.shown.coded else replace(spot, shown=spot.shown.times(factor)) for spot in spots)
