"""The table of runs: cells are made when they come into view, so that ten thousand cost no more."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from PySide6.QtCore import QAbstractTableModel, QModelIndex, QPersistentModelIndex, Qt
from PySide6.QtGui import QFont, QFontMetrics, QKeyEvent
from PySide6.QtWidgets import QHeaderView, QTableView

from hil.recorder import RunSummary
from ui.dashboard.bench import duration_text
from ui.dashboard.runs.model import STATUS_WORDS
from ui.dashboard.widgets import Sizes, set_for_reading

HEADS = ("", "Run", "Started", "Length", "Contents")
# Samples of the widest texts of a column.
WIDEST = ("▲ 6", "0000-constant-force", "2000-00-00  00:00", "00:00:00", "")
LENGTH = HEADS.index("Length")
Index = QModelIndex | QPersistentModelIndex


class RunRows(QAbstractTableModel):
    """Lines of runs; ``overlaid`` holds the folder names of the runs to overlay."""

    def __init__(self) -> None:
        super().__init__()
        self.runs: list[RunSummary] = []
        self.overlaid: list[str] = []

    def show_runs(self, runs: list[RunSummary]) -> None:
        self.beginResetModel()
        self.runs = runs
        self.endResetModel()

    def rowCount(self, parent: Index = QModelIndex()) -> int:  # noqa: B008  # Qt's own signature
        return 0 if parent.isValid() else len(self.runs)

    def columnCount(self, parent: Index = QModelIndex()) -> int:  # noqa: B008
        return len(HEADS)

    def headerData(
        self, section: int, orientation: Qt.Orientation, role: int = Qt.ItemDataRole.DisplayRole
    ) -> Any:
        if role == Qt.ItemDataRole.DisplayRole and orientation == Qt.Orientation.Horizontal:
            return HEADS[section]
        return None

    def data(self, index: Index, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        if role not in (Qt.ItemDataRole.DisplayRole, Qt.ItemDataRole.ToolTipRole):
            return None
        return self.text(index.row(), index.column())

    def text(self, row: int, column: int) -> str:
        run = self.runs[row]
        if column == 0:
            name = run.path.name
            place = self.overlaid.index(name) + 1 if name in self.overlaid else ""
            return f"{'▲' if run.pinned else ''} {place}".strip()
        if column == 1:
            own = run.path.name == f"{run.number:04d}-{run.name}"
            return run.path.name if own else f"{run.number:04d} {run.name}"
        if column == 2:
            return run.begun(16).replace(" ", "  ", 1)
        if column == 3:
            return "" if run.duration_s is None else duration_text(run.duration_s)
        tags = " ".join(f"#{tag}" for tag in run.tags)
        status = run.problem or (
            "" if run.status == "complete" else STATUS_WORDS.get(run.status, "")
        )
        trip = f"trip: {run.trip.lower()}" if run.trip else ""
        return " · ".join(part for part in (trip, tags, " ".join(run.note.split()), status) if part)


class RunTable(QTableView):
    """Table in which Enter opens; Esc and the other keys of the window pass through."""

    def __init__(self, sizes: Sizes, open_row: Callable[[int], object]) -> None:
        super().__init__()
        self.rows = RunRows()
        self.setModel(self.rows)
        self._open_row = open_row
        self.doubleClicked.connect(lambda index: open_row(index.row()))
        set_for_reading(self, "Recorded runs")
        self._sizes = sizes
        self.horizontalHeader().setHighlightSections(False)
        self.verticalHeader().setSectionResizeMode(QHeaderView.ResizeMode.Fixed)

    def fit(self) -> None:
        """Set widths from the font, not from ten thousand rows."""
        font = QFont(self.font())
        font.setPointSizeF(self._sizes.text_pt)
        metrics = QFontMetrics(font)
        for column, text in enumerate(WIDEST[:-1]):
            self.setColumnWidth(column, metrics.horizontalAdvance(text) + self._sizes.px(16))
        self.verticalHeader().setDefaultSectionSize(metrics.height() + self._sizes.px(6))

    @property
    def row(self) -> int:
        """The chosen row, -1 if none."""
        return self.currentIndex().row()

    def choose(self, row: int) -> None:
        if 0 <= row < len(self.rows.runs):
            self.setCurrentIndex(self.rows.index(row, 1))

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter) and self.row >= 0:
            self._open_row(self.row)
            event.accept()
            return
        if event.key() in (Qt.Key.Key_Home, Qt.Key.Key_End):
            self.choose(0 if event.key() == Qt.Key.Key_Home else len(self.rows.runs) - 1)
            return
        # Letters are keys of the window, not a search; the base class would keep them.
        if event.text().isalpha():
            event.ignore()
            return
        super().keyPressEvent(event)
