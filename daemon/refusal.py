"""Frames that cannot be measured, and why: one line, what is wrong and what to do."""

from __future__ import annotations

from dataclasses import dataclass

from lampblack.daemon.clean import clean
from lampblack.rules.thresholds import Thresholds


@dataclass(frozen=True)
class Refused:
    """A frame that cannot be measured. final: False when the file looks unfinished and may still grow."""

    reason: str
    final: bool


class FrameRefusedError(Exception):
    """The file cannot be measured; the text is one line: what is wrong and what to do. `final` as in `Refused`."""

    def __init__(self, reason: str, *, final: bool = True) -> None:
        """Take the line, and whether waiting could help."""
        super().__init__(clean(reason))
        self.final = final


def refuse_bomb(width: int, height: int, bytes_a_pixel: int, size: int, thresholds: Thresholds) -> None:
    """Refuse a picture by what its header claims, before anything is unpacked."""
    intake = thresholds.intake
    megapixels = width * height / 1e6
    if megapixels > intake.most_megapixels:
        raise FrameRefusedError(
            f"claims {megapixels:.0f} megapixels, more than the {intake.most_megapixels:.0f} allowed: leave it out, "
            "or raise most_megapixels in thresholds.toml"
        )
    if width * height * bytes_a_pixel > intake.most_expansion * max(size, 2048):
        raise FrameRefusedError(
            f"claims {megapixels:.0f} megapixels in {size / 1e3:.0f} kB, as no camera's frame does: leave it out"
        )
    if min(width, height) < 16:
        raise FrameRefusedError(f"{width} x {height} pixels are too few to measure: give the frame itself")
