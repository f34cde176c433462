"""Fixtures of the whole suite: a board and a drive on their own wire."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any, ClassVar

import pytest
from conformance_bench import NEVER_MISSED, SOON_MISSED_S, Bench

from drivers.base import WireProtocol
from drivers.capture import wires as process_wires
from drivers.registry import find_protocol, redirected
from drivers.simulated import pacing
from drivers.simulated.parameters import RigParameters


class Benched:
    """Base of the suite's parts: give ``drive``, from which the fixtures are made."""

    # Without noise, two readings at rest differ only if something went wrong.
    parameters = RigParameters(sensor_noise_counts=0.0)

    def drive(self, host_loss: str) -> dict[str, Any]:
        """Return the profile's ``drive`` mapping with this host-loss time.

        The place of its wires does not matter: see ``placed``.
        """
        raise NotImplementedError

    def placed(self, data: dict[str, Any], directory: Path) -> dict[str, Any]:
        """Return the mapping with its wires in this directory, as for any simulated rig."""
        return redirected(data, directory)

    def checked_frames(self, options: Any) -> frozenset[int]:
        """Return the identifiers of CAN messages that have a checksum beside CAN's own."""
        return frozenset()

    _described: ClassVar[dict[str, tuple[WireProtocol, Any]]]

    def __init_subclass__(cls) -> None:
        cls._described = {}  # read once for all tests

    @pytest.fixture
    def before_power_up(
        self, tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
    ) -> Iterator[Bench]:
        """A bench before power-up, whose board never misses its host."""
        yield from self._benched(NEVER_MISSED, tmp_path_factory, monkeypatch)

    @pytest.fixture
    def bench(self, before_power_up: Bench) -> Bench:
        before_power_up.start_board()
        return before_power_up

    @pytest.fixture
    def watching(
        self, tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
    ) -> Iterator[Bench]:
        """A bench whose board misses its host after a short silence."""
        host_loss = f"{1e3 * SOON_MISSED_S:g} ms"
        for bench in self._benched(host_loss, tmp_path_factory, monkeypatch):
            bench.start_board()
            yield bench

    def _benched(
        self, host_loss: str, factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
    ) -> Iterator[Bench]:
        if host_loss not in self._described:
            data = self.placed(self.drive(host_loss), factory.mktemp("wires"))
            protocol = find_protocol(str(data["protocol"]))
            self._described[host_loss] = protocol, protocol.options.model_validate(data)
        protocol, options = self._described[host_loss]
        # The tests keep this process's priority and garbage collection. The function's code is
        # replaced, because modules may have imported it by name.
        monkeypatch.setattr(pacing.real_time, "__code__", (lambda: None).__code__)
        bench = Bench(protocol, options, self.parameters)
        bench.wires.checked = self.checked_frames(options)
        monkeypatch.setattr(process_wires, "_recorder", bench.wires)
        try:
            yield bench
        finally:
            bench.end()
