"""The list of a run's columns, to choose what is shown over time."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from PySide6.QtCore import Qt
from PySide6.QtGui import QFontMetrics, QKeyEvent
from PySide6.QtWidgets import QListWidget, QListWidgetItem

from hil.analysis import short_name, shown_unit
from ui.dashboard.runs.series import ColumnInfo
from ui.dashboard.widgets import Sizes, Theme


class ColumnList(QListWidget):
    """List in which Space or a click shows or hides a column.

    Args:
        chosen: called with the names of all columns to show, in the order of the list.
    """

    def __init__(self, theme: Theme, sizes: Sizes, chosen: Callable[[list[str]], object]) -> None:
        super().__init__()
        self._chosen = chosen
        self._names: list[str] = []
        self.setAccessibleName("Columns shown over time; space shows or hides one")
        self.setStyleSheet(
            f"QListWidget {{ background: {theme.raised}; color: {theme.ink};"
            f" border: 1px solid {theme.rule}; }}"
            f"QListWidget:focus {{ border: 2px solid {theme.accent}; }}"
            f"QListWidget::item:selected {{ background: {theme.accent}; color: {theme.on_accent}; }}"
        )
        self._room = sizes.px(60)
        self.itemChanged.connect(lambda _item: self._tell())
        self.hide()

    def show_columns(self, columns: Sequence[ColumnInfo], shown: Sequence[str]) -> None:
        self.blockSignals(True)
        self.clear()
        self._names = [column.name for column in columns]
        widest = 0
        for column in columns:
            unit = shown_unit(column.unit)[0]
            text = short_name(column.name) + (f"  ({unit})" if unit else "")
            item = QListWidgetItem(text)
            item.setToolTip(column.description)
            item.setFlags(item.flags() | Qt.ItemFlag.ItemIsUserCheckable)
            on = column.name in shown
            item.setCheckState(Qt.CheckState.Checked if on else Qt.CheckState.Unchecked)
            self.addItem(item)
            widest = max(widest, QFontMetrics(self.font()).horizontalAdvance(text))
        self.setFixedWidth(widest + self._room)
        self.setCurrentRow(0)
        self.blockSignals(False)

    def _tell(self) -> None:
        self._chosen(
            [
                name
                for i, name in enumerate(self._names)
                if self.item(i).checkState() == Qt.CheckState.Checked
            ]
        )

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.text().isalpha():  # keys of the window, not a search
            event.ignore()
            return
        super().keyPressEvent(event)
