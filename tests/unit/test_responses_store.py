"""What was learned of tone curves is kept, damage is survived, and nothing read is trusted."""

from __future__ import annotations

import json
import multiprocessing
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lampblack.daemon import kept, responses
from lampblack.daemon.responses import Key, ResponsesError, keep, load
from lampblack.rules.response import PRIOR, Response

KEY = Key.of("Glaze 7", "Standard", 200)


def curve(power: float = 2.2, sure: float = 0.05) -> Response:
    return Response((np.arange(256) / 254) ** power, "bracket", sure)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "data" / "responses.json"


def test_what_is_kept_comes_back(path: Path) -> None:
    assert load(KEY, path) is None
    assert keep(KEY, curve(), path) is None
    back = load(KEY, path)
    assert back is not None
    assert (back.source, back.sure_stops) == ("bracket", 0.05)
    np.testing.assert_allclose(back.light, curve().light, rtol=1e-10)
    assert load(Key.of("Glaze 7", "Portrait", 200), path) is None
    assert [p.name for p in path.parent.iterdir() if p.name.startswith(".")] == []


def test_channels_with_curves_of_their_own_come_back_too(path: Path) -> None:
    own = np.array([(np.arange(256) / 254) ** power for power in (2.0, 2.2, 2.4)])
    keep(KEY, Response(curve().light, "bracket", 0.1, own), path)
    back = load(KEY, path)
    assert back is not None
    assert back.channels is not None
    np.testing.assert_allclose(back.channels, own, rtol=1e-10)


@pytest.mark.parametrize("channels", [[], [[1.0] * 256] * 3, "red", [list(range(256))] * 2, {"r": 1}])
def test_channels_that_are_no_curves_are_not_used(path: Path, channels: object) -> None:
    keep(KEY, curve(), path)
    whole = json.loads(path.read_text("utf-8"))
    whole["curves"][0]["channels"] = channels
    path.write_text(json.dumps(whole), "utf-8")
    with pytest.raises(ResponsesError, match="damaged"):
        load(KEY, path)


def test_its_place_is_the_users_data_folder(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(kept.platformdirs, "user_data_dir", lambda name: str(tmp_path / name))
    keep(KEY, curve())
    assert (tmp_path / "lampblack" / "responses.json").is_file()
    assert load(KEY) is not None


def test_a_surer_curve_replaces_a_less_sure_one_and_not_the_other_way_round(path: Path) -> None:
    keep(KEY, curve(2.2, 0.1), path)
    keep(KEY, curve(2.21, 0.2), path)
    assert load(KEY, path).sure_stops == 0.1  # type: ignore[union-attr]
    keep(KEY, curve(2.21, 0.02), path)
    assert load(KEY, path).sure_stops == 0.02  # type: ignore[union-attr]


def test_a_curve_that_contradicts_the_kept_one_replaces_it(path: Path) -> None:
    """The camera's style was changed and its files don't say so."""
    keep(KEY, curve(2.2, 0.02), path)
    keep(KEY, curve(3.0, 0.1), path)
    assert load(KEY, path).sure_stops == 0.1  # type: ignore[union-attr]


def test_the_prior_and_nonsense_are_not_kept(path: Path) -> None:
    falling = Response(PRIOR.light[::-1].copy(), "bracket", 0.1)
    for bad in (PRIOR, falling, Response(curve().light, "bracket", float("nan"))):
        with pytest.raises(ValueError, match="sound"):
            keep(KEY, bad, path)
    assert not path.exists()


DAMAGE = [b"", b"{", b"[]", b"null", b'{"format": 1}', b'{"format": 1, "curves": [3]}', b"\xff\xfe\x00", b"[" * 100_000]


@pytest.mark.parametrize("damage", DAMAGE, ids=range(len(DAMAGE)))
def test_a_damaged_file_is_said_in_one_line_and_moved_aside(path: Path, damage: bytes) -> None:
    path.parent.mkdir()
    path.write_bytes(damage)
    with pytest.raises(ResponsesError, match="damaged") as said:
        load(KEY, path)
    assert "\n" not in str(said.value)
    assert path.read_bytes() == damage
    line = keep(KEY, curve(), path)
    assert line is not None
    assert "responses.json.damaged-1" in line
    assert path.with_name("responses.json.damaged-1").read_bytes() == damage
    assert load(KEY, path) is not None


def spoiled(**change: Any) -> dict[str, Any]:
    entry = {**KEY._asdict(), "source": "bracket", "sure_stops": 0.1, "light": curve().light.tolist()}
    return {**entry, **change}


LIGHT = curve().light.tolist()
BAD = {
    "short": LIGHT[:255],
    "not rising": [*LIGHT[:100], LIGHT[98], *LIGHT[101:]],
    "not a number": [*LIGHT[:100], "x", *LIGHT[101:]],
    "infinite": [*LIGHT[:255], float("inf")],
    "nan": [*LIGHT[:100], float("nan"), *LIGHT[101:]],
    "huge": [*LIGHT[:255], 10**400],
    "negative": [-1.0, *LIGHT[1:]],
    "never white": [value / 2 for value in LIGHT],
    "white too soon": [value * 4 for value in LIGHT],
    "nothing": None,
    "nested": [LIGHT],
}


@pytest.mark.parametrize("light", BAD.values(), ids=BAD)
def test_a_curve_no_camera_could_have_is_not_used(path: Path, light: Any) -> None:
    good = Key.of("Glaze 8")
    keep(good, curve(), path)
    whole = json.loads(path.read_text())
    whole["curves"].append(spoiled(light=light))
    path.write_text(json.dumps(whole))
    with pytest.raises(ResponsesError, match="Glaze 7 Standard ISO 200 is damaged"):
        load(KEY, path)
    assert load(good, path) is not None  # the others stand
    said = keep(Key.of("Glaze 9"), curve(), path)
    assert said is not None
    assert "1 damaged" in said
    assert load(KEY, path) is None
    assert load(good, path) is not None


@pytest.mark.parametrize("change", [{"sure_stops": -1}, {"sure_stops": "x"}, {"source": "prior"}, {"source": [1]}])
def test_a_false_word_about_a_curve_is_not_believed(path: Path, change: dict[str, Any]) -> None:
    path.parent.mkdir()
    path.write_text(json.dumps({"format": 1, "curves": [spoiled(**change)]}))
    with pytest.raises(ResponsesError):
        load(KEY, path)


def test_a_newer_format_is_left_alone(path: Path) -> None:
    path.parent.mkdir()
    path.write_text('{"format": 99, "curves": []}')
    for act in (lambda: load(KEY, path), lambda: keep(KEY, curve(), path)):
        with pytest.raises(ResponsesError, match="newer"):
            act()
    assert path.read_text() == '{"format": 99, "curves": []}'


def test_a_pipe_or_a_folder_in_its_place_blocks_nothing(path: Path) -> None:
    path.parent.mkdir()
    os.mkfifo(path)
    with pytest.raises(ResponsesError):
        load(KEY, path)
    path.unlink()
    path.mkdir()
    with pytest.raises(ResponsesError):
        load(KEY, path)


def test_no_place_to_write_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "data").write_text("a file, not a folder")
    with pytest.raises(ResponsesError, match="cannot be written"):
        keep(KEY, curve(), tmp_path / "data" / "responses.json")
    assert load(KEY, tmp_path / "data" / "responses.json") is None


