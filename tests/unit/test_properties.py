"""
What holds of any scene, from picture to verdict: exposure, scale, channels, mirrors and turns.

The scenes are those of scenes.py with everything about them drawn by hypothesis.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image
from scenes import Scene, vessel

from lampblack.daemon.config import load_thresholds
from lampblack.daemon.decode import decode
from lampblack.rules.exposure import LADDER, aperture_value
from lampblack.rules.frame import Picture, Shot
from lampblack.rules.look import look
from lampblack.rules.shoot import judge, new_setup
from lampblack.rules.verdict import Verdict

THRESHOLDS = load_thresholds()
TONES = st.sampled_from(["black", "grey", "white"])
SIDES = st.sampled_from(["left", "right", "top"])
quick = settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@st.composite
def scenes(draw: st.DrawFn, tones: st.SearchStrategy[str] = TONES) -> Scene:
    return vessel(
        draw(tones),
        spill=draw(st.sampled_from([0.0, 0.004, 0.02, 0.08])),
        side=draw(SIDES),
        glint=draw(st.booleans()),
        shade=draw(st.floats(0.3, 4.0)),
        height=200,
        width=300,
    )


def judged(*pictures: Picture, **how: Any) -> list[Verdict]:
    setup, verdicts = new_setup(1, **how), []
    for number, picture in enumerate(pictures, start=1):
        seen = look(picture, THRESHOLDS, setup.radiance, no_backdrop=setup.backdrop == "none")
        setup, verdict = judge(setup, seen, THRESHOLDS, file="x", frame=number)
        verdicts.append(verdict)
    return verdicts


def changed(verdicts: list[Verdict]) -> bool:
    return any(notice.kind in ("light-changed", "size") for verdict in verdicts for notice in verdict.notices)


def figures(verdict: Verdict) -> dict[str, Any]:
    """Return what is said of the picture, without its exposure, its name and what each aperture would give."""
    said = verdict.as_json()
    return {key: said[key] for key in ("highlights", "shadows", "backdrop", "tone_response", "notices")}


# --- exposure ---------------------------------------------------------------------------------------------------------


@quick
@given(scenes(), st.lists(st.sampled_from(LADDER), min_size=2, max_size=4, unique=True))
def test_more_exposure_never_lowers_the_clipped_share(scene: Scene, f_numbers: list[float]) -> None:
    """Of the frame, of the subject where it is the same pixels (all of them), and of each channel."""
    shot = judged(*(scene.shot(n, noise=0.0) for n in f_numbers), backdrop="none")
    order = [verdict for _, verdict in sorted(zip(f_numbers, shot, strict=True), key=lambda pair: -pair[0])]
    for closer, wider in pairwise(order):
        assert wider.highlights.frame >= closer.highlights.frame
        assert (wider.highlights.subject or 0) >= (closer.highlights.subject or 0)
        assert all(w >= c for w, c in zip(wider.highlights.channels, closer.highlights.channels, strict=True))


@quick
@given(scenes(), st.permutations([2.8, 5.6, 8.0, 16.0]), st.integers(2, 4))
def test_no_outcome_turns_back_as_the_aperture_closes(scene: Scene, order: list[float], frames: int) -> None:
    """Less light never clips more, never shows more shadow, never brightens the backdrop; nor is a shot out of line."""
    verdicts = judged(*(scene.shot(n, seed=i) for i, n in enumerate(order[:frames])))
    assert not changed(verdicts)
    for verdict in verdicts:
        foretold = verdict.forecast
        for wide, closed in pairwise(foretold):
            assert none_or(wide.highlights_subject, closed.highlights_subject, 0.002)
            assert none_or(closed.shadows_subject, wide.shadows_subject, 0.002)
            assert none_or(wide.backdrop_p99, closed.backdrop_p99, 1)


def none_or(more: float | None, less: float | None, off: float) -> bool:
    return more is None or less is None or less <= more + off


@quick
@given(scenes(), st.sampled_from([2.8, 4.0, 5.6, 8.0]), st.sampled_from([1, 2, 3]))
def test_a_stop_more_light_and_a_stop_closer_changes_nothing(scene: Scene, f_number: float, stops: int) -> None:
    (one,) = judged(scene.shot(f_number))
    closer = LADDER[LADDER.index(f_number) + 3 * stops]
    (other,) = judged(replace(scene, light=scene.light * 2.0**stops).shot(closer))
    assert figures(one) == figures(other)
    assert one.step.move == other.step.move or "far as it goes" in one.step.why + other.step.why
    base = {round(aperture_value(f.f_number) - aperture_value(f_number), 3): f for f in one.forecast}
    for foretold in other.forecast:
        same = base.get(round(aperture_value(foretold.f_number) - aperture_value(closer), 3))
        if same is not None:
            assert foretold.highlights_subject == pytest.approx(same.highlights_subject, abs=1e-9)
            assert foretold.backdrop_p99 == same.backdrop_p99


# --- channels ---------------------------------------------------------------------------------------------------------


@quick
@given(scenes(), st.permutations([0, 1, 2]), st.sampled_from([2.8, 5.6, 11.0]))
def test_channels_permute(scene: Scene, order: list[int], f_number: float) -> None:
    """The figures of the channels change places, and nothing else changes."""
    picture = scene.shot(f_number)
    turned = Picture("jpeg", np.ascontiguousarray(picture.codes[..., order]), picture.shot)
    (one,), (other,) = judged(picture, aim="hold-highlights"), judged(turned, aim="hold-highlights")
    here, there = figures(one), figures(other)
    was = [here["highlights"]["channels"][c] for c in "rgb"]
    assert [there["highlights"]["channels"][c] for c in "rgb"] == [was[c] for c in order]
    for said in (here, there):
        del said["highlights"]["channels"]
        said["notices"] = [notice["kind"] for notice in said["notices"]]
    assert here == there
    assert one.forecast == other.forecast
    assert one.step.move == other.step.move
    np.testing.assert_array_equal(one.look.parts, other.look.parts)


# --- mirrors and turns ------------------------------------------------------------------------------------------------

MIRRORED = {"left": "right", "right": "left", "top": "top", "bottom": "bottom", None: None}
STORED: dict[int, Callable[[Any], Any]] = {
    1: lambda upright: upright,
    2: lambda upright: upright[:, ::-1],
    3: lambda upright: upright[::-1, ::-1],
    4: lambda upright: upright[::-1],
    5: lambda upright: upright.transpose(1, 0, 2),
    6: lambda upright: np.rot90(upright),
    7: lambda upright: upright[::-1, ::-1].transpose(1, 0, 2),
    8: lambda upright: np.rot90(upright, -1),
}
"""How a picture lies in a file of each orientation (Exif 2.3, 4.6.4)."""


def alike(one: Verdict, other: Verdict) -> None:
    """Equal but for what a filter's rounding at a cell's edge makes of a mirrored picture."""
    for key in ("frame", "subject"):
        assert getattr(one.highlights, key) == pytest.approx(getattr(other.highlights, key), abs=0.003)
        assert getattr(one.shadows, key) == pytest.approx(getattr(other.shadows, key), abs=0.01)
    assert (one.backdrop is None) == (other.backdrop is None)
    if one.backdrop is not None and other.backdrop is not None:
        assert one.backdrop.tone == other.backdrop.tone
        assert one.backdrop.area == pytest.approx(other.backdrop.area, abs=0.01)
        assert one.backdrop.p99 == pytest.approx(other.backdrop.p99, abs=1)


@quick
@given(scenes(), st.sampled_from([4.0, 5.6, 8.0]))
def test_a_mirrored_picture_is_lit_from_the_other_side(scene: Scene, f_number: float) -> None:
    picture = scene.shot(f_number)
    mirrored = Picture("jpeg", np.ascontiguousarray(picture.codes[:, ::-1]), picture.shot)
    (one,), (other,) = judged(picture), judged(mirrored)
    alike(one, other)
    if one.backdrop is not None and one.backdrop.spill is not None and abs(one.backdrop.spill.over_stops) > 0.3:
        assert other.backdrop is not None
        assert other.backdrop.spill is not None
        assert other.backdrop.spill.side == MIRRORED[one.backdrop.spill.side]


@quick
@given(scenes(), st.sampled_from(list(STORED)))
def test_exif_orientation_changes_nothing_of_the_upright_picture(scene: Scene, orientation: int) -> None:
    upright = scene.shot(5.6).codes
    file, exif = io.BytesIO(), Image.Exif()
    exif[274] = orientation
    Image.fromarray(np.ascontiguousarray(STORED[orientation](upright))).save(file, "TIFF", exif=exif)
    decoded = decode(file.getvalue(), THRESHOLDS)
    np.testing.assert_array_equal(decoded.codes, upright)
    (one,), (other,) = judged(Picture("tiff", upright, Shot())), judged(decoded)
    assert figures(one) == figures(other)
