"""
Several eyes at once, over frames that are all there: to measure them, or only to show them.

Frames of one row (a setup) are measured in order, each by the light of those before it. What needs no light (reading a
file and reducing it) is done ahead; frames of different rows have nothing to do with one another. So the answers are
the same with any number of eyes.
"""

from __future__ import annotations

import contextlib
import os
import queue
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from multiprocessing.connection import wait
from pathlib import Path

from lampblack.daemon.eye import Eye, Seen, too_long
from lampblack.daemon.refusal import Refused
from lampblack.daemon.showing import Known, Shown
from lampblack.rules.given import NOTHING_GIVEN, Given
from lampblack.rules.radiance import Radiance
from lampblack.rules.shoot import BackdropWish
from lampblack.rules.thresholds import Thresholds

PATIENCE_S = 60.0
"""For each half of the work on a frame; see `Eye.see`."""


_EYE_BYTES = 900 << 20
"""Memory that one eye may come to need, with a frame of 45 megapixels in it."""


def cores() -> int:
    """Return how many frames can be worked on at a time: a core for each, and memory."""
    count = len(os.sched_getaffinity(0))
    with contextlib.suppress(OSError, ValueError, IndexError):
        free = next(line for line in Path("/proc/meminfo").read_text().splitlines() if line.startswith("MemAvailable"))
        count = min(count, int(free.split()[1]) * 1024 // _EYE_BYTES)
    return max(1, count)


@dataclass(frozen=True)
class Row:
    """Frames of one setup, in order: each its file and that of the raw beside it; and what the backdrop is."""

    files: Sequence[tuple[bytes, bytes | None]]
    backdrop: BackdropWish = "auto"


@dataclass
class _InHand:
    row: int
    place: int
    until: float
    waits: bool = False


def next_row(left: Sequence[int], in_hand: Sequence[int], begun: Sequence[bool], most: int) -> int | None:
    """
    Return the row to take a frame from next: one where no other frame has to be waited for, if there is any.

    left: frames not yet taken, by row. in_hand: those being looked at. begun: rows with one taken. most: rows that may
    be under way at a time: what is known of each is a hundred megabytes.

    >>> next_row([5, 3, 3], [1, 0, 0], [True, False, False], 2), next_row([5, 3], [1, 1], [True, True], 2)
    (1, 0)
    >>> next_row([0, 0], [1, 0], [True, True], 2) is None
    True
    """
    under_way = sum(1 for n, held, on in zip(left, in_hand, begun, strict=True) if on and (n or held))
    free = [row for row, n in enumerate(left) if n and (begun[row] or under_way < most)]
    return min(free, key=lambda row: (in_hand[row], not begun[row], row), default=None)


class Eyes:
    """A number of eyes. Belongs to one thread; `close` it."""

    def __init__(self, thresholds: Thresholds, count: int) -> None:
        """Take the thresholds and how many; nothing is started yet."""
        self._eyes = [Eye(thresholds, threads=1 if count > 1 else None) for _ in range(count)]

    def open(self) -> None:
        """Start them ahead of need."""
        for eye in self._eyes:
            eye.open()

    def close(self) -> None:
        """End them, whatever they are at."""
        for eye in self._eyes:
            eye.close()

    def over(
        self, rows: Sequence[Row], light_of: Callable[[int], Radiance | None], given: Given = NOTHING_GIVEN
    ) -> Iterator[tuple[int, int, Seen | Refused] | None]:
        """
        Measure the frames of all rows; yield (row, place in it, what was seen) as they are done.

        Those of a row that can be measured come in order; one that is refused may come before its turn. None: all eyes
        have what they need, so that it is time for what they need not wait for.

        light_of: a row's light so far. It is asked once the caller has come back for more, and so has judged the frame
        that it was given.
        """
        left = [len(row.files) for row in rows]
        hands: dict[int, _InHand] = {}
        while any(left) or hands:
            self._hand_out(rows, left, hands, given)
            for which, held in hands.items():
                if held.waits and not any(o.row == held.row and o.place < held.place for o in hands.values()):
                    self._eyes[which].tell(light_of(held.row))
                    held.waits, held.until = False, time.monotonic() + PATIENCE_S
            yield None
            for which, seen in self._heard(hands):
                held = hands.pop(which)
                yield held.row, held.place, seen

    def _hand_out(self, rows: Sequence[Row], left: list[int], hands: dict[int, _InHand], given: Given) -> None:
        for which, eye in enumerate(self._eyes):
            if which in hands:
                continue
            in_hand = [sum(held.row == row for held in hands.values()) for row in range(len(rows))]
            begun = [n < len(row.files) for n, row in zip(left, rows, strict=True)]
            row = next_row(left, in_hand, begun, len(self._eyes))
            if row is None:
                return
            place = len(rows[row].files) - left[row]
            eye.begin(*rows[row].files[place], rows[row].backdrop, given)
            left[row] -= 1
            hands[which] = _InHand(row, place, time.monotonic() + PATIENCE_S)

    def _heard(self, hands: dict[int, _InHand]) -> list[tuple[int, Seen | Refused]]:
        """Wait for one of the eyes, or for the end of patience with one; return what has come out."""
        busy = [which for which, held in hands.items() if not held.waits]
        pipes = {pipe: which for which in busy if (pipe := self._eyes[which].pipe) is not None}
        until = min(hands[which].until for which in busy)
        heard = wait(list(pipes), max(0.0, until - time.monotonic()))
        ready = [which for pipe, which in pipes.items() if pipe in heard]
        found: list[tuple[int, Seen | Refused]] = []
        for which in ready:
            answer = self._eyes[which].answer()
            if answer is None:
                hands[which].waits = True
            else:
                found.append((which, answer))
        if not ready:
            late = [which for which in busy if hands[which].until <= time.monotonic()]
            found += [(which, self._eyes[which].give_up(too_long(PATIENCE_S))) for which in late]
        return found


class ShowingEyes:
    """Several eyes side by side, one a core, for showing many frames; to be used in a `with`."""

    def __init__(self, thresholds: Thresholds) -> None:
        """Take the thresholds; no process is started yet."""
        count = min(cores(), _MOST_EYES)
        self._idle: queue.SimpleQueue[Eye] = queue.SimpleQueue()
        self._eyes = [Eye(thresholds) for _ in range(count)]
        for eye in self._eyes:
            self._idle.put(eye)
        self._hands = ThreadPoolExecutor(count)

    def __enter__(self) -> ShowingEyes:
        """Return itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Give up what isn't shown yet, and end the eyes."""
        self._hands.shutdown(cancel_futures=True)
        for eye in self._eyes:
            eye.close()

    def show(self, files: Sequence[tuple[bytes, Known]], long_side: int) -> Iterator[Shown | Refused]:
        """Make a picture of each file as `Eye.show` does; it begins at once, and they come in order."""

        def one(job: tuple[bytes, Known]) -> Shown | Refused:
            eye = self._idle.get()
            try:
                return eye.show(job[0], long_side, job[1])
            finally:
                self._idle.put(eye)

        return self._hands.map(one, files)


_MOST_EYES = 4  # each holds a frame as it is unpacked
