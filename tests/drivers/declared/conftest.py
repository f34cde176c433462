"""Fixture of boards that end with their test."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest

from drivers.declared.can import simulated as simulated_can
from drivers.declared.serial import simulated as simulated_serial
from tests.drivers.declared.declared_rig import Far


@pytest.fixture
def far(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[Any, Any], Far]]:
    # Real-time settings are for a board's own process; this one keeps priority and collector.
    monkeypatch.setattr(simulated_serial, "real_time", lambda: None)
    monkeypatch.setattr(simulated_can, "real_time", lambda: None)
    started: list[Far] = []

    def start(options: Any, core: Any) -> Far:
        started.append(Far(options, core))
        return started[-1]

    yield start
    for one in started:
        one.end()
