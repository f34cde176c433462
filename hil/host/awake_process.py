"""The process that keeps a processor awake (``hil.host.keep_awake``), seen from outside."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

# Started as a file and without packages: importing it as a module would load its whole room (1 s).
KEEP_AWAKE = ("-I", "-S", str(Path(__file__).with_name("keep_awake.py")))


class AwakeProcess:
    """The process that keeps the processor awake, as the rig host sees it.

    Args:
        number: number of the process; None if none runs.
    """

    def __init__(self, number: int | None) -> None:
        self._number = number
        self._works = False

    def work(self, needed: bool) -> None:
        """Continue the process if needed, else suspend it."""
        if self._number is None or needed == self._works:
            return
        self._works = needed
        try:
            os.kill(self._number, signal.SIGCONT if needed else signal.SIGSTOP)
        except ProcessLookupError:
            self._number = None


def start_keep_awake(processor: int) -> subprocess.Popen[str]:
    """Start such a process, running; it ends with this one or by ``kill``."""
    process = subprocess.Popen(
        [sys.executable, *KEEP_AWAKE, str(processor)], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    if process.stdout.readline():
        os.waitid(os.P_PID, process.pid, os.WSTOPPED)
        process.send_signal(signal.SIGCONT)
    return process
