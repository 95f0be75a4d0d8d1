"""Ways to a clean backdrop with what each brings; the ladder's end; when a bracket is complete."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scenes import Scene, vessel

from lampblack.daemon.config import load_thresholds
from lampblack.rules.advice import Step, instead_of
from lampblack.rules.exposure import Exposure, aperture_value
from lampblack.rules.look import look
from lampblack.rules.shoot import judge, new_setup
from lampblack.rules.verdict import Verdict

THRESHOLDS = load_thresholds()


def shoot(scene: Scene, *f_numbers: float, aim: str = "even", backdrop: str = "black") -> list[Verdict]:
    setup, verdicts = new_setup(1, aim=aim, backdrop=backdrop), []  # type: ignore[arg-type]
    for number, f_number in enumerate(f_numbers, start=1):
        seen = look(scene.shot(f_number, seed=number), THRESHOLDS, setup.radiance)
        setup, verdict = judge(setup, seen, THRESHOLDS, file=f"{number}.jpg", frame=number)
        verdicts.append(verdict)
    return verdicts


def is_clean(scene: Scene) -> bool:
    backdrop = shoot(scene, 5.6)[-1].backdrop
    assert backdrop is not None
    return backdrop.clean


@pytest.mark.parametrize("spill", [0.003, 0.012, 0.05])
@pytest.mark.parametrize("side", ["left", "right"])
def test_each_way_that_is_enough_is_enough(spill: float, side: str) -> None:
    scene, dark = vessel("black", spill=spill, side=side), vessel("black")
    ways = {way.do: way for way in shoot(scene, 5.6)[-1].remedies}
    assert set(ways) == {"aperture", "flag", "distance"}
    # So much less light on it, and a third for the noise of the dark, makes it clean.
    less = np.where(scene.backdrop, 2.0 ** -(ways["aperture"].stops + 1 / 3), 1.0)[..., None]
    closed = Scene(scene.light * less, scene.backdrop)
    assert is_clean(closed)
    # The flag takes the spill off the backdrop and nothing off the subject: what is left is the scene without spill.
    assert ways["flag"].side == side
    assert ways["flag"].enough
    assert is_clean(dark)
    level = [np.percentile(one.light[one.backdrop].max(axis=1), 99) for one in (scene, dark)]
    taken = float(np.log2(level[0] / level[1]))
    assert ways["flag"].stops == pytest.approx(taken, abs=0.35)
    # Inverse square.
    assert ways["distance"].factor == pytest.approx(2 ** (ways["distance"].stops / 2))


def test_light_that_lies_evenly_is_no_flag_s_to_take() -> None:
    scene = vessel("black")
    scene.light[scene.backdrop] = 0.01
    ways = {way.do: way for way in shoot(scene, 5.6)[-1].remedies}
    assert "flag" not in ways or not ways["flag"].enough


def test_the_cheapest_that_is_enough_comes_first_and_is_named() -> None:
    """A little spill costs the subject little; much of it is the flag's."""
    little, much = (shoot(vessel("black", spill=spill), 5.6)[-1] for spill in (0.0016, 0.05))
    assert little.remedies[0].do == "aperture"
    assert much.remedies[0].do == "flag"
    (notice,) = (notice for notice in much.notices if notice.kind == "spill")
    assert notice.text.endswith("A flag on the right would do.")


def test_a_clean_backdrop_needs_nothing_and_nobody_is_nagged() -> None:
    verdict = shoot(vessel("black"), 5.6)[-1]
    assert verdict.remedies == ()
    assert "caution" not in str(verdict.as_json()).lower()


def test_what_moves_a_hot_lamp_or_a_card_says_so() -> None:
    for way in shoot(vessel("black", spill=0.02), 5.6)[-1].remedies:
        assert (way.caution is None) == (way.do == "aperture")


def test_white_that_is_short_and_grey_that_is_uneven() -> None:
    white = shoot(vessel("white"), 8.0, backdrop="white")[-1].remedies
    assert {way.do for way in white} == {"backdrop-lamp", "aperture"}
    grey = shoot(vessel("grey", spill=0.15), 5.6, backdrop="grey")[-1].remedies
    assert grey[0].side == "right"


@pytest.mark.parametrize(("missing", "shutter", "iso"), [(1.0, 1 / 30, 400), (-2.0, 1 / 250, 50), (2 / 3, 1 / 40, 320)])
def test_beyond_the_aperture_time_or_speed_give_the_rest(missing: float, shutter: float, iso: int) -> None:
    """Marked times and speeds (ISO 517 and common practice): 1/60 and a stop is 1/30, ISO 200 and a stop 400."""
    ways = instead_of(Step("open", 1.0, 2.8, "", missing), Exposure.of(4.0, 1 / 60, 200))
    assert [way.shutter_s for way in ways if way.shutter_s] == [pytest.approx(shutter)]
    assert [way.iso for way in ways if way.iso] == [iso]


def test_the_verdict_names_the_rest_at_the_ladder_s_end() -> None:
    dark = Scene(vessel("black").light / 16, vessel("black").backdrop)
    said = shoot(dark, 2.8)[-1].as_json()["next"]
    assert said["move"] == "light"
    assert {bool(one["iso"]) for one in said["instead"]} == {True, False}


def test_a_bracket_is_complete_when_the_aim_is_met_and_every_tone_is_held() -> None:
    scene = vessel("black", shade=3.0)
    scene.light[~scene.backdrop] += 0.02
    setup_end = shoot(scene, 16.0, 5.6, aim="hold-highlights")
    f_number = setup_end[-1].step.f_number
    assert f_number is not None
    assert not setup_end[0].complete
    last = shoot(scene, 16.0, 5.6, f_number, aim="hold-highlights")[-1]
    assert last.step.move == "keep"
    assert last.complete
    assert last.step.why.endswith("the bracket is complete.")
    assert last.as_json()["next"]["complete"] is True


def test_a_bracket_that_holds_no_shadows_is_not_complete() -> None:
    scene = vessel("black", shade=3.0)
    body = ~scene.backdrop
    scene.light[body & (np.arange(scene.backdrop.shape[1]) % 10 < 3)[None]] = 1e-5
    verdict = shoot(scene, 8.0, aim="hold-highlights")[-1]
    step = replace(verdict.step, move="keep")
    assert step.move == "keep"
    assert not verdict.complete
    assert aperture_value(8.0) == 6
