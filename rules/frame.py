"""The nouns: a shot's circumstances and its pixels."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from lampblack.rules.colour import Profile
from lampblack.rules.exposure import Exposure
from lampblack.rules.optics import Optics

Kind = Literal["jpeg", "tiff", "raw"]


@dataclass(frozen=True)
class Shot:
    """What the file says of its own taking; None where it doesn't. Texts are already clean."""

    exposure: Exposure = field(default_factory=Exposure)
    taken_at: str | None = None
    """Local time of the camera, ISO 8601 with whatever fraction of a second the file gives."""
    camera: str | None = None
    lens: str | None = None
    style: str | None = None
    """How the camera was told to develop its JPEG, as far as Exif has words for it; None for plainly."""
    optics: Optics = field(default_factory=Optics)
    automatic: bool | None = None
    """Whether the camera's own meter chose the exposure."""


@dataclass(frozen=True, eq=False)
class Picture:
    """
    One frame's pixels, upright (Exif orientation applied).

    codes: (height, width, 3) R, G, B as the file shows them: sRGB-coded, uint8 or uint16
    (full range). Read-only. turned: the sensor's rows run down the upright picture.
    """

    kind: Kind
    codes: NDArray[np.uint8] | NDArray[np.uint16]
    shot: Shot
    turned: bool = False

    def __post_init__(self) -> None:
        """Refuse what later arithmetic would misread."""
        if self.codes.ndim != 3 or self.codes.shape[2] != 3 or 0 in self.codes.shape:
            raise ValueError(f"a picture is height x width x 3, not {self.codes.shape}")
        if self.codes.dtype not in (np.uint8, np.uint16):
            raise ValueError(f"a picture has 8- or 16-bit codes, not {self.codes.dtype}")
        self.codes.flags.writeable = False

    @property
    def width(self) -> int:
        """Return the number of columns, upright."""
        return int(self.codes.shape[1])

    @property
    def height(self) -> int:
        """Return the number of rows, upright."""
        return int(self.codes.shape[0])


@dataclass(frozen=True, eq=False)
class Plane:
    """
    The samples behind one place of a sensor's colour pattern, upright.

    samples: (rows, columns) uint16, as they are in the file but for a common power of two. channel: 0 red, 1 green,
    2 blue. black, white: the levels of no light and of saturation as the file tags them, in the samples' unit.
    """

    samples: NDArray[np.uint16]
    channel: int
    black: float
    white: float


@dataclass(frozen=True, eq=False)
class Basis:
    """
    How a camera's colours are developed.

    balance: (3,) its white balance, least 1. to_srgb: (3, 3) balanced camera colours to linear sRGB; a grey stays grey.
    profiles: what it sees of known lights.
    """

    balance: NDArray[np.float64]
    to_srgb: NDArray[np.float64]
    profiles: tuple[Profile, ...] = ()

    def cut_at_white(self, light: NDArray[np.float32]) -> NDArray[np.float32]:
        """
        Return (..., 3) linear sRGB light as it is shown: no channel over what the least balanced one can hold.

        Where green is full, and red and blue, which balance lifts more, are not, what is white would come out purple.
        """
        balanced = np.minimum(light @ np.linalg.inv(self.to_srgb).T.astype(np.float32), np.float32(1))
        cut: NDArray[np.float32] = np.maximum(balanced @ self.to_srgb.T.astype(np.float32), np.float32(0))
        return cut


@dataclass(frozen=True, eq=False)
class Sensor:
    """
    One frame's sensor samples.

    planes: one for each place of the colour pattern; equal in size. period: (down, across) pixels of the frame for one
    of a plane's samples. balance: (3,) the camera's white balance, least 1. to_srgb: (3, 3) balanced camera colours
    to linear sRGB; a grey stays grey.
    """

    planes: tuple[Plane, ...]
    width: int
    height: int
    period: tuple[int, int]
    balance: NDArray[np.float64]
    to_srgb: NDArray[np.float64]
    shot: Shot
    kind: Kind = "raw"
    profiles: tuple[Profile, ...] = ()
    """What the camera sees of known lights."""
    turned: bool = False
    """Whether the sensor's rows run down the upright picture."""

    @property
    def basis(self) -> Basis:
        """Return how its colours are developed."""
        return Basis(self.balance, self.to_srgb, self.profiles)

    def __post_init__(self) -> None:
        """Refuse what later arithmetic would misread."""
        if not self.planes or len({plane.samples.shape for plane in self.planes}) != 1:
            raise ValueError("a sensor has planes, all of one size")
