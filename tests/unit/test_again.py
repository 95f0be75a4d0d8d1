"""Frames measured again: by what, in which order, what is kept of it, and how it goes on."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from scenes import vessel

from lampblack.daemon import learning
from lampblack.daemon.again import differing
from lampblack.daemon.config import load_thresholds
from lampblack.daemon.eye import Seen
from lampblack.daemon.eyes import Row, next_row
from lampblack.daemon.intake import Sight
from lampblack.daemon.journal import NAME, Journal, Kept
from lampblack.daemon.noted import SPOT, WISH
from lampblack.daemon.refusal import Refused
from lampblack.daemon.remeasure import Again, Outcome, Wanted
from lampblack.rules.given import Given
from lampblack.rules.look import look
from lampblack.rules.radiance import Radiance

THRESHOLDS = load_thresholds()
APERTURES = {1: 8.0, 2: 5.6, 3: 4.0, 4: 5.6, 5: 11.0}
SETUPS = {1: 1, 2: 1, 3: 2, 4: 2, 5: 2}
SCENE = vessel("grey", height=120, width=180)
PREVIEW = {"width": 1, "height": 1, "rgb": "AAAA", "marks": "AA=="}


class InOrder:
    """One eye, which sees drawn frames: of `gone` ones nothing, of `other` ones another file."""

    def __init__(self, gone: Sequence[int] = (), other: Sequence[int] = ()) -> None:
        self.gone, self.other = gone, other
        self.looked: list[tuple[int, bool]] = []

    def over(
        self, rows: Sequence[Row], light_of: Callable[[int], Radiance | None], given: Given
    ) -> Iterator[tuple[int, int, Seen | Refused] | None]:
        for which, row in enumerate(rows):
            for place, (path, _) in enumerate(row.files):
                number, known = int(Path(path.decode()).stem), light_of(which)
                self.looked.append((number, known is not None))
                if number in self.gone:
                    yield which, place, Refused("it is gone", final=True)
                    yield None
                    continue
                found = look(SCENE.shot(APERTURES[number], seed=number), THRESHOLDS, known, given=given)
                yield which, place, Seen(found, "other" if number in self.other else f"d{number}", PREVIEW)
                if number != 2:  # not each frame has its own pause
                    yield None


@pytest.fixture(autouse=True)
def _own_data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    opened, _ = Journal.open(tmp_path / NAME)
    for number, setup in SETUPS.items():
        opened.begin_setup(setup, None)
        before = {
            "next": {"why": "once"},
            "notices": [{"kind": "rewritten", "text": "x"}, {"kind": "spill", "text": "y"}],
        }
        opened.add_frame(Kept(b"%d.jpg" % number, f"d{number}", setup, number, before, PREVIEW), Sight(1, 1, number))
    yield opened
    opened.close()


def again(journal: Journal, thresholds: Any = THRESHOLDS, **wanted: Any) -> Again:
    return Again(journal.path.parent, journal, thresholds, Wanted(**wanted))


def passes(journal: Journal) -> dict[int, list[int | None]]:
    """The passes that each frame's verdicts belong to, by its number."""
    found: dict[int, list[int | None]] = {}
    for number, of in journal._link.execute(
        "SELECT f.number, v.pass FROM verdict v JOIN frame f ON f.id = v.frame ORDER BY v.id"
    ):
        found.setdefault(number, []).append(of)
    return found


def test_each_frame_is_judged_as_a_service_would_in_order(journal: Journal) -> None:
    """By the frames of its own setup, and what was said stays beside what is said now."""
    eyes = InOrder()
    said = {outcome.before.number: outcome.verdict for outcome in again(journal).work(eyes)}  # type: ignore[arg-type]
    assert eyes.looked == [(1, False), (2, True), (3, False), (4, True), (5, True)]
    assert [shot["f_number"] for shot in said[5]["forecast"] if shot["shot"]] == [4.0, 5.6, 11.0]
    assert passes(journal) == {number: [None, 1] for number in SETUPS}
    assert {frame.number: frame.verdict for frame in journal.frames()} == json.loads(
        json.dumps(said), object_hook=_ints
    )
    assert [one["kind"] for one in said[1]["notices"]].count("rewritten") == 1
    assert "spill" not in [one["kind"] for one in said[1]["notices"]], "what the rules said before is not said again"


