"""
The scenes of `still_lifes.py`, physically rendered: the truth that measurements are held against.

Run by hand (`cd tests && python -m rendered.render --out rendered/data`, needs Mitsuba 3.9; `DRJIT_LIBLLVM_PATH` makes
it fast); what it makes is shipped in `data/`.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import imagecodecs
import numpy as np

from rendered.still_lifes import SCENES, Lamp, Scene, Stuff, sheet

WIDTH, HEIGHT = 600, 400
CLASSES = ("subject", "table", "card", "backdrop")
STEPS_PER_STOP = 96
FLOOR = 2.0**-14
"""Light in a layer's own unit, in which its 95th percentile is about 1; 1/96 stop is 0.7 %."""


# --- Mitsuba ----------------------------------------------------------------------------------------------------


class Studio:
    """Turns scenes into what Mitsuba loads."""

    def __init__(self, mi: Any, folder: Path) -> None:
        self.mi, self.folder = mi, folder

    def bsdf(self, stuff: Stuff, gloss_only: bool) -> dict[str, Any]:
        colour = {"type": "rgb", "value": [0.0] * 3 if gloss_only else list(stuff.rgb)}
        if stuff.kind == "matt":
            return {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": colour}}
        if stuff.kind == "shiny":
            coat = {"type": "roughplastic", "alpha": stuff.rough, "int_ior": 1.5, "distribution": "ggx"}
            return {"type": "twosided", "bsdf": {**coat, "diffuse_reflectance": colour}}
        tint = {"type": "rgb", "value": list(stuff.rgb)}
        if stuff.kind == "metal":
            metal = {"type": "roughconductor", "material": "none", "alpha": stuff.rough, "specular_reflectance": tint}
            return {"type": "twosided", "bsdf": metal}
        return {"type": "dielectric", "int_ior": 1.5, "specular_transmittance": tint}

    def shape(self, name: str, shape: Any) -> dict[str, Any]:
        transform = self.mi.ScalarTransform4f
        if isinstance(shape, list):
            knots = [strand if strand.shape[1] == 4 else np.insert(strand, 3, 0.00055, axis=1) for strand in shape]
            text = "\n\n".join("\n".join(f"{x} {y} {z} {r}" for x, y, z, r in strand) for strand in knots)
            (path := self.folder / f"{name}.txt").write_text(text + "\n")
            return {"type": "bsplinecurve", "filename": str(path)}
        if isinstance(shape, np.ndarray):
            return {"type": "ply", "filename": str(self.ply(name, *sheet(shape)))}
        if shape["type"] == "cube":
            where = transform().translate(shape["at"]).rotate([0, 0, 1], shape["turn"]).scale(shape["half"])
            return {"type": "cube", "to_world": where}
        return dict(shape)

    def ply(self, name: str, points: np.ndarray, faces: np.ndarray) -> Path:
        path = self.folder / f"{name}.ply"
        head = f"ply\nformat binary_little_endian 1.0\nelement vertex {len(points)}\n"
        head += "".join(f"property float {axis}\n" for axis in "xyz")
        head += f"element face {len(faces)}\nproperty list uchar int vertex_indices\nend_header\n"
        triples = np.empty(len(faces), dtype=[("n", "u1"), ("i", "<i4", 3)])
        triples["n"], triples["i"] = 3, faces
        path.write_bytes(head.encode() + points.astype("<f4").tobytes() + triples.tobytes())
        return path

    def load(self, scene: Scene, lit: Sequence[str], gloss_only: bool = False) -> tuple[Any, dict[str, list[str]]]:
        """Return Mitsuba's scene, and which of its shapes are of which class."""
        world: dict[str, Any] = {"type": "scene"}
        names: dict[str, list[str]] = {of: [] for of in CLASSES}
        for i, thing in enumerate(scene.things()):
            name = f"thing{i}"
            world[name] = {**self.shape(name, thing.shape), "bsdf": self.bsdf(thing.stuff, gloss_only)}
            names[thing.of].append(name)
        for layer in lit:
            for i, lamp in enumerate(scene.layers[layer]):
                place = self.mi.ScalarTransform4f().look_at(origin=lamp.at, target=lamp.aim, up=[0, 0.01, 1])
                world[f"lamp-{layer}-{i}"] = {
                    "type": "rectangle",
                    "to_world": place @ self.mi.ScalarTransform4f().scale([lamp.width / 2, lamp.height / 2, 1]),
                    "emitter": {"type": "area", "radiance": {"type": "rgb", "value": [lamp.light] * 3}},
                    "bsdf": {"type": "diffuse", "reflectance": {"type": "rgb", "value": [0.0] * 3}},
                }
        return self.mi.load_dict(world, optimize=False), names

    def camera(self, scene: Scene, spp: int) -> Any:
        film = {"type": "hdrfilm", "width": WIDTH, "height": HEIGHT, "rfilter": {"type": "box"}, "pixel_format": "rgb"}
        return self.mi.load_dict(
            {
                "type": "perspective",
                "fov": scene.fov,
                "fov_axis": "x",
                "to_world": self.mi.ScalarTransform4f().look_at(origin=scene.eye, target=scene.aim, up=[0, 0, 1]),
                "film": {**film, "component_format": "float32"},
                "sampler": {"type": "independent", "sample_count": spp},
            }
        )

    def light(self, scene: Scene, lit: Sequence[str], passes: int, spp: int, gloss_only: bool = False) -> np.ndarray:
        """Return radiance (h, w, 3); a pass that met a rare bright path is drawn down to the next one."""
        world, _ = self.load(scene, lit, gloss_only)
        path = self.mi.load_dict({"type": "path", "max_depth": scene.depth, "rr_depth": 5})
        camera = self.camera(scene, spp)
        seen = np.stack(
            [np.array(self.mi.render(world, sensor=camera, integrator=path, spp=spp, seed=s)) for s in range(passes)]
        )
        seen.sort(axis=0)
        seen[-1] = np.minimum(seen[-1], 1.5 * seen[-2])
        return seen.mean(0)

    def coverage(self, scene: Scene, looks: int) -> tuple[np.ndarray, np.ndarray]:
        """Return (h, w, classes) shares, by what each of `looks` jittered rays a pixel meets; and mean normals."""
        world, names = self.load(scene, ())
        camera = self.camera(scene, 1)
        shapes = {shape.id(): shape for shape in world.shapes()}
        rng = np.random.default_rng(9)
        x, y = np.meshgrid(np.arange(WIDTH), np.arange(HEIGHT))
        shares = np.zeros((HEIGHT, WIDTH, len(CLASSES)), np.float32)
        normals = np.zeros((HEIGHT, WIDTH, 3), np.float32)
        for _ in range(looks):
            place = [(v + rng.random(v.shape)) / n for v, n in ((x, WIDTH), (y, HEIGHT))]
            at = self.mi.Point2f(*[self.mi.Float(p.astype(np.float32).ravel()) for p in place])
            ray, _ = camera.sample_ray(0.0, 0.5, at, self.mi.Point2f(0.5))
            met = world.ray_intersect(ray)
            normals += np.array(met.sh_frame.n).T.reshape(HEIGHT, WIDTH, 3)
            for i, of in enumerate(CLASSES):
                for name in names[of]:
                    hit = np.array(met.shape == self.mi.ShapePtr(shapes[name]))
                    shares[..., i] += np.broadcast_to(hit, x.size).reshape(HEIGHT, WIDTH)
        return shares / looks, normals / looks


def calmed(light: np.ndarray, coverage: np.ndarray, normals: np.ndarray) -> np.ndarray:
    """Return a layer with its grain off: averaged among near pixels of one class and one direction."""
    total, weights = np.zeros_like(light), np.zeros(light.shape[:2], np.float32)
    log = np.log2(light.mean(2) + 1e-4)
    only = coverage[..., CLASSES.index("backdrop")] > 0.999
    for dy in range(-3, 4):
        for dx in range(-3, 4):
            move = np.array([[1, 0, dx], [0, 1, dy]], np.float32)

            def moved(a: np.ndarray, move: np.ndarray = move) -> Any:
                return cv2.warpAffine(
                    a, move, (WIDTH, HEIGHT), flags=cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE
                )

            apart = ((normals - moved(normals)) ** 2).sum(2) / 0.004 + ((coverage - moved(coverage)) ** 2).sum(
                2
            ) / 0.002
            apart += (log - moved(log)) ** 2 / np.where(only, 0.05, 0.004)
            weight = np.exp(-apart - (dx * dx + dy * dy) / np.where(only, 16, 3)).astype(np.float32)
            total += weight[..., None] * moved(light)
            weights += weight
    return total / weights[..., None]


# --- files --------------------------------------------------------------------------------------------------------


def pack(light: np.ndarray) -> bytes:
    """Lossless JPEG XL: log2 of green in steps of 1/96 stop, and red and blue against it."""
    codes = np.rint(STEPS_PER_STOP * np.log2(np.maximum(light, FLOOR) / FLOOR)).astype(np.int32)
    planes = np.stack([codes[..., 1], codes[..., 0] - codes[..., 1] + 32768, codes[..., 2] - codes[..., 1] + 32768], -1)
    return bytes(imagecodecs.jpegxl_encode(planes.astype(np.uint16), lossless=True, effort=7))


def pack_shares(shares: np.ndarray) -> bytes:
    sheet = np.concatenate([np.rint(shares[..., i] * 255) for i in range(shares.shape[2])], 0).astype(np.uint8)
    return bytes(imagecodecs.jpegxl_encode(sheet, lossless=True, effort=7))


def render(name: str, studio: Studio, out: Path, passes: int, spp: int) -> dict[str, Any]:
    scene = SCENES[name]
    coverage, normals = studio.coverage(scene, 32)
    lights = {}
    for layer in scene.layers:
        lights[layer] = calmed(studio.light(scene, [layer], passes, spp), coverage, normals)
    whole = sum(lights.values())
    gloss = studio.light(scene, list(scene.layers), 3, max(8, spp // 2), gloss_only=True)
    for layer, light in lights.items():
        (out / f"{name}-{layer}.jxl").write_bytes(pack(light / np.percentile(light.max(2), 95)))
    share = np.clip(gloss.mean(2) / np.maximum(whole.mean(2), 1e-9), 0, 1)
    planes = np.concatenate(
        [coverage[..., : CLASSES.index("backdrop")], cv2.GaussianBlur(share, (3, 3), 0)[..., None]], -1
    )
    (out / f"{name}-map.jxl").write_bytes(pack_shares(planes))
    return {
        "says": scene.says,
        "backdrop": scene.backdrop,
        "side": scene.side,
        "layers": {layer: f"{name}-{layer}.jxl" for layer in scene.layers},
        "map": f"{name}-map.jxl",
    }


FARTHER, TURNED_DEG = 1.15, 10.0
MOVED = ("table", "vase", "sitter", "bottle")
"""Scenes whose first lamp is rendered elsewhere too: for telling what was moved, and by how much."""


def farther(lamp: Lamp) -> Lamp:
    """Return a lamp drawn back from what it is aimed at."""
    at, aim = np.array(lamp.at), np.array(lamp.aim)
    return replace(lamp, at=tuple((aim + FARTHER * (at - aim)).tolist()))


def turned_round(lamp: Lamp) -> Lamp:
    """Return a lamp carried round what it is aimed at, on the level, as far off as before."""
    angle = np.radians(TURNED_DEG)
    x, y, z = np.array(lamp.at) - np.array(lamp.aim)
    carried = (x * np.cos(angle) - y * np.sin(angle), x * np.sin(angle) + y * np.cos(angle), z)
    return replace(lamp, at=tuple((np.array(lamp.aim) + carried).tolist()))


def render_moved(name: str, studio: Studio, out: Path, passes: int, spp: int) -> None:
    """Render a scene's first layer with its lamps moved, in the unit of that layer as it stands."""
    scene, layer = SCENES[name], next(iter(SCENES[name].layers))
    coverage, normals = studio.coverage(scene, 32)
    unit = np.percentile(calmed(studio.light(scene, [layer], passes, spp), coverage, normals).max(2), 95)
    for how, move in (("farther", farther), ("turned", turned_round)):
        moved = replace(scene, layers={layer: [move(lamp) for lamp in scene.layers[layer]]})
        light = calmed(studio.light(moved, [layer], passes, spp), coverage, normals)
        (out / f"{name}-{layer}-{how}.jxl").write_bytes(pack(light / unit))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=Path(__file__).parent / "data")
    parser.add_argument("--passes", type=int, default=6)
    parser.add_argument("--spp", type=int, default=56, help="rays a pixel in each pass")
    parser.add_argument("--variant", default="llvm_ad_rgb")
    parser.add_argument("--moved", action="store_true", help="only the lamps that were moved")
    parser.add_argument("scenes", nargs="*", default=list(SCENES))
    given = parser.parse_args()
    import mitsuba as mi

    mi.set_variant(given.variant)
    given.out.mkdir(parents=True, exist_ok=True)
    index = given.out / "scenes.json"
    known = json.loads(index.read_text()) if index.exists() else {"scenes": {}}
    known |= {"steps_per_stop": STEPS_PER_STOP, "floor": FLOOR, "planes": [*CLASSES[:-1], "gloss"]}
    with tempfile.TemporaryDirectory() as folder:
        for name in given.scenes:
            began = time.perf_counter()
            if given.moved:
                render_moved(name, Studio(mi, Path(folder)), given.out, given.passes, given.spp)
                print(f"{name}: {time.perf_counter() - began:.0f} s", flush=True)
                continue
            known["scenes"][name] = render(name, Studio(mi, Path(folder)), given.out, given.passes, given.spp)
            print(f"{name}: {time.perf_counter() - began:.0f} s", flush=True)
            known["scenes"] = {n: known["scenes"][n] for n in SCENES if n in known["scenes"]}
            index.write_text(json.dumps(known, indent=1) + "\n")


if __name__ == "__main__":
    main()
