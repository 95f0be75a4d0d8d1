"""
The studio as a scene for the renderer: `python -m lampblack.mock_camera.scene` makes `mock_camera/light/` anew.

A pottery archive photographs glazed stoneware. A tall jug and a small bowl stand on a narrow slate plinth, 2.4 m before
a plain backdrop. Lengths are in metres, x to the picture's right, y away from the camera, z up; the plinth's top is
z = 0. Light is white: every lamp is rendered alone with an emission of 1, scaled to its output in cd/m², and its gain
and colour are left to whoever mixes the layers. Light adds, so nothing is lost by that.

Needs the extra `studio` (Mitsuba 3.9.1). `DRJIT_LIBLLVM_PATH` (a libLLVM of version 19; 22 was seen to abort) makes it
several times faster; without, the scalar variant gives the same pictures slowly.
"""

from __future__ import annotations

import argparse
import json
import os
import tempfile
import time
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import imagecodecs
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]

LIGHT = Path(__file__).parent / "light"
SIZE = (840, 560)

CAMERA = (0.03, -2.4, 0.40)
LOOK_AT = (0.02, 0.0, 0.190)
FIELD_OF_VIEW_DEG = 18.58  # 110 mm on 36 mm
BACKDROP_Y = 2.4

KEY_AT = np.array([-0.95, -0.45, 0.72])
FILL_AT = np.array([1.60, -1.05, 0.75])
RIM_AT = np.array([0.55, 0.34, 0.54])
BACK_X, BACK_Y = {"left": -2.1, "right": 2.1}, 0.9
AIM_AT = np.array([-0.02, 0.0, 0.17])

PLANES = ("jug", "bowl", "plinth", "card", "clay")
"""Coverage planes of a map; `clay` is the part of the jug without glaze, the backdrop is what no other covers."""
SHOWS_AS = {"jug": "jug", "handle": "jug", "bowl": "bowl", "plinth": "plinth", "card": "card"}
NAMED = (*SHOWS_AS, "backdrop")
STEPS_PER_STOP = 128
FLOOR_CD_M2 = 2.0**-12
MAX_DEPTH = 8
LAMPS = ("key", "fill", "rim", "back")


@dataclass(frozen=True)
class Arrangement:
    """What is set up in the room besides lamps, subject and plinth."""

    backdrop: float
    """Reflectance of the backdrop."""
    flag: str = "none"
    """`none`, `near` (behind the rim lamp, out of frame) or `far` (reaching into the frame)."""
    reflector: bool = False
    lamps: tuple[str, ...] = ("key", "fill", "rim")
    like: str = ""
    """Layers not rendered here are this arrangement's."""
    says: str = ""


BLACK, GREY, WHITE = 0.025, 0.12, 0.86
ARRANGEMENTS = {
    "black": Arrangement(BLACK, lamps=LAMPS, says="black paper; the bare rim lamp spills on it"),
    "black-flag": Arrangement(BLACK, flag="near", like="black", says="a black card between rim lamp and backdrop"),
    "black-card-in-frame": Arrangement(
        BLACK, flag="far", like="black", says="the card stands too far out and reaches into the picture"
    ),
    "black-reflector": Arrangement(BLACK, reflector=True, like="black", says="a white board on the shadow side"),
    "grey": Arrangement(GREY, flag="near", lamps=LAMPS, says="grey paper, lit by the back pair; rim lamp flagged"),
    "white": Arrangement(WHITE, flag="near", lamps=LAMPS, says="white paper, lit by the back pair; rim lamp flagged"),
}

OUTPUT_CD_M2 = {"key": 27_000.0, "fill": 2_200.0, "rim": 2_600_000.0, "back": 70_000.0}
"""What each lamp's face gives at gain 0: a 2 kW head in an umbrella, a soft panel, an open 2 kW head, two strips."""


