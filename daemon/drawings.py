"""What the page of a shoot draws, as numbers for its SVG: exposure curve, histogram, lamp plan, colour. No I/O."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from lampblack.daemon.clean import clean
from lampblack.daemon.journal import Kept
from lampblack.daemon.lampbook import Floor, Lamp
from lampblack.daemon.record import SetupRecord, Shoot
from lampblack.rules.exposure import Exposure, aperture_value
from lampblack.rules.figures import f_text
from lampblack.rules.plan import Point, Thing, bar_metres, edges, facing, shaded
from lampblack.rules.readings import marks_at

Json = dict[str, Any]
Box = tuple[float, float, float, float]
"""Left, top, right, bottom."""


def bars(stops: Sequence[float]) -> list[Json]:
    """Return a histogram's bars, from dark to bright: x and height in a box of 310 by 60, high ones cut."""
    most = max(sorted(stops)[-2], 1e-6)
    shares = list(reversed(stops))
    return [
        {"x": i * 10, "height": round(60 * min(share / most, 1.0), 1)} for i, share in enumerate(shares) if share > 0
    ]


_LETTER, _LINE = 6.8, 15.0  # of a letter's width, and from line to line

# ---------------------------------------------------------------- the exposure curve


def curve(setup: SetupRecord) -> Json | None:
    """
    Return the setup's outcome over apertures, to be drawn: in a box of 600 by 160, wide open at the left.

    From the newest frame's forecast, which holds the shots too; readings are marks on its axis.
    """
    told = [frame.verdict for frame in setup.frames if frame.verdict.get("forecast")]
    if not told:
        return None
    newest = told[-1]
    outcomes = [one for one in newest["forecast"] if one.get("f_number")]
    if len(outcomes) < 2:
        return None
    low, high = (aperture_value(outcomes[i]["f_number"]) for i in (0, -1))
    if high - low < 0.5:
        return None

    def x(av: float) -> float:
        return round(600 * (av - low) / (high - low), 1)

    def y(share: float | None) -> float:
        # From a hundredth of a per cent to all, a tenth at a time.
        return round(160 * (1 - (math.log10(max(share or 0.0, 1e-4)) + 4) / 4), 1)

    lines = {
        name: " ".join(f"{x(aperture_value(one['f_number']))},{y(one.get(key))}" for one in outcomes)
        for name, key in (("clipped", "highlights_subject"), ("blocked", "shadows_subject"))
    }
    shots = [
        {"x": x(aperture_value(one["f_number"])), "y": y(one.get("highlights_subject")), "f": f_text(one["f_number"])}
        for one in outcomes
        if one.get("shot")
    ]
    marks = [{"x": x(aperture_value(one["f_number"])), "f": f_text(one["f_number"])} for one in outcomes[::3]]
    readings = _reading_marks(setup, newest, low, high)
    high = 200 + 15 * max((one["row"] + 1 for one in readings), default=0)
    return {"lines": lines, "shots": shots, "marks": marks, "readings": readings, "high": high}


def _reading_marks(setup: SetupRecord, newest: Json, low: float, high: float) -> list[Json]:
    told = newest.get("exposure") or {}
    exposure = Exposure.of(None, told.get("shutter_s"), told.get("iso"))
    found: list[Json] = []
    ends = [-1e9, -1e9, -1e9]  # where the letters of each row end
    for place, f_number in sorted(marks_at(setup.readings.values(), exposure).items(), key=lambda mark: mark[1]):
        av, text = aperture_value(f_number), f"{clean(place, 16)} {f_text(f_number)}"
        if low <= av <= high:
            x, half = round(600 * (av - low) / (high - low), 1), len(text) * _LETTER / 2
            row = min(range(3), key=lambda i: (max(0.0, ends[i] + 8 - (x - half)), i))
            ends[row] = x + half
            found.append({"x": x, "text": text, "row": row})
    return found


# ---------------------------------------------------------------- the lamp plan

_ROOM = (360.0, 400.0)
"""The most that a plan takes, without the letters at its rim."""
_MARGIN = (100.0, 40.0)
_PER_METRE = 240.0
_SMALL = 9.0  # of a symbol whose size wasn't told


