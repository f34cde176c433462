"""View models of the Operate page together."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from ui.dashboard.bench import OperateModel, Session
from ui.dashboard.operate.cap_model import CapModel
from ui.dashboard.operate.open_house import OpenHouse
from ui.dashboard.operate.presets import Presets
from ui.dashboard.operate.sequence_editor import SequenceEditor
from ui.dashboard.operate.sequence_model import SequenceModel
from ui.dashboard.operate.service_watch import ServiceWatch
from ui.dashboard.operate.zero_model import ZeroModel


class OperateView:
    """Zero of positions, session cap, sequences, and what needs service."""

    def __init__(
        self, model: OperateModel, session: Session | None, runs: Path | None = None
    ) -> None:
        self.cap = CapModel(model, session)
        self.zero = ZeroModel(model, session)
        self.sequences = SequenceModel(model, session, runs)
        self.editor = SequenceEditor(model, self.sequences.folder)
        self.presets = Presets(model, session, runs)
        self.open_house = OpenHouse(model, session, self.presets)
        self.service = ServiceWatch(model, runs)

    def feed(self, items: Iterable[Any], now_s: float) -> None:
        """Pass on what the link delivered."""
        items = list(items)
        self.zero.feed(items, now_s)
        self.sequences.feed(items, now_s)
        self.open_house.feed(items, now_s)
        self.service.feed(items)

    def close(self) -> None:
        """End what runs."""
        self.sequences.close()
