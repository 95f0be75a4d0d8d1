"""What a bracket taught of a camera serves the next setup; what can't be remembered costs nothing else."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scenes import vessel

from lampblack.daemon import learning
from lampblack.daemon.config import load_thresholds
from lampblack.rules.frame import Picture
from lampblack.rules.look import Look, look
from lampblack.rules.shoot import new_setup

THRESHOLDS = load_thresholds()


@pytest.fixture(autouse=True)
def own_data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    return tmp_path


def seen(f_number: float, camera: str | None = "Invented Two") -> Look:
    """A frame of a camera with a contrasty curve."""
    shot = vessel("grey", shade=1.5).shot(f_number)
    x = shot.codes / 255
    codes = np.rint((x - 0.1 * np.sin(2 * np.pi * x)) * 255).astype(np.uint8)
    return look(Picture("jpeg", codes, replace(shot.shot, camera=camera)), THRESHOLDS)


def bracket(camera: str | None = "Invented Two") -> None:
    setup = new_setup(1)
    for frame, f_number in enumerate((8.0, 4.0, 5.6), start=1):
        setup, _ = learning.judge(setup, seen(f_number, camera), THRESHOLDS, file="x", frame=frame)
    assert setup.response.source == "bracket"


def first_frame(camera: str | None) -> str:
    setup, verdict = learning.judge(new_setup(2), seen(5.6, camera), THRESHOLDS, file="x", frame=1)
    assert verdict.response is setup.response
    return setup.response.source


def test_the_next_setup_of_the_same_camera_knows_its_curve() -> None:
    assert first_frame("Invented Two") == "prior"
    bracket()
    assert first_frame("Invented Two") == "bracket"
    assert first_frame("Invented Three") == "prior"


def test_a_camera_without_a_name_is_not_remembered() -> None:
    bracket(None)
    assert first_frame(None) == "prior"


def test_a_damaged_memory_is_no_more_than_a_line_in_the_log(own_data: Path, caplog: pytest.LogCaptureFixture) -> None:
    bracket()
    (kept,) = own_data.rglob("responses.json")
    kept.write_text("{")
    assert first_frame("Invented Two") == "prior"
    assert caplog.records


def test_another_camera_in_a_setup_neither_uses_nor_overwrites_what_the_first_one_taught(
    caplog: pytest.LogCaptureFixture,
) -> None:
    setup = new_setup(1)
    for frame, f_number in enumerate((8.0, 4.0, 5.6), start=1):
        setup, _ = learning.judge(setup, seen(f_number), THRESHOLDS, file="x", frame=frame)
    setup, verdict = learning.judge(setup, seen(5.6, "Invented Three"), THRESHOLDS, file="x", frame=4)
    assert verdict.response.source == "prior"
    assert not caplog.records
    assert first_frame("Invented Two") == "bracket"
