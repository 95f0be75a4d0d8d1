"""
Scenes drawn at random before cameras made up at random, held to the tolerances of `test_truth.py`.

Run by hand to find what no rendered scene has shown: `cd tests && python -m rendered.drawn 0 40 raw jpeg`. Each seed is
another scene and another camera. They are cruder than what stands in a studio, and miss more often; what counts is
what many of them miss alike, or one by a mile. Letters say what missed: f and s the frame's and the subject's clipped
share, i the backdrop, c clean or not, d the side of spill, p the forecast, h holding the highlights.
"""

from __future__ import annotations

import argparse
import multiprocessing
import tempfile
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from rendered import test_truth as truth
from rendered import world

FINE = 3  # times as fine as the scene, each way
SIZE = 400 * FINE, 600 * FINE


@dataclass(frozen=True)
class Curve:
    """A development that isn't of `world`'s families: 1 to the power 1/`power`, its middle drawn to an S by `bend`."""

    power: float
    bend: float
    top: int

    def code(self, x: Any) -> Any:
        """Return codes, not rounded, of light 0 to 1."""
        u = np.clip(np.asarray(x, np.float64), 0, 1) ** (1 / self.power)
        return self.top * ((1 - self.bend) * u + self.bend * u * u * (3 - 2 * u))


def camera(seed: int) -> world.Camera:
    """Make up a camera."""
    rng = np.random.default_rng([1, seed])
    bits = int(rng.choice([12, 14]))
    black = int(rng.choice([64, 128, 256, 512]))
    full = 2**bits - 1
    saturation = full if rng.random() < 0.6 else int(full * rng.uniform(0.94, 0.995))
    iso = int(rng.choice([50, 100, 200, 400, 800, 1600]))
    matrix = 0.75 * np.eye(3) + rng.uniform(0, 0.18, (3, 3))
    top = 255 if rng.random() < 0.6 else int(rng.integers(248, 255))
    tones: tuple[Any, ...] = (
        world.Tone(rng.uniform(0.4, 1.1), 10 ** rng.uniform(-3.5, -2.2), rng.uniform(0.4, 0.53), top),
        world.Knee(rng.uniform(0.42, 0.55), rng.uniform(1.02, 1.15), rng.uniform(0.75, 0.88), top),
        Curve(rng.uniform(1.7, 2.4), 0.0, top),
        Curve(2.2, rng.uniform(0.2, 0.8), top),
    )
    return world.Camera(
        "Drawn",
        f"Number {seed}",
        int(rng.integers(2, 5)),
        ((0, 1, 1, 2), (2, 1, 1, 0), (1, 0, 2, 1), (1, 2, 0, 1))[rng.integers(4)],
        bits,
        tuple(int(v) for v in black + rng.integers(-3, 4, 4)),  # type: ignore[arg-type]
        saturation,
        saturation if rng.random() < 0.75 else full,
        70_000 * 100 / max(iso, 100) * rng.uniform(0.5, 1.2),
        rng.uniform(1.5, 6),
        (rng.uniform(0.35, 0.9), 1.0, rng.uniform(0.35, 0.9)),
        tuple(map(tuple, matrix / matrix.sum(axis=1, keepdims=True))),
        tones[rng.integers(len(tones))],
        str(rng.choice(["4:4:4", "4:2:2", "4:2:0"])),
        int(rng.integers(80, 98)),
        iso,
        Fraction(1, int(rng.choice([30, 60, 125]))),
        rng.uniform(0, 1),
    )