@dataclass
class _Paper:
    """Where metres come to lie on the drawing, and what is taken there already."""

    per_metre: float
    left: float
    top: float
    width: float
    height: float
    taken: list[Box] = field(default_factory=list)
    lines: list[tuple[Point, Point]] = field(default_factory=list)

    def at(self, place: Point) -> Point:
        """Return a place of the plan on the drawing; the backdrop's side is up."""
        return round((place[0] - self.left) * self.per_metre + _MARGIN[0], 1), round(
            (self.top - place[1]) * self.per_metre + _MARGIN[1], 1
        )

    def label(self, at: Point, corners: Sequence[Point], lines: list[str]) -> Json:
        """Return where letters go beside a symbol at a point, which reaches to its corners: there they hide least."""
        wide, high = max(map(len, lines)) * _LETTER, len(lines) * _LINE
        home = self.at((0.0, 0.0))
        turn = math.atan2(at[1] - home[1], at[0] - home[0])
        found: tuple[float, Box, float] | None = None
        for step in (0, 1, -1, 2, -2, 3, -3, 4):
            way = math.cos(turn + step * math.pi / 4), math.sin(turn + step * math.pi / 4)
            clear = 12 + max(((x - at[0]) * way[0] + (y - at[1]) * way[1] for x, y in corners), default=0.0)
            middle = at[0] + way[0] * (clear + wide / 2), at[1] + way[1] * (clear + high / 2)
            box = middle[0] - wide / 2, middle[1] - high / 2, middle[0] + wide / 2, middle[1] + high / 2
            cost = self._hidden(box) + 0.01 * abs(step)
            if found is None or cost < found[0]:
                found = cost, box, middle[0]
        assert found is not None
        self.taken.append(found[1])
        return {"x": round(found[2], 1), "y": round(found[1][1] + 12, 1), "lines": lines}

    def _hidden(self, box: Box) -> float:
        inside = (0.0, 0.0, self.width, self.height)
        out = (box[2] - box[0]) * (box[3] - box[1]) - _shared(box, inside)
        crossed = sum(_crosses(line, box) for line in self.lines)
        return 10 * out + sum(_shared(box, other) for other in self.taken) + 40 * crossed


def _shared(one: Box, other: Box) -> float:
    wide = min(one[2], other[2]) - max(one[0], other[0])
    high = min(one[3], other[3]) - max(one[1], other[1])
    return max(wide, 0.0) * max(high, 0.0)


def _crosses(line: tuple[Point, Point], box: Box) -> int:
    """Return how many of twenty points of a line lie in a box."""
    (x0, y0), (x1, y1) = line
    points = [(x0 + (x1 - x0) * i / 19, y0 + (y1 - y0) * i / 19) for i in range(20)]
    return sum(box[0] <= x <= box[2] and box[1] <= y <= box[3] for x, y in points)


def lamp_plan(lamps: Mapping[str, Lamp], floor: Floor) -> Json | None:
    """
    Return a setup seen from above, to be drawn to scale; None where no lamp or card has a place.

    Only what was told is drawn: a thing without a distance is a ray in its direction, one without an angle is named in
    `missing`.
    """
    things = {name: lamp.thing for name, lamp in lamps.items()}
    placed = {name: thing for name, thing in things.items() if _place(thing)}
    if not placed:
        return None
    paper = _paper(placed, floor)
    home = paper.at((0.0, 0.0))
    drawn: Json = {"width": paper.width, "height": paper.height, "subject": _subject(paper, floor)}
    drawn["backdrop"] = None if floor.backdrop is None else _backdrop(paper, floor.backdrop)
    drawn["camera"] = _camera(paper, floor)
    symbols = [_symbol(paper, thing, placed) for thing in placed.values()]
    for symbol in symbols:
        across, down = zip(*symbol["ends"], symbol["back"], (symbol["x"], symbol["y"]), strict=True)
        paper.taken.append((min(across), min(down), max(across), max(down)))
        if symbol["what"] == "lamp":
            paper.lines.append(((symbol["x"], symbol["y"]), home))
    rays = [thing for thing in things.values() if thing.distance is None and thing.bearing is not None]
    ends = [_ray_end(paper, thing) for thing in rays]
    paper.lines += [(home, end) for end in ends]
    drawn["things"] = [
        {**symbol, "label": _label(paper, thing, symbol)}
        for thing, symbol in zip(placed.values(), symbols, strict=True)
    ]
    drawn["rays"] = [_ray(paper, thing, end) for thing, end in zip(rays, ends, strict=True)]
    radius = drawn["subject"]["radius"]
    around = [(home[0] + x * radius, home[1] + y * radius) for x, y in ((-1, 0), (1, 0), (0, -1), (0, 1))]
    drawn["subject"]["label"] = paper.label(home, around, ["subject"])
    drawn["shadows"] = [] if floor.backdrop is None else _shadows(paper, placed, floor.backdrop)
    metres = bar_metres(paper.per_metre)
    drawn["bar"] = {"length": round(metres * paper.per_metre, 1), "text": f"{metres:g} m", "y": paper.height - 14}
    return drawn


