"""Read-only tables: whole rows, selected one at a time."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QAbstractItemView, QHeaderView, QTableView, QTableWidget

LEFT = Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter
RIGHT = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter


def set_for_reading(table: QTableView, name: str) -> None:
    """Give a table the look and keys of a read-only one, and its accessible name."""
    table.verticalHeader().hide()
    table.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
    table.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
    table.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
    table.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
    table.setAlternatingRowColors(True)
    table.setShowGrid(False)
    table.setTabKeyNavigation(False)
    table.setWordWrap(False)
    table.setAccessibleName(name)
    header = table.horizontalHeader()
    header.setStretchLastSection(True)
    header.setDefaultAlignment(LEFT)
    header.setTextElideMode(Qt.TextElideMode.ElideRight)  # by default Qt clips headings


class ReadingTable(QTableWidget):
    """A read-only table of texts, its columns as wide as their contents.

    Args:
        heads: column headings.
        name: name for a screen reader.
    """

    def __init__(self, heads: tuple[str, ...], name: str) -> None:
        super().__init__(0, len(heads))
        self.setHorizontalHeaderLabels(list(heads))
        set_for_reading(self, name)
        self.horizontalHeader().setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
