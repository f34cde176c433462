"""The Runs page: what was recorded, opened in the same charts, to look at only."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import Qt
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import (
    QAbstractItemView,
    QHBoxLayout,
    QHeaderView,
    QLabel,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from ui.dashboard.bench import Page, PageContext, duration_text
from ui.dashboard.charts import ChartPage
from ui.dashboard.runs.model import STATUS_WORDS, RecordedTraces, RunsModel
from ui.dashboard.widgets import KeyButton

COLUMNS = ("Run", "Started", "Length", "What it holds")


class RunTable(QTableWidget):
    """Enter opens; Esc and the other keys of the window pass through."""

    def __init__(self, open_row: Callable[[int], object]) -> None:
        super().__init__(0, len(COLUMNS))
        self._open_row = open_row
        self.cellDoubleClicked.connect(lambda row, _column: open_row(row))

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter) and self.currentRow() >= 0:
            self._open_row(self.currentRow())
            event.accept()
            return
        # Letters are keys of the window, not a search; the base class would keep them.
        if event.text().isalpha():
            event.ignore()
            return
        super().keyPressEvent(event)


class RunsPage(Page):
    """List on the left, charts of the opened run on the right."""

    def __init__(self, place: PageContext) -> None:
        super().__init__()
        self.runs: RunsModel = place.view
        self.theme, self.sizes = theme, sizes = place.theme, place.sizes
        px = sizes.px
        self.table = RunTable(self.open_row)
        self.table.setHorizontalHeaderLabels(list(COLUMNS))
        self.table.verticalHeader().hide()
        self.table.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.table.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.table.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.table.setAlternatingRowColors(True)
        self.table.setShowGrid(False)
        self.table.setTabKeyNavigation(False)
        self.table.setAccessibleName("Recorded runs")
        header = self.table.horizontalHeader()
        header.setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
        header.setStretchLastSection(True)
        header.setDefaultAlignment(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter)
        title = QLabel("Runs")
        title.setObjectName("head")
        again = KeyButton("Read again", "U", theme)
        again.clicked.connect(self.renew)
        head = QHBoxLayout()
        head.addWidget(title)
        head.addStretch(1)
        head.addWidget(again)
        left = QVBoxLayout()
        left.setContentsMargins(px(20), px(10), px(14), px(12))
        left.setSpacing(px(8))
        left.addLayout(head)
        left.addWidget(self.table, 1)
        right = QVBoxLayout()
        right.setContentsMargins(px(6), px(10), px(10), px(6))
        right.setSpacing(px(4))
        self.name = QLabel()
        self.name.setObjectName("head")
        self.text = QLabel()
        self.text.setObjectName("quiet")
        self.text.setWordWrap(True)
        right.addWidget(self.name)
        right.addWidget(self.text)
        self.figures = QLabel()
        self.figures.setWordWrap(True)
        self.figures.setAccessibleName("Figures of the run and their verdicts")
        self.figures.hide()
        right.addWidget(self.figures)
        self.room = QVBoxLayout()
        right.addLayout(self.room, 1)
        self.charts: ChartPage | None = None
        self._shown: RecordedTraces | None = None
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(0)
        row.addLayout(left, 45)
        row.addLayout(right, 55)
        self._fill()

    def renew(self) -> None:
        self.runs.renew()

    def open_row(self, row: int) -> None:
        if 0 <= row < len(self.runs.runs):
            self.runs.open(self.runs.runs[row])
            self.text.setText(self.runs.text)

    def keys(self) -> dict[int, Callable[[], object]]:
        acts: dict[int, Callable[[], object]] = {Qt.Key.Key_U: self.renew}
        if self.charts is not None:
            acts[Qt.Key.Key_C] = self.charts.step_cursors
            acts[Qt.Key.Key_W] = self.charts.next_window
        return acts

    def first_focus(self) -> QWidget:
        return self.table

    def shown(self) -> None:
        self.renew()

    def carry_from(self, old: Page) -> None:
        if isinstance(old, RunsPage) and self.charts is not None and old.charts is not None:
            self.charts.charts.view = old.charts.charts.view
            self.charts.refresh()

    def refresh(self) -> None:
        """Called at the pace of the screen while the page is shown."""
        if self.runs.take():
            self._fill()

    def _fill(self) -> None:
        runs = self.runs
        self.text.setText(runs.text)
        self.text.setVisible(bool(runs.text))
        chosen = self.table.currentRow()
        self.table.setRowCount(len(runs.runs))
        for row, run in enumerate(runs.runs):
            length = "" if run.duration_s is None else duration_text(run.duration_s)
            status = run.problem or STATUS_WORDS.get(run.status, run.status)
            what = f"trip: {run.trip.lower()}" if run.trip else run.note
            holds = " · ".join(part for part in (what, status) if part)
            started = run.started[:19].replace("T", "  ")
            for column, text in enumerate((run.path.name, started, length, holds)):
                item = QTableWidgetItem(text)
                item.setToolTip(text)
                self.table.setItem(row, column, item)
        if runs.runs:
            self.table.setCurrentCell(max(0, min(chosen, len(runs.runs) - 1)), 0)
        self.table.resizeRowsToContents()
        if runs.opened is not None and runs.opened is not self._shown:
            self._show(runs.opened)

    def _show(self, run: RecordedTraces) -> None:
        if self.charts is not None:
            self.charts.hide()
            self.charts.deleteLater()
        self._shown = run
        self.name.setText(run.name)
        self.figures.setText("\n".join(run.figures))
        self.figures.setVisible(bool(run.figures))
        self.charts = ChartPage(run, self.theme, self.sizes, recorded=True)
        self.room.addWidget(self.charts, 1)