def plan_words(lamps: Mapping[str, Lamp], floor: Floor) -> list[str]:
    """Return in words what a plan shows, and what wasn't told for it; names are cleaned."""
    things = {name: lamp.thing for name, lamp in lamps.items()}
    placed = {name: thing for name, thing in things.items() if _place(thing)}
    lines = [f"{clean(name, 40)}: {clean(lamp.text, 300)}." for name, lamp in lamps.items()]
    if floor.camera is not None:
        lines.append(f"The camera stands {floor.camera:g} m from the subject.")
    if floor.backdrop is not None:
        lines.append(f"The backdrop is {floor.backdrop:g} m behind the subject.")
        for name, flag in placed.items():
            if flag.what == "flag" and (shade := shaded(flag, placed, floor.backdrop)) is not None:
                lines.append(
                    f"{clean(name, 40)} takes the light of {clean(flag.of or '', 40)} off the backdrop"
                    f" {_span(*shade)}; a lamp that is large softens both ends."
                )
    for thing in (thing for name, thing in things.items() if name not in placed):
        wants = [word for word, fact in (("distance", thing.distance), ("angle", thing.bearing)) if fact is None]
        lack = f"Of {clean(thing.name, 40)} no {' and no '.join(wants)} was told."
        lines.append(lack if wants else f"{clean(thing.name, 40)} is told to be higher than it is far: it isn't drawn.")
    for word, fact in (("camera", floor.camera), ("backdrop", floor.backdrop)):
        if fact is None:
            lines.append(f"The distance of the {word} was not told.")
    return lines


def _span(low: float, high: float) -> str:
    """
    Return a stretch of the backdrop in words.

    >>> _span(0.52, 1.5), _span(-1.5, -0.5)
    ('from 0.5 to 1.5 m right of its middle', 'from 0.5 to 1.5 m left of its middle')
    >>> _span(-0.2, 0.3)
    'from 0.2 m left to 0.3 m right of its middle'
    """
    if low < 0 < high:
        return f"from {-low:.1f} m left to {high:.1f} m right of its middle"
    near, far = sorted((abs(low), abs(high)))
    return f"from {near:.1f} to {far:.1f} m {'left' if high <= 0 else 'right'} of its middle"


def _place(thing: Thing) -> Point | None:
    try:
        return thing.place
    except ValueError:  # said in two steps that don't go together, or by another version
        return None


def _paper(placed: Mapping[str, Thing], floor: Floor) -> _Paper:
    """Return a drawing on which all that has a place lies."""
    half = (floor.depth or 0.4) / 2
    points = [(-half, -half), (half, half), (0.0, -(floor.camera or 0.8)), (0.0, floor.backdrop or 0.0)]
    for thing in placed.values():
        x, y = thing.place or (0.0, 0.0)
        reach = (thing.size or 0.0) / 2
        points += [(x - reach, y - reach), (x + reach, y + reach)]
    (left, right), (low, high) = ((min(v), max(v)) for v in zip(*points, strict=True))
    wide, deep = max(right - left, 0.5), max(high - low, 0.5)
    per_metre = min(_ROOM[0] / wide, _ROOM[1] / deep, _PER_METRE)
    # A narrow set still has room for its names.
    spare = max(0.0, 200 / per_metre - wide) / 2
    size = (wide + 2 * spare) * per_metre + 2 * _MARGIN[0], deep * per_metre + 2 * _MARGIN[1] + 30
    return _Paper(per_metre, left - spare, high, round(size[0], 1), round(size[1], 1))


