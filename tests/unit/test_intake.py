"""When a file counts as a frame that is done: the pure decision, and the watch that feeds it."""

from __future__ import annotations

import asyncio
import errno
import logging
import os
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lampblack.daemon import intake as intakes
from lampblack.daemon.intake import (
    Ended,
    Intake,
    IntakeEvents,
    Odd,
    Patience,
    Ready,
    Sight,
    WaitingRoom,
    file_system_of,
    is_hidden,
    kind_of,
    next_rung,
    scan,
    shot_order,
)

PATIENCE = Patience()
OLD, NEW = Sight(10, 1, 7), Sight(20, 2, 7)
DEADLINE_S = 20.0


# ---------------------------------------------------------------- names


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        (b"DSC_0001.JPG", "picture"),
        (b"a.b.Jpeg", "picture"),
        (b"x.tiff", "picture"),
        (b"x.Cr3", "raw"),
        (b"x.dng", "raw"),
        (b".jpg", None),
        (b"._x.jpg", None),
        (b".lampblack-part-3.jpg", None),
        (b"x.jpg.part", None),
        (b"lampblack.journal", None),
        (b"jpg", None),
        (b"", None),
    ],
)
def test_a_frame_is_known_by_its_suffix(name: bytes, kind: str | None) -> None:
    """Whatever its case; hidden names and other files are nobody's frames."""
    assert kind_of(name) == kind


def test_hidden_folders_hide_what_is_in_them() -> None:
    """At any depth."""
    assert is_hidden(b"a/.trash/x.jpg")
    assert not is_hidden(b"a/b.c/x.jpg")


def test_shot_order_is_time_then_name_with_its_numbers() -> None:
    """A card's clock ticks every two seconds; within a tick the counter decides."""
    second = 1_000_000_000
    files = [(b"a10.jpg", 0), (b"a9.jpg", second), (b"a1.jpg", 2 * second), (b"b1.jpg", 0)]
    ordered = sorted(files, key=lambda file: shot_order(*file))
    assert [name for name, _ in ordered] == [b"a9.jpg", b"a10.jpg", b"b1.jpg", b"a1.jpg"]


@given(st.lists(st.binary(max_size=30), max_size=8))
def test_any_names_can_be_put_in_order(names: list[bytes]) -> None:
    """File names are bytes; digits from other scripts, or none, do no harm."""
    assert len(sorted(names, key=lambda name: shot_order(name, 0))) == len(names)


# ---------------------------------------------------------------- ready or not


@given(st.floats(0, 100), st.lists(st.floats(0.1, 50), min_size=1, max_size=6).map(lambda r: tuple(sorted(r))))
def test_a_rung_is_always_further_up(unchanged_s: float, ladder: tuple[float, ...]) -> None:
    """The next try is later than this one; there is none once the last wait is over."""
    rung = next_rung(unchanged_s, ladder)
    assert (rung is None) == (unchanged_s >= ladder[-1])
    assert rung is None or rung > unchanged_s


def test_a_closed_file_is_ready_at_once() -> None:
    """Its writer said so."""
    room = WaitingRoom(PATIENCE)
    room.glimpse(b"a.jpg", OLD, 0.0, closed=True)
    assert room.take(0.0) == [Ready(b"a.jpg", OLD)]
    assert room.take(99.0) == []


def test_a_file_nobody_closed_must_be_still() -> None:
    """Each change starts the wait anew."""
    room = WaitingRoom(PATIENCE)
    room.glimpse(b"a.jpg", OLD, 0.0)
    room.glimpse(b"a.jpg", NEW, 0.9)
    assert room.take(1.5) == []
    assert room.wake_at() == pytest.approx(1.9)
    assert room.take(1.95) == [Ready(b"a.jpg", NEW)]


def test_an_old_file_is_still_already() -> None:
    """A file moved in from elsewhere brings its time of last change along; one from the future gains nothing."""
    room = WaitingRoom(PATIENCE)
    room.glimpse(b"old.jpg", OLD, 0.0, age_s=60)
    room.glimpse(b"ahead.jpg", OLD, 0.0, age_s=-60)
    assert [ready.path for ready in room.take(0.0)] == [b"old.jpg"]
    assert room.wake_at() == pytest.approx(1.0)


def test_the_hint_of_an_earlier_close_is_void_after_a_change() -> None:
    """The writer opened it again."""
    room = WaitingRoom(PATIENCE)
    room.glimpse(b"a.jpg", OLD, 0.0, closed=True)
    room.glimpse(b"a.jpg", NEW, 0.1)
    assert room.take(0.2) == []


