"""
What later frames of a setup are held against, and the lines on what spoils one besides exposure.

The first frame of each kind gives the place of the picture and the light's colour, the sharpest one the focus.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from lampblack.rules.cleanness import Tone
from lampblack.rules.flicker import bands_text, level_text
from lampblack.rules.look import Look
from lampblack.rules.neutral import Colour, cast_notice, drift_notice, meter_notice, two_colours_notice
from lampblack.rules.steadiness import Tiles, elsewhere_text, is_softer, reached_text, shift_text, softer_text
from lampblack.rules.thresholds import Neutral, Thresholds
from lampblack.rules.verdict import Notice


@dataclass(frozen=True)
class Yardsticks:
    """
    By kind (raw or not), for the one says nothing of the other.

    tiles: of the first frame of each kind. sharpest: kind, fine contrast, and blur of the sharpest frame against the
    first. colours: kind, number of the frame, and the first neutral that one showed.
    """

    tiles: tuple[Tiles, ...] = ()
    sharpest: tuple[tuple[bool, float, float], ...] = ()
    colours: tuple[tuple[bool, int, Colour], ...] = ()

    def of_other_light(self) -> Yardsticks:
        """Return what a change of the light leaves standing."""
        return replace(self, colours=())

    def after(self, look: Look, frame: int, colour: Colour | None) -> Yardsticks:
        """Return the yardsticks with one more frame, its number in the shoot, and the neutral it showed."""
        return Yardsticks(self._tiles(look), self._sharpest(look), self._colours(look, frame, colour))

    def sharpness(self, look: Look) -> float | None:
        """Return a frame's fine contrast against the sharpest one's, 0 to 1; None where it can't be told."""
        moved = look.steady.moved
        if moved is None:
            return None if look.steady.tiles is None else 1.0
        return None if moved.sharpness is None else min(moved.sharpness / self.best(look)[0], 1.0)

    def best(self, look: Look) -> tuple[float, float]:
        """Return fine contrast and blur of the sharpest frame of this one's kind so far; the first is 1 and 0."""
        raw = look.kind == "raw"
        return next(((fine, blur) for kind, fine, blur in self.sharpest if kind == raw), (1.0, 0.0))

    def first_colour(self, look: Look) -> tuple[int, Colour] | None:
        """Return the first neutral of a frame's kind, behind the number of the frame that showed it."""
        raw = look.kind == "raw"
        return next(((frame, colour) for kind, frame, colour in self.colours if kind == raw), None)

    def _tiles(self, look: Look) -> tuple[Tiles, ...]:
        new = [each.steady.tiles for each in (look, look.shown) if each is not None]
        known = {one.raw for one in self.tiles}
        return (*self.tiles, *(one for one in new if one is not None and one.raw not in known))

    def _sharpest(self, look: Look) -> tuple[tuple[bool, float, float], ...]:
        moved, raw = look.steady.moved, look.kind == "raw"
        if moved is None or moved.sharpness is None or moved.sharpness <= self.best(look)[0]:
            return self.sharpest
        return (*(one for one in self.sharpest if one[0] != raw), (raw, moved.sharpness, moved.blur))

    def _colours(self, look: Look, frame: int, colour: Colour | None) -> tuple[tuple[bool, int, Colour], ...]:
        if colour is None or self.first_colour(look) is not None:
            return self.colours
        return (*self.colours, (look.kind == "raw", frame, colour))


NO_YARDSTICKS = Yardsticks()


def colour_notices(
    known: Yardsticks, look: Look, tone: Tone | None, colour: Colour | None, limits: Neutral, *, told: bool
) -> list[Notice]:
    """
    Return what is worth a line of the light's colour, and of a meter that was fooled by a plain backdrop.

    Args:
        known: what frames before have shown.
        look: the frame.
        tone: what its backdrop is meant to be.
        colour: the neutral that it shows.
        limits: the thresholds.
        told: a person has said what the backdrop is meant to be; it is not guessed from the picture.
    """
    raw = look.kind == "raw"
    found = [("metered", meter_notice(look, limits, tone if told else None))]
    if colour is not None and tone is not None:
        first = known.first_colour(look)
        found += [
            ("two-colours", two_colours_notice(look, limits)),
            ("colour-drift", None if first is None else drift_notice(first[1], first[0], colour, raw, limits)),
            ("cast", cast_notice(colour, tone, raw, limits)),
        ]
    return _notices(found)


def steady_notices(known: Yardsticks, look: Look, thresholds: Thresholds) -> list[Notice]:
    """Return what spoils a frame besides exposure: nudges, softness, what came in, flicker."""
    steady, limits, shutter = look.steady, thresholds.steadiness, look.shot.exposure.shutter_s
    moved, bands, level = steady.moved, steady.bands, steady.level
    found: list[tuple[str, str | None]] = []
    if moved is not None:
        found.append(("nudged", shift_text(moved, max(look.width, look.height), limits)))
        blur, fine = moved.blur - min(known.best(look)[1], 0.0), known.sharpness(look)
        if fine is not None and is_softer(blur, fine, moved, limits):
            found.append(("softer", softer_text(blur, moved)))
        elif moved.elsewhere:
            found.append(("focus-elsewhere", elsewhere_text()))
    if steady.reached is not None and steady.reached.depth >= limits.reach_depth:
        found.append(("reaches-in", reached_text(steady.reached)))
    if bands.share >= thresholds.flicker.band_share:
        found.append(("bands", bands_text(bands, shutter, thresholds.flicker)))
    if level is not None and abs(level) >= thresholds.flicker.level_stops:
        found.append(("level", level_text(level, shutter, thresholds.flicker)))
    return _notices(found)


def _notices(found: Iterable[tuple[str, str | None]]) -> list[Notice]:
    return [Notice(kind, text) for kind, text in found if text is not None]
