"""
What differs between two frames of rendered scenes: exposure alone, all the light, or one lamp's.

Truth is what was done to the lamps; the curves are invented cameras' (`world.py`), which no measuring code knows.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from lampblack.daemon.config import load_thresholds
from lampblack.daemon.eye import see_here
from lampblack.daemon.journal import Kept
from lampblack.daemon.review_state import tile_of
from lampblack.rules import shoot
from lampblack.rules.differ import Difference, Facts, differ
from rendered.lamplight import Lamplight, kinds

T = load_thresholds()
LIT = {
    name: Lamplight(name, camera)
    for name, camera in {"kettle": "steep", "sitter": "short", "vase": "steep", "bottle": "flat"}.items()
}
THIRD = 1 / 3


def facts(folder: Path, name: str, kind: str, gains: tuple[float, float], f_number: float) -> Facts:
    path = folder / f"{gains}-{f_number}.{'dng' if kind == 'raw' else 'jpg'}"
    light = gains[0] * LIT[name].lamp(0) + gains[1] * LIT[name].lamp(1)
    LIT[name].shoot(path, kind, light, f_number, round(100 * sum(gains) + f_number))
    seen = see_here(os.fsencode(path), T)
    verdict = shoot.judge(shoot.new_setup(1), seen.look, T, file=path.name, frame=1)[1].as_json()
    return tile_of(Kept(b"x", "d", 1, 1, verdict, seen.preview or {}), None).facts


def of_light(found: tuple[Difference, ...]) -> dict[str, float | None]:
    return {each.kind: each.amount for each in found if each.kind in ("light", "backdrop")}


@kinds
@pytest.mark.parametrize("name", LIT)
def test_exposure_is_no_light_and_light_is_told_in_stops(name: str, kind: str, tmp_path: Path) -> None:
    one = facts(tmp_path, name, kind, (1, 1), 8.0)
    for f_number in (4.0, 11.0, 22.0):
        assert of_light(differ(one, facts(tmp_path, name, kind, (1, 1), f_number), T)) == {}, f_number
    for gain, f_number, stops in ((2.0, 8.0, 1.0), (2.0, 11.0, 1.0), (0.5, 8.0, -1.0)):
        told = of_light(differ(one, facts(tmp_path, name, kind, (gain, gain), f_number), T))
        assert told.get("light") == pytest.approx(stops, abs=0.1 if kind == "raw" else THIRD), (gain, f_number)
    doubled = of_light(differ(one, facts(tmp_path, name, kind, (2, 1), 8.0), T))
    assert "light" in doubled, "one lamp of two, doubled"
    assert doubled["light"] is None or 0.1 < doubled["light"] < 1 + THIRD
