"""
What a review knows: a setup's frames out of the journal, what is held against what, and what a key does. Pure.

A journal lies in a folder where anybody may have written to it: nothing it says is trusted (`loose`, `clean`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from lampblack.daemon.clean import clean, clean_path
from lampblack.daemon.journal import Kept
from lampblack.daemon.loose import Json, line_of, list_of, number_of, object_of, positive_of
from lampblack.daemon.noted import LONG, SHORT, Choice
from lampblack.daemon.record import SetupRecord, Shoot
from lampblack.daemon.told import Frame, frame_of
from lampblack.rules.differ import Difference, Facts, across, alike, differ
from lampblack.rules.exposure import Exposure
from lampblack.rules.readings import in_words, marks_at, ratios
from lampblack.rules.sampled import sample_of
from lampblack.rules.thresholds import Thresholds

NO_CHOICE = Choice(None, None, None)
WHY_MOST = 200
"""Letters of a reason that is typed in one line."""


@dataclass(frozen=True)
class Tile:
    """One frame of the row."""

    number: int
    file: str
    frame: Frame
    facts: Facts
    choice: Choice = NO_CHOICE


@dataclass(frozen=True)
class Page:
    """
    One setup as it is reviewed.

    marks: the readings' apertures at the curve's time and ISO, by place. readings: the same in words, with their
    ratios. curve: the frame whose forecast is drawn. differs: what differs between its frames, as a sentence.
    """

    number: int
    name: str
    begun: str
    tiles: tuple[Tile, ...] = ()
    marks: tuple[tuple[str, float], ...] = ()
    readings: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    lamps: tuple[tuple[str, str], ...] = ()
    curve: Tile | None = None
    differs: str = ""

    @property
    def title(self) -> str:
        """Return number and name."""
        return f"setup {self.number}" + (f": {self.name}" if self.name else "")


def page_of(shoot: Shoot, setup: SetupRecord, thresholds: Thresholds) -> Page:
    """Return a setup as it is reviewed; its frames must have been read."""
    readings = list(setup.readings.values())
    told = tuple(ratios(readings))
    tiles = tuple(
        replace(tile, facts=replace(tile.facts, ratios=told))
        for tile in (tile_of(frame, shoot.choices.get(frame.number)) for frame in setup.frames)
    )
    # The newest frame's forecast knows what all before it have taught.
    curve = next((tile for tile in reversed(tiles) if len(tile.frame.forecast) > 1), None)
    told_by = curve or (tiles[-1] if tiles else None)
    exposure = Exposure() if told_by is None else told_by.facts.exposure
    return Page(
        setup.number,
        clean(setup.name or "", SHORT),
        clean(setup.begun, SHORT),
        tiles,
        tuple(marks_at(readings, exposure).items()),
        tuple(clean(line, LONG) for line in in_words(readings, exposure)),
        tuple(clean(note, LONG) for note in setup.notes),
        tuple((clean(name, SHORT), clean(lamp.text, LONG)) for name, lamp in setup.lamps.items()),
        curve,
        across([tile.facts for tile in tiles], thresholds)[1],
    )


def tile_of(kept: Kept, choice: Choice | None) -> Tile:
    """Return a frame of the row."""
    frame = frame_of({"verdict": kept.verdict, "preview": kept.preview}) or Frame()
    return Tile(
        kept.number, clean_path(kept.path), frame, _facts(kept.number, kept.verdict, frame), choice or NO_CHOICE
    )


def _facts(number: int, verdict: Json, frame: Frame) -> Facts:
    colour, steady, pixels, backdrop = (
        object_of(verdict.get(key)) for key in ("colour", "steadiness", "pixels", "backdrop")
    )
    shift = [number_of(one) for one in list_of(steady.get("shift_px"))[:2]]
    sides = [positive_of(pixels.get(key)) or 0.0 for key in ("width", "height")]
    small = frame.preview
    notices = [object_of(one).get("kind") for one in list_of(verdict.get("notices"))[:50]]
    return Facts(
        name=f"frame {number}",
        exposure=_exposure(frame),
        raw=pixels.get("kind") == "raw",
        mid_stops=number_of(verdict.get("mid_stops")),
        clipped=frame.clipped,
        blocked=frame.shadows_subject,
        tone=frame.backdrop.tone or None,
        clean=frame.backdrop.clean,
        over_stops=frame.backdrop.over_stops,
        backdrop_code=number_of(object_of(backdrop.get("code")).get("p50")),
        backdrop_stops=frame.backdrop.stops_below_white,
        mired=number_of(colour.get("mired")),
        colour_from=line_of(colour.get("from"), 24) or None,
        shift=(shift[0], shift[1]) if len(shift) == 2 and shift[0] is not None and shift[1] is not None else None,
        long_side=max(sides) or None,
        troubles=frozenset(kind for kind in notices if isinstance(kind, str)),
        sample=None if small is None else sample_of(small.width, small.height, small.rgb, small.marks),
    )


def _exposure(frame: Frame) -> Exposure:
    """Return a frame's exposure; a journal's numbers may be of any size, and an f-number of 1e-9 is none."""
    f_number, shutter_s, iso = (
        value if value is not None and low <= value <= high else None
        for value, low, high in (
            (frame.f_number, 0.3, 1000.0),
            (frame.shutter_s, 1e-6, 1e5),
            (frame.iso, 1.0, 1e7),
        )
    )
    return Exposure.of(f_number, shutter_s, iso)


def telling(tiles: Sequence[Tile]) -> Tile | None:
    """Return the frame that stands for its setup: the best rated, else the newest to be kept, else the newest."""
    rated = [tile for tile in tiles if (tile.choice.rating or 0) > 0]
    if rated:
        return max(reversed(rated), key=lambda tile: tile.choice.rating or 0)
    return next((tile for tile in reversed(tiles) if tile.frame.step.move == "keep"), tiles[-1] if tiles else None)


# ---------------------------------------------------------------- one against another


@dataclass(frozen=True)
class Held:
    """What others are held against: a frame; or a setup, by the frame that stands for it, if it has any."""

    page: Page
    tile: Tile | None
    whole: bool = False

    @property
    def title(self) -> str:
        """Return what it is called."""
        return f"setup {self.page.number}" if self.whole or self.tile is None else self.tile.facts.name


@dataclass(frozen=True)
class Against:
    """
    Two frames, or two setups, held against each other: the change from `before` to `after`.

    same: what is as it was. lamps: what was said otherwise of them. Both in words.
    """

    before: Held
    after: Held
    differences: tuple[Difference, ...]
    same: tuple[str, ...] = ()
    lamps: tuple[str, ...] = ()

    @property
    def lines(self) -> list[str]:
        """Return what differs, what was done before what came of it."""
        told = [one.text for one in self.differences] + list(self.lamps)
        if self.before.tile is None or self.after.tile is None:
            empty = self.after if self.after.tile is None else self.before
            return [f"{empty.title} has no frame yet", *told]
        told += [f"as it was: {', '.join(self.same)}"] if self.same else []
        return told or ["nothing that can be told from the frames"]

    @property
    def sentence(self) -> str:
        """Return the same as one sentence."""
        text = f"{self.after.title} against {self.before.title}: {'; '.join(self.lines)}."
        return text[:1].upper() + text[1:]


def against(before: Held, after: Held, thresholds: Thresholds) -> Against:
    """Hold one against another; of two setups it is told too what was said of their lamps."""
    old, new = before.tile, after.tile
    found, same = (
        ((), ())
        if old is None or new is None
        else (differ(old.facts, new.facts, thresholds), alike(old.facts, new.facts, thresholds))
    )
    lamps = _lamps(dict(before.page.lamps), dict(after.page.lamps)) if before.whole else ()
    return Against(before, after, found, same, tuple(lamps))


def _lamps(before: dict[str, str], after: dict[str, str]) -> Iterable[str]:
    """Yield what was said otherwise of the lamps."""
    for name in dict.fromkeys((*before, *after)):
        if name not in before:
            yield f"lamp {name} is named now: {after[name]}"
        elif name not in after:
            yield f"lamp {name} is not named any more"
        elif before[name] != after[name]:
            yield f"lamp {name}: {after[name]}; was {before[name]}"


# ---------------------------------------------------------------- the review


@dataclass(frozen=True)
class ReviewState:
    """
    All that a review shows.

    setups: the numbers of the shoot's setups. selected: place in the row. held: what the selected frame is held
    against. large: one frame, or the two, as large as they go; marked: with clipped and spilled areas marked.
    typing: the reason as far as it is typed; None outside the prompt. said: the last word of ours; amiss: that
    something didn't work.
    """

    folder: str
    setups: tuple[int, ...]
    page: Page
    thresholds: Thresholds
    selected: int = 0
    held: Held | None = None
    large: bool = False
    marked: bool = True
    typing: str | None = None
    said: str = ""
    amiss: bool = False

    @property
    def tile(self) -> Tile | None:
        """The frame that keys speak of."""
        return self.page.tiles[self.selected] if self.page.tiles else None

    @property
    def against(self) -> Against | None:
        """What the selected frame, or its setup, is held against; None where that is nothing, or itself."""
        if self.held is None:
            return None
        same_frame = self.tile is not None and self.held.tile is not None and self.tile.number == self.held.tile.number
        if self.held.page.number == self.page.number if self.held.whole else same_frame:
            return None
        return against(self.held, Held(self.page, self.tile, self.held.whole), self.thresholds)


def opened(
    folder: str, setups: Sequence[int], page: Page, thresholds: Thresholds, frame: int | None = None
) -> ReviewState:
    """Return a review as it opens: at a frame, else at the one that stands for the setup."""
    best = next((tile for tile in page.tiles if tile.number == frame), None) or telling(page.tiles)
    return ReviewState(folder, tuple(setups), page, thresholds, 0 if best is None else page.tiles.index(best))


def turned(state: ReviewState, setups: Sequence[int], page: Page) -> ReviewState:
    """Return the review turned to a setup; turned to the one it shows, what is selected stays selected."""
    if page.number != state.page.number:
        fresh = opened(state.folder, setups, page, state.thresholds)
        return replace(fresh, held=state.held, large=state.large)
    number = None if state.tile is None else state.tile.number
    numbers = [tile.number for tile in page.tiles]
    place = numbers.index(number) if number in numbers else max(0, len(numbers) - 1)
    held = state.held
    if held is not None and held.page.number == page.number:
        held = _anew(held, page)
    return replace(state, setups=tuple(setups), page=page, selected=place, held=held)


def _anew(held: Held, page: Page) -> Held | None:
    """Return what is held, as its setup tells it now."""
    if held.whole or held.tile is None:
        return Held(page, telling(page.tiles), held.whole)
    tile = next((tile for tile in page.tiles if tile.number == held.tile.number), None)
    return None if tile is None else Held(page, tile)


def saying(state: ReviewState, text: str, *, amiss: bool = False) -> ReviewState:
    """Return the review with a word of ours in it."""
    return replace(state, said=clean(text, LONG), amiss=amiss)


# ---------------------------------------------------------------- keys


@dataclass(frozen=True)
class Pressed:
    """What a key did: the state after it, a choice to be kept, a setup to turn to, whether to leave."""

    state: ReviewState
    keep: tuple[int, Choice] | None = None
    setup: int | None = None
    leave: bool = False


def press(state: ReviewState, key: str) -> Pressed:
    """
    Return what a key does. Pure.

    Args:
        state: as shown.
        key: one printable character, or "enter", "escape", "backspace", "up", "down", "left", "right".
    """
    if state.typing is not None:
        return _type(state, key)
    if key == "q":
        return Pressed(state, leave=True)
    act = _KEYS.get(key)
    return Pressed(state) if act is None else act(replace(state, said="", amiss=False))


def _type(state: ReviewState, key: str) -> Pressed:
    typed, tile = state.typing or "", state.tile
    if key == "escape" or tile is None:
        return Pressed(replace(state, typing=None))
    if key == "enter":
        why = clean(typed, WHY_MOST).strip()
        return Pressed(replace(state, typing=None), (tile.number, replace(tile.choice, why=why)))
    if key == "backspace":
        return Pressed(replace(state, typing=typed[:-1]))
    if len(key) == 1 and len(typed) < WHY_MOST and (key == " " or clean(key)):
        return Pressed(replace(state, typing=typed + key))
    return Pressed(state)


def _select(by: int) -> Callable[[ReviewState], Pressed]:
    def act(state: ReviewState) -> Pressed:
        last = max(0, len(state.page.tiles) - 1)
        return Pressed(replace(state, selected=min(max(state.selected + by, 0), last)))

    return act


def _turn(by: int) -> Callable[[ReviewState], Pressed]:
    def act(state: ReviewState) -> Pressed:
        here = state.setups.index(state.page.number) if state.page.number in state.setups else 0
        if not 0 <= here + by < len(state.setups):
            return Pressed(saying(state, f"This is the {'last' if by > 0 else 'first'} setup."))
        return Pressed(state, setup=state.setups[here + by])

    return act


def _choose(rating: int) -> Callable[[ReviewState], Pressed]:
    def act(state: ReviewState) -> Pressed:
        tile = state.tile
        return Pressed(state) if tile is None else Pressed(state, (tile.number, replace(tile.choice, rating=rating)))

    return act


def _press_why(state: ReviewState) -> Pressed:
    return Pressed(state) if state.tile is None else Pressed(replace(state, typing=state.tile.choice.why or ""))


def _press_hold(state: ReviewState) -> Pressed:
    tile = state.tile
    if tile is None:
        return Pressed(saying(state, "No frame here to hold others against."))
    held = state.held
    if held is not None and not held.whole and held.tile is not None and held.tile.number == tile.number:
        return Pressed(_let_go(state))
    return Pressed(_hold(state, Held(state.page, tile)))


def _press_hold_setup(state: ReviewState) -> Pressed:
    if state.held is not None and state.held.whole and state.held.page.number == state.page.number:
        return Pressed(_let_go(state))
    return Pressed(_hold(state, Held(state.page, telling(state.page.tiles), whole=True)))


def _hold(state: ReviewState, held: Held) -> ReviewState:
    others = "up, down: other setups" if held.whole else "the arrows lead to others"
    return saying(replace(state, held=held), f"Held: {held.title}. What differs from it is told; {others}.")


def _let_go(state: ReviewState) -> ReviewState:
    return saying(replace(state, held=None), "Nothing is held any more.")


def _press_large(state: ReviewState) -> Pressed:
    return Pressed(replace(state, large=not state.large and state.tile is not None))


def _press_marks(state: ReviewState) -> Pressed:
    text = "" if state.large else f"Marks are {'off' if state.marked else 'on'} where a frame is large."
    return Pressed(saying(replace(state, marked=not state.marked), text))


def _press_escape(state: ReviewState) -> Pressed:
    if state.large:
        return Pressed(replace(state, large=False))
    return Pressed(state if state.held is None else _let_go(state))


_KEYS: dict[str, Callable[[ReviewState], Pressed]] = {
    "left": _select(-1),
    "right": _select(+1),
    "up": _turn(-1),
    "down": _turn(+1),
    "h": _press_hold,
    "H": _press_hold_setup,
    "w": _press_why,
    "m": _press_marks,
    "enter": _press_large,
    "escape": _press_escape,
    **{str(rating): _choose(rating) for rating in range(6)},
}
