"""Real time for a simulated board's loop: priority, no pauses of our own, physics by the clock."""

from __future__ import annotations

import contextlib
import ctypes
import gc
import os
from typing import Any

LONGEST_STEP_S = 0.02
PRIORITY = 40  # below the rig host's, which must not wait for its own simulation
LOCK_NOW_AND_LATER = 3  # MCL_CURRENT | MCL_FUTURE


def real_time() -> None:
    """Take what the system grants; a page fault here looks like a drive that does not answer."""
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL(None).mlockall(LOCK_NOW_AND_LATER)
    gc.collect()
    gc.freeze()
    gc.disable()
    with contextlib.suppress(OSError, AttributeError):
        # On the rig host's processor, which works while this one waits and waits while it works:
        # waking each other across processors took longer than the computing (answer after 162 us
        # at the median, 121 us so). And what holds one of them up holds up both: neither takes
        # the other for dead.
        os.sched_setaffinity(0, {max(os.sched_getaffinity(0))})
    with contextlib.suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(PRIORITY))


def advance(core: Any, elapsed: float) -> None:
    """Let real time pass; a long pause (a debugger, a sleeping machine) is cut short."""
    if elapsed > 0.0:
        core.advance(min(elapsed, LONGEST_STEP_S))
