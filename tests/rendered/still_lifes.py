"""
Twenty-eight still lifes and figures, and how each is lit: what `render.py` renders.

They share nothing with the mock camera's studio: other things, other lamps, other backdrops, so that a measurement
fitted to that studio shows here.

Metres; x to the picture's right, y away from the camera, z up. All light is white and linear; each scene has two
layers, rendered alone, which whoever shoots the scene adds up as the scene's `gains` say or otherwise.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

# --- shapes ---------------------------------------------------------------------------------------------------


def waves(points: np.ndarray, length_m: float, height_m: float, seed: int) -> np.ndarray:
    """Return a rolling height over points (..., 3): sixteen plane waves of about one length."""
    rng = np.random.default_rng(seed)
    heading = rng.normal(size=(16, 3))
    heading /= np.linalg.norm(heading, axis=1, keepdims=True)
    number = 2 * np.pi / length_m * rng.uniform(0.6, 1.7, 16)
    return height_m / 3 * np.sin(points @ (heading * number[:, None]).T + rng.uniform(0, 7, 16)).sum(-1)


def sheet(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return vertices and triangles of a grid (rows, columns, 3)."""
    rows, columns, _ = points.shape
    index = np.arange(rows * columns).reshape(rows, columns)
    a, b, c, d = index[:-1, :-1], index[:-1, 1:], index[1:, :-1], index[1:, 1:]
    faces = np.concatenate([np.stack([a, b, d], -1).reshape(-1, 3), np.stack([a, d, c], -1).reshape(-1, 3)])
    return points.reshape(-1, 3), faces


def ellipsoid(
    at: Sequence[float], radii: Sequence[float], grain: tuple[float, float] | None = None, seed: int = 1
) -> np.ndarray:
    down, turn = np.meshgrid(np.linspace(1e-3, np.pi - 1e-3, 220), np.linspace(0, 2 * np.pi, 440), indexing="ij")
    unit = np.stack([np.sin(down) * np.cos(turn), np.sin(down) * np.sin(turn), np.cos(down)], -1)
    points = unit * np.array(radii)
    if grain is not None:
        points = points + unit * waves(points, *grain, seed)[..., None]
    return points + np.array(at)


def along(points: Sequence[Sequence[float]], count: int) -> np.ndarray:
    """Return a smooth line through points: cubics over the chord length, harmonic slopes (Fritsch and Butland 1984)."""
    p = np.array(points, float)
    step = np.linalg.norm(np.diff(p, axis=0), axis=1)[:, None]
    rise = np.diff(p, axis=0) / step
    same = rise[:-1] * rise[1:] > 0
    near, far = 2 * step[1:] + step[:-1], step[1:] + 2 * step[:-1]
    safe = np.where(same, rise[:-1], 1), np.where(same, rise[1:], 1)
    inner = np.where(same, (near + far) / (near / safe[0] + far / safe[1]), 0)
    slope = np.concatenate([rise[:1], inner, rise[-1:]])
    at = np.concatenate([[0], np.cumsum(step)])
    wanted = np.linspace(0, at[-1], count)
    i = np.clip(np.searchsorted(at, wanted, side="right") - 1, 0, len(step) - 1)
    t = ((wanted - at[i])[:, None]) / step[i]
    bend = slope[i] * step[i] * t * (1 - t) ** 2 + slope[i + 1] * step[i] * t**2 * (t - 1)
    return np.asarray(p[i] * (1 + 2 * t) * (1 - t) ** 2 + p[i + 1] * t**2 * (3 - 2 * t) + bend)


def turned(
    profile: Sequence[tuple[float, float]],
    at: Sequence[float] = (0, 0, 0),
    ribs: tuple[int, float, float] = (0, 0.0, 0.0),
    grain: tuple[float, float] | None = None,
    sharp: bool = False,
) -> np.ndarray:
    """Turn (radius, height) about the upright; `ribs`: how many, how deep (share of the radius), twist per metre."""
    line = along(profile, 400) if not sharp else np.repeat(np.array(profile, float), 2, axis=0)
    turn = np.linspace(0, 2 * np.pi, 361)[None, :]
    radius, height = line[:, :1], line[:, 1:]
    wide = radius * (1 + ribs[1] * np.cos(ribs[0] * (turn + ribs[2] * height)))
    points = np.stack([wide * np.cos(turn), wide * np.sin(turn), np.broadcast_to(height, wide.shape)], -1)
    if grain is not None:
        out = np.stack([np.cos(turn), np.sin(turn), 0 * turn], -1)
        points = points + out * waves(points, *grain, 3)[..., None]
    return points + np.array(at)


def tube(points: Sequence[Sequence[float]], radius: Sequence[float] | float, squash: float = 1.0) -> np.ndarray:
    """Return a tube along a line; `radius` from one end to the other, `squash` flattens it across y."""
    line = along(points, 160)
    wide = np.interp(np.linspace(0, 1, 160), np.linspace(0, 1, np.size(radius)), np.atleast_1d(radius))
    step = np.gradient(line, axis=0)
    step /= np.linalg.norm(step, axis=1, keepdims=True)
    side = np.cross(step, [0.0, 1.0, 0.0])
    side /= np.maximum(np.linalg.norm(side, axis=1, keepdims=True), 1e-9)
    up = np.cross(side, step)
    turn = np.linspace(0, 2 * np.pi, 73)[None, :, None]
    ring = np.cos(turn) * side[:, None] + squash * np.sin(turn) * up[:, None]
    return line[:, None] + wide[:, None, None] * ring


def hairs(at: Sequence[float], radii: Sequence[float], count: int, seed: int) -> list[np.ndarray]:
    """Return strands (4, 3) that stand off the upper back of an ellipsoid and droop, unruly."""
    rng = np.random.default_rng(seed)
    strands = []
    while len(strands) < count:
        unit = rng.normal(size=3)
        unit /= np.linalg.norm(unit)
        if unit[2] < -0.25 or (unit[1] < -0.45 and unit[2] < 0.55):  # the face stays free
            continue
        root = np.array(at) + unit * np.array(radii)
        length = rng.gamma(6, 0.0085)
        heading = unit + 0.55 * rng.normal(size=3) + np.array([0.0, 0.15, 0.1])
        heading /= np.linalg.norm(heading)
        t = np.linspace(0, 1, 5)[:, None]
        bend = 0.25 * rng.normal(size=3) - np.array([0, 0, 0.6])
        strands.append(root + length * (t * heading + t**2 * bend * 0.6))
    return strands


# --- what a scene is made of --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Stuff:
    """A surface. `kind`: matt, shiny (matt under a clear coat), metal, glass."""

    kind: str
    rgb: tuple[float, float, float] = (0.5, 0.5, 0.5)
    rough: float = 0.1


def grey(value: float) -> Stuff:
    return Stuff("matt", (value, value, value))


@dataclass(frozen=True)
class Thing:
    """One shape: `of` its class; `shape` a mesh grid, strands (with radii or without), or a dict for Mitsuba."""

    of: str
    stuff: Stuff
    shape: Any


@dataclass(frozen=True)
class Lamp:
    """A one-sided panel facing `aim`; `light` its radiance."""

    at: tuple[float, float, float]
    aim: tuple[float, float, float]
    width: float
    height: float
    light: float


@dataclass(frozen=True)
class Scene:
    says: str
    backdrop: str
    """What it is meant to be: black, grey, white."""
    side: str | None
    """From where light lies on the backdrop, None where from nowhere in particular."""
    eye: tuple[float, float, float]
    aim: tuple[float, float, float]
    fov: float
    things: Callable[[], list[Thing]]
    layers: dict[str, list[Lamp]]
    gains: dict[str, float] = field(default_factory=dict)
    depth: int = 6


def wall(y: float, value: float) -> Thing:
    """Plain paper across the room, facing the camera."""
    plane = np.stack(np.meshgrid(np.linspace(-4, 4, 2), np.linspace(-2, 4, 2)), -1)
    return Thing("backdrop", grey(value), np.insert(plane, 1, y, axis=-1)[:, ::-1])


def sweep(straight_m: float, round_m: float, value: float) -> Thing:
    """A floor that turns up into a wall without an edge: straight as far as `straight_m`, round from there."""
    turn = np.linspace(0, np.pi / 2, 40)
    y = np.concatenate([np.linspace(-2.2, straight_m, 3), straight_m + round_m * np.sin(turn), [straight_m + round_m]])
    z = np.concatenate([[0, 0, 0], round_m - round_m * np.cos(turn), [3.0]])
    across = np.broadcast_to(np.linspace(-3, 3, 3)[:, None], (3, len(y)))
    return Thing("backdrop", grey(value), np.stack([across, *[np.tile(v, (3, 1)) for v in (y, z)]], -1))


def ring(at: Sequence[float], radius: float, thick: float) -> np.ndarray:
    """A ring that lies flat."""
    turn = np.linspace(0, 2 * np.pi, 120)
    out, up = radius + thick * np.cos(turn)[None], np.broadcast_to(at[2] + thick * np.sin(turn)[None], (120, 120))
    return np.stack([at[0] + out * np.cos(turn)[:, None], at[1] + out * np.sin(turn)[:, None], up], -1)


def box(of: str, stuff: Stuff, at: Sequence[float], half: Sequence[float], turn_deg: float = 0) -> Thing:
    return Thing(of, stuff, {"type": "cube", "at": list(at), "half": list(half), "turn": turn_deg})


def ball(of: str, stuff: Stuff, at: Sequence[float], radius: float) -> Thing:
    return Thing(of, stuff, {"type": "sphere", "center": list(at), "radius": radius})


# --- the first eight --------------------------------------------------------------------------------------------------


def boot() -> list[Thing]:
    leather, worn = Stuff("shiny", (0.026, 0.019, 0.015), 0.32), (0.008, 0.00035)
    brass = Stuff("metal", (0.8, 0.6, 0.3), 0.12)
    shaft = tube([(0.075, 0, 0.03), (0.06, 0, 0.11), (0.065, 0, 0.2), (0.075, 0, 0.34)], [0.055, 0.05, 0.054, 0.066])
    folds = waves(shaft, 0.035, 0.0016, 5)
    things = [
        Thing("subject", leather, shaft + folds[..., None] * np.array([1, 0.5, 0])),
        Thing("subject", leather, ellipsoid((-0.045, 0, 0.052), (0.15, 0.052, 0.05), worn)),
        Thing("subject", leather, ellipsoid((-0.005, 0, 0.1), (0.085, 0.043, 0.07), worn, 2)),
        Thing("subject", Stuff("shiny", (0.03, 0.02, 0.015), 0.3), ellipsoid((-0.03, 0, 0.014), (0.175, 0.06, 0.014))),
        box("subject", Stuff("shiny", (0.02, 0.015, 0.01), 0.3), (0.085, 0, 0.01), (0.04, 0.045, 0.012)),
        box("table", grey(0.05), (0, 0, -0.302), (0.235, 0.09, 0.3)),
        wall(1.9, 0.005),
    ]
    for i in range(5):
        things.append(ball("subject", brass, (0.014 + 0.003 * i, -0.05 + 0.002 * i, 0.15 + 0.035 * i), 0.0045))
    return things


def bust() -> list[Thing]:
    plaster, rough = Stuff("matt", (0.74, 0.72, 0.68)), (0.012, 0.0003)
    curls = [
        ball("subject", plaster, (0.083 * np.cos(a) * r, 0.03 + 0.07 * np.sin(a) * r, 0.53 + 0.05 * (1 - r)), 0.03)
        for r in (0.45, 1.0)
        for a in np.linspace(0, 2 * np.pi, 9)[:-1]
    ]
    return [
        Thing("subject", plaster, ellipsoid((0, 0, 0.455), (0.078, 0.095, 0.11), rough)),
        Thing("subject", plaster, ellipsoid((0.006, -0.098, 0.45), (0.013, 0.022, 0.03))),
        Thing("subject", plaster, ellipsoid((0, -0.07, 0.385), (0.035, 0.03, 0.022))),
        *curls,
        Thing("subject", plaster, tube([(0, 0.02, 0.25), (0, 0.015, 0.33), (0, 0.01, 0.42)], [0.085, 0.05, 0.056])),
        Thing("subject", plaster, ellipsoid((0, 0.03, 0.235), (0.205, 0.1, 0.1), (0.07, 0.0015))),
        Thing("subject", plaster, turned([(0.001, -0.2), (0.11, -0.2), (0.105, 0.0), (0.06, 0.06), (0.075, 0.17)])),
        wall(3.6, 0.86),
    ]


