"""Tables of the Calibrate page: points as they come, earlier calibrations, the plan."""

from __future__ import annotations

import html
from collections.abc import Callable
from itertools import groupby

import numpy as np
from PySide6.QtCore import QSize, Qt
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QTableWidgetItem

from drivers.motion import FORCE
from hil.calibration import CalibrationPoint
from ui.dashboard.bench import number, two_digits
from ui.dashboard.calibrate.kept import Kept
from ui.dashboard.calibrate.model import CalibrateModel
from ui.dashboard.widgets import LEFT, RIGHT, ChangeGuard, ReadingTable, Theme

MOVES = (
    Qt.Key.Key_Up,
    Qt.Key.Key_Down,
    Qt.Key.Key_PageUp,
    Qt.Key.Key_PageDown,
    Qt.Key.Key_Home,
    Qt.Key.Key_End,
)


class _Table(ReadingTable):
    """Table in which keys other than moves pass through to the page."""

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() in MOVES:
            super().keyPressEvent(event)
        else:
            event.ignore()

    def keyboardSearch(self, search: str) -> None:
        """Do nothing: letters are keys of the page, not a search."""

    def put(self, row: int, texts: tuple[str, ...], right: tuple[int, ...]) -> None:
        for column, text in enumerate(texts):
            item = self.item(row, column)
            if item is None:
                item = QTableWidgetItem()
                item.setTextAlignment(RIGHT if column in right else LEFT)
                self.setItem(row, column, item)
            if item.text() != text:
                item.setText(text)
                item.setToolTip(text)


class PointsTable(_Table):
    """Every point with its residual against the law so far."""

    def __init__(self, calibrating: CalibrateModel) -> None:
        super().__init__(
            ("No.", "Load", "Way", FORCE.unit, "Counts", f"Residual {FORCE.unit}", ""),
            "Points of the calibration",
        )
        self._calibrating = calibrating
        self._shown = ChangeGuard()
        self.itemChanged.connect(lambda _: self.updateGeometry())
        self.horizontalHeader().sectionResized.connect(lambda *_: self.updateGeometry())

    def minimumSizeHint(self) -> QSize:
        """Return the room of all columns: half of a small page cuts off the state of a point."""
        head = self.horizontalHeader()
        last = self.columnCount() - 1  # takes what is left, and more than it needs
        wide = sum(head.sectionSize(n) for n in range(last))
        wide += max(head.sectionSizeHint(last), self.sizeHintForColumn(last))
        frame = 2 * self.frameWidth() + self.verticalScrollBar().sizeHint().width()
        return QSize(wide + frame, super().minimumSizeHint().height())

    def refresh(self) -> None:
        calibrating = self._calibrating
        points = calibrating.points
        if self._shown.already(len(points), calibrating.fit, calibrating.result):
            return
        more = len(points) != self.rowCount()
        residuals = calibrating.residuals_N()
        self.setRowCount(len(points))
        for row, (point, residual) in enumerate(zip(points, residuals, strict=True)):
            self.put(row, _point_texts(row, point, float(residual)), (0, 3, 4, 5))
        if more and points and calibrating.running:
            self.selectRow(len(points) - 1)
            self.scrollToBottom()


def _point_texts(row: int, point: CalibrationPoint, residual_N: float) -> tuple[str, ...]:
    way = "↑" if point.direction > 0 else "↓"
    side = "below" if point.approach > 0 else "above"
    state = "set aside" if point.outlier else "" if point.settled else "not settled"
    return (
        str(row + 1),
        point.label,
        f"{way} {side}",
        number(FORCE(point.load_N), 1),
        number(point.reading_counts, 1),
        number(FORCE(residual_N), 2) if np.isfinite(residual_N) else "",
        state,
    )


class KeptTable(_Table):
    """Earlier calibrations, newest first."""

    def __init__(self, calibrating: CalibrateModel, look_at: Callable[[Kept], None]) -> None:
        super().__init__(
            ("Made", "Law", f"Range {FORCE.unit}", f"±U {FORCE.unit}", ""), "Earlier calibrations"
        )
        self._calibrating = calibrating
        self._look_at = look_at
        self._shown = ChangeGuard()
        self._filling = False
        self.currentCellChanged.connect(lambda row, *_: None if self._filling else self._look(row))

    @property
    def chosen(self) -> Kept | None:
        rows, row = self._calibrating.kept.rows, self.currentRow()
        return rows[row] if 0 <= row < len(rows) else None

    def _look(self, row: int) -> None:
        rows = self._calibrating.kept.rows
        if 0 <= row < len(rows):
            self._look_at(rows[row])

    def refresh(self) -> None:
        calibrating = self._calibrating
        kept, in_force = calibrating.kept, calibrating.model.profile.calibration.identity
        if self._shown.already(kept.rows, kept.first, in_force):
            return
        self._filling = True
        row = self.currentRow()
        self.setRowCount(len(kept.rows))
        for number_, entry in enumerate(kept.rows):
            self.put(number_, _kept_texts(entry, kept.first, in_force), (2, 3))
        if kept.rows:
            self.setCurrentCell(min(max(row, 0), len(kept.rows) - 1), 0)
        self._filling = False
        self._look(self.currentRow())


def _kept_texts(kept: Kept, first: Kept | None, in_force: str) -> tuple[str, ...]:
    file = kept.file
    if file is None:
        return ("cannot be read", "", "", "", kept.problem)
    marks = []
    if first is not None and kept.path == first.path:
        marks.append("A")
    if file.identity == in_force:
        marks.append("in force")
    if kept.problem:
        marks.append("not for use here")
    if file.content.note:
        marks.append(file.content.note)
    low, high = file.range_N
    return (
        file.content.made[:16].replace("T", " "),
        file.content.law.law.replace("_", " "),
        f"{number(FORCE(low), 0)} to {number(FORCE(high), 0)}",
        two_digits(FORCE(file.largest_u95_N)),
        " · ".join(marks),
    )


def plan_html(calibrating: CalibrateModel, theme: Theme) -> str:
    """Return the loads of the series under way: done, present, and to come."""
    plan = calibrating.run.plan
    if not plan:
        return ""
    done = [key for key, _ in groupby((p.series, p.direction, p.label) for p in calibrating.points)]
    at = len(done)
    progress = calibrating.run.progress
    if done and progress is not None and progress.kind in ("moving", "settling", "point"):
        label = progress.point.label if progress.point else progress.text.partition(": to ")[0]
        if label == done[-1][2]:
            at = len(done) - 1
    series = min(at // len(plan) + 1, calibrating.run.options.series)
    at -= (series - 1) * len(plan)
    lines = []
    for row, load in enumerate(plan):
        way = "↑" if load.direction > 0 else "↓"
        text = f"{way} {load.label}"
        if row < at:
            lines.append(f'<span style="color:{theme.quiet}">✓&nbsp; {text}</span>')
        elif row == at:
            lines.append(f"<b>▶&nbsp; {text}</b>")
        else:
            lines.append(f'<span style="color:{theme.ink}">○&nbsp; {text}</span>')
    count = calibrating.run.options.series
    taken = f"{len(calibrating.points)} of {progress.total} points" if progress else ""
    remarks = "".join(
        f'<p style="color:{theme.warning}">{html.escape(text)}</p>'
        for text in calibrating.run.remarks[-2:]
    )
    return (
        f'<p><b>Series {series} of {count}</b> &nbsp;<span style="color:{theme.quiet}">{taken}'
        f"</span></p><p>{'<br>'.join(lines)}</p>{remarks}"
    )
