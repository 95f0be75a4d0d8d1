"""
The camera's body: its dials, card, battery, buffer and moods.

Time passes only by `tick`; nothing here sleeps, reads a clock or knows of a network. Between exposure and card
stands the caller: `tick` says which shots have ended, the caller turns each into files, `record` writes them.
"""

from __future__ import annotations

import io
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import Enum
from fractions import Fraction
from typing import BinaryIO, TypeVar

from lampblack.mock_camera.faults import Trouble
from lampblack.rules.exposure import F_NUMBERS_THIRD, ISOS_THIRD, SHUTTERS_THIRD, exact_shutter_s


@dataclass(frozen=True)
class Settings:
    """What one frame is taken with."""

    f_number: float
    """As marked on the lens: 5.6 stands for 2 ** 2.5."""
    shutter_s: float
    """Exact seconds: the time marked 1/60 is 1/64 s."""
    shutter: str
    """As marked: `1/60`, `0.5`, `1`."""
    iso: int
    """As marked: 125 stands for 100 * 2 ** (1/3)."""
    white_balance: str
    """`daylight`, `tungsten`, `fluorescent`, `automatic` or `custom`."""
    formats: tuple[str, ...]
    """What to write, in this order: `("jpeg",)`, `("dng",)` or `("dng", "jpeg")`."""
    taken_at: str
    """The camera clock when the shutter opened, ISO 8601 without zone, to hundredths of a second."""


@dataclass(frozen=True)
class Exposed:
    """What a frame became."""

    files: tuple[tuple[str, bytes], ...]
    """Extension (upper case, no dot) and whole content, in the order of `Settings.formats`."""
    truth: Mapping[str, object]
    """What is known of the light in this frame; JSON can hold it."""


F_NUMBERS = F_NUMBERS_THIRD[F_NUMBERS_THIRD.index(2.8) : F_NUMBERS_THIRD.index(22.0) + 1]
SHUTTERS = SHUTTERS_THIRD[SHUTTERS_THIRD.index("1") : SHUTTERS_THIRD.index("1/1000") + 1]
ISOS = ISOS_THIRD[ISOS_THIRD.index(100) : ISOS_THIRD.index(3200) + 1]
WHITE_BALANCES = ("custom", "automatic", "daylight", "fluorescent", "tungsten")
MODES = ("M", "A")
"""Manual; automatic, where aperture and shutter are the camera's own and can't be dialled."""
FORMATS: tuple[tuple[str, ...], ...] = (("jpeg",), ("dng",), ("dng", "jpeg"))

BUFFER_FRAMES = 6
"""How many exposed frames wait for the card before the shutter locks."""
FRAMES_PER_FOLDER = 999
LOW_BATTERY_PERCENT = 3
"""Below this the shutter stays locked (a camera of that state is merely 'busy' to whoever asks)."""
BATTERY_PERCENT_PER_FRAME = 0.02
CARD_BYTES = 8 << 30


class Reason(Enum):
    """Why the body doesn't do what it was told."""

    BUSY = "the camera is busy just now"
    FULL = "the card is full"
    LOCKED = "this can't be dialled in the present mode"
    NOT_OFFERED = "no such value on this dial"


class RefusedError(Exception):
    """The body doesn't do what it was told; nothing has changed."""

    def __init__(self, reason: Reason) -> None:
        super().__init__(reason.value)
        self.reason = reason


_T = TypeVar("_T")


def _as(kind: type[_T], value: object) -> _T:
    if not isinstance(value, kind):
        raise TypeError(f"{value!r} is no {kind.__name__}")
    return value


@dataclass(frozen=True)
class Shot:
    """One press of the shutter."""

    number: int
    settings: Settings
    cause: int | None
    """The transaction that asked for it; None for the camera's own button."""


@dataclass(frozen=True)
class CardItem:
    """A file or folder on the card."""

    handle: int
    name: str
    parent: int
    """0 for the card's top."""
    size: int = 0
    start: int = 0
    """Where its bytes begin in the card's memory."""
    written_at: str = ""
    is_folder: bool = False