def test_what_was_dealt_with_is_not_given_out_again() -> None:
    """Not even when events for it come late; only when it is another file."""
    room = WaitingRoom(PATIENCE, {b"known.jpg": OLD})
    room.glimpse(b"known.jpg", OLD, 0.0, closed=True)
    room.glimpse(b"a.jpg", OLD, 0.0, closed=True)
    [ready] = room.take(0.0)
    room.glimpse(b"a.jpg", OLD, 0.1, closed=True)
    room.settle(ready, 0.2)
    room.glimpse(b"a.jpg", OLD, 0.3, closed=True)
    assert room.take(9.0) == []
    assert len(room) == 0
    room.glimpse(b"known.jpg", NEW, 10.0, closed=True)
    assert room.take(10.0) == [Ready(b"known.jpg", NEW)]


def test_what_changes_in_hand_comes_again() -> None:
    """A change noticed while a frame was read is not forgotten."""
    room = WaitingRoom(PATIENCE)
    room.glimpse(b"a.jpg", OLD, 0.0, closed=True)
    [ready] = room.take(0.0)
    room.glimpse(b"a.jpg", NEW, 0.1, closed=True)
    room.settle(ready, 0.2)
    assert room.take(0.2) == [Ready(b"a.jpg", NEW)]


def test_a_cut_file_is_tried_with_growing_waits_then_given_up() -> None:
    """At once when closed, then after each rung; patience ends with the last."""
    room = WaitingRoom(PATIENCE)
    room.glimpse(b"a.jpg", OLD, 0.0, closed=True)
    tries, now = [], 0.0
    while True:
        [ready] = room.take(now)
        tries.append(now)
        if not room.unfinished(ready, now):
            room.settle(ready, now)
            break
        assert room.take(now) == []
        due = room.wake_at()
        assert due is not None
        now = due
    assert tries == [0.0, *PATIENCE.ladder_s]
    assert room.wake_at() is None


def test_an_old_cut_file_is_given_the_same_patience() -> None:
    """A clock that runs ahead on a network drive makes a file look old while it is being written."""
    room = WaitingRoom(PATIENCE)
    room.glimpse(b"a.jpg", OLD, 0.0, age_s=3600)
    [ready] = room.take(0.0)
    assert room.unfinished(ready, 0.0)
    assert room.wake_at() == pytest.approx(1.0)


def test_files_that_go_away_are_forgotten() -> None:
    """Waiting or in hand."""
    room = WaitingRoom(PATIENCE)
    room.glimpse(b"a.jpg", OLD, 0.0)
    room.glimpse(b"b.jpg", OLD, 0.0, closed=True)
    room.glimpse(b"a.jpg", None, 0.1)
    [ready] = room.take(0.1)
    room.put_back(ready, None, 0.2)
    assert len(room) == 0
    assert room.wake_at() is None


# ---------------------------------------------------------------- pairs


def test_a_raw_file_goes_with_its_jpeg() -> None:
    """Raw first, JPEG within the quiet time: one frame."""
    room = WaitingRoom(PATIENCE)
    room.glimpse(b"d/X.NEF", OLD, 0.0, closed=True)
    assert room.take(0.0) == []
    room.glimpse(b"d/x.jpg", NEW, 1.0, closed=True)
    assert room.take(1.0) == [Ready(b"d/x.jpg", NEW, b"d/X.NEF", OLD)]


def test_a_raw_file_alone_goes_alone_after_a_while() -> None:
    """And other folders' JPEGs are not its own."""
    room = WaitingRoom(PATIENCE)
    room.glimpse(b"d/x.nef", OLD, 0.0, closed=True)
    room.glimpse(b"e/x.jpg", OLD, 0.0, closed=True)
    assert [ready.path for ready in room.take(0.0)] == [b"e/x.jpg"]
    assert room.wake_at() == pytest.approx(PATIENCE.pair_s)
    assert room.take(PATIENCE.pair_s) == [Ready(b"d/x.nef", OLD)]


def test_a_raw_file_waits_for_a_jpeg_still_being_written_or_read() -> None:
    """However long that takes; and goes alone when the JPEG is refused."""
    room = WaitingRoom(PATIENCE)
    room.glimpse(b"x.nef", OLD, 0.0, closed=True)
    room.glimpse(b"x.jpg", OLD, 0.0)
    for now in (0.5, 1.0, 1.9):
        room.glimpse(b"x.jpg", Sight(int(now * 10), 1, 1), now)
        assert room.take(now) == []
    [ready] = room.take(3.0)
    assert ready.partner == b"x.nef"
    room.settle(ready, 3.1, with_partner=False)
    assert room.take(3.1) == []
    due = room.wake_at()
    assert due is not None
    assert room.take(due) == []  # still now; its quiet time begins
    due = room.wake_at()
    assert due is not None
    assert [again.path for again in room.take(due)] == [b"x.nef"]


