"""Work beside other work: the same is said of a frame, whether it is measured on one thread or on two."""

from __future__ import annotations

import threading
import time
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import simplejpeg
from scenes import vessel

from lampblack.daemon.config import load_thresholds
from lampblack.daemon.decode import Room, decode_file
from lampblack.daemon.eye import Eye, Seen, a_thread, see_here
from lampblack.daemon.refusal import Refused
from lampblack.mock_camera.body import Settings
from lampblack.mock_camera.studio import Studio
from lampblack.rules.beside import Beside, each, when_asked
from lampblack.rules.cells import half, single
from lampblack.rules.distribution import middle, percentile, percentiles
from lampblack.rules.frame import Picture
from lampblack.rules.look import look
from lampblack.rules.shoot import judge, new_setup

THRESHOLDS = load_thresholds()


@pytest.fixture
def beside() -> Beside:
    return a_thread()


def test_each_part_is_done_once_and_in_order(beside: Beside) -> None:
    for how in (beside, when_asked):
        done: list[int] = []

        def square(n: int, done: list[int] = done) -> int:
            done.append(n)
            return n * n

        assert each(square, range(40), how) == [n * n for n in range(40)]
        assert sorted(done) == list(range(40))


def test_work_is_done_once_however_often_it_is_asked_for() -> None:
    done: list[int] = []
    result = when_asked(lambda: done.append(1))
    assert (result(), result(), done) == (None, None, [1])


def test_who_asks_does_what_nobody_has_begun(beside: Beside) -> None:
    begun, go_on = threading.Event(), threading.Event()
    busy = beside(lambda: (begun.set(), go_on.wait(10)))
    assert begun.wait(10)
    here = beside(threading.current_thread)
    assert here() is threading.current_thread()
    go_on.set()
    assert busy() == (None, True)
    assert here() is threading.current_thread()


def test_what_goes_wrong_aside_comes_to_who_asks(beside: Beside) -> None:
    tried = threading.Event()

    def wrong() -> None:
        tried.set()
        raise ValueError("wrong")

    result = beside(wrong)
    assert tried.wait(10)
    with pytest.raises(ValueError, match="wrong"):
        result()
    assert beside(lambda: 1)() == 1


def test_nobody_is_left_at_work_on_what_is_let_go_of(beside: Beside) -> None:
    """One of the parts goes wrong here while another is under way aside."""
    aside, ended = threading.Event(), threading.Event()

    def work(here: threading.Thread) -> None:
        if threading.current_thread() is here:
            assert aside.wait(10)
            raise ValueError("wrong")
        aside.set()
        time.sleep(0.05)
        ended.set()

    with pytest.raises(ValueError, match="wrong"):
        each(work, [threading.current_thread()] * 2, beside)
    assert ended.is_set()


def shifted(picture: Picture, by: int) -> Picture:
    return Picture(picture.kind, np.ascontiguousarray(np.roll(picture.codes, by, axis=1)), picture.shot)


def test_a_frame_is_measured_alike_on_one_thread_and_on_two(beside: Beside) -> None:
    """Through a plain shoot, a nudge, and another light: what was guessed meanwhile is then done again."""
    still = vessel("black", spill=0.02, height=1200, width=1800)
    other = vessel("black", spill=0.3, side="left", shade=0.1, height=1200, width=1800)
    frames = [still.shot(8.0), still.shot(5.6, seed=1), shifted(still.shot(5.6, seed=2), 40), other.shot(5.6, seed=3)]
    alone, both = new_setup(1), new_setup(1)
    for number, frame in enumerate(frames, 1):
        one = look(frame, THRESHOLDS, alone.radiance)
        two = look(frame, THRESHOLDS, both.radiance, beside=beside)
        assert differing(one, two) == []
        alone, said = judge(alone, one, THRESHOLDS, file="frame", frame=number)
        both, also = judge(both, two, THRESHOLDS, file="frame", frame=number)
        assert said.as_json() == also.as_json()


