"""
The shoot's journal: what was said of which frame, on disk before anybody hears it.

One SQLite file in the shoot's folder, written by one connection in one thread; others may read it meanwhile. Never the
only copy of anything that can't be measured again: a journal that is damaged is moved aside and made anew from the
frames.

While it is open nothing but the write-ahead log grows; it is folded in at the start and at the end. So a shoot copied
while its service writes opens whole: the file is as it was, and of the log a copy has some first part, which SQLite
takes up to the last whole entry. And a log that never begins anew can't meet the fault of SQLite 3.7.0 to 3.51.2, which
could spoil a file when two connections did that at once (sqlite.org/wal.html).
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
import sqlite3
import stat
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from lampblack.daemon.clean import clean
from lampblack.daemon.config import JOURNAL_NAME

if TYPE_CHECKING:
    from lampblack.daemon.intake import Sight  # heavy: whoever only reads does without

log = logging.getLogger(__name__)

NAME = JOURNAL_NAME
APPLICATION_ID = 0x4C42_4A31  # "LBJ1", so that no other program's database is taken for ours
Outcome = Literal["frame", "partner", "duplicate", "refused"]
_BROKEN = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
_NO_RIGHT = (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_CANTOPEN)


class JournalError(Exception):
    """The journal cannot be opened or written; the text is one line for a person."""


class _BrokenError(Exception):
    """What is there is no sound journal of ours."""


@dataclass(frozen=True)
class Setup:
    """One arrangement of lamps, as the journal knows it."""

    number: int
    name: str | None


@dataclass(frozen=True)
class Kept:
    """One frame with the last that was said of it."""

    path: bytes
    digest: str
    setup: int
    number: int
    verdict: dict[str, Any]
    preview: dict[str, Any]
    partner: bytes | None = None


@dataclass(frozen=True)
class Refusal:
    """A file that could not be read, and why."""

    path: bytes
    error: str


class Journal:
    """An open journal. Belongs to the thread that opened it."""

    def __init__(self, link: sqlite3.Connection, path: Path, *, ours: bool = False) -> None:
        """Use `Journal.open`, or `read`. ours: to be written."""
        self._link, self._ours = link, ours
        self.path = path

    @classmethod
    def open(cls, path: Path) -> tuple[Journal, str | None]:
        """
        Open or make the journal; what is damaged is moved aside, never removed.

        Returns:
            the journal, and one line for a person if something was moved aside.

        Raises:
            JournalError: made by a newer Lampblack, in use, no room, no right to write.
        """
        try:
            return cls._open(path), None
        except _BrokenError as wrong:
            aside = _move_aside(path)
            log.warning("journal %s moved to %s: %s", path, aside, wrong)
            said = f"The journal was damaged; it is kept as {aside.name}, and the frames are read again."
            try:
                return cls._open(path), said
            except _BrokenError as again:
                raise JournalError(f"{path.name} cannot be made: {again}") from None

    @classmethod
    def read(cls, path: Path) -> Journal:
        """
        Open a journal for reading alone; whoever writes it goes on.

        Raises:
            JournalError: it can't be read, or is no journal.
        """
        where = f"{path.absolute().as_uri()}?mode=ro"
        try:
            try:
                link = _reading(where)
            except sqlite3.OperationalError as wrong:
                # In a folder that can't be written the log's index can't be made; without a log none is needed.
                if _code(wrong) not in _NO_RIGHT or Path(f"{path}-wal").exists():
                    raise
                link = _reading(f"{where}&immutable=1")
        except sqlite3.Error as wrong:
            raise JournalError(_why(wrong, path, "read")) from None
        try:
            if int(link.execute("PRAGMA application_id").fetchone()[0]) != APPLICATION_ID:
                raise JournalError(f"{path.name} is no journal of Lampblack's.")
            version = int(link.execute("PRAGMA user_version").fetchone()[0])
            _refuse_newer(path, version, len(migrations()))
            for statement in _MISSED[version - 1 :]:
                link.execute(statement)
        except BaseException as wrong:
            link.close()
            if isinstance(wrong, sqlite3.Error):
                raise JournalError(_why(wrong, path, "read")) from None
            raise
        return cls(link, path)

    @classmethod
    def _open(cls, path: Path) -> Journal:
        with contextlib.suppress(FileNotFoundError):
            if not stat.S_ISREG(path.lstat().st_mode):
                raise JournalError(f"{path.name} is not a plain file: move it away.")
        try:
            link = sqlite3.connect(path, isolation_level=None, timeout=1)
        except sqlite3.Error as wrong:
            raise JournalError(f"{path.name} cannot be opened: {wrong}") from None
        try:
            _prepare(link, path)
        except sqlite3.Error as wrong:
            link.close()
            if _code(wrong) in _BROKEN:
                raise _BrokenError(str(wrong)) from None
            raise JournalError(_why(wrong, path)) from None
        except BaseException:
            link.close()
            raise
        return cls(link, path, ours=True)

    def close(self) -> None:
        """Fold the write-ahead log in and let go."""
        with contextlib.suppress(sqlite3.Error):
            self._link.close()
            if self._ours:
                _mark_sound(self.path)

    # ------------------------------------------------------------ writing

    @contextlib.contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        try:
            self._link.execute("BEGIN IMMEDIATE")
            yield self._link
            self._link.execute("COMMIT")
        except BaseException as wrong:
            with contextlib.suppress(sqlite3.Error):
                if self._link.in_transaction:
                    self._link.execute("ROLLBACK")
            if isinstance(wrong, sqlite3.Error):
                raise JournalError(_why(wrong, self.path)) from wrong
            raise

    def begin_setup(self, number: int, name: str | None, split_from: int | None = None) -> None:
        """
        Write down that a setup begins, or that it is split off from one that goes on.

        Raises:
            JournalError: it isn't on disk; may be tried again.
        """
        with self._writing() as link:
            link.execute(
                "INSERT INTO setup (number, name, begun, split_from) VALUES (?, ?, ?, ?) "
                "ON CONFLICT (number) DO NOTHING",
                (number, name, _now(), split_from),
            )

    def move(self, frames: Iterable[int], setup: int) -> None:
        """Write down that frames, by their numbers, belong to a setup, which is there; raises as above."""
        with self._writing() as link:
            link.executemany(
                "INSERT INTO move (frame, setup, moved_at) SELECT id, ?, ? FROM frame WHERE number = ?",
                [(setup, _now(), number) for number in frames],
            )

    def begin_pass(self, by: dict[str, Any]) -> int:
        """Write down that frames are measured again, and by what; return what it is called; raises as above."""
        with self._writing() as link:
            return int(link.execute("INSERT INTO pass (begun, by) VALUES (?, ?)", (_now(), _json(by))).lastrowid or 0)

    def end_pass(self, number: int) -> None:
        """Write down that a pass has come to its end; raises as above."""
        with self._writing() as link:
            link.execute("INSERT INTO pass_end (pass, at) VALUES (?, ?)", (number, _now()))

    def add_frame(self, frame: Kept, sight: Sight, partner_sight: Sight | None = None) -> None:
        """Write down a frame, its verdict, and its file as dealt with (and its raw partner); raises as above."""
        with self._writing() as link:
            link.execute(
                "INSERT INTO frame (path, digest, setup, number, read_at) VALUES (?, ?, ?, ?, ?) "
                "ON CONFLICT (path, digest) DO NOTHING",
                (frame.path, frame.digest, frame.setup, frame.number, _now()),
            )
            number = _frame_id(link, frame.path, frame.digest)
            _add_verdict(link, number, frame.verdict, frame.preview)
            _add_sighting(link, frame.path, sight, "frame", number)
            if frame.partner is not None and partner_sight is not None:
                _add_sighting(link, frame.partner, partner_sight, "partner", number)

    def add_verdict(
        self,
        path: bytes,
        digest: str,
        verdict: dict[str, Any],
        preview: dict[str, Any] | None = None,
        of_pass: int | None = None,
    ) -> None:
        """Write down what is now said of a frame already there, and its preview if that changed; raises as above."""
        with self._writing() as link:
            _add_verdict(link, _frame_id(link, path, digest), verdict, preview, of_pass)

    def add_sighting(
        self, path: bytes, sight: Sight, outcome: Outcome, of: tuple[bytes, str] | None, error: str | None = None
    ) -> None:
        """Write down that a file is dealt with. `of`: path and digest of the frame it belongs to; raises as above."""
        with self._writing() as link:
            _add_sighting(link, path, sight, outcome, _frame_id(link, *of) if of else None, error)

    def note(self, kind: str, text: str) -> None:
        """Write down something that happened; raises as above."""
        with self._writing() as link:
            link.execute("INSERT INTO event (at, kind, text) VALUES (?, ?, ?)", (_now(), kind, text))

    # ------------------------------------------------------------ reading

    def known(self) -> dict[bytes, Sight]:
        """Return how every file dealt with looked then."""
        from lampblack.daemon.intake import Sight

        rows = self._link.execute("SELECT path, size, mtime_ns, inode FROM sighting ORDER BY id")
        return {bytes(path): Sight(size, mtime, _unsigned(inode)) for path, size, mtime, inode in rows}

    def setup(self) -> Setup | None:
        """Return the setup begun last: the one that goes on."""
        row = self._link.execute(
            "SELECT number, name FROM setup WHERE split_from IS NULL ORDER BY number DESC LIMIT 1"
        ).fetchone()
        return None if row is None else Setup(int(row[0]), None if row[1] is None else clean(str(row[1])))

    @property
    def version(self) -> int:
        """Return the version of its schema."""
        return int(self._link.execute("PRAGMA user_version").fetchone()[0])

    def begun(self) -> str:
        """Return when the shoot was begun: UTC, ISO 8601."""
        row = self._link.execute("SELECT begun FROM shoot").fetchone()
        return "" if row is None else clean(str(row[0]), 40)

    def setups(self) -> list[tuple[int, str | None, str]]:
        """Return (number, name, begun) of every setup."""
        rows = self._link.execute("SELECT number, name, begun FROM setup ORDER BY number")
        return [(int(n), None if name is None else clean(str(name), 60), clean(str(at), 40)) for n, name, at in rows]

    def splits(self) -> dict[int, int]:
        """Return the setups that were split off from one that went on, with that one's number."""
        if self.version < 2:
            return {}
        rows = self._link.execute("SELECT number, split_from FROM setup WHERE split_from IS NOT NULL ORDER BY number")
        return {int(number): int(of) for number, of in rows}

    def frame_counts(self) -> dict[int, int]:
        """Return how many frames each setup has; those that have some."""
        rows = self._link.execute(f"SELECT {_SETUP}, count(*) FROM frame f GROUP BY 1 ORDER BY 1")  # noqa: S608
        return {int(setup): int(count) for setup, count in rows}

    def frames(self, setup: int | None = None, number: int | None = None) -> list[Kept]:
        """
        Return frames in the order they were read, with the last that was said of each.

        Args:
            setup: of this setup; None: of all.
            number: the one of this number; None: all.
        """
        wanted = [_OF_SETUP] * (setup is not None) + ["f.number = :number"] * (number is not None)
        rows = self._link.execute(
            f"SELECT f.path, f.digest, {_SETUP}, f.number, v.verdict, "  # noqa: S608
            " (SELECT preview FROM verdict WHERE frame = f.id AND preview IS NOT NULL ORDER BY id DESC LIMIT 1), "
            " (SELECT s.path FROM sighting s WHERE s.frame = f.id AND s.outcome = 'partner' "
            "  ORDER BY s.id DESC LIMIT 1) "
            "FROM frame f JOIN verdict v ON v.id = (SELECT max(id) FROM verdict WHERE frame = f.id) "
            f"WHERE {' AND '.join(wanted) or 'true'} ORDER BY f.id",
            {"setup": setup, "number": number},
        )
        kept = []
        for path, digest, of_setup, number, verdict, preview, partner in rows:
            try:
                said, small = json.loads(verdict), json.loads(preview or "{}")
            except (ValueError, RecursionError):
                log.warning("a verdict in the journal does not read; passed over")
                continue
            if isinstance(said, dict) and isinstance(small, dict):
                # The file lay in the shoot's folder, where anybody may have written to it.
                raw = None if partner is None else bytes(partner)
                frame = Kept(bytes(path), str(digest), of_setup, number, _harmless(said), _preview(small), raw)
                kept.append(frame)
        return kept

    def identities(self) -> list[tuple[bytes, str, int, int]]:
        """Return (path, digest, setup, number in it) of every frame, in the order they were read."""
        rows = self._link.execute(f"SELECT path, digest, {_SETUP}, number FROM frame f ORDER BY id")  # noqa: S608
        return [(bytes(path), str(digest), int(setup), int(number)) for path, digest, setup, number in rows]

    def open_pass(self, by: dict[str, Any]) -> tuple[int, set[int]] | None:
        """Return the pass begun last, and the numbers of the frames it has done, if it was by this and never ended."""
        row = self._link.execute("SELECT id, by FROM pass ORDER BY id DESC LIMIT 1").fetchone()
        if row is None or row[1] != _json(by):
            return None
        if self._link.execute("SELECT 1 FROM pass_end WHERE pass = ?", row[:1]).fetchone():
            return None
        done = "SELECT f.number FROM verdict v JOIN frame f ON f.id = v.frame WHERE v.pass = ?"
        return int(row[0]), {int(number) for (number,) in self._link.execute(done, row[:1])}

    def partners(self) -> dict[int, bytes]:
        """Return the other half of each frame that has one, raw or JPEG, by the frame's number."""
        rows = self._link.execute(
            "SELECT f.number, s.path FROM sighting s JOIN frame f ON f.id = s.frame WHERE s.outcome = 'partner' "
            "ORDER BY s.id"
        )
        return {int(number): bytes(path) for number, path in rows}

    def moves(self) -> int:
        """Return how many frames were ever moved to another setup."""
        return int(self._link.execute("SELECT count(*) FROM move").fetchone()[0])

    def check(self) -> list[str]:
        """Return what is wrong with the file, in SQLite's words; nothing where it is sound."""
        try:
            found = [str(row[0]) for row in self._link.execute("PRAGMA integrity_check(20)") if row[0] != "ok"]
            return found + [f"a row of {row[0]} has lost what it belongs to" for row in self._link.execute(_LOST)]
        except sqlite3.Error as wrong:
            return [str(wrong)]

    def dump(self) -> Iterator[str]:
        """Yield the whole journal as SQL, a statement at a time, from which SQLite makes it again."""
        self._link.execute("BEGIN")  # as it stands now, whoever goes on writing
        try:
            yield f"PRAGMA application_id = {APPLICATION_ID};"
            yield f"PRAGMA user_version = {self.version};"
            yield from self._link.iterdump()
        finally:
            self._link.execute("ROLLBACK")

    def rows(self) -> Iterator[tuple[str, dict[str, Any]]]:
        """Yield (table, row) of everything, tables in the order they were made, rows in the order they were written."""
        self._link.execute("BEGIN")
        try:
            tables = self._link.execute("SELECT name FROM main.sqlite_master WHERE type = 'table' ORDER BY rowid")
            for (table,) in tables.fetchall():
                name = str(table).replace('"', '""')
                cursor = self._link.execute(f'SELECT * FROM main."{name}" ORDER BY rowid')  # noqa: S608
                columns = [column[0] for column in cursor.description]
                for row in cursor:
                    yield str(table), dict(zip(columns, row, strict=True))
        finally:
            self._link.execute("ROLLBACK")

    def refusals(self) -> list[Refusal]:
        """Return the files refused and never read since, oldest first."""
        rows = self._link.execute(
            "SELECT path, error FROM sighting WHERE id IN (SELECT max(id) FROM sighting GROUP BY path) "
            "AND outcome = 'refused' ORDER BY id"
        )
        return [Refusal(bytes(path), clean(str(error), 300)) for path, error in rows]

    def duplicates(self) -> int:
        """Return how many files are copies of frames."""
        row = self._link.execute("SELECT count(DISTINCT path) FROM sighting WHERE outcome = 'duplicate'").fetchone()
        return int(row[0])

    def events(self, kinds: Sequence[str] | None = None) -> list[tuple[str, str]]:
        """Return (kind, text) of everything noted, or of what is of some kinds, oldest first."""
        of = "" if kinds is None else f"WHERE kind IN ({', '.join('?' * len(kinds))}) "
        rows = self._link.execute(f"SELECT kind, text FROM event {of}ORDER BY id", tuple(kinds or ()))  # noqa: S608
        return [(str(kind), str(text)) for kind, text in rows]


