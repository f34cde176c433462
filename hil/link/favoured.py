"""Priority of the thread that sends heartbeats: it must not wait for programs that only compute."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

LOWEST = 1  # of 1 to 99; the rig host has 60
LINK = "ZMQbg"  # beginning of the names of ZeroMQ's own threads


@contextlib.contextmanager
def favoured() -> Iterator[bool]:
    """Give this thread and the link's own threads the lowest real-time priority inside the block.

    Threads that it starts have ordinary priority. Yields whether it was granted: the user may lack
    the permission, or the system the scheduler; then nothing changes.
    """
    if not hasattr(os, "sched_setscheduler"):
        yield False
        return
    before = os.sched_getscheduler(0) | os.SCHED_RESET_ON_FORK
    parameters = os.sched_getparam(0)
    granted = _raise(0)
    if granted:
        for task in Path("/proc/self/task").iterdir():
            with contextlib.suppress(OSError):  # it has just ended
                if (task / "comm").read_text().startswith(LINK):
                    _raise(int(task.name))
    try:
        yield granted
    finally:
        if granted:
            with contextlib.suppress(OSError):
                os.sched_setscheduler(0, before, parameters)


def _raise(thread: int) -> bool:
    try:
        os.sched_setscheduler(thread, os.SCHED_RR | os.SCHED_RESET_ON_FORK, os.sched_param(LOWEST))
    except OSError:
        return False
    return True
