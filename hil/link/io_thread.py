"""Priority of ZeroMQ's own thread."""

from __future__ import annotations

import os
import time
from pathlib import Path

_NAME = "ZMQbg/IO/0"
_LOWEST = 1
_TRIES = 200


def raise_io_thread() -> bool:
    """Put ZeroMQ's thread of this process just below a real-time cycle, if there is one.

    A stop or a heartbeat passes through that thread. At ordinary priority it waits its turn
    beside busy programs while the cycle, at real-time priority, runs on time and learns nothing.

    Returns:
        Whether the thread has real-time priority now.
    """
    if not hasattr(os, "sched_getscheduler"):
        return False
    if os.sched_getscheduler(0) & ~getattr(os, "SCHED_RESET_ON_FORK", 0) != os.SCHED_FIFO:
        return False
    # A young thread names itself a moment after it was started.
    for _ in range(_TRIES):
        for task in Path("/proc/self/task").glob("*"):
            try:
                if (task / "comm").read_text().strip() == _NAME:
                    os.sched_setscheduler(int(task.name), os.SCHED_FIFO, os.sched_param(_LOWEST))
                    return True
            except OSError:
                return False  # not permitted: it works without, only later
        time.sleep(0.002)
    return False
