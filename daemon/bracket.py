"""
Runs: the camera driven through a bracket until it is right, and put back as it stood.

The plan is made by `rules.run`, anew after every frame. Here are the dials that are turned, the frame that is waited
for, the camera that falls asleep in between; nothing of it blocks the loop.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Protocol

from lampblack.daemon.clean import clean
from lampblack.rules.run import Known, Offer, Plan, Setting, Wish, next_of
from lampblack.rules.thresholds import Thresholds

log = logging.getLogger(__name__)
Event = dict[str, Any]

FRAME_S = 120.0
"""From a shot to its verdict: a long exposure, its download, its reading."""
PAUSES_S = (1.0, 2.0, 4.0, 8.0, 15.0, 30.0, 30.0, 30.0)
"""Between looks at a camera that is away, or waits for a hand: two minutes in all."""
TRIES = 3


class Stage(Protocol):
    """What a run needs of the service."""

    @property
    def camera(self) -> Event:
        """What the camera is doing now."""

    def known(self) -> Known | None:
        """What the setup's frames have taught so far."""

    def frames(self) -> int:
        """How many frames there are."""

    async def ask(self, what: Event) -> tuple[bool, str]:
        """Have the camera do something."""

    async def frame(self, after: int, setting: Setting, timeout_s: float) -> bool:
        """Wait for a frame numbered over `after` that was shot so, or doesn't tell; False: there was none in time."""

    def tell(self, run: Event) -> None:
        """Tell clients how the run goes."""


@dataclass
class Run:
    """One run: begun, told of, ended; what it shoots is for a subclass to say."""

    stage: Stage
    thresholds: Thresholds
    halted: bool = False

    def offer(self) -> Offer:
        """Return what the camera offers now."""
        camera = self.stage.camera
        times = tuple(t for t in camera.get("shutters_s") or () if t <= _LONGEST_S)
        here = Setting(camera.get("f_number"), camera.get("shutter_s"))
        return Offer(here, tuple(camera.get("f_numbers") or ()), times, camera.get("iso"))

    async def go(self) -> None:
        """Run to the end; the camera is put back as it stood, whatever the end."""
        taken: list[Setting] = []
        if (away := await self._ready()) is not None:
            self._tell("ended", cannot(away), taken, away)
            return
        begun = self.offer()
        plan = cannot("The run did not begin.")
        try:
            plan = await self._shoot(begun, taken)
        except Exception:
            log.exception("a run broke off")
            plan = cannot("The run broke off: the log says why.")
        finally:
            back = await self._back_to(begun.here)
            plan = await self._checked(plan)
            text = plan.why if back is None else f"{plan.why} {back}"
            self._tell("ended", plan, taken, text)

    async def _shoot(self, begun: Offer, taken: list[Setting]) -> Plan:
        """Shoot all there is to shoot, adding to `taken`; return how it ended."""
        raise NotImplementedError

    async def _checked(self, plan: Plan) -> Plan:
        """Look back over what was shot, with the camera put back already; return how the run ended."""
        return plan

    async def _one(self, setting: Setting) -> str | None:
        """Set, fire, wait for the verdict, out of what may pass or a person can mend; return why not, in a line."""
        wrong, tries, pauses = "The camera did not answer.", 0, iter(PAUSES_S)
        while tries < TRIES:
            if self.halted:
                return "Halted."
            away = await self._ready()
            if away is not None:
                return away
            told, fired = await self._shot(setting)
            if told is None:
                return None
            wrong = told
            if not fired and any(word in wrong for word in _MENDED_BY_HAND):
                if not await self._waited(wrong, next(pauses, None)):
                    return wrong
            elif fired or not _passing(wrong, self.stage.camera):
                return wrong
            else:
                tries += 1
        return wrong

    async def _shot(self, setting: Setting) -> tuple[str | None, bool]:
        """Set, fire and wait once; return what went wrong, and whether the camera fired all the same."""
        before = self.stage.frames()
        wrong = await self._set(setting)
        if wrong is not None:
            return wrong, False
        fired, text = await self.stage.ask({"do": "fire"})
        # A shot that nobody answered for may have been taken all the same: look before another is fired.
        if await (self._came(before, setting) if fired else self.stage.frame(before, setting, _AFTER_A_BREAK_S)):
            return None, fired
        return ("The camera fired, but no frame came to be judged." if fired else text), fired

    async def _came(self, before: int, setting: Setting) -> bool:
        """Wait for what was just shot to be judged; return whether it was."""
        return await self.stage.frame(before, setting, FRAME_S)

    async def _set(self, setting: Setting) -> str | None:
        camera = self.stage.camera
        if setting.f_number is not None and setting.f_number != camera.get("f_number"):
            ok, text = await self.stage.ask({"do": "aperture", "f_number": setting.f_number})
            if not ok:
                return text
        if setting.shutter_s is not None and setting.shutter_s != camera.get("shutter_s"):
            ok, text = await self.stage.ask({"do": "shutter", "shutter_s": setting.shutter_s})
            if not ok:
                return text
        return None

    async def _ready(self) -> str | None:
        """Wait for a camera that is away, longer and longer; return why it is given up."""
        for pause_s in PAUSES_S:
            state = self.stage.camera.get("state")
            if state in ("ready", "busy"):
                return None
            if state == "none" or self.halted:
                break
            await self._waited(str(self.stage.camera.get("text") or "The camera is away."), pause_s)
        text = clean(str(self.stage.camera.get("text") or ""), 200)
        return f"The camera is away: {text}" if text else "No camera: start watching with --camera auto."

    async def _waited(self, why: str, pause_s: float | None) -> bool:
        """Wait, and say for what; return False where the patience, None, is at its end or a halt came."""
        if pause_s is None:
            return False
        self._tell("waiting", _NOTHING, [], why)
        for _ in range(max(1, round(pause_s / _LOOK_S))):
            if self.halted:
                return False
            await asyncio.sleep(_LOOK_S)
        return True

    async def _back_to(self, here: Setting) -> str | None:
        """Put the dials back; return a line if they can't be."""
        if self.stage.camera.get("state") not in ("ready", "busy"):
            await self._ready()
        for _ in range(2):
            wrong = await self._set(here)
            if wrong is None:
                return None
        return f"The camera could not be put back to {here.text}: {wrong}"

    def _tell(self, state: str, plan: Plan, taken: list[Setting], text: str, prompt: str | None = None) -> None:
        self.stage.tell(
            {
                "state": state,
                "text": clean(text, 400),
                "taken": [_json(one) for one in taken],
                "left": [_json(one) for one in plan.shots],
                "end": plan.end if state == "ended" else None,
                "prompt": prompt,
            }
        )


