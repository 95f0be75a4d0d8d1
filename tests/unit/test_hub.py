"""The socket's manners: any number of guests, none of whom can harm another."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import stat
import tempfile
from collections.abc import Awaitable, Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lampblack.daemon.hub import Hub, Limits, line_of, request_of

Json = dict[str, Any]
DEADLINE_S = 20.0
Story = Callable[[Hub, Path], Awaitable[None]]


@pytest.fixture
def place() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(prefix="lb") as folder:
        yield Path(folder) / "hub.sock"


async def answer(request: Json) -> Json:
    """Handle a request as these tests need it."""
    if request["do"] == "fail":
        raise RuntimeError("a fault of ours")
    if request["do"] == "wait":
        await asyncio.sleep(DEADLINE_S)
    return {"ok": True, "text": f"done: {request['do']}"}


def play(place: Path, story: Story, limits: Limits | None = None, greeting: bytes = b'{"event":"hello"}\n') -> None:
    """Tell a story to a hub."""

    async def tell() -> None:
        hub = Hub(lambda: greeting, answer, limits=limits)
        await hub.listen(place)
        try:
            async with asyncio.timeout(DEADLINE_S):
                await story(hub, place)
        finally:
            await hub.close()
        assert not place.exists()

    asyncio.run(tell())


class Guest:
    """A well-behaved client."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader, self.writer = reader, writer

    @classmethod
    async def enter(cls, place: Path) -> Guest:
        return cls(*await asyncio.open_unix_connection(place, limit=1 << 24))

    async def hear(self) -> Json:
        told: Json = json.loads(await self.reader.readline())
        return told

    async def gone(self) -> bool:
        """Read to the end."""
        with contextlib.suppress(ConnectionError):
            while await self.reader.read(1 << 20):
                pass
        return True

    async def leave(self) -> None:
        self.writer.close()
        with contextlib.suppress(ConnectionError):
            await self.writer.wait_closed()


async def until(what: Callable[[], bool]) -> None:
    while not what():
        await asyncio.sleep(0.01)


def test_every_guest_is_greeted_and_hears_everything(place: Path) -> None:
    """In order; replies go to whoever asked, with the request's id."""

    async def story(hub: Hub, place: Path) -> None:
        guests = [await Guest.enter(place) for _ in range(3)]
        for guest in guests:
            assert await guest.hear() == {"event": "hello"}
        hub.publish({"event": "one"})
        hub.publish({"event": "two"})
        guests[0].writer.write(b'{"id": 7, "do": "fire"}\n')
        for guest in guests:
            assert [(await guest.hear())["event"] for _ in range(2)] == ["one", "two"]
        assert await guests[0].hear() == {"event": "reply", "to": 7, "ok": True, "text": "done: fire"}
        for guest in guests:
            await guest.leave()
        await until(lambda: len(hub) == 0)

    play(place, story)


def test_only_the_owner_may_enter(place: Path) -> None:
    """The socket takes its mode from the umask; ours is 0600 whatever that is."""
    before = os.umask(0)
    try:

        async def story(hub: Hub, place: Path) -> None:
            assert stat.S_IMODE(place.stat().st_mode) == 0o600

        play(place, story)
    finally:
        os.umask(before)


def test_a_fault_in_handling_is_answered(place: Path) -> None:
    """And the next request is, too."""

    async def story(hub: Hub, place: Path) -> None:
        guest = await Guest.enter(place)
        await guest.hear()
        guest.writer.write(b'{"id": "a", "do": "fail"}\n{"id": "b", "do": "fire"}\n')
        replies = {reply["to"]: reply["ok"] for reply in [await guest.hear(), await guest.hear()]}
        assert replies == {"a": False, "b": True}
        await guest.leave()

    play(place, story)


def test_a_guest_that_never_reads_is_dropped_by_weight(place: Path) -> None:
    """Others hear every line meanwhile."""
    limits = Limits(behind_bytes=500_000)

    async def story(hub: Hub, place: Path) -> None:
        silent, lively = await Guest.enter(place), await Guest.enter(place)
        await lively.hear()
        heard = 0
        while len(hub) == 2:
            hub.publish({"event": "frame", "preview": "x" * 50_000})
            heard += (await lively.hear())["event"] == "frame"
        assert heard > 10
        hub.publish({"event": "last"})
        assert (await lively.hear())["event"] == "last"
        for guest in (silent, lively):
            await guest.leave()

    play(place, story, limits)


