"""The camera's body: what is dialled in, and what a press of the shutter hands over."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Settings:
    """What one frame is taken with."""

    f_number: float
    """As marked on the lens: 5.6 stands for 2 ** 2.5."""
    shutter_s: float
    """Exact seconds: the time marked 1/60 is 1/64 s."""
    shutter: str
    """As marked: `1/60`, `0.5`, `1`."""
    iso: int
    """As marked: 125 stands for 100 * 2 ** (1/3)."""
    white_balance: str
    """`daylight`, `tungsten`, `fluorescent`, `automatic` or `custom`."""
    formats: tuple[str, ...]
    """What to write, in this order: `("jpeg",)`, `("dng",)` or `("dng", "jpeg")`."""
    taken_at: str
    """The camera clock when the shutter opened, ISO 8601 without zone, to hundredths of a second."""


@dataclass(frozen=True)
class Exposed:
    """What a frame became."""

    files: tuple[tuple[str, bytes], ...]
    """Extension (upper case, no dot) and whole content, in the order of `Settings.formats`."""
    truth: Mapping[str, object]
    """What is known of the light in this frame; JSON can hold it."""
