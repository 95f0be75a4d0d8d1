"""
Nudges, softness, things that reach in, against pictures moved by a known amount.

Scenes are drawn large and warped with a cubic kernel, blurred in linear light, then coded, grained and packed as JPEG:
nothing here shares code with what measures.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import cv2
import numpy as np
import pytest
from sparing import first_quick

from lampblack.daemon.config import load_thresholds
from lampblack.rules.exposure import Exposure
from lampblack.rules.frame import Picture, Plane, Sensor, Shot
from lampblack.rules.layers import realigned
from lampblack.rules.look import look
from lampblack.rules.optics import Optics
from lampblack.rules.radiance import Radiance
from lampblack.rules.shoot import Setup, judge, new_setup
from lampblack.rules.steadiness import Moved, Tiles, moved, tiles_of
from lampblack.rules.tone import linear_to_srgb
from lampblack.rules.verdict import Verdict

THRESHOLDS = load_thresholds()
WIDTH, HEIGHT, MARGIN = 3000, 2000, 120
PITCH_UM = 6.0


@cache
def world() -> np.ndarray:
    """Things on a dark backdrop: edges and a little texture, larger than the frame."""
    rng = np.random.default_rng(3)
    rows, columns = HEIGHT + 2 * MARGIN, WIDTH + 2 * MARGIN
    light = np.full((rows, columns), 0.004, np.float32)
    for _ in range(90):
        x, y = int(rng.integers(500, columns - 500)), int(rng.integers(400, rows - 400))
        size, value = int(rng.integers(8, 160)), float(rng.uniform(0.02, 0.6))
        if rng.random() < 0.5:
            cv2.circle(light, (x, y), size, (value,), -1, cv2.LINE_AA)
        else:
            cv2.rectangle(light, (x, y), (x + size, y + size), (value,), -1)
    texture = cv2.GaussianBlur(rng.normal(size=light.shape).astype(np.float32), (0, 0), 2.0)
    return np.where(light > 0.01, light * np.exp(0.5 * texture), light).astype(np.float32)


def frame(
    *, dx: float = 0, dy: float = 0, turn: float = 0, stops: float = 0, blur: float = 0.7, noise: float = 1.0,
    seed: int = 1, lamp: Any = 1.0, f_number: float = 8.0, paint: Any = None,
) -> Picture:  # fmt: skip
    centre = (WIDTH / 2 + MARGIN - 0.5, HEIGHT / 2 + MARGIN - 0.5)
    way = cv2.getRotationMatrix2D(centre, -turn, 1)
    way[:, 2] += dx - MARGIN, dy - MARGIN
    light = cv2.warpAffine(world(), way, (WIDTH, HEIGHT), flags=cv2.INTER_CUBIC) * lamp
    if paint is not None:
        paint(light)
    light = cv2.GaussianBlur(light.astype(np.float32), (0, 0), blur) * 2.0**stops
    codes = linear_to_srgb(light) * 255 + np.random.default_rng(seed).normal(0, noise, light.shape)
    grey = np.clip(np.rint(codes), 0, 255).astype(np.uint8)
    data = cv2.imencode(".jpg", cv2.merge([grey] * 3), [cv2.IMWRITE_JPEG_QUALITY, 92])[1]
    f_number = f_number if stops == 0 else 8.0 * 2 ** (-stops / 2)
    shot = Shot(Exposure.of(f_number, 1 / 60, 200), optics=Optics(pitch_um=PITCH_UM))
    return Picture("jpeg", np.ascontiguousarray(cv2.imdecode(data, cv2.IMREAD_COLOR)), shot)


def as_raw(picture: Picture) -> Sensor:
    """The same light on a sensor: 12,000 counts of it, shot noise and all."""
    light = (picture.codes[..., 1] / 255.0) ** 2.2
    counts = np.random.default_rng(9).poisson(light * 12_000).astype(np.uint16)
    planes = tuple(
        Plane(np.ascontiguousarray(counts[y::2, x::2]), channel, 0.0, 12_000.0)
        for (y, x), channel in zip(((0, 0), (0, 1), (1, 0), (1, 1)), (0, 1, 1, 2), strict=True)
    )
    return Sensor(planes, picture.width, picture.height, (2, 2), np.ones(3), np.eye(3), picture.shot)


def cells(picture: Any) -> np.ndarray:
    return np.asarray(look(picture, THRESHOLDS, no_backdrop=True).bright, np.float32)


@cache
def first() -> Tiles:
    picture = frame()
    found = tiles_of(picture, cells(picture))
    assert found is not None
    return found


def against(picture: Any) -> Moved:
    found = moved(first(), picture)
    assert found is not None
    return found


RAMP = np.linspace(0.15, 1.5, WIDTH, dtype=np.float32)[None]
"""A lamp switched on at the right."""


@pytest.mark.parametrize(
    "how",
    [
        {"dx": 1.5},
        {"dx": -3.2, "dy": 7.4},
        {"dx": 22, "dy": -31},
        {"dx": 60, "dy": 10},
        {"dy": -60},
        {"dx": 2.3, "stops": -3},
        {"dx": -1.5, "dy": 1.5, "stops": 1.5},
        {"dx": 1.7, "lamp": RAMP},
        {"dx": 12, "lamp": RAMP, "stops": -4},
        {"dx": 5.5, "blur": 1.8},
        {"dx": -8.2, "noise": 5.0},
    ],
    ids=lambda how: ", ".join(f"{key} {'on' if key == 'lamp' else value}" for key, value in how.items()),
)
def test_a_nudge_is_measured_to_half_a_pixel(how: dict[str, Any]) -> None:
    found = against(frame(seed=7, **how))
    assert found.shift == pytest.approx((how.get("dx", 0), how.get("dy", 0)), abs=0.5)
    assert not found.subject


@pytest.mark.parametrize("turn", [0.05, 0.3])
def test_a_turn_is_told_from_a_shift(turn: float) -> None:
    found = against(frame(turn=turn, dx=4, seed=7))
    assert found.rotation == pytest.approx(turn, abs=0.01)
    assert found.shift == pytest.approx((4, 0), abs=0.5)


@pytest.mark.parametrize("stops", [0.0, -2.0, -4.0, 1.0])
@pytest.mark.parametrize("noise", first_quick([2.0, 0.5, 5.0]))
def test_a_still_picture_is_called_still(stops: float, noise: float) -> None:
    found = against(frame(stops=stops, noise=noise, seed=8))
    assert found.shift == pytest.approx((0, 0), abs=0.3)
    assert abs(found.rotation) < 0.01


@pytest.mark.slow
def test_no_false_alarm_in_two_hundred_still_pairs() -> None:
    rng = np.random.default_rng(5)
    for seed in range(200):
        picture = frame(stops=float(rng.uniform(-4, 1.5)), noise=float(rng.uniform(0.3, 4)), seed=seed + 50)
        found = against(picture)
        assert found.shift is not None
        assert np.hypot(*found.shift) < THRESHOLDS.steadiness.shift_share * 6000
        assert abs(found.rotation) < 0.02
        assert found.blur < THRESHOLDS.steadiness.blur_pixels


def test_a_raw_frame_tells_the_same() -> None:
    one = as_raw(frame())
    tiles = tiles_of(one, cells(one))
    assert tiles is not None
    found = moved(tiles, as_raw(frame(dx=3.5, dy=-2.0, seed=7)))
    assert found is not None
    assert found.shift == pytest.approx((3.5, -2.0), abs=0.5)
    assert moved(tiles, frame()) is None, "a JPEG and a raw are not held against each other"


# ---------------------------------------------------------------- sharpness


@pytest.mark.parametrize("blur", [1.65, 2.2, 3.1])
@pytest.mark.parametrize("stops", [0.0, -2.0])
def test_a_blur_is_seen_and_measured(blur: float, stops: float) -> None:
    """0.7 pixel is the lens's own; blurs add by their squares."""
    found = against(frame(blur=blur, stops=stops, seed=7))
    assert found.sharpness is not None
    assert found.sharpness < 0.92
    # The aperture closed by two stops explains a little: the Airy disc grows from 1.8 to 3.6 pixels.
    assert found.blur == pytest.approx(np.sqrt(blur**2 - 0.7**2), rel=0.25)
    assert found.blur > THRESHOLDS.steadiness.blur_pixels


