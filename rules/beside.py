"""
Work that may be done beside other work.

Rules know no threads. Whoever calls them may hand in how something is begun that needs nothing of what comes next.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import cache
from typing import Protocol, TypeVar

S = TypeVar("S")
T = TypeVar("T")


class Beside(Protocol):
    """Begins some work, and returns what waits for its result."""

    def __call__(self, work: Callable[[], T], /) -> Callable[[], T]: ...


def when_asked(work: Callable[[], T], /) -> Callable[[], T]:
    """Do the work where its result is first asked for: nothing goes on beside anything."""
    return cache(work)


def each(work: Callable[[S], T], parts: Iterable[S], beside: Beside) -> list[T]:
    """Return what a piece of work gives of each part, in order. Here and beside, whoever is free takes the next one."""
    todo = list(parts)
    done: list[T | None] = [None] * len(todo)
    left = iter(range(len(todo)))

    def take() -> None:
        for place in left:
            done[place] = work(todo[place])

    others = beside(take)
    try:
        take()
    finally:  # nobody is left at work on what may now be let go of
        others()
    return done  # type: ignore[return-value]
