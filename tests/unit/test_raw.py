"""Raw: levels, saturation, clipping, noise, against sensors whose every number is known."""

from __future__ import annotations

from dataclasses import replace
from statistics import NormalDist

import cv2
import numpy as np
import pytest
import rawpy
import studio_frames
from scenes import vessel

from lampblack.daemon.config import load_thresholds
from lampblack.daemon.decode import read_raw
from lampblack.daemon.refusal import FrameRefusedError
from lampblack.rules.cleanness import judge_backdrop
from lampblack.rules.distribution import Distribution
from lampblack.rules.exposure import Exposure, aperture_value
from lampblack.rules.frame import Plane, Sensor, Shot
from lampblack.rules.look import Part, look
from lampblack.rules.preview import Mark, preview
from lampblack.rules.raw import RAW_MID_GREY, reduce_raw, saturation, saturations
from lampblack.rules.remedy import remedies
from lampblack.rules.response import PRIOR
from lampblack.rules.shoot import judge, new_setup

THRESHOLDS = load_thresholds()


def plane(
    light: np.ndarray, *, black: float, full: float, tag: float, spread: float = 0, channel: int = 1, seed: int = 0
) -> Plane:
    """Samples of a linear sensor: light 1 fills it at `full`; noise `spread` is added after that."""
    rng = np.random.default_rng(0)
    values = black + np.minimum(light, 1) * (full - black) + spread * rng.normal(size=light.shape)
    return Plane(np.clip(np.rint(values), 0, 65535).astype(np.uint16), 1, black, tag)


def ramp(rows: int = 400, columns: int = 600, top: float = 1.3) -> np.ndarray:
    return np.tile(np.linspace(0, top, columns), (rows, 1))


@pytest.mark.parametrize("spread", [0.0, 0.0003, 0.001])
@pytest.mark.parametrize(("full", "tag"), [(15_000, 16_383), (16_383, 16_383), (3_900, 4_095), (14_500, 15_900)])
def test_the_true_saturation_is_found_below_the_tag(full: float, tag: float, spread: float) -> None:
    noise = spread * (full - 512)
    found = saturation(plane(ramp(), black=512, full=full, tag=tag, spread=noise))
    assert full - 4 * noise - 1 <= found <= full


