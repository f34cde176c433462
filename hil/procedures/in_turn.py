"""Several runners in lockstep, each in its own thread, one at a time and in a fixed order."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from functools import partial
from typing import Generic, TypeVar

Row = TypeVar("Row")
Result = TypeVar("Result")


class InTurn(Generic[Row]):
    """Runners that share one cycle.

    A runner runs alone until it steps; then the next one runs. Once every runner has reached its
    step, the cycle runs for all of them, and the first runner continues. Two runs are therefore
    equal to the last bit, however the system schedules the threads.

    Args:
        names: names of the runners, in their order.
        cycle: function that runs one cycle of all runners and returns the row of each by name.
    """

    def __init__(self, names: tuple[str, ...], cycle: Callable[[], Mapping[str, Row]]) -> None:
        self._cycle = cycle
        self._running = list(names)
        self._turn = {name: threading.Semaphore(0) for name in names}
        self._rows: Mapping[str, Row] = {}
        self._error: BaseException | None = None

    def step(self, name: str) -> Row:
        """Run one cycle together with the others; called by the runner of this name in its thread.

        Raises:
            BaseException: error of the cycle, raised in each runner.
        """
        self._pass_on(self._running.index(name) + 1)
        self._turn[name].acquire()
        if self._error is not None:
            raise self._error
        return self._rows[name]

    def run(self, calls: Mapping[str, Callable[[], Result]]) -> dict[str, Result]:
        """Make one call for each runner, in its own thread; return the results by name.

        Raises:
            BaseException: the first error of a call, in the order of the runners.
        """
        results: dict[str, Result] = {}
        errors: dict[str, BaseException] = {}

        def work(name: str) -> None:
            self._turn[name].acquire()
            try:
                results[name] = calls[name]()
            except BaseException as error:
                errors[name] = error
            finally:
                at = self._running.index(name)
                self._running.remove(name)
                self._pass_on(at)

        order = tuple(self._running)
        threads = [threading.Thread(target=partial(work, n), daemon=True) for n in order]
        for thread in threads:
            thread.start()
        self._turn[order[0]].release()
        for thread in threads:
            thread.join()
        for name in order:
            if name in errors:
                raise errors[name]
        return results

    def _pass_on(self, at: int) -> None:
        """Let the runner at this place continue; past the last one, run a cycle and start over."""
        if not self._running:
            return
        if at >= len(self._running):
            at = 0
            try:
                self._rows = self._cycle()
            except BaseException as error:
                self._error = error
        self._turn[self._running[at]].release()
