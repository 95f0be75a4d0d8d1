"""Wherever a person reads a figure it is rounded the same way: stops in thirds, shares with two digits that matter."""

from __future__ import annotations

import doctest
import re

import pytest
from scenes import vessel

from lampblack.daemon.config import load_thresholds
from lampblack.daemon.panel_state import PanelState
from lampblack.daemon.rehearse import in_a_line
from lampblack.daemon.score import in_words
from lampblack.daemon.words import tell
from lampblack.rules import figures
from lampblack.rules.advice import AIMS
from lampblack.rules.figures import percent, stops_long
from lampblack.rules.look import look
from lampblack.rules.shoot import judge, new_setup

THRESHOLDS = load_thresholds()


def test_the_examples_hold() -> None:
    assert doctest.testmod(figures).failed == 0


@pytest.mark.parametrize("aim", AIMS)
def test_one_figure_has_one_form(aim: str) -> None:
    """The rule's sentence, the printed line, the rehearsal and the panel speak of the same frame alike."""
    scene = vessel("black", shade=2.5, spill=0.02)
    setup = new_setup(1, aim=aim)  # type: ignore[arg-type]
    _, verdict = judge(setup, look(scene.shot(5.0), THRESHOLDS, None), THRESHOLDS, file="a.jpg", frame=1)
    said = verdict.as_json()
    texts = {
        "printed": in_words(said),
        "rehearsed": in_a_line("fired", said),
        "panel": " ".join(tell(PanelState(link="up"), {"event": "frame", "verdict": said})),
    }
    clipped, over = percent(said["highlights"]["subject"]), stops_long(said["backdrop"]["spill"]["over_stops"])
    assert all(clipped in text for text in texts.values())
    assert over in texts["printed"]
    assert over in texts["rehearsed"]
    assert over in texts["panel"]
    for text in texts.values():
        assert not re.search(r"\d\.\d+ stops?|\d%", text), text
