"""Which lamp does a frame show alone? Guessed from frames that were marked, for a person to say yes to."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from lampblack.daemon.lampbook import ALL, NONE
from lampblack.rules.layers import LayersError, gather
from lampblack.rules.look import Look
from lampblack.rules.match import match_frame
from lampblack.rules.response import Response
from lampblack.rules.thresholds import Thresholds

Event = dict[str, Any]

_ON, _OFF = -2.0, -3.5  # stops under how it was when it was marked: lit, and dark
_FITS = 0.25  # stops of misfit: more is another subject, or another place of the camera


def guess(marked: Mapping[str, Look], look: Look, thresholds: Thresholds, response: Response) -> Event | None:
    """
    Return a notice on what a frame shows, None where that can't be told or is all lamps, as usual.

    Args:
        marked: frames by what they were marked to show.
        look: the new one.
        thresholds: the thresholds.
        response: the camera's tone response.
    """
    alone = [(name, each) for name, each in marked.items() if name not in (ALL, NONE)]
    if len(alone) < 2:
        return None
    try:
        found = match_frame(gather(alone, thresholds, response, dark=marked.get(NONE)), look)
    except LayersError:
        return None
    on = [lamp.name for lamp in found.lamps if lamp.off > _ON]
    off = [lamp.name for lamp in found.lamps if lamp.off < _OFF]
    if found.misfit > _FITS or len(on) != 1 or len(on) + len(off) < len(alone):
        return None
    return {"kind": "lamp", "text": f"This looks like {on[0]} alone: l in the panel marks it."}
