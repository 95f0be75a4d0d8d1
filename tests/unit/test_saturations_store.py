"""Where cameras are full is kept, a frame has one voice, damage is survived, and nothing read is trusted."""

from __future__ import annotations

import contextlib
import json
import multiprocessing
import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lampblack.daemon.kept import KeptError
from lampblack.daemon.saturations import keep, load
from lampblack.rules.wells import MOST_SEEN, Body, Full, agreed

BODY = Body("Glaze 7", 200.0, 65_532, 6000, 4000)
FULL = Full(BODY, 0.92, "data", 0.006, 1)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "data" / "saturations.json"


def test_what_is_kept_comes_back_under_its_camera_and_iso(path: Path) -> None:
    assert load(path) == {}
    for mark, share in (("a", 0.92), ("b", 0.921)):
        assert keep(replace(FULL, share=share), mark, path) is None
    other = BODY._replace(iso=None)
    keep(replace(FULL, body=other), "a", path)
    assert load(path) == {BODY: (0.92, 0.921), other: (0.92,)}
    assert [p.name for p in path.parent.iterdir() if p.name.startswith(".")] == []


def test_a_frame_measured_again_and_again_has_one_voice(path: Path) -> None:
    """A service started anew reads its setup's frames once more: one odd one must not come to be many."""
    for _ in range(5):
        keep(replace(FULL, share=0.6), "odd", path)
    assert load(path) == {BODY: (0.6,)}


def test_so_many_frames_are_kept_and_a_mended_camera_is_learned_anew(path: Path) -> None:
    for number in range(MOST_SEEN + 5):
        keep(FULL, f"old {number}", path)
    assert len(load(path)[BODY]) == MOST_SEEN
    before = path.stat().st_mtime_ns
    keep(FULL, "no news", path)
    assert path.stat().st_mtime_ns == before
    for number in range(MOST_SEEN):
        keep(replace(FULL, share=0.98), f"new {number}", path)
    level = agreed(load(path)[BODY], 3)
    assert level is not None
    assert level.share == 0.98


@pytest.mark.parametrize(
    "full",
    [
        replace(FULL, source="tag"),
        replace(FULL, source="kept"),
        replace(FULL, share=0.2),
        replace(FULL, share=1.5),
        replace(FULL, share=float("nan")),
        replace(FULL, body=BODY._replace(camera="")),
    ],
)
def test_only_what_a_named_cameras_frame_has_shown_itself_is_kept(full: Full, path: Path) -> None:
    with pytest.raises(ValueError, match="only a level"):
        keep(full, "a", path)
    assert not path.exists()


@pytest.mark.parametrize("damage", [b"", b"{", b"[]", b'{"format": 1}', b'{"format": 1, "bodies": [{}]}', b"\xff" * 99])
def test_a_damaged_file_is_moved_aside_and_begun_anew(damage: bytes, path: Path) -> None:
    path.parent.mkdir()
    path.write_bytes(damage)
    with pytest.raises(KeptError, match="damaged"):
        load(path)
    line = keep(FULL, "a", path)
    assert line is not None
    assert path.with_name("saturations.json.damaged-1").read_bytes() == damage
    assert load(path) == {BODY: (0.92,)}


def test_levels_that_no_sensor_has_are_left_out(path: Path) -> None:
    keep(FULL, "a", path)
    whole = json.loads(path.read_text())
    whole["bodies"][0]["seen"] += [["b", 0.01], ["c", 7.0], ["d", float("inf")], ["e", 0.93]]
    path.write_text(json.dumps(whole))
    assert load(path) == {BODY: (0.92, 0.93)}


def test_a_newer_file_is_left_alone(path: Path) -> None:
    path.parent.mkdir()
    path.write_text('{"format": 2, "bodies": []}')
    with pytest.raises(KeptError, match="newer"):
        load(path)
    with pytest.raises(KeptError, match="newer"):
        keep(FULL, "a", path)
    assert path.read_text() == '{"format": 2, "bodies": []}'


def test_a_full_disk_loses_nothing(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    keep(FULL, "a", path)

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(KeptError, match="No space left"):
        keep(FULL, "b", path)
    assert load(path) == {BODY: (0.92,)}


def _keep_ten(path: Path, who: int) -> None:
    for number in range(5):
        keep(replace(FULL, body=BODY._replace(iso=100.0 * who)), f"{who}-{number}", path)


def test_two_services_learn_at_once(path: Path) -> None:
    spawn = multiprocessing.get_context("spawn")
    both = [spawn.Process(target=_keep_ten, args=(path, who)) for who in (1, 2)]
    for one in both:
        one.start()
    for one in both:
        one.join(60)
    assert sorted(len(seen) for seen in load(path).values()) == [5, 5]


ANY_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=9),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=9), inner, max_size=4),
    max_leaves=12,
)
_KEYS = st.fixed_dictionaries({}, optional=dict.fromkeys([*Body._fields, "seen"], ANY_JSON))


@settings(max_examples=60)
@given(ANY_JSON | st.fixed_dictionaries({"format": st.just(1), "bodies": ANY_JSON | st.lists(_KEYS, max_size=3)}))
def test_whatever_it_holds_it_is_read_or_said_to_be_damaged(
    tmp_path_factory: pytest.TempPathFactory, held: Any
) -> None:
    path = tmp_path_factory.mktemp("any") / "saturations.json"
    path.write_text(json.dumps(held))
    with contextlib.suppress(KeptError):
        found = load(path)
        assert all(0.4 < share < 1.02 for seen in found.values() for share in seen)