# --- shapes ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Mesh:
    """A triangle mesh: points (n, 3), normals (n, 3), uv (n, 2), triangles (m, 3)."""

    points: Floats
    normals: Floats
    uv: Floats
    triangles: NDArray[np.int32]

    def write(self, path: Path) -> None:
        """Write as binary PLY."""
        names = ("x", "y", "z", "nx", "ny", "nz", "u", "v")
        head = ["ply", "format binary_little_endian 1.0", f"element vertex {len(self.points)}"]
        head += [f"property float {name}" for name in names]
        head += [f"element face {len(self.triangles)}", "property list uchar int vertex_indices", "end_header\n"]
        vertices = np.hstack([self.points, self.normals, self.uv]).astype("<f4")
        faces = np.empty(len(self.triangles), dtype=[("n", "u1"), ("i", "<i4", 3)])
        faces["n"], faces["i"] = 3, self.triangles
        path.write_bytes("\n".join(head).encode() + vertices.tobytes() + faces.tobytes())


def smooth_path(points: Iterable[tuple[float, ...]], count: int) -> Floats:
    """A Catmull-Rom curve through the points, `count` samples evenly spaced along its length."""
    p = np.array(list(points), dtype=np.float64)
    p = np.vstack([2 * p[0] - p[1], p, 2 * p[-1] - p[-2]])
    t = np.linspace(0, 1, 60, endpoint=False)[:, None]
    pieces = []
    for a, b, c, d in zip(p, p[1:], p[2:], p[3:], strict=False):
        pieces.append(0.5 * (2 * b + (c - a) * t + (2 * a - 5 * b + 4 * c - d) * t**2 + (3 * b - a - 3 * c + d) * t**3))
    curve = np.vstack([*pieces, p[-2:-1]])
    along = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(curve, axis=0), axis=1))])
    wanted = np.linspace(0, along[-1], count)
    return np.stack([np.interp(wanted, along, curve[:, i]) for i in range(p.shape[1])], 1).astype(np.float32)


def grid_mesh(points: Floats) -> Mesh:
    """Make a mesh over points (rows, columns, 3), closed along its columns; u runs along columns, v along rows."""
    rows, columns, _ = points.shape
    across = np.roll(points[:, :-1], -1, axis=1) - np.roll(points[:, :-1], 1, axis=1)
    across = np.concatenate([across, across[:, :1]], axis=1)
    normals = np.cross(across, np.gradient(points, axis=0))
    normals /= np.maximum(np.linalg.norm(normals, axis=2, keepdims=True), 1e-12)
    v, u = np.meshgrid(np.linspace(0, 1, rows), np.linspace(0, 1, columns), indexing="ij")
    index = np.arange(rows * columns).reshape(rows, columns)
    a, b, c, d = index[:-1, :-1], index[:-1, 1:], index[1:, :-1], index[1:, 1:]
    triangles = np.concatenate([np.stack([a, b, d], -1).reshape(-1, 3), np.stack([a, d, c], -1).reshape(-1, 3)])
    return Mesh(
        points.reshape(-1, 3).astype(np.float32),
        normals.reshape(-1, 3).astype(np.float32),
        np.stack([u, v], -1).reshape(-1, 2).astype(np.float32),
        triangles.astype(np.int32),
    )


JUG_AT = np.array([-0.05, 0.02, 0.0])
JUG_PROFILE = (
    (0.001, 0.0), (0.045, 0.0), (0.056, 0.004), (0.072, 0.04), (0.089, 0.09), (0.096, 0.135), (0.091, 0.175),
    (0.074, 0.213), (0.053, 0.247), (0.045, 0.275), (0.046, 0.31), (0.054, 0.345), (0.058, 0.353), (0.0575, 0.357),
    (0.054, 0.355), (0.047, 0.338), (0.040, 0.31), (0.039, 0.275), (0.048, 0.24), (0.07, 0.2), (0.082, 0.14),
    (0.06, 0.03), (0.001, 0.02),
)  # fmt: skip
BOWL_AT = np.array([0.165, -0.06, 0.0])
BOWL_PROFILE = (
    (0.001, 0.0), (0.024, 0.0), (0.028, 0.003), (0.028, 0.010), (0.041, 0.022), (0.056, 0.043), (0.064, 0.066),
    (0.0655, 0.071), (0.063, 0.071), (0.058, 0.060), (0.047, 0.036), (0.03, 0.018), (0.001, 0.014),
)  # fmt: skip


