"""The camera's body alone: dials, card, battery, buffer, sleep, and time that passes only by ticks."""

from __future__ import annotations

import io
from datetime import datetime

import pytest
from caller import content, take

from lampblack.mock_camera.body import (
    BUFFER_FRAMES,
    F_NUMBERS,
    ISOS,
    SHUTTERS,
    Added,
    Body,
    Card,
    CardFull,
    Changed,
    Completed,
    Exposed,
    Reason,
    RefusedError,
)
from lampblack.mock_camera.faults import Trouble


def shoot(body: Body, cause: int | None = None) -> None:
    """Take one frame from press to card."""
    body.press(cause)
    for shot in body.tick(2.0):
        body.record(shot, take(shot.settings, shot.number))


def names(body: Body) -> list[str]:
    return [item.name for item in body.card.items.values() if not item.is_folder]


def refusal(act, *args: object) -> Reason:
    with pytest.raises(RefusedError) as caught:
        act(*args)
    return caught.value.reason


def test_dials_carry_the_published_marks() -> None:
    """ISO 517 f-numbers from f/2.8 to f/22, ISO 516 times from 1 s to 1/1000 s, in thirds (from memory)."""
    assert F_NUMBERS == (2.8, 3.2, 3.5, 4, 4.5, 5, 5.6, 6.3, 7.1, 8, 9, 10, 11, 13, 14, 16, 18, 20, 22)
    assert (SHUTTERS[0], SHUTTERS[-1], len(SHUTTERS)) == ("1", "1/1000", 31)
    assert (ISOS[0], ISOS[-1], len(ISOS)) == (100, 3200, 16)


def test_a_frame_has_the_settings_of_the_moment_the_shutter_opened() -> None:
    body = Body(clock=datetime(2026, 3, 2, 10, 15, 22, 400_000))
    for dial, mark in (("f_number", 5.6), ("shutter", "0.5"), ("iso", 125)):
        body.dial(dial, mark)
    body.press()
    body.dial("f_number", 11.0)
    (shot,) = body.tick(0.6)
    assert (shot.settings.f_number, shot.settings.shutter, shot.settings.iso) == (5.6, "0.5", 125)
    assert shot.settings.taken_at == "2026-03-02T10:15:22.40"


@pytest.mark.parametrize(("mark", "exact_s"), [("1/60", 1 / 64), ("1/125", 1 / 128), ("1", 1.0), ("0.5", 0.5)])
def test_the_shutter_is_open_for_the_exact_time(mark: str, exact_s: float) -> None:
    """Marked 1/60 is exactly 1/64 s (Exif, APEX: Tv 6); the frame ends then and not before."""
    body = Body()
    body.dial("shutter", mark)
    assert body.press().settings.shutter_s == exact_s
    assert body.tick(exact_s * 0.99) == []
    assert len(body.tick(exact_s * 0.02)) == 1


def test_the_shutter_is_busy_while_open_and_when_the_buffer_is_full() -> None:
    body = Body()
    body.press()
    assert refusal(body.press) is Reason.BUSY
    waiting = body.tick(1)
    for _ in range(BUFFER_FRAMES - 1):
        body.press()
        waiting += body.tick(1)
    assert refusal(body.press) is Reason.BUSY
    body.record(waiting[0], take(waiting[0].settings, 1))
    body.press()


def test_off_the_dial_and_locked_dials_are_refused_and_change_nothing() -> None:
    body = Body()
    assert refusal(body.dial, "f_number", 7.9) is Reason.NOT_OFFERED
    body.dial("mode", "A")
    assert refusal(body.dial, "f_number", 4.0) is Reason.LOCKED
    assert refusal(body.dial, "shutter", "1/30") is Reason.LOCKED
    assert (body.f_number, body.shutter) == (8.0, "1/60")
    body.dial("iso", 400)
    body.dial("mode", "M")
    body.dial("f_number", 4.0)
    assert body.f_number == 4.0


def test_a_dial_tells_only_of_changes() -> None:
    body = Body()
    body.dial("iso", 200)
    assert body.take_news() == []
    body.dial("iso", 100)
    assert body.take_news() == [Changed("iso")]


def test_raw_and_jpeg_lie_side_by_side_under_one_name() -> None:
    body = Body(formats=("dng", "jpeg"))
    shoot(body, cause=7)
    assert names(body) == ["KILN0001.DNG", "KILN0001.JPG"]
    first, second, last = body.take_news()
    assert isinstance(first, Added)
    assert isinstance(second, Added)
    assert last == Completed(7)
    item = body.card.items[second.handle]
    assert body.card.read(item, 0, item.size) == content(1, "jpeg")
    assert body.card.read(item, 10, 5) == content(1, "jpeg")[10:15]
    assert body.card.read(item, item.size, 5) == b""