def test_a_guest_that_never_reads_is_dropped_by_time(place: Path) -> None:
    """Even when hardly anything happens; one with nothing to read may stay as long as it likes."""
    limits = Limits(behind_s=0.0)

    async def story(hub: Hub, place: Path) -> None:
        idle = await Guest.enter(place)
        await idle.hear()
        silent = await Guest.enter(place)
        await until(lambda: len(hub) == 1)
        hub.publish({"event": "still here"})
        assert len(await idle.reader.readline()) > 0
        for guest in (silent, idle):
            await guest.leave()

    big = line_of({"event": "hello", "frames": "x" * 5_000_000})

    play(place, story, limits, greeting=big)


@pytest.mark.parametrize(
    "line",
    [
        b"\xff\xfe\xfd\n" * 10,
        b"not json\n" * 10,
        b"[" * 50_000 + b"\n" + b"[]\n" * 10,
        b'{"do": 5}\n' * 10,
        b'{"id": {}, "do": "fire"}\n' * 10,
        b'{"id": NaN, "do": "fire"}\n' * 10,
        b'{"id": 1' + b"0" * 5000 + b', "do": "fire"}\n' * 10,
        b"x" * 200_000,
        b"x" * 200_000 + b"\n",
    ],
    ids=["bad UTF-8", "no JSON", "deep", "do", "id", "NaN", "digits", "endless", "long"],
)
def test_rubbish_gets_the_door(place: Path, line: bytes) -> None:
    """A few bad lines are answered, then the guest is shown out; nobody else notices."""

    async def story(hub: Hub, place: Path) -> None:
        good, bad = await Guest.enter(place), await Guest.enter(place)
        await good.hear()
        bad.writer.write(line)
        assert await bad.gone()
        good.writer.write(b'{"id": 1, "do": "fire"}\n')
        assert (await good.hear())["ok"]
        for guest in (good, bad):
            await guest.leave()

    play(place, story)


def test_too_many_guests_and_too_many_requests_are_turned_away(place: Path) -> None:
    """With a word where one can be had."""
    limits = Limits(clients=1, at_once=2)

    async def story(hub: Hub, place: Path) -> None:
        first = await Guest.enter(place)
        await first.hear()
        second = await Guest.enter(place)
        assert await second.gone()
        first.writer.write(b'{"id": 1, "do": "wait"}\n{"id": 2, "do": "wait"}\n{"id": 3, "do": "fire"}\n')
        reply = await first.hear()
        assert (reply["to"], reply["ok"]) == (3, False)
        for guest in (first, second):
            await guest.leave()

    play(place, story, limits)


@settings(max_examples=25, deadline=None)
@given(st.lists(st.integers(1, 40), min_size=1, max_size=12))
def test_requests_may_come_in_any_pieces(cuts: list[int]) -> None:
    """The same replies whatever the slicing."""
    wire = b'{"id": 1, "do": "fire"}\n\n{"id": 2, "do": "fi\xc3\xb6re"}\n{"id": 3, "do": "fire"}\n'

    async def story(hub: Hub, place: Path) -> None:
        guest = await Guest.enter(place)
        await guest.hear()
        rest = wire
        for cut in cuts:
            guest.writer.write(rest[:cut])
            await guest.writer.drain()
            await asyncio.sleep(0)
            rest = rest[cut:]
        guest.writer.write(rest)
        assert [(await guest.hear())["to"] for _ in range(3)] == [1, 2, 3]
        await guest.leave()

    with tempfile.TemporaryDirectory(prefix="lb") as folder:
        play(Path(folder) / "hub.sock", story)


@given(st.binary(max_size=200) | st.text(max_size=100).map(str.encode))
def test_any_line_is_a_request_or_a_reason(line: bytes) -> None:
    """Never an exception."""
    assert isinstance(request_of(line), dict | str)


def test_an_event_is_one_line_without_nan() -> None:
    """Newlines inside are escaped, lone surrogates don't break it, NaN is a fault."""
    assert line_of({"text": "a\nb"}).count(b"\n") == 1
    assert b"?" in line_of({"text": "\udcff"})
    with pytest.raises(ValueError, match="JSON"):
        line_of({"x": float("nan")})
