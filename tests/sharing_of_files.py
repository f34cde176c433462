"""Which worker takes which file: one computes while the others are live, as live tests wait a lot."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from xdist.scheduler import LoadFileScheduling  # type: ignore[import-untyped]

ROOT = Path(__file__).resolve().parents[1]


class LiveBesideComputing(LoadFileScheduling):
    """Hands out files in their order, live ones to all workers but one.

    Two live benches take a processor each; a third would make cycles late. The last worker
    computes meanwhile, and fills what they leave.
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
        """True if tests of this file run processes in real time."""
        known = self.__dict__.setdefault("_live", {})
        if file not in known:
            known[file] = "real_time" in (ROOT / file).read_text()
        return bool(known[file])
