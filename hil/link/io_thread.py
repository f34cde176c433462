"""Priority of ZeroMQ's own thread."""

from __future__ import annotations

import os
import time
from pathlib import Path

_NAME = "ZMQbg/IO/0"
_LOWEST = 1
_TRIES = 200


def raise_io_thread() -> bool:
    """Give ZeroMQ's thread of this process the lowest real-time priority, if the cycle has any.

    A stop or a heartbeat passes through that thread. At ordinary priority it competes with busy
    programs, while the cycle, at real-time priority, runs on time and receives nothing.

    Returns:
        Whether the thread has real-time priority now.
    """
    if not hasattr(os, "sched_getscheduler"):
        return False
    if os.sched_getscheduler(0) & ~getattr(os, "SCHED_RESET_ON_FORK", 0) != os.SCHED_FIFO:
        return False
    # A new thread sets its name a moment after its start.
    for _ in range(_TRIES):
        for task in Path("/proc/self/task").glob("*"):
            try:
                if (task / "comm").read_text().strip() == _NAME:
                    os.sched_setscheduler(int(task.name), os.SCHED_FIFO, os.sched_param(_LOWEST))
                    return True
            except OSError:
                return False  # not permitted: works without, only later
        time.sleep(0.002)
    return False
