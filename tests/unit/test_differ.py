"""What differs between frames: exposure told apart from light, as a change from the one to the other."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lampblack.daemon.config import load_thresholds
from lampblack.rules.differ import Facts, across, alike, differ
from lampblack.rules.exposure import LADDER, Exposure
from lampblack.rules.readings import Ratio
from lampblack.rules.sampled import Sample

T = load_thresholds()
ONE = Facts("frame 1", Exposure.of(8.0, 1 / 60, 200), mid_stops=0.0)


def texts(one: Facts, other: Facts) -> list[str]:
    return [each.text for each in differ(one, other, T)]


def shot(name: str, f_number: float, light: float = 0.0, **more: object) -> Facts:
    """A frame of the same thing at another aperture, under so many stops more light."""
    exposure = Exposure.of(f_number, 1 / 60, 200)
    assert exposure.stops is not None
    assert ONE.exposure.stops is not None
    brighter = exposure.stops - ONE.exposure.stops + light
    places = Sample(10, tuple(brighter - 3 - place / 100 for place in range(100)), (False,) * 100)
    return replace(ONE, name=name, exposure=exposure, mid_stops=None, sample=places, **more)


def test_a_frame_does_not_differ_from_itself() -> None:
    assert differ(ONE, ONE, T) == ()


@given(st.sampled_from(LADDER), st.sampled_from(LADDER))
def test_another_aperture_is_exposure_and_no_light(one: float, other: float) -> None:
    """However bright it came out; and told from the other end it is the same with the other sign."""
    there, back = (differ(shot("a", a), shot("b", b), T) for a, b in ((one, other), (other, one)))
    assert {each.kind for each in there} <= {"exposure"}
    assert (one == other) == (not there)
    assert [each.amount for each in there] == pytest.approx([-(each.amount or 0) for each in back])


def test_it_is_told_in_stops_and_by_which_dials() -> None:
    assert texts(shot("a", 11.0), shot("b", 5.6)) == ["exposed 2 stops more: f/11 to f/5.6"]
    slower = replace(ONE, exposure=Exposure.of(11.0, 1 / 30, 200))
    assert texts(ONE, slower) == ["exposed alike by other means: f/8 to f/11, 1/60 s to 1/30 s"]


def test_light_is_told_apart_from_exposure() -> None:
    found = differ(shot("a", 8.0), shot("b", 11.0, light=1.0), T)
    assert [(each.kind, round(each.amount or 0, 2)) for each in found] == [("exposure", -1.0), ("light", 1.0)]
    assert found[1].text == "1 stop more light on the subject"


def test_between_exposures_a_jpeg_is_taken_less_exactly_than_a_raw() -> None:
    """A tone curve may be off by as much as a small change of light; sensor samples are not."""
    assert "light" not in {d.kind for d in differ(shot("a", 8.0), shot("b", 16.0, light=0.7), T)}
    assert "light" in {d.kind for d in differ(shot("a", 8.0, raw=True), shot("b", 16.0, light=0.7, raw=True), T)}
    assert "light" in {d.kind for d in differ(shot("a", 8.0), shot("b", 9.0, light=0.7), T)}
    assert "light" in {d.kind for d in differ(shot("a", 8.0), shot("b", 8.0, light=0.2), T)}


def test_measured_of_the_whole_less_is_believed() -> None:
    """Subjects may be cut out otherwise in each frame: a quarter of a stop came of that alone in a rehearsal."""
    small, large = (replace(ONE, mid_stops=T.steps.same_light_stops * by) for by in (0.9, 1.1))
    assert texts(ONE, small) == []
    assert texts(ONE, large) == ["⅔ stop more light on the subject"]


def test_a_part_that_is_lit_otherwise_is_told_where_light_is_read_exactly() -> None:
    one = shot("a", 8.0)
    assert one.sample is not None
    lit = [stops - (place % 10 > 7) for place, stops in enumerate(one.sample.stops) if stops is not None]
    other = replace(one, name="b", sample=replace(one.sample, stops=tuple(lit)))
    assert texts(one, other) == ["20 % of the subject has 1 stop less light, most of it at the right"]
    closed = replace(other, exposure=Exposure.of(16.0, 1 / 60, 200), sample=replace(
        one.sample, stops=tuple(stops - 2 for stops in lit)
    ))  # fmt: skip
    assert [d.kind for d in differ(one, closed, T)] == ["exposure"], "a tone curve may do as much"


def test_another_subject_is_told_as_one() -> None:
    one = shot("a", 8.0)
    assert one.sample is not None
    other = replace(one, sample=replace(one.sample, stops=tuple(-1.0 - place % 4 for place in range(100))))
    assert texts(one, other) == ["the subject is another, or stands or is lit otherwise"]


def test_raw_and_jpeg_are_not_held_against_each_other_in_light_or_colour() -> None:
    one, other = shot("a", 8.0, mired=300.0), shot("b", 8.0, light=2.0, raw=True, mired=200.0)
    assert {each.kind for each in differ(one, other, T)} == set()


def test_a_backdrop_is_told_by_its_light_or_its_tone() -> None:
    one = replace(ONE, tone="grey", backdrop_code=90, backdrop_stops=2.5)
    assert texts(one, replace(one, backdrop_code=130, backdrop_stops=1.5)) == ["1 stop more light on the backdrop"]
    assert texts(one, replace(one, tone="white")) == ["the backdrop is another: it is white, and was grey"]
    lit = replace(shot("a", 8.0, tone="white"), sample=Sample(10, (-1.0,) * 100, (True,) * 100))
    closed = replace(shot("b", 16.0, tone="grey"), sample=Sample(10, (-3.0,) * 100, (True,) * 100))
    assert [d.kind for d in differ(lit, closed, T)] == ["exposure"], "exposed less it is called grey, and is the same"
    darker = replace(lit, tone="grey", sample=replace(closed.sample, stops=(-2.0,) * 100))
    assert texts(lit, darker) == ["1 stop less light on the backdrop: it is grey, and was white"]
    drowned = replace(one, backdrop_code=0, backdrop_stops=9.0)
    assert texts(one, drowned) == [], "codes near black tell no light"


def test_ratios_of_the_readings_are_told_whichever_side_was_brighter() -> None:
    three, one = (replace(ONE, ratios=(Ratio("key", "fill", stops),)) for stops in (1.585, 1.0))
    turned = replace(ONE, ratios=(Ratio("fill", "key", 1.0),))
    assert texts(three, one) == ["key to fill 2:1 by the meter, and was 3:1"]
    assert texts(three, turned) == ["fill to key 2:1 by the meter, and was 1:3"]
    assert texts(three, three) == []


def test_sides_of_the_subject_that_part_are_a_ratio_too() -> None:
    one = shot("a", 8.0)
    assert one.sample is not None
    stops = tuple((s or 0) + (0.5 if place % 10 < 5 else 0.0) for place, s in enumerate(one.sample.stops))
    told = differ(one, replace(one, name="b", sample=replace(one.sample, stops=stops)), T)
    assert [(d.kind, round(d.amount or 0, 2)) for d in told] == [("light", 0.25), ("ratio", 0.5)]
    assert told[1].text == "the subject's left has ½ stop more light against its right"


def test_colour_is_told_in_mired_of_one_neutral() -> None:
    one = replace(ONE, mired=300.0, colour_from="backdrop")
    assert texts(one, replace(one, mired=320.0)) == ["the picture 20 mired warmer, by lamps or balance"]
    assert texts(replace(one, raw=True), replace(one, raw=True, mired=280.0)) == ["the light 20 mired colder"]
    assert texts(one, replace(one, mired=305.0)) == []
    assert texts(one, replace(one, mired=320.0, colour_from="patch")) == []


def test_a_nudge_and_a_soft_frame_are_told() -> None:
    one, moved = (replace(ONE, name=n, shift=s, long_side=6000.0) for n, s in (("a", (0.0, 0.0)), ("b", (3.0, 4.0))))
    assert texts(one, moved) == ["the picture lies 5.0 pixels elsewhere"]
    assert texts(one, replace(one, name="b", troubles=frozenset({"softer"}))) == ["b is softer"]


def test_what_came_of_it_is_told_after_what_was_done() -> None:
    one = shot("a", 11.0, clipped=0.0004, blocked=0.02, clean=True, over_stops=0.0)
    other = shot("b", 5.6, clipped=0.03, blocked=0.018, clean=False, over_stops=1.0)
    assert texts(one, other) == [
        "exposed 2 stops more: f/11 to f/5.6",
        "3.0 % of the subject clipped, and was 0.04 %",
        "the backdrop is 1 stop over clean, and was clean",
    ]
    assert texts(other, one)[-1] == "the backdrop is clean, and was 1 stop over"
    assert texts(other, replace(other, over_stops=1.1)) == []
    assert texts(other, replace(other, over_stops=2.0)) == ["the backdrop is 2 stops over clean, and was 1 stop over"]


def test_a_row_is_told_in_a_sentence() -> None:
    row = [shot("frame 1", 16.0), shot("frame 2", 8.0), shot("frame 3", 4.0, light=1.0)]
    assert across([], T)[1] == "No frame yet."
    assert across(row[:1], T)[1] == "One frame: nothing to hold it against."
    assert across(row[:2], T)[1] == "They differ in exposure (f/8 to f/16, 2 stops end to end) only."
    assert across(row, T)[1] == (
        "They differ in exposure (f/4 to f/16, 4 stops end to end), and in more: the light on the subject in frame 3."
    )
    back = [*row, shot("frame 4", 5.6, light=1.0), shot("frame 5", 4.5)]
    assert across(back, T)[1].endswith("the light on the subject in frames 3 and 4.")
    again = replace(row[0], name="frame 4")
    assert across([row[0], again], T)[1].startswith("The frames agree")


def test_what_is_the_same_is_told_where_it_is_told_exactly() -> None:
    one = shot("a", 8.0)
    assert alike(one, shot("b", 8.0), T) == ("exposure", "the light on the subject")
    assert alike(one, shot("b", 8.0, light=1.0), T) == ("exposure",)
    assert alike(one, shot("b", 16.0), T) == (), "a curve lies between"
    assert alike(shot("a", 8.0, raw=True), shot("b", 16.0, raw=True), T) == ("the light on the subject",)
    assert alike(Facts("a"), Facts("b"), T) == ()


def test_what_is_not_known_is_not_told() -> None:
    assert differ(Facts("a"), Facts("b"), T) == ()
    unknown = replace(ONE, exposure=Exposure())
    assert [each.amount for each in differ(ONE, unknown, T) if each.kind == "exposure"] == [None]