_SETUP = "coalesce((SELECT setup FROM move WHERE frame = f.id ORDER BY id DESC LIMIT 1), f.setup)"
"""SQL: the setup that a frame `f` belongs to."""

_EVER_THERE = "SELECT id FROM frame WHERE setup = :setup UNION SELECT frame FROM move WHERE setup = :setup"
_OF_SETUP = f"f.id IN ({_EVER_THERE}) AND {_SETUP} = :setup"
"""SQL: whether it belongs to one, so that only those are looked at that ever did."""

_LOST = 'SELECT DISTINCT "table" FROM pragma_foreign_key_check()'

_MISSED = ("CREATE TEMP TABLE move (id INTEGER PRIMARY KEY, frame, setup)",)
"""For a journal that is only read, and so stays of its version: what each later version has and readers ask for."""


# ---------------------------------------------------------------- opening


def _reading(uri: str) -> sqlite3.Connection:
    link = sqlite3.connect(uri, uri=True, isolation_level=None, timeout=1)
    try:
        link.execute("PRAGMA trusted_schema = OFF")
        link.execute("PRAGMA application_id").fetchone()  # the first look at the file
    except BaseException:
        link.close()
        raise
    return link


def _prepare(link: sqlite3.Connection, path: Path) -> None:
    # These two defuse a hostile file.
    link.execute("PRAGMA trusted_schema = OFF")
    link.execute("PRAGMA cell_size_check = ON")
    link.execute("PRAGMA mmap_size = 0")
    _let_readers_in(link, path)
    link.execute("PRAGMA wal_autocheckpoint = 0")
    link.execute("PRAGMA synchronous = FULL")
    link.execute("PRAGMA foreign_keys = ON")
    problems = ["ok"] if _is_marked_sound(path) else [row[0] for row in link.execute("PRAGMA quick_check(1)")]
    if problems != ["ok"]:
        raise _BrokenError(str(problems[0]) if problems else "quick_check says nothing")
    version = int(link.execute("PRAGMA user_version").fetchone()[0])
    owner = int(link.execute("PRAGMA application_id").fetchone()[0])
    tables = int(link.execute("SELECT count(*) FROM sqlite_master").fetchone()[0])
    if tables and owner != APPLICATION_ID:
        raise _BrokenError("a database of another program")
    _migrate(link, path, version if tables else 0, migrations())
    link.execute("PRAGMA wal_checkpoint(TRUNCATE)")  # a reader may keep it from happening now: then at the end


