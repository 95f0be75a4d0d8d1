"""What a person gives of where the backdrop is: regions are taken at their word, a clean plate sharpens the outline."""

from __future__ import annotations

import contextlib

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scenes import Scene, vessel
from sparing import first_quick

from lampblack.daemon.config import load_thresholds
from lampblack.rules.given import Given, Plate, Polygon, Rectangle, parse_region
from lampblack.rules.look import Look, Part, look
from lampblack.rules.polygon import area, cover, crosses_itself

THRESHOLDS = load_thresholds()


def seen(scene: Scene, given: Given | None = None, f_number: float = 5.6, seed: int = 1) -> Look:
    picture = scene.shot(f_number, seed=seed)
    return look(picture, THRESHOLDS) if given is None else look(picture, THRESHOLDS, given=given)


def overlap(found: Look, scene: Scene) -> float:
    """Intersection over union of the backdrop, in pixels."""
    rows, columns = found.parts.shape
    points = found.points((rows * found.side, columns * found.side))
    mask = np.isin(points, (Part.BACKDROP, Part.MIXED))
    true = scene.backdrop[: mask.shape[0], : mask.shape[1]]
    return float((mask & true).sum() / (mask | true).sum())


def empty_of(scene: Scene, tone: str, f_number: float, **how: float) -> Plate:
    """The same set without the vessel: its table and its backdrop."""
    plain = vessel(tone, **how)  # type: ignore[arg-type]
    h, w = plain.backdrop.shape
    v = (np.arange(h) + 0.5) / h * 2 - 1
    light = plain.light.copy()
    body = ~plain.backdrop & (v <= 0.72)[:, None]
    for row in np.flatnonzero(body.any(axis=1)):
        sides = ~body[row]
        light[row] = np.stack(
            [np.interp(np.arange(w), np.flatnonzero(sides), light[row, sides, c]) for c in range(3)], 1
        )
    lower = body.any(axis=0)[None] & (v > 0.72)[:, None] & ~plain.backdrop
    light[lower] = np.where(light[lower] > 0, light[lower], 0.045)
    found = look(Scene(light, plain.backdrop).shot(f_number, seed=9), THRESHOLDS)
    return Plate(found.light, found.clipped_any > 5, found.backdrop, found.shot.exposure.stops, raw=False)


