"""The process that looks at frames: how it ends."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

LEAVES = """
import multiprocessing, sys
from lampblack.daemon.config import load_thresholds
from lampblack.daemon.eye import _Job, _work

if __name__ == "__main__":
    spawn = multiprocessing.get_context("spawn")
    ours, theirs = spawn.Pipe()
    ours.send(_Job(b"/nowhere.jpg", None, "auto"))
    eye = spawn.Process(target=_work, args=(theirs, load_thresholds()))
    eye.start()
    ours.close()
    theirs.close()
    eye.join(60)
    print(eye.exitcode)
"""


def test_an_eye_whose_asker_is_gone_ends_without_a_word(tmp_path: Path) -> None:
    """As when `score` is ended by a signal while a frame is being looked at."""
    script = tmp_path / "leaves.py"
    script.write_text(LEAVES)
    done = subprocess.run([sys.executable, str(script)], capture_output=True, text=True, timeout=90)
    assert (done.stdout, done.stderr) == ("0\n", "")
