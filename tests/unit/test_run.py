"""The planner of runs: what it asks for next, when it ends, and how many frames it needs against one who knows all."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
import pytest
from scenes import vessel
from sparing import first_quick

from lampblack.daemon.config import load_thresholds
from lampblack.rules.exposure import (
    F_NUMBERS_HALF,
    LADDER,
    SHUTTERS_THIRD,
    Exposure,
    shutter_seconds,
)
from lampblack.rules.frame import Plane, Sensor, Shot
from lampblack.rules.look import look
from lampblack.rules.raw import RAW_MID_GREY
from lampblack.rules.run import Known, Offer, Plan, Setting, Wish, next_of
from lampblack.rules.shoot import judge, new_setup

THRESHOLDS = load_thresholds()
TIMES = tuple(shutter_seconds(mark) for mark in SHUTTERS_THIRD if 1 / 1000 <= shutter_seconds(mark) <= 1)
HERE = Setting(8.0, 1 / 60)
OFFER = Offer(HERE, LADDER, TIMES, 200)


# ---- fixed runs


def shots(wish: Wish, offer: Offer = OFFER) -> list[str]:
    plan = next_of(wish, offer, None, [], THRESHOLDS)
    assert plan.end is None, plan.why
    return [shot.text for shot in plan.shots]


def test_apertures_come_in_the_order_they_were_asked_for() -> None:
    assert shots(Wish("at", at=(16, 8, 2**2.5))) == ["f/16 1/60 s", "f/8 1/60 s", "f/5.6 1/60 s"]


def test_an_aperture_not_on_offer_names_the_nearest() -> None:
    plan = next_of(Wish("at", at=(8, 1.4)), OFFER, None, [], THRESHOLDS)
    assert (plan.end, plan.why) == ("cannot", "The camera doesn't offer f/1.4; the nearest is f/2.8.")


def test_a_ladder_lies_about_where_the_camera_stands() -> None:
    assert shots(Wish("ladder", frames=3, thirds=3)) == ["f/5.6 1/60 s", "f/8 1/60 s", "f/11 1/60 s"]
    assert shots(Wish("ladder", frames=2, thirds=2)) == ["f/6.3 1/60 s", "f/8 1/60 s"]


def test_a_held_aperture_leaves_the_steps_to_the_time() -> None:
    wish = Wish("ladder", hold_aperture=True, frames=3, thirds=1)
    assert shots(wish) == ["f/8 1/50 s", "f/8 1/60 s", "f/8 1/80 s"]


def test_at_the_ends_of_the_aperture_the_time_takes_over() -> None:
    offer = Offer(Setting(4.0, 1 / 60), LADDER, TIMES, 200)
    told = shots(Wish("ladder", frames=5, thirds=3), offer)
    assert told == ["f/2.8 1/30 s", "f/2.8 1/60 s", "f/4 1/60 s", "f/5.6 1/60 s", "f/8 1/60 s"]


def test_a_ladder_beyond_both_dials_says_so() -> None:
    plan = next_of(Wish("ladder", frames=9, thirds=9), OFFER, None, [], THRESHOLDS)
    assert plan.end == "cannot"
    assert "is as far as it goes" in plan.why


def test_marks_too_far_apart_for_a_ladder_say_so() -> None:
    offer = Offer(HERE, (5.6, 8.0, 11.0))
    assert "wider steps" in next_of(Wish("ladder", frames=3, thirds=1), offer, None, [], THRESHOLDS).why


def test_a_lens_without_a_dial_is_bracketed_by_time() -> None:
    offer = Offer(Setting(None, 1 / 60), (), TIMES)
    assert shots(Wish("ladder", frames=3, thirds=3), offer) == ["1/30 s", "1/60 s", "1/125 s"]


def test_a_fixed_run_ends_when_all_is_shot() -> None:
    wish = Wish("at", at=(8, 4))
    assert len(next_of(wish, OFFER, None, [HERE], THRESHOLDS).shots) == 1
    assert next_of(wish, OFFER, None, [HERE, Setting(4.0, 1 / 60)], THRESHOLDS).end == "shot"


# ---- runs by what frames show, against one who knows the light

ELECTRONS, READ = 40_000.0, 3.0
FLOOR = (1 + math.sqrt(1 + 4 * READ**2)) / 2 / ELECTRONS
"""Where signal equals noise (EMVA 1288): n = sqrt(n + read^2) electrons."""


@dataclass(frozen=True, eq=False)
class Light:
    """A vessel whose light spans some stops, at f/8 and 1/60; 1 fills the sensor."""

    light: np.ndarray
    subject: np.ndarray

    def frame(self, setting: Setting, seed: int) -> Sensor:
        rng = np.random.default_rng(seed)
        light = self.light * 2.0 ** (setting.light - HERE.light)
        planes = []
        for channel in (0, 1, 1, 2):
            wells = np.minimum(rng.poisson(light * ELECTRONS), ELECTRONS)
            codes = np.rint(512 + 0.4 * (wells + READ * rng.normal(size=light.shape)))
            samples = np.clip(codes, 0, 65535).astype(np.uint16)
            planes.append(Plane(samples, channel, 512, 512 + 0.4 * ELECTRONS))
        height, width = light.shape
        exposure = Exposure.of(setting.f_number, setting.shutter_s, 200)
        return Sensor(tuple(planes), 2 * width, 2 * height, (2, 2), np.ones(3), np.eye(3), Shot(exposure))

    def over(self, share: float) -> float:
        """By how many stops f/8 and 1/60 may be opened until this share of the subject fills the sensor."""
        return float(-np.log2(np.quantile(self.light[self.subject], 1 - share)))

    def under(self, share: float) -> float:
        """The same until no more than this share lies under the floor."""
        return float(np.log2(FLOOR) - np.log2(np.quantile(self.light[self.subject], share)))

    @property
    def middle(self) -> float:
        return float(np.log2(RAW_MID_GREY / np.median(self.light[self.subject])))


def lit(seed: int) -> Light:
    """A vessel before black, its light of a random level, spread over a random number of stops."""
    rng = np.random.default_rng(seed)
    made = vessel("black", height=200, width=300)
    subject = ~made.backdrop
    light = made.light[..., 1]
    logs = np.log2(np.maximum(light, 1e-9))
    low, high = logs[subject].min(), logs[subject].max()
    span = rng.uniform(4, 10)
    logs = np.where(subject, (logs - high) * span / (high - low) + rng.uniform(-4, 4), -14.0)
    return Light(2.0**logs, subject)


def run(light: Light, wish: Wish, aim: str, offer: Offer, seed: int) -> tuple[list[Setting], Plan]:
    """Shoot a run as the planner wants it, from a first frame as the camera stands."""
    setup, taken, known = new_setup(1, aim=aim, backdrop="black", f_numbers=offer.f_numbers), [], None
    while not (plan := next_of(wish, offer, known, taken, THRESHOLDS)).end:
        taken.append(plan.shots[0])
        seen = look(light.frame(taken[-1], 100 * seed + len(taken)), THRESHOLDS, setup.radiance)
        setup, verdict = judge(setup, seen, THRESHOLDS, file=f"{len(taken)}", frame=len(taken))
        known = Known(setup, verdict)
    return taken, plan


def offers(rng: np.random.Generator) -> Offer:
    f_numbers = LADDER if rng.random() < 0.7 else tuple(n for n in F_NUMBERS_HALF if 2.8 <= n <= 22)
    return Offer(Setting(float(rng.choice(f_numbers)), float(rng.choice(TIMES))), f_numbers, TIMES, 200)


def fewest(light: Light, wish: Wish, aim: str, offer: Offer) -> int:
    """Frames that one needs who knows the light, the first as the camera stands among them."""
    stops = offer.here.light - HERE.light
    if wish.goal == "aim":
        off = light.middle - stops if aim == "even" else light.over(0.001) - stops
        met = abs(off) <= 1 / 6 if aim == "even" else 0 <= off < 1 / 3
        return 1 if met else 2
    top, bottom = light.over(THRESHOLDS.highlights.broad_limit), light.under(THRESHOLDS.shadows.held_share)
    marks = sorted({Setting(n, t).light - HERE.light for n in offer.f_numbers for t in offer.shutters_s})
    if bottom <= stops <= top:
        return 1
    if any(bottom <= mark <= top for mark in marks):
        return 2

    def ends(held: bool, best_mark: float) -> set[float]:
        return {best_mark} | ({stops} if held else set())

    best = 99
    for dark in ends(stops <= top, max(m for m in marks if m <= top)):
        for bright in ends(stops >= bottom, min(m for m in marks if m >= bottom)):
            rungs = sorted({dark, bright, *([stops] if dark < stops < bright else [])})
            gaps = (high - low - 1 / 3 for low, high in itertools.pairwise(rungs))
            fill = sum(max(0, math.ceil(gap / THRESHOLDS.runs.cover_gap_stops) - 1) for gap in gaps)
            best = min(best, len({dark, bright, stops}) + fill)
    return best


def ended_right(light: Light, wish: Wish, aim: str, taken: list[Setting]) -> bool:
    """By the true light; a quarter of a stop is left to noise and to where the subject is cut."""
    stops = [setting.light - HERE.light for setting in taken]
    if wish.goal == "cover":
        top, bottom = light.over(THRESHOLDS.highlights.broad_limit), light.under(THRESHOLDS.shadows.held_share)
        return min(stops) <= top + 0.25 and max(stops) >= bottom - 0.25
    off = (light.middle if aim == "even" else light.over(0.001)) - stops[-1]
    return abs(off) <= 1 / 6 + 0.25 if aim == "even" else -0.25 <= off < 1 / 3 + 0.25


@pytest.mark.parametrize("runs", first_quick([25, 100]))
def test_raw_runs_need_at_most_one_frame_more_than_perfect_knowledge_in_95_of_a_hundred(runs: int) -> None:
    """Random light, levels, dials, starts and aims; noise as sensors have it (EMVA 1288)."""
    late, wrong = [], []
    for seed in range(runs):
        rng = np.random.default_rng(1000 + seed)
        light, offer = lit(seed), offers(rng)
        wish, aim = [(Wish(), "even"), (Wish(), "hold-highlights"), (Wish("cover"), "even")][seed % 3]
        taken, plan = run(light, wish, aim, offer, seed)
        told = (seed, wish.goal, aim, [s.text for s in taken], plan.end, plan.why)
        least = fewest(light, wish, aim, offer)
        if plan.end == "cannot" or not ended_right(light, wish, aim, taken):
            wrong.append(told)
        if len(taken) > least + 1:
            late.append((least, *told))
    assert len(late) <= 0.05 * runs, late
    assert len(wrong) <= 0.02 * runs, wrong
