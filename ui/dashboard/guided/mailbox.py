"""Mailbox of a view model: actions from other threads, done on the page's own. No Qt."""

from __future__ import annotations

import contextlib
import queue
import threading
from collections.abc import Callable
from functools import partial
from typing import TypeVar

T = TypeVar("T")


class Mailbox:
    """Actions put in by any thread, done by the one that takes them."""

    def __init__(self) -> None:
        self._acts: queue.SimpleQueue[Callable[[], object]] = queue.SimpleQueue()

    def put(self, act: Callable[[], object]) -> None:
        """Put in an action; from any thread."""
        self._acts.put(act)

    def take(self) -> None:
        """Do what has been put in; on the page's own thread."""
        while not self._acts.empty():
            self._acts.get()()

    def in_background(
        self,
        name: str,
        work: Callable[[], T],
        then: Callable[[T], object],
        failed: Callable[[Exception], object],
        turn: contextlib.AbstractContextManager[object] | None = None,
    ) -> None:
        """Do ``work`` in a separate thread, because it takes longer than a heartbeat may.

        Args:
            name: name of the thread.
            then: gets what it returned, on the page's own thread; ``failed`` what it raised.
            turn: held while it works, such as a lock that serialises work.
        """

        def go() -> None:
            with turn or contextlib.nullcontext():
                try:
                    done = work()
                except Exception as error:  # the page must be informed
                    self.put(partial(failed, error))
                else:
                    self.put(partial(then, done))

        threading.Thread(target=go, name=name, daemon=True).start()
