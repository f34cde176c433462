"""Notice of wear on the Operate page, from values taken from recorded runs. No Qt."""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from hil.wear import History
from ui.dashboard.bench import OperateModel


class ServiceWatch:
    """Report to the model of what needs service.

    It reads only ``wear.json``, in a separate thread, when the window opens and whenever a run has
    been recorded; the commands read the runs themselves.
    """

    def __init__(self, model: OperateModel, runs: Path | None) -> None:
        self._model, self._runs = model, runs
        self._found: queue.SimpleQueue[list[str]] = queue.SimpleQueue()
        self.look()

    def look(self) -> None:
        """Look again."""
        if self._runs is not None:
            threading.Thread(target=self._look, name="wear", daemon=True).start()

    def feed(self, items: Iterable[Any]) -> None:
        """Take what was found, and look again after a run."""
        for item in items:
            if isinstance(item, Mapping) and item.get("kind") == "recorded":
                self.look()
        while not self._found.empty():
            texts = self._found.get()
            for text in texts:
                if text not in self._model.service:
                    self._model.say(f"Needs service: {text}")
            self._model.service = texts

    def _look(self) -> None:
        assert self._runs is not None
        name = f"{self._model.profile.name} · "
        findings = History(self._runs).findings()
        self._found.put([found.text for found in findings if found.actuator.startswith(name)])
