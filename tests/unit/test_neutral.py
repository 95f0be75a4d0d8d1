"""
The colour of a neutral, against colour-science and cameras made up here.

A camera has spectral sensitivities, published (NPL, in colour-science) or made up; its matrices are fitted to them as a
maker would (least squares over a chart's reflectances under illuminants A and D65, white kept exactly), and go into a
DNG. Lights are spectra.
"""

from __future__ import annotations

import json
import subprocess
import sys
import warnings
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from dngs import cfa, dng
from PIL import Image

from lampblack.daemon.config import load_thresholds
from lampblack.daemon.eye import see_here
from lampblack.rules.colour import D65, SRGB_TO_XYZ, cct_duv, lab, mired, xyz_of_xy
from lampblack.rules.gels import LAMP_GELS, LENS_FILTERS, gel_for
from lampblack.rules.neutral import Balance, Colour, NeutralError, advice_on, balance_for, in_words, neutral_at
from lampblack.rules.shoot import judge, new_setup
from lampblack.rules.tone import linear_to_srgb
from lampblack.rules.verdict import Verdict

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour

LIMITS = load_thresholds().neutral
WAVES = np.arange(380, 781, 5)
BLACK, FULL = 512, 15_000


# ---------------------------------------------------------------- colorimetry


# CIE 15: chromaticities of standard illuminants; CCT and Duv by Ohno 2013 in colour-science 0.4.7.
@pytest.mark.parametrize(
    ("name", "kelvin", "duv"),
    [
        ("A", 2855.5, 0.0),
        ("D50", 5000.7, 0.0032),
        ("D55", 5502.4, 0.0033),
        ("D65", 6504.3, 0.0032),
        ("FL2", 4223, 0.0018),
        ("FL4", 2938, -0.0008),
        ("LED-B1", 2733, -0.0007),
        ("LED-B3", 4103, -0.0007),
    ],
)
def test_cct_and_duv_of_standard_illuminants(name: str, kelvin: float, duv: float) -> None:
    xy = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"][name]
    found = cct_duv(xyz_of_xy(*xy))
    assert found[0] == pytest.approx(kelvin, abs=3)
    assert found[1] == pytest.approx(duv, abs=0.0001)


def test_cct_and_duv_against_ohno_all_over_the_plane() -> None:
    for kelvin in (1500.0, 2300.0, 3200.0, 4800.0, 6504.0, 11_000.0):
        for duv in (-0.03, -0.005, 0.0, 0.01, 0.03):
            xy = colour.UCS_uv_to_xy(colour.CCT_to_uv([kelvin, duv], "Ohno 2013"))
            found = cct_duv(xyz_of_xy(*xy))
            assert found[0] == pytest.approx(kelvin, rel=5e-4)
            assert found[1] == pytest.approx(duv, abs=1e-5)


def test_what_has_no_temperature_has_none() -> None:
    assert cct_duv(SRGB_TO_XYZ @ (0, 1, 0)) == (None, None)
    assert cct_duv((0, 0, 0)) == (None, None)


def test_lab_is_that_of_colour_science() -> None:
    rng = np.random.default_rng(2)
    white = colour.XYZ_to_xy(D65)
    for light in rng.uniform(0.001, 1, (20, 3)):
        xyz = SRGB_TO_XYZ @ light
        assert lab(xyz) == pytest.approx(tuple(colour.XYZ_to_Lab(xyz, white)), abs=1e-3)


# Kodak, Essential Reference Guide for Filmmakers: what each filter turns into what; makers round mired to whole ones.
@pytest.mark.parametrize(
    ("name", "one", "other"), [("80A", 3200, 5500), ("80B", 3400, 5500), ("80C", 3800, 5500), ("85B", 5500, 3200)]
)
def test_mired_shifts_of_published_filters(name: str, one: float, other: float) -> None:
    gel = next(gel for gel in LENS_FILTERS if gel.name == name)
    assert mired(other) - mired(one) == pytest.approx(gel.mired, abs=1)


def test_the_gel_that_brings_one_lamp_to_the_other() -> None:
    shift = mired(3200) - mired(5600)
    assert shift == pytest.approx(134, abs=0.1)
    assert {gel_for(shift), gel_for(-shift)} == {gel for gel in LAMP_GELS if gel.name in ("half CTO", "full CTB")}
    assert gel_for(15) is None


# ---------------------------------------------------------------- files


