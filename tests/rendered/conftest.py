"""
All of this folder is slow. What is known to fall short of its tolerance is listed, not loosened.

`short.txt` names the cases that missed when it was last written, one a line; they are run, shown and expected to
fail. A case that comes good shows as XPASS: strike it from the list. Write it anew with
`pytest tests/rendered -m slow --runxfail -q | grep -o 'test_[^ ]*\\]' | sort -u`.
"""

from __future__ import annotations

from pathlib import Path

import pytest

HERE = Path(__file__).parent
SHORT = frozenset((HERE / "short.txt").read_text("utf-8").split())


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if HERE in item.path.parents:
            item.add_marker(pytest.mark.slow)
            if item.name in SHORT:
                item.add_marker(pytest.mark.xfail(reason="measured short of its tolerance", strict=False))