def differing(one: Any, other: Any, name: str = "look") -> list[str]:
    """Return what two nests of values do not have alike."""
    if type(one) is not type(other) or (isinstance(one, tuple) and len(one) != len(other)):
        return [name]
    if is_dataclass(one):
        names = [field.name for field in fields(one) if not field.name.startswith("_")]
        return [d for each in names for d in differing(getattr(one, each), getattr(other, each), f"{name}.{each}")]
    if isinstance(one, tuple):
        return [d for i, (a, b) in enumerate(zip(one, other, strict=True)) for d in differing(a, b, f"{name}[{i}]")]
    return [] if np.array_equal(one, other) else [name]


def test_what_differs_is_told() -> None:
    frame = vessel("black").shot(5.6)
    found = differing(look(frame, THRESHOLDS), look(vessel("black").shot(5.6, seed=1), THRESHOLDS))
    assert "look.light" in found


def file(place: Path, name: str, picture: Picture) -> bytes:
    path = place / name
    path.write_bytes(simplejpeg.encode_jpeg(picture.codes, quality=95))
    return str(path).encode()


def test_a_room_holds_one_picture_after_the_other_whatever_their_sizes(tmp_path: Path) -> None:
    sizes = ((600, 900), (300, 450), (300, 450), (600, 900))
    room = Room()
    for number, (height, width) in enumerate(sizes):
        path = file(tmp_path, f"{number}.jpg", vessel("grey", height=height, width=width).shot(4.0, seed=number))
        roomed = decode_file(path, THRESHOLDS, room).picture
        assert np.array_equal(roomed.codes, decode_file(path, THRESHOLDS).picture.codes)  # type: ignore[union-attr]


def shot(place: Path, f_number: float) -> bytes:
    settings = Settings(
        f_number=f_number, shutter_s=1 / 64, shutter="1/60", iso=200, white_balance="tungsten", formats=("jpeg",),
        taken_at="2026-03-02T10:00:00.00",
    )  # fmt: skip
    path = place / f"{f_number}.jpg"
    path.write_bytes(Studio.load("black").photograph(settings, 1, 0.5).files[0][1])
    return str(path).encode()


def test_an_eye_sees_by_the_light_told_with_a_frame_though_the_one_before_was_refused(tmp_path: Path) -> None:
    path = shot(tmp_path, 5.6)
    known = see_here(shot(tmp_path, 8.0), THRESHOLDS).look.radiance
    meant = see_here(path, THRESHOLDS, known=known).look
    assert differing(meant, see_here(path, THRESHOLDS).look) != [], "the light makes a difference"
    for threads in (None, 1):
        eye = Eye(THRESHOLDS, threads)
        try:
            assert isinstance(eye.see(b"/nowhere.jpg", known=known), Refused)
            seen = eye.see(path, known=known)
            assert isinstance(seen, Seen)
            assert differing(seen.look, meant) == []
        finally:
            eye.close()


def test_the_middle_is_the_median_and_percentiles_are_numpys() -> None:
    rng = np.random.default_rng(4)
    for count in (1, 2, 3, 8, 9, 5000, 5001):
        for kind in (np.float32, np.float64):
            values = rng.random(count).astype(kind)
            assert middle(values) == float(np.median(values))
            for percent in (0, 30, 90, 95.5, 100):
                assert percentile(values, percent) == float(np.percentile(values, percent))
            assert percentiles(values, (5, 30, 99.9)) == np.percentile(values, [5, 30, 99.9]).tolist()


def test_halves_are_rounded_as_numpy_rounds_them() -> None:
    light = (10.0 ** np.random.default_rng(5).uniform(-8, 4.8, (200, 300, 3))).astype(np.float32)
    assert np.array_equal(half(light), light.astype(np.float16))
    assert np.array_equal(single(light.astype(np.float16)), light.astype(np.float16).astype(np.float32))
