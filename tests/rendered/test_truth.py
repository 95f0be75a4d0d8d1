"""
What the program says of a frame, held against what is true of it.

Scenes are physically rendered, cameras invented (`world.py`), in five sets, each made when what the ones before had
taught had gone into the measuring. The first four have each taught something in their turn, and the fifth has been
looked at: of what nobody has measured before, only a set still to be made would tell. Run with `-s` for a table of
what was off, and by how much.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from functools import cache
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
import pytest

from lampblack.rules.spots import Spot
from rendered.world import APERTURES, SEEN_BY, SETS, Measured, Setup, Watch, av, overlap, scene

RAW_IS_MEASURED = True
"""Whether the program measures raw files."""

# The tolerances: shares in points (1/100), exposure in stops.
CLIPPED = {"jpeg": 0.5, "raw": 0.1}
FORECAST = {"jpeg": 1.5, "raw": 0.5}
FURTHER_FRAMES = {"jpeg": 3, "raw": 2}
A_THIRD = 1 / 3 + 1e-6
IOU_EACH, IOU_MEDIAN = 0.90, 0.97
RIGHT_OF_100 = 95

HOLD_AT = 8.0
AROUND = (11.0, 8.0, 5.6)
"""A stop under what the highlights hold, at it, and a stop over."""

KINDS = (
    "jpeg",
    pytest.param("raw", marks=pytest.mark.skipif(not RAW_IS_MEASURED, reason="raw is not measured yet")),
)


def pairs_of(seen: dict[str, tuple[str, ...]]) -> list[tuple[str, str]]:
    return [(name, camera) for name, cameras in seen.items() for camera in cameras]


each_setup = pytest.mark.parametrize(("name", "camera"), sorted(pairs_of(SEEN_BY)))
each_set = pytest.mark.parametrize("pairs", [pairs_of(seen) for seen in SETS.values()], ids=SETS)
each_kind = pytest.mark.parametrize("kind", KINDS)

_table: dict[tuple[str, str, str], dict[str, str]] = {}
_folder: list[Path] = []


@pytest.fixture(scope="module", autouse=True)
def _folder_and_table(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    _folder[:] = [tmp_path_factory.mktemp("rendered")]
    yield
    columns = list(dict.fromkeys(column for row in _table.values() for column in row))
    print("\n\n" + " | ".join(["scene, camera, file".ljust(22), *columns]))
    for key, row in sorted(_table.items()):
        print(" | ".join([" ".join(key).ljust(22), *(row.get(column, "").ljust(len(column)) for column in columns)]))


def note(name: str, camera: str, kind: str, column: str, text: str) -> None:
    _table.setdefault((name, camera, kind), {})[column] = text


@cache
def setup_of(name: str, camera: str, hold_at: float = HOLD_AT) -> Setup:
    return Setup(name, camera, hold_at, _folder[0])


@cache
def bracket(name: str, camera: str, kind: str, f_numbers: tuple[float, ...]) -> tuple[Measured, ...]:
    """Return what is said of frames of one setup, in this order."""
    watch, setup = Watch(), setup_of(name, camera)
    return tuple(watch.take(setup.frame(n).file(kind)) for n in f_numbers)


def around(name: str, camera: str, kind: str) -> Iterator[tuple[float, Measured]]:
    yield from zip(AROUND, bracket(name, camera, kind, AROUND), strict=True)


def points(share: float | None) -> float:
    return 100.0 * (share if share is not None else float("nan"))


# --- one frame ------------------------------------------------------------------------------------------------------


def clipped_off(name: str, camera: str, kind: str, part: str) -> list[float]:
    """Return by how many points the clipped share of a part is off, "frame" or "subject", frame by frame."""
    found = []
    for f_number, measured in around(name, camera, kind):
        frame = setup_of(name, camera).frame(f_number)
        held = frame.held() if kind == "raw" else asdict(frame.clipping(kind))
        true = held["before" if part == "subject" else part]
        found.append(points(measured.said["highlights"][part]) - points(true))
    note(name, camera, kind, f"clipped off, points: {part}", " ".join(f"{v:+.2f}" for v in found))
    return found


@each_kind
@each_setup
def test_the_clipped_share_of_the_frame_is_right(name: str, camera: str, kind: str) -> None:
    off = clipped_off(name, camera, kind, "frame")
    assert all(abs(v) <= CLIPPED[kind] for v in off), off


@each_kind
@each_setup
def test_the_clipped_share_of_the_subject_is_right(name: str, camera: str, kind: str) -> None:
    """How much of it there is hangs on where its outline is drawn as well."""
    off = clipped_off(name, camera, kind, "subject")
    assert all(abs(v) <= CLIPPED[kind] for v in off), off


def overlaps(name: str, camera: str, kind: str) -> list[float]:
    true = setup_of(name, camera).seen.backdrop >= 0.5
    return [overlap(measured.backdrop, true) for _, measured in around(name, camera, kind)]


@each_kind
@each_setup
def test_the_backdrop_is_found(name: str, camera: str, kind: str) -> None:
    found = overlaps(name, camera, kind)
    note(name, camera, kind, "IoU", " ".join(f"{v:.3f}" for v in found))
    assert min(found) >= IOU_EACH


@each_kind
@each_setup
def test_the_backdrop_is_found_in_a_first_frame_a_stop_too_bright(name: str, camera: str, kind: str) -> None:
    """No darker frame has shown what is burnt out in it: of a white sweep most."""
    setup = setup_of(name, camera)
    found = overlap(Watch().take(setup.frame(AROUND[-1]).file(kind)).backdrop, setup.seen.backdrop >= 0.5)
    note(name, camera, kind, "IoU, first frame", f"{found:.3f}")
    assert found >= IOU_EACH


@each_kind
@each_set
def test_the_backdrop_is_found_well_in_the_median(pairs: list[tuple[str, str]], kind: str) -> None:
    assert median(v for pair in pairs for v in overlaps(*pair, kind)) >= IOU_MEDIAN


@each_kind
@each_setup
def test_clean_or_not_is_right(name: str, camera: str, kind: str) -> None:
    setup = setup_of(name, camera)
    wrong, judged = [], 0
    for f_number, measured in around(name, camera, kind):
        stops = setup.stops(f_number)
        if setup.sure(stops, kind):
            judged += 1
            said = measured.said["backdrop"]
            if (said["tone"], said["clean"]) != (setup.tone, setup.backdrop(stops, kind).clean):
                true = setup.backdrop(stops, kind).p99
                wrong.append((f_number, said["tone"], said["clean"], said["code"]["p99"], true))
    note(name, camera, kind, "clean", f"{judged - len(wrong)}/{judged}")
    assert not wrong, f"f-number, tone, clean, p99 said, p99 true: {wrong}"


@each_kind
@each_setup
def test_spill_comes_from_the_right_side(name: str, camera: str, kind: str) -> None:
    setup = setup_of(name, camera)
    assert setup.tone != "black" or setup.side == scene(name).side, "the scene is not what it says"
    wrong, judged = [], 0
    for f_number, measured in around(name, camera, kind):
        if setup.spilled(setup.stops(f_number), kind):
            judged += 1
            spill = measured.said["backdrop"]["spill"]
            if spill is None or spill["side"] != setup.side:
                wrong.append((f_number, None if spill is None else spill["side"], setup.side))
    note(name, camera, kind, "side", f"{judged - len(wrong)}/{judged}" if judged else "")
    assert not wrong, f"f-number, said, true: {wrong}"


# --- several frames -------------------------------------------------------------------------------------------------

BRACKETS = {"jpeg": (16.0, 8.0, 4.0), "raw": (11.0,)}
"""JPEG: two stops apart; raw: one frame a stop under what the highlights hold, which shows what is over."""


@each_kind
@each_setup
def test_the_forecast_comes_true(name: str, camera: str, kind: str) -> None:
    setup = setup_of(name, camera)
    last = bracket(name, camera, kind, BRACKETS[kind])[-1]
    off = {}
    for line in last.said["forecast"]:
        if line["f_number"] in APERTURES and abs(av(line["f_number"]) - av(BRACKETS[kind][0])) <= 4 + 1e-6:
            true = setup.clipping(setup.stops(line["f_number"]), kind).before
            off[line["f_number"]] = points(line["highlights_subject"]) - points(true)
    worst = max(off, key=lambda n: abs(off[n]))
    note(name, camera, kind, "forecast worst, points", f"{off[worst]:+.2f} at f/{worst:g}")
    assert len(off) >= 13
    assert all(abs(v) <= FORECAST[kind] for v in off.values()), off


WITHIN_OF_100 = 90


@each_kind
@each_set
def test_forecasts_say_how_far_off_they_may_be(pairs: list[tuple[str, str]], kind: str) -> None:
    """Exposures not shot: what is true lies between what is said to be the least and the most, counting aside."""
    inside = []
    for pair in pairs:
        setup, last = setup_of(*pair), bracket(*pair, kind, BRACKETS[kind])[-1]
        for line in last.said["forecast"]:
            if line["f_number"] in APERTURES and not line["shot"]:
                least, most = (points(share) for share in line["within"]["highlights_subject"])
                true = points(setup.clipping(setup.stops(line["f_number"]), kind).before)
                inside.append(least - CLIPPED[kind] <= true <= most + CLIPPED[kind])
    print(f"\n{kind}: {sum(inside)} of {len(inside)} within")
    assert 100 * sum(inside) >= WITHIN_OF_100 * len(inside)


SPOTS = {"jpeg": 0.15, "raw": 0.1}  # stops
WHERE = ((0.35, 0.5), (0.5, 0.4), (0.5, 0.65), (0.65, 0.5))


@each_kind
@each_setup
def test_spots_lie_where_their_light_is(name: str, camera: str, kind: str) -> None:
    """After the three frames that the curve is learned from; a spot's luminance over mid grey, noise-free."""
    setup = setup_of(name, camera)
    spots = tuple(Spot(f"{x}-{y}", x, y) for x, y in WHERE)
    watch = Watch(spots=spots)
    for n in BRACKETS["jpeg"]:
        said = watch.take(setup.frame(n).file(kind)).said["spots"]
    true = [setup.luminance(spot.x, spot.y, spot.size) for spot in spots]
    # A spot across an edge, or on a glint, has no one value, and says so by its spread.
    off = [
        s["stops"] - float(np.log2(light))
        for s, light in zip(said, true, strict=True)
        if s["bound"] is None and s["spread_stops"] < 1
    ]
    # Where a camera puts mid grey is its own affair: what counts is how spots lie to each other, and over exposures.
    off = [v - float(np.median(off)) for v in off if len(off) > 1]
    note(name, camera, kind, "spots off", " ".join(f"{v:+.2f}" for v in off))
    assert all(abs(v) <= SPOTS[kind] for v in off), off


