"""Terms as written, layers on one footing, and the smallest change that meets what is wanted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scenes import Scene, vessel

from lampblack.daemon.config import load_thresholds
from lampblack.rules.colour import SRGB_TO_XYZ, cct_duv
from lampblack.rules.exposure import LADDER
from lampblack.rules.frame import Basis
from lampblack.rules.layers import Layers, LayersError, add_up, gather, shares, spilling
from lampblack.rules.look import Look, look
from lampblack.rules.match import match_frame, what_differs
from lampblack.rules.mixing import Plan, TermError, parse_terms, plan
from lampblack.rules.neutral import lamp_colours, lamps_apart_notice

THRESHOLDS = load_thresholds()
HEIGHT, WIDTH = 600, 900


def lamps() -> dict[str, Scene]:
    """A key from the left, a fill from the right a quarter as strong, a rim that spills onto the backdrop."""
    scene = vessel("black")
    across = np.linspace(1, 0, WIDTH)[None, :, None] ** 4
    body = np.where(scene.backdrop[..., None], 0.0, [0.3, 0.3, 0.3])
    spill = np.where(scene.backdrop[..., None], 0.02 * (1 - across**0.25), 0.02)
    return {
        "key": Scene(body * across + 2e-4, scene.backdrop),
        "fill": Scene(body * across[:, ::-1] / 4 + 1e-4, scene.backdrop),
        "rim": Scene(np.broadcast_to(spill, (HEIGHT, WIDTH, 3)).copy(), scene.backdrop),
    }


def seen(scene: Scene, f_number: float) -> Look:
    return look(scene.shot(f_number), THRESHOLDS)


def all_on(**gains: float) -> Scene:
    each = lamps()
    light = sum(2.0 ** gains.get(name, 0.0) * scene.light for name, scene in each.items())
    return Scene(light, each["key"].backdrop)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def layers() -> Layers:
    """Each lamp at an exposure of its own."""
    frames = [(name, seen(scene, n)) for (name, scene), n in zip(lamps().items(), (5.6, 2.8, 4.0), strict=True)]
    return gather(frames, THRESHOLDS, check=seen(all_on(), 5.6))


def solved(layers: Layers, *terms: str) -> Plan:
    return plan(layers, parse_terms(terms, [lamp.name for lamp in layers.lamps]), LADDER, THRESHOLDS)


def true_ratio(gains: tuple[float, ...]) -> float:
    """Luminance of the halves, brighter to darker, in stops; all channels are alike here."""
    scene = all_on(**dict(zip(("key", "fill", "rim"), gains, strict=True)))
    light, subject = scene.light[..., 0], ~scene.backdrop
    middle = np.median(np.nonzero(subject)[1])
    left = subject & (np.arange(WIDTH) < middle)[None]
    return abs(float(np.log2(light[left].mean() / light[subject & ~left].mean())))


def test_light_adds_up(layers: Layers) -> None:
    found = add_up(layers, seen(all_on(), 5.6))
    assert found is not None
    assert found.median < 0.03


def test_a_lamp_that_was_moved_between_does_not_add_up(layers: Layers) -> None:
    found = add_up(layers, seen(all_on(key=-1.0), 5.6))
    assert found is not None
    assert found.p95 > 0.5
    assert found.signed < 0


def test_which_lamp_differs_is_named(layers: Layers) -> None:
    wrong = match_frame(layers, seen(all_on(key=-1.0), 5.6)).first
    assert wrong is not None
    assert what_differs(wrong) == "key gives 1 stop less"


def test_the_lamp_that_spills_is_named_with_its_side(layers: Layers) -> None:
    """The rim alone lights the backdrop, more and more toward the right."""
    found = spilling(layers, THRESHOLDS)
    assert found is not None
    name, share, side, fall = found
    assert (name, side) == ("rim", "right")
    assert share > 0.9
    assert fall > 3
    dim = replace(layers, lamps=tuple(replace(one, light=one.light / 64) for one in layers.lamps))
    assert spilling(dim, THRESHOLDS) is None, "clean"


def test_shares_are_those_of_the_light(layers: Layers) -> None:
    each = lamps()
    subject = ~each["key"].backdrop
    total = sum(scene.light[..., 0][subject].sum() for scene in each.values())
    for share in shares(layers):
        assert share.subject == pytest.approx(each[share.name].light[..., 0][subject].sum() / total, abs=0.02)


@pytest.mark.parametrize("ratio", ["1.5:1", "2:1", "4:1"])
def test_a_ratio_asked_for_is_had(layers: Layers, ratio: str) -> None:
    found = solved(layers, f"ratio={ratio}")
    assert found.met
    assert true_ratio(found.gains) == pytest.approx(np.log2(float(ratio.split(":")[0])), abs=0.1)


def test_the_least_change_is_made_where_nothing_is_asked(layers: Layers) -> None:
    found = solved(layers)
    assert found.gains == (0, 0, 0)
    assert found.f_number == 5.6


def test_the_lamp_that_spills_is_the_one_turned_down(layers: Layers) -> None:
    found = solved(layers, "backdrop=clean")
    assert found.met
    assert found.after.clean
    assert min(found.gains) == found.gains[2]
    assert found.gains[2] < -1


def test_limits_are_kept_and_what_gives_is_named(layers: Layers) -> None:
    found = solved(layers, "backdrop=clean", "rim=0", "key>=0", "fill>=0")
    assert found.gains[2] == 0
    tight = plan(
        layers, parse_terms(["ratio=8:1", "key=0", "fill=0", "rim=0"], ["key", "fill", "rim"]), LADDER, THRESHOLDS
    )
    assert not tight.met
    assert "ratio" in tight.why


def test_an_aperture_that_is_held_to_is_held_to(layers: Layers) -> None:
    terms = parse_terms(["ratio=2:1"], ["key", "fill", "rim"])
    assert plan(layers, terms, LADDER, THRESHOLDS, f_number=8.0).f_number == 8.0


def test_frames_that_are_no_layers_of_one_picture_are_refused() -> None:
    one = seen(lamps()["key"], 5.6)
    with pytest.raises(LayersError, match="one picture"):
        gather([("a", one), ("b", seen(vessel("black", height=300, width=450), 5.6))], THRESHOLDS)
    with pytest.raises(LayersError, match="footings"):
        gather([("a", one), ("b", replace(one, kind="raw"))], THRESHOLDS)
    with pytest.raises(LayersError, match="different cameras"):
        gather([("a", one), ("b", replace(one, shot=replace(one.shot, camera="Another")))], THRESHOLDS)


@pytest.mark.parametrize(
    "term", ["", "ratio=", "ratio=1:3", "ratio=3:0", "backdrop=white", "moon<=1", "key<=x", "key<=9", "key", "key=nan"]
)
def test_what_is_no_term_is_said_in_one_line(term: str) -> None:
    with pytest.raises(TermError, match=r"^[^\n]+$"):
        parse_terms([term], ["key", "rim"])


def test_limits_that_contradict_are_refused() -> None:
    with pytest.raises(TermError, match="contradicts"):
        parse_terms(["key<=-1", "key>=1"], ["key"])


@pytest.mark.parametrize("tone", ["black", "grey"])
def test_lamps_of_different_colour_are_told_apart_in_mireds(tone: str) -> None:
    """A filter's shift is the same whatever it lights: here a lamp that is colder than the other."""
    warm, cold = np.array([1.0, 1.0, 1.0]), np.array([0.85, 1.0, 1.6])
    scene = vessel(tone)
    body = np.where(scene.backdrop[..., None], 0.0 if tone == "black" else 0.15, [0.4, 0.3, 0.2])
    across = np.linspace(0.2, 1, WIDTH)[None, :, None]
    one, other = Scene(body * warm * across, scene.backdrop), Scene(body * cold * across[:, ::-1] / 2, scene.backdrop)
    both = Scene(one.light + other.light, scene.backdrop)
    layers = gather([("key", seen(one, 5.6)), ("fill", seen(other, 5.6))], THRESHOLDS, check=seen(both, 5.6))
    colours, source = lamp_colours(layers)
    assert source == ("balance" if tone == "black" else "backdrop")
    assert colours[0] is not None
    assert colours[1] is not None
    apart = (colours[0].mired or 0) - (colours[1].mired or 0)
    told = [cct_duv(SRGB_TO_XYZ @ light)[0] for light in (warm, cold)]
    if tone == "grey":
        assert apart == pytest.approx(1e6 / told[0] - 1e6 / told[1], abs=4)
    assert apart > 40
    text = lamps_apart_notice(["key", "fill"], colours, THRESHOLDS.neutral)
    assert text is not None
    assert text.startswith("fill is ")
    assert "CTO on fill" in text, text


def test_a_raw_layer_with_a_balance_of_its_own_is_brought_to_that_of_the_others() -> None:
    frame, check = seen(lamps()["key"], 5.6), seen(all_on(), 5.6)
    own, other = Basis(np.array([2.0, 1, 1.5]), np.eye(3)), Basis(np.array([1.2, 1, 2.5]), np.eye(3))
    light = frame.light * (own.balance / other.balance)
    off = replace(frame, kind="raw", basis=own, light=light.astype(np.float16))
    plain = replace(frame, kind="raw", basis=other)
    check = replace(check, kind="raw", basis=other)
    one, same = (gather([("key", look)], THRESHOLDS, check=check).lamps[0].light for look in (off, plain))
    assert one == pytest.approx(same, rel=0.01, abs=1e-4)