def test_a_full_folder_is_followed_by_the_next() -> None:
    body = Body(frames_per_folder=2)
    for _ in range(3):
        shoot(body)
    folders = [item for item in body.card.items.values() if item.is_folder]
    assert [f.name for f in folders] == ["DCIM", "100GLAZE", "101GLAZE"]
    parents = [item.parent for item in body.card.items.values() if not item.is_folder]
    assert parents == [folders[1].handle] * 2 + [folders[2].handle]
    # The folder is told of before the file in it.
    assert [body.card.items[n.handle].name for n in body.take_news()[-2:]] == ["101GLAZE", "KILN0003.JPG"]


def test_a_full_card_refuses_before_the_shutter_opens_and_keeps_what_it_has() -> None:
    body = Body()
    shoot(body)
    body.card.frames_left = 2
    shoot(body)
    body.press()
    shots = body.tick(1)
    assert refusal(body.press) is Reason.FULL  # the room left is spoken for
    body.record(shots[0], take(shots[0].settings, 3))
    assert refusal(body.press) is Reason.FULL
    assert len(names(body)) == 3
    assert (body.card.free_bytes, body.card.free_frames) == (0, 0)


def test_a_card_filled_while_a_frame_is_exposed_still_takes_it_and_is_full() -> None:
    body = Body()
    body.press()
    body.card.frames_left = 0
    shot = body.tick(1)[0]
    assert len(body.record(shot, take(shot.settings, 1))) == 1
    assert (body.card.free_bytes, body.card.free_frames) == (0, 0)
    assert refusal(body.press) is Reason.FULL


def test_a_card_fills_by_bytes_too() -> None:
    body = Body(Card(capacity_bytes=2500))
    shoot(body)
    assert (body.card.free_bytes, body.card.free_frames) == (1500, 1)
    shoot(body)
    assert refusal(body.press) is Reason.FULL


def test_a_card_whose_memory_fails_says_so_and_keeps_the_frames_before() -> None:
    class Failing(io.BytesIO):
        broken = False

        def write(self, data: bytes) -> int:  # type: ignore[override]
            if self.broken:
                raise OSError(28, "no space left")
            return super().write(data)

    memory = Failing()
    body = Body(Card(memory))
    shoot(body)
    memory.broken = True
    body.take_news()
    shoot(body, cause=3)
    assert body.take_news() == [CardFull(), Completed(3)]
    assert names(body) == ["KILN0001.JPG"]
    memory.broken = False
    shoot(body)
    item = list(body.card.items.values())[-1]
    assert body.card.read(item, 0, item.size) == content(3, "jpeg")


def test_a_low_battery_locks_the_shutter_until_charged() -> None:
    body = Body()
    body.charge(2)
    assert body.take_news() == [Changed("battery")]
    assert refusal(body.press) is Reason.BUSY
    body.charge(50)
    body.press()


def test_frames_cost_battery() -> None:
    body = Body()
    for _ in range(100):
        shoot(body)
    assert body.battery == 98


def test_sleep_comes_after_idling_and_not_while_at_work() -> None:
    body = Body(sleep_after_s=10)
    body.tick(9.9)
    assert not body.asleep
    body.touch()
    body.tick(9.9)
    body.press()
    (shot,) = body.tick(30)  # still waits for the card
    assert not body.asleep
    body.record(shot, Exposed((("JPG", b"x"),), {}))
    body.tick(9.9)
    assert not body.asleep
    body.tick(0.2)
    assert body.asleep
    body.wake()
    body.tick(9.9)
    assert not body.asleep


def test_the_button_wakes_the_camera() -> None:
    body = Body(sleep_after_s=1)
    body.tick(2)
    assert body.asleep
    shoot(body)
    assert not body.asleep
    assert names(body) == ["KILN0001.JPG"]


def test_told_to_be_busy_it_is_for_so_long() -> None:
    body = Body()
    body.trouble.busy_s = 1.0
    assert refusal(body.press) is Reason.BUSY
    body.tick(0.6)
    assert refusal(body.press) is Reason.BUSY
    body.tick(0.6)
    body.press()


def test_a_slow_line_carries_what_time_allows() -> None:
    trouble = Trouble()
    trouble.slow(1000)
    assert trouble.may_send(500) == 0
    carried = 0
    for _ in range(100):
        trouble.tick(0.01)
        size = trouble.may_send(500)
        trouble.sent(size)
        carried += size
    assert carried == pytest.approx(1000, abs=2)
    trouble.slow(0)
    trouble.tick(60)
    assert trouble.may_send(500) == 0
    trouble.slow(None)
    assert trouble.may_send(500) == 500


def test_a_cut_comes_once_at_its_byte() -> None:
    trouble = Trouble()
    trouble.cut(250)
    assert [trouble.let_through(1, 100) for _ in range(4)] == [100, 100, 50, 100]


def test_a_cut_waits_for_an_object_long_enough_and_can_let_some_through() -> None:
    trouble = Trouble()
    trouble.cut(150)
    assert [trouble.let_through(handle, 100) for handle in (1, 2, 2, 2)] == [100, 100, 50, 100]
    trouble.cut(0, skip_objects=1)
    assert [trouble.let_through(handle, 100) for handle in (1, 1, 2, 2)] == [100, 100, 0, 100]
