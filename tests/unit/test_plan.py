"""Places on the floor from distances and angles; what a person says of lamps, cards, camera and backdrop."""

from __future__ import annotations

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lampblack.daemon.answers import answer
from lampblack.daemon.lampbook import Lamp, LampBook, lamp_of
from lampblack.daemon.memory import Memory
from lampblack.rules.plan import Thing, bearing_text, edges, facing, parse_bearing, shaded

distances = st.floats(0.1, 20.0)
bearings = st.integers(-180, 180).map(float)


@given(distances, bearings)
def test_a_place_has_the_distance_and_angle_that_were_told(distance: float, bearing: float) -> None:
    """Read back by trigonometry's other way round (atan2, hypot)."""
    place = Thing("rim", distance=distance, bearing=bearing).place
    assert place is not None
    assert math.hypot(*place) == pytest.approx(distance)
    back = math.degrees(math.atan2(place[0], -place[1]))
    assert math.isclose(math.cos(math.radians(back - bearing)), 1, abs_tol=1e-9)


@given(distances, bearings, st.floats(0.1, 2.0))
def test_left_and_right_mirror(distance: float, bearing: float, size: float) -> None:
    one, other = (edges(Thing("k", distance=distance, bearing=b, size=size), {}) for b in (bearing, -bearing))
    assert one is not None
    assert other is not None
    assert sorted((-x, y) for x, y in one) == [pytest.approx(end, abs=1e-9) for end in sorted(other)]
    assert math.dist(*one) == pytest.approx(size)


def test_a_raised_lamp_stands_nearer_on_the_floor_than_its_light_travels() -> None:
    """A right triangle of 3, 4 and 5."""
    assert Thing("key", distance=5.0, above=3.0, bearing=0.0).place == pytest.approx((0, -4))
    with pytest.raises(ValueError, match="can't be 3 m up"):
        _ = Thing("key", distance=2.0, above=3.0).reach


def test_what_was_not_told_has_no_place() -> None:
    for thing in (Thing("a"), Thing("a", distance=1.0), Thing("a", bearing=20.0)):
        assert thing.place is None
        assert facing(thing, {}) is None
        assert edges(thing, {}) is None


def test_a_reflector_throws_its_lamp_at_the_subject() -> None:
    """Equal angles in and out: what a mirror does."""
    lamps = {"key": Thing("key", distance=2.0, bearing=-50.0)}
    card = Thing("card", "reflector", distance=1.0, bearing=60.0, of="key")
    way, here, there = facing(card, lamps), card.place, lamps["key"].place
    assert way is not None
    assert here is not None
    assert there is not None
    to_lamp, to_subject = (
        (way[0] * (p[0] - here[0]) + way[1] * (p[1] - here[1])) / math.dist(p, here) for p in (there, (0.0, 0.0))
    )
    assert to_lamp == pytest.approx(to_subject)


def test_a_flags_shadow_ends_where_rays_past_its_edges_meet_the_backdrop() -> None:
    lamps = {"rim": Thing("rim", distance=1.0, bearing=120.0)}
    flag = Thing("flag", "flag", distance=1.2, bearing=140.0, size=0.3, of="rim")
    shadow, ends, source = shaded(flag, lamps, 1.5), edges(flag, lamps), lamps["rim"].place
    assert shadow is not None
    assert ends is not None
    assert source is not None
    for x, end in zip(shadow, sorted(ends, key=lambda e: (e[0] - source[0]) / (e[1] - source[1])), strict=True):
        area = (end[0] - source[0]) * (1.5 - source[1]) - (x - source[0]) * (end[1] - source[1])
        assert area == pytest.approx(0, abs=1e-9), "lamp, edge and shadow lie on one line"
    assert shaded(Thing("flag", "flag", distance=1.2, bearing=140.0, size=0.3), lamps, 1.5) is None, "whose, isn't told"
    before = Thing("flag", "flag", distance=1.0, bearing=20.0, size=0.3, of="rim")
    assert shaded(before, lamps, 1.5) is None, "a card before the lamp shades no backdrop"


@pytest.mark.parametrize("text", ["40", "190left", "left", "-40", "40up", "", "4e1left", "40left\n--x"])
def test_an_angle_without_a_side_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="write an angle"):
        parse_bearing(text)


@given(st.integers(1, 179), st.sampled_from(["left", "right"]))
def test_an_angle_is_told_as_it_was_written(degrees: int, side: str) -> None:
    assert f"{degrees}° to the {side}" in bearing_text(parse_bearing(f"{degrees}{side}"))


def said(memory: Memory, **request: object) -> str:
    reply, entry = answer(memory, {"do": "lamp", **request})
    if entry is not None:
        memory.note(*entry)
    return str(reply["text"])


def test_cards_and_the_floor_are_kept_from_setup_to_setup() -> None:
    memory = Memory()
    text = said(memory, name="rim", kind="tungsten", distance=1.8, at="150left", above=0.6)
    assert text == "rim: tungsten, at 1.8 m, 150° to the left, behind the subject, 0.6 m above the subject."
    said(memory, name="card", kind="flag", distance=1.2, at="160left", size=0.5, of="rim")
    said(memory, camera=2.5, backdrop=1.5)
    memory.setup = type(memory.setup)(2, None)
    said(memory, backdrop=2.0)
    book = memory.lamps
    assert (book.floor(1).camera, book.floor(1).backdrop) == (2.5, 1.5)
    assert (book.floor(2).camera, book.floor(2).backdrop) == (2.5, 2.0)
    assert book.lamps(2)["card"].thing == Thing("card", "flag", 1.2, -160.0, None, 0.5, "rim")
    lines = book.lines(2, book.floor(2))
    assert sum("On the backdrop, 2 m behind" in line for line in lines) == 1, "of the lamp, not of the card"


def test_what_cannot_stand_so_is_refused() -> None:
    memory = Memory()
    assert "can't be 3 m up" in said(memory, name="key", distance=2.0, above=3.0)
    assert "without a name" in said(memory, name="key", camera=2.0)
    assert "number from" in said(memory, camera="near")
    assert memory.lamps == LampBook()
    said(memory, name="card", kind="flag")
    memory.total = 3
    assert "gives no light alone" in said(memory, name="card", frame=1)


def test_a_lamp_is_read_from_the_journal_as_it_was_said() -> None:
    lamp = lamp_of({"name": "rim", "at": "150left", "distance": 2.0, "above": 0.5, "of": "key"})
    assert (
        lamp_of(json.loads(json.dumps(lamp.told)))
        == lamp
        == Lamp("rim", distance=2.0, bearing=-150.0, above=0.5, of="key")
    )


def test_a_lamp_behind_the_subject_gives_the_backdrop_more() -> None:
    """Half as far from the backdrop as from the subject: 2 stops more (the inverse square)."""
    memory = Memory()
    said(memory, name="rim", distance=1.0, at="180")
    said(memory, name="key", distance=1.0, at="0")
    said(memory, backdrop=1.5)
    lines = memory.lamps.lines(1, memory.lamps.floor(1))
    assert [line for line in lines if "On the backdrop" in line] == [
        "On the backdrop, 1.5 m behind, there is 2 stops more of it.",
        "On the backdrop, 1.5 m behind, there is 2⅔ stops less of it.",
    ]