def bottle() -> list[Thing]:
    outside = [
        (0.0005, 0.001),
        (0.036, 0.001),
        (0.040, 0.006),
        (0.040, 0.14),
        (0.034, 0.175),
        (0.015, 0.215),
        (0.0135, 0.285),
    ]
    inside = [(0.0105, 0.285), (0.012, 0.215), (0.031, 0.174), (0.037, 0.14), (0.037, 0.011), (0.0005, 0.008)]
    cup = [
        (0.0005, 0.001),
        (0.03, 0.001),
        (0.034, 0.004),
        (0.041, 0.09),
        (0.042, 0.095),
        (0.040, 0.094),
        (0.033, 0.008),
        (0.0005, 0.006),
    ]
    return [
        Thing("subject", Stuff("glass", (0.80, 0.93, 0.86)), turned(outside + inside, (-0.07, 0.03, 0))),
        Thing("subject", Stuff("metal", (0.9, 0.87, 0.82), 0.14), turned(cup, (0.085, -0.03, 0))),
        Thing(
            "subject",
            Stuff("metal", (0.9, 0.87, 0.82), 0.14),
            tube([(0.122, -0.03, 0.08), (0.155, -0.03, 0.075), (0.155, -0.03, 0.03), (0.117, -0.03, 0.02)], 0.0042),
        ),
        sweep(1.0, 0.6, 0.20),
    ]


def sitter() -> list[Thing]:
    skin = Stuff("shiny", (0.46, 0.30, 0.22), 0.35)
    coat = Stuff("matt", (0.07, 0.09, 0.13))
    head, size = (0.13, 0, 1.41), (0.077, 0.098, 0.115)
    return [
        Thing("subject", skin, ellipsoid(head, size)),
        Thing("subject", skin, ellipsoid((0.125, -0.1, 1.4), (0.012, 0.02, 0.028))),
        Thing("subject", skin, ellipsoid((0.128, -0.083, 1.355), (0.028, 0.02, 0.011))),
        Thing(
            "subject", Stuff("shiny", (0.03, 0.03, 0.03), 0.05), ellipsoid((0.095, -0.09, 1.43), (0.011, 0.008, 0.006))
        ),
        Thing(
            "subject", Stuff("shiny", (0.03, 0.03, 0.03), 0.05), ellipsoid((0.158, -0.09, 1.43), (0.011, 0.008, 0.006))
        ),
        Thing(
            "subject", skin, tube([(0.15, 0.02, 1.1), (0.14, 0.015, 1.25), (0.132, 0.01, 1.36)], [0.07, 0.052, 0.056])
        ),
        Thing("subject", coat, ellipsoid((0.2, 0.05, 0.98), (0.28, 0.14, 0.22), (0.09, 0.002))),
        Thing(
            "subject", coat, tube([(0.28, 0.02, 1.06), (0.45, -0.05, 0.98), (0.75, -0.1, 0.96)], [0.12, 0.085, 0.08])
        ),
        Thing("subject", Stuff("matt", (0.10, 0.055, 0.03)), hairs(head, size, 9000, 4)),
        wall(1.6, 0.005),
    ]


def table() -> list[Thing]:
    return [
        box("table", Stuff("shiny", (0.20, 0.115, 0.06), 0.25), (0, -0.4, -0.02), (2.5, 0.75, 0.02)),
        ball("subject", Stuff("shiny", (0.45, 0.05, 0.04), 0.08), (-0.22, 0.02, 0.045), 0.045),
        box("subject", Stuff("matt", (0.08, 0.14, 0.33)), (-0.08, 0.1, 0.035), (0.035, 0.035, 0.035), 28),
        Thing(
            "subject",
            Stuff("shiny", (0.55, 0.5, 0.1), 0.2),
            turned([(0.0005, 0.12), (0.012, 0.115), (0.04, 0.005), (0.04, 0.0005), (0.0005, 0.0005)], (0.05, 0.04, 0)),
        ),
        Thing(
            "subject",
            Stuff("metal", (0.75, 0.75, 0.78), 0.18),
            ring((0.2, -0.03, 0.01), 0.04, 0.009),
        ),
        box("subject", Stuff("matt", (0.7, 0.68, 0.6)), (0.26, 0.16, 0.014), (0.075, 0.05, 0.014), -17),
        Thing(
            "subject",
            Stuff("shiny", (0.02, 0.10, 0.05), 0.1),
            turned(
                [
                    (0.0005, 0.001),
                    (0.026, 0.001),
                    (0.03, 0.04),
                    (0.013, 0.075),
                    (0.011, 0.125),
                    (0.015, 0.13),
                    (0.0005, 0.131),
                ],
                (0.285, 0.13, 0.028),
            ),
        ),
        Thing(
            "subject",
            Stuff("matt", (0.33, 0.30, 0.27)),
            ellipsoid((-0.02, -0.1, 0.018), (0.045, 0.03, 0.018), (0.02, 0.002)),
        ),
        wall(1.7, 0.19),
    ]


def kettle() -> list[Thing]:
    iron, hob = Stuff("shiny", (0.022, 0.023, 0.027), 0.33), (0.012, 0.0003)
    body = [
        (0.0005, 0.0),
        (0.085, 0.002),
        (0.115, 0.05),
        (0.11, 0.105),
        (0.07, 0.145),
        (0.045, 0.15),
        (0.042, 0.165),
        (0.012, 0.172),
        (0.0005, 0.172),
    ]
    return [
        Thing("subject", iron, turned(body, (-0.03, 0, 0), (60, 0.006, 0.0), hob)),
        ball("subject", iron, (-0.03, 0, 0.183), 0.014),
        Thing(
            "subject",
            iron,
            tube([(-0.115, 0, 0.11), (-0.125, 0, 0.21), (-0.03, 0, 0.28), (0.065, 0, 0.21), (0.055, 0, 0.11)], 0.0062),
        ),
        Thing("subject", iron, tube([(-0.12, 0, 0.06), (-0.17, 0, 0.085), (-0.195, 0, 0.14)], [0.026, 0.016, 0.012])),
        box("table", grey(0.07), (-0.03, 0, -0.31), (0.21, 0.13, 0.308)),
        Thing(
            "card",
            grey(0.03),
            np.array([[[0.33, 0.42, -0.4], [0.33, 0.42, 1.2]], [[0.95, 0.52, -0.4], [0.95, 0.52, 1.2]]]),
        ),
        wall(1.8, 0.005),
    ]


def vase() -> list[Thing]:
    china, leaf = Stuff("shiny", (0.42, 0.50, 0.58), 0.06), Stuff("shiny", (0.16, 0.26, 0.08), 0.3)
    profile = [
        (0.0005, 0.0),
        (0.05, 0.001),
        (0.085, 0.06),
        (0.095, 0.12),
        (0.06, 0.19),
        (0.035, 0.23),
        (0.045, 0.26),
        (0.041, 0.259),
        (0.03, 0.23),
        (0.05, 0.19),
        (0.0005, 0.1),
    ]
    stem = [(0.0, 0, 0.2), (-0.01, 0, 0.33), (-0.06, -0.01, 0.44), (-0.14, -0.02, 0.56)]
    twig = [(0.01, 0, 0.22), (0.05, 0, 0.36), (0.12, 0, 0.42), (0.2, 0.01, 0.43)]
    leaves = []
    for i, (x, z, lean) in enumerate(
        [(-0.03, 0.38, 1), (-0.07, 0.43, -1), (-0.10, 0.5, 1), (0.06, 0.385, 1), (0.11, 0.41, -1), (0.16, 0.43, 1)]
    ):
        tip = (x + 0.05 * lean + 0.02, -0.03, z + 0.055)
        leaves.append(
            Thing(
                "subject",
                leaf,
                tube(
                    [(x, 0, z), ((x + tip[0]) / 2, -0.02, (z + tip[2]) / 2 + 0.01 * (i % 2)), tip],
                    [0.002, 0.016, 0.001],
                    0.12,
                ),
            )
        )
    return [
        Thing("subject", china, turned(profile, (0, 0, 0), (16, 0.035, 8.0))),
        Thing("subject", leaf, tube(stem, 0.0032)),
        Thing("subject", leaf, tube(twig, 0.0028)),
        *leaves,
        box("table", Stuff("shiny", (0.35, 0.33, 0.31), 0.15), (0, 0, -0.32), (0.16, 0.14, 0.318)),
        wall(0.8, 0.88),
    ]


def pillar() -> list[Thing]:
    wood = Stuff("shiny", (0.30, 0.17, 0.085), 0.18)
    profile = [
        (0.07, -0.6),
        (0.075, 0.0),
        (0.115, 0.05),
        (0.12, 0.09),
        (0.07, 0.14),
        (0.06, 0.3),
        (0.09, 0.5),
        (0.12, 0.53),
        (0.12, 0.56),
        (0.06, 0.6),
        (0.075, 0.8),
        (0.075, 1.6),
    ]
    return [
        Thing("subject", wood, turned(profile, (-0.04, 0, 0), (7, 0.10, 9.0))),
        ball("subject", Stuff("metal", (0.85, 0.65, 0.35), 0.05), (0.055, -0.09, 0.36), 0.028),
        wall(1.9, 0.005),
    ]


# --- six more, made when the measuring was done -----------------------------------------------------------------------


def loaf() -> list[Thing]:
    crust, crumb = Stuff("matt", (0.40, 0.24, 0.115)), Stuff("matt", (0.68, 0.56, 0.40))
    cuts = [
        tube([(x - 0.025, -0.06, 0.084), (x, -0.02, 0.112), (x + 0.03, 0.05, 0.1)], [0.002, 0.012, 0.002], 0.6)
        for x in (-0.13, -0.065, 0.0)
    ]
    return [
        box("table", Stuff("matt", (0.46, 0.37, 0.27)), (0, -0.55, -0.02), (2.5, 0.75, 0.02), 7),
        Thing("subject", crust, ellipsoid((-0.06, 0, 0.056), (0.165, 0.088, 0.064), (0.05, 0.0035))),
        *[Thing("subject", crumb, cut) for cut in cuts],
        Thing("subject", grey(0.27), ellipsoid((0.165, 0.05, 0.047), (0.062, 0.05, 0.05), (0.035, 0.003), 7)),
        Thing("subject", grey(0.20), ellipsoid((0.225, -0.02, 0.02), (0.035, 0.03, 0.022), (0.02, 0.0015), 8)),
        box("subject", Stuff("metal", (0.8, 0.8, 0.8), 0.22), (0.02, -0.16, 0.004), (0.1, 0.013, 0.001), 11),
        box("subject", Stuff("shiny", (0.06, 0.035, 0.02), 0.25), (0.166, -0.1316, 0.008), (0.05, 0.011, 0.008), 11),
        wall(1.3, 0.30),
    ]


def books() -> list[Thing]:
    paper, gilt = Stuff("matt", (0.5, 0.45, 0.36)), Stuff("metal", (0.85, 0.65, 0.3), 0.3)
    cloth = [(0.022, 0.012, 0.010), (0.010, 0.016, 0.026), (0.016, 0.016, 0.016), (0.012, 0.020, 0.013)]
    sizes = [(0.15, 0.11, 0.026, 4), (0.14, 0.10, 0.02, -9), (0.125, 0.095, 0.031, 16), (0.12, 0.085, 0.016, -27)]
    things, z = [], 0.0
    for i, ((half, deep, thick, turn), rgb) in enumerate(zip(sizes, cloth, strict=True)):
        cover, leaves = Stuff("shiny", rgb, 0.35), gilt if i == 2 else paper
        away = np.radians(turn)
        for board in (z + 0.002, z + 2 * thick - 0.002):
            things.append(box("subject", cover, (0.0, 0, board), (half, deep, 0.002), turn))
        things.append(box("subject", leaves, (0.0, 0, z + thick), (half - 0.006, deep - 0.006, thick - 0.003), turn))
        spine = (deep * np.sin(away), -deep * np.cos(away), z + thick)
        things.append(box("subject", cover, spine, (half, 0.0025, thick), turn))
        z += 2 * thick
    lens = Stuff("shiny", (0.02, 0.02, 0.02), 0.12)
    return [
        *things,
        Thing(
            "subject",
            lens,
            tube([(-0.07, -0.03, z + 0.006), (-0.02, -0.05, z + 0.006), (0.06, -0.04, z + 0.006)], 0.006),
        ),
        Thing(
            "subject",
            Stuff("matt", (0.10, 0.012, 0.012)),
            tube([(0.1, -0.11, 0.13), (0.112, -0.13, 0.09), (0.108, -0.135, 0.03)], 0.004, 0.2),
        ),
        box("table", Stuff("shiny", (0.02, 0.018, 0.016), 0.2), (-0.9, 0, -0.25), (1.12, 0.17, 0.25)),
        wall(1.7, 0.006),
    ]


