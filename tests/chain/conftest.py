"""What most tests here begin with."""

from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    place = tmp_path / "bowls"
    place.mkdir()
    return place
