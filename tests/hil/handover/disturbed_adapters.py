"""Adapters of the simulated rig whose hand lets go, whose cycles are late, or whose samples stop."""

from __future__ import annotations

import math
import random
from typing import Any

from tests.hil.handover.simulated_adapter import Adapter


class Watched:
    """An adapter that records requests for power, and whose hand lets go after a time."""

    simulated = True

    def __init__(self, adapter: Adapter, lets_go_s: float = math.inf) -> None:
        self._adapter, self._lets_go_s = adapter, lets_go_s
        self.time_s = 0.0
        self.asked: list[float] = []

    def read(self) -> tuple[Any, ...]:
        sample = self._adapter.read()
        self.time_s = sample[0]
        return sample

    def write(self, torque_N_m: float, power: bool) -> None:
        if power:
            self.asked.append(self.time_s)
        else:
            assert torque_N_m == 0.0
        self._adapter.write(torque_N_m, power)

    def holding(self) -> bool:
        return self.time_s < self._lets_go_s

    def close(self) -> None:
        self._adapter.close()


class Late:
    """An adapter whose cycles are up to 4 ms late and whose samples are sometimes repeated."""

    def __init__(self, adapter: Adapter) -> None:
        self._adapter, self._luck = adapter, random.Random("late")
        self._last: tuple[Any, ...] | None = None
        self.simulated, self.act = adapter.simulated, adapter.act
        self.identity, self.write, self.close = adapter.identity, adapter.write, adapter.close

    def read(self) -> tuple[Any, ...]:
        drawn = self._luck.random()
        if drawn < 0.05 and self._last is not None:
            self._adapter.read()
            return self._last
        for _ in range(self._luck.randint(1, 3) if drawn > 0.95 else 0):
            self._adapter.read()
        self._last = self._adapter.read()
        return self._last


class Frozen(Watched):
    """An adapter whose samples stop or pause at a given time."""

    def __init__(self, adapter: Adapter, pause_s: float) -> None:
        super().__init__(adapter)
        self._pause_s = pause_s
        self._last: tuple[Any, ...] | None = None

    def read(self) -> tuple[Any, ...]:
        if self.time_s < 0.6 or self._last is None:
            self._last = super().read()
        elif math.isfinite(self._pause_s):
            for _ in range(round(1e3 * self._pause_s)):
                super().read()
            self._pause_s, self._last = 0.0, super().read()
        return self._last
