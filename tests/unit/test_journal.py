"""The journal: on disk or an error, append-only, sound against damage and hostile content."""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lampblack.daemon import intake
from lampblack.daemon import journal as journals
from lampblack.daemon.intake import Sight
from lampblack.daemon.journal import Journal, JournalError, Kept, Refusal, Setup

SIGHT = Sight(1000, 1_700_000_000_123_456_789, 42)
PREVIEW = {"width": 2, "height": 1, "rgb": "AAAAAAAA", "marks": "AAA="}


def kept(path: bytes = b"a.jpg", digest: str = "d1", number: int = 1, **verdict: Any) -> Kept:
    return Kept(path, digest, 1, number, {"file": "a.jpg", "notices": [], **verdict}, PREVIEW)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "lampblack.journal"


@pytest.fixture
def journal(path: Path) -> Iterator[Journal]:
    opened, said = Journal.open(path)
    assert said is None
    opened.begin_setup(1, None)
    yield opened
    opened.close()


def reopened(journal: Journal) -> Journal:
    journal.close()
    return Journal.open(journal.path)[0]


def test_what_was_written_is_there_after_a_restart(journal: Journal) -> None:
    """Frames with their last verdict, sightings, refusals, setups, in order."""
    journal.add_frame(Kept(b"a.jpg", "d1", 1, 1, {"n": 1}, PREVIEW, b"a.nef"), SIGHT, SIGHT)
    journal.add_verdict(b"a.jpg", "d1", {"n": 2}, {**PREVIEW, "marks": "BBB="})
    journal.add_verdict(b"a.jpg", "d1", {"n": 3})
    journal.begin_setup(2, "flag in")
    journal.add_frame(Kept(b"b.jpg", "d2", 2, 2, {"n": 3}, {}), SIGHT)
    journal.add_sighting(b"copy.jpg", SIGHT, "duplicate", (b"a.jpg", "d1"))
    journal.add_sighting(b"bad.jpg", SIGHT, "refused", None, "it ends too early")
    journal.add_sighting(b"mended.jpg", SIGHT, "refused", None, "it ends too early")
    journal.add_frame(Kept(b"mended.jpg", "d3", 2, 3, {}, PREVIEW), SIGHT)
    again = reopened(journal)
    try:
        assert again.setup() == Setup(2, "flag in")
        assert again.frames(1) == [Kept(b"a.jpg", "d1", 1, 1, {"n": 3}, {**PREVIEW, "marks": "BBB="}, b"a.nef")]
        assert [frame.path for frame in again.frames()] == [b"a.jpg", b"b.jpg", b"mended.jpg"]
        assert again.known().keys() == {b"a.jpg", b"a.nef", b"b.jpg", b"copy.jpg", b"bad.jpg", b"mended.jpg"}
        assert again.refusals() == [Refusal(b"bad.jpg", "it ends too early")]
        assert again.duplicates() == 1
        assert again.identities()[0] == (b"a.jpg", "d1", 1, 1)
    finally:
        again.close()


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60, deadline=None)
@given(
    st.binary(min_size=1, max_size=60),
    st.integers(0, 2**63 - 1),
    st.integers(-(2**62), 2**62),
    st.integers(0, 2**64 - 1),
)
def test_any_path_and_any_sight_come_back_as_they_were(
    journal: Journal, name: bytes, size: int, mtime_ns: int, inode: int
) -> None:
    """Names are bytes, inodes are unsigned."""
    journal.add_sighting(name, Sight(size, mtime_ns, inode), "refused", None, "x")
    assert journal.known()[name] == Sight(size, mtime_ns, inode)


def test_nothing_can_be_changed_or_removed(journal: Journal, path: Path) -> None:
    """Not by us, and not by a plain statement of somebody else's."""
    journal.add_frame(kept(), SIGHT)
    journal.note("trouble", "the disk was full")
    journal.move([1], 1)
    journal.end_pass(journal.begin_pass({}))
    journal.close()
    link = sqlite3.connect(path)
    try:
        for table in ("shoot", "setup", "frame", "verdict", "sighting", "event", "move", "pass", "pass_end"):
            with pytest.raises(sqlite3.IntegrityError, match="append only"):
                link.execute(f"DELETE FROM {table}")
            column = link.execute(f"SELECT * FROM {table}").description[1][0]
            with pytest.raises(sqlite3.IntegrityError, match="append only"):
                link.execute(f"UPDATE {table} SET {column} = {column}")
    finally:
        link.close()


