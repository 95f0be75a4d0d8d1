"""Judging with a memory: what cameras have shown of tone response and saturation serves the next setup and shoot."""

from __future__ import annotations

import logging
import zlib
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Any

from lampblack.daemon import saturations
from lampblack.daemon.kept import KeptError
from lampblack.daemon.responses import Key, keep, load
from lampblack.rules import shoot
from lampblack.rules.look import Look
from lampblack.rules.thresholds import Thresholds
from lampblack.rules.verdict import Verdict
from lampblack.rules.wells import NO_WELLS, Wells

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
        _remember("the camera's tone response", partial(keep, key, after.response))
    if look.full is not None and look.full.source == "data" and look.full.body.camera:
        _remember("where the camera is full", partial(saturations.keep, look.full, _mark_of(look)))
    return after, verdict


def wells() -> Wells:
    """Return what is remembered of where cameras are full."""
    try:
        return Wells(kept=saturations.load())
    except KeptError as trouble:
        log.warning("%s", trouble)
        return NO_WELLS


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
    except KeptError as trouble:
        log.warning("%s", trouble)
        return None


def _remember(what: str, kept: Callable[[], str | None]) -> None:
    try:
        said = kept()
    except (KeptError, ValueError) as trouble:
        log.warning("%s could not be kept: %s", what, trouble)
        return
    if said:
        log.warning("%s", said)


def _mark_of(look: Look) -> str:
    """Return what tells a frame from others, wherever its file is: its own light."""
    return f"{zlib.crc32(look.levels.sum(axis=0).tobytes()):08x}"