@pytest.mark.parametrize("kind", ["backdrop", "subject", "ignore"])
def test_a_region_is_taken_at_its_word(kind: str) -> None:
    found = seen(vessel("black"), Given((Rectangle(kind, 0.4, 0.4, 0.2, 0.2),)))  # type: ignore[arg-type]
    rows, columns = found.parts.shape
    inside = found.parts[round(0.45 * rows) : round(0.55 * rows), round(0.45 * columns) : round(0.55 * columns)]
    wanted = {"backdrop": Part.BACKDROP, "subject": Part.SUBJECT, "ignore": Part.INTRUDER}[kind]
    assert (inside == wanted).all()
    plain = seen(vessel("black"))
    assert (found.parts[: rows // 4] == plain.parts[: rows // 4]).all()


def test_a_region_of_backdrop_where_none_was_found() -> None:
    rng = np.random.default_rng(3)
    scene = Scene(np.kron(rng.uniform(0.02, 0.8, (60, 90, 1)), np.ones((10, 10, 3))), np.zeros((600, 900), bool))
    assert not seen(scene).backdrop.any()
    found = seen(scene, Given((Rectangle("backdrop", 0, 0, 1, 0.25),)))
    assert found.backdrop.mean() == pytest.approx(0.25, abs=0.01)


@pytest.mark.parametrize("tone", ["black", "grey", "white"])
@pytest.mark.parametrize("plate_at", [5.6, 8.0])
@pytest.mark.parametrize("shade", first_quick([1.0, 0.3, 2.2]))
def test_a_clean_plate_never_blurs_the_outline(tone: str, plate_at: float, shade: float) -> None:
    """At another exposure too, dark on black and pale on white too."""
    scene = vessel(tone, shade=shade)
    without = overlap(seen(scene), scene)
    with_plate = overlap(seen(scene, Given(plate=empty_of(scene, tone, plate_at))), scene)
    assert with_plate >= min(without, 0.97) - 0.002


def test_a_plate_shows_what_stands_unseen_before_the_backdrop() -> None:
    """A pale block whose edges melt into a white backdrop: no step anywhere, and a tenth less light in its middle."""
    scene = vessel("white")
    block = np.zeros(scene.backdrop.shape, np.float32)
    block[80:200, 640:780] = 1
    block = cv2.GaussianBlur(block, (0, 0), 20)
    scene.light[...] *= 1 - 0.1 * block[..., None]
    true = scene.backdrop & (block < 0.5)
    hidden = Scene(scene.light, true)
    without, with_plate = (
        overlap(seen(hidden, given), hidden) for given in (None, Given(plate=empty_of(scene, "white", 5.6)))
    )
    assert with_plate > without + 0.02
    assert with_plate > 0.97


def test_a_plate_of_another_size_or_kind_says_nothing() -> None:
    scene = vessel("black")
    plate = empty_of(scene, "black", 5.6)
    raw = Plate(plate.light, plate.clipped, plate.backdrop, plate.stops, raw=True)
    small = Plate(plate.light[::2, ::2], plate.clipped[::2, ::2], plate.backdrop[::2, ::2], plate.stops, raw=False)
    for other in (raw, small):
        assert (seen(scene, Given(plate=other)).parts == seen(scene).parts).all()


@pytest.mark.parametrize(
    "text", ["", "backdrop", "backdrop=1", "sky=0,0,1,1", "subject=0,0,0,1", "ignore=0,0,2,1", "subject=a,0,1,1"]
)
def test_what_is_no_region_is_said_in_one_line(text: str) -> None:
    with pytest.raises(ValueError, match=r"^[^\n]+$"):
        parse_region(text)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("subject=0.1,0.1/0.5,0.5", "3 to 60 corners, not 2"),
        ("subject=0.1,0.1/0.5,0.5/0.1,0.1", "3 to 60 corners, not 2"),
        ("subject=" + "/".join(f"{i / 99:.3f},{(i % 2) / 9:.3f}" for i in range(61)), "not 61"),
        ("subject=0.1,0.1/0.9,0.9/0.9,0.1/0.1,0.9", "crosses or touches itself"),
        ("subject=0,0/1,0/1,1/0.5,0/0,1", "crosses or touches itself"),
        ("subject=0.1,0.1/0.5,0.1/0.3,0.1/0.3,0.9", "crosses or touches itself"),
        ("subject=0.1,0.1/0.1,0.1/0.5,0.1/0.5,0.5", "crosses or touches itself"),
        ("subject=0.1,0.1/0.2,0.2/0.3,0.3", "one line"),
        ("subject=0.1,0.1/1.2,0.2/0.3,0.3", "outside"),
        ("subject=0.1,0.1/-0.2,0.2/0.3,0.3", "outside"),
        ("subject=0.1,0.1/nan,0.2/0.3,0.3", "outside"),
        ("subject=0.1,0.1/1.5,\n0.2/0.3,0.3", "outside"),
        ("subject=0.1,0.1/0.2/0.3,0.3", "no corner"),
        ("subject=0.1,0.1/0.2,0.2,0.3/0.3,0.3", "no corner"),
        ("subject=0.1,0.1//0.3,0.3", "no corner"),
        ("sky=0.1,0.1/0.5,0.1/0.3,0.3", "write a region as"),
        ("subject=0.1,0.1,0.5,0.5,0.9,0.9", "the corners of a polygon are written"),
    ],
)
def test_what_is_no_polygon_is_refused_in_one_clear_line(text: str, said: str) -> None:
    with pytest.raises(ValueError, match=r"^[^\n]+$") as caught:
        parse_region(text)
    assert said in str(caught.value)