def lathe(profile: Iterable[tuple[float, float]], at: NDArray[np.float64], spout: bool, rings_m: float) -> Mesh:
    """Turn a profile of (radius, height) round the upright through `at`."""
    curve = smooth_path(profile, 700)
    radius, height = curve[:, 0:1], curve[:, 1:2]
    wave = np.sin(height * 2 * np.pi / 0.0087) + 0.7 * np.sin(height * 2 * np.pi / 0.0231 + 1)
    radius = radius + rings_m * wave * np.clip(radius / 0.03, 0, 1)
    turn = np.linspace(0, 2 * np.pi, 257)[None, :]
    if spout:
        pull = np.exp(-(((turn - np.deg2rad(192)) / 0.30) ** 2)) * np.clip((height - 0.315) / 0.04, 0, 1) ** 2
        radius = radius + 0.026 * pull
        height = height + 0.006 * pull
    grid = np.stack(
        [radius * np.cos(turn), radius * np.sin(turn), np.broadcast_to(height, (len(curve), turn.shape[1]))], -1
    )
    return grid_mesh((grid + at).astype(np.float32))


def handle() -> Mesh:
    """A pulled handle on the jug's right, a little to the front."""
    path = smooth_path(
        [
            (0.040, 0.318),
            (0.068, 0.335),
            (0.104, 0.318),
            (0.121, 0.272),
            (0.118, 0.222),
            (0.102, 0.182),
            (0.086, 0.165),
        ],
        120,
    )
    heading = np.deg2rad(-14)
    out = np.array([np.cos(heading), np.sin(heading), 0])
    side = np.array([-np.sin(heading), np.cos(heading), 0])
    up = np.array([0.0, 0.0, 1.0])
    step = np.gradient(path, axis=0)
    step /= np.linalg.norm(step, axis=1, keepdims=True)
    along = np.linspace(0, 1, len(path))
    wide = 0.0125 - 0.0035 * np.sin(np.pi * along)
    thick = 0.0062 + 0.001 * np.cos(2 * np.pi * along)
    centre = path[:, 0:1] * out + path[:, 1:2] * up + JUG_AT
    across = -step[:, 1:2] * out + step[:, 0:1] * up
    turn = np.linspace(0, 2 * np.pi, 49)
    points = (
        centre[:, None]
        + np.cos(turn)[None, :, None] * (thick[:, None, None] * across[:, None])
        + np.sin(turn)[None, :, None] * (wide[:, None, None] * side[None, None])
    )
    return grid_mesh(points.astype(np.float32))


# --- surfaces -------------------------------------------------------------------------------------------------


def soft_step(x: NDArray[Any], at: NDArray[Any] | float, width: float) -> NDArray[Any]:
    """0 below `at`, 1 above, smooth over `width`."""
    t = np.clip((x - at) / width + 0.5, 0, 1)
    return t * t * (3 - 2 * t)


def jug_glaze(rng: np.random.Generator) -> tuple[Floats, Floats]:
    """The jug's colour (rows, columns, 3) and how far the glaze covers it (rows, columns), over u and v."""
    rows, columns = 2048, 2048
    curve = smooth_path(JUG_PROFILE, rows)
    height = curve[:, 1][:, None].repeat(columns, 1)
    inside = np.arange(rows)[:, None] > int(np.argmax(curve[:, 1]))
    turn = np.linspace(0, 2 * np.pi, columns)[None, :]

    def wave(times: int, height_m: float) -> NDArray[np.float64]:
        return np.asarray(height_m * np.sin(times * turn + rng.uniform(0, 2 * np.pi)))

    line = 0.128 + wave(2, 0.005) + wave(5, 0.003) + wave(11, 0.0012)
    for _ in range(9):
        where = rng.uniform(0, 2 * np.pi)
        apart = np.angle(np.exp(1j * (turn - where)))
        line = line - rng.uniform(0.008, 0.034) * np.exp(-((apart / rng.uniform(0.05, 0.11)) ** 2))
    covered = np.maximum(soft_step(height, line, 0.0012), inside)
    dark = soft_step(height, 0.247 + wave(3, 0.006) + wave(7, 0.003) - 0.0, 0.006)
    breaking = soft_step(height, 0.349, 0.006)
    near_line = np.exp(-(((height - line) / 0.004) ** 2))
    clay = np.array([0.335, 0.235, 0.155])
    pale = np.array([0.60, 0.63, 0.54])
    iron = np.array([0.030, 0.020, 0.014])
    rust = np.array([0.20, 0.075, 0.03])
    glaze = pale + (iron - pale) * dark[..., None]
    glaze = glaze + (rust - glaze) * breaking[..., None]
    glaze = glaze * (1 - 0.35 * near_line[..., None])
    glaze = np.where(inside[..., None], pale * 0.9, glaze)
    colour = clay + (glaze - clay) * covered[..., None]
    return colour.astype(np.float32), covered.astype(np.float32)


