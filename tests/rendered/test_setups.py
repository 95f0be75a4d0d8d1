"""
Several frames of a rendered setup together: outcomes in order, one light is one light, a pair teaches the curve.

As in test_truth.py, nothing of scenes or cameras was known when the measuring was written.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from tone_scenes import stops_off

from lampblack.daemon.config import load_thresholds
from lampblack.daemon.eye import see_here
from lampblack.rules.shoot import judge, new_setup
from rendered.world import CAMERAS, FIRST, SECOND, Setup, Watch

ORDER = (2.8, 8.0, 16.0, 5.6)
"""Six stops, the widest first: it shows least."""

EACH = [(name, cameras[i % len(cameras)]) for i, (name, cameras) in enumerate((FIRST | SECOND).items())]


@pytest.mark.parametrize("kind", ["jpeg", "raw"])
@pytest.mark.parametrize(("name", "camera"), EACH)
def test_outcomes_stand_in_order_and_one_light_is_one_light(tmp_path: Path, name: str, camera: str, kind: str) -> None:
    """What was shot with the rest, within a tenth of a point and a code."""
    setup, watch = Setup(name, camera, 8.0, tmp_path), Watch()
    for f_number in ORDER:
        said = watch.take(setup.frame(f_number).file(kind)).said
        assert not {notice["kind"] for notice in said["notices"]} & {"light-changed", "size", "camera"}
        for key, sign, off in (
            ("highlights_subject", -1, 0.001), ("shadows_subject", 1, 0.001), ("backdrop_p99", -1, 1),
        ):  # fmt: skip
            values = [sign * line[key] for line in said["forecast"] if line[key] is not None]
            assert all(np.diff(values) >= -off), (f_number, key)


@pytest.mark.parametrize("camera", CAMERAS)
@pytest.mark.parametrize("name", ["kettle", "sitter"])
def test_one_raw_with_its_jpeg_teaches_the_curve(tmp_path: Path, name: str, camera: str) -> None:
    """Scenes with tones from white to black; the others show too few, and say so by their doubt."""
    frame = Setup(name, camera, 8.0, tmp_path).frame(8.0)
    thresholds = load_thresholds()
    seen = see_here(bytes(frame.jpeg), thresholds, partner=bytes(frame.raw))
    setup, verdict = judge(new_setup(1), seen.look, thresholds, file="x", frame=1)
    tone = CAMERAS[camera].tone
    light = np.concatenate([[0.0], 2.0 ** np.linspace(-20, 0, 40_000)])
    truth = np.interp(np.arange(256), tone.code(light), light)
    white = min(254, tone.top - 1)
    assert verdict.as_json()["tone_response"]["from"] == "raw pair"
    assert stops_off(setup.response.light, truth, white=white) < 0.1
    assert stops_off(setup.response.light, truth, anchored=True, white=white) < 2.5 * setup.response.sure_stops