def test_writing_the_same_frame_again_makes_no_second_one(journal: Journal) -> None:
    """A write that was tried again after an unclear end."""
    journal.add_frame(kept(), SIGHT)
    journal.add_frame(kept(), SIGHT)
    assert len(journal.frames()) == 1


def test_what_never_comes_is_not_half_there(journal: Journal) -> None:
    """A frame whose setup isn't known, a verdict on no frame: refused whole."""
    with pytest.raises(JournalError):
        journal.add_frame(Kept(b"a.jpg", "d1", 99, 1, {}, PREVIEW), SIGHT)
    with pytest.raises(JournalError):
        journal.add_verdict(b"nowhere.jpg", "d", {})
    assert journal.frames() == []
    assert journal.known() == {}


def test_no_nan_gets_in(journal: Journal) -> None:
    """JSON has none, and SQLite would make NULL of it without a word."""
    with pytest.raises(ValueError, match="JSON"):
        journal.add_frame(kept(stops=float("nan")), SIGHT)
    assert journal.frames() == []


def test_a_full_disk_is_said_so_and_the_write_can_be_tried_again(journal: Journal) -> None:
    """Nothing of the failed write stays."""
    [(pages,)] = journal._link.execute("PRAGMA page_count")
    journal._link.execute(f"PRAGMA max_page_count = {pages}")
    big = kept(why="x" * 100_000)
    with pytest.raises(JournalError, match="disk is full"):
        journal.add_frame(big, SIGHT)
    assert journal.frames() == []
    journal._link.execute("PRAGMA max_page_count = 100000")
    journal.add_frame(big, SIGHT)
    assert len(journal.frames()) == 1


@pytest.mark.parametrize("damage", ["garbage", "header", "middle", "another program's"])
def test_a_damaged_journal_is_moved_aside_whole(path: Path, damage: str) -> None:
    """Never removed, never overwritten; a fresh one takes its place."""
    first, _ = Journal.open(path)
    first.begin_setup(1, None)
    for number in range(200):
        first.add_frame(kept(b"%d.jpg" % number, f"d{number}", number, why="x" * 500), SIGHT)
    first.close()
    content = bytearray(path.read_bytes())
    if damage == "garbage":
        content = bytearray(os.urandom(5000))
    elif damage == "header":
        content[:50] = bytes(50)
    elif damage == "middle":
        content[4096 * 3 : 4096 * 9] = os.urandom(4096 * 6)
    path.write_bytes(content)
    if damage == "another program's":
        path.unlink()
        other = sqlite3.connect(path)
        other.execute("CREATE TABLE recipes (name)")
        other.commit()
        other.close()
        content = bytearray(path.read_bytes())
    opened, said = Journal.open(path)
    try:
        assert said is not None
        assert opened.frames() == []
        [aside] = path.parent.glob("lampblack.journal.broken-*")
        assert aside.name in said
        if damage != "another program's":  # looking at that one turned its write-ahead log on
            assert aside.read_bytes() == content
    finally:
        opened.close()


