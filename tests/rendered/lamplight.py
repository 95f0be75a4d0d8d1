"""Rendered scenes lit by one lamp or several, shot by an invented camera (`world.py`)."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from rendered.world import APERTURES, CAMERAS, GAINS, Camera, Floats, _layer, av, enlarged, index, write_dng, write_jpeg

LUMA = np.array([0.2126, 0.7152, 0.0722], np.float32)  # IEC 61966-2-1
kinds = pytest.mark.parametrize("kind", ["raw", "jpeg"])


@dataclass(frozen=True)
class Lamplight:
    """A scene, and the camera before it, both by name."""

    scene: str
    seen_by: str

    @property
    def camera(self) -> Camera:
        return CAMERAS[self.seen_by]

    def lamp(self, which: int, how: str = "") -> Floats:
        """The light of one lamp, as large as the camera sees it; how: where it was moved to, if it was."""
        return _lamp(self, which, how)

    def at_f1(self) -> float:
        """Exposure at f/1 that puts the brightest parts of all lamps a stop under white at f/8."""
        return _at_f1(self)

    def holding(self, light: Floats) -> float:
        """The widest aperture at which this light clips nothing to speak of."""
        top = float(np.percentile(cv2.transform(light, self.camera.from_light).max(axis=2), 99.9))
        return min(n for n in APERTURES if top * 2 ** (self.at_f1() - av(n)) < 0.8 or n == APERTURES[-1])

    def shoot(self, path: Path, kind: str, light: Floats, f_number: float, seed: int) -> None:
        """Write a frame of that light."""
        camera = self.camera
        shares = cv2.transform(light, camera.from_light * np.float32(2 ** (self.at_f1() - av(f_number))))
        counts = camera.counts(np.asarray(shares, np.float32), seed)
        if kind == "raw":
            write_dng(path, counts, camera, f_number)
        else:
            write_jpeg(path, camera.developed(camera.demosaiced(counts), camera.curve), camera, f_number)


@cache
def _lamp(of: Lamplight, which: int, how: str) -> Floats:
    layer, file = list(index()["scenes"][of.scene]["layers"].items())[which]
    light = _layer(f"{of.scene}-{layer}-{how}.jxl" if how else file)
    return enlarged(GAINS[of.scene][which] * light, of.camera.times)


@cache
def _at_f1(of: Lamplight) -> float:
    total = cv2.transform(of.lamp(0) + of.lamp(1), of.camera.from_light).max(axis=2)
    return float(av(8.0) - 1 - np.log2(np.percentile(total, 99.8)))
