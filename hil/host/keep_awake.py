"""``python hil/host/keep_awake.py PROCESSOR``: keep a processor from falling asleep.

A processor without work sleeps, and a virtual one is given away by the machine below; to wake it
may take milliseconds, whatever latency the system was asked for. This process works at the lowest
scheduling class (SCHED_IDLE), so that it gives way to everything else. It stops itself once ready;
SIGCONT sets it to work, SIGSTOP ends that. It ends with the process that started it.

It costs one processor at full load, and its heat, while it works. It imports nothing of this package:
it is started by its file (``hil.host.awake_process.KEEP_AWAKE``).
"""

from __future__ import annotations

import ctypes
import os
import signal
import sys

PR_SET_PDEATHSIG = 1  # prctl(2)
TURNS = 200_000  # some milliseconds between looks at the parent


def main(arguments: list[str]) -> int:
    """Run until the parent is gone. Exit code 1: the system has no such scheduling class."""
    parent = os.getppid()
    try:
        # Stopped, it could not see for itself that its parent is gone.
        ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGKILL)
        os.sched_setaffinity(0, {int(arguments[0])})
        os.sched_setscheduler(0, os.SCHED_IDLE, os.sched_param(0))
    except (AttributeError, OSError, ValueError) as error:
        print(f"processors may fall asleep: {error}", file=sys.stderr)
        return 1
    print("ready", flush=True)
    os.kill(os.getpid(), signal.SIGSTOP)
    while os.getppid() == parent:
        for _ in range(TURNS):
            pass
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