@dataclass(frozen=True)
class Added:
    """Something new lies on the card."""

    handle: int
    cause: int | None


@dataclass(frozen=True)
class Completed:
    """A shot that somebody asked for is over."""

    cause: int


@dataclass(frozen=True)
class Changed:
    """A dial or gauge shows something new; `name` is the attribute of `Body`."""

    name: str


@dataclass(frozen=True)
class CardFull:
    """There was no room, or the memory behind the card failed."""


News = Added | Completed | Changed | CardFull


class Card:
    """
    A memory card that only ever gains files.

    Args:
        memory: where the bytes go; any seekable binary file.
        capacity_bytes: what the card says it holds. A frame let in while there was room is written whole.
    """

    def __init__(self, memory: BinaryIO | None = None, capacity_bytes: int = CARD_BYTES) -> None:
        self._memory = memory if memory is not None else io.BytesIO()
        self.capacity_bytes = capacity_bytes
        self.items: dict[int, CardItem] = {}
        self.used_bytes = 0
        self.frames_left: int | None = None
        """Room by count, if somebody set it; else the bytes decide."""
        self.frame_bytes = 1
        """What the next frame is expected to need: as much as the biggest so far."""

    @property
    def free_bytes(self) -> int:
        """Return the room left, in bytes."""
        room = max(self.capacity_bytes - self.used_bytes, 0)
        return room if self.frames_left is None else min(room, self.frames_left * self.frame_bytes)

    @property
    def free_frames(self) -> int:
        """Return how many more frames of the biggest size so far fit."""
        room = max(self.capacity_bytes - self.used_bytes, 0) // self.frame_bytes
        return room if self.frames_left is None else min(room, self.frames_left)

    def folder(self, name: str, parent: int) -> tuple[CardItem, bool]:
        """Return the folder of that name, made if need be, and whether it was."""
        for item in self.items.values():
            if item.is_folder and (item.name, item.parent) == (name, parent):
                return item, False
        return self._add(CardItem(self._next_handle(), name, parent, is_folder=True)), True

    def write(self, name: str, parent: int, data: bytes, written_at: str) -> CardItem:
        """Put a file on the card. OSError if the memory behind it fails; the card is then as before."""
        self._memory.seek(self.used_bytes)
        self._memory.write(data)
        self._memory.flush()
        item = CardItem(self._next_handle(), name, parent, len(data), self.used_bytes, written_at)
        self.used_bytes += len(data)
        return self._add(item)

    def read(self, item: CardItem, offset: int, size: int) -> bytes:
        """Return bytes of a file, fewer where it ends."""
        self._memory.seek(item.start + offset)
        return self._memory.read(max(min(size, item.size - offset), 0))

    def _next_handle(self) -> int:
        return len(self.items) + 1

    def _add(self, item: CardItem) -> CardItem:
        self.items[item.handle] = item
        return item


