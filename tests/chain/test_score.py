"""`lampblack score` as scripts use it: files in, JSON lines out; a real process, and the rest without its start."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, TiffImagePlugin
from scenes import vessel
from studio_frames import photographed
from watching import overtagged_dng, run_here

from lampblack.rules.exposure import LADDER


def write(path: Path, f_number: float, **how: float) -> Path:
    exif = Image.Exif()
    exif.get_ifd(0x8769).update(
        {
            0x829D: TiffImagePlugin.IFDRational(round(f_number * 10), 10),
            0x829A: TiffImagePlugin.IFDRational(1, 60),
            0x8827: 200,
        }
    )
    scene = vessel(height=400, width=600, **how)  # type: ignore[arg-type]
    Image.fromarray(np.array(scene.shot(f_number).codes)).save(path, quality=95, exif=exif)
    return path


def score_alone(*words: str | Path | bytes) -> tuple[int, list[dict], str]:
    command: list[str | bytes] = [sys.executable, "-m", "lampblack.daemon.cli", "score", "--json"]
    command += [os.fspath(word) for word in words]
    done = subprocess.run(command, capture_output=True, timeout=120)
    return done.returncode, [json.loads(line) for line in done.stdout.splitlines()], done.stderr.decode()


def score(*words: str | Path) -> tuple[int, list[dict], str]:
    """The same without a process of its own, whose start takes longer than a small frame."""
    done = run_here("score", "--json", *map(str, words))
    return done.returncode, [json.loads(line) for line in done.stdout.splitlines()], done.stderr


def test_a_bracket_is_one_setup(tmp_path: Path) -> None:
    files = [write(tmp_path / f"{n}.jpg", f, spill=0.01) for n, f in enumerate((11, 5.6, 2.8))]
    status, said, errors = score_alone(*files)
    assert (status, errors) == (0, "")
    assert [s["frame"] for s in said] == [1, 2, 3]
    assert [s["exposure"]["f_number"] for s in said] == [11, 5.6, 2.8]
    assert [f["f_number"] for f in said[2]["forecast"] if f["shot"]] == [2.8, 5.6, 11]
    assert {s["backdrop"]["spill"]["side"] for s in said} == {"right"}
    assert said[0]["next"]["move"] == "open"
    assert said[0]["next"]["f_number"] in LADDER


def test_one_raw_with_its_jpeg_teaches_the_tone_response_and_later_jpegs_are_read_by_it(tmp_path: Path) -> None:
    files = []
    for number, f_number in enumerate((5.6, 8.0), start=1):
        for ending, data in photographed(f_number, number, formats=("jpeg", "dng")):
            if number == 1 or ending == "JPG":
                files.append(tmp_path / f"bowl-{number}.{ending}")
                files[-1].write_bytes(data)
    status, said, errors = score(*files)
    assert (status, errors) == (0, "")
    assert [s["pixels"]["kind"] for s in said] == ["raw", "jpeg"]
    assert [s["tone_response"]["from"] for s in said] == ["raw pair", "raw pair"]
    assert 0 < said[0]["tone_response"]["sure_stops"] < 0.4
    assert [f["f_number"] for f in said[1]["forecast"] if f["shot"]] == [5.6, 8.0]


def test_a_flag_put_in_is_said_and_the_frames_before_it_are_set_aside(tmp_path: Path) -> None:
    """The wide-open frame in between hides nothing."""
    files = [write(tmp_path / f"{n}.jpg", f, spill=0.02) for n, f in enumerate((5.6, 2.8))]
    _, said, _ = score(*files, write(tmp_path / "flagged.jpg", 5.6))
    assert "light-changed" not in [notice["kind"] for s in said[:2] for notice in s["notices"]]
    assert "light-changed" in [notice["kind"] for notice in said[2]["notices"]]
    assert [f["f_number"] for f in said[2]["forecast"] if f["shot"]] == [5.6]
    levels = [f["backdrop_p99"] for f in said[2]["forecast"]]
    assert levels == sorted(levels, reverse=True)


def test_unrelated_frames_know_nothing_of_each_other(tmp_path: Path) -> None:
    files = [write(tmp_path / f"{n}.jpg", f) for n, f in enumerate((11, 5.6))]
    _, said, _ = score("--each", *files)
    assert [f["f_number"] for f in said[1]["forecast"] if f["shot"]] == [5.6]


def test_what_cannot_be_read_is_an_object_with_error_and_the_rest_goes_on(tmp_path: Path) -> None:
    good = write(tmp_path / "good.jpg", 5.6)
    (tmp_path / "cut.jpg").write_bytes(good.read_bytes()[:9000])
    (tmp_path / "text.jpg").write_text("not a picture")
    (tmp_path / "empty.jpg").touch()
    hostile = os.fsencode(tmp_path) + b"/\x1b[31m\xff\nname.jpg"
    Path(os.fsdecode(hostile)).write_bytes(b"junk")
    status, said, errors = score_alone(
        tmp_path / "cut.jpg", tmp_path / "text.jpg", tmp_path / "empty.jpg", hostile, good, tmp_path / "absent.jpg"
    )
    assert status == 1
    assert ["error" in s for s in said] == [True, True, True, True, False, True]
    assert len(errors.splitlines()) == 5
    assert "\x1b" not in errors
    assert all(s["file"].isprintable() for s in said)


def test_files_of_one_call_teach_each_other_where_white_is_and_nothing_is_remembered(tmp_path: Path) -> None:
    """The darker frame after the brighter one goes by its pile; alone, before and after, by its own tag."""
    dark, bright = tmp_path / "dark.dng", tmp_path / "bright.dng"
    dark.write_bytes(overtagged_dng(22.0))
    bright.write_bytes(overtagged_dng(8.0, 2))
    alone = score(dark)[1]
    status, said, errors = score(bright, dark)
    assert (status, errors) == (0, "")
    assert [one["saturation"]["from"] for one in said] == ["data", "setup"]
    assert [one["saturation"]["of_tag"] for one in said] == pytest.approx([1 / 1.08] * 2, abs=0.001)
    rightly = [tmp_path / "right" / file.name for file in (bright, dark)]
    rightly[0].parent.mkdir()
    rightly[0].write_bytes(overtagged_dng(8.0, 2, over=1.0))
    rightly[1].write_bytes(overtagged_dng(22.0, over=1.0))
    truth = score(*rightly)[1][1]
    assert said[1]["mid_stops"] == pytest.approx(truth["mid_stops"], abs=0.01)
    assert alone[0]["mid_stops"] == pytest.approx(score(rightly[1])[1][0]["mid_stops"] - np.log2(1.08), abs=0.02)
    assert [f["highlights_subject"] for f in said[1]["forecast"]] == pytest.approx(
        [f["highlights_subject"] for f in truth["forecast"]], abs=0.002
    )
    assert [one["saturation"]["from"] for one in score(dark, bright)[1]] == ["tag", "data"]
    assert [one["saturation"]["from"] for one in score("--each", bright, dark)[1]] == ["data", "tag"]
    assert score(dark)[1] == alone
    assert alone[0]["saturation"]["from"] == "tag"


def test_masks_are_at_the_frames_own_size(tmp_path: Path) -> None:
    file = write(tmp_path / "a.jpg", 5.6)
    score("--masks", tmp_path / "masks", file)
    backdrop, subject = (
        np.asarray(Image.open(tmp_path / "masks" / f"a.{name}.png")) for name in ("backdrop", "subject")
    )
    truth = vessel(height=400, width=600).backdrop
    assert backdrop.shape == subject.shape == (400, 600)
    assert set(np.unique(backdrop)) == {0, 255}
    found = backdrop == 255
    assert (found & truth).sum() / (found | truth).sum() > 0.96
    assert not (found & (subject == 255)).any()


def test_a_polygon_is_taken_at_its_word_pixel_by_pixel(tmp_path: Path) -> None:
    file, corners = write(tmp_path / "a.jpg", 5.6), [(0.05, 0.05), (0.3, 0.1), (0.1, 0.6)]
    typed = "subject=" + "/".join(f"{x},{y}" for x, y in corners)
    status, said, errors = score("--region", typed, "--masks", tmp_path / "masks", file)
    assert (status, errors) == (0, "")
    subject = np.asarray(Image.open(tmp_path / "masks" / "a.subject.png")) == 255
    y, x = (np.mgrid[:400, :600] + 0.5) / np.array([400, 600])[:, None, None]
    pairs = zip(corners, corners[1:] + corners[:1], strict=True)
    true = np.all([(c - a) * (y - b) >= (d - b) * (x - a) for (a, b), (c, d) in pairs], axis=0)
    left = np.s_[:300, :182]  # vessel and table lie beyond
    assert (subject[left] & true[left]).sum() / (subject[left] | true[left]).sum() > 0.98
    plain = score(file)[1][0]["backdrop"]["area"]
    assert said[0]["backdrop"]["area"] == pytest.approx(plain - true.mean(), abs=0.01)
    status, said, errors = score("--region", "subject=0.1,0.1/0.9,0.9/0.9,0.1/0.1,0.9", file)
    assert (status, said) == (2, [])
    assert "crosses" in errors.splitlines()[-1]


def test_masks_of_two_frames_of_one_name_are_named_apart(tmp_path: Path) -> None:
    """The first has the name that scripts rely on; the second is told its own, on either channel."""
    (tmp_path / "day").mkdir()
    first, second = write(tmp_path / "a.jpg", 5.6), write(tmp_path / "day" / "a.jpg", 5.6, spill=0.05)
    status, said, errors = score("--masks", tmp_path / "masks", first, second)
    assert status == 0
    assert sorted(path.name for path in (tmp_path / "masks").iterdir()) == [
        *("a-2.backdrop.png", "a-2.subject.png", "a.backdrop.png", "a.subject.png")
    ]
    assert said[0]["masks"]["backdrop"] == str(tmp_path / "masks" / "a.backdrop.png")
    assert said[1]["masks"]["backdrop"] == str(tmp_path / "masks" / "a-2.backdrop.png")
    assert errors.count("\n") == 1
    assert "day/a.jpg: its masks are named a-2" in errors


@pytest.mark.parametrize(
    ("place", "said"),
    [("a.jpg", "is no folder"), ("a.jpg/masks", "is no folder"), ("/proc/masks", "cannot be"), ("/proc", "cannot be")],
)
def test_a_masks_folder_that_cannot_be_used_is_named(tmp_path: Path, place: str, said: str) -> None:
    """One line without a word of Python's, and what to do."""
    status, objects, errors = score("--masks", tmp_path / place, write(tmp_path / "a.jpg", 5.6))
    assert status == 1
    assert "error" in objects[0]
    assert errors.count("\n") == 1
    assert said in errors
    assert "Errno" not in errors
    assert "--masks" in errors


