"""``python hil/host/keep_awake.py PROCESSOR``: keep a processor from falling asleep.

An idle processor sleeps, and the hypervisor gives an idle virtual one to another machine; waking it
may take milliseconds, whatever latency the system was set to. This process computes in the lowest
scheduling class (SCHED_IDLE), so that it yields to everything else. It suspends itself once ready;
SIGCONT continues it, SIGSTOP suspends it again. It ends with the process that started it.

While it runs it costs one processor at full load, and its heat. It imports nothing from this
package: it is started as a file (``hil.host.awake_process.KEEP_AWAKE``).
"""

from __future__ import annotations

import ctypes
import os
import signal
import sys

PR_SET_PDEATHSIG = 1  # prctl(2)
TURNS = 200_000  # some milliseconds between looks at the parent


def main(arguments: list[str]) -> int:
    """Run until the parent has exited. Exit code 1: the system has no such scheduling class."""
    parent = os.getppid()
    try:
        # While suspended it cannot see for itself that its parent has exited.
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
