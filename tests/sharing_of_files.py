"""Assignment of test files to workers: all run live files but one, which runs computing files."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from xdist.scheduler import LoadFileScheduling  # type: ignore[import-untyped]

ROOT = Path(__file__).resolve().parents[1]


class LiveBesideComputing(LoadFileScheduling):
    """Scheduler that assigns files in order, live ones to all workers but one.

    Live tests wait a lot, and the last worker uses the processor time that they leave. Each live
    bench takes a processor; one more would make cycles late.
    """

    def _assign_work_unit(self, node: Any) -> None:
        at_work = sum(
            any(self.is_live(file) and not all(done.values()) for file, done in files.items())
            for other, files in self.assigned_work.items()
            if other is not node
        )
        live = at_work < max(1, len(self.nodes) - 1)
        fitting = [file for file in self.workqueue if self.is_live(file) is live]
        if fitting:
            self.workqueue.move_to_end(fitting[0], last=False)
        super()._assign_work_unit(node)

    def is_live(self, file: str) -> bool:
        """Return whether tests of this file run processes in real time."""
        known = self.__dict__.setdefault("_live", {})
        if file not in known:
            known[file] = "real_time" in (ROOT / file).read_text()
        return bool(known[file])
