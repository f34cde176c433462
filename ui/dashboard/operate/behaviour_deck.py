"""The behaviour deck: choose, set, apply. Nothing acts on the rig before Apply."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import (
    QButtonGroup,
    QFrame,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QScrollArea,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from hil.core import CONFIRM_LOAD_MOTION, Behaviour
from ui.dashboard.bench import BehaviourForm, Choice, EntryError, Field, OperateModel, limited_words
from ui.dashboard.operate.field_slider import FieldSlider
from ui.dashboard.operate.wave_preview import WavePreview
from ui.dashboard.widgets import KeyButton, Sizes, StatusLabel, Theme


class BehaviourButton(QPushButton):
    """One line: the key, the name, and the hint or ``acting``."""

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
            painter.setBrush(QColor(theme.asked))
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
        hint = "acting" if self.acting else self.form.hint
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
        unit.setFixedWidth(round(QFontMetricsF(text_font).horizontalAdvance("N·s/mm")) + 2)
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
    """A row of words of which one holds."""

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


class BehaviourDeck(QWidget):
    """Five behaviours, the chosen one's settings, Apply and what came of it.

    Attributes:
        head: row of the title, with room for what the page puts beside it.

    Args:
        apply: called with the behaviour to request, and whether the load may move to an end.
    """

    def __init__(
        self,
        model: OperateModel,
        theme: Theme,
        sizes: Sizes,
        apply: Callable[[Behaviour, bool], None],
    ) -> None:
        super().__init__()
        self.model = model
        self.theme, self.sizes = theme, sizes
        self._apply = apply
        self._follow_due = False
        self._limits_seen = model.limits_changed
        self.rows: list[FieldRow] = []
        self.path: QLineEdit | None = None
        self.wave: WavePreview | None = None
        px = sizes.px

        title = QLabel("Behaviour")
        title.setObjectName("head")
        self.buttons: list[BehaviourButton] = []
        group = QButtonGroup(self)
        column = QVBoxLayout(self)
        column.setContentsMargins(px(14), px(8), px(14), px(8))
        column.setSpacing(px(5))
        self.head = QHBoxLayout()
        self.head.addWidget(title, 1)
        column.addLayout(self.head)
        for form in model.forms:
            button = BehaviourButton(form, theme, sizes)
            button.setChecked(form.number == model.chosen)
            group.addButton(button, form.number)
            button.clicked.connect(lambda _=False, n=form.number: self.choose(n))
            self.buttons.append(button)
            column.addWidget(button)
        self.fields = QWidget()
        self.fields.setObjectName("fields")
        self._field_column = QVBoxLayout(self.fields)
        self._field_column.setContentsMargins(0, px(6), px(2), 0)
        self._field_column.setSpacing(px(5))
        scroll = QScrollArea()
        scroll.setWidgetResizable(True)
        scroll.setFrameShape(QFrame.Shape.NoFrame)
        scroll.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        scroll.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        scroll.setWidget(self.fields)
        scroll.viewport().setAutoFillBackground(False)
        self.fields.setAutoFillBackground(False)
        self.scroll_area = scroll
        column.addWidget(scroll, 1)
        self.message = StatusLabel("quiet", "warning", wrap=True)
        column.addWidget(self.message)
        foot = QHBoxLayout()
        foot.setSpacing(px(6))
        self.apply_button = KeyButton("Apply", "enter", theme)
        self.apply_button.setObjectName("apply")
        self.apply_button.clicked.connect(self.apply)
        self.follow_button = KeyButton("Follow", "follow", theme)
        self.follow_button.setCheckable(True)
        self.follow_button.setToolTip("Send every change at once while this behaviour acts")
        self.follow_button.clicked.connect(self._follow_clicked)
        foot.addWidget(self.apply_button, 2)
        foot.addWidget(self.follow_button, 1)
        self.no_button = KeyButton("Leave it", "no", theme)
        self.no_button.clicked.connect(self.leave_it)
        self.yes_button = KeyButton("Let it move", "yes", theme)
        self.yes_button.clicked.connect(self.let_move)
        for answer in (self.no_button, self.yes_button):
            answer.hide()
            foot.addWidget(answer, 1)
        column.addLayout(foot)
        self._lay_fields()
        self.refresh()

    # ------------------------------------------------------------------ choosing and setting

    def choose(self, number: int) -> None:
        """Show the settings of behaviour ``number`` (1 to 5). Acts on nothing."""
        self.model.choose(number)
        self.buttons[number - 1].setChecked(True)
        self._lay_fields()
        self.refresh()

    def _lay_fields(self) -> None:
        column = self._field_column
        while (item := column.takeAt(0)) is not None:
            if (old := item.widget()) is not None:
                old.hide()
                old.deleteLater()
        form = self.model.form
        self.path = None
        for choice in form.choices:
            column.addWidget(ChoiceRow(choice, self.sizes, self._choice_changed))
        if form.choices and form.choice("shape") == "table":
            self.path = QLineEdit(form.path)
            unit = "N" if form.choice("of") == "force" else "mm"
            self.path.setPlaceholderText(f"path of a file: time in s, value in {unit}")
            self.path.setAccessibleName("Path of the waveform file")
            self.path.textEdited.connect(self._path_typed)
            column.addWidget(self.path)
        self.rows = [
            FieldRow(field, self.theme, self.sizes, self._changed) for field in form.visible()
        ]
        for row in self.rows:
            column.addWidget(row)
        self.wave = None
        if form.choices:
            self.wave = WavePreview(self.model.profile, self.theme, self.sizes)
            column.insertWidget(1 + len(form.choices) - 1, self.wave)
            self._show_wave()
        column.addStretch(1)

    def _show_wave(self) -> None:
        if self.wave is None:
            return
        try:
            self.wave.show_behaviour(self.model.form.build())
        except (EntryError, OSError):
            self.wave.show_behaviour(None)

    def _choice_changed(self) -> None:
        self.model.refusal = ""
        self._lay_fields()
        self.refresh()

    def _path_typed(self, text: str) -> None:
        self.model.form.path = text
        self._changed()

    def _changed(self) -> None:
        self.model.refusal = ""
        self._follow_due = self.model.follow
        self._show_wave()
        self.refresh()

    def _follow_clicked(self) -> None:
        self.model.follow = self.follow_button.isChecked()
        self.refresh()

    def toggle_follow(self) -> None:
        if self.follow_button.isEnabled():
            self.follow_button.setChecked(not self.follow_button.isChecked())
            self._follow_clicked()

    # ------------------------------------------------------------------ acting

    def wrong(self) -> str:
        """The first entry that cannot be used, in words."""
        return next((row.wrong for row in self.rows if row.wrong), "")

    @property
    def asking(self) -> bool:
        """True if the bench wants to know first if the load may move."""
        return self.model.refusal.endswith(CONFIRM_LOAD_MOTION)

    def let_move(self) -> None:
        """Apply once more, the operator having said that the load may move to an end."""
        if self.asking:
            self._request(load_may_move=True)

    def leave_it(self) -> None:
        """Apply nothing; what acts goes on."""
        if self.asking:
            self.model.refusal = ""
            self.refresh()

    def apply(self) -> None:
        """Ask for the chosen behaviour as set; says why not in the deck."""
        if not self.asking:  # Enter twice is no answer to a question
            self._request(load_may_move=False)

    def _request(self, load_may_move: bool) -> None:
        wrong = self.wrong() or self.model.why_not_apply
        if wrong:
            self.model.refusal = wrong
        else:
            try:
                behaviour = self.model.form.build()
            except EntryError as error:
                self.model.refusal = str(error)
            else:
                self.model.refusal = ""
                self._apply(behaviour, load_may_move)
                if isinstance(self.window().focusWidget(), QLineEdit):
                    # What was typed is done with: digits choose again.
                    self.buttons[self.model.chosen - 1].setFocus()
        self.refresh()

    def follow(self) -> None:
        """Called at the pace of the screen: sends the last change if follow is on."""
        acting = self.model.active_behaviour == self.model.form.code
        if self._follow_due and self.model.follow and acting and not self.wrong():
            self._follow_due = False
            self.apply()

    # ------------------------------------------------------------------ looks

    def refresh(self) -> None:
        model = self.model
        if model.limits_changed != self._limits_seen:
            self._limits_seen = model.limits_changed
            self._lay_fields()
        active = model.active_behaviour
        for button in self.buttons:
            acting = button.form.code == active
            if acting != button.acting:
                button.acting = acting
                button.update()
        why_not = model.why_not_apply
        if why_not and self.asking:
            model.refusal = ""
        asking = self.asking
        for act in (self.apply_button, self.follow_button):
            act.setVisible(not asking)
        for answer in (self.no_button, self.yes_button):
            answer.setVisible(asking)
        self.apply_button.setEnabled(not why_not)
        may_follow = not why_not and active == model.form.code
        self.follow_button.setEnabled(may_follow)
        if not may_follow:
            model.follow = False
        self.follow_button.setChecked(model.follow)
        if asking:
            motion = model.refusal.removesuffix(CONFIRM_LOAD_MOTION).strip()
            text, kind = f"{motion} Keep clear. Let it?", "warning"
        elif model.refusal:
            text, kind = model.refusal, "warning"
        elif self.wrong():
            text, kind = self.wrong(), "warning"
        elif model.limited and model.powered:
            text, kind = f"Limited by {limited_words(model)}", "warning"
        elif why_not:
            text, kind = why_not[0].upper() + why_not[1:], "quiet"
        elif model.follow:
            text, kind = "Following: every change acts at once", "warning"
        else:
            text, kind = "Nothing acts before Apply", "quiet"
        self.message.say(text, kind == "warning")
