"""Judging with a memory: what was learned of a camera's tone response serves its next setup and its next shoot."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from lampblack.daemon.responses import Key, ResponsesError, keep, load
from lampblack.rules import shoot
from lampblack.rules.look import Look
from lampblack.rules.thresholds import Thresholds
from lampblack.rules.verdict import Verdict

log = logging.getLogger(__name__)


def judge(
    setup: shoot.Setup,
    look: Look,
    thresholds: Thresholds,
    *,
    file: str,
    frame: int,
    recall: Callable[[Key], Any] | None = None,
) -> tuple[shoot.Setup, Verdict]:
    """
    Judge as `rules.shoot.judge` does, from what is remembered of the camera, and remember what it taught.

    What can't be read or kept is said in the log and costs the memory only. recall: how what is remembered is looked
    up; None: as it stands now.
    """
    key = _key(look)
    if key is not None and setup.response.source == "prior":
        remembered = (recall or recalled)(key) or setup.lessons.remembered
        setup = replace(setup, lessons=replace(setup.lessons, remembered=remembered))
    after, verdict = shoot.judge(setup, look, thresholds, file=file, frame=frame)
    known = (setup.response, after.lessons.remembered)
    if key is not None and after.response.source != "prior" and after.response not in known:
        _remember(key, after.response)
    return after, verdict


def _key(look: Look) -> Key | None:
    """Return what a curve is kept under; a camera that doesn't give its name has none."""
    coded = look.shown if look.kind == "raw" else look
    if coded is None or not coded.shot.camera:
        return None
    return Key.of(coded.shot.camera, coded.shot.style or "", coded.shot.exposure.iso)


def recalled(key: Key) -> Any:
    """Return the curve that is remembered under a key, None for none."""
    try:
        return load(key)
    except ResponsesError as trouble:
        log.warning("%s", trouble)
        return None


def _remember(key: Key, response: Any) -> None:
    try:
        said = keep(key, response)
    except (ResponsesError, ValueError) as trouble:
        log.warning("the camera's tone response could not be kept: %s", trouble)
        return
    if said:
        log.warning("%s", said)
