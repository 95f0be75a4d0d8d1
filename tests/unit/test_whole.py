"""
Whatever stands before a backdrop is found whole in one frame, and backdrop is found where there is some.

Drawn scenes whose backdrop is known cell by cell: things of any light before black, grey and white, lit from anywhere,
so that their outlines fade where they have the backdrop's light; tables, flags, stands; backdrops that are lit in a
pool, folded, mottled. JPEGs by sRGB's curve (IEC 61966-2-1) and raw with shot and read noise (EMVA 1288).
"""

from __future__ import annotations

from collections.abc import Callable
from zlib import crc32

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scenes import encode, overlap, sensor

from lampblack.daemon.config import load_thresholds
from lampblack.rules.exposure import Exposure
from lampblack.rules.frame import Picture, Shot
from lampblack.rules.look import look

THRESHOLDS = load_thresholds()
SHOT = Shot(Exposure.of(8.0, 1 / 60, 100))
HEIGHT, WIDTH, FINE = 400, 600, 2
Light = NDArray[np.float64]

# In heights of the frame: y from 0 to 1, x to 1.5.
Y, X = (np.mgrid[0 : HEIGHT * FINE, 0 : WIDTH * FINE] + 0.5) / (HEIGHT * FINE)


class Stage:
    """A backdrop's light, and what is put before it. covered: where that is; card: where it is no subject."""

    def __init__(self, tone: str, rng: np.random.Generator) -> None:
        self.tone, self.rng = tone, rng
        fall = 2 ** (-rng.uniform(0.1, 1.2) * ((X - 0.75) ** 2 + (Y - 0.5) ** 2))
        spill = 10 ** rng.uniform(-3.3, -2.2) * (0.1 + (X if rng.random() < 0.5 else 1.5 - X))
        grey, white = rng.uniform(0.08, 0.2) * fall, rng.uniform(1.2, 2.2) * fall
        self.light = {"black": spill, "grey": grey, "white": white}[tone]
        self.covered, self.card = np.zeros(X.shape, bool), np.zeros(X.shape, bool)

    def put(self, where: NDArray[np.bool_], light: Light | float, *, card: bool = False) -> None:
        self.light = np.where(where, light, self.light)
        self.covered |= where
        self.card = (self.card | where) if card else (self.card & ~where)

    def rough(self, cells: int, stops: float) -> Light:
        grid = self.rng.normal(size=(HEIGHT // cells + 3, WIDTH // cells + 3))
        return 2 ** (stops * cv2.resize(grid, X.shape[::-1], interpolation=cv2.INTER_CUBIC))

    def paint(self) -> float:
        return self.rng.uniform(0.1, 0.7) * (0.5 if self.tone == "white" else 1)

    def ball(self, x: float, y: float, wide: float, high: float, paint: float | None = None) -> None:
        """Put up a ball under a lamp from any side, a little rough."""
        far = np.hypot((X - x) / max(wide, high), (Y - y) / max(wide, high))
        side = self.rng.uniform(-0.8, 0.8)
        facing = 0.7 * np.sqrt(np.clip(1 - far**2, 0, None)) + 0.7 * side * (X - x) / wide - 0.3 * (Y - y) / high
        lit = (np.clip(facing, 0, None) + 0.12) * self.rough(int(self.rng.integers(4, 25)), 0.15)
        self.put(np.hypot((X - x) / wide, (Y - y) / high) < 1, (self.paint() if paint is None else paint) * lit)

    def somewhere(self) -> None:
        wide = self.rng.uniform(0.12, 0.25)
        self.ball(self.rng.uniform(0.5, 1), self.rng.uniform(0.4, 0.65), wide, wide * self.rng.uniform(0.8, 1.3))

    def drawn(self) -> tuple[Light, Light, Light]:
        """Return light, cover and cards as a lens lays them on cells: a little soft, with a little stray light."""
        soft = self.rng.uniform(0.3, 0.8)
        light, cover, card = (
            cv2.GaussianBlur(cv2.resize(grid, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA), (0, 0), soft)
            for grid in (self.light, self.covered.astype(np.float64), self.card.astype(np.float64))
        )
        stray = self.rng.uniform(0, 2e-4) if self.tone == "black" else self.rng.uniform(0.002, 0.02)
        return light + stray * light.mean(), cover, card


def ball(stage: Stage) -> None:
    stage.somewhere()


def many(stage: Stage) -> None:
    for _ in range(9):
        wide = stage.rng.uniform(0.04, 0.12)
        stage.ball(stage.rng.uniform(0.15, 1.35), stage.rng.uniform(0.2, 0.8), wide, wide)


def at_the_side(stage: Stage) -> None:
    stage.ball(stage.rng.choice([0.05, 1.45]), 0.5, 0.3, 0.3)


def two_of_them_one_at_the_side(stage: Stage) -> None:
    stage.ball(stage.rng.choice([0.05, 1.45]), 0.5, 0.2, 0.25)
    stage.ball(0.75, 0.5, 0.15, 0.2)


def from_top_to_bottom(stage: Stage) -> None:
    middle, half = stage.rng.uniform(0.5, 1), stage.rng.uniform(0.04, 0.2)
    lit = stage.paint() * (0.2 + np.sqrt(np.clip(1 - ((X - middle) / half) ** 2, 0, None)))
    stage.put(abs(X - middle) < half * (1 + 0.2 * np.sin(9 * Y)), lit * stage.rough(8, 0.2))


def a_head_cut_off_above(stage: Stage) -> None:
    stage.ball(0.75, 1.05, 0.5, 0.4, 0.4 * stage.paint())
    stage.ball(0.75, 0.3, 0.28, 0.42)


def at_the_bottom(stage: Stage) -> None:
    stage.ball(0.75, 0.95, 0.35, 0.5)


def head_and_shoulders(stage: Stage) -> None:
    stage.ball(0.75, 1.05, 0.5, 0.4, 0.4 * stage.paint())
    stage.ball(0.75, 0.42, 0.17, 0.23)


def most_of_the_frame(stage: Stage) -> None:
    stage.ball(0.75, 0.55, 0.62, 0.5)


def half_in_shadow(stage: Stage) -> None:
    lit = stage.paint() * (np.clip((X - 0.75) / 0.22, 0, None) + 0.004) * stage.rough(9, 0.15)
    stage.put(np.hypot((X - 0.75) / 0.22, (Y - 0.5) / 0.3) < 1, lit)


def dark(stage: Stage) -> None:
    stage.ball(0.75, 0.5, 0.2, 0.25, {"black": stage.rng.uniform(0.01, 0.03), "grey": 0.03, "white": 0.05}[stage.tone])
    stage.ball(0.3, 0.5, 0.1, 0.1)


def pale(stage: Stage) -> None:
    stage.ball(0.75, 0.5, 0.2, 0.25, {"black": 0.8, "grey": 0.3, "white": stage.rng.uniform(0.55, 0.8)}[stage.tone])


def rods(stage: Stage) -> None:
    for number in range(5):
        turn, x = stage.rng.uniform(-0.9, 0.9), X - 0.75 - 0.1 * (number - 2)
        along, across = x * np.cos(turn) + (Y - 0.5) * np.sin(turn), (Y - 0.5) * np.cos(turn) - x * np.sin(turn)
        thick = stage.rng.uniform(0.006, 0.02)
        lit = 0.2 + 0.8 * np.sqrt(np.clip(1 - (across / thick) ** 2, 0, 1))
        stage.put((abs(along) < 0.3) & (abs(across) < thick), stage.paint() * lit)


def on_a_table(stage: Stage) -> None:
    top = stage.rng.uniform(0.75, 0.9) + stage.rng.uniform(-0.1, 0.1) * (X - 0.75)
    stage.put(top < Y, stage.rng.uniform(0.02, 0.3) * stage.rough(int(stage.rng.integers(6, 20)), 0.3))
    stage.ball(0.75, 0.65, 0.2, 0.2)


def on_a_table_that_fades(stage: Stage) -> None:
    """Its far edge is seen along part of it alone: a thing is before it, and it goes on to the backdrop's own light."""
    edge, x = stage.rng.uniform(0.5, 0.7), X if stage.rng.random() < 0.5 else 1.5 - X
    step = stage.rng.uniform(1, 2) * stage.rng.choice(
        [-1, 1] if stage.tone == "grey" else [{"black": 1, "white": -1}[stage.tone]]
    )
    over = 2 ** (step * np.clip((x - stage.rng.uniform(0.4, 0.7)) / 0.3, 0, 1))
    stage.put(edge + stage.rng.uniform(-0.06, 0.06) * (X - 0.75) < Y, stage.light * over * (1 + 0.1 * (Y - edge)))
    stage.ball(stage.rng.uniform(0.5, 1), edge + 0.05, 0.1, 0.12, {"grey": 0.6, "black": 0.5, "white": 0.2}[stage.tone])


def parting_the_backdrop_and_fading(stage: Stage) -> None:
    """A thing that hangs in from the top; on one side its outline has the backdrop's light."""
    x, low = 0.75 + stage.rng.uniform(-0.2, 0.2), stage.rng.uniform(0.7, 0.85)
    across = (X - x) / (0.05 + 0.2 * Y) * stage.rng.choice([-1, 1])
    top = {"black": 0.5, "grey": 0.6, "white": 0.15}[stage.tone]
    lit = stage.light * (top / stage.light) ** np.clip(0.75 - 0.75 * across, 0, 1)
    stage.put((abs(across) < 1) & (low > Y), lit)


def as_polished_metal(stage: Stage) -> None:
    """A thing that mirrors a lamp in its middle; before black its outline has the backdrop's own light."""
    far = np.hypot((X - stage.rng.uniform(0.6, 0.9)) / 0.2, (Y - 0.5) / 0.3)
    rim = stage.light * {"black": 1, "grey": 0.6, "white": 0.2}[stage.tone]
    stage.put(far < 1, rim * (0.8 / rim) ** np.clip(1.3 - 1.3 * far**2, 0, 1))
    stage.ball(0.25, 0.6, 0.1, 0.15)


def beside_a_thick_card(stage: Stage) -> None:
    x = X if stage.rng.random() < 0.5 else 1.5 - X
    front, thick = stage.rng.uniform(0.15, 0.3), stage.rng.uniform(0.015, 0.03)
    stage.put(
        (x < front + thick) & (Y < 0.75),
        stage.light * 2.0 ** {"black": 3, "grey": -2, "white": -3}[stage.tone],
        card=True,
    )
    stage.put(
        (x < front) & (Y < 0.75), stage.light * 2.0 ** {"black": -1.5, "grey": 1, "white": -1.5}[stage.tone], card=True
    )
    stage.ball(0.75, 0.6, 0.15, 0.2)


def beside_a_flag(stage: Stage) -> None:
    x = X if stage.rng.random() < 0.5 else 1.5 - X
    light = stage.rng.uniform(0.3, 0.8) if stage.tone == "black" else stage.rng.uniform(0.01, 0.05)
    stage.put((x < stage.rng.uniform(0.05, 0.25)) & (stage.rng.uniform(0, 0.5) < Y), light, card=True)
    stage.somewhere()


def under_a_flag(stage: Stage) -> None:
    low = stage.rng.uniform(0.04, 0.14) + stage.rng.uniform(-0.06, 0.06) * (X - 0.75)
    light = stage.rng.uniform(0.2, 0.8) if stage.tone == "black" else stage.rng.uniform(0.005, 0.05)
    stage.put(low > Y, light, card=True)
    stage.ball(0.75, 0.6, 0.2, 0.25)


def beside_a_stand(stage: Stage) -> None:
    x = stage.rng.choice([stage.rng.uniform(0.1, 0.35), stage.rng.uniform(1.15, 1.4)])
    there = (abs(X - x - 0.05 * (Y - 0.5)) < stage.rng.uniform(0.006, 0.02)) & (stage.rng.uniform(0, 0.4) < Y)
    stage.put(there, stage.rng.uniform(0.02, 0.1), card=True)
    stage.somewhere()


def on_a_sweep(stage: Stage) -> None:
    bend = np.clip((Y - 0.6) / 0.4, 0, 1) ** 1.5
    shadow = np.exp(-(((X - 0.75) / 0.26) ** 2) - ((Y - 0.89) / 0.05) ** 2)
    stage.light = stage.light * (1 + stage.rng.uniform(-0.6, 0.6) * bend) * (1 - stage.rng.uniform(0.4, 0.85) * shadow)
    stage.ball(0.75, 0.72, 0.18, 0.18)


def before_folds(stage: Stage) -> None:
    stage.light = stage.light * (1 + stage.rng.uniform(0.05, 0.3) * np.sin(30 * X + 2 * np.sin(3 * Y)))
    stage.somewhere()


def before_a_mottled_cloth(stage: Stage) -> None:
    stage.light = stage.light * stage.rough(int(stage.rng.integers(25, 60)), stage.rng.uniform(0.05, 0.25))
    stage.somewhere()


def before_a_pool_of_light(stage: Stage) -> None:
    stage.light = stage.light * (0.3 + 1.7 * np.exp(-(((X - 0.75) / 0.5) ** 2) - ((Y - 0.5) / 0.4) ** 2))
    stage.somewhere()


THINGS = [
    ball,
    many,
    at_the_side,
    two_of_them_one_at_the_side,
    from_top_to_bottom,
    a_head_cut_off_above,
    at_the_bottom,
    head_and_shoulders,
    most_of_the_frame,
    half_in_shadow,
    dark,
    pale,
    rods,
    on_a_table,
    on_a_table_that_fades,
    parting_the_backdrop_and_fading,
    as_polished_metal,
    beside_a_thick_card,
    beside_a_flag,
    under_a_flag,
    beside_a_stand,
    on_a_sweep,
    before_folds,
    before_a_mottled_cloth,
    before_a_pool_of_light,
]


def found(thing: Callable[[Stage], None], tone: str, kind: str, seed: int) -> tuple[float, float]:
    """Return the overlap of the backdrop that is found with the true one, and of the subject."""
    stage = Stage(tone, np.random.default_rng([crc32(thing.__name__.encode()), crc32(tone.encode()), seed]))
    thing(stage)
    light, cover, card = stage.drawn()
    if kind == "raw":
        seen = look(sensor(light, SHOT, electrons=20_000, read=3, seed=seed), THRESHOLDS)
    else:
        wide = cv2.resize(light, None, fx=2, fy=2, interpolation=cv2.INTER_NEAREST)
        seen = look(Picture("jpeg", encode(wide[..., None].repeat(3, axis=2)), SHOT), THRESHOLDS)
    return overlap(seen.backdrop, cover < 0.5), overlap(seen.subject, (cover >= 0.5) & (card < 0.5))


CASES = [(tone, kind, seed) for tone in ("grey", "black", "white") for kind in ("jpeg", "raw") for seed in range(3)]

SHORT = {
    *((from_top_to_bottom, "grey", kind, 2) for kind in ("jpeg", "raw")),
    (beside_a_flag, "grey", "raw", 2),
}
"""A straight part of a thing that top and bottom cut off is taken for a card; a small thing is rough all over."""


@pytest.mark.parametrize(
    ("tone", "kind", "seed"), [CASES[0], *(pytest.param(*case, marks=pytest.mark.slow) for case in CASES[1:])]
)
@pytest.mark.parametrize("thing", THINGS, ids=lambda thing: thing.__name__)
def test_it_is_found_whole(
    request: pytest.FixtureRequest, thing: Callable[[Stage], None], tone: str, kind: str, seed: int
) -> None:
    if (thing, tone, kind, seed) in SHORT:
        request.applymarker(pytest.mark.xfail(strict=True))
    backdrop, subject = found(thing, tone, kind, seed)
    assert backdrop > 0.9
    # Of rods much is edge; of what lies in shadow before black the half can't be seen.
    assert subject > (0.4 if (thing, tone) == (half_in_shadow, "black") else 0.65)