def _subject(paper: _Paper, floor: Floor) -> Json:
    x, y = paper.at((0.0, 0.0))
    radius = _SMALL if floor.depth is None else max(floor.depth / 2 * paper.per_metre, 3.0)
    paper.taken.append((x - radius, y - radius, x + radius, y + radius))
    return {"x": x, "y": y, "radius": round(radius, 1)}


def _backdrop(paper: _Paper, metres: float) -> Json:
    y = paper.at((0.0, metres))[1]
    paper.taken.append((0.0, y - 22, 150.0, y - 3))
    paper.lines.append(((16.0, y), (paper.width - 16, y)))
    return {"y": y, "left": 16, "right": paper.width - 16, "text": f"backdrop, {metres:g} m"}


def _camera(paper: _Paper, floor: Floor) -> Json:
    x, y = paper.at((0.0, -(floor.camera or 0.8)))
    words = ["camera", "distance not told" if floor.camera is None else f"{floor.camera:g} m"]
    paper.taken.append((x - 14, y - 10, x + 14, y + 12))
    paper.lines.append(((x, y), paper.at((0.0, 0.0))))
    label = {"x": x + 20, "y": y + 2, "lines": words}
    paper.taken.append((x + 18, y - 10, x + 20 + max(map(len, words)) * _LETTER, y + 20))
    return {"x": x, "y": y, "known": floor.camera is not None, "label": label}


def _symbol(paper: _Paper, thing: Thing, placed: Mapping[str, Thing]) -> Json:
    """Return a thing that has a place: where it stands, both its ends, and its back, away from what it faces."""
    here, way = thing.place, facing(thing, placed)
    assert here is not None
    assert way is not None
    x, y = paper.at(here)
    ends = [paper.at(end) for end in edges(thing, placed) or ()]
    if not ends:
        ends = [(round(x + s * _SMALL * way[1], 1), round(y + s * _SMALL * way[0], 1)) for s in (-1, 1)]
    deep = max(_SMALL, 0.5 * math.dist(*ends))
    back = round(x - way[0] * deep, 1), round(y + way[1] * deep, 1)
    return {"what": thing.what, "x": x, "y": y, "ends": ends, "back": back}


def _label(paper: _Paper, thing: Thing, symbol: Json) -> Json:
    kind = "" if thing.what == "lamp" else f" ({thing.what})"
    words = [clean(thing.name, 20) + kind, f"{thing.distance:g} m"]
    return paper.label((symbol["x"], symbol["y"]), [*symbol["ends"], symbol["back"]], words)


def _ray(paper: _Paper, thing: Thing, end: Point) -> Json:
    """Return the direction of a thing whose distance wasn't told."""
    return {
        "x": end[0],
        "y": end[1],
        "label": paper.label(end, (), [clean(thing.name, 20), "distance not told"]),
    }


def _ray_end(paper: _Paper, thing: Thing) -> Point:
    """Return where a line from the subject in a thing's direction ends, near the rim."""
    turn = math.radians(thing.bearing or 0.0)
    home = paper.at((0.0, 0.0))
    way = math.sin(turn), math.cos(turn)  # down is the camera's side
    room = [
        ((paper.width - _MARGIN[0] if way[0] > 0 else _MARGIN[0]) - home[0]) / way[0] if abs(way[0]) > 1e-6 else 1e9,
        ((paper.height - 60 if way[1] > 0 else _MARGIN[1] + 20) - home[1]) / way[1] if abs(way[1]) > 1e-6 else 1e9,
    ]
    far = max(min(room), 40.0)
    return round(home[0] + way[0] * far, 1), round(home[1] + way[1] * far, 1)