@pytest.mark.parametrize("shift", [0, 2, 4])
@pytest.mark.parametrize("step", [1, 3])
def test_levels_that_no_sample_can_have_are_no_gap_in_a_pile(shift: int, step: int) -> None:
    """Samples shifted for room, or a maker's curve with steps: full wells read with noise lie on several levels."""
    full = 3_000
    made = plane(ramp(), black=128, full=full, tag=4_095, spread=2.0)
    samples = np.left_shift(made.samples // step * step, shift)
    found = saturation(Plane(samples, 1, 128.0 * 2**shift, 4_095.0 * 2**shift))
    truth = float((ramp() >= 1).mean())
    assert (samples >= found).mean() == pytest.approx(truth, abs=0.004)


def test_red_and_blue_that_fill_nothing_go_by_green_where_the_tag_is_off() -> None:
    made = [plane(ramp(top=top), black=512, full=15_000, tag=16_383, spread=2) for top in (0.7, 1.3, 1.3, 1.004, 0.0)]
    found = saturations(tuple(made))
    assert found[0] == found[4] == min(found)
    assert all(14_990 <= level <= 15_000 for level in found)


def test_a_colour_above_the_others_level_has_its_own() -> None:
    """Red digitally raised by the camera: green's pile says nothing of it."""
    red = plane(ramp(top=0.99), black=512, full=16_300, tag=16_383, spread=2)
    green = plane(ramp(), black=512, full=15_000, tag=16_383, spread=2)
    assert saturations((red, green))[0] == 16_383


def test_a_frame_that_fills_nothing_keeps_the_tag() -> None:
    for top in (0.02, 0.5, 0.95):
        dark = plane(ramp(top=top), black=512, full=15_000, tag=15_500, spread=5)
        assert saturation(dark) >= 15_500


@pytest.mark.parametrize("level", [0.3, 0.7, 0.9, 0.97])
def test_a_bright_plain_backdrop_is_not_saturated(level: float) -> None:
    """A white sheet just below saturation piles up too, but as wide as its shot noise."""
    sheet = sensor(np.full((300, 450), level)).planes[0]
    assert (sheet.samples >= saturation(sheet)).mean() < 0.001


def sensor(
    light: np.ndarray,
    *,
    colour: tuple[float, float, float] = (1.0, 1.0, 1.0),
    black: tuple[float, ...] = (512, 510, 514, 511),
    electrons: float = 40_000,
    read: float = 3.0,
    gain: float = 0.4,
) -> Sensor:
    """An RGGB sensor after EMVA 1288: Poisson electrons, read noise, `gain` codes an electron."""
    planes = []
    for place, (channel, level) in enumerate(zip((0, 1, 1, 2), black, strict=True)):
        rng = np.random.default_rng(place)
        wells = np.minimum(rng.poisson(np.clip(light, 0, None) * colour[channel] * electrons), electrons)
        codes = level + gain * (wells + read * rng.normal(size=light.shape))
        planes.append(
            Plane(np.clip(np.rint(codes), 0, 65535).astype(np.uint16), channel, level, level + gain * electrons)
        )
    return Sensor(
        tuple(planes),
        light.shape[1] * 2,
        light.shape[0] * 2,
        (2, 2),
        np.ones(3),
        np.eye(3),
        Shot(Exposure.of(8, 1 / 60, 100)),
    )


STEPS_OF_LIGHT = np.kron(2.0 ** -np.arange(12).reshape(3, 4), np.ones((160, 170)))
_Y, _X = np.mgrid[:480, :680]
# Much of it has to be near black: read noise can't be told from a frame without darks.
FALLING_LIGHT = 0.9 * np.exp(-((_X - 320.0) ** 2 + (_Y - 200.0) ** 2) / (2 * 80**2)) + 2.0**-14


@pytest.mark.parametrize("light", [STEPS_OF_LIGHT, FALLING_LIGHT], ids=["steps", "falling"])
@pytest.mark.parametrize(
    ("electrons", "read", "gain"),
    [(80_000, 8.0, 0.18), (60_000, 3.0, 0.25), (40_000, 3.0, 0.4), (10_000, 2.0, 1.5), (3_000, 1.5, 5.0)],
)
def test_noise_is_that_of_the_sensor(light: np.ndarray, electrons: float, read: float, gain: float) -> None:
    """
    Photon transfer after EMVA 1288, over conversion gains of 0.18 to 5 codes an electron.

    EMVA 1288's own example is 40,000 electrons, read noise 3, 0.4 codes an electron; rounding to codes adds 1/12 of a
    code squared. Signal equals noise at 1/2 + sqrt(1/4 + read squared): 3.6 electrons in the example.
    """
    found = reduce_raw(sensor(light, electrons=electrons, read=read, gain=gain), THRESHOLDS).noise
    assert found is not None
    in_all = np.sqrt(read**2 + 1 / 12 / gain**2)
    assert found.gain * electrons == pytest.approx(1, rel=0.04)
    assert found.read * electrons == pytest.approx(in_all, rel=0.1)
    assert found.floor * electrons == pytest.approx(0.5 + np.sqrt(0.25 + in_all**2), rel=0.1)


def test_clipping_is_exact_by_channel() -> None:
    light = ramp()
    made = sensor(light)
    shifted = tuple(
        Plane(p.samples if p.channel else np.minimum(p.samples, 9000), p.channel, p.black, p.white) for p in made.planes
    )
    made = Sensor(shifted, made.width, made.height, (2, 2), made.balance, made.to_srgb, made.shot)
    cells = reduce_raw(made, THRESHOLDS)
    green = np.logical_or(*(p.samples >= p.white - 40 for p in made.planes if p.channel == 1))
    assert cells.clipped[..., 0].mean() == pytest.approx((made.planes[0].samples == 9000).mean(), abs=0.001)
    assert cells.clipped[..., 1].mean() == pytest.approx(green.mean(), abs=0.002)


def test_a_white_over_what_green_holds_is_white_and_not_purple() -> None:
    """Red and blue, which balance lifts, have room left where green is full; a colour matrix makes the most of that."""
    light = np.full((400, 600), 0.2)
    light[:, 300:] = 1.4
    matrix = np.array([[1.5, -0.4, -0.1], [-0.3, 1.6, -0.3], [0.0, -0.5, 1.5]])
    colour = (0.6, 1.0, 0.55)
    frame = replace(sensor(light, colour=colour), balance=1 / np.array(colour), to_srgb=matrix)
    cells = reduce_raw(frame, THRESHOLDS)
    across = cells.shape[1]
    assert cells.all_white[:, -across // 3 :].min() == 1
    assert cells.all_white[:, : across // 3].max() == 0
    assert cells.light[:, : across // 3].reshape(-1, 3).mean(axis=0) == pytest.approx([0.2] * 3, abs=0.003)
    shown = preview(look(frame, THRESHOLDS), None, THRESHOLDS).rgb
    assert shown[:, -shown.shape[1] // 3 :].min() >= 254


@pytest.mark.parametrize("code", [2, 4, 7])
@pytest.mark.parametrize("electrons", [3_000, 40_000])
def test_noise_is_no_light_on_a_black_backdrop(code: int, electrons: float) -> None:
    """Points of the noisier sensor spread over ten codes; the backdrop's light is one (sRGB: 12.92 x 255 a unit)."""
    light = np.full((400, 600), code / (12.92 * 255))
    light[120:300, 200:400] = 0.4
    found = look(sensor(light, electrons=electrons, read=4.0), THRESHOLDS)
    behind = Distribution(found.counts[Part.BACKDROP])
    assert behind.percentile_code(99) == pytest.approx(code, abs=1)
    judged = judge_backdrop(found, "black", THRESHOLDS)
    assert judged is not None
    assert judged.clean is (code <= 5)
    marked = (preview(found, "black", THRESHOLDS).marks & Mark.SPILLED > 0).mean()
    assert (marked > 0.5) == (not judged.clean)
    assert marked > 0.5 or marked < 0.02
    assert (judged.slack_stops > 0) == judged.clean
    for way in remedies(judged, found, THRESHOLDS, PRIOR):
        if way.do == "flag":  # the light is even: it takes little
            assert way.stops < 0.7


def test_a_pair_whose_jpeg_alone_is_noisy_says_noise() -> None:
    light = np.full((400, 600), 2 / (12.92 * 255))
    light[120:300, 200:400] = 0.4
    noisy = look(vessel("black").shot(5.6, noise=6.0), THRESHOLDS)
    judged = judge_backdrop(replace(look(sensor(light), THRESHOLDS), shown=noisy), "black", THRESHOLDS)
    assert judged is not None
    assert (judged.clean, judged.only_grain, judged.spill) == (False, True, None)


def test_noise_is_no_lack_of_white() -> None:
    """Code 251 all over; of the points a good part lies under 250."""
    light = np.full((400, 600), 0.966)
    light[120:300, 200:400] = 0.1
    found = look(sensor(light, electrons=9_000), THRESHOLDS)
    judged = judge_backdrop(found, "white", THRESHOLDS)
    assert judged is not None
    assert judged.clean


def test_what_the_lens_smears_along_a_table_is_no_patch_on_the_backdrop() -> None:
    """A strip of one cell, three off, over the whole width: light of the table's, and none that spills."""
    light = np.full((400, 600), 0.0003)
    light[300:] = 0.6
    light[100:300, 250:350] = 0.4
    found = look(sensor(cv2.GaussianBlur(light, (0, 0), 1.2), electrons=60_000), THRESHOLDS)
    judged = judge_backdrop(found, "black", THRESHOLDS)
    assert judged is not None
    assert judged.clean
    light[100:112, 40:52] = 0.004  # a patch as large as may not be
    spilled = judge_backdrop(look(sensor(light, electrons=60_000), THRESHOLDS), "black", THRESHOLDS)
    assert spilled is not None
    assert not spilled.clean


def test_a_grey_card_at_its_place_is_mid_grey() -> None:
    """ISO 12232, saturation-based speed: 18 % grey at 12.7 % of saturation."""
    assert pytest.approx(0.1273, abs=1e-4) == RAW_MID_GREY
    flat = look(sensor(np.full((300, 450), RAW_MID_GREY)), THRESHOLDS, no_backdrop=True)
    assert flat.mid_light == pytest.approx(0.18, rel=0.01)


def dng(f_number: float, number: int = 1) -> bytes:
    return studio_frames.dng(f_number, number, 2)


def blocks(data: bytes, path) -> float:
    """Share of 2 x 2 blocks with a full sample, counted on the file's own samples."""
    path.write_bytes(data)
    with rawpy.imread(str(path)) as raw:
        full = raw.raw_image_visible >= raw.raw_image_visible.max()
    return float((full[0::2, 0::2] | full[0::2, 1::2] | full[1::2, 0::2] | full[1::2, 1::2]).mean())


def test_a_raw_file_end_to_end(tmp_path) -> None:
    """Clipped blocks as the file has them; wider apertures foretold from one frame within half a point."""
    setup, seen = new_setup(1), look(read_raw(dng(8.0), THRESHOLDS), THRESHOLDS)
    setup, verdict = judge(setup, seen, THRESHOLDS, file="x", frame=1)
    assert verdict.look.kind == "raw"
    assert verdict.look.shot.exposure.av == 6
    assert seen.clipped_frame == pytest.approx(blocks(dng(8.0), tmp_path / "a.dng"), abs=0.001)
    share = seen.subject.mean()
    for f_number in (5.6, 4.0, 2.8):
        foretold = next(f for f in verdict.forecast if f.f_number == f_number)
        truth = blocks(dng(f_number, 2), tmp_path / "b.dng") / share
        assert foretold.highlights_subject == pytest.approx(truth, abs=0.006)
        assert aperture_value(f_number) < 6


@pytest.mark.parametrize("keep", [0.001, 0.1, 0.7, 0.999])
def test_a_cut_raw_may_still_grow(keep: float) -> None:
    data = dng(8.0)
    with pytest.raises(FrameRefusedError) as caught:
        read_raw(data[: int(len(data) * keep)], THRESHOLDS)
    assert not caught.value.final
    assert str(caught.value).isprintable()


def test_junk_named_raw_is_refused() -> None:
    for data in (b"", bytes(1000), b"not a raw file at all", b"II*\0" + bytes(200)):
        with pytest.raises(FrameRefusedError):
            read_raw(data, THRESHOLDS)


@pytest.mark.parametrize("share", [0.001, 0.02, 0.3])
def test_a_white_sheet_that_just_reaches_the_wall_shows_where_it_is(share: float) -> None:
    """A sheet whose mean is near a full well at 15740, tagged 16383: what is cut off is found, whatever lies below."""
    rng = np.random.default_rng(4)
    level = 15_740 - norm_quantile(1 - share) * 60
    sheet = np.minimum(rng.normal(level, 60, (600, 600)), 15_740).astype(np.uint16)
    assert saturation(Plane(sheet, 1, 1024.0, 16_383.0)) == 15_740


def test_a_white_sheet_under_the_wall_is_not_cut_off() -> None:
    rng = np.random.default_rng(5)
    sheet = rng.normal(15_000, 60, (600, 600)).astype(np.uint16)
    assert saturation(Plane(sheet, 1, 1024.0, 16_383.0)) >= 16_383


def norm_quantile(share: float) -> float:
    return NormalDist().inv_cdf(share)
