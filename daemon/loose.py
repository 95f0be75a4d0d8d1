"""Values of JSON that nobody vouches for: each comes out as what it should be, or as nothing."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from lampblack.daemon.clean import clean, clean_name

Json = Mapping[str, Any]


def object_of(value: Any) -> Json:
    """Return an object; nothing of it where it is none."""
    return value if isinstance(value, Mapping) else {}


def list_of(value: Any) -> list[Any]:
    """Return a list; an empty one where it is none."""
    return value if isinstance(value, list) else []


def line_of(value: Any, limit: int = 200) -> str:
    """Return a text as one harmless line; empty where it is none."""
    return clean(value, limit) if isinstance(value, str) else ""


def word_of(value: Any) -> str:
    """Return a text as a short one."""
    return line_of(value, 24)


def name_of(value: Any) -> str:
    """Return a file's name for showing."""
    return clean_name(value) if isinstance(value, str) else ""


def number_of(value: Any) -> float | None:
    """Return a finite number of a size that can be meant, else None. JSON's true is no number."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if abs(value) < 1e9 and math.isfinite(value) else None


def positive_of(value: Any) -> float | None:
    """Return a finite number over 0, else None."""
    number = number_of(value)
    return number if number is not None and number > 0 else None


def fraction_of(value: Any) -> float | None:
    """Return a share, 0 to 1, else None."""
    number = number_of(value)
    return None if number is None else min(max(number, 0.0), 1.0)


def count_of(value: Any) -> int:
    """Return a whole number, at least 0."""
    number = number_of(value)
    return 0 if number is None else max(0, int(number))
