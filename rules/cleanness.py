"""
Is the backdrop what it is meant to be: clean black, clean white, even grey.

Codes are those of the brightest channel, so that a coloured spill counts as much as a grey one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from lampblack.rules.backdrop import Mask
from lampblack.rules.cells import mean_within, pieces_of
from lampblack.rules.distribution import Distribution, middle, percentile, percentiles
from lampblack.rules.look import Look, Part
from lampblack.rules.outline import eroded
from lampblack.rules.response import PRIOR, Response
from lampblack.rules.thresholds import Thresholds
from lampblack.rules.tone import code_of_light, light_of_code, stops_below_white

Tone = Literal["black", "grey", "white"]
Side = Literal["left", "right", "top", "bottom"]


@dataclass(frozen=True)
class Spill:
    """side: where the light comes from, None when from nowhere in particular. area: share of the frame."""

    side: Side | None
    area: float
    over_stops: float
    """How much less light would make the backdrop clean."""


@dataclass(frozen=True)
class Cleanness:
    """The backdrop, judged."""

    tone: Tone
    area: float
    clean: bool
    p50: int
    p95: int
    p99: int
    max: int
    stops_below_white: float | None
    evenness_stops: float | None
    slack_stops: float
    """Room before the verdict turns: black, how far the exposure may rise; white, how far it may fall. Negative: by
    how much it must go the other way. 0 for grey, where exposure changes nothing."""
    spill: Spill | None
    only_grain: bool = False
    """Its light is clean black; what spoils it is noise, or lint."""

    @property
    def light_is_clean(self) -> bool:
        """Say whether no light need be kept off it, nor given to it."""
        return self.clean or self.only_grain


def tone_of(look: Look, thresholds: Thresholds) -> Tone | None:
    """
    Return what the backdrop is meant to be, from how far it lies under the subject's bright parts.

    Not from its code: a black backdrop in an overexposed frame is grey in the file and black all the same.
    """
    return tone_of_light(look.bright, look.parts == Part.BACKDROP, look.parts == Part.SUBJECT, thresholds)


def tone_of_light(bright: NDArray[Any], backdrop: Mask, subject: Mask, thresholds: Thresholds) -> Tone | None:
    """Return the same of a picture's light, (rows, columns) of the brightest channel."""
    if not backdrop.any():
        return None
    level = middle(bright[backdrop])
    if not subject.any():
        return "white" if level > 0.5 else "grey" if level > 0.02 else "black"
    search = thresholds.backdrop
    under, under_top = np.log2((np.array(percentiles(bright[subject], (90, 99))) + 1e-4) / (level + 1e-4))
    if under >= search.black_under_stops or under_top >= search.black_under_top_stops:
        return "black"
    as_bright = under <= search.white_under_stops and under_top <= search.white_under_top_stops
    return "white" if as_bright and level > 0.3 else "grey"


def judge_backdrop(look: Look, tone: Tone, thresholds: Thresholds, response: Response = PRIOR) -> Cleanness | None:
    """
    Return the verdict on the backdrop, or None when the frame shows none.

    `response` is the camera's, by which stops are counted in its JPEGs.

    A raw frame that came with its JPEG must be clean in both: the one is the light, the other what is handed on.
    """
    own = _judge_one(look, tone, thresholds, response)
    shown = None if look.shown is None else _judge_one(look.shown, tone, thresholds, response)
    if own is None or shown is None or shown.clean or not own.clean:
        return own
    slack = min(own.slack_stops, shown.slack_stops)
    return replace(own, clean=False, slack_stops=slack, spill=shown.spill, only_grain=shown.only_grain)


def _judge_one(look: Look, tone: Tone, thresholds: Thresholds, response: Response) -> Cleanness | None:
    spread = Distribution(look.counts[Part.BACKDROP])
    core = look.parts == Part.BACKDROP
    if not spread.pixels:
        return None
    bright = look.calm
    level = np.sort(bright[core])
    over, only_grain = _over_stops(look, spread, thresholds), False
    if tone == "black" and over > 0 and look.kind != "raw":
        calm = _calm_over(look, thresholds)
        over, only_grain = (calm, True) if calm < 0 else (over, False)
    if look.kind != "raw":
        over = _read_through(response, over, _limit(thresholds))
    evenness = _evenness(level)
    clean = {
        "black": over <= 0 and not only_grain,
        "white": _is_clean_white(look, core, thresholds),
        "grey": evenness <= thresholds.grey.even_stops,
    }[tone]
    spill = None
    if tone == "black" and over > 0:
        spilled = core & (bright > light_of_code(thresholds.black.clean_p99_code))
        spill = Spill(side_of(bright, core, thresholds), float(spilled.mean()), over)
    return Cleanness(
        tone=tone,
        area=float(look.backdrop.mean()),
        clean=clean,
        p50=spread.percentile_code(50) or 0,
        p95=spread.percentile_code(95) or 0,
        p99=spread.percentile_code(99) or 0,
        max=spread.max_code or 0,
        stops_below_white=_stops_below_white(level),
        evenness_stops=evenness,
        slack_stops=-over if tone == "black" else _white_slack(level, thresholds) if tone == "white" else 0.0,
        spill=spill,
        only_grain=only_grain,
    )


def _stops_below_white(level: NDArray[np.float32]) -> float | None:
    """Return how far the median lies under white; None where it is under all codes: then only that much is known."""
    median = middle(level)
    return stops_below_white(median) if median >= light_of_code(0.5) else None