@pytest.mark.parametrize("f_number", [2.8, 4.0, 16.0, 22.0])
def test_diffraction_is_no_lost_focus(f_number: float) -> None:
    """An Airy disc is nearest to a normal curve of 0.42 lambda N (textbook)."""
    added = (0.42 * 0.55 / PITCH_UM) ** 2 * (f_number**2 - 8.0**2)
    found = against(frame(blur=float(np.sqrt(max(0.7**2 + added, 0.3))), f_number=f_number, seed=7))
    assert found.blur < 0.6 * THRESHOLDS.steadiness.blur_pixels


@pytest.mark.parametrize("noise", [2.0, 4.0])
def test_noise_is_no_blur_and_no_sharpness(noise: float) -> None:
    found = against(frame(noise=noise, seed=7))
    assert found.sharpness == pytest.approx(1, abs=0.05)
    assert abs(found.blur) < 0.6


# ---------------------------------------------------------------- in a setup


def shots(*pictures: Picture) -> list[Verdict]:
    setup: Setup = new_setup(1, backdrop="black")
    found = []
    for number, picture in enumerate(pictures, 1):
        setup, verdict = judge(
            setup, look(picture, THRESHOLDS, setup.radiance), THRESHOLDS, file=f"{number}.jpg", frame=number
        )
        found.append(verdict)
    return found


