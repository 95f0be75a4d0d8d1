"""
Studios put together at random and physically rendered, before cameras made up at random: `drawn.py` in real light.

Run by hand, with Mitsuba (see `render.py`): `cd tests && python -m rendered.strewn 0 40 raw jpeg`. A scene is rendered
once, in ten to sixty seconds, and kept in `--out`. Tables whose far edge fades, metal that mirrors the dark, things
that part the backdrop: what stands in a studio by chance, and nobody would think of drawing. Letters say what missed,
as in `drawn.py`; what a backdrop is meant to be is the paint it has, and not always what one would say of the picture.
"""

from __future__ import annotations

import argparse
import tempfile
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from rendered import drawn, world
from rendered.render import CLASSES, Studio, calmed
from rendered.still_lifes import (
    Lamp,
    Scene,
    Stuff,
    Thing,
    ball,
    box,
    ellipsoid,
    grey,
    hairs,
    ring,
    sweep,
    tube,
    turned,
    wall,
)

Rng = np.random.Generator
TONES = ("black", "grey", "white")
PAINT = {"black": (0.01, 0.7), "grey": (0.03, 0.75), "white": (0.03, 0.7)}
BACKDROP = {"black": (0.004, 0.02), "grey": (0.12, 0.35), "white": (0.75, 0.9)}
LIGHT = {"black": (10**-3.8, 10**-2.3), "grey": (0.1, 0.35), "white": (1.1, 2.2)}
"""Of the backdrop, against the bright parts of what stands before it."""


# --- what stands there ------------------------------------------------------------------------------------------------