_SOUND = "user.lampblack.sound"
"""A file's extended attribute: its size and time when it was last closed whole, having been found sound before."""


def _stamp(path: Path) -> bytes:
    found = path.stat()
    return b"%d %d" % (found.st_size, found.st_mtime_ns)


def _mark_sound(path: Path) -> None:
    """Spare the next start a look at every page: half a gigabyte, after a few weeks. No mark where none can be made."""
    with contextlib.suppress(OSError, AttributeError):
        if not Path(f"{path}-wal").exists():
            os.setxattr(path, _SOUND, _stamp(path))


def _is_marked_sound(path: Path) -> bool:
    """Say whether nobody has written to it since; one with a log left was not closed, and a copy has no mark."""
    log_left = Path(f"{path}-wal")
    with contextlib.suppress(OSError, AttributeError):
        return not (log_left.exists() and log_left.stat().st_size) and os.getxattr(path, _SOUND) == _stamp(path)
    return False


def _let_readers_in(link: sqlite3.Connection, path: Path) -> None:
    """Write ahead into a log beside which others read; where that needs memory that a drive can't share, alone."""
    from lampblack.daemon.intake import is_remote

    if not is_remote(os.fsencode(path.parent)) and link.execute("PRAGMA journal_mode = WAL").fetchone()[0] == "wal":
        return
    link.execute("PRAGMA locking_mode = EXCLUSIVE")  # before WAL: then there is no shared-memory file
    link.execute("PRAGMA journal_mode = WAL")


