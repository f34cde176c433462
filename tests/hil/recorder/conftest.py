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


@pytest.fixture
def served(directory: Path) -> Iterator[Served]:
    with Served(directory / "link") as process:
        yield process