STARTS = ((11.0, 2.8), (5.6, 22.0))
"""Where the highlights hold, about, and where the start is: four stops over and under."""


@cache
def path(name: str, camera: str, kind: str, hold_at: float, start: float) -> tuple[tuple[float, ...], float]:
    """
    Return the apertures shot, each but the first as suggested before, and what the last frame suggests; and the
    true aperture. No suggestion is a suggestion to stay.
    """
    setup, watch = setup_of(name, camera, hold_at), Watch(aim="hold-highlights")
    shot = [start]
    for _ in range(FURTHER_FRAMES[kind] + 1):
        said: dict[str, Any] = watch.take(setup.frame(shot[-1]).file(kind)).said["next"]
        shot.append(said["f_number"] or shot[-1])
        if shot[-1] == shot[-2]:
            shot += [shot[-1]] * (FURTHER_FRAMES[kind] + 2 - len(shot))
            break
    return tuple(shot), setup.hold(kind)


@each_kind
@each_setup
def test_the_highlights_are_held_within_few_frames(name: str, camera: str, kind: str) -> None:
    late = []
    for hold_at, start in STARTS:
        shot, true = path(name, camera, kind, hold_at, start)
        if abs(av(shot[FURTHER_FRAMES[kind]]) - av(true)) > A_THIRD:
            late.append((shot, true))
    note(name, camera, kind, "hold reached", f"{len(STARTS) - len(late)}/{len(STARTS)}")
    assert not late, f"apertures, true one: {late}"


@each_kind
@each_set
def test_the_suggestion_is_right_in_95_of_100(pairs: list[tuple[str, str]], kind: str) -> None:
    off = []
    for pair in pairs:
        for hold_at, start in STARTS:
            shot, true = path(*pair, kind, hold_at, start)
            off.append(av(shot[-1]) - av(true))
    right = sum(abs(v) <= A_THIRD for v in off)
    print(f"\n{kind}: {right} of {len(off)} right; off: {[round(v, 2) for v in off if abs(v) > A_THIRD]}")
    assert 100 * right >= RIGHT_OF_100 * len(off)
