"""
The desk: the one thread where the journal is written and frames are judged, and the entries that wait for room.

SQLite has one user that way, and the loop never waits for a disk.
"""

from __future__ import annotations

import asyncio
import logging
import sqlite3
from collections import deque
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, TypeVar

from lampblack.daemon.journal import Journal, JournalError

log = logging.getLogger(__name__)
T = TypeVar("T")

RETRY_S = 3.0
"""Between tries to write what the full disk didn't take."""


class Desk:
    """Work for one thread, in order. Made and used inside the loop."""

    def __init__(self, trouble: Callable[[str], None], saved: Callable[[], None]) -> None:
        """
        Nothing is opened yet.

        Args:
            trouble: hears why the journal can't be written, once, in a line for a person.
            saved:   called when everything that had to wait is written.
        """
        self._trouble, self._saved = trouble, saved
        self._loop = asyncio.get_running_loop()
        self._thread = ThreadPoolExecutor(1, "lampblack-desk")
        self._journal: Journal | None = None
        self._unsaved: deque[Callable[[Journal], None]] = deque()
        self._saving = asyncio.Lock()
        self._cannot_save = False

    async def do(self, work: Callable[..., T], *args: Any, **more: Any) -> T:
        """Have something done there; returns what it returns, raises what it raises."""
        return await self._loop.run_in_executor(self._thread, lambda: work(*args, **more))

    async def open(self, path: Path) -> tuple[Journal, str | None]:
        """Open the journal; as `Journal.open`."""
        journal, said = await self.do(Journal.open, path)
        self._journal = journal
        return journal, said

    @property
    def journal(self) -> Journal:
        """The open journal; JournalError while there is none."""
        if self._journal is None:
            raise JournalError("The folder is gone, and the journal with it.")
        return self._journal

    async def record(self, write: Callable[[Journal], None]) -> bool:
        """Write to the journal, after whatever waits to be written. False: it waits too, and is tried again."""
        self._unsaved.append(write)
        return await self.save()

    async def save(self) -> bool:
        """Write what waits; returns whether nothing waits any more."""
        async with self._saving:
            while self._unsaved and self._journal is not None:
                try:
                    await self.do(self._unsaved[0], self._journal)
                except JournalError as wrong:
                    if not self._cannot_save:
                        self._cannot_save = True
                        self._trouble(str(wrong))
                    return False
                except sqlite3.Error:
                    log.exception("the journal did not take an entry, which is a fault of the service")
                self._unsaved.popleft()
            if not self._unsaved and self._cannot_save:
                self._cannot_save = False
                self._saved()
            return not self._unsaved

    async def keep_saving(self) -> None:
        """Try again and again what could not be written; ends by being cancelled."""
        while True:
            await asyncio.sleep(RETRY_S)
            if self._unsaved:
                await self.save()

    def forget(self) -> None:
        """Let go of what waits: what the journal doesn't have is read again."""
        self._unsaved.clear()

    async def close(self) -> None:
        """Close the journal; twice does no harm."""
        journal, self._journal = self._journal, None
        if journal is not None:
            await self.do(journal.close)

    def end(self) -> None:
        """Take no more work."""
        self._thread.shutdown(wait=False)