def migrations() -> list[str]:
    """Return the scripts that lead from an empty file to today's schema, one a version. Only ever appended to."""
    return [files("lampblack.daemon").joinpath(name).read_text("utf-8") for name in ("journal.sql", "journal-2.sql")]


def _refuse_newer(path: Path, version: int, known: int) -> None:
    if version > known:
        raise JournalError(
            f"{path.name} was written by a newer Lampblack (version {version}, this one knows {known}): "
            "update Lampblack, or move the journal away."
        )


def _migrate(link: sqlite3.Connection, path: Path, version: int, scripts: Sequence[str]) -> None:
    _refuse_newer(path, version, len(scripts))
    copy = _back_up(link, path, version) if 0 < version < len(scripts) else None
    for step in range(version, len(scripts)):
        link.execute("BEGIN IMMEDIATE")
        try:
            for statement in _statements(scripts[step]):
                link.execute(statement)
            if step == 0:
                link.execute("INSERT INTO shoot (only, begun) VALUES (1, ?)", (_now(),))
                link.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            link.execute(f"PRAGMA user_version = {step + 1}")
            link.execute("COMMIT")
        except BaseException:
            with contextlib.suppress(sqlite3.Error):
                if link.in_transaction:
                    link.execute("ROLLBACK")
            if copy is not None and step == version:  # nothing has changed, or each try would leave one more
                copy.unlink(missing_ok=True)
            raise
    if copy is not None:
        log.info("%s was of version %d: that is kept as %s", path.name, version, copy.name)


