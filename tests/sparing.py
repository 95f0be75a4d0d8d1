"""What keeps the quick suite quick."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest


def first_quick(values: Sequence[Any]) -> list[Any]:
    """Return a parameter's values, the first for the quick suite and the others for the slow one."""
    first, *others = values
    slow = [pytest.param(*(one if isinstance(one, tuple) else (one,)), marks=pytest.mark.slow) for one in others]
    return [first, *slow]
