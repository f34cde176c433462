"""Left column of the Calibrate page: the form before, the plan meanwhile, the outcome after."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QEvent, QObject, Qt
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import (
    QCheckBox,
    QGridLayout,
    QLabel,
    QLineEdit,
    QScrollArea,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from drivers.motion import FORCE, in_words
from hil.calibration import KINDS, Kind
from ui.dashboard.bench import two_digits
from ui.dashboard.calibrate.model import CalibrateModel
from ui.dashboard.calibrate.setup import Entry
from ui.dashboard.calibrate.tables import plan_html
from ui.dashboard.calibrate.words import largest_u95, law_choices, spring_rows
from ui.dashboard.widgets import ChoiceBox, KeyButton, Sizes, Theme


class SetupForm(QWidget):
    """Set-up fields; one that cannot be used is marked and named."""

    def __init__(self, calibrating: CalibrateModel, theme: Theme, sizes: Sizes) -> None:
        super().__init__()
        self.calibrating = calibrating
        setup = calibrating.setup
        px = sizes.px
        self.fields: dict[str, QLineEdit] = {}
        grid = QGridLayout()
        grid.setHorizontalSpacing(px(8))
        grid.setVerticalSpacing(px(5))
        grid.setColumnStretch(1, 1)
        self.loads = LawBox(theme, sizes)
        self.loads.setAccessibleName("Loads")
        self.loads.setToolTip("Up and Down choose")
        self.loads.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        for kind in setup.kinds:
            self.loads.addItem(in_words(KINDS[kind]), kind)
        self.loads.currentIndexChanged.connect(lambda _row: self.choose(self.loads.currentData()))
        grid.addWidget(QLabel("Loads"), 0, 0)
        grid.addWidget(self.loads, 0, 1, 1, 2)
        self.rows: dict[str, list[QWidget]] = {}
        row = self._lines(grid, 1, list(setup.entries.values()))
        self.sweep = _check("Sensor law, output clamped", setup.sweep, theme, sizes)
        self.sweep.toggled.connect(lambda on: setattr(setup, "sweep", on))
        self.falling = _check("Loads falling as well", setup.falling, theme, sizes)
        self.falling.toggled.connect(lambda on: setattr(setup, "falling", on))
        self.pull = _check("Pull on the load cell as well", setup.pull, theme, sizes)
        self.pull.toggled.connect(lambda on: setattr(setup, "pull", on))
        for box in (self.sweep, self.falling, self.pull):
            grid.addWidget(box, row, 0, 1, 3)
            row += 1
        self.facts = _words(setup.facts)
        grid.addWidget(self.facts, row, 0, 1, 3)
        grid.addWidget(_words("Standard uncertainty of"), row + 1, 0, 1, 3)
        self._lines(grid, row + 2, list(setup.accuracies.values()))
        inner = QWidget()
        inner.setObjectName("fields")
        column = QVBoxLayout(inner)
        column.setContentsMargins(0, 0, px(6), 0)
        column.addLayout(grid)
        column.addStretch(1)
        scroll = QScrollArea()
        scroll.setWidgetResizable(True)
        scroll.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        scroll.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        scroll.setStyleSheet("QScrollArea { background: transparent; border: none; }")
        scroll.setWidget(inner)
        scroll.viewport().setAutoFillBackground(False)
        inner.setAutoFillBackground(False)
        self.scroll_area = scroll
        for field in (self.loads, *self.fields.values()):
            # Tab brings a field into view.
            field.installEventFilter(self)
        self.wrong = QLabel()
        self.wrong.setObjectName("warning")
        self.wrong.setWordWrap(True)
        whole = QVBoxLayout(self)
        whole.setContentsMargins(0, 0, 0, 0)
        whole.setSpacing(px(6))
        whole.addWidget(scroll, 1)
        whole.addWidget(self.wrong)
        self.refresh()

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        if event.type() == event.Type.FocusIn and isinstance(watched, QWidget):
            self.scroll_area.ensureWidgetVisible(watched)
        return False

    def _lines(self, grid: QGridLayout, row: int, entries: list[Entry]) -> int:
        for entry in entries:
            label = QLabel(entry.label)
            field = QLineEdit(entry.text)
            field.setMinimumWidth(1)
            field.setAccessibleName(f"{entry.label} {entry.unit}".strip())
            field.setPlaceholderText(entry.hint)
            field.setToolTip(entry.hint)
            field.textEdited.connect(lambda text, key=entry.key: self.typed(key, text))
            label.setBuddy(field)
            self.fields[entry.key] = field
            self.rows[entry.key] = [label, field]
            grid.addWidget(label, row, 0)
            if entry.unit:
                unit = QLabel(entry.unit)
                self.rows[entry.key].append(unit)
                grid.addWidget(field, row, 1)
                grid.addWidget(unit, row, 2)
            else:
                grid.addWidget(field, row, 1, 1, 2)
            row += 1
        return row

    def typed(self, key: str, text: str) -> None:
        self.calibrating.setup.type(key, text)
        self.refresh()

    def choose(self, kind: Kind) -> None:
        """Choose loads of this kind."""
        self.calibrating.setup.kind = kind
        self.refresh()

    def refresh(self) -> None:
        setup = self.calibrating.setup
        for key, widgets in self.rows.items():
            for widget in widgets:
                widget.setVisible(setup.wanted(key))
        self.pull.setVisible(setup.kind == "cell")
        self.facts.setVisible(setup.kind != "cell")
        problem = setup.problem
        self.wrong.setText(str(problem) if problem else "")
        self.wrong.setVisible(problem is not None)
        for key, field in self.fields.items():
            wrong = problem is not None and problem.key == key
            if field.property("wrong") != wrong:
                field.setProperty("wrong", wrong)
                field.style().unpolish(field)
                field.style().polish(field)


class PlanView(QLabel):
    """Loads of the series under way."""

    def __init__(self, calibrating: CalibrateModel, theme: Theme, sizes: Sizes) -> None:
        super().__init__()
        self.calibrating, self.theme = calibrating, theme
        self.setTextFormat(Qt.TextFormat.RichText)
        self.setAlignment(Qt.AlignmentFlag.AlignTop)
        self.setWordWrap(True)
        self.setStyleSheet(f"font-size: {max(sizes.head_pt, 0.75 * sizes.figure_pt)}pt")
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Ignored)
        self._shown = ""

    def refresh(self) -> None:
        text = plan_html(self.calibrating, self.theme)
        if text != self._shown:
            self._shown = text
            self.setText(text)


class LawBox(ChoiceBox):
    """Box in which up and down choose; letters are keys of the page, not a search."""

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() in (Qt.Key.Key_Up, Qt.Key.Key_Down, Qt.Key.Key_Space):
            super().keyPressEvent(event)
        else:
            event.ignore()


class OutcomeView(QWidget):
    """The law, which may be overruled; its uncertainty; accept, keep as evidence, discard."""

    def __init__(
        self, calibrating: CalibrateModel, theme: Theme, sizes: Sizes, renew: Callable[[], None]
    ) -> None:
        super().__init__()
        self.calibrating, self.theme = calibrating, theme
        px = sizes.px
        head = QLabel("Force law")
        head.setObjectName("head")
        self.law = LawBox(theme, sizes)
        self.law.setAccessibleName("Force law")
        self.law.setToolTip("The comma key chooses the next one")
        self.law.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        self.law.activated.connect(lambda row: calibrating.choose_law(self.law.itemData(row)))
        self.next = KeyButton("Next law", "other", theme)
        self.next.clicked.connect(self.next_law)
        self.band = QLabel()
        self.band.setStyleSheet(f"font-size: {sizes.large_pt}pt; font-weight: 700")
        self.band_note = QLabel("k = 2, the worst over the loads hung")
        self.band_note.setObjectName("quiet")
        self.band_note.setWordWrap(True)
        self.words = QLabel()
        self.words.setTextFormat(Qt.TextFormat.RichText)
        self.words.setWordWrap(True)
        self.why = QLabel()
        self.why.setObjectName("warning")
        self.why.setWordWrap(True)
        self.accept = KeyButton("Accept: file it and use it now", "accept", theme)
        self.accept.setObjectName("apply")
        self.keep = KeyButton("Keep as evidence", "keep", theme)
        self.keep.setToolTip("Filed with its samples and certificate; not used")
        self.discard = KeyButton("Discard", "discard", theme)

        def doing(act: Callable[[], None]) -> Callable[..., None]:
            def do(*_: object) -> None:
                act()
                renew()

            return do

        self.accept.clicked.connect(doing(calibrating.accept))
        self.keep.clicked.connect(doing(calibrating.keep_as_evidence))
        self.discard.clicked.connect(doing(calibrating.discard))
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(px(7))
        for widget in (head, self.law, self.next, self.band, self.band_note, self.words):
            column.addWidget(widget)
        column.addStretch(1)
        for widget in (self.why, self.accept, self.keep, self.discard):
            column.addWidget(widget)

    def next_law(self) -> None:
        calibrating = self.calibrating
        if calibrating.result is None:
            return
        laws = [law for law, _ in law_choices(calibrating)]
        calibrating.choose_law(laws[(laws.index(calibrating.law) + 1) % len(laws)])

    def refresh(self) -> None:
        calibrating = self.calibrating
        result = calibrating.result
        if result is None:
            return
        choices = law_choices(calibrating)
        if [(self.law.itemData(i), self.law.itemText(i)) for i in range(self.law.count())] != (
            choices
        ):
            self.law.clear()
            for law, words in choices:
                self.law.addItem(words, law)
        place = [law for law, _ in choices].index(calibrating.law)
        if self.law.currentIndex() != place and not self.law.view().isVisible():
            self.law.setCurrentIndex(place)
        some = result.calibration is not None
        self.band.setText(
            f"± {two_digits(FORCE(largest_u95(result)))}{FORCE}" if some else "no law"
        )
        self.band_note.setVisible(some)
        rows = spring_rows(result.calibration, result.u_knee_m) if result.calibration else []
        quiet = self.theme.quiet
        self.words.setText(
            "<br>".join(
                f'<span style="color:{quiet}">{name}</span>&nbsp; {value}' for name, value in rows
            )
        )
        why = calibrating.why_not_accept
        self.why.setText(f"Cannot be accepted: {why}" if why else "")
        self.why.setVisible(bool(why))
        self.accept.setEnabled(not why)
        self.keep.setEnabled(some and not calibrating.busy)
        self.discard.setEnabled(not calibrating.busy)
        self.law.setEnabled(some and not calibrating.busy)
        self.next.setEnabled(some and not calibrating.busy)


def _words(text: str) -> QLabel:
    label = QLabel(text)
    label.setObjectName("quiet")
    label.setWordWrap(True)
    return label


def _check(text: str, on: bool, theme: Theme, sizes: Sizes) -> QCheckBox:
    box = QCheckBox(text)
    box.setChecked(on)
    side = sizes.px(14)
    box.setStyleSheet(
        f"QCheckBox {{ spacing: {sizes.px(7)}px; }}"
        f"QCheckBox::indicator {{ width: {side}px; height: {side}px; border: 1px solid "
        f"{theme.quiet}; background: {theme.raised}; }}"
        f"QCheckBox::indicator:checked {{ background: {theme.ink}; border: {sizes.px(3)}px solid "
        f"{theme.raised}; outline: 1px solid {theme.ink}; }}"
        f"QCheckBox:focus {{ color: {theme.accent}; }}"
    )
    return box