# ---------------------------------------------------------------- any writer


@dataclass
class Writer:
    """How a file comes to be: sizes at times, closed at the end or not, seen through events or not."""

    path: bytes
    pauses_s: list[float]
    closes: bool
    events: bool
    read: list[Sight] = field(default_factory=list)
    refused: int = 0

    def sight(self, now: float) -> Sight | None:
        """Return the file as it is at a time: None before the first write."""
        clock, size = 0.0, 0
        for pause in self.pauses_s:
            clock += pause
            if clock > now:
                break
            size += 1
        return Sight(size, size, 1) if size else None

    @property
    def whole(self) -> Sight:
        return Sight(len(self.pauses_s), len(self.pauses_s), 1)

    def changes(self) -> list[float]:
        times, clock = [], 0.0
        for pause in self.pauses_s:
            clock += pause
            times.append(clock)
        return times


writers = st.lists(
    st.builds(
        Writer,
        path=st.just(b""),
        pauses_s=st.lists(st.floats(0.01, 9.5), min_size=1, max_size=8),
        closes=st.booleans(),
        events=st.booleans(),
    ),
    min_size=1,
    max_size=4,
)


def read(room: WaitingRoom, ready: Ready, file: Writer, now: float) -> None:
    """Be the service: a file is readable when it's whole."""
    if ready.sight == file.whole:
        file.read.append(ready.sight)
        room.settle(ready, now)
    elif not room.unfinished(ready, now):
        file.refused += 1
        room.settle(ready, now)


@given(writers)
def test_every_file_is_read_once_whole_whatever_its_writer_does(files: list[Writer]) -> None:
    """Pauses below the last rung, events or none, closed or not: one reading each, of the whole file, no refusal."""
    room = WaitingRoom(PATIENCE)
    for number, file in enumerate(files):
        file.path = b"%d.jpg" % number
    scans = [30.0 * n for n in range(8)]
    agenda = sorted({*scans, *(t for file in files if file.events for t in file.changes())})
    now, steps = 0.0, 0
    while agenda or room.wake_at() is not None:
        steps += 1
        assert steps < 1000, "it never comes to rest"
        due = room.wake_at()
        now = max(now, agenda.pop(0) if agenda and (due is None or agenda[0] <= due) else due or 0.0)
        for file in files:
            event = file.events and now in file.changes()
            if event or now in scans or file.path in room.due(now):
                closed = event and file.closes and now == file.changes()[-1]
                room.glimpse(file.path, file.sight(now), now, closed=closed)
        for ready in room.take(now):
            read(room, ready, files[int(ready.path.split(b".")[0])], now)
    assert all(file.read == [file.whole] and not file.refused for file in files)
    assert len(room) == 0


# ---------------------------------------------------------------- the folder


MOUNTS = """\
22 1 254:0 / / rw,relatime shared:1 - ext4 /dev/vda rw
30 22 0:25 / /mnt/my\\040share rw,relatime shared:9 - nfs4 server:/x rw
31 22 0:26 / /mnt/card ro - fuse.sshfs host: rw
32 31 8:1 / /mnt/card rw,relatime - vfat /dev/sdb1 rw
garbage
"""


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        (b"/home/x", "ext4"),
        (b"/mnt/my share", "nfs4"),
        (b"/mnt/my share/day", "nfs4"),
        (b"/mnt/my share2", "ext4"),
        (b"/mnt/card/x", "vfat"),
    ],
)
def test_the_file_system_is_that_of_the_nearest_mount(path: bytes, kind: str) -> None:
    """Format: proc_pid_mountinfo(5). Spaces are octal there, and the last of two mounts on one place is on top."""
    assert file_system_of(MOUNTS, path) == kind


def test_a_scan_finds_frames_and_odd_files_and_follows_no_links(tmp_path: Path) -> None:
    """Subfolders, too; hidden ones not; names are bytes."""
    (tmp_path / "day" / ".cache").mkdir(parents=True)
    (tmp_path / "day" / "a.jpg").write_bytes(b"x")
    (tmp_path / "day" / ".cache" / "b.jpg").write_bytes(b"x")
    (tmp_path / "notes.txt").write_bytes(b"x")
    os.mkfifo(tmp_path / "p.jpg")
    os.symlink(tmp_path / "day", tmp_path / "link")
    os.symlink(tmp_path / "day" / "a.jpg", tmp_path / "l.jpg")
    (tmp_path / "folder.jpg").mkdir()
    with open(os.path.join(os.fsencode(tmp_path), b"\xff.jpg"), "wb") as out:
        out.write(b"xy")
    found, troubles = scan(os.fsencode(tmp_path))
    seen = dict(found)
    assert seen.keys() == {b"day/a.jpg", b"p.jpg", b"l.jpg", b"\xff.jpg"}
    assert isinstance(seen[b"\xff.jpg"], Sight)
    assert [seen[name].what for name in (b"p.jpg", b"l.jpg") if isinstance(seen[name], Odd)] == ["a pipe", "a link"]
    assert troubles == []


