"""A row of choices above the charts: traces, scales, short windows and their trigger."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial

from PySide6.QtWidgets import (
    QCheckBox,
    QFrame,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QSizePolicy,
    QVBoxLayout,
)

from ui.dashboard.charts.chart_view import PANELS, SHORT_S, ChartView, Panel
from ui.dashboard.charts.trigger import Trigger
from ui.dashboard.widgets import ChoiceBox, Sizes, Theme

FREE = "no trigger"


def range_of(text: str) -> tuple[float, float] | None:
    """Return two increasing numbers from a text such as "-20 100"; None if it is empty.

    Raises:
        ValueError: neither.
    """
    parts = text.replace("−", "-").replace("to", " ").replace(";", " ").split()
    if not parts:
        return None
    low, high = (float(part) for part in parts)
    if not (math.isfinite(low) and math.isfinite(high) and low < high):
        raise ValueError("not rising")
    return low, high


class ChartChoices(QFrame):
    """Mirror of what a chart view shows.

    Args:
        changed: called when something was chosen.
    """

    def __init__(
        self, view: ChartView, theme: Theme, sizes: Sizes, changed: Callable[[], None]
    ) -> None:
        super().__init__()
        self.view, self._changed = view, changed
        px = sizes.px
        self.windows: dict[float, QPushButton] = {}
        top = QHBoxLayout()
        top.setSpacing(px(4))
        for seconds in SHORT_S:
            button = QPushButton(f"{seconds:g} s")
            button.setCheckable(True)
            button.setToolTip("Length of the window, key W")
            button.clicked.connect(partial(self._window, seconds))
            self.windows[seconds] = button
            top.addWidget(button)
        self.column = ChoiceBox(theme, sizes)
        self.column.setAccessibleName("Trigger on")
        self.column.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self.column.addItem(FREE, "")
        for panel in PANELS:
            for trace in panel.traces:
                self.column.addItem(f"{panel.title}: {trace.label}", trace.column)
        self.level = QLineEdit("0")
        self.level.setAccessibleName("Level of the trigger")
        self.level.setFixedWidth(px(64))
        self.unit = QLabel()
        self.unit.setObjectName("quiet")
        self.rising = QPushButton("↑")
        self.rising.setCheckable(True)
        self.rising.setChecked(True)
        self.rising.setAccessibleName("Rising")
        top.addWidget(self.column, 1)
        for part in (self.level, self.unit, self.rising):
            top.addWidget(part)
        rows = QVBoxLayout()
        rows.setSpacing(px(3))
        small = f"font-size: {0.9 * sizes.text_pt}pt; spacing: {px(3)}px"
        self.shown: dict[str, QCheckBox] = {}
        self.scales: list[QLineEdit] = []
        for row, panel in enumerate(PANELS):
            scale = QLineEdit()
            scale.setPlaceholderText("auto")
            scale.setToolTip(f"{panel.title}: two numbers in {panel.unit}, such as -20 100")
            scale.setAccessibleName(f"Scale of {panel.title} in {panel.unit}")
            scale.setFixedWidth(px(64))
            scale.editingFinished.connect(partial(self._scale, row))
            self.scales.append(scale)
            line = QHBoxLayout()
            line.setSpacing(px(5))
            line.addWidget(QLabel(panel.title))
            line.addWidget(scale)
            for trace in panel.traces:
                box = QCheckBox(trace.label)
                box.setStyleSheet(small)
                box.setChecked(trace.column not in view.hidden)
                box.setAccessibleName(f"{panel.title}: {trace.label}")
                box.toggled.connect(partial(self._show, trace.column))
                self.shown[trace.column] = box
                line.addWidget(box)
            line.addStretch(1)
            rows.addLayout(line)
        # The charts below set the width, not the choices.
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        column_box = QVBoxLayout(self)
        column_box.setContentsMargins(px(12), px(2), px(12), px(2))
        column_box.setSpacing(px(4))
        column_box.addLayout(top)
        column_box.addLayout(rows)
        self.column.currentIndexChanged.connect(self._trigger)
        self.level.editingFinished.connect(self._trigger)
        self.rising.toggled.connect(self._trigger)
        self.refresh()

    def _window(self, seconds: float) -> None:
        self.view.choose_window(seconds)
        self._changed()

    def _show(self, column: str, on: bool) -> None:
        self.view.hidden.discard(column) if on else self.view.hidden.add(column)
        self._changed()

    def _scale(self, row: int) -> None:
        field = self.scales[row]
        try:
            self.view.fix_scale(row, range_of(field.text()))
            wrong = False
        except ValueError:
            wrong = True
        field.setProperty("wrong", wrong)
        field.style().unpolish(field)
        field.style().polish(field)
        self._changed()

    def _panel(self, column: str) -> Panel | None:
        return next((p for p in PANELS if any(t.column == column for t in p.traces)), None)

    def _trigger(self) -> None:
        column = str(self.column.currentData())
        panel = self._panel(column)
        self.view.trigger = None
        if panel is not None:
            try:
                level = float(self.level.text().replace("−", "-").replace(",", "."))
            except ValueError:
                level = math.nan
            if math.isfinite(level):
                self.view.trigger = Trigger(column, level / panel.factor, self.rising.isChecked())
        self.rising.setText("↑" if self.rising.isChecked() else "↓")
        self._changed()

    def take(self, view: ChartView) -> None:
        """Mirror another view, after the page was rebuilt."""
        self.view = view
        trigger = view.trigger  # the changes below would overwrite it
        for column, box in self.shown.items():
            box.blockSignals(True)
            box.setChecked(column not in view.hidden)
            box.blockSignals(False)
        for row, (low, high) in view.fixed.items():
            self.scales[row].setText(f"{low:g} {high:g}")
        if trigger is not None and (panel := self._panel(trigger.column)) is not None:
            self.level.setText(f"{trigger.level * panel.factor:g}")
            self.rising.setChecked(trigger.rising)
            self.column.setCurrentIndex(self.column.findData(trigger.column))
        view.trigger = trigger
        self.refresh()

    def refresh(self) -> None:
        """Show what is chosen."""
        for seconds, button in self.windows.items():
            button.setChecked(self.view.window_s == seconds)
        panel = self._panel(str(self.column.currentData()))
        self.unit.setText(panel.unit if panel is not None else "")