def _shadows(paper: _Paper, placed: Mapping[str, Thing], backdrop: float) -> list[str]:
    """Return the light that flags take off the backdrop, as polygons from the card to there."""
    found = []
    for flag in (thing for thing in placed.values() if thing.what == "flag"):
        shade, ends = shaded(flag, placed, backdrop), edges(flag, placed)
        if shade is None or ends is None:
            continue
        x, y = placed[flag.of or ""].place or (0.0, 0.0)
        near = sorted(ends, key=lambda end: (end[0] - x) / (end[1] - y))
        corners = [near[0], (shade[0], backdrop), (shade[1], backdrop), near[1]]
        found.append(" ".join(f"{across},{down}" for across, down in map(paper.at, corners)))
    return found


# ---------------------------------------------------------------- colour over the session

_LEAST_SPAN = 40.0  # mired: smaller changes must not look large


def session_colour(shoot: Shoot) -> list[Json]:
    """
    Return the colour of the neutrals of a shoot, to be drawn over its frames: of raw and of JPEG apart.

    Raw tells the light's own mired, whatever the camera was set to; a JPEG how much warmer (+) or colder (-) than
    neutral its picture came out.
    """
    found = []
    for raw in (True, False):
        points = [
            (setup, frame, float(mired) - (0.0 if raw else _NEUTRAL_MIRED), str(colour.get("from") or ""))
            for setup, frame in shoot.frames()
            if ((frame.verdict.get("pixels") or {}).get("kind") == "raw") == raw
            and isinstance(mired := (colour := frame.verdict.get("colour") or {}).get("mired"), int | float)
        ]
        if points:
            found.append(_colour_line(points, raw))
    return found


_NEUTRAL_MIRED = 1e6 / 6504  # of sRGB's white, D65 (IEC 61966-2-1)


def _colour_line(points: list[tuple[SetupRecord, Kept, float, str]], raw: bool) -> Json:
    values = [value for _, _, value, _ in points]
    middle, half = (max(values) + min(values)) / 2, max(max(values) - min(values), _LEAST_SPAN) * 0.6
    low, high = middle - half, middle + half

    def x(i: int) -> float:
        return round(600 * (i + 0.5) / len(points), 1)

    def y(value: float) -> float:
        return round(140 * (high - value) / (high - low), 1)

    step = next(s for s in (5, 10, 20, 50, 100, 200, 500) if (high - low) / s <= 6)
    ticks = range(step * math.ceil(low / step), math.floor(high) + 1, step)
    sets = list(dict.fromkeys(setup.number for setup, *_ in points))
    return {
        "raw": raw,
        "dots": [
            {"x": x(i), "y": y(v), "frame": f.number, "text": _colour_text(v, raw)}
            for i, (_, f, v, _) in enumerate(points)
        ],
        "lines": [
            " ".join(f"{x(i)},{y(v)}" for i, (setup, _, v, _) in enumerate(points) if setup.number == number)
            for number in sets
        ],
        "sets": [
            {"x": x(i) - 300 / len(points), "title": clean(setup.title, 20)}
            for i, (setup, *_) in enumerate(points)
            if i == 0 or setup.number != points[i - 1][0].number
        ],
        "ticks": [{"y": y(value), "text": _colour_text(value, raw)} for value in ticks],
        "words": _colour_words(points, raw),
    }


def _colour_text(value: float, raw: bool) -> str:
    if raw:
        return f"{value:.0f} mired, {round(1e6 / value, -1):.0f} K"
    return f"{value:+.0f} mired" if round(value) else "neutral"


def _colour_words(points: list[tuple[SetupRecord, Kept, float, str]], raw: bool) -> str:
    """Return in a sentence what the drawing shows."""
    values = [value for _, _, value, _ in points]
    of = " and ".join(sorted({"the " + source for *_, source in points if source})) or "a neutral"
    frames = f"frame {points[0][1].number}" if len(points) == 1 else f"{len(points)} frames"
    if max(values) - min(values) < 1:
        span = _colour_text(values[0], raw)
    else:
        span = f"from {_colour_text(min(values), raw)}, to {_colour_text(max(values), raw)}"
    said = "The light" if raw else "The picture as the camera balanced it, against neutral"
    return f"{said}, told by {of} in {frames}: {span}."