def test_a_file_given_twice_is_measured_once_and_that_is_said(tmp_path: Path) -> None:
    file = write(tmp_path / "a.jpg", 5.6)
    status, said, errors = score(file, tmp_path / "." / "day" / ".." / "a.jpg", file)
    assert (status, len(said)) == (0, 1)
    assert errors == f"{file}: given 3 times, measured once.\n"


def test_a_raw_beside_its_jpeg_is_the_same_frame(tmp_path: Path) -> None:
    jpeg = write(tmp_path / "A1.JPG", 5.6)
    raw = tmp_path / "a1.dng"
    raw.write_bytes(b"II*\0" + bytes(100))
    _, said, _ = score(raw, jpeg)
    assert len(said) == 1
    assert said[0]["file"].endswith("A1.JPG")


@pytest.mark.parametrize(
    "words", [[], ["--aim", "beauty", "x.jpg"], ["--backdrop", "green", "x.jpg"], ["--frob", "x.jpg"]]
)
def test_wrong_usage_is_two(words: list[str]) -> None:
    assert score(*words)[0] == 2


def test_wrong_usage_is_the_process_s_exit_status_too() -> None:
    assert score_alone()[0] == 2


def test_a_broken_settings_file_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "lampblack").mkdir()
    (tmp_path / "lampblack" / "thresholds.toml").write_text("[black]\nclean_p99_code = 'six'\n")
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    status, said, errors = score(write(tmp_path / "a.jpg", 5.6))
    assert status == 1
    assert "error" in said[0]
    assert "thresholds.toml" in errors
    assert "black.clean_p99_code" in errors
