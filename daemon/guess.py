"""Which lamp does a frame show alone? Guessed from frames that were marked, for a person to say yes to."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from lampblack.daemon.lampbook import ALL, NONE
from lampblack.rules.layers import Layers, LayersError, gather
from lampblack.rules.look import Look
from lampblack.rules.match import match_frame
from lampblack.rules.response import Response
from lampblack.rules.thresholds import Thresholds

Event = dict[str, Any]

_ON, _OFF = -2.0, -3.5  # stops under how it was when it was marked: lit, and dark
_FITS = 0.25  # stops of misfit: more is another subject, or another place of the camera


class Guesses:
    """The marked frames of a setup, as layers; made anew only when the marks or the tone response change."""

    def __init__(self, thresholds: Thresholds) -> None:
        """Nothing is marked yet."""
        self._thresholds = thresholds
        self._of: tuple[dict[str, Look], Response] | None = None
        self._layers: Layers | None = None

    def of(self, marked: Mapping[str, Look], look: Look, response: Response) -> list[Event]:
        """
        Return a notice on what a frame shows; none where that can't be told, or is all lamps as usual.

        Args:
            marked: frames by what they were marked to show.
            look: the new one.
            response: the camera's tone response.
        """
        if len(set(marked) - {ALL, NONE}) < 2:
            return []
        if self._of is None or self._of != (dict(marked), response):
            self._layers, self._of = self._gathered(marked, response), (dict(marked), response)
        if self._layers is None:
            return []
        try:
            found = match_frame(self._layers, look)
        except LayersError:
            return []
        on = [lamp.name for lamp in found.lamps if lamp.off > _ON]
        off = [lamp.name for lamp in found.lamps if lamp.off < _OFF]
        if found.misfit > _FITS or len(on) != 1 or len(on) + len(off) < len(found.lamps):
            return []
        return [{"kind": "lamp", "text": f"This looks like {on[0]} alone: l in the panel marks it."}]

    def _gathered(self, marked: Mapping[str, Look], response: Response) -> Layers | None:
        alone = [(name, each) for name, each in marked.items() if name not in (ALL, NONE)]
        try:
            return gather(alone, self._thresholds, response, dark=marked.get(NONE))
        except LayersError:
            return None