def pots() -> list[Thing]:
    cream, rose = Stuff("shiny", (0.72, 0.68, 0.60), 0.14), Stuff("shiny", (0.66, 0.52, 0.48), 0.2)
    white = Stuff("shiny", (0.80, 0.80, 0.79), 0.1)
    jug = [
        (0.0005, 0.001), (0.05, 0.001), (0.07, 0.06), (0.06, 0.13), (0.038, 0.18), (0.047, 0.215), (0.043, 0.214),
        (0.033, 0.18), (0.0005, 0.1),
    ]  # fmt: skip
    cup = [
        (0.0005, 0.001), (0.022, 0.001), (0.036, 0.03), (0.041, 0.065), (0.038, 0.064), (0.033, 0.03), (0.0005, 0.01),
    ]  # fmt: skip
    tureen = [
        (0.0005, 0.001), (0.035, 0.001), (0.075, 0.035), (0.08, 0.06), (0.078, 0.066), (0.045, 0.09), (0.012, 0.1),
        (0.016, 0.115), (0.0005, 0.122),
    ]  # fmt: skip
    ears = [
        (cream, [(-0.172, 0.05, 0.165), (-0.215, 0.05, 0.17), (-0.222, 0.05, 0.11), (-0.186, 0.05, 0.07)], 0.0065),
        (rose, [(0.013, -0.08, 0.052), (0.036, -0.08, 0.053), (0.035, -0.08, 0.03), (0.012, -0.08, 0.024)], 0.004),
        (white, [(0.074, 0.03, 0.055), (0.056, 0.03, 0.06), (0.056, 0.03, 0.04), (0.08, 0.03, 0.038)], 0.0045),
        (white, [(0.226, 0.03, 0.055), (0.244, 0.03, 0.06), (0.244, 0.03, 0.04), (0.22, 0.03, 0.038)], 0.0045),
    ]
    return [
        Thing("subject", cream, turned(jug, (-0.12, 0.05, 0))),
        Thing("subject", rose, turned(cup, (-0.025, -0.08, 0))),
        Thing("subject", white, turned(tureen, (0.15, 0.03, 0), (24, 0.012, 0.0))),
        *[Thing("subject", stuff, tube(line, wide)) for stuff, line, wide in ears],
        sweep(0.7, 0.5, 0.84),
    ]


def helmet() -> list[Thing]:
    lacquer, trim = Stuff("shiny", (0.05, 0.012, 0.016), 0.04), Stuff("metal", (0.3, 0.3, 0.31), 0.35)
    stand = [(0.0005, -0.5), (0.16, -0.5), (0.16, -0.2), (0.06, -0.17), (0.045, -0.1), (0.0005, -0.1)]
    rim, peak = ellipsoid((0.15, 0, 0.0), (0.185, 0.21, 0.012)), Stuff("shiny", (0.02, 0.02, 0.022), 0.02)
    seam = [(0.15, 0.0, 0.213), (0.15, -0.12, 0.185), (0.15, -0.19, 0.09), (0.15, -0.205, 0.02)]
    return [
        Thing("subject", lacquer, ellipsoid((0.15, 0, 0.05), (0.175, 0.2, 0.165))),
        Thing("subject", Stuff("shiny", (0.03, 0.028, 0.026), 0.3), rim),
        Thing("subject", peak, ellipsoid((0.06, -0.05, 0.02), (0.11, 0.16, 0.055))),
        Thing("subject", trim, tube(seam, 0.004)),
        ball("subject", trim, (0.045, -0.185, 0.05), 0.009),
        Thing("subject", Stuff("matt", (0.035, 0.03, 0.03)), turned(stand, (0.15, 0, 0))),
        wall(2.1, 0.004),
    ]


def basket() -> list[Thing]:
    wire, leaf = Stuff("metal", (0.62, 0.5, 0.4), 0.3), Stuff("shiny", (0.10, 0.22, 0.05), 0.3)
    hoops = [(0.085, 0.004), (0.115, 0.035), (0.135, 0.07), (0.15, 0.105), (0.16, 0.135)]
    bars = [
        tube([(r * np.cos(a), r * np.sin(a), z) for r, z in hoops], 0.0017)
        for a in np.linspace(0, 2 * np.pi, 31)[:-1] + 0.05
    ]
    fruit = [
        ((-0.05, -0.03, 0.055), 0.046, (0.50, 0.06, 0.04)), ((0.05, -0.05, 0.05), 0.042, (0.62, 0.45, 0.05)),
        ((0.03, 0.05, 0.06), 0.046, (0.55, 0.20, 0.03)), ((-0.02, 0.02, 0.115), 0.044, (0.42, 0.05, 0.06)),
        ((0.07, 0.02, 0.105), 0.038, (0.60, 0.48, 0.08)),
    ]  # fmt: skip
    twigs = [
        [(-0.04, 0.06, 0.05), (-0.06, 0.07, 0.2), (-0.12, 0.07, 0.33), (-0.15, 0.08, 0.5)],
        [(0.06, 0.06, 0.06), (0.12, 0.06, 0.2), (0.24, 0.05, 0.27), (0.45, 0.04, 0.3)],
    ]
    leaves = []
    for twig in twigs:
        line = along(twig, 60)
        for i in range(20, 58, 5):
            lean, (x, y, z) = 1 if i % 2 else -1, line[i]
            tip = (x + 0.052 * lean, y - 0.04, z + 0.03 + 0.02 * lean)
            middle = ((x + tip[0]) / 2, y - 0.02, (z + tip[2]) / 2 + 0.008)
            leaves.append(Thing("subject", leaf, tube([(x, y, z), middle, tip], [0.002, 0.017, 0.001], 0.1)))
    return [
        *[Thing("subject", wire, ring((0, 0, z), r, 0.0024)) for r, z in hoops],
        *[Thing("subject", wire, bar) for bar in bars],
        *[Thing("subject", Stuff("shiny", rgb, 0.15), ellipsoid(at, [r, r, 0.94 * r])) for at, r, rgb in fruit],
        *[Thing("subject", leaf, tube(twig, 0.0026)) for twig in twigs],
        *leaves,
        box("table", Stuff("matt", (0.12, 0.16, 0.19)), (0, 0, -0.3), (0.24, 0.2, 0.3), 20),
        wall(1.0, 0.24),
    ]


def glass() -> list[Thing]:
    wine = [
        (0.0005, 0.0),
        (0.034, 0.0005),
        (0.034, 0.002),
        (0.006, 0.008),
        (0.004, 0.03),
        (0.005, 0.085),
        (0.028, 0.11),
        (0.038, 0.15),
        (0.033, 0.2),
        (0.0322, 0.2),
        (0.0368, 0.15),
        (0.027, 0.1125),
        (0.0005, 0.098),
    ]
    tumbler = [
        (0.0005, 0.0005),
        (0.03, 0.0005),
        (0.032, 0.003),
        (0.038, 0.09),
        (0.0365, 0.09),
        (0.030, 0.012),
        (0.0005, 0.01),
    ]
    flask = [
        (0.0005, 0.0005),
        (0.042, 0.0005),
        (0.047, 0.03),
        (0.03, 0.075),
        (0.011, 0.095),
        (0.01, 0.15),
        (0.014, 0.155),
        (0.011, 0.155),
        (0.008, 0.15),
        (0.009, 0.096),
        (0.027, 0.073),
        (0.044, 0.03),
        (0.040, 0.004),
        (0.0005, 0.004),
    ]
    card = np.array([[[-0.75, 0.2, -0.5], [-0.75, 0.2, 0.9]], [[-0.262, 0.26, -0.5], [-0.275, 0.26, 0.9]]])
    return [
        Thing("subject", Stuff("glass", (0.96, 0.97, 0.96)), turned(wine, (-0.085, 0.02, 0))),
        Thing("subject", Stuff("glass", (0.35, 0.62, 0.92)), turned(tumbler, (0.02, -0.06, 0), (12, 0.02, 0.0))),
        Thing("subject", Stuff("glass", (0.88, 0.55, 0.16)), turned(flask, (0.115, 0.03, 0))),
        box("table", Stuff("shiny", (0.10, 0.10, 0.105), 0.08), (0.01, 0, -0.3), (0.21, 0.15, 0.2995)),
        Thing("card", grey(0.02), card),
        wall(1.1, 0.86),
    ]  # fmt: skip


# --- four more, made when what the six taught had gone in -------------------------------------------------------------


def fiddle() -> list[Thing]:
    varnish, ebony = Stuff("shiny", (0.050, 0.020, 0.010), 0.16), Stuff("shiny", (0.010, 0.009, 0.009), 0.22)
    # Two bouts and a waist between them; the lower bout is broader.
    half = [(0, -0.175), (0.06, -0.17), (0.1, -0.125), (0.098, -0.075), (0.066, -0.02), (0.056, 0.02), (0.062, 0.05),
            (0.083, 0.085), (0.078, 0.13), (0.05, 0.165), (0, 0.17)]  # fmt: skip
    edge = along([(x, 0, z) for x, z in half] + [(-x, 0, z) for x, z in half[-2::-1]], 260)
    inward = along(
        [(0.002, 0, -0.040), (0.6, 0, -0.034), (1, 0, -0.020), (1, 0, 0.020), (0.6, 0, 0.034), (0.002, 0, 0.04)], 90
    )
    body = inward[:, None, :1] * edge[None] + inward[:, None, 2:] * np.array([0, 1, 0])
    neck = [(0, -0.03, 0.10), (0, -0.022, 0.2), (0, -0.02, 0.31)]
    curl = [
        (0.0, -0.02 + 0.021 * np.sin(a) * (1 - a / 16), 0.335 + 0.021 * np.cos(a) * (1 - a / 16))
        for a in np.linspace(-2.2, 7.5, 22)
    ]
    shapes = [
        (varnish, body),
        (ebony, tube([(0, -0.05, -0.03), (0, -0.037, 0.15), (0, -0.03, 0.3)], [0.019, 0.014, 0.011], 0.25)),
        (varnish, tube(neck, [0.015, 0.012, 0.011])),
        (varnish, tube(curl, [0.011, 0.010, 0.006])),
        (ebony, tube([(-0.045, -0.02, 0.305), (0.04, -0.02, 0.3)], [0.008, 0.003])),
        (ebony, tube([(0.045, -0.02, 0.325), (-0.04, -0.02, 0.32)], [0.008, 0.003])),
        (ebony, tube([(0, -0.055, -0.055), (0, -0.052, -0.13)], [0.012, 0.018], 0.3)),
        (
            Stuff("matt", (0.33, 0.23, 0.12)),
            tube([(-0.021, -0.055, -0.045), (0, -0.06, -0.04), (0.021, -0.055, -0.045)], 0.006, 0.4),
        ),
        *[
            (Stuff("metal", (0.8, 0.78, 0.72), 0.2), tube([(x, -0.058, -0.06), (0.6 * x, -0.035, 0.3)], 0.0006))
            for x in (-0.012, -0.004, 0.004, 0.012)
        ],
    ]
    tilt = np.radians(17)
    lean = np.array([[np.cos(tilt), 0, np.sin(tilt)], [0, 1, 0], [-np.sin(tilt), 0, np.cos(tilt)]])
    away = np.radians(24)
    lean = lean @ np.array([[np.cos(away), -np.sin(away), 0], [np.sin(away), np.cos(away), 0], [0, 0, 1]])
    return [
        *[Thing("subject", stuff, shape @ lean.T + np.array([-0.03, 0, 0.12])) for stuff, shape in shapes],
        wall(2.0, 0.005),
    ]