def _statements(script: str) -> Iterator[str]:
    """Split a script; executescript() would commit before it begins."""
    statement = ""
    for line in script.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""


def _back_up(link: sqlite3.Connection, path: Path, version: int) -> Path:
    """Copy a journal beside itself before it is changed, under a name that is free; return that."""
    part = path.with_name(f"{path.name}.part")
    try:
        part.unlink(missing_ok=True)  # of a copy that didn't come to its end
        with contextlib.closing(sqlite3.connect(part)) as copy:
            link.backup(copy)
        aside = _free(path.with_name(f"{path.name}.version-{version}"))
        os.rename(part, aside)
    except OSError as wrong:
        raise JournalError(f"{path.name} cannot be copied before it is brought up to date: {wrong.strerror}") from None
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
    return aside


def _free(path: Path) -> Path:
    """Return a path, or the first of its numbered ones that nothing has."""
    found, count = path, 1
    while found.exists():
        count += 1
        found = path.with_name(f"{path.name}-{count}")
    return found


def _move_aside(path: Path) -> Path:
    stamp = datetime.now(UTC).strftime("%Y-%m-%dT%H%M%SZ")
    aside = _free(path.with_name(f"{path.name}.broken-{stamp}"))
    try:
        os.rename(path, aside)
        for end in ("-wal", "-shm", "-journal"):
            with contextlib.suppress(FileNotFoundError):
                os.rename(f"{path}{end}", f"{aside}{end}")
    except OSError as wrong:
        raise JournalError(f"{path.name} is damaged and cannot be moved aside: {wrong.strerror}") from None
    return aside


