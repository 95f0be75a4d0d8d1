"""A review in plain lines, for pipes and screen readers, and as data. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from lampblack.daemon.clean import sentence
from lampblack.daemon.noted import Choice
from lampblack.daemon.review_state import Against, Held, Page, Tile
from lampblack.daemon.told import Backdrop, Forecast, exposure_text, figure, not_clean_text, over_limit, room_text
from lampblack.rules.differ import Difference, differ
from lampblack.rules.figures import f_text, percent
from lampblack.rules.thresholds import Thresholds

Json = dict[str, Any]


# ---------------------------------------------------------------- in lines


def page_lines(page: Page) -> Iterator[str]:
    """Yield a setup in whole sentences, one line each."""
    many = len(page.tiles)
    count, begun = f"{many} frame{'' if many == 1 else 's'}", page.begun[:16].replace("T", " ")
    yield f"{_capital(page.title)}, {count}, begun {begun} UTC."
    yield from (sentence(f"Note: {note}") for note in page.notes)
    yield from (sentence(f"Lamp {name}: {text}") for name, text in page.lamps)
    yield from (sentence(f"Meter, {line}") for line in page.readings)
    yield from map(tile_line, page.tiles)
    if page.curve is not None:
        yield f"Forecast, as {page.curve.facts.name} has it:"
        yield from (f"  {line}" for line in forecast_lines(page))
    yield page.differs


def tile_line(tile: Tile) -> str:
    """Return a frame as one line."""
    frame = tile.frame
    over = f", {room_text(frame)}" if over_limit(frame) else ""
    told = [
        f"Frame {tile.number}, {tile.file}: {', '.join(exposure_text(frame).split('  '))}.",
        f"Subject clipped {percent(frame.clipped)}{over}, blocked {percent(frame.shadows_subject)}.",
        backdrop_sentence(frame.backdrop),
        _capital(sentence(choice_text(tile.choice))),
        *map(sentence, frame.notices),
    ]
    return " ".join(filter(None, told))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def backdrop_sentence(backdrop: Backdrop) -> str:
    """Return how a frame's backdrop is."""
    if not backdrop.tone or backdrop.clean is None:
        return "No backdrop."
    return f"Backdrop clean {backdrop.tone}." if backdrop.clean else not_clean_text(backdrop)


def choice_text(choice: Choice) -> str:
    """
    Return what a person thought of a frame; empty for nothing.

    >>> choice_text(Choice(4, None, "the rim is clear")), choice_text(Choice(0, None, None))
    ('chosen 4 of 5, the rim is clear', '')
    """
    rated = "" if not choice.rating else "rejected" if choice.rating < 0 else f"chosen {choice.rating} of 5"
    return ", ".join(filter(None, (rated, choice.label, choice.why)))


def forecast_lines(page: Page) -> Iterator[str]:
    """Yield what each aperture gives, and the readings that ask for it."""
    forecasts = () if page.curve is None else page.curve.frame.forecast
    asked = nearest(page.marks, [one.f_number for one in forecasts])
    for place, one in enumerate(forecasts):
        told = f"clipped {percent(one.highlights)}, blocked {percent(one.shadows)}, backdrop {figure(one.backdrop_p99)}"
        more = [*(["shot"] if one.shot else []), *(f"reading {name}" for name in asked.get(place, ()))]
        yield f"{f_text(one.f_number)}: {told}{''.join(f', {word}' for word in more)}"


def nearest(marks: Sequence[tuple[str, float]], f_numbers: Sequence[float]) -> dict[int, list[str]]:
    """
    Return which readings ask for which of the apertures, by its place; one beyond their ends counts to the end.

    >>> nearest([("key", 16.0), ("fill", 7.9)], [5.6, 8.0, 11.0, 16.0])
    {3: ['key'], 1: ['fill']}
    """
    found: dict[int, list[str]] = {}
    for name, mark in marks if f_numbers else ():
        place = min(range(len(f_numbers)), key=lambda i: abs(f_numbers[i] / mark - mark / f_numbers[i]))
        found.setdefault(place, []).append(name)
    return found


def against_lines(told: Against) -> Iterator[str]:
    """Yield two frames or setups, and what differs between them."""
    for held in (told.before, told.after):
        if held.tile is not None:
            yield f"{_capital(held.page.title)}. {tile_line(held.tile)}"
    yield f"From {told.before.title} to {told.after.title}:"
    yield from (f"  {sentence(line)}" for line in told.lines)


# ---------------------------------------------------------------- as data


def page_json(page: Page, thresholds: Thresholds) -> Json:
    """Return all that is shown of a setup, as data; what differs is told against its first frame."""
    first = page.tiles[0] if page.tiles else None
    return {
        "setup": {"number": page.number, "name": page.name or None, "begun": page.begun},
        "frames": [
            {
                **tile_json(tile),
                "differs": [] if first is None else _differences(differ(first.facts, tile.facts, thresholds)),
            }
            for tile in page.tiles
        ],
        "readings": [{"place": place, "f_number": f_number} for place, f_number in page.marks],
        "readings_text": list(page.readings),
        "notes": list(page.notes),
        "lamps": [{"name": name, "text": text} for name, text in page.lamps],
        "forecast": [] if page.curve is None else [_forecast_json(one) for one in page.curve.frame.forecast],
        "forecast_frame": None if page.curve is None else page.curve.number,
        "differs": page.differs,
    }


def tile_json(tile: Tile) -> Json:
    """Return what is shown of a frame, as data."""
    frame, backdrop = tile.frame, tile.frame.backdrop
    return {
        "frame": tile.number,
        "file": tile.file,
        "f_number": frame.f_number,
        "shutter_s": frame.shutter_s,
        "iso": frame.iso,
        "clipped": frame.clipped,
        "blocked": frame.shadows_subject,
        "headroom_stops": frame.headroom_stops,
        "backdrop": {
            "tone": backdrop.tone or None,
            "clean": backdrop.clean,
            "p99": backdrop.p99,
            "side": backdrop.side or None,
            "over_stops": backdrop.over_stops,
        },
        "mired": tile.facts.mired,
        "choice": {"rating": tile.choice.rating, "label": tile.choice.label, "why": tile.choice.why},
        "notices": list(frame.notices),
    }


def _forecast_json(one: Forecast) -> Json:
    return {
        "f_number": one.f_number,
        "highlights_subject": one.highlights,
        "shadows_subject": one.shadows,
        "backdrop_p99": one.backdrop_p99,
        "shot": one.shot,
    }


def _differences(differences: Iterable[Difference]) -> list[Json]:
    return [
        {"kind": one.kind, "amount": None if one.amount is None else round(one.amount, 4), "text": one.text}
        for one in differences
    ]


def against_json(told: Against) -> Json:
    """Return two frames or setups against each other, as data."""
    return {
        "before": _held_json(told.before),
        "after": _held_json(told.after),
        "differences": _differences(told.differences),
        "same": list(told.same),
        "lamps": list(told.lamps),
    }


def _held_json(held: Held) -> Json:
    return {
        "setup": {"number": held.page.number, "name": held.page.name or None},
        "frame": None if held.tile is None else tile_json(held.tile),
    }
