"""Right part of the Runs page: the head of a run with buttons, and one of several views."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import Qt, QUrl
from PySide6.QtGui import QDesktopServices
from PySide6.QtWidgets import QHBoxLayout, QLabel, QScrollArea, QStackedLayout, QVBoxLayout, QWidget

from hil.recorder import RunError
from ui.dashboard.runs.column_list import ColumnList
from ui.dashboard.runs.export_form import ExportForm, write_selection
from ui.dashboard.runs.model import RunsModel
from ui.dashboard.runs.opened import Opened
from ui.dashboard.runs.picture import RunPicture
from ui.dashboard.runs.picture_texts import cursor_text
from ui.dashboard.runs.picture_view import PictureView
from ui.dashboard.runs.plot_pane import KINDS, PlotPane
from ui.dashboard.runs.plots import OVER_COLUMN, TURN_COLUMN, Plot, make_plot
from ui.dashboard.runs.series import LiveSeries, RunSeries
from ui.dashboard.widgets import ElidedLabel, KeyButton, Sizes, Theme

VIEWS = ("Over time", *KINDS, "Figures")
ON_FIRST_ROW = 5  # actions on what is shown; those on files are below


class OpenedPanel(QWidget):
    """Right part of the Runs page.

    Args:
        toggle_list: gives the picture the whole page, or restores the list.
    """

    def __init__(
        self, theme: Theme, sizes: Sizes, model: RunsModel, toggle_list: Callable[[], object]
    ) -> None:
        super().__init__()
        self.theme, self.sizes, self.model = theme, sizes, model
        self.opened: Opened | None = None
        self.view_number = 0
        self.aligned = ""
        px = sizes.px
        self.name = QLabel()
        self.name.setObjectName("head")
        self.note = ElidedLabel()
        self.cursors = QLabel()
        self.cursors.setAccessibleName("Times of the cursors")
        self.picture = RunPicture(PictureView((0.0, 1.0)), theme, sizes)
        self.picture.view_changed.connect(self._tell_cursors)
        self.columns = ColumnList(theme, sizes, self._choose_columns)
        self.figures = QLabel()
        self.figures.setWordWrap(True)
        self.figures.setAlignment(Qt.AlignmentFlag.AlignTop | Qt.AlignmentFlag.AlignLeft)
        self.figures.setAccessibleName("Figures of the run and their verdicts")
        self.figures.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        page = QScrollArea()
        page.setWidget(self.figures)
        page.setWidgetResizable(True)
        room = QWidget()
        self.stack = QStackedLayout(room)
        self.pane = PlotPane(theme, sizes, self._plot)
        self.stack.addWidget(self.picture)
        self.stack.addWidget(self.pane)
        self.stack.addWidget(page)
        acts: tuple[tuple[str, str, Callable[[], object], str], ...] = (
            ("View", "view", self.next_view, ", ".join(VIEWS)),
            ("Columns", "data", self.toggle_columns, "Choose what is shown over time"),
            ("Cursors", "cursors", self.step_cursors, "First cursor, second one, none"),
            ("Length", "window", self.next_length, "All, 10 min, 1 min, 10 s, 1 s"),
            ("Align", "other", self.next_alignment, "Runs over each other: start, events, course"),
            ("Export", "export", self.begin_export, "Write the selection to a file"),
            ("Report", "report", self.open_report, "The run's report in the browser"),
            ("Folder", "folder", self.open_folder, "The run's folder"),
            ("List", "list", toggle_list, "Hide the list, or show it again"),
        )
        self._keys: dict[str, Callable[[], object]] = {
            "view": self.next_view,
            "data": self.toggle_columns,
            "cursors": self.step_cursors,
            "window": self.next_length,
            "other": self.next_alignment,
            "list": toggle_list,
        }
        self.export = ExportForm(sizes, self._write)
        self.shortcuts = (
            ("export", self.begin_export),
            ("report", self.open_report),
            ("folder", self.open_folder),
        )
        self.buttons: dict[str, KeyButton] = {}
        rows = [QHBoxLayout(), QHBoxLayout()]  # one alone would squeeze the list at 1280 pixels
        for i, (word, name, act, hint) in enumerate(acts):
            button = KeyButton(word, name, theme)
            button.setToolTip(hint)
            button.setStyleSheet(f"padding-left: {px(5)}px; padding-right: {px(5)}px")
            button.clicked.connect(lambda _=False, act=act: act())
            self.buttons[word] = button
            rows[0 if i < ON_FIRST_ROW else 1].addWidget(button)
        for row in rows:
            row.setSpacing(px(4))
            row.addStretch(1)
        head = QHBoxLayout()
        head.addWidget(self.name)
        head.addWidget(self.note, 1)
        head.addWidget(self.cursors)
        middle = QHBoxLayout()
        middle.addWidget(room, 1)
        middle.addWidget(self.columns)
        column = QVBoxLayout(self)
        column.setContentsMargins(px(8), px(8), px(8), px(6))
        column.setSpacing(px(4))
        column.addLayout(head)
        for row in rows:
            column.addLayout(row)
        column.addWidget(self.export)
        column.addLayout(middle, 1)

    # ------------------------------------------------------------------ showing

    def show_opened(self, opened: Opened) -> None:
        """Show newly opened runs."""
        self.opened = opened
        self.picture.view = opened.view
        self.picture.readings.view = opened.view
        self.columns.hide()
        self.aligned = ""
        self.buttons["Align"].setVisible(len(opened.series) > 1)
        self.name.setText(opened.name)
        report = self._report()
        self.buttons["Report"].setEnabled(report is not None)
        self.buttons["Folder"].setEnabled(self._first_run() is not None)
        self.show_view(self.view_number)
        self.renew()
        self.picture.setFocus()

    def renew(self) -> None:
        """Show what has been read or measured since."""
        if self.opened is None:
            return
        self.picture.show_panels(self.opened.panels())
        self.note.say(self.aligned or " ".join(self.opened.note.split()))
        self.figures.setText("\n".join(self.opened.figures) or "measuring …")
        self._tell_cursors()

    def frame(self) -> None:
        """Redraw what moves: a live bench's picture."""
        if self.live and self.opened is not None:
            self.opened.follow()
            self.picture.update()

    def refresh(self) -> None:
        if self.live:
            self._tell_cursors()

    @property
    def live(self) -> bool:
        return self.opened is not None and isinstance(self.opened.series[0], LiveSeries)

    def carry_from(self, old: OpenedPanel) -> None:
        if self.opened is not None:
            self.show_view(old.view_number)

    def _tell_cursors(self) -> None:
        self.cursors.setText(cursor_text(self.picture.view))

    # ------------------------------------------------------------------ acts

    def keys(self) -> dict[str, Callable[[], object]]:
        return self._keys

    def next_view(self) -> None:
        self.show_view((self.view_number + 1) % len(VIEWS))

    def show_view(self, number: int) -> None:
        self.view_number = number
        last = len(VIEWS) - 1
        self.stack.setCurrentIndex(0 if number == 0 else 2 if number == last else 1)
        self.buttons["View"].setText(VIEWS[number])
        if number != 0:
            self.columns.hide()
        self._plot()

    def _plot(self) -> None:
        """Compute and show the plot of the view and the columns that are chosen."""
        opened, kind = self.opened, VIEWS[self.view_number]
        if opened is None or kind not in KINDS:
            return
        self.pane.offer(opened, kind)
        x, y, span_s = self.pane.name("x"), self.pane.name("y"), self.picture.view.selection
        needed = [y, x if kind == OVER_COLUMN else TURN_COLUMN]
        if self.live:  # the bench's samples are taken here, where they arrive
            self._show_plot(opened, kind, make_plot(opened, kind, x, y, span_s))
            return

        def task() -> Plot:
            opened.load(needed)
            return make_plot(opened, kind, x, y, span_s)

        self.pane.text.setText("computing …")
        self.model.compute(task, lambda plot: self._show_plot(opened, kind, plot))

    def _show_plot(self, opened: Opened, kind: str, plot: Plot) -> None:
        if opened is self.opened and kind == VIEWS[self.view_number]:
            self.pane.show_plot(plot)

    def next_alignment(self) -> None:
        """Align the runs in the next way."""
        opened = self.opened
        if opened is None or len(opened.series) < 2:
            return
        ways = opened.alignments
        place = ways.index(opened.way) if opened.way in ways else -1
        way = ways[(place + 1) % len(ways)]

        def task() -> tuple[list[float], str]:
            opened.load(opened.chosen[:1])
            try:
                return opened.shifts_for(way)
            except RunError as error:
                return opened.shifts, str(error)

        def then(found: tuple[list[float], str]) -> None:
            opened.way = way  # also of one that failed: the next press continues from here
            opened.shift(found[0])
            self.aligned = found[1]
            self.renew()
            self._plot()

        self.model.compute(task, then)

    def toggle_columns(self) -> None:
        if self.opened is None:
            return
        if VIEWS[self.view_number] in KINDS:
            self.pane.boxes["y"].setFocus()
            return
        if self.columns.isVisible():
            self.columns.hide()
            self.picture.setFocus()
            return
        self.show_view(0)
        self.columns.show_columns(self.opened.columns, self.opened.chosen)
        self.columns.show()
        self.columns.setFocus()

    def _choose_columns(self, names: list[str]) -> None:
        self.model.choose(names)
        self.renew()

    def step_cursors(self) -> None:
        self.show_view(0)
        self.picture.view.step_cursors()
        self.picture.setFocus(Qt.FocusReason.ShortcutFocusReason)
        self.picture.changed()

    def next_length(self) -> None:
        self.picture.view.next_length()
        self.picture.changed()

    def begin_export(self) -> None:
        """Prompt for a file for the selection; called again, close the prompt."""
        if self.opened is None:
            return
        if self.export.isVisible():
            self.export.hide()
            self.picture.setFocus()
            return
        start_s, end_s = self.picture.view.selection
        what = "between cursors" if len(self.picture.view.cursors) == 2 else "in view"
        name = self.opened.series[0].name.split(",")[0]
        self.export.begin(
            name, f"{len(self.opened.chosen)} columns, {end_s - start_s:.4g} s {what}"
        )

    def _write(self, file: str, rate_hz: float | None, width: str) -> None:
        opened, span_s = self.opened, self.picture.view.selection
        if opened is None:
            return

        def task() -> str:
            try:
                return write_selection(opened, file, span_s, rate_hz, width)
            except RunError as error:
                return str(error)

        self.export.said.setText("writing …")
        self.model.compute(task, self.export.said.setText)

    def _first_run(self) -> RunSeries | None:
        first = self.opened.series[0] if self.opened else None
        return first if isinstance(first, RunSeries) else None

    def _report(self) -> QUrl | None:
        first = self._first_run()
        file = first.run.path / "report.html" if first else None
        return QUrl.fromLocalFile(str(file.resolve())) if file and file.exists() else None

    def open_report(self) -> None:
        url = self._report()
        if url is not None:
            QDesktopServices.openUrl(url)

    def open_folder(self) -> None:
        first = self._first_run()
        if first is not None:
            QDesktopServices.openUrl(QUrl.fromLocalFile(str(first.run.path.resolve())))
