"""The mock camera's command with a made-up studio, whose frames say what light there was."""

from __future__ import annotations

import sys
from collections.abc import Mapping

from caller import EXTENSIONS

from lampblack.mock_camera import cli
from lampblack.mock_camera.body import Exposed, Settings


class Studio:
    arrangements = ("table", "shelf")
    lamps = ("key", "rim")

    def __init__(self, seed: int) -> None:
        self.light: dict[str, float | None] = {"key": 0.0, "rim": 0.0}
        self.place = "table"
        self.seed = seed

    def arrange(self, name: str) -> None:
        self.place = name

    def set_lamp(self, name: str, gain_stops: float | None) -> None:
        self.light[name] = gain_stops

    def meter(self, iso: int, shutter_s: float) -> Mapping[str, object]:
        return {"iso": iso, "shutter_s": shutter_s}

    def photograph(self, settings: Settings, number: int, megapixels: float) -> Exposed:
        if self.place == "shelf":
            raise ZeroDivisionError("the shelf broke")
        truth = {"light": dict(self.light), "seed": self.seed, "megapixels": megapixels}
        return Exposed(tuple((EXTENSIONS[f], f"{f} {number} {self.light}".encode()) for f in settings.formats), truth)


sys.exit(cli.run(sys.argv[1:], Studio, sys.stdin, sys.stdout))
