"""
How much of a JPEG is clipped, told by a darker frame as well.

Made-up scenes and cameras of tone_scenes.py; the truth is the light before it is filed.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from tone_scenes import CURVES, expose, studio

from lampblack.daemon.config import load_thresholds
from lampblack.rules.distribution import Distribution
from lampblack.rules.exposure import Exposure
from lampblack.rules.forecast import Sample, clipped_share, told_together
from lampblack.rules.frame import Kind, Picture, Shot
from lampblack.rules.look import Part, look
from lampblack.rules.response import PRIOR
from lampblack.rules.shoot import Setup, judge, new_setup
from lampblack.rules.verdict import Highlights

THRESHOLDS = load_thresholds()
SIZE = 240, 360
SHOTS = ((16.0, -2.0), (8.0, 0.0), (4.0, 2.0))
"""Aperture, and stops of light."""
CASES = [(seed, name, 75) for seed in (2, 4, 7, 9, 11, 13) for name in ("standard", "gamma 2.2")]


@cache
def bracket(
    seed: int, name: str, quality: int, *, mark_off: float = 0.0, kind: Kind = "jpeg"
) -> tuple[Setup, Highlights]:
    """Return a setup of three frames, and what the last one's verdict says is clipped; the middle one's mark lies."""
    setup = new_setup(1, backdrop="none")
    light = studio(seed, *SIZE).light()
    for number, (f_number, stops) in enumerate(SHOTS, start=1):
        true = stops - mark_off * (number == 2)
        codes = expose(light, true, CURVES[name], seed=seed, quality=quality)
        seen = look(
            Picture(kind, codes, Shot(Exposure.of(f_number, 1 / 60, 100))), THRESHOLDS, setup.known, no_backdrop=True
        )
        setup, verdict = judge(setup, seen, THRESHOLDS, file=f"{number}.jpg", frame=number)
    return setup, verdict.highlights


def read(setup: Setup) -> list[Sample]:
    return [sample.under(setup.response, setup.lessons.end) for sample in setup.samples]


def clipped(sample: Sample) -> float:
    share = sample.share_from(sample.clips_from)
    assert share is not None
    return share


def truth(seed: int, name: str, stops: float) -> float:
    """Return the share with a channel at the last code, before noise and compression."""
    light = studio(seed, *SIZE).light().max(axis=2) * 2.0**stops
    return float((np.rint(255 * CURVES[name](np.clip(light, 0, 1))) == 255).mean())


@pytest.mark.parametrize("mark_off", [0.0, 0.1])
def test_together_they_are_nearer_to_the_light_though_a_mark_lies(mark_off: float) -> None:
    alone, together = [], []
    for seed, name, quality in CASES:
        frames = read(bracket(seed, name, quality, mark_off=mark_off)[0])
        true = truth(seed, name, SHOTS[-1][1])
        alone.append(abs(clipped(frames[-1]) - true))
        together.append(abs(clipped(told_together(frames)[-1]) - true))
    assert sum(together) < 0.85 * sum(alone)
    assert np.max(np.subtract(together, alone)) < 0.002


def test_the_verdict_says_what_they_tell_together() -> None:
    setup, said = bracket(*CASES[0])
    frames = read(setup)
    assert said.subject == pytest.approx(clipped(told_together(frames)[-1]), abs=1e-4)
    assert abs(said.subject - clipped(frames[-1])) > 1e-3
    assert said.broad + said.specular == pytest.approx(said.subject, abs=1e-9)
    assert said.frame == pytest.approx(said.subject, abs=1e-4), "there is nothing but the subject"


def test_what_shows_no_clipped_pixel_has_none() -> None:
    """Nor has a pale sheet a code under the end of the curve, whatever a darker frame makes of it."""
    frames = read(bracket(*CASES[0])[0])
    counts = frames[-1].subject.counts.copy()
    counts[255] = 0
    assert counts[250:255].all()
    sheet = replace(frames[-1], subject=Distribution(counts, frames[-1].subject.edges))
    assert told_together([*frames[:-1], sheet])[-1] is sheet


@pytest.mark.parametrize("mark_off", [0.0, 0.1])
def test_what_is_said_of_a_frame_is_foretold_of_its_aperture(mark_off: float) -> None:
    for case in CASES[:4]:
        setup, said = bracket(*case, mark_off=mark_off)
        frames = told_together(read(setup))
        assert clipped_share(frames[-1:], frames[-1].stops or 0.0, 1.0) == pytest.approx(said.subject, abs=1e-6)


def test_a_darker_frame_says_no_more_than_a_pile_may_hide_and_no_less_than_lies_at_the_end() -> None:
    dark, _, bright = read(bracket(*CASES[0])[0])
    edges = dark.subject.edges
    black, white = (replace(dark, subject=Distribution(1000 * np.eye(256, dtype=int)[at], edges)) for at in (9, 240))
    least, most = (clipped(told_together([one, bright])[-1]) for one in (black, white))
    assert least == pytest.approx(bright.share_from(bright.white), abs=1e-9)
    assert clipped(bright) < most <= (bright.share_from(float(edges[249])) or 0.0) + 1e-9


def test_a_frame_whose_subject_is_cut_otherwise_tells_little() -> None:
    _, dark, bright = read(bracket(*CASES[0])[0])
    parts = dark.parts.copy()
    parts[: len(parts) // 2] = Part.BACKDROP
    other = clipped(told_together([replace(dark, parts=parts), bright])[-1])
    alike = clipped(told_together([dark, bright])[-1])
    assert abs(other - clipped(bright)) < 0.1 * abs(alike - clipped(bright))


def test_an_unknown_curve_leaves_what_a_frame_shows_itself() -> None:
    """Where white lies among a darker frame's codes hangs on the response: by sRGB it may be half a stop off."""
    frames = read(bracket(*CASES[0])[0])
    known = abs(clipped(told_together(frames)[-1]) - clipped(frames[-1]))
    unsure = [replace(one, doubt=PRIOR.sure_stops) for one in frames]
    assert abs(clipped(told_together(unsure)[-1]) - clipped(frames[-1])) < known / 2


def test_only_what_was_compressed_and_has_a_darker_frame_is_told_by_one() -> None:
    frames = read(bracket(*CASES[0])[0])
    assert told_together(frames)[0] is frames[0]
    nearly_as_dark = replace(frames[1], stops=(frames[2].stops or 0.0) - 0.4)
    assert told_together([nearly_as_dark, frames[2]])[1] is frames[2]
    plain = read(bracket(*CASES[0], kind="tiff")[0])
    assert told_together(plain) == plain
    timeless = [replace(frames[0], stops=None), frames[2]]
    assert told_together(timeless) == timeless