@dataclass(kw_only=True)
class Bracket(Run):
    """A run through a bracket: until its aim is met, its range covered, or what was asked for is shot."""

    wish: Wish
    _owed: list[tuple[int, Setting]] = field(default_factory=list, init=False)

    async def _shoot(self, begun: Offer, taken: list[Setting]) -> Plan:
        while True:
            plan = next_of(self.wish, begun, self.stage.known(), taken, self.thresholds)
            if plan.end is not None:
                return plan
            self._tell("running", plan, taken, _progress(plan, taken))
            if self.halted:
                return cannot(f"Halted after {len(taken)} frames.")
            wrong = await self._one(plan.shots[0])
            if wrong is not None:
                return cannot(wrong)
            taken.append(plan.shots[0])

    async def _came(self, before: int, setting: Setting) -> bool:
        if self.wish.goal in ("aim", "cover"):
            return await super()._came(before, setting)
        self._owed.append((before, setting))  # what comes next doesn't hang on it: it is judged while that is shot
        return True

    async def _checked(self, plan: Plan) -> Plan:
        for before, setting in self._owed if plan.end == "shot" else []:
            if not await self.stage.frame(before, setting, FRAME_S):
                return cannot(f"The camera fired at {setting.text}, but no such frame came to be judged.")
        return plan


def _progress(plan: Plan, taken: list[Setting]) -> str:
    left = ", ".join(shot.text for shot in plan.shots)
    return f"Frame {len(taken) + 1}, next {left}. {plan.why}"


_LONGEST_S = 4.0  # a run leaves longer times alone: nobody waits for them unasked
_AFTER_A_BREAK_S = 8.0
_LOOK_S = 0.2  # between looks for a halt


def cannot(why: str) -> Plan:
    """Return the end of a run that can't go on."""
    return Plan((), "cannot", why)


_NOTHING = Plan((), None, "")


def _passing(wrong: str, camera: Event) -> bool:
    """Say whether a trouble may pass: the line broke, the camera is busy or asleep, or swallowed a shot."""
    return camera.get("state") != "ready" or any(word in wrong for word in _PASSING)


_PASSING = ("broke", "busy", "did not answer", "no frame came")
_MENDED_BY_HAND = ("card is full", "mode dial")
"""In what the camera's end says: a person at the camera can put this right, and the run goes on where it was."""


def _json(setting: Setting) -> Event:
    return {"f_number": setting.f_number, "shutter_s": setting.shutter_s}


def wish_of(request: Event, readings_at: Callable[[], tuple[float, ...]]) -> Wish:
    """
    Return what a request wants.

    Args:
        request: the socket's `bracket`.
        readings_at: the apertures of the logged readings, at the camera's time and ISO.

    Raises:
        ValueError: it makes no sense; the text says why.
    """
    hold = bool(request.get("hold_aperture"))
    at = request.get("at")
    if at == "readings":
        found = readings_at()
        if not found:
            raise ValueError("No reading is logged in this setup, or the camera's time and ISO are not known.")
        return Wish("at", hold, at=found)
    if at is not None:
        if not isinstance(at, list) or not at or not all(_is_mark(n) for n in at) or len(at) > _MOST_FRAMES:
            raise ValueError(f"Apertures are numbers such as 16, 8, 4; at most {_MOST_FRAMES} of them.")
        return Wish("at", hold, at=tuple(float(n) for n in at))
    frames = request.get("frames")
    if frames is not None:
        thirds = request.get("thirds", 3)
        whole = isinstance(frames, int) and isinstance(thirds, int)
        if not whole or not 2 <= frames <= _MOST_FRAMES or thirds < 1:
            raise ValueError(f"A ladder has 2 to {_MOST_FRAMES} frames, a third of a stop or more apart.")
        return Wish("ladder", hold, frames=frames, thirds=thirds)
    return Wish("cover" if request.get("cover") else "aim", hold)


_MOST_FRAMES = 15


def _is_mark(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and 0.5 <= value <= 128
