"""Starter of ``publisher.py``: a process that serves a link with made-up rows."""

from __future__ import annotations

import resource
import signal
import subprocess
import sys
from pathlib import Path

PUBLISHER = Path(__file__).with_name("publisher.py")
END_S = 10.0


class Served:
    """A serving process and its link directory; a context manager."""

    def __init__(self, directory: Path, *options: str) -> None:
        self.directory = directory
        self.options = options
        self.address = ""
        self.start()

    def start(self) -> None:
        self.process = subprocess.Popen(
            [sys.executable, str(PUBLISHER), str(self.directory), *self.options],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self.process.stdout is not None
        word, self.address = self.process.stdout.readline().split()
        assert word == "ready"

    def kill(self) -> None:
        self.process.kill()
        self._reap()

    def terminate(self) -> None:
        self.process.terminate()
        self._reap()

    def pause(self) -> None:
        self.process.send_signal(signal.SIGSTOP)

    def resume(self) -> None:
        self.process.send_signal(signal.SIGCONT)

    def _reap(self) -> None:
        assert self.process.stdout is not None
        self.process.wait(END_S)
        self.process.stdout.close()

    def __enter__(self) -> Served:
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.returncode is None:
            self.kill()


def rss_bytes(process: int) -> int:
    """Return the resident memory of a process."""
    pages = int(Path(f"/proc/{process}/statm").read_text().split()[1])
    return pages * resource.getpagesize()
