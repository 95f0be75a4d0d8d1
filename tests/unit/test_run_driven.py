"""Runs against a camera played here: troubles waited out, a hand's help, halts, and the camera put back each time."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest

from lampblack.daemon import bracket
from lampblack.daemon.bracket import Bracket
from lampblack.daemon.config import load_thresholds
from lampblack.daemon.lamprun import LampRun
from lampblack.rules.glimpse import CELLS, Glimpse
from lampblack.rules.run import Known, Setting, Wish

THRESHOLDS = load_thresholds()
FULL = "The camera's card is full: put in another, or empty it in the camera."
MODE = "The camera does not let its aperture be set from here: turn its mode dial to M or A."


@dataclass
class Played:
    """A stage that answers `script[what]` in turn, then always yes; each shot becomes a frame unless it says not."""

    script: dict[str, list[tuple[bool, str]]] = field(default_factory=dict)
    loses: int = 0
    """So many shots never become a frame."""
    told: list[dict[str, Any]] = field(default_factory=list)
    shot: list[float] = field(default_factory=list)
    marked: list[str] = field(default_factory=list)
    lights: list[Glimpse] = field(default_factory=list)
    on_tell: Callable[[dict[str, Any]], None] = lambda run: None
    ended_views: int = 0

    def __post_init__(self) -> None:
        self.camera = {
            "state": "ready",
            "text": "ready",
            "f_number": 8.0,
            "shutter_s": 1 / 64,
            "iso": 200,
            "f_numbers": [4.0, 5.6, 8.0, 11.0, 16.0],
            "shutters_s": [1 / 64, 1 / 32],
        }

    def known(self) -> Known | None:
        return None

    def frames(self) -> int:
        return len(self.shot)

    async def ask(self, what: dict[str, Any]) -> tuple[bool, str]:
        ok, text = next(iter(self.script.get(what["do"], [])), (True, "done"))
        self.script[what["do"]] = self.script.get(what["do"], [])[1:]
        if ok and what["do"] == "fire":
            self.shot.append(self.camera["f_number"])
        elif ok:
            self.camera.update({key: value for key, value in what.items() if key != "do"})
        return ok, text

    async def frame(self, after: int, setting: Setting, timeout_s: float) -> bool:
        if self.loses:
            self.loses -= 1
            return False
        return setting.f_number in self.shot[after:]

    def tell(self, run: dict[str, Any]) -> None:
        self.told.append(run)
        self.on_tell(run)

    def newest(self) -> dict[str, Any] | None:
        kinds = [{"kind": "light-changed"}] if self.shot else []
        return {"frame": len(self.shot), "notices": kinds, "highlights": {"subject": 0.0}}

    async def mark(self, frame: int, what: str) -> None:
        self.marked.append(what)

    async def glimpse(self) -> Glimpse | None:
        return self.lights.pop(0) if len(self.lights) > 1 else self.lights[0] if self.lights else None

    async def end_glimpses(self) -> None:
        self.ended_views += 1


@pytest.fixture(autouse=True)
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bracket, "PAUSES_S", (0.0,) * 4)
    monkeypatch.setattr(bracket, "_LOOK_S", 1e-3)


def go(run: bracket.Run) -> dict[str, Any]:
    asyncio.run(run.go())
    stage: Any = run.stage
    assert stage.camera["f_number"] == 8.0, "put back"
    assert all("\n" not in told["text"] for told in stage.told)
    end: dict[str, Any] = stage.told[-1]
    assert end["state"] == "ended"
    return end


def fixed(stage: Played, *at: float) -> Bracket:
    return Bracket(stage, THRESHOLDS, wish=Wish("at", at=at or (16.0, 4.0)))


@pytest.mark.parametrize(
    "script",
    [
        {"fire": [(False, FULL)] * 3},
        {"aperture": [(False, MODE)] * 3},
        {"aperture": [(True, ""), (False, MODE)], "fire": [(False, FULL)]},
    ],
)
def test_what_a_hand_can_mend_is_waited_for_and_the_run_goes_on(script: dict[str, Any]) -> None:
    stage = Played(script)
    end = go(fixed(stage))
    assert (end["end"], stage.shot) == ("shot", [16.0, 4.0])
    waits = [told["text"] for told in stage.told if told["state"] == "waiting"]
    assert waits
    assert set(waits) <= {FULL, MODE}


def test_what_nobody_mends_ends_the_run_with_its_reason() -> None:
    stage = Played({"fire": [(True, "")] + [(False, FULL)] * 99})
    end = go(fixed(stage))
    assert (end["end"], end["text"], stage.shot) == ("cannot", FULL, [16.0])
    assert len(end["taken"]) == 1


def test_a_halt_ends_a_wait() -> None:
    stage = Played({"fire": [(False, FULL)] * 99})
    run = fixed(stage)
    stage.on_tell = lambda told: setattr(run, "halted", told["state"] == "waiting" or run.halted)
    end = go(run)
    assert (end["end"], stage.shot) == ("cannot", [])


def test_a_trouble_that_passes_is_tried_thrice_and_another_not_at_all() -> None:
    busy = (False, "The camera did not fire: it is busy.")
    assert go(fixed(Played({"fire": [busy] * 2})))["end"] == "shot"
    assert go(fixed(Played({"fire": [busy] * 9})))["text"] == busy[1]
    odd = (False, "The camera did not fire: look at its own display (focus, card, mode).")
    stage = Played({"fire": [odd, (True, "")]})
    assert go(fixed(stage))["text"] == odd[1]
    assert stage.shot == []


def test_a_shot_nobody_answered_for_but_that_came_is_not_fired_again() -> None:
    stage = Played({"fire": [(False, "The connection broke before the camera answered: see whether it fired.")]})
    stage.shot.append(16.0)
    stage.frames = lambda: 0  # type: ignore[method-assign]
    assert go(fixed(stage, 16.0))["end"] == "shot"
    assert stage.shot == [16.0]


def test_a_fixed_run_fires_on_while_frames_are_judged_and_tells_the_one_that_never_came() -> None:
    stage = Played(loses=1)
    end = go(fixed(stage, 16.0, 11.0, 4.0))
    assert stage.shot == [16.0, 11.0, 4.0]
    assert end["end"] == "cannot"
    assert "f/16" in end["text"]
    assert len(end["taken"]) == 3


def test_a_run_over_lamps_goes_on_when_it_sees_the_switch_thrown(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("lampblack.daemon.lamprun._LOOK_S", 1e-3)
    seconds = iter(range(10_000))
    key, fill, dark = (np.full(CELLS, level, np.float32) for level in (0.5, 0.1, 0.0))
    stage = Played(lights=[key] * 3 + [fill] * 6 + [key] * 6 + [dark] * 6 + [key] * 6)

    async def timed() -> None:
        monkeypatch.setattr(asyncio.get_running_loop(), "time", lambda: float(next(seconds)), raising=False)
        await run.go()

    run = LampRun(stage, THRESHOLDS, lamps=("fill", "key"))
    asyncio.run(timed())
    assert stage.told[-1]["end"] == "shot", stage.told[-1]
    assert stage.marked == ["fill", "key", "none", "all"]
    assert stage.ended_views == 4
