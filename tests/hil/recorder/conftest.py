from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "link"))
from served import Served


@pytest.fixture
def directory() -> Iterator[Path]:
    """A private directory with a path short enough for sockets."""
    with tempfile.TemporaryDirectory(prefix="hk-") as path:
        yield Path(path)


@pytest.fixture
def served(directory: Path) -> Iterator[Served]:
    with Served(directory / "link") as process:
        yield process
