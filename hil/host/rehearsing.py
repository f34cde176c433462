"""Rehearsed faults on a live simulated rig: a thread of the program that started the bench."""

from __future__ import annotations

import contextlib
import os
import random
import signal
import threading
import time
from collections.abc import Callable

from drivers.base import DriverError
from drivers.simulated import EnvironmentClient, Lateness
from hil.bench import Rehearsal, Rehearser

LOOK_S = 0.005


class LiveRehearsal:
    """A context manager that injects the faults of a rehearsal; its times count from entry.

    Late cycles are real: the rig host's process is stopped and continued. Whether a sample is
    stale or fresh then depends on the computer, so ``stale`` does not apply.

    Args:
        rehearsal: faults to inject.
        endpoint: endpoint of the simulation control.
        host: process number of the rig host.
        rate_Hz: cycles per second, for the share of late ones.
        tell: takes a line at each act.
    """

    def __init__(
        self,
        rehearsal: Rehearsal,
        endpoint: str,
        host: int,
        rate_Hz: float,
        tell: Callable[[str], None],
    ) -> None:
        self._endpoint = endpoint
        self._host = host
        self._rate_Hz = rate_Hz
        self._tell = tell
        self._rehearsal = rehearsal
        self._late: Lateness | None = None
        self._next_pause_s = 0.0
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name="rehearsal", daemon=True)
        self._luck = random.Random(1)

    def __enter__(self) -> LiveRehearsal:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ending.set()
        self._thread.join()

    def _run(self) -> None:
        with contextlib.closing(EnvironmentClient(self._endpoint)) as rig:
            rehearser = Rehearser(self._rehearsal, rig, self._be_late, self._tell)
            began_s = time.monotonic()
            while not self._ending.wait(LOOK_S):
                now_s = time.monotonic()
                try:
                    rehearser.advance(now_s - began_s)
                    self._hold_up(now_s)
                except (DriverError, ValueError, ProcessLookupError) as error:
                    self._tell(f"the rehearsal ends: {error}")
                    return

    def _be_late(self, lateness: Lateness | None) -> None:
        self._late = lateness
        self._next_pause_s = time.monotonic()

    def _hold_up(self, now_s: float) -> None:
        late = self._late
        if late is None:
            return
        if late.pause_s > 0.0 and now_s >= self._next_pause_s:
            self._next_pause_s = now_s + late.pause_every_s
            self._pause(late.pause_s)
        if self._luck.random() < late.share * self._rate_Hz * LOOK_S:
            self._pause(self._luck.uniform(0.0, late.up_to_s))

    def _pause(self, seconds: float) -> None:
        os.kill(self._host, signal.SIGSTOP)
        try:
            time.sleep(seconds)
        finally:
            os.kill(self._host, signal.SIGCONT)
