"""Priority of the window's process: a key must not wait for programs that merely compute.

The stop key and the heartbeat come from the loop that draws. At ordinary priority that loop is
preempted in the middle of a drawing and waits for the next tick of the scheduler: a key then took up
to 19 ms to the wire next to two busy programs (measured in this tree). The lowest real-time priority
prevents that. The rig host has a higher one and never waits for the window.
"""

from __future__ import annotations

import contextlib
import gc
import os
import signal
import sys
from pathlib import Path
from types import FrameType

PRIORITY = 1  # of 1 to 99; the rig host has 60
NICE = -5  # of -20 to 19, where real-time priority is not granted
SWITCH_INTERVAL_S = 0.0005
# Of computing without a pause, after which ordinary priority is taken until the next pause: a
# window that hangs must not keep the recorder off this processor. Building all pages takes 0.3 s.
LONGEST_RUN_S = 1.0


def favour() -> bool:
    """Request priority of this process over those that merely compute.

    Threads that start later, and programs, have ordinary priority. Not every user is permitted to;
    then nothing changes.

    Returns:
        True if real-time priority was granted.
    """
    granted = raise_priority()
    if granted:
        _give_way_when_stuck()
    else:
        _be_less_nice()
    # Other threads write records and calibrations: the heartbeat must not wait long for its turn.
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    # What lives as long as the window is never garbage: do not scan it again and again.
    gc.collect()
    gc.freeze()
    return granted


def raise_priority() -> bool:
    """Give the lowest real-time priority to every existing thread, the link's own included."""
    return _schedule("SCHED_RR", PRIORITY)


def give_way() -> None:
    """Take ordinary priority."""
    _schedule("SCHED_OTHER", 0)


def has_priority() -> bool:
    """Return True if this thread has real-time priority."""
    if not hasattr(os, "sched_getscheduler"):
        return False
    return os.sched_getscheduler(0) & ~os.SCHED_RESET_ON_FORK == os.SCHED_RR


def _schedule(policy: str, priority: int) -> bool:
    if not hasattr(os, "sched_setscheduler"):
        return False
    chosen = getattr(os, policy) | os.SCHED_RESET_ON_FORK
    try:
        for thread in os.listdir("/proc/self/task"):
            with contextlib.suppress(ProcessLookupError):  # it has just ended
                os.sched_setscheduler(int(thread), chosen, os.sched_param(priority))
    except OSError:
        return False
    return True


def _give_way_when_stuck() -> None:
    import resource

    def stuck(_signal: int, _frame: FrameType | None) -> None:
        give_way()

    signal.signal(signal.SIGXCPU, stuck)
    _, hard = resource.getrlimit(resource.RLIMIT_RTTIME)
    soft = round(1e6 * LONGEST_RUN_S)
    with contextlib.suppress(OSError, ValueError):
        resource.setrlimit(resource.RLIMIT_RTTIME, (soft, hard))


def _be_less_nice() -> None:
    with contextlib.suppress(OSError, AttributeError):
        for thread in os.listdir("/proc/self/task"):
            os.setpriority(os.PRIO_PROCESS, int(thread), NICE)
    # If sessions are scheduled as groups, a program's niceness counts only within its own.
    with contextlib.suppress(OSError):
        Path("/proc/self/autogroup").write_text(str(NICE))