def kinds(verdict: Verdict) -> set[str]:
    return {notice.kind for notice in verdict.notices}


SPOILS = {"nudged", "softer", "reaches-in", "bands", "level"}


def test_a_quiet_bracket_says_nothing() -> None:
    verdicts = shots(*(frame(stops=stops, seed=i) for i, stops in enumerate((0.0, -1.0, -2.0, 1.0, 0.0))))
    assert [kinds(verdict) & SPOILS for verdict in verdicts] == [set()] * 5
    steady = [verdict.as_json()["steadiness"] for verdict in verdicts]
    assert steady[0]["shift_px"] == [0, 0]
    assert steady[0]["sharpness"] == 1
    assert all(one["banding"] == 0 for one in steady)


def test_what_spoils_a_frame_has_a_line_each() -> None:
    def card(light: Any) -> None:
        light[300:1500, : round(0.02 * WIDTH)] = 0.2

    _, nudged, soft, carded = shots(frame(), frame(dx=4.0, seed=2), frame(blur=2.0, seed=3), frame(seed=4, paint=card))
    assert kinds(nudged) & SPOILS == {"nudged"}
    assert nudged.as_json()["steadiness"]["shift_px"] == pytest.approx([4, 0], abs=0.5)
    assert kinds(soft) & SPOILS == {"softer"}
    assert soft.as_json()["steadiness"]["sharpness"] < 0.9
    assert "reaches-in" in kinds(carded)
    (text,) = [notice.text for notice in carded.notices if notice.kind == "reaches-in"]
    assert "from the left" in text


def streak(length: float, degrees: float) -> np.ndarray:
    """A straight shake: all of the exposure spent evenly along a line."""
    fine, size = 8, 31
    kernel = np.zeros((size * fine, size * fine), np.float32)
    middle, half = size * fine / 2 - 0.5, length * fine / 2
    across, up = half * np.cos(np.radians(degrees)), half * np.sin(np.radians(degrees))
    ends = [(round(middle - way * across), round(middle + way * up)) for way in (1, -1)]
    cv2.line(kernel, ends[0], ends[1], (1.0,), fine)
    kernel = cv2.resize(kernel, (size, size), interpolation=cv2.INTER_AREA)
    return kernel / kernel.sum()


