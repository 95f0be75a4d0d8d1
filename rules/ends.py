"""
Where a camera's codes end, and how much of a picture lies there.

What is clipped piles up at the last code of the camera's curve. Compression takes some of the pile a code or three
down, and where the curve ends early, up as well: counted from any one code, too little is found or, where pale tones
lie close under white, too much. So the pile is what rises at the end over the tones that lead up to it.

An evenly lit sheet piles up as well. But where one channel is clipped the others go on with the light, and a sheet's
channels rise and fall together: that tells the two apart wherever anything but grey is burnt out.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from lampblack.rules.distribution import Distribution, percentiles
from lampblack.rules.tone import light_of_code

LAST = 255
USUAL_END = 254
"""The code that most cameras' JPEGs are taken to be white from: compression moves a clipped 255 by a code."""

_LOWEST_TOP = 246
_PILE_SHARE = 2e-4  # of all pixels; fewer say nothing
_PILE_PIXELS = 50
_RINGING = 0.75  # compression throws so many pixels of a pile, at its edges, up to the end of the codes at the most
_RISING, _OF_ITS_OWN = 4.0, 0.02
"""... and there are no more than so many times as many at the end as a code under it: else they are a pile of their
own, so large a share of the other."""
_AGAIN, _MUCH = 0.9, 0.2
"""... and none holds that many times the code under it, and so many of the pile: what compression throws up
thins out upward, and a smooth tone, rounded in steps of more than a code, is a comb."""
_SHARP = 2.0  # times the mean of the three codes below: noise would have spread an unclipped tone
_FALLING = 1.25  # times the code above, ...
_LOPSIDED = 0.5  # ... or that holds more than twice the code below: thin highlights ring, and only upward
_AS_MANY = 0.8
_MOST_OF_ALL = 0.6  # of the picture on two codes, ...
_ABOUT = 0.25  # ... and so few times as many on both sides: burnt out all over; a sheet's noise spreads farther
_HOLLOW = (
    1.2  # a noisy tone's counts fall ever faster from its middle, those of a pile on a broad foot at once, then slowly
)
FALLEN = 6  # codes; compression throws nothing farther down
_FALL = (1 / 3, 1 / 2)  # of the pile a code down, and of that each code more, at the most: a tone of its own has more


def end_code(counts: NDArray[Any]) -> int:
    """
    Return the last code of the camera's curve: 255, or a lower one where it ends early.

    Some tone curves end at 250 to 254. Such an end shows as a pile: far more pixels on one code than on those just
    below it, since what is clipped has no noise, and fewer again above, where only the ringing of the compression
    reaches. A pale plain tone is as wide below its middle as above. Several exposures' counts may be added: a pale
    tone moves, the end stays.

    Args:
        counts: (256,) pixels by code.
    """
    n = np.asarray(counts, np.float64)
    peak = int(np.argmax(n[_LOWEST_TOP:LAST])) + _LOWEST_TOP
    pile, under, over = n[peak], n[peak - 1], n[peak + 1]
    burnt = pile + under > _MOST_OF_ALL * n.sum() and n[peak - 2] + over < _ABOUT * (pile + under)
    if burnt and pile > max(under, _PILE_PIXELS):
        return peak
    if pile < max(_PILE_PIXELS, _PILE_SHARE * n.sum()) or n[max(peak + 1, 254) :].max() > _RINGING * pile:
        return LAST
    if n[LAST] > max(_RISING * n[LAST - 1], _OF_ITS_OWN * pile):
        return LAST
    upward = n[peak + 1 : LAST]
    if np.any((upward[1:] > _AGAIN * upward[:-1]) & (upward[1:] > _MUCH * pile)):
        return LAST
    if pile < _SHARP * n[peak - 3 : peak].mean() or (pile < _FALLING * over and under > _LOPSIDED * over):
        return LAST
    return LAST if pile * n[peak - 2] < _HOLLOW * under**2 else peak


def end_between(foretold: NDArray[Any], codes: NDArray[Any]) -> int:
    """
    Return the last code of the camera's curve as a darker frame of the same scene shows it: 255, or a lower one.

    What must clip by what the darker one tells has one code here, and hardly anything has a higher one: that is the
    end, however the rest of the picture is spread.

    Args:
        foretold: (n,) the light that cells have by the darker frame at the least; 1 at white.
        codes: (n,) the highest channel's code of the same cells.
    """
    must = codes[foretold >= 1]
    if len(must) < _LEAST_CELLS:
        return LAST
    low, end, high = percentiles(must, (10, 50, 90))
    told = high - low <= _ONE_CODE and np.count_nonzero(codes > end + _ONE_CODE) <= len(must) / 10
    return round(end) if told and _LOWEST_TOP - 0.5 <= end < USUAL_END - 0.5 else LAST


