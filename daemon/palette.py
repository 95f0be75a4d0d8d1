"""
Colours by what they mean, one set for panel and page.

They are those of a kiln: amber for light that is lost, violet for light where none should be, celadon where all is
well. The ground is our own near black, so that contrast does not hang on anyone's theme and the screen adds little
light to the studio.
"""

from __future__ import annotations

RGB = tuple[int, int, int]

GROUND: RGB = (14, 14, 16)
COLOURS: dict[str, RGB] = {
    "plain": (206, 202, 194),
    "strong": (250, 246, 236),
    "dim": (138, 134, 128),
    "good": (142, 196, 164),
    "clip": (244, 172, 60),
    "spill": (190, 146, 250),
    "trouble": (255, 138, 112),
    "key": (236, 214, 170),
}