def jpeg(folder: Path, light: Any, *, size: tuple[int, int] = (600, 900), name: str = "a.jpg", **exif: int) -> Path:
    """A JPEG of linear sRGB light: (3,), or (rows, columns, 3)."""
    pixels = np.broadcast_to(np.asarray(light, float), (*size, 3))
    noisy = linear_to_srgb(pixels) * 255 + np.random.default_rng(1).normal(0, 1.5, pixels.shape)
    path = folder / name
    tags = Image.Exif()
    tags.get_ifd(0x8769).update({0x829A: 1 / 60, 0x829D: 8.0, 0x8827: 200, **{int(k[1:]): v for k, v in exif.items()}})
    image = Image.fromarray(np.clip(np.rint(noisy), 0, 255).astype(np.uint8))
    image.save(path, quality=95, subsampling=2, exif=tags)
    return path


def neutral(path: Path, at: Any = None) -> Colour:
    return neutral_at(see_here(bytes(path), load_thresholds()).look, at, LIMITS)


# Linear sRGB of black bodies, unadapted, G = 1: sums of Planck's law, colour-science 0.4.7.
BODIES = {2700: (2.407, 0.239), 2856: (2.233, 0.283), 3200: (1.939, 0.376), 4000: (1.530, 0.577), 5600: (1.164, 0.906)}


@pytest.mark.parametrize("kelvin", BODIES)
def test_a_jpeg_tells_the_colour_of_its_encoding(tmp_path: Path, kelvin: int) -> None:
    red, blue = BODIES[kelvin]
    light = 0.25 * np.array([red, 1, blue])
    found = neutral(jpeg(tmp_path, light))
    assert found.kelvin == pytest.approx(kelvin, abs=50)
    assert found.duv == pytest.approx(0, abs=0.002)
    true = colour.XYZ_to_Lab(SRGB_TO_XYZ @ light, colour.XYZ_to_xy(D65))
    assert (found.a, found.b) == pytest.approx(tuple(true[1:]), abs=1)
    assert found.gains == pytest.approx((1 / red, 1, 1 / blue), rel=0.03)


@cache
def sensitivities(kind: str) -> np.ndarray:
    """(3, waves) of a camera; none is a mix of the eye's, as no camera's are."""
    if kind == "published":
        measured = colour.MSDS_CAMERA_SENSITIVITIES["Nikon 5100 (NPL)"].copy()
        return np.nan_to_num(np.asarray(measured.align(colour.SpectralShape(380, 780, 5)).values)).T
    peaks = {"broad": ((605, 38), (535, 45), (455, 30)), "narrow": ((595, 27), (528, 34), (462, 24))}[kind]
    return np.stack([np.exp(-0.5 * ((WAVES - at) / wide) ** 2) for at, wide in peaks])


@cache
def observer() -> np.ndarray:
    eye = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(colour.SpectralShape(380, 780, 5))
    return np.asarray(eye.values).T


def spectrum(name: str) -> np.ndarray:
    sd = colour.SDS_ILLUMINANTS[name].copy().align(colour.SpectralShape(380, 780, 5))
    return np.asarray(sd.values)


def planck(kelvin: float) -> np.ndarray:
    light = np.asarray(colour.colorimetry.planck_law(WAVES * 1e-9, kelvin))
    return light / light.max()


@cache
def matrix(kind: str, illuminant: str) -> np.ndarray:
    """XYZ to camera, least squares over a chart's patches, the white of the light kept exactly."""
    chart = colour.SDS_COLOURCHECKERS["ColorChecker N Ohta"].values()
    patches = np.stack([np.asarray(sd.copy().align(colour.SpectralShape(380, 780, 5)).values) for sd in chart])
    light = spectrum(illuminant)
    xyz, camera = patches * light @ observer().T, patches * light @ sensitivities(kind).T
    white_xyz, white_camera = observer() @ light, sensitivities(kind) @ light
    rows = []
    for c in range(3):  # along white the row is given; across it the chart decides
        given = white_camera[c] / (white_xyz @ white_xyz) * white_xyz
        across = xyz - np.outer(xyz @ white_xyz / (white_xyz @ white_xyz), white_xyz)
        free = np.linalg.lstsq(across, camera[:, c] - xyz @ given, rcond=None)[0]
        free -= free @ white_xyz / (white_xyz @ white_xyz) * white_xyz
        rows.append(given + free)
    found = np.array(rows)
    return found / (found @ xyz_of_xy(*colour.XYZ_to_xy(white_xyz))).max()