@pytest.mark.parametrize("text", ["ignore=0.2,0.1/0.6,0.15/0.5,0.9", "subject=0,0/1,0/1,1/0.5,0.25/0,1"])
def test_a_polygon_reads_as_it_is_written(text: str) -> None:
    region = parse_region(text)
    assert isinstance(region, Polygon)
    assert region.text == text
    assert parse_region(region.text) == region
    assert parse_region(f"{text}/{text.partition('=')[2].split('/')[0]}") == region, "closed as drawings are"


@given(
    st.lists(st.tuples(st.integers(0, 1000), st.integers(0, 1000)), min_size=3, max_size=12),
)
def test_a_polygon_that_is_taken_reads_the_same_again(corners: list[tuple[int, int]]) -> None:
    text = "backdrop=" + "/".join(f"{x / 1000:g},{y / 1000:g}" for x, y in corners)
    with contextlib.suppress(ValueError):
        region = parse_region(text)
        assert parse_region(region.text) == region


def crosses(corners: list[tuple[int, int]]) -> bool:
    """The same question put to whole numbers, where nothing is rounded; edge by edge, by another way of asking."""

    def turn(a: tuple[int, int], b: tuple[int, int], c: tuple[int, int]) -> int:
        return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])

    def on(a: tuple[int, int], b: tuple[int, int], c: tuple[int, int]) -> bool:
        return turn(a, b, c) == 0 and (a[0] - c[0]) * (b[0] - c[0]) + (a[1] - c[1]) * (b[1] - c[1]) <= 0

    edges = list(zip(corners, corners[1:] + corners[:1], strict=True))
    for i, (a, b) in enumerate(edges):
        for j, (c, d) in enumerate(edges[:i]):
            if i - j in (1, len(edges) - 1):  # they share a corner, and may share nothing else
                corner, one, other = (b, a, d) if i - j > 1 else (a, b, c)
                if len({corner, one, other}) < 3 or on(corner, one, other) or on(corner, other, one):
                    return True
            elif any((on(a, b, c), on(a, b, d), on(c, d, a), on(c, d, b))) or (
                turn(a, b, c) * turn(a, b, d) < 0 and turn(c, d, a) * turn(c, d, b) < 0
            ):
                return True
    return False


@given(st.sampled_from([4, 10, 100]), st.lists(st.tuples(st.integers(0, 4), st.integers(0, 4)), min_size=4, max_size=8))
def test_an_outline_is_known_to_cross_itself_exactly(scale: int, corners: list[tuple[int, int]]) -> None:
    assert crosses_itself([(x / scale, y / scale) for x, y in corners]) == crosses(corners)


@given(
    st.lists(st.floats(0.2, 1.0), min_size=3, max_size=20),
    st.tuples(st.floats(0, 6.28), st.floats(4, 40), st.floats(4, 40), st.booleans()),
)
def test_cells_are_covered_by_just_the_polygons_area(spokes: list[float], how: tuple[float, ...]) -> None:
    """On a grid of ones the cover sums to the area, whatever the outline and whichever way round it is told."""
    turn, wide, high, back = how
    angles = turn + np.arange(len(spokes)) * 2 * np.pi / len(spokes)
    star = [(45 + wide * r * np.cos(a), 42 + high * r * np.sin(a)) for r, a in zip(spokes, angles, strict=True)]
    if not crosses_itself(star):
        inside = cover(star[::-1] if back else star, (85, 90))
        assert inside.sum() == pytest.approx(area(star), rel=1e-4, abs=1e-3)


def test_cells_are_covered_as_many_fine_samples_say() -> None:
    """Against even-odd counting on a grid 32 times as fine: another algorithm, made only for this."""
    outline = [(1.3, 0.4), (8.9, 2.2), (5.0, 3.1), (9.4, 7.7), (3.2, 6.5), (0.2, 7.9)]
    fine = 32
    y, x = (np.mgrid[: 9 * fine, : 10 * fine] + 0.5) / fine
    inside = np.zeros(y.shape, bool)
    for (x0, y0), (x1, y1) in zip(outline, outline[1:] + outline[:1], strict=True):
        inside ^= ((y0 > y) != (y1 > y)) & (x < (x1 - x0) * (y - y0) / (y1 - y0) + x0)
    counted = inside.reshape(9, fine, 10, fine).mean(axis=(1, 3))
    assert cover(outline, (9, 10)) == pytest.approx(counted, abs=0.01)


