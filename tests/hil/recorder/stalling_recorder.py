"""A recorder whose disk stalls: ``python stalling_recorder.py LINK RUNS SIGN SECONDS``.

Each write waits for SECONDS once, as soon as the file SIGN exists.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

from hil.recorder.append_file import Disk
from hil.recorder.process import record


class Stalling(Disk):
    def __init__(self, sign: Path, seconds: float) -> None:
        self.sign = sign
        self.seconds = seconds

    def write(self, file: int, data: memoryview) -> int:
        if self.sign.exists():
            self.sign.unlink()
            time.sleep(self.seconds)
        return super().write(file, data)


if __name__ == "__main__":
    link, runs, sign = (Path(argument) for argument in sys.argv[1:4])
    sys.exit(record(link, runs, Stalling(sign, float(sys.argv[4]))))