def raw(
    folder: Path, kind: str, light: np.ndarray, balance: np.ndarray | None = None, both: bool = True, level: float = 0.4
) -> Path:
    """A DNG of a grey surface under a light, balanced for D65 unless said otherwise."""
    seen = sensitivities(kind) @ light
    seen = seen / seen.max() * level
    places = np.tile(np.array([[0, 1], [1, 2]]), (200, 300))
    electrons = seen[places] * 40_000
    rng = np.random.default_rng(4)
    samples = BLACK + (electrons + rng.normal(size=places.shape) * np.sqrt(electrons + 9)) * (FULL - BLACK) / 40_000
    daylight = sensitivities(kind) @ spectrum("D65") if balance is None else balance
    tags = {
        **cfa((0, 1, 1, 2), 2),
        50721: (10, matrix(kind, "A" if both else "D65").ravel().tolist()),
        50778: (3, 17 if both else 21),
        50728: (5, (daylight / daylight.max()).tolist()),
    }
    if both:
        tags |= {50722: (10, matrix(kind, "D65").ravel().tolist()), 50779: (3, 21)}
    path = folder / "a.dng"
    path.write_bytes(dng(np.clip(np.rint(samples), 0, FULL).astype(np.uint16), 32803, tags=tags))
    return path


def tinted(light: np.ndarray, shift: float, green: float) -> np.ndarray:
    """A light behind a made-up gel: so many mired warmer (the ratio of two black bodies), and greener or pinker."""
    base = 5000.0
    gel = planck(1e6 / (1e6 / base + shift)) / planck(base)
    return light * gel * (1 + green * np.exp(-0.5 * ((WAVES - 540) / 45) ** 2))


LIGHTS = {
    "2700 K": planck(2700),
    "3200 K": planck(3200),
    "3200 K, half blue": tinted(planck(3200), -78, 0),
    "3200 K, green": tinted(planck(3200), 0, 0.15),
    "4500 K": planck(4500),
    "5600 K": planck(5600),
    "5600 K, full orange": tinted(planck(5600), 159, 0),
    "5600 K, pink": tinted(planck(5600), 0, -0.1),
}


# A camera whose colours are no mix of the eye's sees a black body of 5600 K a little otherwise than the daylight that
# its matrix is of: by 5 mired, the made-up one with narrow bands. No matrix can tell the two apart.
@pytest.mark.parametrize(("kind", "off"), [("published", 50), ("broad", 90), ("narrow", 160)])
@pytest.mark.parametrize("name", LIGHTS)
def test_a_raw_tells_the_colour_of_the_light(tmp_path: Path, name: str, kind: str, off: float) -> None:
    found = neutral(raw(tmp_path, kind, LIGHTS[name]))
    true = cct_duv(observer() @ LIGHTS[name])
    assert found.kelvin == pytest.approx(true[0], abs=off)
    assert found.duv == pytest.approx(true[1], abs=0.002)


def test_a_raw_balanced_for_its_light_is_neutral_and_still_tells_the_light(tmp_path: Path) -> None:
    light = LIGHTS["3200 K"]
    off = neutral(raw(tmp_path, "broad", light))
    took = neutral(raw(tmp_path, "broad", light, sensitivities("broad") @ light))
    assert off.delta_ab > 20
    assert took.delta_ab < 0.5
    assert took.kelvin == pytest.approx(3200, abs=50)
    seen = sensitivities("broad") @ light
    assert off.gains == pytest.approx((seen[1] / seen[0], 1, seen[1] / seen[2]), rel=0.01)
    assert "took (" in advice_on(took, True, LIMITS, off)
    assert "did not take" in advice_on(off, True, LIMITS, off)


def test_one_matrix_alone_serves_near_its_own_light(tmp_path: Path) -> None:
    found = neutral(raw(tmp_path, "published", planck(6000), both=False))
    assert found.kelvin == pytest.approx(6000, abs=50)


# ---------------------------------------------------------------- what is refused, what is said


