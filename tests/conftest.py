"""Being here puts this folder on the import path: tests say `from fakes import ...`."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest

# Workers and the processes they start share the cores, and OpenBLAS's threads spin while they wait for one: drawing a
# small frame of the mock studio took eighteen times as long. Read when numpy is loaded, here and in what is begun here.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


@pytest.fixture(autouse=True, scope="session")
def _nothing_learned_outlives_the_tests(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Services that tests start learn cameras' tone responses; the user's own are left alone."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_DATA_HOME", str(tmp_path_factory.mktemp("data")))
        yield
