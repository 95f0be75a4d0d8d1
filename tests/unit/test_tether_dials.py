"""
Every maker's setting texts become the same numbers.

The texts are those of the libgphoto2 2.5.34 drivers (camlibs/ptp2/config.c), written out per maker; the marked
series are ISO 517 (apertures) and ISO 516 (times).
"""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lampblack.daemon import dials
from lampblack.rules.exposure import F_NUMBERS_THIRD, SHUTTERS_THIRD

LENS = [2.8, 3.2, 3.5, 4, 4.5, 5, 5.6, 6.3, 7.1, 8, 9, 10, 11, 13, 14, 16, 18, 20, 22]
APERTURES = {
    "nikon and the standard's own": [f"f/{n:g}" for n in LENS],
    "canon": ["implicit auto", "auto", *(f"{n:g}" for n in LENS), "13", "Unknown value 0x00ff"],
    "sony, everything twice": [f"f/{n:.1f}" for n in LENS for _ in range(2)],
    "panasonic": [f"{n:g}" for n in LENS],
    "om": [f"{n:.1f}" for n in LENS],
    "with the locale's comma": [f"f/{n:.1f}".replace(".", ",") for n in LENS],
    "from the small end": [f"F{n:g}" for n in reversed(LENS)],
}


@pytest.mark.parametrize("maker", APERTURES)
def test_a_makers_list_becomes_numbers_and_keeps_its_strings(maker: str) -> None:
    texts = APERTURES[maker]
    offered = dials.choices(texts, dials.f_number)
    assert [choice.number for choice in offered] == LENS
    assert all(choice.text in texts for choice in offered)


@pytest.mark.parametrize(
    "text",
    [
        *("auto", "Auto", "implicit auto", "Unknown value 0x0000", "", "bulb", "f/", "f/0", "0", "f/0.0", "f/nan"),
        *("inf", "f/8 extra", "-8", "1e3", "f/1.2.3", "٨", "f/99999", "8\x1b[m"),
    ],
)
def test_what_is_no_aperture_is_dropped(text: str) -> None:
    assert dials.f_number(text) is None
    assert dials.choices([text], dials.f_number) == ()


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        *(("0.0080s", 0.008), ("1/125", 1 / 125), ("30.0000s", 30), ("0.0166s", 0.0166)),  # nikon, the standard's own
        *(("300/10", 30), ("1/8000", 1 / 8000), ("13/10", 1.3)),  # sony
        *(("0.3", 0.3), ("0,3", 0.3), ("30", 30), ('0.5"', 0.5), ("1/60 s", 1 / 60)),
        *(
            ("bulb", None),
            ("Bulb", None),
            ("time", None),
            ("Auto", None),
            ("x 200", None),
            ("1/0", None),
            ("0/10", None),
        ),
        ("", None),
    ],
)
def test_a_shutter_text_becomes_seconds(text: str, seconds: float | None) -> None:
    assert dials.shutter_s(text) == (None if seconds is None else pytest.approx(seconds, rel=1e-9))


@pytest.mark.parametrize("mark", [m for m in SHUTTERS_THIRD if dials.shutter_s(m) >= 0.00099])  # type: ignore[operator]
def test_a_time_in_ten_thousandths_shows_as_its_mark(mark: str) -> None:
    """PTP counts exposure times in 0.1 ms (ISO 15740), so 1/800 s is 12 or 13 of them."""
    seconds = dials.shutter_s(mark)
    assert seconds is not None
    for counted in (math.floor(seconds * 1e4 + 1e-6), round(seconds * 1e4)):
        assert dials.shutter_text(f"{counted / 1e4:.4f}s") == mark


def test_what_is_no_time_shows_as_it_is() -> None:
    assert dials.shutter_text("bulb") == "bulb"


@pytest.mark.parametrize(("text", "speed"), [("100", 100), ("ISO 200", 200), ("Auto", None), ("", None), ("0", None)])
def test_iso(text: str, speed: int | None) -> None:
    assert dials.iso(text) == speed


@pytest.mark.parametrize(
    ("text", "charge"),
    [("50%", 50), ("100", 100), ("0%", 0), ("Low", None), ("unknown value 0xff", None), ("255", None)],
)
def test_battery(text: str, charge: int | None) -> None:
    assert dials.percent(text) == charge


def test_a_bare_number_range_offers_the_marks_inside_it() -> None:
    """Older builds of the Sony driver have no list, only least, most and step."""
    assert [c.number for c in dials.range_choices(2.8, 22.0, 0.1)] == LENS
    assert [c.number for c in dials.range_choices(2.0, 8.0, 1.0)] == [2, 4, 5, 8]
    assert dials.range_choices(float("nan"), 8.0, 0.1) == ()


@given(st.sampled_from(F_NUMBERS_THIRD))
def test_every_mark_is_found_however_it_was_reckoned(mark: float) -> None:
    """f/5.6 is exactly 2^2.5: whoever asks with the exact value means the mark."""
    offered = dials.choices([f"f/{n:g}" for n in F_NUMBERS_THIRD], dials.f_number)
    exact = 2 ** (F_NUMBERS_THIRD.index(mark) / 6)
    for asked in (mark, exact):
        found = dials.find(offered, asked)
        assert found is not None
        assert found.number == mark


def test_a_third_beside_it_is_not_the_same() -> None:
    offered = dials.choices(["f/5.6", "f/8"], dials.f_number)
    for wanted in (5.0, 6.3, 7.1, 9.0, 0.0, -8.0, math.nan, math.inf):
        assert dials.find(offered, wanted) is None
    assert dials.find((), 8.0) is None
    assert dials.nearest(offered, 6.3).number == 5.6


@given(st.lists(st.text(max_size=12)))
def test_any_list_at_all_gives_ascending_numbers_once_each(texts: list[str]) -> None:
    offered = dials.choices(texts, dials.f_number)
    numbers = [choice.number for choice in offered]
    assert numbers == sorted(set(numbers))
    assert all(choice.text in texts for choice in offered)
    for text in texts:
        dials.shutter_s(text)
        dials.shutter_text(text)
        dials.iso(text)
        dials.percent(text)
