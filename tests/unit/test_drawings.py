"""The page's drawings as numbers: to scale, from what was told alone, with names that can be read."""

from __future__ import annotations

import itertools
import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lampblack.daemon.drawings import lamp_plan, plan_words, session_colour
from lampblack.daemon.journal import Kept
from lampblack.daemon.lampbook import Floor, Lamp, LampBook
from lampblack.daemon.record import SetupRecord, Shoot

Json = dict[str, Any]

lamps = st.builds(
    Lamp,
    name=st.sampled_from(["key", "fill", "rim", "card"]),
    kind=st.sampled_from([None, "led", "flag", "reflector"]),
    distance=st.none() | st.floats(0.3, 8.0),
    bearing=st.none() | st.floats(-180, 180),
    above=st.none() | st.floats(-3, 3),
    size=st.none() | st.floats(0.05, 2.0),
    of=st.sampled_from([None, "key", "rim", "nobody"]),
)
floors = st.builds(Floor, st.none() | st.floats(0.5, 8), st.none() | st.floats(0.1, 5), st.none() | st.floats(0.05, 2))


def by_name(*all_lamps: Lamp) -> dict[str, Lamp]:
    return {lamp.name: lamp for lamp in all_lamps}


def metres(plan: Json, one: Json, other: Json) -> float:
    per_metre = plan["bar"]["length"] / float(plan["bar"]["text"].removesuffix(" m"))
    return math.hypot(one["x"] - other["x"], one["y"] - other["y"]) / per_metre


def box(label: Json) -> tuple[float, float, float, float]:
    """A label's letters, in the middle of x and from its first line's foot on."""
    wide = 6 * max(map(len, label["lines"])) / 2
    return label["x"] - wide, label["y"] - 10, label["x"] + wide, label["y"] + 15 * (len(label["lines"]) - 1) + 2


@settings(max_examples=60, deadline=None)
@given(st.lists(lamps, max_size=4), floors)
def test_a_plan_is_to_scale_and_of_what_was_told_alone(told: list[Lamp], floor: Floor) -> None:
    given_lamps = by_name(*told)
    plan, words = lamp_plan(given_lamps, floor), " ".join(plan_words(given_lamps, floor))
    for name, lamp in given_lamps.items():
        assert f"{name}: " in words
        if lamp.distance is None or lamp.bearing is None:
            assert f"Of {name} no" in words
    standing = [
        lamp.thing for lamp in given_lamps.values()
        if None not in (lamp.distance, lamp.bearing) and abs(lamp.above or 0) < (lamp.distance or 0)
    ]  # fmt: skip
    if not standing:
        assert plan is None
        return
    assert plan is not None
    assert [each["label"]["lines"][0].split(" (")[0] for each in plan["things"]] == [thing.name for thing in standing]
    for each, thing in zip(plan["things"], standing, strict=True):
        assert metres(plan, each, plan["subject"]) == pytest.approx(thing.reach, abs=0.02)
        assert 0 <= each["x"] <= plan["width"]
        assert 0 <= each["y"] <= plan["height"]
    assert plan["camera"]["known"] == (floor.camera is not None)
    assert (plan["backdrop"] is None) == (floor.backdrop is None)
    if floor.camera is not None:
        assert metres(plan, plan["camera"], plan["subject"]) == pytest.approx(floor.camera, abs=0.02)


def test_names_hide_neither_each_other_nor_things() -> None:
    told = by_name(
        Lamp("key", "led", distance=1.6, bearing=-45, size=0.9),
        Lamp("fill", "led", distance=2.2, bearing=35, size=0.6),
        Lamp("rim", "led", distance=1.1, bearing=130),
        Lamp("card", "flag", distance=1.05, bearing=142, size=0.4, of="rim"),
        Lamp("white card", "reflector", distance=0.8, bearing=70, size=0.6, of="key"),
        Lamp("hair", bearing=-170),
    )
    plan = lamp_plan(told, Floor(2.4, 1.3, 0.3))
    assert plan is not None
    boxes = [box(each["label"]) for each in (*plan["things"], *plan["rays"])]
    for one, other in itertools.combinations(boxes, 2):
        assert one[2] <= other[0] or other[2] <= one[0] or one[3] <= other[1] or other[3] <= one[1]
    for left, top, right, bottom in boxes:
        assert left >= 0
        assert right <= plan["width"]
        for each in plan["things"]:
            assert not (left < each["x"] < right and top < each["y"] < bottom)