class Body:
    """
    A camera without its network.

    Args:
        card: where frames go; a fresh one if None.
        clock: what the camera's clock shows at the start.
        sleep_after_s: falls asleep after that long without being used; None: never.
        formats: what a frame is written as, one of `FORMATS`.
        frames_per_folder: a new folder begins after so many.
    """

    def __init__(
        self,
        card: Card | None = None,
        *,
        clock: datetime = datetime(2026, 3, 2, 10, 0),
        sleep_after_s: float | None = None,
        formats: tuple[str, ...] = ("jpeg",),
        frames_per_folder: int = FRAMES_PER_FOLDER,
    ) -> None:
        self.card = card if card is not None else Card()
        self.clock = clock
        self.sleep_after_s = sleep_after_s
        self.trouble = Trouble()
        self.asleep = False
        self.showing = False
        """Whether somebody wants to see what the lens sees, without a shot."""
        self.view: bytes | None = None
        """The newest of it, a small JPEG; None: none yet."""
        self._dials: dict[str, object] = {
            "f_number": 8.0,
            "shutter": "1/60",
            "iso": 200,
            "white_balance": "tungsten",  # as the studio's lamps are
            "mode": "M",
            "formats": formats,
        }
        self._battery = 100.0
        self._idle_s = 0.0
        self._frames_per_folder = frames_per_folder
        self._shots = 0
        self._exposing: Shot | None = None
        self._exposing_s = 0.0
        self._buffer: deque[Shot] = deque()
        self._news: list[News] = []
        self._folder(1)  # as on a card formatted in the camera
        self._news.clear()

    # ------------------------------------------------------------------------------------------ dials

    @property
    def f_number(self) -> float:
        """Return the marked f-number."""
        return _as(float, self._dials["f_number"])

    @property
    def shutter(self) -> str:
        """Return the marked exposure time."""
        return _as(str, self._dials["shutter"])

    @property
    def shutter_s(self) -> float:
        """Return the time that the marked one stands for, in seconds."""
        return exact_shutter_s(float(Fraction(self.shutter)))

    @property
    def iso(self) -> int:
        """Return the marked speed."""
        return _as(int, self._dials["iso"])

    @property
    def white_balance(self) -> str:
        """Return the white balance, one of `WHITE_BALANCES`."""
        return _as(str, self._dials["white_balance"])

    @property
    def mode(self) -> str:
        """Return the mode, one of `MODES`."""
        return _as(str, self._dials["mode"])

    @property
    def formats(self) -> tuple[str, ...]:
        """Return what a frame is written as, one of `FORMATS`."""
        return _as(tuple, self._dials["formats"])

    @property
    def battery(self) -> int:
        """Return the battery's charge in percent."""
        return round(self._battery)

    def locked(self, dial: str) -> bool:
        """Return whether the present mode keeps a dial to itself."""
        return self.mode != "M" and dial in ("f_number", "shutter")

    def dial(self, name: str, value: object) -> None:
        """
        Turn a dial to one of its marks.

        Raises:
            RefusedError: LOCKED or NOT_OFFERED.
        """
        if self.locked(name):
            raise RefusedError(Reason.LOCKED)
        if value not in DIALS[name]:
            raise RefusedError(Reason.NOT_OFFERED)
        if self._dials[name] == value:
            return
        self._dials[name] = value
        self._news.append(Changed(name))
        if name == "mode":
            self._news += [Changed("f_number"), Changed("shutter")]

    def charge(self, percent: float) -> None:
        """Set the battery's charge."""
        before, self._battery = self.battery, min(max(percent, 0.0), 100.0)
        if self.battery != before:
            self._news.append(Changed("battery"))

    def set_clock(self, clock: datetime) -> None:
        """Set the camera's clock."""
        self.clock = clock
        self._news.append(Changed("clock"))

    # ----------------------------------------------------------------------------------- taking frames

    def press(self, cause: int | None = None) -> Shot:
        """
        Open the shutter.

        Args:
            cause: the transaction that asks; None for the camera's own button, which also wakes the camera.

        Raises:
            RefusedError: BUSY (shutter open, buffer full, battery low, or told to be busy) or FULL.
        """
        if cause is None:
            self.wake()
        self.touch()
        waiting = len(self._buffer) + (self._exposing is not None)
        if self.trouble.busy_s > 0 or self._exposing is not None or len(self._buffer) >= BUFFER_FRAMES:
            raise RefusedError(Reason.BUSY)
        if self.battery < LOW_BATTERY_PERCENT:
            raise RefusedError(Reason.BUSY)
        if self.card.free_frames <= waiting:
            raise RefusedError(Reason.FULL)
        self._shots += 1
        shot = Shot(self._shots, self.settings, cause)
        self._exposing, self._exposing_s = shot, shot.settings.shutter_s
        return shot

    @property
    def settings(self) -> Settings:
        """Return what a frame is taken with now."""
        return Settings(
            f_number=self.f_number,
            shutter_s=self.shutter_s,
            shutter=self.shutter,
            iso=self.iso,
            white_balance=self.white_balance,
            formats=self.formats,
            taken_at=self.clock.isoformat(timespec="milliseconds")[:-1],
        )

    def record(self, shot: Shot, exposed: Exposed) -> list[CardItem]:
        """Write a shot's files to the card and tell the news; returns them."""
        try:
            written = self._write(shot, exposed)
        except OSError:
            self._news.append(CardFull())
            self.give_up(shot)
            return []
        self.card.frame_bytes = max(self.card.frame_bytes, sum(item.size for item in written))
        if self.card.frames_left is not None:
            self.card.frames_left = max(self.card.frames_left - 1, 0)  # one was under way when somebody filled it
        self.charge(self._battery - BATTERY_PERCENT_PER_FRAME)
        self.give_up(shot)
        return written

    def give_up(self, shot: Shot) -> None:
        """Let a shot go: it is on the card, or nothing can be made of it."""
        self._buffer.remove(shot)
        if shot.cause is not None:
            self._news.append(Completed(shot.cause))
        self.touch()

    def _write(self, shot: Shot, exposed: Exposed) -> list[CardItem]:
        folder = self._folder(shot.number, shot.cause)
        stem = f"KILN{(shot.number - 1) % 9999 + 1:04d}"
        written = []
        for extension, data in exposed.files:
            item = self.card.write(f"{stem}.{extension}", folder.handle, data, shot.settings.taken_at)
            self._news.append(Added(item.handle, shot.cause))
            written.append(item)
        return written

    def _folder(self, number: int, cause: int | None = None) -> CardItem:
        """Return the folder a frame belongs in; DCF (CIPA DC-009) counts them from 100."""
        top, _ = self.card.folder("DCIM", 0)
        name = f"{100 + (number - 1) // self._frames_per_folder}GLAZE"
        folder, is_new = self.card.folder(name, top.handle)
        if is_new:
            self._news.append(Added(folder.handle, cause))
        return folder

    # -------------------------------------------------------------------------------------------- time

    def tick(self, dt_s: float) -> list[Shot]:
        """Let time pass; returns the shots whose exposure ended, to be made into files and recorded."""
        self.clock += timedelta(seconds=dt_s)
        self.trouble.tick(dt_s)
        ended: list[Shot] = []
        if self._exposing is not None:
            self._exposing_s -= dt_s
            if self._exposing_s <= 0:
                ended.append(self._exposing)
                self._buffer.append(self._exposing)
                self._exposing = None
        self._idle_s = 0.0 if self.at_work else self._idle_s + dt_s
        if self.sleep_after_s is not None and self._idle_s >= self.sleep_after_s:
            self.sleep()
        return ended

    @property
    def at_work(self) -> bool:
        """Return whether a frame is under way."""
        return self._exposing is not None or bool(self._buffer)

    @property
    def in_motion(self) -> bool:
        """Return whether the next moments change something: time should pass in small steps."""
        return self._exposing is not None or self.trouble.moves

    def touch(self) -> None:
        """Note that the camera was used: the time to sleep starts anew."""
        self._idle_s = 0.0

    def sleep(self) -> None:
        """Fall asleep. A frame under way is still finished."""
        self.asleep = True
        self.show(False)

    def show(self, on: bool) -> None:
        """Begin, or end, to show what the lens sees."""
        self.showing = on
        self.view = None

    def wake(self) -> None:
        """Wake up."""
        self.asleep = False
        self.touch()

    def take_news(self) -> list[News]:
        """Return what happened since the last call."""
        news, self._news = self._news, []
        return news


DIALS: Mapping[str, tuple[object, ...]] = {
    "f_number": F_NUMBERS,
    "shutter": SHUTTERS,
    "iso": ISOS,
    "white_balance": WHITE_BALANCES,
    "mode": MODES,
    "formats": FORMATS,
}
"""Each dial's marks."""
