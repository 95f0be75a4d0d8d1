"""What a person gives of where the backdrop is: regions are taken at their word, a clean plate sharpens the outline."""

from __future__ import annotations

import numpy as np
import pytest
from scenes import Scene, vessel

from lampblack.daemon.config import load_thresholds
from lampblack.rules.given import Given, Plate, Region, parse_region
from lampblack.rules.look import Look, Part, look

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
    found = seen(vessel("black"), Given((Region(kind, 0.4, 0.4, 0.2, 0.2),)))  # type: ignore[arg-type]
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
    found = seen(scene, Given((Region("backdrop", 0, 0, 1, 0.25),)))
    assert found.backdrop.mean() == pytest.approx(0.25, abs=0.01)


@pytest.mark.parametrize("tone", ["black", "grey", "white"])
@pytest.mark.parametrize("plate_at", [5.6, 8.0])
@pytest.mark.parametrize("shade", [0.3, 1.0, 2.2])
def test_a_clean_plate_never_blurs_the_outline(tone: str, plate_at: float, shade: float) -> None:
    """At another exposure too, dark on black and pale on white too."""
    scene = vessel(tone, shade=shade)
    without = overlap(seen(scene), scene)
    with_plate = overlap(seen(scene, Given(plate=empty_of(scene, tone, plate_at))), scene)
    assert with_plate >= min(without, 0.97) - 0.002


def test_a_plate_shows_what_stands_unseen_before_the_backdrop() -> None:
    """A pale block that melts into a white backdrop, three codes apart."""
    scene = vessel("white")
    scene.light[80:200, 640:780] *= 0.9
    true = scene.backdrop.copy()
    true[80:200, 640:780] = False
    hidden = Scene(scene.light, true)
    without, with_plate = (
        overlap(seen(hidden, given), hidden) for given in (None, Given(plate=empty_of(scene, "white", 5.6)))
    )
    assert with_plate > without
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