def test_a_failed_write_leaves_what_was_kept(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    keep(KEY, curve(), path)
    before = path.read_bytes()

    def full(*_: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(ResponsesError, match="No space left"):
        keep(Key.of("Glaze 8"), curve(), path)
    assert path.read_bytes() == before
    assert sorted(p.name for p in path.parent.iterdir()) == ["responses.json", "responses.lock"]


def _keep_many(path: Path, first: int) -> None:
    for number in range(first, first + 12):
        keep(Key.of(f"Glaze {number}"), curve(), path)


def test_two_services_learning_at_once_lose_nothing(path: Path) -> None:
    spawn = multiprocessing.get_context("spawn")
    both = [spawn.Process(target=_keep_many, args=(path, first)) for first in (0, 100)]
    for one in both:
        one.start()
    for one in both:
        one.join()
    assert [one.exitcode for one in both] == [0, 0]
    assert len(json.loads(path.read_text())["curves"]) == 24


def test_the_oldest_give_way(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(responses, "_MOST_KEPT", 3)
    for number in range(5):
        keep(Key.of(f"Glaze {number}"), curve(), path)
    assert [load(Key.of(f"Glaze {n}"), path) is not None for n in range(5)] == [False, False, True, True, True]


def test_keys_are_clean_and_by_whole_stops_of_iso() -> None:
    assert Key.of("Gla\x1b[31mze\n 7", "\u202eStd", 125) == ("Gla[31mze 7", "Std", "100")
    assert Key.of("x", "", 3200).iso == "3200"
    assert Key.of("x", "", 50).iso == "50"
    assert Key.of("x", "", None).iso == Key.of("x", "", float("nan")).iso == Key.of("x", "", 0).iso == ""


@settings(max_examples=60, deadline=None)
@given(st.recursive(st.none() | st.booleans() | st.floats() | st.text(max_size=9), lambda s: st.lists(s, max_size=4)))
def test_whatever_stands_in_an_entry_nothing_but_a_line_comes_of_it(tmp_path_factory: Any, what: Any) -> None:
    path = tmp_path_factory.mktemp("any") / "responses.json"
    path.write_text(json.dumps({"format": 1, "curves": [spoiled(light=what), spoiled(sure_stops=what), what]}))
    said = ""
    try:
        load(KEY, path)
    except ResponsesError as wrong:
        said = str(wrong)
    assert "\n" not in said