def evenly(rng: Rng, low: float, high: float) -> float:
    """Return a value that is as likely in each stop."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def stuff(rng: Rng, tone: str) -> Stuff:
    kind = str(rng.choice(["matt", "matt", "shiny", "shiny", "metal"]))
    if kind == "metal":
        return Stuff("metal", _colour(rng.uniform(0.3, 0.95) * rng.uniform(0.75, 1, 3)), rng.uniform(0.05, 0.4))
    return Stuff(kind, _colour(evenly(rng, *PAINT[tone]) * rng.uniform(0.55, 1.1, 3)), rng.uniform(0.04, 0.4))


def _colour(rgb: Any) -> tuple[float, float, float]:
    red, green, blue = np.clip(rgb, 0.005, 0.95).tolist()
    return red, green, blue


def egg(rng: Rng, made_of: Stuff, x: float, y: float, size: float) -> list[Thing]:
    radii = size / 2 * rng.uniform(0.5, 1, 3)
    grain = (rng.uniform(0.2, 0.8) * size, rng.uniform(0, 0.03) * size) if rng.random() < 0.6 else None
    return [Thing("subject", made_of, ellipsoid((x, y, radii[2]), radii, grain, int(rng.integers(99))))]


def block(rng: Rng, made_of: Stuff, x: float, y: float, size: float) -> list[Thing]:
    half = size / 2 * rng.uniform(0.3, 1, 3)
    return [box("subject", made_of, (x, y, half[2]), half.tolist(), rng.uniform(-60, 60))]


def vase(rng: Rng, made_of: Stuff, x: float, y: float, size: float) -> list[Thing]:
    heights = np.linspace(0, size * rng.uniform(0.8, 2), int(rng.integers(4, 8)))
    radii = size / 2 * rng.uniform(0.25, 1, len(heights))
    line = [
        (0.0005, 0.0),
        *zip(radii.tolist(), (heights + 0.0005).tolist(), strict=True),
        (0.0005, heights[-1] + 0.001),
    ]
    ribs = (int(rng.integers(5, 30)), rng.uniform(0.01, 0.06), rng.uniform(0, 12))
    return [Thing("subject", made_of, turned(line, (x, y, 0), ribs if rng.random() < 0.4 else (0, 0.0, 0.0)))]


def bottle(rng: Rng, made_of: Stuff, x: float, y: float, size: float) -> list[Thing]:
    high, wide = size * rng.uniform(1, 1.6), size / 2 * rng.uniform(0.5, 0.8)
    out = [(0.8 * wide, 0.001), (wide, 0.3 * high), (wide * rng.uniform(0.5, 1), 0.7 * high), (0.8 * wide, high)]
    inside = [(max(r - 0.003, 0.001), max(z, 0.006)) for r, z in out[::-1]]
    glass = Stuff("glass", _colour(rng.uniform(0.6, 0.98, 3)))
    return [Thing("subject", glass, turned([(0.0005, 0.001), *out, *inside, (0.0005, 0.006)], (x, y, 0)))]


def cup(rng: Rng, made_of: Stuff, x: float, y: float, size: float) -> list[Thing]:
    r, z = 0.35 * size, 0.8 * size
    body = [(0.0005, 0), (0.8 * r, 0.0005), (r, z / 2), (1.05 * r, z), (0.97 * r, z), (0.9 * r, z / 2), (0.7 * r, 0.01)]
    ear = [(x + a * r, y, b * z) for a, b in ((1, 0.8), (1.6, 0.7), (1.5, 0.35), (0.9, 0.25))]
    return [
        Thing("subject", made_of, turned([*body, (0.0005, 0.01)], (x, y, 0))),
        Thing("subject", made_of, tube(ear, 0.12 * r)),
    ]


def pipe(rng: Rng, made_of: Stuff, x: float, y: float, size: float) -> list[Thing]:
    bends = [(x + rng.uniform(-1, 1) * size, y + rng.uniform(-0.3, 0.3) * size, i * size / 2) for i in (1, 2, 3)]
    return [Thing("subject", made_of, tube([(x, y, 0.01), *bends], (size / 2 * rng.uniform(0.1, 0.5, 3)).tolist()))]


def rod(rng: Rng, made_of: Stuff, x: float, y: float, size: float) -> list[Thing]:
    lean, thick = rng.uniform(-0.5, 0.5), size / 2 * rng.uniform(0.04, 0.12)
    return [Thing("subject", made_of, tube([(x + i * lean * size, y, 1.3 * i * size) for i in (0, 1, 2)], thick))]


def stack(rng: Rng, made_of: Stuff, x: float, y: float, size: float) -> list[Thing]:
    found, z = [], 0.0
    for _ in range(rng.integers(2, 5)):
        half = size / 2 * rng.uniform([0.6, 0.5, 0.1], [1, 0.9, 0.4])
        paint = Stuff("matt", _colour(rng.uniform(0.02, 0.7, 3)))
        found.append(box("subject", paint, (x + rng.uniform(-0.1, 0.1) * size, y, z + half[2]), half.tolist(), 30 * z))
        z += 2 * float(half[2])
    return found


def plant(rng: Rng, made_of: Stuff, x: float, y: float, size: float) -> list[Thing]:
    leaf, found = Stuff("shiny", _colour(np.array([0.15, 0.3, 0.08]) * rng.uniform(0.4, 1.6)), 0.3), []
    for _ in range(rng.integers(4, 12)):
        turn, long = rng.uniform(-1.2, 1.2), size * rng.uniform(0.6, 1.6)
        across, up, away = long * np.sin(turn), long * np.cos(turn), y + rng.uniform(-0.3, 0.3) * size
        line = [(x, y, size / 2), (x + 0.35 * across, (y + away) / 2, 0.6 * size + 0.55 * up)]
        wide = [0.002, size * rng.uniform(0.03, 0.1), 0.001]
        found.append(Thing("subject", leaf, tube([*line, (x + across, away, 0.6 * size + up)], wide, 0.15)))
    return vase(rng, made_of, x, y, 0.6 * size) + found


def cone(rng: Rng, made_of: Stuff, x: float, y: float, size: float) -> list[Thing]:
    line = [(0.0005, 0.0), (size / 2, 0.0005), (0.01 * size + 0.001, size * rng.uniform(1, 2)), (0.0004, 2.01 * size)]
    return [Thing("subject", made_of, turned(line, (x, y, 0), sharp=True))]


def hoop(rng: Rng, made_of: Stuff, x: float, y: float, size: float) -> list[Thing]:
    return [Thing("subject", made_of, ring((x, y, 0.1 * size), size / 2, size * rng.uniform(0.06, 0.12)))]


THINGS = (egg, egg, block, block, vase, vase, cup, pipe, rod, stack, plant, cone, hoop, bottle)


def sitter(rng: Rng) -> list[Thing]:
    x, head = rng.uniform(-0.15, 0.15), (0.078, 0.098, 0.115)
    skin = Stuff("shiny", _colour(np.array([0.5, 0.33, 0.25]) * rng.uniform(0.35, 1.3)), 0.35)
    coat = Stuff("matt", _colour(evenly(rng, 0.015, 0.6) * rng.uniform(0.7, 1.1, 3)))
    hair = Stuff("matt", _colour(np.array([0.1, 0.06, 0.035]) * rng.uniform(0.2, 4)))
    found = [
        Thing("subject", skin, ellipsoid((x, 0, 1.42), head)),
        Thing("subject", skin, ellipsoid((x, -0.1, 1.41), (0.012, 0.02, 0.028))),
        Thing("subject", skin, tube([(x, 0.02, 1.1), (x, 0.015, 1.25), (x, 0.01, 1.36)], [0.07, 0.052, 0.056])),
        Thing("subject", coat, ellipsoid((x, 0.05, 0.98), (rng.uniform(0.22, 0.3), 0.14, 0.24), (0.09, 0.003))),
        Thing("subject", hair, hairs((x, 0, 1.42), head, 5000, int(rng.integers(99)))),
    ]
    for side in (-1, 1):
        elbow = x + side * rng.uniform(0.3, 0.45)
        arm = [(x + side * 0.2, 0.03, 1.12), (elbow, -0.05, 0.95), (elbow - side * 0.05, -0.15, 0.75)]
        found.append(Thing("subject", coat, tube(arm, [0.08, 0.07, 0.06])))
    return found


# --- a studio ---------------------------------------------------------------------------------------------------------


def studio(seed: int) -> Scene:
    """Put a studio together, black, grey, white in turn: things or a sitter, a table or a sweep, lamps anywhere."""
    rng = np.random.default_rng([7, seed])
    tone = TONES[seed % 3]
    paint, away, high = rng.uniform(*BACKDROP[tone]), rng.uniform(0.9, 2.2), rng.uniform(0.1, 0.5)
    if rng.random() < 0.2:
        things, room, middle = [*sitter(rng), wall(away, paint)], 2.2, 1.25
        eye, aim, fov = (rng.uniform(-0.3, 0.3), -2.6, 1.35), (0, 0, 1.22), rng.uniform(16, 26)
    else:
        things, room, middle = still_life(rng, tone), 1.3, 0.1
        eye, aim, fov = (
            (rng.uniform(-0.25, 0.25), -1.4, 0.1 + high),
            (0, 0, rng.uniform(0.06, 0.12)),
            rng.uniform(18, 34),
        )
        things += standing_on(rng, tone, paint, away)
    if rng.random() < 0.15:
        wide, side = rng.uniform(0.02, 0.1), rng.choice([-1, 1])
        x = side * np.tan(np.radians(fov / 2)) * -eye[1]
        card = grey(rng.uniform(0.01, 0.04) if rng.random() < 0.6 else 0.7)
        half = (wide, 0.004, rng.uniform(0.25, 0.8))
        things.append(box("card", card, (x, -0.02, middle + rng.uniform(-0.2, 0.4)), half, rng.uniform(-25, 25)))
    lamps = {"key": key_lamps(rng, tone, room, middle), "back": back_lamps(rng, tone, room, middle, away)}
    return Scene(f"strewn {seed}", tone, None, eye, aim, fov, lambda: things, lamps)


def still_life(rng: Rng, tone: str) -> list[Thing]:
    count = int(rng.integers(1, 6))
    places = np.linspace(-0.22, 0.22, count + 2)[1:-1] + rng.uniform(-0.03, 0.03, count)
    things: list[Thing] = []
    for x in places:
        make = THINGS[rng.integers(len(THINGS))]
        size = rng.uniform(0.07, 0.2) * (1.5 if count == 1 else 1)
        things += make(rng, stuff(rng, tone), float(x), rng.uniform(-0.1, 0.12), size)
    if rng.random() < 0.3:
        things.append(ball("subject", stuff(rng, tone), (rng.uniform(-0.2, 0.2), -0.15, 0.03), 0.03))
    return things


def standing_on(rng: Rng, tone: str, paint: float, away: float) -> list[Thing]:
    """Return a sweep, or a wall and a table, or a block, or nothing below it."""
    base = rng.choice(["table", "block", "none"] if tone == "black" else ["sweep", "table", "block", "none"])
    if base == "sweep":
        return [sweep(rng.uniform(0.4, 1.0), rng.uniform(0.3, 0.6), paint)]
    top = evenly(rng, 0.02, 0.5) * (0.4 if tone == "black" else 1)
    surface = Stuff(str(rng.choice(["matt", "shiny"])), _colour(top * rng.uniform(0.7, 1, 3)), rng.uniform(0.05, 0.3))
    bases = {
        "table": [box("table", surface, (0, -0.3, -0.02), (2.5, rng.uniform(0.5, 0.8), 0.0199))],
        "block": [box("table", surface, (0, 0, -0.3), (rng.uniform(0.25, 0.4), 0.2, 0.2999), rng.uniform(-15, 15))],
    }
    return [*bases.get(str(base), []), wall(away, paint)]


def key_lamps(rng: Rng, tone: str, room: float, middle: float) -> list[Lamp]:
    side, aim = float(rng.choice([-1, 1])), (0.0, 0.0, middle)
    at = (side * room * rng.uniform(0.4, 1.1), -room * rng.uniform(0.3, 1), middle + room * rng.uniform(0.3, 1))
    wide, high = room * rng.uniform(0.1, 0.8, 2)
    lamps = [Lamp(at, aim, wide, high, 1.0)]
    if rng.random() < 0.6:  # a fill
        at = (-side * room, -room * rng.uniform(0.2, 1), middle + room * rng.uniform(0, 0.6))
        lamps.append(Lamp(at, aim, 0.6 * room, 0.6 * room, rng.uniform(0.05, 0.5)))
    if tone == "black" and rng.random() < 0.6:  # a rim
        at = (
            float(rng.choice([-0.7, 0.7])) * room,
            room * rng.uniform(0.2, 0.6),
            middle + room * rng.uniform(0.1, 0.6),
        )
        lamps.append(Lamp(at, aim, 0.15 * room, 0.5 * room, rng.uniform(1, 5)))
    return lamps


def back_lamps(rng: Rng, tone: str, room: float, middle: float, away: float) -> list[Lamp]:
    """Return what lights the backdrop: spill from one side on black, a lamp or two on grey and white."""
    if tone == "black":
        side = float(rng.choice([-1, 1])) * room
        at = (side * rng.uniform(0.7, 1), 0.1 * room, middle + 0.2 * room)
        return [Lamp(at, (0.2 * side, away, middle), 0.2 * room, 0.5 * room, 1.0)]
    sides = (-1, 1) if rng.random() < 0.7 else (1,)
    place = (rng.uniform(-0.2, 0.5) * away, middle + 0.4 * room)
    return [Lamp((1.1 * side * room, *place), (0, away, middle), 0.25 * room, 0.6 * room, 1.0) for side in sides]


# --- rendered, and measured -------------------------------------------------------------------------------------------


def strewn(seed: int, folder: Path) -> world.Scene | None:
    """Render a studio, or read it again; None where next to nothing of backdrop or of subject is seen."""
    path = folder / f"{seed}.npz"
    if not path.exists():
        np.savez_compressed(path, **render(seed))
    kept = np.load(path)
    if not len(kept["light"]):
        return None
    subject, table, card = np.moveaxis(kept["maps"], 2, 0)
    return world.Scene(f"strewn{seed}", TONES[seed % 3], None, kept["light"], subject, table, card, kept["gloss"])


def render(seed: int) -> dict[str, Any]:
    """Return light (h, w, 3), maps (h, w, 3) of subject, table, card, gloss (h, w); no light if it shows nothing."""
    import mitsuba as mi

    mi.set_variant("llvm_ad_rgb")
    scene = studio(seed)
    rng = np.random.default_rng([8, seed])
    with tempfile.TemporaryDirectory() as folder:
        room = Studio(mi, Path(folder))
        cover, normals = room.coverage(scene, 24)
        pure, subject = (cover[..., CLASSES.index(name)] > 0.99 for name in ("backdrop", "subject"))
        if pure.mean() < 0.05 or subject.mean() < 0.01:
            return {"light": np.empty(0)}
        key, back = (calmed(room.light(scene, [layer], 4, 32), cover, normals) for layer in scene.layers)
        mirrored = room.light(scene, list(scene.layers), 2, 16, gloss_only=True).mean(2)
    gloss = np.clip(mirrored / np.maximum((key + back).mean(2), 1e-9), 0, 1)
    key = key / np.percentile(key[subject].max(1), 97)
    wanted = rng.uniform(*LIGHT[scene.backdrop])
    there = np.percentile(back[pure].max(1), 95 if scene.backdrop == "black" else 50)
    back = back * max(wanted - np.median(key[pure].max(1)), 0.15 * wanted) / there
    gloss = cv2.GaussianBlur(gloss, (3, 3), 0)
    return {"light": (key + back).astype(np.float32), "maps": cover[..., :3], "gloss": gloss.astype(np.float32)}


def measured(folder: Path, case: tuple[int, str]) -> str | None:
    """Return a line of what was off for a seed and a kind of file; None where nothing was, or is seen."""
    found = strewn(case[0], folder)
    return None if found is None else drawn.held_against_truth(found, *case)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("first", type=int)
    parser.add_argument("last", type=int)
    parser.add_argument("kinds", nargs="+", choices=["raw", "jpeg"])
    parser.add_argument("--out", type=Path, default=Path(tempfile.gettempdir()) / "strewn")
    asked = parser.parse_args()
    asked.out.mkdir(parents=True, exist_ok=True)
    seeds = range(asked.first, asked.last)
    for seed in seeds:
        strewn(seed, asked.out)
    drawn.tell(partial(measured, asked.out), [(seed, kind) for kind in asked.kinds for seed in seeds])


if __name__ == "__main__":
    main()
