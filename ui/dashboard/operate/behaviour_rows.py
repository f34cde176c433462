"""Rows of the behaviour deck: a behaviour, a number, a choice."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import (
    QButtonGroup,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from drivers.motion import DAMPING
from ui.dashboard.bench import BehaviourForm, Choice, EntryError, Field
from ui.dashboard.operate.field_slider import FieldSlider
from ui.dashboard.widgets import Sizes, Theme


class BehaviourButton(QPushButton):
    """One line: the key, the name, and the hint or ``active``."""

    def __init__(self, form: BehaviourForm, theme: Theme, sizes: Sizes) -> None:
        super().__init__()
        self.form = form
        self.theme, self.sizes = theme, sizes
        self.acting = False
        self.setCheckable(True)
        self.setAccessibleName(f"{form.number} {form.name}, {form.hint}")
        self.setAccessibleDescription(form.note)
        self.setToolTip(form.note)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)

    def sizeHint(self) -> QSize:
        return QSize(self.sizes.px(220), max(self.sizes.px(35), 29))

    minimumSizeHint = sizeHint

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        theme, px = self.theme, self.sizes.px
        chosen = self.isChecked()
        ground, ink = (theme.ink, theme.ground) if chosen else (theme.raised, theme.ink)
        quiet = theme.ground if chosen else theme.quiet
        rect = QRectF(self.rect()).adjusted(1, 1, -1, -1)
        focus = self.hasFocus()
        painter.setPen(QPen(QColor(theme.accent if focus else theme.rule), 3 if focus else 1))
        painter.setBrush(QColor(ground))
        painter.drawRoundedRect(rect, px(4), px(4))
        if self.acting:
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(QColor(theme.setpoint))
            painter.drawRect(QRectF(rect.left() + 1, rect.top() + 3, px(5), rect.height() - 6))
        font = QFont(self.font())
        font.setPointSizeF(self.sizes.text_pt)
        bold = QFont(font)
        bold.setWeight(QFont.Weight.DemiBold)
        metrics = QFontMetricsF(bold)
        base = self.height() / 2 + metrics.capHeight() / 2
        x = rect.left() + px(14)
        painter.setFont(font)
        painter.setPen(QColor(quiet))
        painter.drawText(QPointF(x, base), str(self.form.number))
        x += px(20)
        painter.setFont(bold)
        painter.setPen(QColor(ink))
        painter.drawText(QPointF(x, base), self.form.name)
        x += metrics.horizontalAdvance(self.form.name) + px(12)
        hint = "active" if self.acting else self.form.hint
        painter.setFont(bold if self.acting else font)
        painter.setPen(QColor(ink if self.acting else quiet))
        room = rect.right() - px(10) - x
        small = QFontMetricsF(painter.font())
        if small.horizontalAdvance(hint) <= room:
            at = rect.right() - px(10) - small.horizontalAdvance(hint)
            painter.drawText(QPointF(at, base), hint)
        painter.end()


class FieldRow(QWidget):
    """Label, number with unit, slider. ``changed`` is called when the value is set."""

    def __init__(
        self, field: Field, theme: Theme, sizes: Sizes, changed: Callable[[], None]
    ) -> None:
        super().__init__()
        self.field = field
        self.changed = changed
        self.wrong = ""
        text_font = QFont(self.font())
        text_font.setPointSizeF(sizes.text_pt)
        self.label = QLabel(field.label)
        self.entry = QLineEdit(field.shown())
        self.entry.setAlignment(Qt.AlignmentFlag.AlignRight)
        self.entry.setAccessibleName(f"{field.label} in {field.unit}")
        self.entry.textEdited.connect(self._typed)
        self.entry.editingFinished.connect(self._finished)
        digits = QFontMetricsF(text_font).horizontalAdvance("−000.00")
        self.entry.setFixedWidth(round(digits) + sizes.px(18))
        self.label.setBuddy(self.entry)
        unit = QLabel(field.unit)
        unit.setObjectName("quiet")
        unit.setFixedWidth(round(QFontMetricsF(text_font).horizontalAdvance(DAMPING.unit)) + 2)
        self.slider = FieldSlider(field, theme, sizes)
        self.slider.moved.connect(self._slid)
        top = QHBoxLayout()
        top.setSpacing(sizes.px(6))
        top.addWidget(self.label, 1)
        top.addWidget(self.entry)
        top.addWidget(unit)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(sizes.px(2))
        column.addLayout(top)
        column.addWidget(self.slider)

    def _mark(self, wrong: str) -> None:
        self.wrong = wrong
        self.entry.setProperty("wrong", bool(wrong))
        self.entry.style().unpolish(self.entry)
        self.entry.style().polish(self.entry)

    def _typed(self, text: str) -> None:
        try:
            self.field.value = self.field.parse(text)
            self.field.touched = True
        except EntryError as error:
            self._mark(str(error))
        else:
            self._mark("")
            self.slider.update()
        self.changed()

    def _finished(self) -> None:
        if not self.wrong:
            self.entry.setText(self.field.shown())

    def _slid(self) -> None:
        self.field.touched = True
        self._mark("")
        self.entry.setText(self.field.shown())
        self.changed()


class ChoiceRow(QWidget):
    """A row of options, one of them chosen."""

    def __init__(self, choice: Choice, sizes: Sizes, changed: Callable[[], None]) -> None:
        super().__init__()
        self.choice = choice
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(sizes.px(3))
        self.group = QButtonGroup(self)
        self.buttons: dict[str, QPushButton] = {}
        for value, word in choice.options:
            button = QPushButton(word)
            button.setCheckable(True)
            button.setChecked(value == choice.value)
            button.setAccessibleName(f"{choice.label}: {word}")
            button.setStyleSheet(f"padding-left: {sizes.px(3)}px; padding-right: {sizes.px(3)}px")
            self.group.addButton(button)
            self.buttons[value] = button
            row.addWidget(button, 1)
        self.changed = changed
        self.group.buttonClicked.connect(self._clicked)

    def _clicked(self) -> None:
        self.choice.value = next(v for v, b in self.buttons.items() if b.isChecked())
        self.changed()