def _over_stops(look: Look, spread: Distribution, thresholds: Thresholds) -> float:
    """Return how many stops a black backdrop lies over clean, the worse of its two limits; negative: under."""
    black = thresholds.black
    over = _over_limit(spread.percentile_light(99) or 0.0, thresholds)
    if (spread.percentile_code(99) or 0) <= black.clean_p99_code:
        over = min(over, 0.0)
    return _patch_over_stops(look, over, thresholds)


def _calm_over(look: Look, thresholds: Thresholds) -> float:
    """Return the same by the light of cells, in which noise is averaged out: it is no light."""
    black, core = thresholds.black, look.parts == Part.BACKDROP
    calm = mean_within(core, look.bright, _CALM_CELLS)
    over = _over_limit(percentile(calm[core], 99), thresholds)
    patched = _largest(_clear(core) & (calm > light_of_code(black.patch_code + 0.5))) > black.patch_share * core.size
    return max(over, 0.0) if patched else over


_CALM_CELLS = 5  # along: of a JPEG of a megapixel a hundred pixels, a tenth of their noise


def _over_limit(light: float, thresholds: Thresholds) -> float:
    """Return how many stops a light lies over what 99 of 100 of a clean black backdrop have at the most."""
    return float(np.log2(max(light, 1e-5) / _limit(thresholds)))


def _limit(thresholds: Thresholds) -> float:
    """Return that light. A whole code counts as its middle: 99 of 100 at most at code 5 is clean to code 5.5."""
    return light_of_code(thresholds.black.clean_p99_code + 0.5)


def _read_through(response: Response, stops: float, limit: float) -> float:
    """Return stops over a limit, counted on the sRGB curve, as the camera's own curve counts them."""
    level, at_limit = (float(response.light_of(code_of_light(light))) for light in (limit * 2**stops, limit))
    return float(np.log2(max(level, 1e-7) / max(at_limit, 1e-7)))


def _patch_over_stops(look: Look, over: float, thresholds: Thresholds) -> float:
    """Return `over`, or more where the largest patch above the patch code needs to fall further to be small enough."""
    black = thresholds.black
    core = _clear(look.parts == Part.BACKDROP)
    bright = np.where(core, look.calm, np.float32(0))
    limit, level = black.patch_share * bright.size, light_of_code(black.patch_code + 0.5)
    patched = _largest(core & (look.over_patch > 127)) > limit
    low = max(over, 0.02 if patched else over)
    if _largest(bright > level * 2**low) <= limit:
        return low
    high = max(low + 1 / 32, float(np.log2(bright.max() / level)))
    while high - low > 1 / 32:
        middle = (low + high) / 2
        if _largest(bright > level * 2**middle) > limit:
            low = middle
        else:
            high = middle
    # No patch now: what was measured of cells must not say otherwise.
    return high if patched else max(over, min(high, 0.0))


def _clear(core: Mask) -> Mask:
    """
    Return the backdrop without a strip beside the subject.

    What the lens smears there is a thin line, but as long as the outline: it would make the area of a patch.
    """
    return eroded(core, _SMEARED)


_SMEARED = 2  # cells, and as many as are not judged at all


def _largest(mask: Mask) -> int:
    """Return the largest patch, in cells."""
    if not mask.any():
        return 0
    return int(pieces_of(mask, connectivity=8)[1][1:].max())


def _evenness(level: NDArray[np.float32]) -> float:
    """Return the 95th over the 5th percentile of the cells' light, in stops; darkest light taken as half a code."""
    least = light_of_code(0.5)
    low, high = (max(light, least) for light in percentiles(level, (5, 95)))
    return float(np.log2(high / low))


def _is_clean_white(look: Look, core: Mask, thresholds: Thresholds) -> bool:
    share = float(look.all_white[core].mean()) / 255
    return share >= thresholds.white.clean_share and not _edge_eaten(look)


def _edge_eaten(look: Look) -> bool:
    """
    Say whether the white has crept over the subject's edge: more than a twentieth of it is white all through.

    The first two cells at the line may hold backdrop; those behind them are the subject's.
    """
    backdrop = look.backdrop.astype(np.uint8)
    near, behind = (cv2.dilate(backdrop, np.ones((wide, wide), np.uint8)) > 0 for wide in (5, 9))
    edge = behind & ~near & look.subject
    return bool(edge.any()) and float((look.all_white[edge] > 250).mean()) > 0.05


def _white_slack(level: NDArray[np.float32], thresholds: Thresholds) -> float:
    """Return how far a white backdrop's exposure may fall before it stops being clean; negative: must rise."""
    lowest = max(percentile(level, 100 * (1 - thresholds.white.clean_share)), light_of_code(0.5))
    return float(np.log2(lowest / light_of_code(thresholds.white.clean_code)))


def side_of(bright: NDArray[np.float32], core: Mask, thresholds: Thresholds) -> Side | None:
    """Return the side from which the backdrop is lit: the outer third there against the one opposite."""
    floor = light_of_code(0.5)  # nothing is told apart below
    found: list[tuple[float, Side]] = []
    sides: tuple[tuple[int, Side, Side], ...] = ((1, "left", "right"), (0, "top", "bottom"))
    for axis, low_side, high_side in sides:
        place = np.linspace(-1, 1, core.shape[axis])
        thirds = (
            np.compress(third, grid, axis) for third in (place < -1 / 3, place > 1 / 3) for grid in (bright, core)
        )
        low, high = (light[behind] for light, behind in zip(thirds, thirds, strict=True))
        if len(low) and len(high):
            tilt = float(np.log2(max(high.mean(), floor) / max(low.mean(), floor)))
            found.append((abs(tilt), high_side if tilt > 0 else low_side))
    if not found:
        return None
    tilt, side = max(found)
    return side if tilt >= thresholds.backdrop.side_stops else None