def linen() -> list[Thing]:
    cloth = Stuff("matt", (0.60, 0.585, 0.55))
    across, down = np.meshgrid(np.linspace(-0.2, 0.2, 260), np.linspace(-0.33, 0.03, 260))
    flat = np.stack([across + 0.03 * np.sin(9 * down), down + 0 * across, 0 * across], -1)
    folds = 0.016 + 0.010 * np.sin(34 * across + 11 * down) + waves(flat, 0.11, 0.012, 12)
    flat[..., 2] = np.maximum(folds, 0.0015)
    plate = [
        (0.0005, 0.004), (0.05, 0.004), (0.06, 0.001), (0.066, 0.008), (0.108, 0.020),
        (0.109, 0.023), (0.066, 0.012), (0.0005, 0.0085),
    ]  # fmt: skip
    bowl = [
        (0.0005, 0.001), (0.03, 0.001), (0.033, 0.008), (0.065, 0.045), (0.068, 0.052),
        (0.064, 0.05), (0.03, 0.013), (0.0005, 0.011),
    ]  # fmt: skip
    white, celadon = Stuff("shiny", (0.76, 0.75, 0.73), 0.12), Stuff("shiny", (0.50, 0.58, 0.52), 0.16)
    steel = Stuff("metal", (0.82, 0.81, 0.8), 0.2)
    spoon = [(0.30, -0.22, 0.006), (0.27, -0.1, 0.008), (0.245, 0.02, 0.006)]
    return [
        Thing("subject", cloth, flat + np.array([-0.13, -0.065, 0])),
        *[Thing("subject", white, turned(plate, (0.09, 0.12, 0.016 * i))) for i in range(4)],
        Thing("subject", celadon, turned(bowl, (0.085, 0.115, 0.068))),
        Thing("subject", steel, tube(spoon, [0.004, 0.0025, 0.0035], 0.4)),
        Thing("subject", steel, ellipsoid((0.238, 0.05, 0.007), (0.02, 0.031, 0.006))),
        ball("subject", Stuff("shiny", (0.55, 0.36, 0.10), 0.12), (-0.02, 0.16, 0.03), 0.03),
        sweep(0.9, 0.5, 0.86),
    ]


def reeds() -> list[Thing]:
    rng = np.random.default_rng(21)
    straw, stalk = Stuff("matt", (0.50, 0.41, 0.28)), Stuff("matt", (0.30, 0.28, 0.12))
    lines = [
        [(-0.01, 0, 0.2), (-0.05, 0, 0.5), (-0.12, 0.01, 0.78), (-0.22, 0.02, 0.98)],
        [(0.0, 0.01, 0.2), (0.02, 0, 0.5), (0.05, 0, 0.8), (0.11, 0, 1.06)],
        [(0.015, 0, 0.2), (0.07, 0.01, 0.42), (0.17, 0, 0.6), (0.31, 0, 0.71)],
    ]
    strands = []
    for line in lines:
        spine = along(line, 200)
        for _ in range(1500):
            i = int(rng.integers(112, 199))
            share = (i - 112) / 87
            long = (0.095 * np.sin(np.pi * (0.12 + 0.82 * share)) + 0.012) * rng.uniform(0.5, 1.1)
            heading = (
                1.1 * (spine[i] - spine[i - 5]) / np.linalg.norm(spine[i] - spine[i - 5]) + rng.normal(size=3) * 0.55
            )
            heading /= np.linalg.norm(heading)
            t = np.linspace(0, 1, 5)[:, None]
            strands.append(spine[i] + long * (t * heading + t**2 * np.array([0.0, 0, -0.35]) * rng.uniform(0.4, 1.4)))
    blades = [
        ([(0.0, 0, 0.2), (-0.12, -0.02, 0.5), (-0.24, -0.03, 0.55), (-0.31, -0.03, 0.42)], 0.009),
        ([(0.01, 0, 0.2), (0.08, -0.03, 0.4), (0.18, -0.04, 0.44), (0.27, -0.05, 0.36)], 0.008),
        ([(0.0, 0, 0.2), (-0.05, 0, 0.4), (-0.13, 0.0, 0.5), (-0.2, 0.0, 0.66)], 0.007),
    ]
    jar = [
        (0.0005, 0.0), (0.05, 0.001), (0.078, 0.08), (0.07, 0.17), (0.035, 0.23),
        (0.04, 0.25), (0.033, 0.249), (0.0005, 0.2),
    ]  # fmt: skip
    green = Stuff("shiny", (0.13, 0.2, 0.06), 0.35)
    return [
        Thing("subject", straw, strands),
        *[Thing("subject", stalk, tube(line, [0.0035, 0.0018])) for line in lines],
        *[Thing("subject", green, tube(line, [wide, wide, 0.001], 0.15)) for line, wide in blades],
        Thing("subject", Stuff("shiny", (0.045, 0.05, 0.06), 0.2), turned(jar)),
        wall(1.2, 0.11),
    ]


def chair() -> list[Thing]:
    skin, wool, oak = (
        Stuff("shiny", (0.34, 0.22, 0.16), 0.38),
        Stuff("matt", (0.16, 0.05, 0.05)),
        Stuff("shiny", (0.10, 0.055, 0.025), 0.22),
    )
    head = (-0.09, 0, 1.40)
    nose = [(-0.178, 0, 1.435), (-0.205, 0, 1.395), (-0.172, 0, 1.378)]
    things = [
        Thing("subject", skin, ellipsoid(head, (0.098, 0.076, 0.112))),
        Thing("subject", skin, tube(nose, [0.008, 0.015, 0.012])),
        Thing("subject", skin, ellipsoid((-0.165, 0, 1.362), (0.02, 0.026, 0.007))),
        Thing("subject", skin, ellipsoid((-0.163, 0, 1.348), (0.018, 0.024, 0.008))),
        Thing("subject", skin, ellipsoid((-0.145, 0, 1.31), (0.036, 0.04, 0.026))),
        Thing("subject", skin, ellipsoid((-0.075, -0.075, 1.395), (0.017, 0.01, 0.03))),
        Thing("subject", skin, tube([(-0.02, 0, 1.1), (-0.05, 0, 1.24), (-0.075, 0, 1.35)], [0.075, 0.055, 0.058])),
        Thing(
            "subject",
            Stuff("shiny", (0.022, 0.016, 0.012), 0.3),
            ellipsoid((-0.068, 0.0, 1.43), (0.105, 0.084, 0.1), (0.03, 0.002)),
        ),
        Thing(
            "subject",
            Stuff("shiny", (0.022, 0.016, 0.012), 0.3),
            ellipsoid((0.052, 0, 1.43), (0.042, 0.04, 0.045), (0.02, 0.002)),
        ),
        Thing("subject", wool, ellipsoid((-0.005, 0, 0.99), (0.16, 0.22, 0.24), (0.06, 0.003))),
        Thing(
            "subject",
            wool,
            tube([(0.02, -0.17, 1.14), (-0.03, -0.21, 0.98), (-0.11, -0.2, 0.8)], [0.075, 0.065, 0.055]),
        ),
        box("subject", oak, (0.215, 0.0, 1.26), (0.018, 0.23, 0.026), -38),
    ]
    for i in range(6):
        out = 0.4 * (i - 2.5) / 2.5 * 0.5
        x, y = 0.215 + out * np.sin(np.radians(38)), out * np.cos(np.radians(38))
        things.append(Thing("subject", oak, tube([(x, y, 0.7), (x, y, 0.98), (x, y, 1.24)], [0.009, 0.012, 0.008])))
    return [*things, wall(1.7, 0.007)]


# --- five more, made when all of these had taught what they could -----------------------------------------------------


def leant(points: np.ndarray, at: Sequence[float], turn_deg: float, lean_deg: float = 0) -> np.ndarray:
    """Lean a grid over to the right about the y axis, turn it about the upright, and carry it to `at`."""
    a, b = np.radians(turn_deg), np.radians(lean_deg)
    over = np.array([[np.cos(b), 0, np.sin(b)], [0, 1, 0], [-np.sin(b), 0, np.cos(b)]])
    round_it = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]])
    return np.asarray(points @ (round_it @ over).T + np.array(at))


def lilies() -> list[Thing]:
    petal, green = Stuff("matt", (0.80, 0.79, 0.74)), Stuff("shiny", (0.12, 0.22, 0.07), 0.3)
    pollen = Stuff("matt", (0.62, 0.42, 0.06))
    up, turn = np.meshgrid(np.linspace(0, 1, 200), np.linspace(0, 2 * np.pi, 300), indexing="ij")
    back = 0.5 + 0.5 * np.cos(turn - np.pi / 2)  # 1 where the tip is, away from the opening
    wide = 0.006 + 0.036 * up**1.4 + (0.016 + 0.014 * (1 - back)) * up**6
    high = 0.115 * up + up**3 * (0.075 * back**5 - 0.03 * (1 - back)) - 0.02 * (1 - back) * up**12
    frill = 0.0025 * up**4 * np.sin(7 * turn + 1)
    flower = np.stack([(wide + frill) * np.cos(turn), (wide + frill) * np.sin(turn), high], -1)
    flower[..., 1] += 0.035 * back**5 * up**5
    spadix = tube([(0, 0.0, 0.02), (0, 0.003, 0.07), (0.001, 0.004, 0.115)], [0.006, 0.0065, 0.003])
    heads = [((-0.115, 0.0, 0.215), 25, -17), ((0.01, 0.03, 0.275), -30, 3), ((0.12, -0.02, 0.165), 55, 22)]
    things = []
    for (x, y, z), turned_deg, lean in heads:
        things.append(Thing("subject", petal, leant(flower, (x, y, z), turned_deg, 0.6 * lean)))
        things.append(Thing("subject", pollen, leant(spadix, (x, y, z), turned_deg, 0.6 * lean)))
        stem = [(0.25 * x + 0.01, y, -0.15), (0.55 * x, y, 0.0), (0.86 * x, y, 0.6 * z), (x, y, z + 0.006)]
        things.append(Thing("subject", green, tube(stem, [0.0085, 0.0065])))
    blade = [(0.02, 0.07, -0.1), (-0.07, 0.08, 0.06), (-0.16, 0.07, 0.15), (-0.245, 0.04, 0.135)]
    things.append(Thing("subject", green, tube(blade, [0.008, 0.032, 0.026, 0.001], 0.1)))
    return [*things, wall(2.4, 0.005)]


def bag() -> list[Thing]:
    leather, edge = Stuff("shiny", (0.30, 0.165, 0.085), 0.34), Stuff("shiny", (0.20, 0.105, 0.055), 0.3)
    brass, grain = Stuff("metal", (0.82, 0.66, 0.36), 0.16), (0.05, 0.0016)
    line = along([(0.0, 0.0), (0.86, 0.0), (1.0, 0.012), (0.985, 0.1), (0.87, 0.2), (0.8, 0.215), (0.0, 0.215)], 220)
    turn = np.linspace(0, 2 * np.pi, 361)[None, :]

    def squared(v: np.ndarray) -> np.ndarray:
        return np.sign(v) * np.abs(v) ** 0.42

    share, high = line[:, :1], line[:, 1:]
    deep = 0.062 * (1 - 0.62 * (high / 0.215) ** 1.3)
    body = np.stack([0.155 * share * squared(np.cos(turn)), deep * share * squared(np.sin(turn)), high + 0 * turn], -1)
    body = body + (waves(body, *grain, 17) * np.clip(high / 0.03, 0, 1))[..., None] * np.array([0.3, 1, 0])
    across, down = np.meshgrid(np.linspace(-1, 1, 120), np.linspace(0, 1, 120))
    hem = 0.108 + 0.035 * np.abs(across) ** 3
    flap_z = 0.2165 - (0.2165 - hem) * down
    flap_y = -0.066 * (1 - 0.62 * (np.clip(flap_z, 0, 0.215) / 0.215) ** 1.3) - 0.0035 + 0.02 * (1 - down) ** 8
    flap = np.stack([0.134 * across * (1 + 0.06 * down), flap_y, flap_z], -1)
    handle = [(-0.07, 0, 0.195), (-0.078, 0, 0.27), (-0.045, 0, 0.325), (0.045, 0, 0.325), (0.078, 0, 0.27),
              (0.07, 0, 0.195)]  # fmt: skip
    strap = [(0.14, 0, 0.19), (0.168, -0.02, 0.12), (0.188, -0.04, 0.04), (0.22, -0.06, 0.006), (0.27, -0.04, 0.005),
             (0.31, 0.03, 0.005)]  # fmt: skip
    parts = [
        (leather, body), (leather, flap),
        (edge, tube([(x, y, z - 0.002) for x, y, z in flap[-1, ::8]], 0.0028)),
        (edge, tube(handle, 0.0075)),
        (edge, tube(strap, 0.0055, 0.6)),
        (brass, tube([(0.135, 0, 0.2), (0.146, 0, 0.195), (0.148, 0, 0.182)], 0.0055)),
    ]  # fmt: skip
    return [
        *[Thing("subject", stuff, leant(shape, (-0.02, 0.02, 0.0006), -20)) for stuff, shape in parts],
        *[
            ball("subject", brass, leant(np.array([x, -0.032, 0.192]), (-0.02, 0.02, 0), -20), 0.0085)
            for x in (-0.07, 0.07)
        ],
        Thing(
            "subject",
            brass,
            leant(ellipsoid((0.0, -0.0585, 0.112), (0.019, 0.006, 0.012)), (-0.02, 0.02, 0), -20),
        ),
        sweep(1.1, 0.6, 0.20),
    ]


