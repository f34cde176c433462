"""An interposer between a lockstep bench and its drive."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, cast

from drivers.base import Command
from drivers.simulated.lockstep import LockstepDrive
from hil.bench.lockstep import LockstepBench


class Between:
    """The drive with another ``write``."""

    def __init__(self, drive: LockstepDrive, write: Callable[[Command], None]) -> None:
        self._drive = drive
        self.write = write

    def __getattr__(self, name: str) -> Any:
        return getattr(self._drive, name)


def put_between(bench: LockstepBench, write: Callable[[Command], None]) -> None:
    """Redirect the bench's commands to ``write``, which calls the drive's own."""
    bench.drive = cast(LockstepDrive, Between(bench.drive, write))
