"""The Size page: requirements and parts on the left, the chosen combination on the right."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from PySide6.QtCore import Qt
from PySide6.QtGui import QColor, QKeyEvent
from PySide6.QtWidgets import (
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from hil.sizing import Sized
from ui.dashboard.bench import Page, PageContext
from ui.dashboard.size.limit_chart import LimitChart
from ui.dashboard.size.model import SizeModel
from ui.dashboard.widgets import ChangeGuard, EnterField, KeyButton, ReadingTable, bound

COMBINATIONS = ("Combination", "Requirements", "Least margin", "Set by")
FIGURES = ("Figure", "Value", "Required", "", "By")
MOVES = ("1 % more of", "changes, in percent")


class _Table(ReadingTable):
    """Table in which letters are keys of the window."""

    def keyPressEvent(self, event: QKeyEvent) -> None:
        # Letters are keys of the window, not a search; the base class would keep them.
        if event.text().isalpha():
            event.ignore()
        else:
            super().keyPressEvent(event)

    def fill(self, rows: Sequence[tuple[str, ...]], marked: frozenset[int], colour: str) -> None:
        """Show these rows, some of them in a colour and bold."""
        self.setRowCount(len(rows))
        for row, texts in enumerate(rows):
            for column, text in enumerate(texts):
                item = QTableWidgetItem(text)
                item.setToolTip(text)
                if row in marked:
                    font = item.font()
                    font.setBold(True)
                    item.setFont(font)
                    item.setForeground(QColor(colour))
                self.setItem(row, column, item)
        self.resizeRowsToContents()


class _Field(EnterField):
    """Field for a file name; Enter acts, Esc goes to the window."""

    def __init__(self, text: str, name: str, act: Callable[[], None]) -> None:
        super().__init__(act)
        self.setText(text)
        self.setAccessibleName(name)


def _met(one: Sized) -> str:
    if not one.met:
        return f"{len(one.missed)} missed"
    return "all met" if one.designed else "met, except the loop"


class SizePage(Page):
    """Page on which G sizes, W writes the profile, V changes figures and sensitivity."""

    def __init__(self, place: PageContext) -> None:
        super().__init__()
        self.model: SizeModel = place.view
        self.theme = theme = place.theme
        sizes = place.sizes
        px = sizes.px
        self._shown = ChangeGuard()
        self._view = 0

        title = QLabel("Size")
        title.setObjectName("head")
        self.required = _Field(self.model.required, "File of requirements", self.begin)
        self.parts = _Field(self.model.parts, "File of parts", self.begin)
        self.target = _Field(self.model.target, "Profile to write", self.write_profile)
        self.go = KeyButton("Size", "begin", theme)
        self.go.clicked.connect(self.begin)
        self.write = KeyButton("Write profile", "use", theme)
        self.write.clicked.connect(self.write_profile)
        fields = QGridLayout()
        fields.setSpacing(px(6))
        for row, (word, field, button) in enumerate(
            (
                ("Requirements", self.required, None),
                ("Parts", self.parts, self.go),
                ("Profile", self.target, self.write),
            )
        ):
            label = QLabel(word)
            label.setObjectName("quiet")
            fields.addWidget(label, row, 0)
            fields.addWidget(field, row, 1)
            if button is not None:
                fields.addWidget(button, row, 2)
        self.text = QLabel()
        self.text.setWordWrap(True)
        self.text.setAccessibleName("Status")
        self.table = _Table(COMBINATIONS, "Combinations of parts, best first")
        self.table.currentCellChanged.connect(lambda row, *_: self.model.choose(row))
        left = QVBoxLayout()
        left.setContentsMargins(px(20), px(10), px(14), px(12))
        left.setSpacing(px(8))
        left.addWidget(title)
        left.addLayout(fields)
        left.addWidget(self.text)
        left.addWidget(self.table, 1)

        self.name = QLabel()
        self.name.setObjectName("head")
        self.view = KeyButton("Sensitivity", "view", theme)
        self.view.clicked.connect(self.next_view)
        head = QHBoxLayout()
        head.addWidget(self.name)
        head.addStretch(1)
        head.addWidget(self.view)
        self.figures = _Table(FIGURES, "Figures of the chosen combination")
        self.moves = _Table(MOVES, "Sensitivity of the figures to each part")
        self.speed, self.frequency = LimitChart(theme, sizes), LimitChart(theme, sizes)
        self.legends: list[QLabel] = []
        self.axes: list[QLabel] = []  # what each chart draws, in the units of its choice
        charts = QHBoxLayout()
        for chart in (self.speed, self.frequency):
            column = QVBoxLayout()
            label = QLabel()
            label.setObjectName("quiet")
            self.axes.append(label)
            legend = QLabel()
            legend.setTextFormat(Qt.TextFormat.RichText)
            self.legends.append(legend)
            column.addWidget(label)
            column.addWidget(legend)
            column.addWidget(chart, 1)
            charts.addLayout(column)
        right = QVBoxLayout()
        right.setContentsMargins(px(6), px(10), px(14), px(8))
        right.setSpacing(px(6))
        right.addLayout(head)
        right.addWidget(self.figures, 4)
        right.addWidget(self.moves, 4)
        right.addLayout(charts, 5)
        whole = QHBoxLayout(self)
        whole.setContentsMargins(0, 0, 0, 0)
        whole.setSpacing(0)
        whole.addLayout(left, 40)
        whole.addLayout(right, 60)
        self._show_view()
        self._fill()

    def begin(self) -> None:
        self.model.begin(self.required.text(), self.parts.text())
        self._fill_words()
        self.table.setFocus()

    def write_profile(self) -> None:
        self.model.write_profile(self.target.text())
        self._fill_words()

    def next_view(self) -> None:
        self._view = 1 - self._view
        self._show_view()

    def keys(self) -> dict[int, Callable[[], object]]:
        return bound({"begin": self.begin, "use": self.write_profile, "view": self.next_view})

    def first_focus(self) -> QWidget:
        return self.table

    def carry_from(self, old: Page) -> None:
        if isinstance(old, SizePage):
            for field in ("required", "parts", "target"):
                getattr(self, field).setText(getattr(old, field).text())
            self._view = old._view
            self._show_view()

    def refresh(self) -> None:
        """Take results of the background; called repeatedly while the page is shown."""
        if self.model.take():
            self._fill()

    def _show_view(self) -> None:
        self.figures.setVisible(self._view == 0)
        self.moves.setVisible(self._view == 1)
        self.view.setText("Figures" if self._view else "Sensitivity")

    def _fill_words(self) -> None:
        model = self.model
        self.text.setText(model.text)
        self.go.setEnabled(not model.busy)
        self.write.setEnabled(model.chosen is not None)

    def _fill(self) -> None:
        model = self.model
        self._fill_words()
        if not self._shown.already(tuple(id(one) for one in model.found)):
            rows = [
                (one.choice.name, _met(one), f"{one.margin:.3g}", one.limiting.label)
                for one in model.found
            ]
            missed = frozenset(i for i, one in enumerate(model.found) if not one.met)
            row = max(self.table.currentRow(), 0)
            self.table.blockSignals(True)
            self.table.fill(rows, frozenset(range(len(rows))) - missed, self.theme.ink)
            if rows and model.chosen is not None:
                names = [one.choice.name for one in model.found]
                row = names.index(model.chosen.one.choice.name)
            if rows:
                self.table.setCurrentCell(min(row, len(rows) - 1), 0)
            self.table.blockSignals(False)
        if model.chosen is not None:
            self._fill_choice()

    def _fill_choice(self) -> None:
        chosen = self.model.chosen
        assert chosen is not None
        one = chosen.one
        word = "meets all requirements" if one.met else f"misses {len(one.missed)}"
        self.name.setText(f"{one.choice.name} · {word}")
        rows = []
        # Required figures are first, missed ones before them.
        figures = sorted(one.figures, key=lambda f: (f.met, f.required is None))
        for figure in figures:
            required, verdict = "", ""
            if figure.required is not None:
                required = f"{'≥' if figure.least else '≤'} {figure.required:.4g}"
                verdict = "met" if figure.met else "▲ missed"
            value = f"{figure.value:.4g} {figure.unit}".strip()
            rows.append((figure.label, value, required, verdict, figure.note))
        missed = frozenset(i for i, figure in enumerate(figures) if not figure.met)
        self.figures.fill(rows, missed, self.theme.warning)
        labels = {figure.key: figure.label for figure in one.figures}
        self.moves.fill(
            [
                (
                    f"{s.part}: {s.property.replace('_', ' ')}",
                    " · ".join(f"{labels[key]} {move:+.2f}" for key, move in s.changes[:4]),
                )
                for s in chosen.sensitivities
            ],
            frozenset(),
            self.theme.ink,
        )
        for widget, legend, label, chart, how in zip(
            (self.speed, self.frequency),
            self.legends,
            self.axes,
            (chosen.speed, chosen.frequency),
            ("pushing", "output blocked"),
            strict=True,
        ):
            widget.show_chart(chart)
            label.setText(
                f"{chart.y_label} over {chart.x_label[:1].lower()}{chart.x_label[1:]}, {how}"
            )
            legend.setText(widget.names(chart))
