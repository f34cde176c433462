"""The bottom edge of every page: state, cause of the last stop, STOP, power and reset."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPaintEvent
from PySide6.QtWidgets import (
    QHBoxLayout,
    QLabel,
    QPushButton,
    QSizePolicy,
    QStackedLayout,
    QVBoxLayout,
    QWidget,
)

from hil.core import State
from ui.dashboard.bench import OperateModel
from ui.dashboard.widgets import ElidedLabel, KeyButton, Sizes, StatusLabel, Theme

SENTENCE = (
    "A software stop is not a safety function: keep the hard-wired emergency stop within reach, "
    "and support the load before power is removed."
)


class StopButton(QPushButton):
    """Button that acts on press, not on release, which would come later."""

    def __init__(self, theme: Theme, sizes: Sizes) -> None:
        super().__init__("STOP")
        self.theme, self.sizes = theme, sizes
        self.setObjectName("stop")
        self.setAccessibleName("Stop")
        self.setAccessibleDescription("Stops the rig at once. Key Esc, from anywhere.")
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setAutoRepeat(False)

    def paintEvent(self, event: QPaintEvent) -> None:
        super().paintEvent(event)
        painter = QPainter(self)
        font = QFont(self.font())
        font.setPointSizeF(max(self.sizes.text_pt, 12 * self.sizes.scale))
        font.setBold(True)
        metrics = QFontMetricsF(font)
        painter.setFont(font)
        painter.setPen(QColor(self.theme.on_stop))
        edge = self.sizes.px(14)
        painter.drawText(
            round(self.width() - edge - metrics.horizontalAdvance("Esc")),
            round(self.height() - edge),
            "Esc",
        )
        painter.end()


class StopStrip(QWidget):
    """Mirror of the model's state, with the actions needed on every page.

    Args:
        stop, power_on, power_off, reset, take_control: what the buttons call.
    """

    def __init__(
        self,
        model: OperateModel,
        theme: Theme,
        sizes: Sizes,
        *,
        stop: Callable[[], None],
        power_on: Callable[[], None],
        power_off: Callable[[], None],
        reset: Callable[[], None],
        take_control: Callable[[], None],
    ) -> None:
        super().__init__()
        self.model = model
        self.theme = theme
        self._power_on = power_on
        self.setObjectName("strip")
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        px = sizes.px

        self.state = StatusLabel("state", "stopped")
        self.detail = ElidedLabel("plain")
        self.last = ElidedLabel()
        self.sentence = QLabel(SENTENCE)
        self.sentence.setObjectName("quiet")
        self.sentence.setWordWrap(True)
        self.sentence.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        words = QWidget()
        column = QVBoxLayout(words)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(px(1))
        column.addWidget(self.detail)
        column.addWidget(self.last)
        column.addWidget(self.sentence)

        question = QWidget()
        ask = QVBoxLayout(question)
        ask.setContentsMargins(0, 0, 0, 0)
        ask.setSpacing(px(3))
        self.load = QLabel(model.profile.stop.load)
        self.load.setWordWrap(True)
        self.load.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        self.no = KeyButton("Not yet", "no", theme)
        self.yes = KeyButton("Supported: power on", "yes", theme)
        self.no.clicked.connect(self.answer_no)
        self.yes.clicked.connect(self.answer_yes)
        answers = QHBoxLayout()
        answers.setSpacing(px(8))
        answers.addWidget(self.no)
        answers.addWidget(self.yes)
        answers.addStretch(1)
        ask.addWidget(self.load, 1)
        ask.addLayout(answers)

        # The state stays in sight while the question is open.
        self.question = QLabel("Is the load supported?")
        self.question.setObjectName("head")
        self.question.hide()
        self.kept = QLabel()
        self.word = ElidedLabel()
        self.word.setAccessibleName("Answer of the bench")
        top = QHBoxLayout()
        top.setSpacing(px(18))
        top.addWidget(self.state)
        top.addWidget(self.question)
        top.addWidget(self.kept)
        top.addWidget(self.word, 1)
        room = QWidget()  # without one, what is added would be a separate window for a moment
        self.stack = QStackedLayout(room)
        self.stack.addWidget(words)
        self.stack.addWidget(question)

        self.stop_button = StopButton(theme, sizes)
        self.stop_button.pressed.connect(stop)
        self.power = KeyButton("Power on", "power", theme)
        self.power.clicked.connect(self.power_pressed)
        self._power_off = power_off
        self.reset = KeyButton("Reset", "reset", theme)
        self.reset.clicked.connect(lambda: reset())
        self.control = KeyButton("Take control", "control", theme)
        self.control.clicked.connect(lambda: take_control())
        self._locked = False
        self.acts = QWidget()
        acts = QVBoxLayout(self.acts)
        acts.setContentsMargins(0, 0, 0, 0)
        acts.setSpacing(px(7))
        for button in (self.power, self.reset, self.control):
            button.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
            acts.addWidget(button)

        row = QHBoxLayout(self)
        row.setContentsMargins(px(22), px(8), px(20), px(8))
        row.setSpacing(px(22))
        left = QVBoxLayout()
        left.setSpacing(px(1))
        left.addLayout(top)
        left.addWidget(room, 1)
        row.addLayout(left, 55)
        row.addWidget(self.stop_button, 30)
        row.addWidget(self.acts, 15)
        self.setFixedHeight(max(px(142), 118))
        self.refresh()

    # ------------------------------------------------------------------ acts

    def power_pressed(self) -> None:
        """Power off at once; power on only after the question has been answered."""
        if self._locked:
            return
        if self.model.may_power_off:
            self._power_off()
        elif self.model.may_power_on:
            self._ask(True)
            self.no.setFocus()
        self.refresh()

    def lock(self, locked: bool) -> None:
        """Leave visitors only the stop, or restore the other controls."""
        self._locked = locked
        if locked:
            self._ask(False)
        self.acts.setVisible(not locked)
        self.refresh()

    @property
    def asking(self) -> bool:
        return self.stack.currentIndex() == 1

    def _ask(self, on: bool) -> None:
        self.stack.setCurrentIndex(1 if on else 0)
        self.question.setVisible(on)

    def answer_no(self) -> None:
        self._ask(False)
        self.power.setFocus()

    def answer_yes(self) -> None:
        if not self.asking:
            return
        self._ask(False)
        self.power.setFocus()
        if self.model.may_power_on:
            self._power_on()
        self.refresh()

    # ------------------------------------------------------------------ looks

    def refresh(self) -> None:
        model = self.model
        if self.asking and not model.may_power_on:
            self._ask(False)
        alarm = model.state is State.STOPPED or not model.link_well
        self.state.say(model.state_word, alarm)
        self.detail.say(model.state_detail)
        stopped = model.state is State.STOPPED and model.link_well
        self.kept.setText(f"Kept as run {model.kept_run}" if model.kept_run else "")
        self.kept.setVisible(stopped and bool(model.kept_run))
        if stopped and model.last_stop:
            self.last.say(model.last_stop_fix)
        else:
            self.last.say(model.last_stop_text)
        self.word.say(f"▲ {model.word.text}" if model.word.wrong else model.word.text)
        off = model.powered or model.energising
        self.power.setText("Power off" if off else "Power on")
        self.power.setEnabled(model.may_power_off or model.may_power_on)
        self.reset.setEnabled(model.may_reset)
        self.power.setToolTip(model.lock_reason)
        self.reset.setToolTip(model.lock_reason)
        self.control.setVisible(not model.in_control)
        self.control.setEnabled(model.holder is None and not model.watch_only and model.link_well)
