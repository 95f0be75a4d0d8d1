"""
A run over lamps: each alone, none, all, with a word on what to switch before each; the frames come out marked.

The person stands at the lamps. A camera that shows what its lens sees lets the run see the switch thrown, and go on by
itself; else one key says so, or a pause between prompts does without any. A frame that shows the light as it was before
is not taken for the next lamp's; the switch is asked for again.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Protocol

from lampblack.daemon.bracket import TRIES, Run, Stage, cannot
from lampblack.daemon.lampbook import ALL, NONE, Lamp
from lampblack.rules.glimpse import Glimpse, Switch
from lampblack.rules.run import Offer, Plan, Setting

Event = dict[str, Any]

_CLIPPED = 0.01  # of the subject: a layer that is burnt out there is a lower bound
_DARKER, _BRIGHTER = -2.0, 3.0  # stops, where a lamp alone is burnt out, or too dark to see anything by
_LOOK_S = 0.3
_NEW_LIGHT = {"light-changed", "light-again", "black-frame", "burnt-out"}


class LampStage(Stage, Protocol):
    """What a run over lamps needs of the service besides."""

    def newest(self) -> Event | None:
        """Return what was said of the newest frame."""

    async def mark(self, frame: int, what: str) -> None:
        """Mark what a frame shows."""

    async def glimpse(self) -> Glimpse | None:
        """Return what the lens sees now, without a shot; None where the camera doesn't show it, or not just now."""

    async def end_glimpses(self) -> None:
        """Have the camera stop showing."""


@dataclass
class LampRun(Run):
    """One run over lamps. lamps: their names, in order. pause_s: seconds to throw a switch in; None: a key says so."""

    stage: LampStage
    lamps: tuple[str, ...] = ()
    pause_s: float | None = None
    switched: bool = False
    """The key was pressed."""

    async def _shoot(self, begun: Offer, taken: list[Setting]) -> Plan:
        frames: list[str] = []
        for what in (*self.lamps, NONE, ALL):
            wrong = await self._one_lamp(what, begun, taken, first=not frames)
            if wrong is not None:
                done = f" {', '.join(frames)} are marked." if frames else ""
                return cannot(f"{wrong}{done}")
            await self.stage.mark(int(self._said()["frame"]), what)
            frames.append(what)
        return Plan((), "shot", f"{', '.join(frames)}: shot and marked. lampblack balance --folder reads them.")

    async def _one_lamp(self, what: str, begun: Offer, taken: list[Setting], *, first: bool) -> str | None:
        """Have a lamp switched, and shoot it; return why not, in a line."""
        prompt = _prompt(what)
        for _ in range(TRIES):
            if not await self._asked(prompt, what):
                return f"Halted after {len(taken)} frames."
            told: set[str] = set()
            wrong = await self._exposed(what, begun, taken, told)
            if wrong is not None:
                return wrong
            if told & _NEW_LIGHT or (first and self.stage.frames() == len(taken)):
                return None  # the shoot's very first frame has nothing to be held against
            prompt = f"The light is as it was before. {_prompt(what)}"
        return f"{what}: the light did not change."

    def _said(self) -> Event:
        return self.stage.newest() or {}

    async def _asked(self, prompt: str, what: str) -> bool:
        """Tell what to switch, and wait until it is done; return False if the run was halted meanwhile."""
        self.switched = False
        self._tell("waiting", Plan((), None, ""), [], prompt, prompt=what)
        clock = asyncio.get_running_loop().time
        begun_s, switch = clock(), None
        while not self.switched and not self.halted:
            if self.pause_s is None:
                picture = await self.stage.glimpse()
                if picture is not None:
                    switch = switch or Switch(picture, self.thresholds)
                    self.switched = self.switched or switch.seen(picture, clock())
            elif clock() - begun_s >= self.pause_s:
                break
            await asyncio.sleep(_LOOK_S)
        if switch is not None:
            await self.stage.end_glimpses()
        return not self.halted

    async def _exposed(self, what: str, begun: Offer, taken: list[Setting], told: set[str]) -> str | None:
        """Shoot until the lamp is neither burnt out nor too dark, three times at most; `told` gathers the notices."""
        setting = begun.here
        for _ in range(TRIES):
            self._tell("running", Plan((setting,), None, ""), taken, f"{what}: {setting.text}.")
            wrong = await self._one(setting)
            if wrong is not None:
                return wrong
            taken.append(setting)
            told |= _kinds(self._said())  # of each: the second frame of a lamp is lit as the first was
            change = _change(self._said(), what)
            other = None if change is None else _nearest(begun, setting, change)
            if other is None or other == setting:
                return None
            setting = other
        return None


def _prompt(what: str) -> str:
    return {
        ALL: "Now all lamps on.",
        NONE: "Now all lamps off.",
    }.get(what, f"Now {what} alone: the others off.")


def _kinds(said: Event) -> set[str]:
    """Return what kinds of notices a frame has."""
    return {str(notice.get("kind")) for notice in said.get("notices") or []}


def _change(said: Event, what: str) -> float | None:
    """Return the stops that a frame is to be exposed by otherwise, None for none."""
    clipped, kinds = (said.get("highlights") or {}).get("subject") or 0.0, _kinds(said)
    if clipped > _CLIPPED or "burnt-out" in kinds:
        return _DARKER
    return _BRIGHTER if "black-frame" in kinds and what != NONE else None


def _nearest(offer: Offer, here: Setting, change: float) -> Setting | None:
    """Return the aperture nearest to a change of light that the camera offers."""
    if not offer.f_numbers or here.f_number is None:
        return None
    wanted = here.light + change
    return min((replace(here, f_number=n) for n in offer.f_numbers), key=lambda s: abs(s.light - wanted))


def lamps_of(request: Event, known: Mapping[str, Lamp]) -> tuple[tuple[str, ...], float | None]:
    """
    Return the lamps that a request names, and the pause. known: the setup's lamps and cards by name.

    Raises:
        ValueError: it makes no sense; the text says why.
    """
    told, pause_s = request.get("lamps"), request.get("pause_s")
    names = [str(name).strip()[:40] for name in told] if isinstance(told, list) else []
    plain = {name.lower() for name in names if name}
    if not 1 <= len(names) <= _MOST or len(plain) < len(names) or plain & {ALL, NONE}:
        raise ValueError(f"Name up to {_MOST} lamps, each once: key,fill,rim; all and none come by themselves.")
    if cards := [name for name in names if name in known and known[name].is_card]:
        raise ValueError(f"{cards[0]} is a {known[cards[0]].kind}, and gives no light alone: name lamps.")
    if pause_s is not None and (not isinstance(pause_s, int | float) or not 1 <= pause_s <= 600):
        raise ValueError("A pause is 1 to 600 seconds.")
    return tuple(names), pause_s


_MOST = 12