def cartons() -> list[Thing]:
    board, kraft = Stuff("matt", (0.66, 0.655, 0.64)), Stuff("matt", (0.42, 0.29, 0.17))
    ink = {
        "teal": (0.04, 0.20, 0.22),
        "rust": (0.42, 0.13, 0.05),
        "navy": (0.03, 0.05, 0.14),
        "sand": (0.58, 0.48, 0.3),
    }

    def carton(at: tuple[float, float, float], half: tuple[float, float, float], turn: float, band: str) -> list[Thing]:
        """A carton with a printed band round it."""
        x, y, z = at
        belt = (half[0] + 0.0004, half[1] + 0.0004, 0.3 * half[2])
        printed = Stuff("shiny", ink[band], 0.25)
        return [
            box("subject", board, at, half, turn),
            box("subject", printed, (x, y, z + 0.25 * half[2]), belt, turn),
        ]

    cap, tin = Stuff("shiny", (0.03, 0.03, 0.03), 0.15), Stuff("shiny", (0.20, 0.22, 0.24), 0.3)
    can = [(0.0005, 0.0), (0.036, 0.0), (0.037, 0.004), (0.037, 0.066), (0.0385, 0.067), (0.0385, 0.078),
           (0.036, 0.08), (0.0005, 0.08)]  # fmt: skip
    crimped = tube([(0.185, -0.03, 0.022), (0.186, -0.028, 0.08), (0.188, -0.02, 0.155)], [0.021, 0.021, 0.022])
    crimped[..., 1] = -0.03 + (crimped[..., 1] + 0.03) * np.clip((0.16 - crimped[..., 2]) / 0.1, 0.06, 1)
    return [
        *carton((-0.15, 0.02, 0.115), (0.04, 0.04, 0.115), 14, "teal"),
        *carton((-0.05, 0.03, 0.05), (0.035, 0.035, 0.05), -8, "rust"),
        *carton((0.09, 0.03, 0.05), (0.035, 0.035, 0.05), 6, "navy"),
        box("subject", kraft, (0.02, 0.03, 0.124), (0.12, 0.05, 0.0238), -4),
        *carton((0.05, 0.03, 0.168), (0.055, 0.035, 0.02), 24, "sand"),
        Thing("subject", tin, turned(can, (0.125, -0.085, 0.0), sharp=True)),
        Thing("subject", Stuff("shiny", (0.55, 0.62, 0.58), 0.2), crimped),
        Thing("subject", cap, turned([(0.0005, 0), (0.0165, 0), (0.0165, 0.024), (0.0005, 0.024)], (0.185, -0.03, 0),
                                     sharp=True)),
        box("table", Stuff("matt", (0.30, 0.36, 0.40)), (0.01, 0.0, -0.301), (0.25, 0.14, 0.3)),
        wall(2.0, 0.88),
    ]  # fmt: skip


def headphones() -> list[Thing]:
    gloss, pad = Stuff("shiny", (0.018, 0.018, 0.021), 0.06), Stuff("shiny", (0.03, 0.028, 0.027), 0.4)
    dull = Stuff("metal", (0.22, 0.22, 0.23), 0.36)
    outline = [(0.0005, 0.028), (0.02, 0.0275), (0.034, 0.024), (0.0395, 0.014), (0.0395, 0.004), (0.034, 0.0),
               (0.0005, 0.0)]  # fmt: skip
    # What is turned about the upright faces right instead, and is a little taller than wide.
    on_its_side = np.array([[0, 0, -1.15], [0, 1.0, 0], [1.0, 0, 0]])
    cup, cushion = turned(outline) @ on_its_side, ring((0, 0, 0), 0.027, 0.0115) @ on_its_side
    arch = [(0.088 * np.sin(a), 0.0, 0.175 + 0.118 * np.cos(a)) for a in np.linspace(-1.75, 1.75, 15)]
    parts = [(gloss, tube(arch, [0.007, 0.010, 0.012, 0.010, 0.007])), (pad, tube(arch[3:-3], 0.011) - [0, 0, 0.008])]
    for side in (-1, 1):
        flip = np.array([side, 1, 1])
        parts.append((gloss, cup * flip + [side * 0.083, 0, 0.14]))
        parts.append((pad, cushion * flip + [side * 0.075, 0, 0.14]))
        parts.append((dull, tube([(side * 0.0865, 0, 0.15), (side * 0.0875, 0, 0.2)], 0.0045)))
    stand = [(0.0005, -0.5), (0.0085, -0.5), (0.0085, 0.27), (0.0005, 0.271)]
    cord = [(-0.082, -0.01, 0.1), (-0.09, -0.02, 0.05), (-0.06, -0.04, 0.0), (-0.08, -0.05, -0.06),
            (-0.07, -0.05, -0.2)]  # fmt: skip
    return [
        *[Thing("subject", stuff, leant(shape, (0.03, 0, 0), -32)) for stuff, shape in parts],
        Thing("subject", dull, turned(stand, (0.03, 0, 0), sharp=True)),
        Thing("subject", gloss, tube([(0.0, 0.02, 0.268), (0.03, 0, 0.272), (0.06, -0.02, 0.268)], 0.011)),
        Thing("subject", pad, leant(tube(cord, 0.0023), (0.03, 0, 0), -32)),
        wall(1.4, 0.13),
    ]


def portrait() -> list[Thing]:
    skin, lip = Stuff("shiny", (0.52, 0.35, 0.265), 0.38), Stuff("shiny", (0.42, 0.14, 0.12), 0.25)
    blouse, brown = Stuff("matt", (0.09, 0.20, 0.22)), Stuff("shiny", (0.075, 0.042, 0.024), 0.35)
    dark = Stuff("shiny", (0.03, 0.025, 0.02), 0.05)
    x, z = -0.03, 1.40
    eyes = [
        Thing("subject", stuff, ellipsoid((x + side * 0.032, y, z + up), size))
        for side in (-1, 1)
        for stuff, y, up, size in (
            (dark, -0.085, 0.016, (0.012, 0.008, 0.006)),
            (brown, -0.084, 0.037, (0.019, 0.008, 0.0032)),
        )
    ]
    sides = [
        Thing("subject", brown, ellipsoid((x + side * 0.068, 0.03, z - 0.045), (0.03, 0.062, 0.1), (0.03, 0.003), 7))
        for side in (-1, 1)
    ]
    # Loose, not wild.
    strands = [s[0] + 0.6 * (s - s[0]) for s in hairs((x, 0.035, z + 0.02), (0.084, 0.084, 0.106), 5000, 14)]
    sleeves = [
        Thing("subject", blouse, tube([(x, 0.03, 1.12), (x + side * 0.11, 0.03, 1.14), (x + side * 0.19, 0.02, 1.095),
                                       (x + side * 0.235, 0.0, 0.98), (x + side * 0.245, -0.02, 0.8)],
                                      [0.045, 0.05, 0.06, 0.06, 0.055]))
        for side in (-1, 1)
    ]  # fmt: skip
    return [
        Thing("subject", skin, ellipsoid((x, 0, z), (0.073, 0.093, 0.108))),
        Thing("subject", skin, ellipsoid((x, -0.03, z - 0.065), (0.05, 0.058, 0.05))),
        Thing("subject", skin, tube([(x, -0.09, z + 0.02), (x, -0.105, z - 0.012), (x, -0.092, z - 0.026)],
                                    [0.006, 0.012, 0.009])),
        Thing("subject", lip, ellipsoid((x, -0.085, z - 0.053), (0.021, 0.010, 0.007))),
        *eyes,
        Thing("subject", skin, tube([(x, 0.03, 1.1), (x, 0.02, 1.24), (x, 0.01, 1.34)], [0.075, 0.05, 0.052])),
        Thing("subject", brown, ellipsoid((x, 0.035, z + 0.025), (0.086, 0.085, 0.108), (0.03, 0.003), 6)),
        *sides,
        Thing("subject", brown, strands),
        Thing("subject", blouse, ellipsoid((x, 0.04, 1.01), (0.205, 0.12, 0.185), (0.07, 0.003), 8)),
        *sleeves,
        wall(2.2, 0.86),
    ]  # fmt: skip


# --- another five, made when the program had grown a good deal and no set had been new for long -----------------------


def wristwatch() -> list[Thing]:
    steel, bright = Stuff("metal", (0.17, 0.17, 0.18), 0.32), Stuff("metal", (0.6, 0.6, 0.58), 0.2)
    strap, dial = Stuff("shiny", (0.032, 0.022, 0.017), 0.4), Stuff("shiny", (0.010, 0.012, 0.018), 0.1)
    # Lying on its back: noon to the left, three o'clock away from the camera.
    case = [(0.0005, -0.005), (0.0185, -0.005), (0.0205, -0.003), (0.0210, 0.002), (0.0200, 0.0045), (0.0178, 0.0058),
            (0.0172, 0.004), (0.0170, 0.003)]  # fmt: skip
    loop = [(-0.019, 0.0, -0.001), (-0.029, 0, -0.003), (-0.038, 0, -0.013), (-0.040, 0, -0.028), (-0.03, 0, -0.046),
            (0.0, 0, -0.053), (0.03, 0, -0.046), (0.040, 0, -0.028), (0.038, 0, -0.013), (0.029, 0, -0.003),
            (0.019, 0, -0.001)]  # fmt: skip
    parts = [
        (strap, tube(loop, [0.0024, 0.0019, 0.0016, 0.0016, 0.0016, 0.0019, 0.0024], 4.6)),
        (steel, turned(case)),
        (dial, turned([(0.0002, 0.0032), (0.0172, 0.0031)], sharp=True)),
        (steel, tube([(0, 0.0205, 0), (0, 0.0225, 0), (0, 0.0245, 0)], [0.0015, 0.0031, 0.0029]).clip(-1, 1)),
        (bright, tube([(-0.0085, -0.006, 0.0044), (0.001, 0.0007, 0.0044)], [0.0004, 0.0008])),
        (bright, tube([(-0.006, 0.0125, 0.0048), (0.001, -0.002, 0.0048)], [0.0003, 0.0006])),
        (bright, ring((0.0075, 0, 0.0033), 0.0042, 0.00025)),
        (bright, ellipsoid((0, 0, 0.0046), (0.0012, 0.0012, 0.0009))),
    ]
    for a in np.arange(12) * np.pi / 6:
        if abs(a) > 0.1:  # the small dial is at six
            ends = [(r * np.cos(a), r * np.sin(a), 0.0036) for r in (0.0128, 0.0160)]
            parts.append((bright, tube(ends, 0.0005)))
    for x, y in ((-0.021, 0.0105), (-0.021, -0.0105), (0.021, 0.0105), (0.021, -0.0105)):
        parts.append((steel, ellipsoid((x, y, -0.0015), (0.006, 0.0022, 0.0026))))
    stand = Stuff("matt", (0.025, 0.025, 0.027))
    return [
        *[Thing("subject", stuff, leant(shape, (0, 0, 0), -74, 64)) for stuff, shape in parts],
        Thing("table", stand, leant(ellipsoid((0, 0, -0.027), (0.036, 0.014, 0.021)), (0, 0, 0), -74, 64)),
        box("table", stand, (0.004, 0.02, -0.152), (0.042, 0.04, 0.1), 16),
        wall(0.9, 0.004),
    ]


