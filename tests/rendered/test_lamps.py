"""
Lamp layers of rendered scenes: each lamp alone, all, and mixes asked for and then made.

Truth is the renderer's light of each layer; cameras are invented (`world.py`).
"""

from __future__ import annotations

import json
import subprocess
import sys
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from lampblack.daemon.config import load_thresholds
from lampblack.daemon.eye import see_here
from lampblack.rules.exposure import LADDER
from lampblack.rules.layers import Layers, gather
from lampblack.rules.lessons import NO_LESSONS
from lampblack.rules.look import Look
from lampblack.rules.mixing import parse_terms, plan
from rendered.lamplight import LUMA, Lamplight, kinds
from rendered.world import Floats, av, lit, scene, srgb_code

THRESHOLDS = load_thresholds()
SCENES = ("kettle", "sitter", "vase", "bottle")
LIT = {
    name: Lamplight(name, camera)
    for name, camera in {"kettle": "steep", "sitter": "short", "vase": "steep", "bottle": "flat"}.items()
}
ADDS_UP = {"raw": 0.03, "jpeg": 0.12}  # stops
SHARES = {"raw": 0.02, "jpeg": 0.05}
RATIO = {"raw": 0.1, "jpeg": 0.2}  # stops
scenes = pytest.mark.parametrize("name", SCENES)


def write(folder: Path, name: str, kind: str, gains: tuple[float, float], f_number: float) -> Path:
    """Make a frame with the lamps at these gains (1: as they stand)."""
    path = folder / f"{name}-{gains[0]:g}-{gains[1]:g}-{f_number:g}.{'dng' if kind == 'raw' else 'jpg'}"
    if path.exists():
        return path
    light = gains[0] * LIT[name].lamp(0) + gains[1] * LIT[name].lamp(1)
    seed = [round(1000 * g) for g in gains]
    LIT[name].shoot(path, kind, light, f_number, int(np.dot([*seed, av(f_number) * 3], [7919, 104_729, 13])))
    return path


def brightest_holding(name: str, which: int) -> float:
    return LIT[name].holding(LIT[name].lamp(which))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("lamps")


def balance(folder: Path, name: str, kind: str, *more: str) -> dict[str, Any]:
    words = []
    for which, lamp_name in enumerate(("one", "two")):
        gains = (1.0, 0.0) if which == 0 else (0.0, 1.0)
        path = write(folder, name, kind, gains, brightest_holding(name, which))
        words += ["--lamp", f"{lamp_name}={path}"]
    words += ["--check", str(write(folder, name, kind, (1.0, 1.0), 8.0))]
    if kind == "jpeg":
        for n in (16.0, 8.0, 4.0):
            words += ["--bracket", str(write(folder, name, kind, (1.0, 1.0), n))]
    command = [sys.executable, "-m", "lampblack.daemon.cli", "balance", "--json", *words, *more]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    said: dict[str, Any] = json.loads(done.stdout)
    return said


@cache
def layers_of(folder: Path, name: str, kind: str) -> Layers:
    """The same layers as the command makes, once for all wishes."""

    def seen(gains: tuple[float, float], f_number: float) -> Look:
        return see_here(bytes(write(folder, name, kind, gains, f_number)), THRESHOLDS).look

    lessons = NO_LESSONS
    for n in (16.0, 8.0, 4.0) if kind == "jpeg" else ():
        lessons = lessons.after(seen((1.0, 1.0), n))
    lamps = [
        ("one", seen((1.0, 0.0), brightest_holding(name, 0))),
        ("two", seen((0.0, 1.0), brightest_holding(name, 1))),
    ]
    return gather(lamps, THRESHOLDS, lessons.response, check=seen((1.0, 1.0), 8.0))


def truth(name: str) -> tuple[list[Floats], Floats, Floats]:
    """Luminance of each lamp, and where subject and backdrop surely are, every second pixel."""
    seen = lit(name, LIT[name].camera.times)
    lamps = [cv2.transform(LIT[name].lamp(i), LUMA[None])[::2, ::2] for i in (0, 1)]
    return lamps, seen.before, seen.pure


@kinds
@scenes
def test_light_adds_up_and_is_shared_out_rightly(folder: Path, name: str, kind: str) -> None:
    said = balance(folder, name, kind)
    lamps, before, pure = truth(name)
    print(name, kind, said["additivity"])
    assert said["additivity"]["median_stops"] < ADDS_UP[kind]
    for one, light in zip(said["lamps"], lamps, strict=True):
        subject = light[before].sum() / sum(each[before].sum() for each in lamps)
        backdrop = light[pure].sum() / sum(each[pure].sum() for each in lamps)
        print("   ", one["name"], one["subject_share"], subject, one["backdrop_share"], backdrop)
        assert one["subject_share"] == pytest.approx(subject, abs=SHARES[kind])
        assert one["backdrop_share"] == pytest.approx(backdrop, abs=SHARES[kind])


WISHES = (
    ("ratio=1.5:1",), ("ratio=2:1",), ("ratio=3:1",), ("ratio=2:1", "one=0"), ("backdrop=clean",),
    ("backdrop=clean", "ratio=2:1"), ("hold-highlights", "ratio=1.5:1"),
)  # fmt: skip


@kinds
@pytest.mark.parametrize("wish", WISHES, ids="+".join)
@scenes
def test_a_mix_asked_for_comes_out_as_promised(folder: Path, name: str, kind: str, wish: tuple[str, ...]) -> None:
    layers = layers_of(folder, name, kind)
    found = plan(layers, parse_terms(wish, ["one", "two"]), LADDER, THRESHOLDS)
    gains = [2.0**stops for stops in found.gains]
    light = cv2.transform(gains[0] * LIT[name].lamp(0) + gains[1] * LIT[name].lamp(1), LUMA[None])[::2, ::2]
    _, before, pure = truth(name)
    columns = np.nonzero(before)[1]
    left = before & (np.arange(before.shape[1]) < np.median(columns))[None]
    ratio = abs(float(np.log2(light[left].mean() / light[before & ~left].mean())))
    print(name, kind, wish, found.why, "promised", found.after, "true ratio", round(ratio, 3))
    assert found.after.ratio == pytest.approx(ratio, abs=RATIO[kind])
    if "backdrop=clean" in wish and found.met and scene(name).backdrop == "black":
        camera = LIT[name].camera
        made = write(folder, name, kind, (gains[0], gains[1]), found.after.f_number)
        command = [sys.executable, "-m", "lampblack.daemon.cli", "score", "--json", "--backdrop", "black", str(made)]
        verdict = json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)
        level = LIT[name].at_f1() - av(found.after.f_number)
        shares = cv2.transform(
            gains[0] * LIT[name].lamp(0) + gains[1] * LIT[name].lamp(1), camera.from_light * np.float32(2**level)
        )
        curve = camera.curve if kind == "jpeg" else np.rint(srgb_code(np.arange(65536) / 65535)).astype(np.uint8)
        p99 = np.percentile(camera.developed(shares, curve).max(axis=2)[::2, ::2][pure], 99)
        assert p99 <= 5, verdict["backdrop"]
