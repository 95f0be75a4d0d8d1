"""Outside strings are harmless once cleaned, whatever they were."""

import unicodedata
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from lampblack.daemon.clean import NO_NAME, clean, clean_name

ANY_TEXT = st.text(st.characters(codec=None), max_size=400)  # surrogates too


def is_harmless(text: str) -> bool:
    return not any(unicodedata.category(c) in ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp") for c in text)


@pytest.mark.parametrize(
    ("dirty", "plain"),
    [
        ("x\x1b[31mred", "x[31mred"),  # escape sequence
        ("\x9b2J\x07bell", "2Jbell"),  # C1 control sequence introducer, bell
        ("\x1b]52;c;ZXZpbA==\x07", "]52;c;ZXZpbA=="),  # clipboard
        ("photo\u202egpj.exe", "photogpj.exe"),  # right-to-left override
        ("a\u2066b\u2069\u200fc", "abc"),  # isolates, marks
        ("ze\u200bro\ufeff\u2060", "zero"),  # zero width
        ("tag\U000e0041\ufe0f\u3164", "tag"),  # tags, variation selector, hangul filler
        ("one\r\ntwo\u2028three\tfour", "one two three four"),
        ("e\u0301", "\u00e9"),  # NFC
        ("e\u034f\u0301", "\u00e9"),  # joiner dropped before composing
        ("low\udc80surrogate", "lowsurrogate"),
        (b"gr\xc3\xbcn\xff", "gr\u00fcn\ufffd"),
        ("[/bold] roll[a].NEF", "[/bold] roll[a].NEF"),  # markup is text's business, not a control character
        ("  spaces \u00a0 around ", "spaces around"),
        ("", ""),
    ],
)
def test_what_could_move_a_cursor_or_hide_is_dropped(dirty: str | bytes, plain: str) -> None:
    assert clean(dirty) == plain


def test_long_text_is_cut_and_says_so() -> None:
    assert clean("a" * 201) == "a" * 199 + "…"
    assert clean("a" * 200) == "a" * 200
    assert clean("\x00" * 10_000_000 + "a") == "…"
    assert clean(b"a" * 10_000_000, limit=5) == "aaaa…"


def test_a_tower_of_marks_is_cut_short() -> None:
    assert len(clean("o" + "\u0316" * 150)) <= 5


def test_a_limit_must_leave_room() -> None:
    with pytest.raises(ValueError, match="limit"):
        clean("a", limit=0)
    with pytest.raises(ValueError, match="limit"):
        clean_name("a", limit=3)


@given(ANY_TEXT | st.binary(max_size=400), st.integers(1, 300))
@example("\u0344\u0301", 1)
def test_anything_comes_out_harmless_short_and_stays_the_same(text: str | bytes, limit: int) -> None:
    once = clean(text, limit)
    assert is_harmless(once)
    assert len(once) <= limit
    assert unicodedata.is_normalized("NFC", once)
    assert clean(once, limit) == once


@given(st.binary(max_size=400))
def test_any_file_name_can_be_shown(name: bytes) -> None:
    shown = clean_name(name)
    assert 0 < len(shown) <= 100
    assert is_harmless(shown)
    assert clean_name(name.decode("utf-8", "surrogateescape")) == shown


def test_a_long_name_keeps_its_end() -> None:
    assert clean_name("x" * 300 + "_0042.dng").endswith("_0042.dng")


def test_a_name_with_nothing_to_show_says_so() -> None:
    assert clean_name(b"\x1b\x07") == NO_NAME
    assert clean_name(b"") == NO_NAME


def test_bytes_str_and_path_show_alike() -> None:
    odd = b"bad\xffname.jpg"
    assert clean_name(odd) == clean_name("bad\udcffname.jpg") == "bad\ufffdname.jpg"
    assert clean_name("odd\ud800") == "odd?"
    assert clean_name(Path("Gef\u00e4\u00df.jpg")) == "Gef\u00e4\u00df.jpg"