def _ints(told: dict[str, Any]) -> dict[Any, Any]:
    return {int(key) if key.isdigit() else key: value for key, value in told.items()}


def test_what_was_wished_for_a_setup_counts_and_may_be_overruled(journal: Journal) -> None:
    journal.note(WISH, json.dumps({"setup": 1, "aim": "hold-highlights", "backdrop": "none"}))
    journal.note(WISH, json.dumps({"setup": 2, "aim": "\x1b[2J", "backdrop": "tartan"}))
    said = {o.before.number: o.verdict for o in again(journal).work(InOrder())}  # type: ignore[arg-type]
    assert said[1]["backdrop"]["tone"] is None
    assert said[3]["backdrop"]["tone"] == "grey", "words of nobody's are the usual ones"
    told = {o.before.number: o.verdict for o in again(journal, backdrop="grey").work(InOrder())}  # type: ignore[arg-type]
    assert told[1]["backdrop"]["tone"] == "grey"
    assert told[1]["next"] == said[1]["next"]
    other = {o.before.number: o.verdict for o in again(journal, aim="even").work(InOrder())}  # type: ignore[arg-type]
    assert other[1]["next"] != said[1]["next"]


def test_what_stopped_goes_on_where_it_was(journal: Journal) -> None:
    """A setup in hand is looked at again for what it taught; what is done isn't said twice, and ends as if at once."""
    work = again(journal).work(InOrder())  # type: ignore[arg-type]
    for _ in range(4):
        next(work)
    work.close()
    assert passes(journal)[4] == [None, 1]
    assert passes(journal)[5] == [None]
    rest = again(journal)
    assert (rest.done, rest.frames) == ({1, 2, 3, 4}, 3)
    outcomes = list(rest.work(eyes := InOrder()))  # type: ignore[arg-type]
    assert eyes.looked == [(3, False), (4, True), (5, True)]
    assert [(o.before.number, o.known) for o in outcomes] == [(3, True), (4, True), (5, False)]
    assert passes(journal) == {number: [None, 1] for number in SETUPS}
    at_once = again(journal)
    assert (at_once.done, at_once.frames) == (set(), 5), "a pass that ended is not gone on with"
    whole = {o.before.number: o.verdict for o in at_once.work(InOrder())}  # type: ignore[arg-type]
    assert outcomes[-1].verdict == whole[5]


def test_by_anything_else_it_is_another_pass(journal: Journal) -> None:
    """Other thresholds, another aim, another spot, a frame moved: what was done before was done by something else."""
    next(again(journal).work(InOrder()))  # type: ignore[arg-type]
    assert again(journal).done == {1}
    stricter = replace(THRESHOLDS, black=replace(THRESHOLDS.black, patch_code=4))
    assert again(journal, stricter).done == set()
    assert again(journal, aim="meter").done == set()
    assert again(journal, setups=frozenset({1})).done == set()
    journal.note(SPOT, "rim=0.42,0.31")
    assert again(journal).done == set()
    next(again(journal).work(InOrder()))  # type: ignore[arg-type]
    assert again(journal).done == {1}
    journal.move([1], 2)
    assert again(journal).done == set()
    [told] = journal._link.execute("SELECT by FROM pass WHERE id = 1").fetchone()
    assert json.loads(told)["thresholds"] == {}
    list(again(journal, stricter, setups=frozenset({1})).work(InOrder()))  # type: ignore[arg-type]
    [told] = journal._link.execute("SELECT by FROM pass ORDER BY id DESC LIMIT 1").fetchone()
    assert json.loads(told)["thresholds"] == {"black.patch_code": 4}


