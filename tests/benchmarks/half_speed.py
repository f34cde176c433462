"""Run a program on a computer half as fast as this one: ``half_speed.py PROGRAM [OPTION ...]``.

On each processor a process at the second highest real-time priority works for 0.1 ms and sleeps for
0.1 ms in turn, so everything else gets half of the processor in slices far shorter than a cycle. A
control group's quota does not count real-time programs. This process reaches the system's limit on
real-time programs earlier than a slow computer would, since its own half counts as well, so this is
the harder test. ``--share`` sets another share to take.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import subprocess
import sys
import time
from typing import Any

PRIORITY = 98
TURN_S = 0.0002


def take(processor: int, share: float, ready: Any) -> None:
    """Use a share of a processor until the process ends."""
    os.sched_setaffinity(0, {processor})
    os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(PRIORITY))
    parent = os.getppid()
    ready.set()
    due = time.monotonic()
    while os.getppid() == parent:
        due = max(due + TURN_S, time.monotonic() - TURN_S)
        while time.monotonic() < due + share * TURN_S:
            pass
        time.sleep(max(0.0, due + TURN_S - time.monotonic()))


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--share", type=float, default=0.5, help="of each processor, 0 to 0.9")
    parser.add_argument("program", nargs=argparse.REMAINDER, help="Python file and its options")
    options = parser.parse_args()
    if not options.program or not 0.0 < options.share <= 0.9:
        parser.error("give a program, and a share of 0 to 0.9")
    context = multiprocessing.get_context("spawn")
    takers = []
    try:
        for processor in sorted(os.sched_getaffinity(0)):
            ready = context.Event()
            taker = context.Process(target=take, args=(processor, options.share, ready))
            taker.start()
            takers.append(taker)
            if not ready.wait(20.0):
                raise SystemExit("no real-time priority here: it cannot be done")
        return subprocess.run([sys.executable, *options.program], check=False).returncode
    finally:
        for taker in takers:
            taker.kill()
            taker.join()


if __name__ == "__main__":
    raise SystemExit(main())
