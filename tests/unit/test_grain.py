"""Noise (EMVA 1288: variance = read**2 + gain * mean): counts of one exposure, as noisy as those of another."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lampblack.daemon.config import load_thresholds
from lampblack.rules.exposure import Exposure
from lampblack.rules.forecast import Sample, clipped_share
from lampblack.rules.frame import Plane, Sensor, Shot
from lampblack.rules.look import Part, look
from lampblack.rules.scaling import in_units_of

THRESHOLDS = load_thresholds()
WHITE = 16383
PLACES = (0, 1, 1, 2)


ROWS, COLUMNS = np.mgrid[:800, :1200]
LIGHT = 0.85 + 0.2 * COLUMNS / 1200 + 0.08 * np.sin(ROWS / 90)


def shot(colour: tuple[float, float, float], stops: float, electrons: float, read: float) -> Sensor:
    """A Bayer sensor of so many electrons, on a field of light, at an exposure of so many stops."""
    rng = np.random.default_rng(7)
    planes = []
    for channel in PLACES:
        mean = np.minimum(LIGHT * colour[channel] * 2.0**stops * electrons, 4 * electrons)
        held = mean + rng.standard_normal(LIGHT.shape) * np.sqrt(mean + read**2)
        counts = np.clip(np.rint(held / electrons * WHITE), 0, WHITE).astype(np.uint16)
        planes.append(Plane(counts, channel, 0.0, float(WHITE)))
    size = 2 * LIGHT.shape[1], 2 * LIGHT.shape[0]
    return Sensor(tuple(planes), *size, (2, 2), np.ones(3), np.eye(3), Shot(Exposure.of(8, 2.0**stops / 60, 100)))


def said_and_true(colour: tuple[float, float, float], under: float, electrons: float, read: float) -> tuple:
    """What is foretold of an exposure from a frame `under` stops darker, what its histogram says, and what comes."""
    dark, bright = (look(shot(colour, stops, electrons, read), THRESHOLDS, no_backdrop=True) for stops in (-under, 0.0))
    sample = Sample.of(dark)
    stops = sample.stops + under
    told = clipped_share([sample], stops, 0.35)
    plain = clipped_share([replace(sample, noise=None)], stops, 0.35)
    return 100 * told, 100 * plain, 100 * bright.clipped_frame


@pytest.mark.parametrize("colour", [(0.5, 1.0, 0.6), (1.0, 0.9, 0.4), (1.0, 1.0, 1.0)], ids=["green", "red", "all"])
@pytest.mark.parametrize(("electrons", "read"), [(3_600, 7.0), (40_000, 3.0)])
@pytest.mark.parametrize("under", [2.0, 4.0])
def test_a_dark_frames_noise_is_not_taken_for_light(colour, under: float, electrons: float, read: float) -> None:
    said, counted, true = said_and_true(colour, under, electrons, read)
    assert 20 < true < 80
    assert said == pytest.approx(true, abs=0.5)
    assert abs(said - true) <= abs(counted - true)


def test_counted_as_it_lies_noise_would_pass_for_light() -> None:
    _, counted, true = said_and_true((1.0, 1.0, 1.0), 4.0, 3_600, 7.0)
    assert counted > true + 4


def test_nothing_is_taken_off_what_a_frame_shows_itself() -> None:
    said, counted, true = said_and_true((0.5, 1.0, 0.6), 0.0, 3_600, 7.0)
    assert said == counted == pytest.approx(true, abs=0.2)


def test_in_units_of_another_white_noise_is_taken_off_as_well() -> None:
    """A frame read by a tag that is a tenth too high, and brought to the white that a brighter one showed."""
    right = shot((0.5, 1.0, 0.6), -3.0, 3_600, 7.0)
    tagged = replace(right, planes=tuple(replace(plane, white=1.1 * WHITE) for plane in right.planes))
    known, brought = (Sample.of(look(frame, THRESHOLDS, no_backdrop=True)) for frame in (right, tagged))
    brought = in_units_of(brought, 1.1)
    assert known.subject.share_from(1 / 8) > known.share_from(1 / 8) + 0.05
    assert brought.share_from(1 / 8) == pytest.approx(known.share_from(1 / 8), abs=0.002)


def test_a_subject_of_points_alone_is_forecast_by_what_it_shows() -> None:
    """Noise is kept of one cell in nine, and all of a small thing's may lie between those."""
    seen = look(shot((1.0, 1.0, 1.0), -2.0, 40_000, 3.0), THRESHOLDS, no_backdrop=True)
    sample = Sample.of(seen)
    parts = np.full_like(sample.parts, Part.BACKDROP)
    parts[1::3] = Part.SUBJECT
    between = replace(sample, parts=parts)
    assert between.share_from(0.3) == between.subject.share_from(0.3)