def dancer() -> list[Thing]:
    rng = np.random.default_rng(31)
    skin, black = Stuff("shiny", (0.42, 0.27, 0.19), 0.38), Stuff("shiny", (0.018, 0.014, 0.012), 0.28)
    dress, silk = Stuff("matt", (0.035, 0.03, 0.035)), Stuff("shiny", (0.36, 0.045, 0.04), 0.4)
    arm = along([(-0.10, 0, 1.36), (0.08, -0.03, 1.35), (0.26, -0.07, 1.39), (0.43, -0.12, 1.49)], 160)
    # The shawl hangs over the arm, shortest at the wrist, in folds that deepen downwards.
    down, across = np.linspace(0, 1, 90)[:, None], np.linspace(0, 1, 160)[None, :]
    long = 0.26 - 0.10 * across + 0.012 * np.sin(23 * across)
    over = arm[None] + np.sin(np.pi / 2 * np.minimum(6 * down, 1))[..., None] * np.array([0, -0.085, 0])
    over[..., 1] += 0.026 * down * np.sin(31 * across + 3 * down) * (1 - 0.3 * across)
    over[..., 2] += 0.062 - 0.9 * long * down
    tassels = []
    for root in over[-1, 3:158:4]:
        for _ in range(8):
            drop = np.array([*rng.normal(size=2) * 0.006, -rng.uniform(0.13, 0.16)])
            t = np.linspace(-0.3, 1, 7)[:, None]
            tassels.append(root + rng.normal(size=3) * 0.002 + drop * np.hstack([t * t, t * t, t]))
    return [
        Thing("subject", skin, ellipsoid((-0.20, 0, 1.56), (0.071, 0.09, 0.105))),
        Thing("subject", skin, ellipsoid((-0.19, -0.03, 1.495), (0.047, 0.056, 0.048))),
        Thing("subject", skin, tube([(-0.187, -0.087, 1.58), (-0.178, -0.106, 1.548), (-0.183, -0.088, 1.533)],
                                    [0.006, 0.012, 0.009])),
        Thing("subject", silk, ellipsoid((-0.184, -0.083, 1.508), (0.02, 0.01, 0.007))),
        *[Thing("subject", black, ellipsoid((x, -0.081, 1.577), (0.013, 0.009, 0.006))) for x in (-0.217, -0.158)],
        Thing("subject", black, ellipsoid((-0.207, 0.03, 1.59), (0.08, 0.085, 0.098), (0.03, 0.0015), 3)),
        Thing("subject", black, ellipsoid((-0.28, 0.06, 1.60), (0.042, 0.045, 0.048), (0.02, 0.0015), 4)),
        ball("subject", Stuff("metal", (0.85, 0.66, 0.35), 0.12), (-0.275, -0.02, 1.515), 0.013),
        Thing("subject", skin, tube([(-0.2, 0.02, 1.3), (-0.2, 0.015, 1.4), (-0.2, 0.01, 1.5)], [0.075, 0.048, 0.05])),
        Thing("subject", dress, ellipsoid((-0.2, 0.03, 1.2), (0.165, 0.11, 0.22), (0.08, 0.002))),
        Thing("subject", dress, tube([(-0.2, 0.03, 1.15), (-0.2, 0.03, 0.98), (-0.2, 0.03, 0.8)], [0.14, 0.115, 0.17])),
        Thing("subject", skin, tube(arm[::30], [0.062, 0.045, 0.038, 0.027])),
        Thing("subject", skin, ellipsoid((0.475, -0.135, 1.535), (0.045, 0.018, 0.035))),
        Thing("subject", skin, ellipsoid((-0.30, -0.07, 0.98), (0.045, 0.03, 0.026))),
        Thing("subject", skin, ellipsoid((-0.305, 0.0, 1.355), (0.062, 0.06, 0.06))),
        Thing("subject", skin, tube([(-0.31, 0, 1.36), (-0.44, 0.02, 1.24), (-0.56, 0.02, 1.12), (-0.47, -0.06, 1.03),
                                     (-0.32, -0.06, 0.985)], [0.058, 0.046, 0.042, 0.036, 0.028])),
        Thing("subject", silk, over),
        Thing("subject", silk, tube([(-0.33, -0.06, 1.29), (-0.26, -0.11, 1.33), (-0.15, -0.09, 1.38),
                                     (-0.04, -0.05, 1.395), (0.1, -0.04, 1.37), (0.22, -0.05, 1.38)],
                                    [0.01, 0.045, 0.06, 0.065, 0.055, 0.02])),
        Thing("subject", silk, tassels),
        wall(1.9, 0.006),
    ]  # fmt: skip