def checker(rows: int = 600, columns: int = 900) -> np.ndarray:
    y, x = np.mgrid[:rows, :columns]
    return np.where((x // 20 + y // 20) % 2, 0.15, 0.3)[..., None] * np.ones(3)


def ramp(rows: int = 600, columns: int = 900) -> np.ndarray:
    return np.broadcast_to(np.exp2(np.linspace(-4, -1, columns))[None, :, None], (rows, columns, 3)).copy()


def halves(rows: int = 600, columns: int = 900) -> np.ndarray:
    light = np.full((rows, columns, 3), 0.3)
    light[:, columns // 2 :] = (0.36, 0.3, 0.2)
    return light


@pytest.mark.parametrize(
    ("light", "reason"),
    [
        (1.2 * np.ones(3), "burnt out"),
        (0.004 * np.ones(3), "too dark"),
        (checker(), "textured"),
        (ramp(), "not evenly lit"),
        (halves(), "not of one colour"),
    ],
    ids=["clipped", "dark", "textured", "uneven", "two colours"],
)
def test_what_tells_no_colour_is_refused_with_the_reason(tmp_path: Path, light: np.ndarray, reason: str) -> None:
    path = jpeg(tmp_path, light)
    with pytest.raises(NeutralError, match=reason):
        neutral(path, (0.05, 0.05, 0.9, 0.9))


def test_grain_is_no_texture(tmp_path: Path) -> None:
    light = 0.2 * (1 + np.random.default_rng(5).normal(0, 0.08, (600, 900, 1))) * np.ones(3)
    assert neutral(jpeg(tmp_path, light), (0.1, 0.1, 0.8, 0.8)).delta_ab < 1


def test_a_card_in_the_picture_is_found_or_said(tmp_path: Path) -> None:
    light = np.full((600, 900, 3), 0.0005)
    light[200:400, 350:550] = 0.2 * np.array([1.3, 1, 0.7])
    path = jpeg(tmp_path, light)
    found = neutral(path)
    assert found.source == "patch"
    assert found.gains == pytest.approx((1 / 1.3, 1, 1 / 0.7), rel=0.02)
    assert neutral(path, (0.42, 0.4, 0.1, 0.1)).source == "given"


def test_the_words_are_those_of_the_trade(tmp_path: Path) -> None:
    words = in_words(neutral(raw(tmp_path, "broad", tinted(planck(2850), 0, 0.25))), True, LIMITS)
    assert words == "yellow, about 3100 K, a touch green"
    assert in_words(neutral(jpeg(tmp_path, 0.3 * np.ones(3))), False, LIMITS).startswith("neutral, about 6500 K")


def verdicts(*paths: Path, **wishes: Any) -> list[Verdict]:
    setup, found = new_setup(1, **wishes), []
    for number, path in enumerate(paths, 1):
        look = see_here(bytes(path), load_thresholds(), known=setup.radiance).look
        setup, verdict = judge(setup, look, load_thresholds(), file=path.name, frame=number)
        found.append(verdict)
    return found


def kinds(verdict: Verdict) -> set[str]:
    return {notice.kind for notice in verdict.notices}


def scene(backdrop: Any, subject: float = 0.25) -> np.ndarray:
    light = np.empty((600, 900, 3))
    light[:] = backdrop
    y, x = np.mgrid[:600, :900]
    body = ((x - 450) / 130) ** 2 + ((y - 330) / 190) ** 2 < 1
    light[body] = subject * (0.4 + 0.6 * (x[body] / 900))[:, None] * np.array([1.2, 0.9, 0.6])
    return light


def test_a_score_tells_the_backdrops_colour_and_a_cast_worth_a_line(tmp_path: Path) -> None:
    (plain,) = verdicts(jpeg(tmp_path, scene(0.3 * np.ones(3))))
    (warm,) = verdicts(jpeg(tmp_path, scene(0.3 * np.array([1.3, 1, 0.7]))))
    (black,) = verdicts(jpeg(tmp_path, scene(0.0005 * np.ones(3))))
    assert plain.as_json()["colour"]["from"] == "backdrop"
    assert abs(plain.as_json()["colour"]["b"]) < 1
    assert "cast" not in kinds(plain)
    assert "cast" in kinds(warm)
    assert black.as_json()["colour"]["from"] is None
    assert black.as_json()["colour"]["cct_k"] is None


def test_colour_that_drifts_is_told_with_how_much(tmp_path: Path) -> None:
    first = jpeg(tmp_path, scene(0.3 * np.ones(3)))
    later = jpeg(tmp_path, scene(0.3 * np.array([1.05, 1, 0.93])), name="b.jpg")
    same, drifted = verdicts(first, first)[1], verdicts(first, later)[1]
    assert "colour-drift" not in kinds(same)
    (text,) = [notice.text for notice in drifted.notices if notice.kind == "colour-drift"]
    assert " mired warmer than in frame 1" in text
    before, now = (cct_duv(SRGB_TO_XYZ @ light)[0] for light in (np.ones(3), np.array([1.05, 1, 0.93])))
    assert before is not None
    assert now is not None
    assert float(text.split()[2]) == pytest.approx(mired(now) - mired(before), abs=2)


def test_two_lamps_of_different_colour_on_one_backdrop(tmp_path: Path) -> None:
    across = np.linspace(0, 1, 900)[None, :, None]
    backdrop = 0.3 * (np.array([1, 1, 1]) * (1 - across) + np.array([1.5, 1, 0.5]) * across)
    (found,) = verdicts(jpeg(tmp_path, scene(np.broadcast_to(backdrop, (600, 900, 3)))))
    (text,) = [notice.text for notice in found.notices if notice.kind == "two-colours"]
    assert "colder on the left" in text
    assert "CTO" in text


# (common practice): an automatic mode makes a plain backdrop mid grey, whatever it is.
def test_a_plain_backdrop_in_an_automatic_mode_is_explained(tmp_path: Path) -> None:
    grey = jpeg(tmp_path, scene(0.18 * np.ones(3)), t34850=3)
    by_hand = jpeg(tmp_path, scene(0.18 * np.ones(3)), name="b.jpg", t34850=1)
    (white,) = verdicts(grey, backdrop="white")
    (text,) = [notice.text for notice in white.notices if notice.kind == "metered"]
    assert "white needs 2⅓ stops more" in text or "white needs 2½" in text
    assert "metered" not in kinds(verdicts(by_hand, backdrop="white")[0])


def run(*words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "lampblack.daemon.cli", "neutral", *words]
    return subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)


def test_the_command_keeps_to_the_contract(tmp_path: Path) -> None:
    off = jpeg(tmp_path, 0.25 * np.array([1.5, 1, 0.6]))
    took = jpeg(tmp_path, 0.25 * np.ones(3), name="b.jpg")
    done = run("--json", str(off), str(took))
    assert done.returncode == 0, done.stderr
    before, after = map(json.loads, done.stdout.splitlines())
    assert set(before) >= {"file", "colour", "gains", "neutral", "delta_ab", "why"}
    assert set(before["colour"]) == {"cct_k", "mired", "duv", "a", "b", "from"}
    assert (before["neutral"], after["neutral"]) == (False, True)
    assert before["delta_ab"] == pytest.approx(np.hypot(before["colour"]["a"], before["colour"]["b"]), abs=0.01)
    assert "the balance took" in after["why"]
    done = run("--json", "--at", "100,100,200,200", str(off))
    assert json.loads(done.stdout)["colour"]["from"] == "given"
    burnt = run("--json", str(jpeg(tmp_path, 1.2 * np.ones(3), name="c.jpg")))
    assert burnt.returncode == 1
    assert "burnt out" in json.loads(burnt.stdout)["error"]
    assert run("--json", "--at", "0.9,0.9,0.5,0.5", str(off)).returncode == 1
    assert run("--at", "1,2", str(off)).returncode == 2
    assert run("--json", str(tmp_path / "none.jpg")).returncode == 1


def test_a_damaged_tag_is_no_profile() -> None:
    from lampblack.daemon.dng import read_dng

    tags = {**cfa((0, 1, 1, 2), 2), 50721: (10, [0.0] * 9), 50722: (10, [1.0] * 9)}
    found = read_dng(dng(np.full((64, 64), 900, np.uint16), 32803, tags=tags))
    assert found is not None
    assert found.profiles == ()


def test_what_takes_a_cast_away() -> None:
    """Mired arithmetic: shot at tungsten under daylight lamps a JPEG is blue by what lies between the two."""
    warm = Colour(3200.0, 0.0, 50.0, 5.0, 30.0, (1.0, 1.0, 2.0), "patch")
    assert balance_for(warm, raw=True) == Balance(3200.0)
    left = balance_for(warm, raw=False)
    assert left is not None
    assert left.kelvin is None
    assert left.mireds == pytest.approx(1e6 / 3200 - 1e6 / 6504)
    assert balance_for(replace(warm, kelvin=None), raw=True) is None