def disc(radius: float) -> np.ndarray:
    """A lens out of focus."""
    fine, size = 8, 31
    kernel = np.zeros((size * fine, size * fine), np.float32)
    cv2.circle(kernel, (size * fine // 2, size * fine // 2), round(radius * fine), (1.0,), -1)
    kernel = cv2.resize(kernel, (size, size), interpolation=cv2.INTER_AREA)
    return kernel / kernel.sum()


def through(kernel: np.ndarray) -> Any:
    def paint(light: np.ndarray) -> None:
        light[:] = cv2.filter2D(light, -1, kernel)

    return paint


@pytest.mark.parametrize(
    ("length", "degrees", "said"),
    first_quick(
        [
            (8, 0, "from side to side"),
            (12, 20, "from side to side"),
            (8, 45, "slanting up to the right"),
            (6, 90, "up and down"),
            (12, 135, "slanting down to the right"),
        ]
    ),
)
def test_shake_is_told_from_focus(length: float, degrees: float, said: str) -> None:
    """Two stops darker than the first frame, and noisier, as the shot that shook may be."""
    _, shaken = shots(frame(), frame(stops=-2, noise=2.0, paint=through(streak(length, degrees)), seed=5))
    told = [notice.text for notice in shaken.notices if notice.kind == "softer"]
    assert told, shaken.look.steady.moved
    assert f"{said}: shake" in told[0]


@pytest.mark.parametrize("radius", first_quick([2.8, 4.0, 6.0]))
def test_focus_is_told_from_shake(radius: float) -> None:
    _, soft = shots(frame(), frame(stops=-2, noise=2.0, paint=through(disc(radius)), seed=5))
    told = [notice.text for notice in soft.notices if notice.kind == "softer"]
    assert told
    assert "evenly so: see to the focus" in told[0]


def test_focus_at_another_depth_is_told() -> None:
    """Left half and right half lie at two depths; the focus goes from the one to the other."""

    def half(place: slice) -> Any:
        def paint(light: np.ndarray) -> None:
            light[:, place] = cv2.filter2D(light, -1, disc(3.0))[:, place]

        return paint

    middle = WIDTH // 2
    _, changed = shots(frame(paint=half(slice(middle, None))), frame(paint=half(slice(0, middle)), seed=2))
    assert any(notice.kind in ("focus-elsewhere", "softer") for notice in changed.notices)
    moved_ = changed.look.steady.moved
    assert moved_ is not None
    assert moved_.elsewhere


def test_the_sharpest_frame_is_the_measure_wherever_it_comes() -> None:
    soft, sharp, soft_again = shots(frame(blur=2.0), frame(seed=2), frame(blur=2.0, seed=3))
    assert soft.as_json()["steadiness"]["sharpness"] == 1
    assert sharp.as_json()["steadiness"]["sharpness"] == 1
    assert soft_again.as_json()["steadiness"]["sharpness"] < 0.95
    assert "softer" in kinds(soft_again)


def test_a_nudge_holds_through_a_lamp_that_is_switched() -> None:
    found = shots(frame(), frame(seed=2), frame(dx=3.0, lamp=RAMP, seed=3))[-1]
    assert "light-changed" in kinds(found)
    assert found.as_json()["steadiness"]["shift_px"] == pytest.approx([3, 0], abs=0.5)


def test_another_size_is_not_compared() -> None:
    other = frame(seed=2)
    half = Picture("jpeg", np.ascontiguousarray(other.codes[::2, ::2]), other.shot)
    found = shots(frame(), half)[-1]
    assert "nudged" not in kinds(found)


def test_a_level_that_changes_at_one_exposure_is_told() -> None:
    _, brighter = shots(frame(), frame(lamp=1.12, seed=2))
    (text,) = [notice.text for notice in brighter.notices if notice.kind == "level"]
    assert "0.2 stop brighter" in text
    assert "Safe times" in text or "warming up" in text


def test_light_is_not_merged_across_a_nudge() -> None:
    setup = new_setup(1, backdrop="black")
    looks = []
    for number, dx in enumerate((0.0, 0.4, 30.0, 30.3), 1):
        looks.append(look(frame(dx=dx, seed=number), THRESHOLDS, setup.radiance))
        setup, _ = judge(setup, looks[-1], THRESHOLDS, file=f"{number}.jpg", frame=number)
    weights = [
        float(one.radiance.coded.weight.astype(float).mean()) for one in looks if one.radiance and one.radiance.coded
    ]
    assert weights[1] > 1.8 * weights[0], "a still pair is merged"
    assert weights[2] < 1.2 * weights[0], "what was known lies elsewhere"
    assert weights[3] > 1.8 * weights[2], "and those that stand alike are merged again"


def test_a_nudged_layer_is_laid_over_the_others_again() -> None:
    one = frame()
    still = look(one, THRESHOLDS, no_backdrop=True)
    assert still.steady.tiles is not None
    known = Radiance(tiles=(still.steady.tiles,))
    off = look(frame(dx=24.0, dy=-11.0, turn=0.15, seed=2), THRESHOLDS, known, no_backdrop=True)
    inside = np.s_[20:-20, 20:-20]

    def apart(other: Any) -> float:
        both = [each.light[inside].astype(float).mean(axis=2) for each in (still, other)]
        bright = np.minimum(*both) > 0.01
        return float(np.percentile(np.abs(np.log2(both[0][bright] / both[1][bright])), 95))

    assert apart(off) > 1
    assert apart(realigned(off)) < 0.35, "what is left is of edges within a cell"
    assert realigned(still) is still