def bicycle() -> list[Thing]:
    paint, black = Stuff("shiny", (0.05, 0.16, 0.17), 0.14), Stuff("shiny", (0.03, 0.03, 0.03), 0.35)
    chrome, tan = Stuff("metal", (0.78, 0.78, 0.79), 0.16), Stuff("shiny", (0.30, 0.16, 0.075), 0.35)
    upright = np.array([[1.0, 0, 0], [0, 0, 1.0], [0, -1.0, 0]])
    rear, front, crank = (-0.5, 0, 0.33), (0.53, 0, 0.33), (-0.06, 0, 0.29)
    seat, head, fork = (-0.21, 0, 0.75), (0.33, 0, 0.80), (0.375, 0, 0.66)
    parts = [(paint, tube([a, b], 0.0155)) for a, b in ((crank, seat), (seat, head), (crank, fork), (head, fork))]
    for at in (rear, front):
        parts.append((black, ring((0, 0, 0), 0.318, 0.0135) @ upright + at))
        parts.append((chrome, ring((0, 0, 0), 0.300, 0.0065) @ upright + at))
        parts.append((chrome, tube([(0.001, -0.05, 0), (0, 0, 0), (0.001, 0.05, 0)], 0.012) + at))
        for i, a in enumerate(np.linspace(0, 2 * np.pi, 29)[:-1]):
            side, lead = (-0.03, 0.03)[i % 2], (0.9, -0.9)[i // 2 % 2]
            hub = (0.022 * np.cos(a + lead), side, 0.022 * np.sin(a + lead))
            parts.append((chrome, tube([hub, (0.298 * np.cos(a), 0.001, 0.298 * np.sin(a))], 0.0012) + at))
    for y in (-0.055, 0.055):
        parts.append((paint, tube([crank, (-0.3, y, 0.31), (rear[0], y, rear[2])], 0.008)))
        parts.append((paint, tube([seat, (-0.35, y, 0.55), (rear[0], y, rear[2])], 0.007)))
        parts.append((paint, tube([fork, (0.42, y, 0.55), (0.47, y, 0.42), (front[0], y, front[2])], 0.0095)))
        parts.append((chrome, tube([(-0.06, y, 0.29), (-0.06 - 2.2 * y, 1.3 * y, 0.17 + 2.2 * (y + 0.055))], 0.009)))
        foot = (-0.06 - 2.2 * y, 2.2 * y, 0.17 + 2.2 * (y + 0.055))
        parts.append((black, ellipsoid(foot, (0.045, 0.04, 0.012))))
        bar = [(0.32, 0, 0.9), (0.34, 3 * y, 0.91), (0.30, 4.6 * y, 0.925), (0.20, 5 * y, 0.93), (0.12, 5.1 * y, 0.92)]
        parts.append((chrome, tube(bar, 0.011)))
        parts.append((tan, tube(bar[-2:], 0.0155)))
        parts.append((black, tube([(-0.065, -0.045, 0.29 + 1.55 * y), (-0.5, -0.045, 0.33 + 0.55 * y)], 0.0045)))
    parts += [
        (chrome, tube([(-0.21, 0, 0.75), (-0.24, 0, 0.86)], 0.012)),
        (chrome, tube([head, (0.32, 0, 0.9)], 0.012)),
        (tan, ellipsoid((-0.29, 0, 0.885), (0.09, 0.085, 0.03))),
        (tan, tube([(-0.28, 0, 0.892), (-0.18, 0, 0.896), (-0.10, 0, 0.885)], [0.05, 0.03, 0.016])),
        (chrome, ring((0, 0, 0), 0.082, 0.005) @ upright + (-0.06, -0.045, 0.29)),
    ]
    return [
        *[Thing("subject", stuff, leant(shape, (0, 0.1, 0.0), -14)) for stuff, shape in parts],
        sweep(1.3, 0.8, 0.22),
    ]


def cake() -> list[Thing]:
    icing, china = Stuff("matt", (0.76, 0.735, 0.69)), Stuff("shiny", (0.70, 0.70, 0.69), 0.1)
    berry, plum, leaf = (
        Stuff("shiny", (0.48, 0.03, 0.04), 0.15),
        Stuff("shiny", (0.05, 0.03, 0.10), 0.25),
        Stuff("shiny", (0.12, 0.22, 0.07), 0.3),
    )
    foot = [(0.0005, 0.0), (0.075, 0.0), (0.07, 0.008), (0.022, 0.02), (0.017, 0.05), (0.03, 0.072), (0.15, 0.078),
            (0.153, 0.086), (0.148, 0.085), (0.0005, 0.084)]  # fmt: skip
    things = [Thing("table", china, turned(foot, ribs=(28, 0.008, 0.0)))]
    base = 0.085
    for wide, high, swags in ((0.125, 0.105, 12), (0.085, 0.09, 9), (0.05, 0.075, 6)):
        tier = [(0.0005, base), (wide, base), (wide, base + 0.5 * high), (wide - 0.001, base + high - 0.007),
                (wide - 0.007, base + high), (0.0005, base + high)]  # fmt: skip
        things.append(Thing("subject", icing, turned(tier, grain=(0.04, 0.0005))))
        rope = [(wide, base), (wide + 0.006, base + 0.002), (wide + 0.0075, base + 0.006), (wide + 0.005, base + 0.011),
                (wide - 0.002, base + 0.013)]  # fmt: skip
        things.append(Thing("subject", icing, turned(rope, ribs=(round(400 * wide), 0.002 / wide, 30.0))))
        for i in range(swags):
            turn = 2 * np.pi * (i + np.linspace(0, 1, 7)) / swags
            dip = base + high - 0.012 - 0.022 * np.sin(np.linspace(0, np.pi, 7))
            hung = np.stack([(wide + 0.001) * np.cos(turn), (wide + 0.001) * np.sin(turn), dip], -1)
            things.append(Thing("subject", icing, tube(hung, 0.0028)))
        base += high
    for x, y, z, r, stuff in (
        (-0.012, -0.008, base, 0.013, berry),
        (0.014, -0.012, base, 0.012, berry),
        (0.002, 0.016, base, 0.013, plum),
        (0.0, -0.004, base + 0.018, 0.012, plum),
        (0.036, -0.055, 0.28, 0.011, berry),
        (0.052, -0.043, 0.28, 0.010, plum),
        (-0.075, -0.075, 0.19, 0.012, berry),
        (-0.057, -0.090, 0.19, 0.011, berry),
        (-0.072, -0.085, 0.207, 0.01, plum),
        (0.19, -0.08, 0.0, 0.012, berry),
        (0.215, -0.065, 0.0, 0.011, plum),
    ):
        things.append(ball("subject", stuff, (x, y, z + 0.9 * r), r))
    for line in (
        [(0.01, 0, base + 0.01), (0.035, -0.01, base + 0.03), (0.06, -0.01, base + 0.025)],
        [(-0.01, 0, base + 0.01), (-0.025, -0.01, base + 0.04), (-0.05, -0.015, base + 0.05)],
    ):
        things.append(Thing("subject", leaf, tube(line, [0.002, 0.011, 0.001], 0.15)))
    return [
        *things,
        box("table", Stuff("matt", (0.44, 0.47, 0.48)), (0, -0.25, -0.02), (2.5, 0.55, 0.02)),
        wall(2.1, 0.87),
    ]  # fmt: skip


def brush(foot: Sequence[float], top: Sequence[float], wide: float, full: float, rng: Any) -> list[Thing]:
    """A brush from the foot of its handle to its ferrule, the bristles beyond; `full`: their half width."""
    gloss, gold = Stuff("shiny", (0.015, 0.015, 0.016), 0.06), Stuff("metal", (0.86, 0.64, 0.40), 0.14)
    a, b = np.array(foot), np.array(top)
    way = (b - a) / np.linalg.norm(b - a)
    bristles = []
    for _ in range(1600):
        out = rng.normal(size=3)
        out -= way * (out @ way)
        out *= rng.uniform() ** 0.5 / np.linalg.norm(out)
        long = (0.034 + 0.016 * np.sqrt(1 - (out @ out) ** 2)) * rng.uniform(0.93, 1.03)
        t = np.linspace(-0.3, 1, 7)[:, None]
        bulge = (full - wide) * np.sin(1.9 * t) * (1 - 0.25 * t) * (t > 0)
        line = b + 0.024 * way + wide * out + t * long * way + out * bulge
        bristles.append(np.insert(line, 3, 0.00016, axis=1))
    return [
        Thing("subject", gloss, tube([a, (a + b) / 2, b], [0.6 * wide, 1.15 * wide, wide])),
        Thing("subject", gold, tube([b, b + 0.012 * way, b + 0.026 * way], [wide, 1.1 * wide, 1.3 * wide])),
        Thing("subject", Stuff("matt", (0.15, 0.085, 0.05)), bristles),
    ]


def makeup() -> list[Thing]:
    rng = np.random.default_rng(33)
    gloss, gold = Stuff("shiny", (0.015, 0.015, 0.016), 0.06), Stuff("metal", (0.86, 0.64, 0.40), 0.14)
    cup = [(0.0005, 0.001), (0.03, 0.001), (0.034, 0.006), (0.036, 0.085), (0.0355, 0.088), (0.033, 0.086),
           (0.031, 0.012), (0.0005, 0.01)]  # fmt: skip
    things = [
        Thing("subject", Stuff("shiny", (0.03, 0.24, 0.26), 0.07), turned(cup, (-0.085, 0.03, 0))),
        *brush((-0.07, 0.02, 0.012), (-0.112, 0.035, 0.155), 0.0052, 0.024, rng),
        *brush((-0.10, 0.04, 0.012), (-0.062, 0.02, 0.170), 0.0042, 0.013, rng),
    ]
    stick = (0.012, -0.045, 0)
    bullet = turned([(0.0005, 0.036), (0.0062, 0.036), (0.0062, 0.066), (0.0055, 0.074), (0.0005, 0.076)], stick)
    bullet[..., 2] = np.minimum(bullet[..., 2], 0.068 + 0.9 * (bullet[..., 0] - 0.012))
    sleeve = [(0.0005, 0.024), (0.0082, 0.024), (0.0080, 0.046), (0.0005, 0.046)]
    holder = [(0.0005, 0), (0.0095, 0), (0.0095, 0.024), (0.0005, 0.024)]
    for i, (x, y, rgb) in enumerate(((0.075, 0.03, (0.50, 0.02, 0.05)), (0.115, 0.0, (0.62, 0.20, 0.16)))):
        flask = [(0.0005, 0.001), (0.015, 0.001), (0.0172, 0.004), (0.0172, 0.030), (0.015, 0.036), (0.0075, 0.039),
                 (0.007, 0.043), (0.0005, 0.043)]  # fmt: skip
        cap = [(0.0005, 0.042), (0.0085, 0.042), (0.0072, 0.078 - 0.006 * i), (0.0055, 0.081 - 0.006 * i),
               (0.0005, 0.0815 - 0.006 * i)]  # fmt: skip
        things.append(Thing("subject", Stuff("shiny", rgb, 0.03), turned(flask, (x, y, 0))))
        things.append(Thing("subject", gloss, turned(cap, (x, y, 0))))
    powder = (0.186, -0.05, 0)
    pan = [(0.0005, 0.0005), (0.0325, 0.0005), (0.0335, 0.005), (0.032, 0.008), (0.028, 0.0075), (0.0005, 0.0068)]
    pressed = [(0.0005, 0.0082), (0.0265, 0.008), (0.0268, 0.005)]
    lid = turned([(0.0005, 0), (0.031, 0), (0.0325, 0.0025), (0.031, 0.006), (0.0005, 0.006)])
    return [
        *things,
        Thing("subject", gloss, turned(holder, stick, sharp=True)),
        Thing("subject", gold, turned(sleeve, stick, sharp=True)),
        Thing("subject", Stuff("shiny", (0.45, 0.03, 0.07), 0.22), bullet),
        Thing("subject", gloss, turned(pan, powder)),
        Thing("subject", Stuff("matt", (0.60, 0.40, 0.30)), turned(pressed, powder)),
        Thing("subject", gloss, leant(lid, (0.186, -0.012, 0.0365), 90, -72)),
        sweep(0.6, 0.5, 0.85),
    ]  # fmt: skip


SCENES = {
    "boot": Scene(
        "dark leather on black, two strips behind it, light on the backdrop from the left",
        "black",
        "left",
        (0.05, -2.3, 0.3),
        (0.0, 0.0, 0.16),
        19.5,
        boot,
        {
            "rims": [
                Lamp((-0.85, 0.5, 0.45), (0, 0, 0.15), 0.25, 0.9, 11),
                Lamp((0.95, 0.45, 0.5), (0, 0, 0.15), 0.25, 0.9, 8),
                Lamp((-0.6, -0.9, 1.1), (0, 0, 0.1), 0.9, 0.9, 5),
            ],
            "spill": [Lamp((-1.9, 1.0, 0.5), (-0.6, 1.9, 0.3), 0.3, 0.6, 3)],
        },
    ),
    "bust": Scene(
        "pale plaster on white; the backdrop's light is uneven",
        "white",
        None,
        (0.0, -3.0, 0.45),
        (0.0, 0.0, 0.33),
        17.0,
        bust,
        {
            "key": [
                Lamp((-1.2, -1.4, 1.1), (0, 0, 0.35), 0.8, 0.8, 12),
                Lamp((1.6, -1.2, 0.6), (0, 0, 0.35), 1.0, 1.2, 1.8),
            ],
            "back": [
                Lamp((-2.1, 2.3, 0.6), (0.1, 3.6, 0.4), 0.4, 1.2, 26),
                Lamp((2.2, 2.35, 0.5), (-0.2, 3.6, 0.3), 0.4, 1.2, 21),
            ],
        },
    ),
    "bottle": Scene(
        "a glass bottle and a metal cup on a grey sweep",
        "grey",
        None,
        (0.02, -2.0, 0.36),
        (0.0, 0.0, 0.125),
        20.5,
        bottle,
        {
            "top": [Lamp((0.1, 0.25, 1.5), (0, 0.1, 0), 1.4, 1.2, 6)],
            "side": [Lamp((-1.3, 0.0, 0.45), (0, 0, 0.1), 0.3, 0.9, 8)],
        },
        depth=10,
    ),
    "sitter": Scene(
        "a figure at the bottom and the right border, unruly hair, on black; light on the backdrop from above",
        "black",
        "top",
        (0.0, -3.2, 1.3),
        (0.02, 0.0, 1.275),
        18.5,
        sitter,
        {
            "key": [
                Lamp((1.2, -1.6, 1.9), (0.15, 0, 1.3), 0.6, 0.8, 14),
                Lamp((-1.3, 0.8, 1.75), (0.13, 0, 1.4), 0.2, 0.8, 36),
            ],
            "spill": [Lamp((0.1, 1.0, 2.7), (0.0, 1.6, 1.8), 1.4, 0.3, 2.2)],
        },
    ),
    "table": Scene(
        "small things on a table whose edge runs across the frame, a grey backdrop behind",
        "grey",
        None,
        (0.0, -1.9, 0.42),
        (0.02, 0.0, 0.10),
        20.0,
        table,
        {
            "key": [Lamp((-1.1, -0.6, 1.1), (0, 0, 0), 0.6, 0.6, 13)],
            "back": [Lamp((0.1, -0.6, 2.6), (0.0, 1.7, 0.3), 2.6, 0.8, 5)],
        },
    ),
    "kettle": Scene(
        "a dark kettle on black, a card reaching in from the right; light on the backdrop from below",
        "black",
        "bottom",
        (-0.02, -2.4, 0.32),
        (-0.01, 0.0, 0.135),
        18.5,
        kettle,
        {
            "rims": [
                Lamp((-0.7, 0.55, 0.7), (-0.03, 0, 0.1), 0.25, 0.7, 10),
                Lamp((0.1, 0.1, 1.3), (-0.03, 0, 0.1), 0.9, 0.5, 5),
                Lamp((-1.0, -1.4, 0.6), (0, 0, 0.1), 0.6, 0.8, 4),
            ],
            "spill": [Lamp((-0.1, 1.2, -0.75), (-0.1, 1.8, -0.25), 1.6, 0.2, 4)],
        },
    ),
    "vase": Scene(
        "glossy china and leaves before a white backdrop close behind and strongly lit: light wraps round the edges",
        "white",
        None,
        (0.0, -2.2, 0.33),
        (0.02, 0.0, 0.235),
        20.0,
        vase,
        {
            "key": [Lamp((1.0, -1.2, 0.9), (0, 0, 0.2), 0.6, 0.6, 10)],
            "back": [
                Lamp((-1.3, 0.15, 0.5), (0.1, 0.8, 0.3), 0.3, 1.2, 24),
                Lamp((1.3, 0.15, 0.5), (-0.1, 0.8, 0.3), 0.3, 1.2, 25),
            ],
        },
    ),
    "pillar": Scene(
        "a turned pillar from the bottom border to the top: a black backdrop in two pieces, light on it from the right",
        "black",
        "right",
        (0.0, -2.6, 0.35),
        (0.0, 0.0, 0.33),
        18.0,
        pillar,
        {
            "key": [
                Lamp((-0.9, -1.0, 0.8), (0, 0, 0.35), 0.4, 0.9, 9),
                Lamp((0.9, 0.4, 0.6), (0, 0, 0.35), 0.2, 0.9, 24),
            ],
            "spill": [Lamp((2.1, 0.9, 0.6), (0.5, 1.9, 0.3), 0.3, 0.6, 2.5)],
        },
    ),
    "loaf": Scene(
        "a matt loaf and stones as grey as the backdrop, on a table whose edge crosses the frame aslant",
        "grey",
        None,
        (0.1, -1.7, 0.38),
        (0.03, 0.0, 0.075),
        20.0,
        loaf,
        {
            "key": [Lamp((1.5, 0.2, 0.55), (0, 0, 0.05), 0.25, 0.25, 60)],
            "fill": [Lamp((-0.4, -0.9, 2.2), (0.0, 0.6, 0.2), 2.0, 2.0, 5)],
        },
    ),
    "books": Scene(
        "dark books on a shelf from the left and the bottom border, one rim lamp; light on the black from the left",
        "black",
        "left",
        (-0.15, -2.1, 0.42),
        (0.01, 0.0, 0.10),
        21.0,
        books,
        {
            "rim": [
                Lamp((0.75, 0.8, 0.65), (0, 0, 0.1), 0.12, 1.1, 40),
                Lamp((0.3, -1.6, 1.6), (0, 0, 0.1), 0.5, 0.5, 6),
            ],
            "spill": [Lamp((-1.5, 0.6, 1.3), (-0.5, 1.7, 0.2), 0.5, 0.5, 3)],
        },
    ),
    "pots": Scene(
        "pale ceramics with small holes in their handles, on a white sweep",
        "white",
        None,
        (0.0, -1.9, 0.30),
        (0.01, 0.0, 0.085),
        19.0,
        pots,
        {
            "key": [Lamp((-1.4, -0.7, 0.9), (0, 0, 0.08), 0.5, 0.5, 14)],
            "back": [
                Lamp((0.0, 0.9, 2.1), (0.0, 0.9, 0.0), 2.6, 0.9, 10),
                Lamp((0, -0.3, 2.4), (0, 0.2, 0), 2.6, 1, 5),
            ],
        },
    ),
    "helmet": Scene(
        "a lacquered helmet on black, cut by the right and the bottom border, a broad strip in it; light from below",
        "black",
        "bottom",
        (-0.05, -2.5, 0.12),
        (-0.06, 0.0, 0.03),
        16.0,
        helmet,
        {
            "strip": [
                Lamp((-1.1, -0.9, 0.5), (0.1, 0, 0.05), 0.45, 1.5, 6),
                Lamp((0.4, 0.8, 1.1), (0.15, 0, 0.05), 0.7, 0.4, 2),
                Lamp((0.9, -1.5, 1.2), (0.15, 0, 0.0), 1.1, 1.1, 2.5),
            ],
            "spill": [Lamp((-0.4, 1.3, -1.0), (-0.3, 2.1, -0.35), 0.5, 0.3, 6)],
        },
    ),
    "basket": Scene(
        "a wire basket of fruit, twigs to the top and the right border, the grey behind it graded",
        "grey",
        None,
        (0.05, -2.0, 0.30),
        (0.03, 0.0, 0.16),
        19.0,
        basket,
        {
            "key": [Lamp((-0.9, -1.1, 0.8), (0, 0, 0.1), 0.5, 0.9, 11)],
            "back": [Lamp((0.9, 0.35, 1.1), (0.35, 1.0, 0.4), 0.35, 0.35, 30)],
        },
    ),
    "glass": Scene(
        "clear and coloured glass before white, a black card reaching in from the left",
        "white",
        None,
        (0.0, -1.9, 0.17),
        (0.0, 0.0, 0.095),
        18.0,
        glass,
        {
            "front": [Lamp((1.0, -1.0, 0.7), (0, 0, 0.1), 0.3, 0.7, 9)],
            "back": [
                Lamp((-0.9, 0.5, 1.1), (0.0, 1.1, 0.1), 0.5, 0.5, 22),
                Lamp((0.9, 0.5, 1.1), (0.0, 1.1, 0.1), 0.5, 0.5, 22),
            ],
        },
        depth=12,
    ),
    "fiddle": Scene(
        "a dark stringed instrument on black, half in shadow, one lamp on its outline; light from the right",
        "black",
        "right",
        (0.0, -2.4, 0.2),
        (0.02, 0.0, 0.165),
        15.5,
        fiddle,
        {
            "rim": [
                Lamp((-0.6, 0.75, 1.0), (0, 0, 0.2), 0.2, 0.6, 26),
                Lamp((-1.2, -0.8, 0.5), (0, 0, 0.1), 0.3, 1.0, 9),
            ],
            "spill": [Lamp((1.6, 0.9, 0.2), (0.5, 2.0, 0.15), 0.3, 0.6, 3)],
        },
    ),
    "linen": Scene(
        "folded cloth, plates and a spoon on a white sweep, at the bottom border, their shadows beside them",
        "white",
        None,
        (0.0, -1.5, 0.62),
        (0.02, 0.0, 0.03),
        22.0,
        linen,
        {
            "key": [Lamp((-0.9, 0.5, 0.75), (0, 0, 0.0), 0.3, 0.3, 24)],
            "above": [
                Lamp((0.0, 0.9, 2.1), (0.0, 0.9, 0.0), 2.6, 0.9, 10),
                Lamp((0, -0.3, 2.4), (0, 0.1, 0), 2.6, 1.2, 7),
            ],
        },
    ),
    "reeds": Scene(
        "tall reeds with feathery heads in a dark jar, the head of one at the top border; the grey behind graded",
        "grey",
        None,
        (0.0, -3.6, 0.62),
        (0.02, 0.0, 0.63),
        20.5,
        reeds,
        {
            "key": [
                Lamp((1.2, -1.2, 1.3), (0, 0, 0.6), 0.5, 0.9, 14),
                Lamp((-0.9, 0.6, 1.5), (0, 0, 0.75), 0.25, 0.8, 26),
            ],
            "back": [Lamp((-1.1, 0.5, 0.2), (-0.3, 1.2, 0.4), 0.35, 0.35, 30)],
        },
    ),
    "chair": Scene(
        "a figure in profile before the slats of a chair's back, on dark grey that is meant to be black; light from "
        "the right and a little from below",
        "black",
        "right",
        (0.0, -3.1, 1.26),
        (0.03, 0.0, 1.245),
        17.5,
        chair,
        {
            "key": [
                Lamp((-1.3, -0.9, 1.7), (-0.1, 0, 1.3), 0.6, 0.8, 13),
                Lamp((0.9, 0.8, 1.8), (0, 0, 1.3), 0.25, 0.8, 22),
            ],
            "spill": [Lamp((1.5, 0.8, 0.6), (0.6, 1.7, 0.9), 0.5, 0.4, 3)],
        },
    ),
    "lilies": Scene(
        "three white flowers and a leaf on black, from the bottom border, rim lamps either side; light from above",
        "black",
        "top",
        (0.0, -2.1, 0.32),
        (0.0, 0.0, 0.235),
        19.0,
        lilies,
        {
            "rims": [
                Lamp((-0.9, 0.7, 0.6), (0, 0, 0.25), 0.25, 0.8, 18),
                Lamp((0.9, 0.6, 0.5), (0, 0, 0.25), 0.25, 0.8, 14),
                Lamp((-0.9, -1.1, 0.7), (0, 0, 0.25), 0.6, 0.6, 5),
            ],
            "spill": [Lamp((0.2, 1.6, 1.7), (0.1, 2.4, 0.9), 1.0, 0.3, 3)],
        },
    ),
    "bag": Scene(
        "a leather bag in middle tones on a grey sweep, its strap and its soft shadow on the floor",
        "grey",
        None,
        (0.0, -2.2, 0.46),
        (0.01, 0.0, 0.135),
        18.5,
        bag,
        {
            "key": [Lamp((-1.1, -0.7, 1.2), (0, 0, 0.1), 0.9, 0.9, 7)],
            "above": [Lamp((0.3, 0.5, 2.2), (0.0, 0.5, 0.0), 1.8, 1.2, 5)],
        },
    ),
    "cartons": Scene(
        "printed cartons that bridge a gap, a tin and a tube on a plinth, before a white backdrop lit on its own",
        "white",
        None,
        (0.03, -2.1, 0.24),
        (0.015, 0.0, 0.105),
        18.0,
        cartons,
        {
            "key": [
                Lamp((-0.9, -1.2, 0.9), (0, 0, 0.1), 0.7, 0.7, 9),
                Lamp((1.3, -1.0, 0.5), (0, 0, 0.1), 0.9, 0.9, 2.5),
            ],
            "back": [
                Lamp((-1.6, 1.0, 0.3), (-0.3, 2.0, 0.1), 0.4, 1.4, 20),
                Lamp((1.6, 1.0, 0.3), (0.3, 2.0, 0.1), 0.4, 1.4, 20),
            ],
        },
    ),
    "headphones": Scene(
        "glossy dark headphones over a dull metal stand from the bottom border, before an even grey",
        "grey",
        None,
        (0.0, -2.0, 0.22),
        (0.03, 0.0, 0.175),
        13.5,
        headphones,
        {
            "strips": [
                Lamp((-0.8, -0.4, 0.45), (0.03, 0, 0.15), 0.22, 0.9, 7),
                Lamp((0.85, 0.1, 0.4), (0.03, 0, 0.15), 0.22, 0.9, 9),
            ],
            "back": [
                Lamp((-1.5, -0.2, 0.25), (0.3, 1.4, 0.15), 0.4, 1.2, 9),
                Lamp((1.5, -0.2, 0.25), (-0.3, 1.4, 0.15), 0.4, 1.2, 9),
            ],
        },
    ),
    "portrait": Scene(
        "a head with loose hair, the shoulders at the bottom border, before a white that is lit on its own",
        "white",
        None,
        (0.0, -3.0, 1.38),
        (0.0, 0.0, 1.32),
        17.5,
        portrait,
        {
            "key": [
                Lamp((-0.9, -1.5, 1.9), (0, 0, 1.35), 0.8, 0.8, 10),
                Lamp((1.2, -1.4, 1.3), (0, 0, 1.3), 1.0, 1.0, 2),
            ],
            "back": [
                Lamp((-1.7, 1.0, 1.5), (0.25, 2.2, 1.3), 0.4, 1.4, 20),
                Lamp((1.7, 1.0, 1.5), (-0.25, 2.2, 1.3), 0.4, 1.4, 20),
            ],
        },
    ),
    "wristwatch": Scene(
        "a dark watch on a cushion, on a small block at the bottom border, on black; a little light from the right",
        "black",
        "right",
        (0.0, -1.0, 0.05),
        (0.004, 0.0, -0.012),
        9.6,
        wristwatch,
        {
            "above": [
                Lamp((-0.05, 0.12, 0.6), (0, 0, 0), 0.7, 0.4, 5),
                Lamp((-0.5, 0.1, 0.15), (0, 0, 0), 0.25, 0.6, 4),
                Lamp((0.45, -0.6, 0.3), (0, 0, 0), 0.5, 0.5, 3),
            ],
            "spill": [Lamp((0.45, 0.52, 0.15), (0.15, 0.9, 0.0), 0.15, 0.3, 3)],
        },
    ),
    "dancer": Scene(
        "a figure with a fringed shawl over one arm, the elbow at the left border, on black; light from the left",
        "black",
        "left",
        (0.0, -3.4, 1.36),
        (0.0, 0.0, 1.335),
        19.0,
        dancer,
        {
            "key": [
                Lamp((-1.4, -1.6, 2.0), (-0.1, 0, 1.35), 1.1, 1.1, 10),
                Lamp((1.2, 0.9, 1.7), (0.1, 0, 1.35), 0.3, 1.2, 20),
            ],
            "spill": [Lamp((-1.7, 0.6, 1.5), (-0.7, 1.9, 1.4), 0.4, 0.8, 3)],
        },
    ),
    "bicycle": Scene(
        "a bicycle with thin spokes on a grey sweep, its shadow on the floor, lit from a large panel above",
        "grey",
        None,
        (0.15, -5.0, 0.95),
        (0.01, 0.0, 0.45),
        23.0,
        bicycle,
        {
            "above": [Lamp((0.0, 0.2, 3.0), (0.0, 0.4, 0.0), 3.0, 1.8, 6)],
            "key": [Lamp((-2.2, -2.2, 1.7), (0, 0, 0.4), 1.2, 1.2, 9)],
        },
    ),
    "cake": Scene(
        "a pale tiered cake with piped edges on a footed plate, a table's edge across the frame, a white backdrop lit "
        "on its own",
        "white",
        None,
        (0.0, -2.2, 0.42),
        (0.01, 0.0, 0.19),
        18.5,
        cake,
        {
            "key": [
                Lamp((-1.2, -0.9, 1.0), (0, 0, 0.2), 0.9, 0.9, 9),
                Lamp((1.3, -1.0, 0.6), (0, 0, 0.2), 1.0, 1.0, 1.6),
            ],
            "back": [
                Lamp((-1.6, 1.1, 0.5), (0.2, 2.1, 0.1), 0.4, 1.4, 20),
                Lamp((1.6, 1.1, 0.5), (-0.2, 2.1, 0.1), 0.4, 1.4, 20),
            ],
        },
    ),
    "makeup": Scene(
        "brushes in a cup, lacquer, a lipstick and an open box of powder on a white sweep, glossy and in colours",
        "white",
        None,
        (0.0, -1.6, 0.34),
        (0.045, 0.0, 0.100),
        15.0,
        makeup,
        {
            "key": [
                Lamp((-0.9, -0.5, 0.8), (0, 0, 0.05), 0.5, 0.7, 9),
                Lamp((0.9, -0.2, 0.5), (0.05, 0, 0.05), 0.25, 0.8, 7),
            ],
            "back": [
                Lamp((0.0, 0.8, 1.9), (0.0, 0.8, 0.0), 2.4, 0.9, 10),
                Lamp((0, -0.2, 2.2), (0, 0.2, 0), 2.2, 1.0, 5),
            ],
        },
    ),
}