def drawn(seed: int) -> world.Scene:
    """Draw a scene: a black, grey or white backdrop, now and then a table or a flag at the side, two to five things."""
    rng = np.random.default_rng([2, seed])
    tone = ("black", "grey", "white")[seed % 3]
    y, x = ((axis + 0.5) / length for axis, length in zip(np.mgrid[0 : SIZE[0], 0 : SIZE[1]], SIZE, strict=True))
    back, side = _backdrop(rng, tone, x, y)
    light = np.repeat(back[..., None], 3, axis=2)
    kinds = {kind: np.zeros(SIZE, bool) for kind in ("subject", "table", "card")}
    if tone != "white" and rng.random() < 0.35:
        kinds["table"] = y > rng.uniform(0.78, 0.92)
        light[kinds["table"]] = rng.uniform(0.05, 0.3) * np.array([1, 0.9, 0.75])
    if rng.random() < 0.2:
        wide, high = rng.uniform(0.03, 0.08), rng.uniform(0, 0.3)
        kinds["card"] = ((x if rng.random() < 0.5 else 1 - x) < wide) & (y > high) & ~kinds["table"]
        light[kinds["card"]] = rng.uniform(0.3, 0.9) if tone != "white" else rng.uniform(0.02, 0.1)
    gloss = np.zeros(SIZE, bool)
    for _ in range(rng.integers(2, 6)):
        there, scattered, mirrored = _thing(rng, tone, x, y)
        light[there] = (scattered + mirrored[..., None])[there]
        gloss[there] = (mirrored > scattered.mean(axis=2))[there]
        kinds["subject"] |= there
        kinds["table"] &= ~there
        kinds["card"] &= ~there
    soft = rng.uniform(0.3, 0.9)
    small = cv2.GaussianBlur(_smaller(light), (0, 0), soft)
    stray = rng.uniform(0, 2e-4) if tone == "black" else rng.uniform(0.002, 0.02)
    # Drawn as softly: where the lens lays a thing's light on the backdrop, it isn't the backdrop that is lit.
    covers = [cv2.GaussianBlur(_smaller(kinds[kind]), (0, 0), soft) for kind in ("subject", "table", "card")]
    return world.Scene(f"drawn{seed}", tone, side, small + np.float32(stray * small.mean()), *covers, _smaller(gloss))


def _smaller(grid: Any) -> Any:
    return cv2.resize(np.asarray(grid, np.float32), (600, 400), interpolation=cv2.INTER_AREA)


def _backdrop(rng: np.random.Generator, tone: str, x: Any, y: Any) -> tuple[Any, str | None]:
    """Return a backdrop's light, and the side that a black one has its spill from."""
    if tone == "black":
        side = str(rng.choice(["left", "right", "top", "bottom"]))
        near = {"left": 1 - x, "right": x, "top": 1 - y, "bottom": y}[side]
        return 10 ** rng.uniform(-3.6, -2.0) * (0.08 + near ** rng.uniform(1.5, 4)), side
    fall = 2 ** (-rng.uniform(0, 1.2) * ((x - 0.5) ** 2 + (y - 0.5) ** 2))
    turn = rng.uniform(0, 2 * np.pi)
    tilt = 2 ** (rng.uniform(0, 1.2) * ((x - 0.5) * np.cos(turn) + (y - 0.5) * np.sin(turn)))
    return (rng.uniform(0.08, 0.2) * fall * tilt if tone == "grey" else rng.uniform(1.2, 2.4) * fall), None


