"""A shoot put right afterwards: frames in another setup, notes, readings, lamps. The last word counts."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lampblack.daemon.answers import Move, answer, frame_numbers, frames_text, move_of
from lampblack.daemon.intake import Sight
from lampblack.daemon.journal import NAME, Journal, Kept, Setup
from lampblack.daemon.memory import Memory
from lampblack.daemon.noted import TAUGHT, WISH
from lampblack.daemon.record import read_shoot


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    """Frames 1 and 2 in setup 1, 3 and 4 in setup 2, which goes on."""
    opened, _ = Journal.open(tmp_path / NAME)
    for number in (1, 2, 3, 4):
        setup = (number + 1) // 2
        opened.begin_setup(setup, None)
        opened.add_frame(Kept(b"%d.jpg" % number, f"d{number}", setup, number, {}, {}), Sight(1, 1, number))
    yield opened
    opened.close()


def say(journal: Journal, do: str, **more: Any) -> Any:
    reply, entry = answer(Memory.of(journal), {"do": do, **more})
    if entry is not None:
        journal.note(*entry)
    return reply


def move(journal: Journal, frames: str, **more: Any) -> Move:
    moved = move_of(Memory.of(journal), {"frames": frames, **more})
    moved.write(journal)
    return moved


def setups(journal: Journal) -> dict[int, list[int]]:
    return {setup.number: [frame.number for frame in setup.frames] for setup in read_shoot(journal.path.parent).setups}


def test_frames_move_to_a_setup_that_is_there(journal: Journal) -> None:
    assert move(journal, "2-3", to=1).frames == (3,), "the one that is there already stays"
    assert setups(journal) == {1: [1, 2, 3], 2: [4]}
    assert move(journal, "3", to=2).affected == (1, 2)
    assert setups(journal) == {1: [1, 2], 2: [3, 4]}
    memory = Memory.of(journal)
    assert memory.setup == Setup(2, None)
    assert [shown.kept.number for shown in memory.frames] == [3, 4]


def test_a_slate_that_was_forgotten_is_put_right(journal: Journal) -> None:
    """The newest frames are split off: what comes next belongs to them."""
    moved = move(journal, "4", name="flag")
    assert (moved.setup, moved.new, moved.split_from, moved.affected) == (3, True, None, (2, 3))
    assert Memory.of(journal).setup == Setup(3, "flag")
    assert setups(journal) == {1: [1, 2], 2: [3], 3: [4]}


def test_a_setup_made_of_earlier_frames_stands_aside(journal: Journal) -> None:
    """The one that goes on goes on; the next slate comes after it, and knows nothing of the one aside."""
    say(journal, "lamp", name="rim", distance=1.0, setup=1)
    say(journal, "lamp", name="rim", distance=3.0)
    moved = move(journal, "1", name="key only")
    assert (moved.setup, moved.split_from, moved.affected) == (3, 1, (1, 3))
    memory = Memory.of(journal)
    assert (memory.setup, memory.next_setup) == (Setup(2, None), 4)
    say(journal, "lamp", name="rim", distance=9.0, setup=3)
    journal.begin_setup(4, None)
    lamps = Memory.of(journal).lamps
    assert {n: lamps.lamps(n)["rim"].distance for n in (1, 2, 3, 4)} == {1: 1.0, 2: 3.0, 3: 9.0, 4: 3.0}
    assert list(setups(journal)) == [1, 3, 2, 4], "it stands behind the one that it was split from"


def test_what_was_wished_for_goes_with_what_was_split_off(journal: Journal) -> None:
    for setup, aim in ((1, "hold-highlights"), (2, "clean-backdrop")):
        journal.note(WISH, json.dumps({"setup": setup, "aim": aim, "backdrop": "black"}))
    move(journal, "1")
    memory = Memory.of(journal)
    assert [memory.wish_of(n)[0] for n in (1, 2, 3)] == ["hold-highlights", "clean-backdrop", "hold-highlights"]


def test_a_frame_moved_away_has_taught_nothing_of_the_meter_there(journal: Journal) -> None:
    for frame in (1, 2):
        journal.note(TAUGHT, json.dumps({"meter": "", "setup": 1, "frame": frame, "stops": 0.1 * frame}))
    move(journal, "1", to=2)
    assert Memory.of(journal).taught == {("", 1): {2: 0.2}}


def test_what_cannot_be_moved_is_named(journal: Journal) -> None:
    for frames, to, why in (
        ("9", None, "numbered from 1 to 4"),
        ("x", None, "names no frames"),
        ("", None, "names no frames"),
        ("1", 7, "no setup 7"),
        ("1", "\x1b[2J", "no setup"),
        ("1-2", 1, "in setup 1 already"),
    ):
        with pytest.raises(ValueError, match=why):
            move_of(Memory.of(journal), {"frames": frames, "to": to})
    with pytest.raises(ValueError, match="none is in the journal"):
        move_of(Memory(), {"frames": "1"})


@given(st.sets(st.integers(1, 60), min_size=1))
def test_frames_are_read_as_they_are_told(frames: set[int]) -> None:
    told = frames_text(sorted(frames)).split(" ", 1)[1].rpartition(" ")[0]
    assert frame_numbers(told, 60) == tuple(sorted(frames))


@given(st.text(max_size=20))
def test_any_text_is_frames_or_a_line(text: str) -> None:
    try:
        found = frame_numbers(text, 500)
    except ValueError:
        return
    assert all(1 <= number <= 500 for number in found)


def test_notes_are_put_right_and_taken_back_by_number(journal: Journal) -> None:
    """A number stays with its note: what was taken back leaves a gap, and all stays in the journal."""
    for text in ("card left", "rim lower", "third"):
        say(journal, "note", text=text)
    say(journal, "note", text="of the first", setup=1)
    say(journal, "note", text="card 40 cm left", instead=1)
    say(journal, "note", remove=2)
    say(journal, "note", text="fourth")
    assert say(journal, "note")["lines"] == ["1: card 40 cm left", "3: third", "4: fourth"]
    assert say(journal, "note", setup=1)["lines"] == ["1: of the first"]
    shoot = read_shoot(journal.path.parent)
    assert [setup.notes for setup in shoot.setups] == [["of the first"], ["card 40 cm left", "third", "fourth"]]
    assert len([kind for kind, _ in journal.events() if kind.startswith("note")]) == 7
    for wrong in ({"remove": 2}, {"text": "x", "instead": 9}, {"text": " "}, {"remove": "\x1b"}, {"instead": 1}):
        assert not say(journal, "note", **wrong)["ok"]


def test_readings_and_lamps_of_an_earlier_setup_are_put_right(journal: Journal) -> None:
    """Later setups keep what was said of themselves, and follow in what was not."""
    say(journal, "reading", reading="key=11@1/60,200", setup=1)
    say(journal, "reading", reading="key=8@1/60,200")
    say(journal, "reading", reading="key=16@1/60,200", setup=1)
    memory = Memory.of(journal)
    assert memory.now_read(1)[0].said != memory.now_read()[0].said
    assert "16" in memory.now_read(1)[0].said
    assert say(journal, "reading", remove="key", setup=1)["ok"]
    memory = Memory.of(journal)
    assert (len(memory.now_read(1)), len(memory.now_read())) == (0, 1)
    say(journal, "lamp", name="rim", watts=650, distance=2.0, setup=1)
    say(journal, "lamp", name="rim", distance=1.5)
    say(journal, "lamp", name="rim", watts=300, distance=2.5, setup=1)
    book = Memory.of(journal).lamps
    assert [(book.lamps(n)["rim"].watts, book.lamps(n)["rim"].distance) for n in (1, 2)] == [(300, 2.5), (300, 1.5)]
    say(journal, "lamp", name="rim", frame=2)
    say(journal, "lamp", name="all", frame=2)
    assert Memory.of(journal).lamps.shows == {2: "all"}


def test_who_judged_by_the_meter_is_told_how_to_judge_again(journal: Journal) -> None:
    journal.note(WISH, json.dumps({"setup": 1, "aim": "meter", "backdrop": "auto"}))
    journal.note(WISH, json.dumps({"setup": 2, "aim": "even", "backdrop": "auto"}))
    assert "again --setup 1" in say(journal, "reading", reading="key=11@1/60,200", setup=1)["text"]
    assert "again" not in say(journal, "reading", reading="key=11@1/60,200")["text"]