def test_a_flags_shadow_is_drawn_and_said() -> None:
    """Lamp 1 m right of the subject, card a metre behind it, half a metre wide: twice as wide 2 m behind."""
    told = by_name(
        Lamp("rim", distance=1.0, bearing=90), Lamp("card", "flag", distance=2**0.5, bearing=135, size=0.5, of="rim")
    )
    plan, words = lamp_plan(told, Floor(backdrop=2.0)), plan_words(told, Floor(backdrop=2.0))
    assert plan is not None
    assert len(plan["shadows"]) == 1
    assert any("card takes the light of rim off the backdrop from 0.5 to 1.5 m right of its middle" in w for w in words)
    assert lamp_plan(told, Floor()) is not None
    assert not any("off the backdrop" in line for line in plan_words(told, Floor()))


def test_facts_that_do_not_go_together_are_named_and_not_drawn() -> None:
    told = by_name(Lamp("key", distance=1.0, bearing=0, above=2.0), Lamp("fill", distance=1.0, bearing=20))
    plan = lamp_plan(told, Floor())
    assert plan is not None
    assert [each["label"]["lines"][0] for each in plan["things"]] == ["fill"]
    assert "key is told to be higher than it is far: it isn't drawn." in plan_words(told, Floor())


def shoot_of(*frames: tuple[int, str, float | None]) -> Shoot:
    """A shoot of frames: the setup, the kind of file, the neutral's mired."""
    setups = {number: SetupRecord(number, f"set {number}", "") for number in sorted({setup for setup, *_ in frames})}
    for number, (setup, kind, mired) in enumerate(frames, 1):
        colour = {"mired": mired, "from": "backdrop"}
        verdict = {"frame": number, "pixels": {"kind": kind}, "colour": colour}
        setups[setup].frames.append(Kept(b"", "", setup, number, verdict, {}))
    return Shoot(Path("x"), "", list(setups.values()), {}, LampBook())


def test_colour_is_drawn_of_raw_and_jpeg_apart() -> None:
    """312.5 mired is 3200 K, and D65, which a JPEG's neutral has, 153.8 (both: a million over kelvin)."""
    drawn = session_colour(
        shoot_of((1, "raw", 312.5), (1, "jpeg", 1e6 / 6504), (2, "raw", 322.5), (2, "raw", None), (2, "jpeg", 163.75))
    )
    assert [each["raw"] for each in drawn] == [True, False]
    raw, jpeg = drawn
    assert [dot["text"] for dot in raw["dots"]] == ["312 mired, 3200 K", "322 mired, 3100 K"]
    assert [dot["text"] for dot in jpeg["dots"]] == ["neutral", "+10 mired"]
    assert [dot["frame"] for dot in raw["dots"]] == [1, 3]
    assert raw["dots"][1]["y"] < raw["dots"][0]["y"], "higher is warmer"
    assert len(raw["lines"]) == 2, "no line from setup to setup"
    assert "from 312 mired, 3200 K, to 322 mired" in raw["words"]
    assert session_colour(shoot_of((1, "raw", None))) == []


@given(st.lists(st.tuples(st.integers(1, 3), st.just("raw"), st.floats(100, 700)), min_size=1, max_size=30))
def test_colour_stays_in_its_box_and_small_changes_look_small(frames: list[tuple[int, str, float]]) -> None:
    (drawn,) = session_colour(shoot_of(*sorted(frames)))
    across = [dot["x"] for dot in drawn["dots"]]
    assert across == sorted(across)
    assert 0 < across[0] <= across[-1] < 600
    assert all(0 < dot["y"] < 140 for dot in drawn["dots"])
    assert all(0 <= tick["y"] <= 140 for tick in drawn["ticks"])
    assert 2 <= len(drawn["ticks"]) <= 8
    high = max(dot["y"] for dot in drawn["dots"]) - min(dot["y"] for dot in drawn["dots"])
    assert high <= 140 * (max(mired for *_, mired in frames) - min(mired for *_, mired in frames)) / 48 + 0.2