def umbrella() -> Floats:
    """The glow of a shoot-through umbrella: eight panels, a hot middle, darker ribs; its mean over the square is 1."""
    y, x = np.mgrid[-1:1:256j, -1:1:256j]
    turn, out = np.arctan2(y, x), np.hypot(x, y)
    eighth = np.pi / 8
    edge = np.cos(eighth) / np.cos((turn % (2 * eighth)) - eighth)
    glow = (0.35 + np.exp(-((out / 0.55) ** 2))) * (out < edge)
    rib = np.abs((turn + eighth) % (2 * eighth) - eighth) * out
    glow = glow * (1 - 0.45 * np.exp(-((rib / 0.012) ** 2)))
    glow = cv2.GaussianBlur(glow, (0, 0), 1.0)
    return np.asarray(glow / glow.mean(), np.float32)


# --- the scene for Mitsuba --------------------------------------------------------------------------------------


class Room:
    """Builds scene dictionaries for one renderer variant."""

    def __init__(self, mi: Any, folder: Path) -> None:
        self.mi = mi
        rng = np.random.default_rng(20)
        self.colour, self.covered = jug_glaze(rng)
        self.meshes = {
            "jug": lathe(JUG_PROFILE, JUG_AT, spout=True, rings_m=0.00006),
            "handle": handle(),
            "bowl": lathe(BOWL_PROFILE, BOWL_AT, spout=False, rings_m=0.00004),
        }
        self.files = {name: folder / f"{name}.ply" for name in self.meshes}
        for name, mesh in self.meshes.items():
            mesh.write(self.files[name])

    def texture(self, values: Floats) -> dict[str, Any]:
        values = np.ascontiguousarray(values if values.ndim == 3 else values[..., None], dtype=np.float32)
        return {"type": "bitmap", "bitmap": self.mi.Bitmap(values), "raw": True, "wrap_mode": "clamp"}

    def diffuse(self, *rgb: float) -> dict[str, Any]:
        value = list(rgb) if len(rgb) == 3 else [rgb[0]] * 3
        return {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": {"type": "rgb", "value": value}}}

    def glossy(self, colour: dict[str, Any], alpha: float) -> dict[str, Any]:
        return {
            "type": "twosided",
            "bsdf": {
                "type": "roughplastic", "distribution": "ggx", "alpha": alpha, "int_ior": 1.52,
                "nonlinear": True, "diffuse_reflectance": colour,
            },
        }  # fmt: skip

    def stoneware(self) -> dict[str, Any]:
        colour = self.texture(self.colour)
        return {
            "type": "twosided",
            "bsdf": {
                "type": "blendbsdf",
                "weight": self.texture(self.covered),
                "matte": {"type": "diffuse", "reflectance": colour},
                "shiny": {
                    "type": "roughplastic", "distribution": "ggx", "alpha": 0.07, "int_ior": 1.52,
                    "nonlinear": True, "diffuse_reflectance": self.texture(self.colour),
                },
            },
        }  # fmt: skip

    def board(self, centre: Any, facing: Any, width: float, height: float) -> Any:
        """Place a rectangle: its front looks along `facing`."""
        transform = self.mi.ScalarTransform4f
        c, f = [float(v) for v in centre], [float(v) for v in facing]
        to = [a + b for a, b in zip(c, f, strict=True)]
        return transform().look_at(origin=c, target=to, up=[0, 0, 1]) @ transform().scale([width / 2, height / 2, 1])

    def lamp(self, shape: dict[str, Any], surface: dict[str, Any], glow: Floats | None, on: bool) -> dict[str, Any]:
        shape = dict(shape, bsdf=surface)
        if on:
            radiance = (
                {"type": "rgb", "value": [1.0] * 3} if glow is None else self.texture(np.repeat(glow[..., None], 3, 2))
            )
            shape["emitter"] = {"type": "area", "radiance": radiance}
        return shape

    def lamps(self, lit: tuple[str, ...]) -> dict[str, Any]:
        fabric, metal = self.diffuse(0.5), self.diffuse(0.2)
        panel = {"type": "rectangle", "to_world": self.board(FILL_AT, AIM_AT - FILL_AT, 1.0, 1.2)}
        shapes = {
            "lamp_key": self.lamp(
                {"type": "rectangle", "to_world": self.board(KEY_AT, AIM_AT - KEY_AT, 0.7, 0.7)},
                fabric,
                umbrella(),
                "key" in lit,
            ),
            "lamp_fill": self.lamp(panel, fabric, None, "fill" in lit),
            "lamp_rim": self.lamp(
                {"type": "sphere", "center": [float(v) for v in RIM_AT], "radius": 0.025}, metal, None, "rim" in lit
            ),
        }
        for side, x in BACK_X.items():
            at = np.array([x, BACK_Y, 0.15])
            to = np.array([-0.45 * x, BACKDROP_Y, 0.1]) - at
            where = self.board(at, to, 0.35, 1.3)
            shapes[f"lamp_back_{side}"] = self.lamp(
                {"type": "rectangle", "to_world": where}, metal, None, "back" in lit
            )
        return shapes

    def cards(self, arrangement: Arrangement) -> dict[str, Any]:
        axis = (AIM_AT - FILL_AT) / np.linalg.norm(AIM_AT - FILL_AT)
        aside = np.array([-axis[1], axis[0], 0.0]) / np.hypot(axis[0], axis[1])
        if aside[1] < 0:
            aside = -aside
        # Black boards that are always there: they keep the soft lamps off the backdrop, the back pair off the subject.
        places = {
            "key_shade": self.board([-0.96, 0.02, 0.5], [0, -1, 0], 1.1, 2.2),
            "fill_shade": self.board(FILL_AT + 0.52 * aside + 0.55 * axis, aside, 1.1, 1.5),
        }
        for side, x in BACK_X.items():
            to_subject = np.array([-x, -BACK_Y, 0.0]) / np.hypot(x, BACK_Y)
            at = np.array([x, BACK_Y, 0.15]) + 0.5 * to_subject
            places[f"back_door_{side}"] = self.board(at, to_subject, 0.9, 1.8)
        # The rim lamp has a door too: its bare light reaches the right of the backdrop, less and less to the left.
        places["rim_door"] = self.board([0.429, 0.42, 0.685], [0, -1, 0], 0.20, 0.43)
        if arrangement.flag == "near":
            places["card"] = self.board([0.66, 0.435, 0.679], [0, -1, 0], 0.62, 0.43)
        if arrangement.flag == "far":
            places["card"] = self.board([0.88, 1.35, 0.35], [0, -1, 0], 0.7, 1.6)
        if arrangement.reflector:
            places["reflector"] = self.board([0.53, -0.20, 0.27], [-1.0, -0.10, 0.12], 0.55, 0.6)
        return {
            name: {
                "type": "rectangle",
                "to_world": where,
                "bsdf": self.diffuse(0.86 if name == "reflector" else 0.025),
            }
            for name, where in places.items()
        }

    def furniture(self, arrangement: Arrangement) -> dict[str, Any]:
        transform = self.mi.ScalarTransform4f
        backdrop = self.board([0, BACKDROP_Y, 0.6], [0, -1, 0], 7.0, 4.4)
        plinth = transform().translate([0.035, 0.02, -0.6]) @ transform().scale([0.25, 0.17, 0.6])
        celadon = {"type": "rgb", "value": [0.52, 0.56, 0.50]}
        iron = {"type": "rgb", "value": [0.045, 0.030, 0.022]}
        return {
            "backdrop": {"type": "rectangle", "to_world": backdrop, "bsdf": self.diffuse(arrangement.backdrop)},
            "plinth": {"type": "cube", "to_world": plinth, "bsdf": self.diffuse(0.105, 0.108, 0.112)},
            "jug": {"type": "ply", "filename": str(self.files["jug"]), "bsdf": self.stoneware()},
            "handle": {"type": "ply", "filename": str(self.files["handle"]), "bsdf": self.glossy(iron, 0.07)},
            "bowl": {"type": "ply", "filename": str(self.files["bowl"]), "bsdf": self.glossy(celadon, 0.06)},
        }

    def scene(self, arrangement: Arrangement, lit: tuple[str, ...], extra: dict[str, Any] | None = None) -> Any:
        return self.mi.load_dict(
            {
                "type": "scene",
                **self.furniture(arrangement),
                **self.cards(arrangement),
                **self.lamps(lit),
                **(extra or {}),
            }
        )

    def naming_scene(self, arrangement: Arrangement) -> Any:
        """The same shapes, each painted with its number instead of its colour; green tells glaze on the jug."""
        shapes = {**self.furniture(arrangement), **self.cards(arrangement), **self.lamps(())}
        for name, shape in shapes.items():
            number = (NAMED.index(name) + 1) / len(NAMED) if name in NAMED else 0.0
            shape["bsdf"] = self.diffuse(number, 0.0, 0.0)
            if name == "jug":
                paint = np.stack([np.full_like(self.covered, number), 0.5 * self.covered, 0 * self.covered], -1)
                shape["bsdf"]["bsdf"]["reflectance"] = self.texture(paint)
        return self.mi.load_dict({"type": "scene", **shapes})

    def camera(self, size: tuple[int, int], spp: int) -> Any:
        transform = self.mi.ScalarTransform4f
        return self.mi.load_dict(
            {
                "type": "perspective", "fov": FIELD_OF_VIEW_DEG, "fov_axis": "x",
                "to_world": transform().look_at(origin=list(CAMERA), target=list(LOOK_AT), up=[0, 0, 1]),
                "film": {
                    "type": "hdrfilm", "width": size[0], "height": size[1], "rfilter": {"type": "box"},
                    "pixel_format": "rgb", "component_format": "float32",
                },
                "sampler": {"type": "independent", "sample_count": spp},
            }
        )  # fmt: skip


# --- rendering ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Guides:
    """What the denoiser may lean on, at layer size: where one surface ends and the next begins."""

    planes: Floats
    """(h, w, 6): coverage of `PLANES` and of the backdrop, 0 to 1."""
    normals: Floats
    albedo: Floats


class Renderer:
    """Renders layers, maps and meter readings of the room."""

    def __init__(self, mi: Any, room: Room, passes: int, spp: int) -> None:
        self.mi, self.room, self.passes, self.spp = mi, room, passes, spp
        self.path = mi.load_dict({"type": "path", "max_depth": MAX_DEPTH, "rr_depth": 6})

    def layer(self, arrangement: Arrangement, lamp: str, size: tuple[int, int], guides: Guides) -> Floats:
        """Radiance of one lamp alone, (h, w, 3), cd/m²."""
        scene = self.room.scene(arrangement, (lamp,))
        camera = self.room.camera(size, self.spp)
        passes = np.stack(
            [
                np.array(self.mi.render(scene, sensor=camera, integrator=self.path, spp=self.spp, seed=seed))
                for seed in range(self.passes)
            ]
        )
        return denoise((passes * OUTPUT_CD_M2[lamp]).astype(np.float32), guides)

    def guides(self, arrangement: Arrangement, size: tuple[int, int], looks: int = 32) -> Guides:
        """Coverage by counting which surface each of `looks` jittered rays a pixel meets."""
        aovs = self.mi.load_dict({"type": "aov", "aovs": "nn:sh_normal,al:albedo"})
        camera = self.room.camera(size, 1)
        plain, named = self.room.scene(arrangement, ()), self.room.naming_scene(arrangement)
        planes = np.zeros((size[1], size[0], len(PLANES) + 1), np.float32)
        normals = np.zeros((size[1], size[0], 3), np.float32)
        albedo = np.zeros_like(normals)
        for seed in range(1000, 1000 + looks):
            seen = np.array(self.mi.render(plain, sensor=camera, integrator=aovs, spp=1, seed=seed))[..., -6:]
            names = np.array(self.mi.render(named, sensor=camera, integrator=aovs, spp=1, seed=seed))[..., -3:]
            met = np.rint(names[..., 0] * len(NAMED)).astype(int) - 1
            for i, name in enumerate(NAMED):
                planes[..., -1 if name == "backdrop" else PLANES.index(SHOWS_AS[name])] += met == i
            planes[..., PLANES.index("clay")] += (met == NAMED.index("jug")) & (names[..., 1] < 0.25)
            normals += seen[..., :3]
            albedo += seen[..., 3:]
        share = np.float32(1 / looks)
        return Guides(planes * share, normals * share, albedo * share)


def denoise(passes: Floats, guides: Guides, radius: int = 5) -> Floats:
    """
    Mean of the passes, with what noise is left averaged away among pixels that show the same surface.

    A weighted mean over a window: a neighbour counts as far as its surface, normal and albedo agree, and its light
    agrees within the noise that the passes themselves show. The backdrop is one plain plane far from its lamps: a wide
    mean. A single pass far above the others (a path that found a tiny glint) is drawn down to the next one.
    """
    ordered = np.sort(passes, axis=0)
    ordered[-1] = np.minimum(ordered[-1], 1.5 * ordered[-2])
    mean, variance = ordered.mean(0), ordered.var(0, ddof=1) / len(passes)
    variance = cv2.blur(variance, (5, 5)) + (0.002 * mean) ** 2 + 1e-12
    names = guides.planes[..., [0, 1, 2, 3, 5]]
    total, weights = np.zeros_like(mean), np.zeros(mean.shape[:2], np.float32)
    for dy in range(-radius, radius + 1):
        for dx in range(-radius, radius + 1):
            apart = ((guides.normals - shifted(guides.normals, dy, dx)) ** 2).sum(2) / 0.02
            apart += ((guides.albedo - shifted(guides.albedo, dy, dx)) ** 2).sum(2) / 0.0006
            apart += ((names - shifted(names, dy, dx)) ** 2).sum(2) / 0.002
            other, spread = shifted(mean, dy, dx), variance + shifted(variance, dy, dx)
            apart += np.maximum(((mean - other) ** 2 - spread) / (2.0 * spread), 0).mean(2)
            weight = np.exp(-apart - (dx * dx + dy * dy) / (0.5 * radius * radius)).astype(np.float32)
            total += weight[..., None] * other
            weights += weight
    quiet = total / weights[..., None]
    plain = guides.planes[..., -1]
    only = (plain > 0.999).astype(np.float32)
    wide = (
        cv2.GaussianBlur(mean * only[..., None], (0, 0), 8.0)
        / np.maximum(cv2.GaussianBlur(only, (0, 0), 8.0), 1e-6)[..., None]
    )
    return np.asarray(np.where(only[..., None] > 0, wide, quiet), np.float32)


def shifted(a: Floats, dy: int, dx: int) -> Floats:
    """`a` moved, its border repeated."""
    matrix = np.array([[1, 0, dx], [0, 1, dy]], np.float32)
    size = (a.shape[1], a.shape[0])
    moved = cv2.warpAffine(a, matrix, size, flags=cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(moved, np.float32)


# --- meters ---------------------------------------------------------------------------------------------------


def meter_places() -> dict[str, tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Where a flat incident meter is held at the subject, and which way it looks."""
    to_key = (KEY_AT - AIM_AT) / np.linalg.norm(KEY_AT - AIM_AT)
    far = np.deg2rad(50)  # so that the rim lamp stays behind the meter
    return {
        "key side": (np.array([-0.20, -0.10, 0.2]), to_key),
        "far side": (np.array([0.14, -0.17, 0.2]), np.array([np.sin(far), -np.cos(far), 0.0])),
        "toward camera": (np.array([-0.04, -0.16, 0.2]), np.array([0.0, -1.0, 0.0])),
    }


def read_meters(mi: Any, room: Room, arrangement: Arrangement, lamp: str, samples: int) -> dict[str, float]:
    """Lux of one lamp alone at every place."""
    path = mi.load_dict({"type": "path", "max_depth": MAX_DEPTH})
    found = {}
    for place, (at, facing) in meter_places().items():
        meter = {
            "type": "rectangle", "to_world": room.board(at, facing, 0.02, 0.02), "bsdf": room.diffuse(0.0),
            "sensor": {
                "type": "irradiancemeter", "sampler": {"type": "independent", "sample_count": samples},
                "film": {
                    "type": "hdrfilm", "width": 1, "height": 1, "rfilter": {"type": "box"},
                    "pixel_format": "rgb", "component_format": "float32",
                },
            },
        }  # fmt: skip
        scene = room.scene(arrangement, (lamp,), {"meter": meter})
        lux = float(np.array(mi.render(scene, integrator=path, spp=samples)).mean()) * OUTPUT_CD_M2[lamp]
        found[place] = round(lux, 2)
    return found


# --- files ----------------------------------------------------------------------------------------------------


def pack(layer: Floats) -> bytes:
    """
    A layer as lossless JPEG XL: log2 in steps of 1/128 stop (0.54 %), green, then red and blue against it.

    The steps are finer than an 8-bit file's and far under the noise of any frame.
    """
    codes = np.rint(STEPS_PER_STOP * np.log2(np.maximum(layer, FLOOR_CD_M2) / FLOOR_CD_M2)).astype(np.int32)
    green = codes[..., 1]
    planes = np.stack([green, codes[..., 0] - green + 32768, codes[..., 2] - green + 32768], -1)
    return bytes(imagecodecs.jpegxl_encode(np.clip(planes, 0, 65535).astype(np.uint16), lossless=True, effort=8))


def render_meters(folder: Path, samples: int) -> dict[str, Any]:
    """All meter readings. Scalar: one ray at a time is no slower on a film of one pixel."""
    import mitsuba as mi

    mi.set_variant("scalar_rgb")
    room = Room(mi, folder)
    return {
        name: {lamp: read_meters(mi, room, arrangement, lamp, samples) for lamp in arrangement.lamps}
        for name, arrangement in ARRANGEMENTS.items()
    }


def render_all(
    out: Path, size: tuple[int, int], map_size: tuple[int, int], passes: int, spp: int, variant: str
) -> None:
    """Render every layer, map and reading into `out`."""
    import mitsuba as mi

    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        meters = render_meters(Path(folder), 60_000)
        mi.set_variant(variant)
        renderer = Renderer(mi, Room(mi, Path(folder)), passes, spp)
        index: dict[str, Any] = {
            "lamps": list(LAMPS), "planes": list(PLANES), "steps_per_stop": STEPS_PER_STOP,
            "floor_cd_m2": FLOOR_CD_M2, "arrangements": {}, "lux": meters,
        }  # fmt: skip
        for name, arrangement in ARRANGEMENTS.items():
            index["arrangements"][name] = {
                "says": arrangement.says,
                "backdrop": "black" if arrangement.backdrop == BLACK else name,
                "layers": {
                    lamp: f"{name if lamp in arrangement.lamps else arrangement.like}-{lamp}.jxl" for lamp in LAMPS
                },
                "map": f"{'black-card-in-frame' if arrangement.flag == 'far' else 'black'}-map.jxl",
            }
            guides = renderer.guides(arrangement, size)
            if index["arrangements"][name]["map"].startswith(f"{name}-"):
                planes = renderer.guides(arrangement, map_size, 48).planes[..., : len(PLANES)]
                whole = np.rint(planes * 255).astype(np.uint8)
                sheet = np.concatenate([whole[..., i] for i in range(len(PLANES))], 0)
                (out / f"{name}-map.jxl").write_bytes(imagecodecs.jpegxl_encode(sheet, lossless=True, effort=8))
            for lamp in arrangement.lamps:
                began = time.perf_counter()
                layer = renderer.layer(arrangement, lamp, size, guides)
                (out / f"{name}-{lamp}.jxl").write_bytes(data := pack(layer))
                print(f"{name} {lamp}: {time.perf_counter() - began:.0f} s, {len(data)} bytes", flush=True)
        (out / "studio.json").write_text(json.dumps(index, indent=1) + "\n")


def main() -> None:
    """Regenerate the shipped light."""
    parser = argparse.ArgumentParser(description="Render the studio's lamp layers anew.")
    parser.add_argument("--out", type=Path, default=LIGHT)
    parser.add_argument("--passes", type=int, default=8)
    parser.add_argument("--spp", type=int, default=24, help="rays a pixel in each pass")
    parser.add_argument("--width", type=int, default=SIZE[0])
    fast = "llvm_ad_rgb" if os.environ.get("DRJIT_LIBLLVM_PATH") else "scalar_rgb"
    parser.add_argument("--variant", default=fast)
    given = parser.parse_args()
    size = (given.width, given.width * 2 // 3)
    render_all(given.out, size, (2 * size[0], 2 * size[1]), given.passes, given.spp, given.variant)


if __name__ == "__main__":
    main()