class Ear:
    """Hears an intake, inside the loop."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.ready: list[bytes] = []
        self.troubles: list[str] = []
        self.scans = 0
        self.intake: Intake

    def begin(self, rescan_s: float) -> None:
        events = IntakeEvents(self._ready, lambda path, odd: None, self.troubles.append, self._scanned)
        patience = Patience(ladder_s=(0.1, 0.2), rescan_s=rescan_s, check_s=0.05)
        self.intake = Intake(os.fsencode(self.folder), events, patience=patience)
        self.run = asyncio.create_task(self.intake.run())

    def _ready(self, ready: Ready) -> None:
        self.ready.append(ready.path)
        self.intake.settle(ready)

    def _scanned(self) -> None:
        self.scans += 1

    async def until(self, what: Callable[[], bool]) -> None:
        async with asyncio.timeout(DEADLINE_S):
            while not what():
                await asyncio.sleep(0.01)


def follow(folder: Path, story: Callable[[Ear], Awaitable[None]], rescan_s: float = 30) -> Ended:
    """Run an intake while a story is told."""

    async def play() -> Ended:
        ear = Ear(folder)
        ear.begin(rescan_s)
        await ear.until(lambda: ear.scans > 0)
        await story(ear)
        ear.intake.stop()
        ended = await asyncio.wait_for(ear.run, DEADLINE_S)
        await ear.intake.close()
        return ended

    return asyncio.run(play())


def test_a_dead_watch_is_replaced(tmp_path: Path) -> None:
    """Its threads may die one by one; the folder is watched again, and what came meanwhile is found."""

    async def story(ear: Ear) -> None:
        observer = ear.intake._watch._observer
        assert observer is not None
        for emitter in observer.emitters:
            emitter.stop()
        await ear.until(lambda: ear.intake._watch._observer not in (None, observer))
        (tmp_path / "a.jpg").write_bytes(b"x")
        await ear.until(lambda: ear.ready == [b"a.jpg"])

    assert follow(tmp_path, story) is Ended.STOPPED


def test_an_overflow_brings_a_full_look(tmp_path: Path) -> None:
    """watchdog says so in its log and nowhere else."""

    async def story(ear: Ear) -> None:
        before = ear.scans
        logging.getLogger("watchdog.observers.inotify_c").warning("Inotify queue overflowed")
        await ear.until(lambda: ear.scans > before)

    assert follow(tmp_path, story) is Ended.STOPPED


def test_no_event_at_all_costs_time_and_nothing_else(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The look over the folder every so often is the truth; events are hints."""
    monkeypatch.setattr(intakes.Mailbox, "post", lambda self, path, **hint: None)

    async def story(ear: Ear) -> None:
        (tmp_path / "a.jpg").write_bytes(b"x")
        await ear.until(lambda: ear.ready == [b"a.jpg"])

    assert follow(tmp_path, story, rescan_s=0.1) is Ended.STOPPED


@pytest.mark.parametrize(
    ("number", "limit"), [(errno.ENOSPC, "max_user_watches"), (errno.EMFILE, "max_user_instances")]
)
def test_used_up_limits_are_named_and_polling_takes_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, limit: str
) -> None:
    """The kernel's words for it are "no space left on device"; the disk has nothing to do with it."""

    def refuse() -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(intakes, "_native_observer", refuse)
    monkeypatch.setattr(intakes.FolderWatch, "POLL_S", 0.05)

    async def story(ear: Ear) -> None:
        assert ear.intake._watch.polling
        assert limit in ear.troubles[0]
        (tmp_path / "a.jpg").write_bytes(b"x")
        await ear.until(lambda: ear.ready == [b"a.jpg"])

    assert follow(tmp_path, story) is Ended.STOPPED


def test_a_folder_that_goes_ends_the_run(tmp_path: Path) -> None:
    """So does one that is another under the same name."""
    shoot = tmp_path / "shoot"
    shoot.mkdir()

    async def story(ear: Ear) -> None:
        os.rename(shoot, tmp_path / "renamed")
        shoot.mkdir()
        await ear.until(ear.run.done)

    assert follow(shoot, story) is Ended.FOLDER_GONE
