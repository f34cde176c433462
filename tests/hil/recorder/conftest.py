from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.hil.link.served import Served


@pytest.fixture
def directory() -> Iterator[Path]:
    """A private directory with a path short enough for sockets."""
    with tempfile.TemporaryDirectory(prefix="hk-") as path:
        yield Path(path)


@pytest.fixture(scope="module")
def served() -> Iterator[Served]:
    """A serving process shared by a module's tests; they must release control and keep it alive."""
    with tempfile.TemporaryDirectory(prefix="hk-") as path, Served(Path(path)) as process:
        yield process


@pytest.fixture
def mortal(directory: Path) -> Iterator[Served]:
    """A serving process for one test, which may kill it."""
    with Served(directory / "link") as process:
        yield process