def test_a_grid_that_ends_before_the_polygon_takes_what_lies_on_it() -> None:
    assert cover([(-3, -2), (9, -2), (9, 9), (-3, 9)], (4, 5)).min() == 1
    assert cover([(0, 0), (9, 0), (9, 9)], (3, 3)).tolist() == [[0.5, 1, 1], [0, 0.5, 1], [0, 0, 0.5]]


@pytest.mark.parametrize("size", [(600, 900), (617, 911)])
def test_a_polygon_is_taken_at_its_word_to_a_fraction_of_a_cell(size: tuple[int, int]) -> None:
    """Area and every pixel near the line; also where a border of less than a cell is left over."""
    height, width = size
    rng = np.random.default_rng(3)
    light = np.kron(rng.uniform(0.02, 0.8, (62, 92, 1)), np.ones((10, 10, 3)))[:height, :width]
    scene = Scene(light, np.zeros((height, width), bool))
    outline = "0.113,0.07/0.87,0.21/0.93,0.88/0.41,0.67/0.2,0.95"
    assert not seen(scene).backdrop.any()
    found = seen(scene, Given((parse_region(f"backdrop={outline}"),)))
    corners = [tuple(float(n) for n in part.split(",")) for part in outline.split("/")]
    shape = np.array([(x * width, y * height) for x, y in corners])
    fine = cv2.fillPoly(np.zeros((height, width), np.uint8), [np.rint(shape * 256).astype(np.int32)], 1, shift=8) > 0
    points = found.points((found.parts.shape[0] * found.side, found.parts.shape[1] * found.side))
    mask = np.isin(points, (Part.BACKDROP, Part.MIXED))
    true = fine[: mask.shape[0], : mask.shape[1]]
    assert mask.mean() == pytest.approx(true.mean(), abs=0.002)
    # The line runs to a third of a cell: no more pixels differ than that along its length, corners rounded.
    around = sum(np.hypot(*(a - b)) for a, b in zip(shape, np.roll(shape, 1, axis=0), strict=True))
    assert (mask != true).sum() < around * found.side / 3


def test_a_leaning_subject_and_a_leaning_card_are_told_from_the_backdrop() -> None:
    """An upright rectangle round either would take the backdrop beside it too."""
    scene = vessel("black")
    subject = parse_region("subject=0.05,0.05/0.15,0.05/0.35,0.3/0.25,0.3")
    card = parse_region("ignore=0.8,0/1,0/1,0.6")
    plain, told = seen(scene), seen(scene, Given((subject, card)))
    h, w = plain.parts.shape

    def part(look: Look, x: float, y: float) -> int:
        return int(look.parts[int(y * h), int(x * w)])

    assert part(told, 0.12, 0.09) in (Part.SUBJECT, Part.GLINT)
    assert part(told, 0.28, 0.27) in (Part.SUBJECT, Part.GLINT)
    assert part(told, 0.08, 0.27) == part(plain, 0.08, 0.27) == Part.BACKDROP, "beside it, within its upright frame"
    assert part(told, 0.97, 0.2) == Part.INTRUDER
    assert part(told, 0.85, 0.45) == part(plain, 0.85, 0.45), "under the card's slope"
    assert (told.parts == Part.INTRUDER).mean() == pytest.approx(0.06, abs=0.003)


def test_the_later_region_goes_over_the_earlier_whatever_their_shapes() -> None:
    scene = vessel("black")
    all_of_it, piece = parse_region("ignore=0,0,1,1"), parse_region("backdrop=0.05,0.05/0.4,0.1/0.2,0.4")
    over = seen(scene, Given((all_of_it, piece)))
    under = seen(scene, Given((piece, all_of_it)))
    assert over.backdrop.mean() == pytest.approx(area(piece.corners), abs=0.004)
    assert not under.backdrop.any()