_LEAST_CELLS = 160  # of the sixty thousand that frames are held against each other by
_ONE_CODE = 2.0  # so far apart are means of cells that all have one code, once compressed


HIGH = 240
"""Code of the brightest channel from which on it is asked what the darkest shows beside it."""


def end_of(counts: NDArray[Any], darkest: NDArray[Any]) -> int:
    """
    Return the last code of the camera's curve as one picture shows it.

    Args:
        counts: (n, 256) pixels by code, of the brightest channel and, if wanted, of another by itself.
        darkest: (16, 64) pixels by the code of their brightest channel, from `HIGH`, and by that of their darkest, four
            codes to a bin.
    """
    piled = min(end_code(of) for of in counts)
    pinned = _pinned(np.asarray(darkest, np.float64).T)
    if pinned is None or abs(pinned - piled) <= 1:
        return piled
    if pinned >= USUAL_END:
        return LAST
    return pinned - 1 + int(np.argmax(counts[0][pinned - 1 : pinned + 2]))


def _pinned(n: NDArray[np.float64]) -> int | None:
    """Return the code at which the brightest channel stands still while the darkest goes on; None where it doesn't."""
    lowest = _LOWEST_TOP - HIGH
    rows = np.arange(len(n))
    end = np.argmax(n[:, lowest:], axis=1) + lowest
    most, two_under, three_under = (n[rows, end - down] for down in (0, 2, 3))
    beyond = np.where(np.arange(n.shape[1]) >= end[:, None] + 3, n, 0).max(axis=1)
    steep = most >= np.maximum(_STEEP[0] * two_under, _STEEP[1] * np.maximum(three_under, beyond))
    coloured = rows * _BIN + _BIN - 1 <= HIGH + end - _APART
    counted = coloured & steep & (most >= _FEW)
    votes = np.bincount(end[counted], minlength=n.shape[1] + 1)  # one more than there are: neighbours go round
    near = votes + np.roll(votes, 1) + np.roll(votes, -1)
    heavy = np.bincount(end[counted], weights=most[counted], minlength=len(votes))
    found = max(range(lowest, n.shape[1]), key=lambda code: (near[code] + votes[code] / 2, heavy[code]))
    return HIGH + found if near[found] >= max(_VOTES, _AGREED * votes.sum()) else None


_BIN = 4  # codes
_APART = 4  # codes that the darkest channel lies under the brightest at the least: else both may be clipped
_FEW = 15  # pixels of a bin tell nothing
_STEEP = (1.5, 2.0)  # times what lies two codes under, and three or more to either side
_VOTES, _AGREED = 5, 0.7  # bins that tell the same end, to a code, at the least, and their share of all that tell one


def top_code(counts: NDArray[Any], end: int) -> int:
    """
    Return the code from which a single pixel counts as at white: 254, 255, or one at or below an early end.

    Where the second code down from the end holds as many as the first, both are tones of their own: then only the last
    code is white. Args: as for `end_code`, and where the curve ends.
    """
    n = np.asarray(counts, np.float64)
    if end == LAST:
        return LAST if n[253] > _AS_MANY * n[254] else USUAL_END
    return end if n[end - 2] > _AS_MANY * n[end - 1] else end - 1


def clips_from(counts: NDArray[Any], end: int, *, lossy: bool) -> float:
    """
    Return the light from which on as many pixels lie as are clipped, as the codes read in sRGB; at most the end's.

    Args:
        counts: (256,) pixels by code.
        end: see `end_code`.
        lossy: the codes have been through compression that moves them.
    """
    n = np.asarray(counts, np.float64)
    white = light_of_code(end - 0.5)
    piled = float(n[end:].sum())
    if not piled or not lossy:
        return white
    # The tones that lead up to the end hold about as many each, as the fewest of the three next to it tells.
    usual = n[end - 4 : end - 1].min()
    over = np.maximum(n[end - FALLEN : end] - usual, 0)[::-1]
    most = _FALL[0] * piled
    for fallen in over:
        fell = min(float(fallen), most)
        piled, most = piled + fell, _FALL[1] * fell
    from_light = Distribution(np.asarray(counts)).percentile_light(100 * (1 - piled / n.sum()))
    return white if from_light is None else min(from_light, white)