# ---------------------------------------------------------------- rows and values


def _frame_id(link: sqlite3.Connection, path: bytes, digest: str) -> int:
    row = link.execute("SELECT id FROM frame WHERE path = ? AND digest = ?", (path, digest)).fetchone()
    if row is None:
        raise sqlite3.IntegrityError("no such frame in the journal")
    return int(row[0])


def _add_verdict(
    link: sqlite3.Connection,
    frame: int,
    verdict: dict[str, Any],
    preview: dict[str, Any] | None,
    of_pass: int | None = None,
) -> None:
    link.execute(
        "INSERT INTO verdict (frame, said_at, verdict, preview, pass) VALUES (?, ?, ?, ?, ?)",
        (frame, _now(), _json(verdict), None if preview is None else _json(preview), of_pass),
    )


def _add_sighting(
    link: sqlite3.Connection, path: bytes, sight: Sight, outcome: Outcome, frame: int | None, error: str | None = None
) -> None:
    link.execute(
        "INSERT INTO sighting (path, size, mtime_ns, inode, outcome, frame, error, seen_at) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (path, sight.size, sight.mtime_ns, _signed(sight.inode), outcome, frame, error, _now()),
    )


def _signed(inode: int) -> int:
    return inode - (1 << 64) if inode >= 1 << 63 else inode


def _unsigned(inode: int) -> int:
    return inode + (1 << 64) if inode < 0 else inode


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")


def _json(value: dict[str, Any]) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def _harmless(value: Any, depth: int = 0) -> Any:
    if isinstance(value, str):
        return clean(value, 1000)
    if depth > 20:
        return None
    if isinstance(value, dict):
        return {clean(str(key)): _harmless(item, depth + 1) for key, item in value.items()}
    if isinstance(value, list):
        return [_harmless(item, depth + 1) for item in value]
    return value


def _preview(value: dict[str, Any]) -> dict[str, Any]:
    width, height, rgb, marks = (value.get(key) for key in ("width", "height", "rgb", "marks"))
    texts = all(isinstance(text, str) and text.isascii() and text.isprintable() for text in (rgb, marks))
    sizes = all(isinstance(size, int) and 0 < size <= 4096 for size in (width, height))
    return {"width": width, "height": height, "rgb": rgb, "marks": marks} if texts and sizes else {}


def _code(wrong: sqlite3.Error) -> int:
    return int(getattr(wrong, "sqlite_errorcode", 0)) & 0xFF  # the low byte is the primary code


def _why(wrong: sqlite3.Error, path: Path, what: str = "written") -> str:
    code = _code(wrong)
    if code == sqlite3.SQLITE_FULL:
        return f"The disk is full: {path.name} cannot be written. Make room; nothing is lost meanwhile."
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return f"{path.name} is open in another program: close that."
    if code in _NO_RIGHT:
        return f"{path.name} cannot be {what} ({wrong}): see to the folder's permissions."
    return f"{path.name} cannot be {what}: {clean(str(wrong))}"
