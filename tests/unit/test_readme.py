"""What the README says can be done: its commands are understood, its figures are the shipped ones."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from lampblack.daemon.cli import _parser
from lampblack.daemon.config import load_thresholds
from lampblack.mock_camera.cli import _parser as mock_parser

README = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
BLOCKS = re.findall(r"^```(\w+)\n(.*?)^```", README, re.MULTILINE | re.DOTALL)
COMMANDS = [
    shlex.split(line, comments=True)
    for kind, block in BLOCKS
    if kind == "sh"
    for line in block.replace("\\\n", " ").splitlines()
    if line.startswith("lampblack ")
]


def test_commands_are_found() -> None:
    assert {words[1] for words in COMMANDS} >= {"watch", "panel", "status", "stop", "score", "mock"}


@pytest.mark.parametrize("words", COMMANDS, ids=" ".join)
def test_each_command_is_understood(words: list[str]) -> None:
    """The parser ends the test where it isn't."""
    if words[1] == "mock":
        mock_parser().parse_args(words[2:])
    else:
        _parser(words[1]).parse_args(words[1:])


def test_options_that_are_named_exist(capsys: pytest.CaptureFixture[str]) -> None:
    named = set(re.findall(r"`(--[a-z-]+)`", README))
    for command in (
        "watch",
        "panel",
        "spot",
        "reading",
        "region",
        "plate",
        "score",
        "balance",
        "neutral",
        "bracket",
        "slate",
        "note",
        "choose",
        "report",
        "shoots",
        "rehearse",
        "mock",
    ):
        parser, words = (mock_parser(), []) if command == "mock" else (_parser(command), [command])
        with pytest.raises(SystemExit):
            parser.parse_args([*words, "--help"])
    helps = capsys.readouterr().out
    assert named
    assert {option for option in named if option not in helps} == set()


def test_the_limit_of_pixels_is_the_shipped_one() -> None:
    assert f"up to {load_thresholds().intake.most_megapixels:.0f} megapixels" in README


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd's own checker is not here")
def test_the_unit_is_one_that_systemd_takes(tmp_path: Path) -> None:
    """Its instance is a whole path, so that the folder is %f, with its slash; checked by systemd-analyze verify."""
    (unit,) = [block for kind, block in BLOCKS if kind == "ini"]
    program = "%h/lampblack/.venv/bin/lampblack"
    assert f"ExecStart={program} watch %f --foreground" in unit
    path = tmp_path / "lampblack@home-me-two\\x20bowls.service"
    path.write_text(unit.replace(program, sys.executable))
    done = subprocess.run(
        ["systemd-analyze", "verify", "--user", str(path)],
        capture_output=True,
        text=True,
        timeout=60,
        env={**os.environ, "XDG_RUNTIME_DIR": str(tmp_path)},  # it wants one, whatever for
    )
    if "Failed to init" in done.stderr:
        pytest.skip(f"systemd-analyze cannot run here: {done.stderr.strip()}")
    assert (done.returncode, done.stderr) == (0, "")
