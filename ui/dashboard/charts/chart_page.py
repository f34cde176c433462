"""Strip charts with their row of controls: window length, freeze, mark, tare."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import Qt
from PySide6.QtWidgets import (
    QButtonGroup,
    QHBoxLayout,
    QLineEdit,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from drivers.motion import FORCE
from ui.dashboard.bench import OperateModel, number
from ui.dashboard.charts.chart_choices import ChartChoices
from ui.dashboard.charts.chart_view import WINDOWS_S
from ui.dashboard.charts.strip_charts import StripCharts, Traced
from ui.dashboard.widgets import KeyButton, Sizes, Theme


class MarkEntry(QLineEdit):
    """Text of a marker; up and down go to the charts, Return keeps it."""


class ChartPage(QWidget):
    """The centre column.

    Args:
        mark: called with the text of a marker; None leaves the button out.
        tare: called to take the present force as zero, or to remove the tare if one is set; None
            leaves the button out.
        recorded: a run to look through: its whole length first, no freezing.
    """

    def __init__(
        self,
        model: Traced,
        theme: Theme,
        sizes: Sizes,
        *,
        mark: Callable[[str], None] | None = None,
        tare: Callable[[], object] | None = None,
        recorded: bool = False,
    ) -> None:
        super().__init__()
        self.model = model
        px = sizes.px
        self.charts = StripCharts(model, theme, sizes)
        self.charts.view_changed.connect(self.refresh)
        self._mark = mark
        row = QHBoxLayout()
        row.setContentsMargins(px(12), px(7), px(12), 0)
        row.setSpacing(px(4))
        self.lengths = QButtonGroup(self)
        if recorded:
            self.charts.view.show_all()
            whole = self._button("All", self.show_all, sizes)
            whole.setCheckable(True)
            self.lengths.addButton(whole, len(WINDOWS_S))
            row.addWidget(whole)
        for i, seconds in enumerate(WINDOWS_S):
            word = f"{seconds:g} s" if seconds < 120 else f"{seconds / 60:g} min"
            button = self._button(word, lambda _=False, s=seconds: self.choose_window(s), sizes)
            button.setCheckable(True)
            button.setToolTip("Length of the window, key W")
            self.lengths.addButton(button, i)
            row.addWidget(button)
        row.addStretch(1)
        self.freeze = self._key("Freeze", "freeze", lambda: self.toggle_freeze(), theme, sizes)
        self.freeze.setCheckable(True)
        self.freeze.setToolTip(
            "Hold the picture; drag or page up to look back, click or C for a cursor, "
            "shift-click for the second, E for live"
        )
        # Not shown before it has a parent: it would be a window for a moment, and take the
        # keyboard focus from this one.
        if recorded:
            self.freeze.hide()
        row.addWidget(self.freeze)
        self.mark: KeyButton | None = None
        self.tare: KeyButton | None = None
        if mark is not None:
            self.mark = self._key("Mark", "note", lambda: self.begin_mark(), theme, sizes)
            row.addWidget(self.mark)
        if tare is not None:

            def take_tare() -> None:
                tare()
                self.refresh()

            self.tare = self._key("Tare", "tare", take_tare, theme, sizes)
            self.tare.setCheckable(True)
            row.addWidget(self.tare)
        self.entry = MarkEntry()
        self.entry.setPlaceholderText("what happened here? Enter keeps the mark")
        self.entry.setMaxLength(200)
        self.entry.setAccessibleName("Text of the marker")
        self.entry.returnPressed.connect(self._keep_mark)
        self.entry.hide()
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, px(4))
        column.setSpacing(px(4))
        column.addLayout(row)
        column.addWidget(self.entry)
        self.choices = ChartChoices(self.charts.view, theme, sizes, self._chosen)
        self.choices.hide()
        column.addWidget(self.choices)
        column.addWidget(self.charts, 1)
        self.refresh()

    @staticmethod
    def _button(word: str, act: Callable[..., None], sizes: Sizes) -> QPushButton:
        button = QPushButton(word)
        button.setStyleSheet(f"padding-left: {sizes.px(6)}px; padding-right: {sizes.px(6)}px")
        button.clicked.connect(act)
        return button

    @staticmethod
    def _key(
        word: str, key: str, act: Callable[..., None], theme: Theme, sizes: Sizes
    ) -> KeyButton:
        button = KeyButton(word, key, theme)
        button.setStyleSheet(f"padding-left: {sizes.px(6)}px; padding-right: {sizes.px(6)}px")
        button.clicked.connect(act)
        return button

    def toggle_choices(self) -> None:
        """Show traces, scales, short windows and trigger to choose from, or hide them."""
        self.choices.setVisible(self.choices.isHidden())
        if not self.choices.isHidden():
            self.choices.refresh()
            self.choices.column.setFocus()
        else:
            self.charts.setFocus()

    def take_over(self, old: ChartPage) -> None:
        """Show what the previous page showed."""
        self.charts.view = old.charts.view
        self.choices.take(self.charts.view)
        self.choices.setVisible(not old.choices.isHidden())
        self.refresh()

    def _chosen(self) -> None:
        self.refresh()
        self.charts.update()

    def choose_window(self, seconds: float) -> None:
        self.charts.view.choose_window(seconds)
        self.refresh()
        self.charts.update()

    def show_all(self) -> None:
        self.charts.view.show_all()
        self.refresh()
        self.charts.update()

    def next_window(self) -> None:
        self.charts.view.next_window()
        self.refresh()
        self.charts.update()

    def toggle_freeze(self) -> None:
        self.charts.view.freeze(not self.charts.view.frozen)
        self.refresh()
        self.charts.update()

    def step_cursors(self) -> None:
        self.charts.view.step_cursors()
        self.charts.setFocus(Qt.FocusReason.ShortcutFocusReason)
        self.refresh()
        self.charts.update()

    def begin_mark(self) -> None:
        """Prompt for the marker's text in place; called again, keep an unnamed one."""
        if self._mark is None:
            return
        if self.entry.isVisible():
            self._keep_mark()
            return
        self.entry.clear()
        self.entry.show()
        self.entry.setFocus()

    def _keep_mark(self) -> None:
        if self._mark is not None and self.entry.isVisible():
            self._mark(self.entry.text().strip() or "mark")
        self.entry.hide()
        self.charts.setFocus()

    def to_live(self) -> None:
        """Show what comes in now."""
        self.charts.view.freeze(False)
        self.refresh()

    def click_tare(self) -> None:
        if self.tare is not None:
            self.tare.click()

    def _uncheck_lengths(self) -> None:
        self.lengths.setExclusive(False)
        for button in self.lengths.buttons():
            button.setChecked(False)
        self.lengths.setExclusive(True)

    def refresh(self) -> None:
        view = self.charts.view
        if view.window_s in WINDOWS_S:
            self.lengths.button(WINDOWS_S.index(view.window_s)).setChecked(True)
        elif view.recorded:
            self.lengths.button(len(WINDOWS_S)).setChecked(True)
        else:
            self._uncheck_lengths()
        self.choices.refresh()
        self.freeze.setChecked(view.frozen)
        if self.tare is not None and isinstance(self.model, OperateModel):
            self.tare.setEnabled(not self.model.lock_reason)
            tared = self.model.tare_N != 0.0
            self.tare.setChecked(tared)
            self.tare.setText("Tare off" if tared else "Tare")
            self.tare.setToolTip(
                f"{number(FORCE(self.model.tare_N), 1)}{FORCE} is subtracted from every force; remove it"
                if tared
                else "Take the present force as zero; the calibration stays as it is"
            )