def test_what_cannot_be_measured_costs_itself_alone(journal: Journal) -> None:
    """Gone, or another file by now: nothing is said of it, the rest is as without it, and it is tried again."""
    work = list(again(journal).work(InOrder(gone=[3], other=[1])))  # type: ignore[arg-type]
    errors = {o.before.number: o.error for o in work if o.error}
    assert errors.keys() == {1, 3}
    assert "another frame now" in str(errors[1])
    assert passes(journal) == {1: [None], 2: [None, 1], 3: [None], 4: [None, 1], 5: [None, 1]}
    [five] = journal.frames(number=5)
    assert [shot["f_number"] for shot in five.verdict["forecast"] if shot["shot"]] == [5.6, 11.0]
    list(again(journal).work(InOrder()))  # type: ignore[arg-type]
    assert passes(journal)[3] == [None, 1]


def test_a_frame_moved_is_judged_with_its_new_setup(journal: Journal) -> None:
    journal.move([3], 1)
    eyes = InOrder()
    said = {o.before.number: o.verdict for o in again(journal, setups=frozenset({1})).work(eyes)}  # type: ignore[arg-type]
    assert [number for number, _ in eyes.looked] == [1, 2, 3]
    assert [shot["f_number"] for shot in said[3]["forecast"] if shot["shot"]] == [4.0, 5.6, 8.0]


def test_paths_in_a_journal_lead_nowhere_else(journal: Journal) -> None:
    """It may have come from anywhere."""
    journal.add_frame(Kept(b"/etc/6.jpg", "d6", 1, 6, {}, PREVIEW), Sight(1, 1, 6))
    journal.add_frame(Kept(b"a/../../7.jpg", "d7", 1, 7, {}, PREVIEW), Sight(1, 1, 7))
    rows = [setup.row for setup in again(journal)._setups]
    assert not [path for row in rows for path, _ in row.files if b"etc" in path or b".." in path]
    assert rows[0].files[0][0] == bytes(journal.path.parent / "1.jpg")


def test_a_setup_or_a_spot_that_is_not_there_is_named(journal: Journal) -> None:
    with pytest.raises(ValueError, match="no setup 7"):
        again(journal, setups=frozenset({7}))
    with pytest.raises(ValueError, match="no spot rim"):
        again(journal, aim="spot:rim")


def test_only_what_a_person_would_do_otherwise_is_told_so() -> None:
    before = Kept(b"1.jpg", "d", 1, 1, {"next": {"move": "keep", "f_number": 8.0, "stops": 0.1}, "notices": []}, {})
    same = {"next": {"move": "keep", "f_number": 8.0, "stops": 0.2}, "notices": []}
    assert differing(Outcome(before, same)) == []
    other = {"next": {"move": "close", "f_number": 11.0}, "notices": [{"kind": "spill", "text": "x"}]}
    assert differing(Outcome(before, other)) == ["next", "notices"]
    assert differing(Outcome(before, error="gone")) == []


@pytest.mark.parametrize("eyes", [1, 2, 3, 8])
def test_frames_are_handed_out_so_that_few_wait(eyes: int) -> None:
    """All of them, each row's in order, no more rows under way than eyes, none idle while there is a frame."""
    left, begun = [4, 1, 7, 2], [False] * 4
    hands: list[int] = []
    taken: list[int] = []
    while any(left) or hands:
        while len(hands) < eyes:
            row = next_row(left, [hands.count(row) for row in range(4)], begun, eyes)
            if row is None:
                assert not any(left)
                break
            left[row] -= 1
            begun[row] = True
            hands.append(row)
            taken.append(row)
            if len(set(hands)) < len(hands):  # two of one row: only where no row could be had alone
                assert len(set(hands)) == min(len({*hands, *(r for r in range(4) if left[r])}), eyes)
        assert len(set(hands)) <= eyes
        hands.pop(0)
    assert sorted(taken) == [0] * 4 + [1] + [2] * 7 + [3] * 2


def test_what_is_remembered_of_a_camera_is_what_it_was_at_the_start(
    journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Or a setup's verdicts would hang on which other one was done before it."""
    asked: list[str] = []

    def judge(*words: Any, recall: Callable[[Any], Any], **more: Any) -> Any:
        asked.append(recall("key"))
        return kept(*words, **more)

    kept = learning.judge
    monkeypatch.setattr(learning, "judge", judge)
    monkeypatch.setattr(learning, "recalled", lambda key: f"as of {len(asked)}")
    list(again(journal).work(InOrder()))  # type: ignore[arg-type]
    assert asked == ["as of 0"] * 5
