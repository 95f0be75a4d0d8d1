"""
Where a camera's sensor is full: seen in frames that clip, and used for those that don't.

A frame that clips shows its saturation as a pile of samples; one that doesn't has only the level that its file is
tagged with, which is off by up to a tenth. The pile lies at one level in all frames of a camera at one ISO, so frames
that clip tell of those that don't. One odd frame must not: more than half must agree.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

import numpy as np

from lampblack.rules.frame import Sensor

Source = Literal["data", "setup", "kept", "tag"]
"""The frame's own pile; those of other frames of its setup; those of earlier ones, kept; none but the file's word."""

TAG_OFF = 0.15
"""Stops: how far off a tag may be. A tenth, seen over the files of many cameras (`saturations`)."""
PILE_OFF = 0.006
"""Stops: how far off a pile may be. It is as wide as what noise is added after the well is full (`rules.raw`)."""
ENOUGH = 3
"""Frames whose word is believed beyond their own setup: an odd one is outvoted by the other two."""
_ALIKE = 0.02  # stops between levels that are one: three times what noise does to a pile, a tenth of what tags are off
LEAST, MOST = 0.4, 1.02  # share of the span where a level can lie: as far as piles are looked for, and rounding
MOST_SEEN = 15
"""Frames that are remembered: so many outvote what was seen before within a shoot or two."""


class Body(NamedTuple):
    """
    What piles of samples are common to: camera, ISO and kind of file.

    white: as the file tags it, which tells depth and packing too. long, short: sides of the picture in pixels; smaller
    raw files are reckoned from several samples, and full elsewhere.
    """

    camera: str
    iso: float | None
    white: int
    long: int
    short: int

    @classmethod
    def of(cls, sensor: Sensor) -> Body:
        """Return it of a frame."""
        sides = sensor.width, sensor.height
        white = round(max(plane.white for plane in sensor.planes))
        return cls(sensor.shot.camera or "", sensor.shot.exposure.iso, white, max(sides), min(sides))


@dataclass(frozen=True)
class Level:
    """A level that frames agree on, share of the span from black to the tag: within how many stops, and how many do."""

    share: float
    sure_stops: float
    frames: int


@dataclass(frozen=True)
class Full:
    """
    By what a frame's white was reckoned.

    share: of the span from black to the tag. contradicted: a level was known, but samples lie above it.
    """

    body: Body
    share: float
    source: Source
    sure_stops: float
    frames: int = 0
    contradicted: bool = False


def rescale(before: Full | None, now: Full | None) -> float:
    """
    Return by how much light in units of one frame's white must be multiplied to be in units of another's.

    Only where the one went by its tag and the other knows better, and the two differ by more than piles do; else 1.
    """
    if before is None or now is None or before.body != now.body or before.source != "tag" or now.source == "tag":
        return 1.0
    factor = before.share / now.share
    return 1.0 if alike(before.share, now.share) else factor


def alike(one: float, other: float) -> bool:
    """Say whether two levels are one, but for the noise of piles."""
    return bool(abs(np.log2(one / other)) <= _ALIKE)


def agreed(seen: Iterable[float], least: int = 1) -> Level | None:
    """
    Return the level that most frames agree on; None where fewer than `least` do, or half of them say otherwise.

    >>> agreed([0.92, 0.921, 0.6, 0.92], least=3).frames
    3
    >>> agreed([0.92, 0.6]) is None, agreed([0.92, 0.92], least=3) is None
    (True, True)
    """
    levels = np.array([share for share in seen if LEAST < share < MOST])
    if not len(levels):
        return None
    off = np.abs(np.log2(levels / np.median(levels)))
    near = levels[off <= _ALIKE]
    if len(near) < least or 2 * len(near) <= len(levels):
        return None
    level = float(np.median(near))
    spread = float(np.abs(np.log2(near / level)).max())
    return Level(level, max(PILE_OFF, spread), len(near))


@dataclass(frozen=True)
class Wells:
    """What is known of cameras: `here` from the setup's own frames, `kept` from earlier ones."""

    here: Mapping[Body, tuple[float, ...]] = field(default_factory=dict)
    kept: Mapping[Body, tuple[float, ...]] = field(default_factory=dict)

    def of(self, body: Body) -> tuple[Level, Source] | None:
        """
        Return the level of a camera and whose word that is, None for none.

        One or two frames of this setup don't outweigh the many before it; three do, for a camera may have been mended.
        """
        here = agreed(self.here.get(body, ()))
        kept = agreed(self.kept.get(body, ()), ENOUGH)
        few = here is None or here.frames < ENOUGH
        if kept is not None and few and (here is None or not alike(here.share, kept.share)):
            return kept, "kept"
        return None if here is None else (here, "setup")

    def know_better(self, full: Full | None) -> bool:
        """Say whether a frame went by its file's word though its camera is known, and doesn't contradict it."""
        return full is not None and full.source == "tag" and not full.contradicted and self.of(full.body) is not None

    def after(self, full: Full | None) -> Wells:
        """Return the same with what one more frame of the setup has shown."""
        if full is None or full.source != "data":
            return self
        seen = (*self.here.get(full.body, ()), full.share)[-MOST_SEEN:]
        return Wells({**self.here, full.body: seen}, self.kept)


NO_WELLS = Wells()