def test_what_was_closed_whole_is_not_looked_through_again(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As long as it is that very file: written to by anybody, copied, or not closed, it is."""
    looked: list[Path] = []
    marked = journals._is_marked_sound

    def is_marked(of: Path) -> bool:
        looked.extend([] if marked(of) else [of])
        return marked(of)

    monkeypatch.setattr(journals, "_is_marked_sound", is_marked)
    first, _ = Journal.open(path)
    first.begin_setup(1, None)
    first.close()
    try:
        os.getxattr(path, journals._SOUND)
    except OSError:
        pytest.skip("this file system keeps no attributes")
    looked.clear()
    Journal.open(path)[0].close()
    assert looked == []
    left, _ = Journal.open(path)
    left.add_frame(kept(), SIGHT)
    copy = path.with_name("copy.journal")
    copy.write_bytes(path.read_bytes())
    Path(f"{copy}-wal").write_bytes(Path(f"{path}-wal").read_bytes())
    left.close()
    Journal.open(copy)[0].close()
    assert looked == [copy]
    stranger = sqlite3.connect(path)
    stranger.execute("CREATE TABLE more (x)")
    stranger.close()
    Journal.open(path)[0].close()
    assert looked == [copy, path]


def test_two_damaged_ones_in_one_second_both_stay(path: Path) -> None:
    """A name that is taken is not used."""
    for _ in range(2):
        path.write_bytes(b"damaged" * 1000)
        Journal.open(path)[0].close()
    assert len(list(path.parent.glob("lampblack.journal.broken-*"))) == 2


def test_a_newer_journal_is_left_alone(path: Path) -> None:
    """It isn't damaged; this Lampblack is too old."""
    Journal.open(path)[0].close()
    link = sqlite3.connect(path)
    link.execute("PRAGMA user_version = 99")
    link.close()
    before = path.read_bytes()
    with pytest.raises(JournalError, match="newer"):
        Journal.open(path)
    assert path.read_bytes() == before


def test_an_older_journal_is_copied_before_it_is_changed(
    journal: Journal, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each step in one transaction: a step that fails leaves the old version."""
    journal.add_frame(kept(), SIGHT)
    journal.close()
    steps = journals.migrations()
    monkeypatch.setattr(journals, "migrations", lambda: [*steps, "CREATE TABLE more (x);\nCREATE TABLE shoot (x);"])
    with pytest.raises(JournalError):
        Journal.open(path)
    monkeypatch.setattr(journals, "migrations", lambda: [*steps, "CREATE TABLE more (x);"])
    newer, _ = Journal.open(path)
    assert len(newer.frames()) == 1
    newer.close()
    monkeypatch.undo()
    copy, _ = Journal.open(path.with_name(f"lampblack.journal.version-{len(steps)}"))
    assert len(copy.frames()) == 1
    copy.close()


@pytest.fixture
def first_version(path: Path) -> Path:
    """A journal as the first version wrote it: three frames in two setups, one of them said of twice."""
    link = sqlite3.connect(path)
    link.executescript(journals.migrations()[0])
    link.executescript(
        f"""
        PRAGMA application_id = {journals.APPLICATION_ID}; PRAGMA user_version = 1; PRAGMA journal_mode = WAL;
        INSERT INTO shoot VALUES (1, '2026-03-02T10:00:00.000+00:00');
        INSERT INTO setup VALUES (1, NULL, '2026-03-02T10:00:00.000+00:00'), (2, 'flag', '2026-03-02T11:00:00+00:00');
        INSERT INTO frame VALUES (1, x'612e6a7067', 'd1', 1, 1, 'x'), (2, x'622e6a7067', 'd2', 1, 2, 'x'),
            (3, x'632e6a7067', 'd3', 2, 3, 'x');
        INSERT INTO verdict VALUES (1, 1, 'x', '{{"n": 1}}', '{{}}'), (2, 2, 'x', '{{"n": 2}}', NULL),
            (3, 3, 'x', '{{"n": 3}}', NULL), (4, 1, 'x', '{{"n": 4}}', NULL);
        INSERT INTO event VALUES (1, 'x', 'note', '{{"setup": 1, "text": "card left"}}');
        """
    )
    link.close()
    return path


def test_a_journal_of_the_first_version_is_brought_up_to_date(first_version: Path) -> None:
    """All that it held is there, its copy is sound and of the old version, and what is new works."""
    old = first_version.read_bytes()
    opened, said = Journal.open(first_version)
    try:
        assert said is None
        assert [(frame.setup, frame.verdict) for frame in opened.frames()] == [
            (1, {"n": 4}),
            (1, {"n": 2}),
            (2, {"n": 3}),
        ]
        assert opened.events() == [("note", '{"setup": 1, "text": "card left"}')]
        assert opened.setup() == Setup(2, "flag")
        opened.move([2], 2)
        assert [frame.number for frame in opened.frames(2)] == [2, 3]
    finally:
        opened.close()
    link = sqlite3.connect(first_version.with_name("lampblack.journal.version-1"))
    assert link.execute("PRAGMA user_version").fetchone() == (1,)
    assert link.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert link.execute("SELECT count(*) FROM verdict").fetchone() == (4,)
    link.close()
    assert first_version.read_bytes() != old
    Journal.open(first_version)[0].close()
    assert len(list(first_version.parent.glob("*.version-*"))) == 1, "it is done once"


def test_a_copy_of_an_older_journal_is_never_written_over(first_version: Path) -> None:
    """A file under its name, whatever it is, stays; so does what an earlier try left half done."""
    first_version.with_name("lampblack.journal.version-1").write_text("mine")
    first_version.with_name("lampblack.journal.part").write_bytes(b"half a copy" * 1000)
    Journal.open(first_version)[0].close()
    assert first_version.with_name("lampblack.journal.version-1").read_text() == "mine"
    copy = sqlite3.connect(first_version.with_name("lampblack.journal.version-1-2"))
    assert copy.execute("SELECT count(*) FROM frame").fetchone() == (3,)
    copy.close()
    assert not first_version.with_name("lampblack.journal.part").exists()


def test_an_older_journal_is_read_as_it_is(first_version: Path) -> None:
    """Reading alone changes nothing: the disk of last year may not even be writable."""
    old = first_version.read_bytes()
    reader = Journal.read(first_version)
    assert [frame.number for frame in reader.frames(1)] == [1, 2]
    assert reader.frame_counts() == {1: 2, 2: 1}
    reader.close()
    assert first_version.read_bytes() == old
    assert not list(first_version.parent.glob("*.version-*"))


def test_a_newer_journal_is_not_read_either(path: Path) -> None:
    Journal.open(path)[0].close()
    link = sqlite3.connect(path)
    link.execute("PRAGMA user_version = 99")
    link.close()
    with pytest.raises(JournalError, match="newer Lampblack"):
        Journal.read(path)


def test_frames_are_moved_and_the_last_word_counts(journal: Journal) -> None:
    """What was said before stays in the journal; a setup split off from an earlier one isn't the one that goes on."""
    for number in (1, 2, 3, 4):
        journal.add_frame(kept(b"%d.jpg" % number, f"d{number}", number), SIGHT)
    journal.begin_setup(2, "flag")
    journal.begin_setup(3, "split off", split_from=1)
    journal.move([2, 3], 3)
    journal.move([3], 2)
    journal.move([4], 2)
    journal.move([4], 1)
    assert {n: [f.number for f in journal.frames(n)] for n in (1, 2, 3)} == {1: [1, 4], 2: [3], 3: [2]}
    assert [(frame.number, frame.setup) for frame in journal.frames()] == [(1, 1), (2, 3), (3, 2), (4, 1)]
    assert [setup for _, _, setup, _ in journal.identities()] == [1, 3, 2, 1]
    assert journal.frame_counts() == {1: 2, 2: 1, 3: 1}
    assert journal.setup() == Setup(2, "flag")
    with pytest.raises(JournalError):
        journal.move([1], 99)


def test_a_pass_that_did_not_end_is_taken_up(journal: Journal) -> None:
    """Only by the same command: by other thresholds it is another pass."""
    for number in (1, 2):
        journal.add_frame(kept(b"%d.jpg" % number, f"d{number}", number), SIGHT)
    by = {"aim": "even", "setup": None}
    assert journal.open_pass(by) is None
    begun = journal.begin_pass(by)
    journal.add_verdict(b"2.jpg", "d2", {"n": 2}, of_pass=begun)
    journal = reopened(journal)
    assert journal.open_pass({**by, "aim": "meter"}) is None
    assert journal.open_pass(by) == (begun, {2})
    journal.end_pass(begun)
    assert journal.open_pass(by) is None
    journal.close()


def test_a_journal_in_use_or_no_plain_file_is_refused(journal: Journal, path: Path, tmp_path: Path) -> None:
    """One line each; nothing blocks, nothing is moved."""
    journal.close()
    stranger = sqlite3.connect(path)
    stranger.execute("PRAGMA locking_mode = EXCLUSIVE")
    stranger.execute("BEGIN EXCLUSIVE")
    with pytest.raises(JournalError, match="another program"):
        Journal.open(path)
    stranger.close()
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(JournalError, match="plain file"):
        Journal.open(tmp_path / "pipe")
    os.symlink(path, tmp_path / "link")
    with pytest.raises(JournalError, match="plain file"):
        Journal.open(tmp_path / "link")


def test_others_may_read_while_it_is_written(journal: Journal, path: Path) -> None:
    """Each sees what was written before it looked; one that goes on looking keeps nobody from writing."""
    journal.add_frame(kept(), SIGHT)
    reader = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    try:
        reader.execute("BEGIN")
        assert reader.execute("SELECT count(*) FROM frame").fetchone() == (1,)
        journal.add_frame(kept(b"b.jpg", "d2", 2), SIGHT)
        assert reader.execute("SELECT count(*) FROM frame").fetchone() == (1,)
        reader.execute("COMMIT")
        assert reader.execute("SELECT count(*) FROM frame").fetchone() == (2,)
    finally:
        reader.close()


def test_a_writer_of_somebody_elses_is_named_and_waited_for(journal: Journal, path: Path) -> None:
    stranger = sqlite3.connect(path, isolation_level=None)
    try:
        stranger.execute("BEGIN IMMEDIATE")
        with pytest.raises(JournalError, match="another program"):
            journal.add_frame(kept(), SIGHT)
        stranger.execute("ROLLBACK")
        journal.add_frame(kept(), SIGHT)
    finally:
        stranger.close()
    assert len(journal.frames()) == 1


def test_a_copy_taken_while_it_is_written_opens_whole(journal: Journal, path: Path, tmp_path: Path) -> None:
    """As slow a copy as can be: much is written between its halves, more than would fold the log in by itself."""

    def write(first: int, last: int) -> None:
        for number in range(first, last):
            journal.add_frame(kept(b"%d.jpg" % number, f"d{number}", number, why="x" * 400_000), SIGHT)

    write(1, 16)
    journal = reopened(journal)
    half = path.stat().st_size // 2
    with open(path, "rb") as source:
        data = source.read(half)
        write(16, 32)
        data += source.read()
    (tmp_path / "copy").mkdir()
    copy = tmp_path / "copy" / path.name
    copy.write_bytes(data)
    write(32, 48)
    log = Path(f"{path}-wal").read_bytes()
    Path(f"{copy}-wal").write_bytes(log[: len(log) - 1000])  # and of the log only a part
    write(48, 50)
    journal.close()
    again, said = Journal.open(copy)
    try:
        assert said is None
        assert [frame.number for frame in again.frames()] == list(range(1, 47))
    finally:
        again.close()


def test_on_a_network_drive_it_is_alone(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Such drives share no memory between programs."""
    monkeypatch.setattr(intake, "is_remote", lambda folder: True)
    journal, _ = Journal.open(path)
    try:
        assert not Path(f"{path}-shm").exists()
        assert journal._link.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        with pytest.raises(JournalError, match="another program"):
            Journal.open(path)
    finally:
        journal.close()


def test_it_is_checked_and_told_whole(journal: Journal, path: Path) -> None:
    """Sound, or what is wrong with it; every row, whatever its bytes."""
    journal.add_frame(kept(b"\xff\xfe.jpg"), SIGHT)
    journal.note("note", "it's; 'quoted'\n")
    assert journal.check() == []
    told = list(journal.rows())
    assert [row["path"] for table, row in told if table == "frame"] == [b"\xff\xfe.jpg"]
    again = sqlite3.connect(":memory:")
    again.executescript("\n".join(journal.dump()))
    assert again.execute("SELECT text FROM event").fetchall() == [("it's; 'quoted'\n",)]
    assert again.execute("SELECT path FROM frame").fetchall() == [(b"\xff\xfe.jpg",)]
    assert again.execute("PRAGMA user_version").fetchone() == (len(journals.migrations()),)
    with pytest.raises(sqlite3.IntegrityError, match="append only"):
        again.execute("DELETE FROM frame")
    again.close()
    journal.close()
    data = bytearray(path.read_bytes())
    data[4096 * 2 : 4096 * 12] = bytes(4096 * 10)
    path.write_bytes(data)
    damaged = Journal.read(path)
    assert damaged.check()
    damaged.close()


def test_hostile_content_is_harmless_when_read(journal: Journal, path: Path) -> None:
    """The file lies in the shoot's folder: anybody may have written into it."""
    journal.add_frame(kept(), SIGHT)
    journal.close()
    link = sqlite3.connect(path)
    link.execute("DROP TRIGGER verdict_stays")
    link.execute("UPDATE verdict SET verdict = ?", (json.dumps({"file": "x\x1b[2J", "next": {"why": "a\nb"}}),))
    link.execute(
        "UPDATE verdict SET preview = ?", (json.dumps({"width": 10**9, "height": 1, "rgb": "\x1b", "marks": ""}),)
    )
    link.commit()
    link.close()
    opened, _ = Journal.open(path)
    try:
        [frame] = opened.frames()
        assert frame.verdict == {"file": "x[2J", "next": {"why": "a b"}}
        assert frame.preview == {}
    finally:
        opened.close()
