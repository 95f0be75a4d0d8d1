"""Frames of the mock studio for tests that want a few: it is set up once, and no frame is shot twice."""

from __future__ import annotations

from functools import cache

from lampblack.mock_camera.body import Settings
from lampblack.mock_camera.studio import Studio

_studio = cache(Studio.load)
"""Nobody moves a lamp in it; who wants to loads one of their own."""


@cache
def photographed(
    f_number: float, number: int = 1, megapixels: float = 0.5, *, formats: tuple[str, ...] = ("dng",), iso: float = 200
) -> tuple[tuple[str, bytes], ...]:
    """Return a frame's files by ending, DNG or JPG: the black arrangement with all its lamps, at a 64th of a second."""
    shot = Settings(f_number, 1 / 64, "1/60", iso, "tungsten", formats, "2026-03-02T10:00:00.00")
    return _studio().photograph(shot, number, megapixels).files


def dng(f_number: float, number: int = 1, megapixels: float = 0.5, *, iso: float = 200) -> bytes:
    """Return a frame's raw file."""
    return photographed(f_number, number, megapixels, iso=iso)[0][1]
