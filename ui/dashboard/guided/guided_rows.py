"""The list of a guided page: one item is looked at, each shows its status."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from PySide6.QtWidgets import QListWidgetItem

from drivers.motion import in_words
from ui.dashboard.guided.guided_model import GuidedModel
from ui.dashboard.guided.step_rows import StepRows
from ui.dashboard.widgets import Sizes, Theme


class GuidedRows(StepRows):
    """Mirror of the model's list.

    Args:
        name: name for a screen reader.
        standing: shape (see ``StepRows.put``) and word for the status of an item.
        look_at: called with the key of the item that a person chooses.
    """

    def __init__(
        self,
        guided: GuidedModel[Any],
        name: str,
        standing: Callable[[Any], tuple[str, str]],
        theme: Theme,
        sizes: Sizes,
        look_at: Callable[[str], None],
    ) -> None:
        super().__init__(name, theme, sizes)
        self._guided, self._standing = guided, standing
        for item in guided.listed:
            self.addItem(QListWidgetItem(in_words(item.title)))
        self._filling = False

        def chosen(row: int) -> None:
            if not self._filling:
                look_at(guided.listed[row].key)

        self.currentRowChanged.connect(chosen)
        self.refresh()

    def refresh(self) -> None:
        guided = self._guided
        self._filling = True
        for row, item in enumerate(guided.listed):
            self.put(row, *self._standing(item))
        shown = list(guided.listed).index(guided.shown)
        if self.currentRow() != shown:
            self.setCurrentRow(shown)
        self._filling = False
