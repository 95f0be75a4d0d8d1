"""
What is worth a sound to somebody who doesn't look: so many strokes of the terminal's bell. Pure.

One: done. Two: look here. Three: the backdrop isn't clean.
"""

from __future__ import annotations

from lampblack.daemon.panel_state import PanelState

DONE, LOOK, UNCLEAN = 1, 2, 3


def cue(before: PanelState, after: PanelState) -> int:
    """Return how often the bell is to ring for what has changed; 0 for nothing."""
    if before.link != "up" or after.link != "up":
        return LOOK if before.link == "up" else 0
    if before.camera.state not in ("lost", "asleep") and after.camera.state in ("lost", "asleep"):
        return LOOK
    if after.prompt and (after.prompt, after.said) != (before.prompt, before.said):
        return LOOK
    if before.running and not after.running:
        return DONE if after.said is not None and after.said.ok else LOOK
    newest = after.newest
    if newest is not None and not after.running and (before.newest is None or newest.file != before.newest.file):
        return UNCLEAN if newest.backdrop.clean is False else DONE
    return 0