def _thing(rng: np.random.Generator, tone: str, x: Any, y: Any) -> tuple[Any, Any, Any]:
    """Return where a ball, box, rod or blob is, its scattered (h, w, 3) and its mirrored light."""
    paint = np.clip(rng.uniform(0.05, 0.9) * rng.uniform(0.5, 1, 3), 0.02, 0.9) * (0.6 if tone == "white" else 1)
    r, turn = rng.uniform(0.06, 0.22), rng.uniform(-0.6, 0.6)
    u, v = (x - rng.uniform(0.25, 0.75)) * 1.5, y - rng.uniform(0.3, 0.75)
    u, v = u * np.cos(turn) + v * np.sin(turn), v * np.cos(turn) - u * np.sin(turn)
    mirrored = np.zeros(SIZE)
    kind = rng.choice(["ball", "box", "rod", "blob"])
    if kind == "ball":
        flat = rng.uniform(0.5, 1)
        far = (u / r) ** 2 + (v / (r * flat)) ** 2
        there, up = far < 1, np.sqrt(np.maximum(1 - far, 0))
        lamp = np.array([rng.uniform(-0.8, 0.8), rng.uniform(-0.8, 0), rng.uniform(0.3, 1)])
        lamp /= np.linalg.norm(lamp)
        towards = u / r * lamp[0] + v / (r * flat) * lamp[1] + up * lamp[2]
        shade = np.maximum(towards, 0) + 0.12
        mirrored = np.maximum(2 * towards * up - lamp[2], 0) ** rng.uniform(20, 150)
    elif kind == "box":
        tall = rng.uniform(0.4, 1.3)
        there, shade = (abs(u) < r) & (abs(v) < r * tall), np.maximum(0.5 + 0.3 * u / r + 0.2 * v / r, 0.06)
    elif kind == "rod":
        thick = r * rng.uniform(0.06, 0.2)
        there, across = (abs(u) < 2 * r) & (abs(v) < thick), np.clip(v / thick, -1, 1)
        shade, mirrored = 0.2 + 0.8 * np.sqrt(1 - across**2), 0.6 * np.exp(-(((across - 0.3) / 0.1) ** 2))
    else:
        way = np.arctan2(v, u)
        far = np.hypot(u, v) / (r * (1 + 0.25 * np.sin(3 * way + turn) + 0.15 * np.sin(7 * way)))
        there, shade = far < 1, 0.35 + 0.65 * np.sqrt(np.maximum(1 - far**2, 0))
    cells = rng.integers(3, 30)
    rough = rng.normal(size=(400 // cells + 3, 600 // cells + 3))
    shade = shade * 2 ** (rng.uniform(0, 0.35) * cv2.resize(rough, SIZE[::-1], interpolation=cv2.INTER_CUBIC))
    return there, paint * shade[..., None], mirrored * (rng.uniform(0.3, 3) if rng.random() < 0.5 else 0)


def measured(case: tuple[int, str]) -> str | None:
    """Return a line of what was off for a seed and a kind of file; None where nothing was."""
    return held_against_truth(drawn(case[0]), *case)


def held_against_truth(found: world.Scene, seed: int, kind: str) -> str | None:
    """Return a line of what was off when a scene was shot by the camera of a seed; None where nothing was."""
    cv2.setNumThreads(1)
    name = found.name
    world.scene = truth.scene = lambda _: found  # type: ignore[assignment]
    world.SCENES = (*(f"{number}" for number in range(seed)), name)
    world.CAMERAS[name] = camera(seed)
    with tempfile.TemporaryDirectory() as folder:
        truth._folder[:] = [Path(folder)]
        if found.backdrop == "black" and found.side is None:  # it hasn't been said, only rendered
            found = replace(found, side=world.Setup(name, name, truth.HOLD_AT, Path(folder)).side)
        missed = "".join(letter for letter, test in TESTS.items() if not _passes(test, name, kind))
        return f"{name} {found.backdrop} {kind} {missed}: {truth._table.get((name, name, kind))}" if missed else None


TESTS = {
    "f": truth.test_the_clipped_share_of_the_frame_is_right,
    "s": truth.test_the_clipped_share_of_the_subject_is_right,
    "i": truth.test_the_backdrop_is_found,
    "c": truth.test_clean_or_not_is_right,
    "d": truth.test_spill_comes_from_the_right_side,
    "p": truth.test_the_forecast_comes_true,
    "h": truth.test_the_highlights_are_held_within_few_frames,
}


def _passes(test: Any, name: str, kind: str) -> bool:
    try:
        test(name, name, kind)
    except AssertionError:
        return False
    return True


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("first", type=int)
    parser.add_argument("last", type=int)
    parser.add_argument("kinds", nargs="+", choices=["raw", "jpeg"])
    asked = parser.parse_args()
    tell(measured, [(seed, kind) for kind in asked.kinds for seed in range(asked.first, asked.last)])


def tell(measured: Callable[[Any], str | None], cases: list[Any]) -> None:
    """Print what was off, case by case, on two cores."""
    fresh = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(2, mp_context=fresh, max_tasks_per_child=1) as pool:
        lines = [line for line in pool.map(measured, cases) if line is not None]
    print("\n".join(lines))
    print(f"{len(lines)} of {len(cases)} missed something")


if __name__ == "__main__":
    main()
