"""Boards that end with their test."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest

from drivers.declared.can import simulated as simulated_can
from drivers.declared.serial import simulated as simulated_serial
from tests.drivers.declared.declared_rig import Far


@pytest.fixture
def far(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[Any, Any], Far]]:
    # This process is the test's: it keeps its priority and its garbage collection.
    monkeypatch.setattr(simulated_serial, "real_time", lambda: None)
    monkeypatch.setattr(simulated_can, "real_time", lambda: None)
    started: list[Far] = []

    def start(options: Any, core: Any) -> Far:
        started.append(Far(options, core))
        return started[-1]

    yield start
    for one in started:
        one.end()
