"""The panel of sequences on the Operate page, in place of the behaviour deck."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import Qt
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QHBoxLayout, QLabel, QListWidget, QSizePolicy, QVBoxLayout, QWidget

from ui.dashboard.guided import Question
from ui.dashboard.operate.axes_steps_list import AxesStepsList
from ui.dashboard.operate.sequence_model import MOST_TIMES, SequenceModel
from ui.dashboard.operate.setpoint_preview import SetpointPreview
from ui.dashboard.widgets import CountBox, KeyButton, Sizes, StatusLabel, Theme


class PickList(QListWidget):
    """A list that leaves letters to the page; Qt would search the list with them."""

    MOVES = (Qt.Key.Key_Up, Qt.Key.Key_Down, Qt.Key.Key_Home, Qt.Key.Key_End, Qt.Key.Key_Tab)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() in self.MOVES:
            super().keyPressEvent(event)
        else:
            event.ignore()


class SequencePanel(QWidget):
    """Mirror of the sequence model; ``back`` returns to the deck."""

    def __init__(
        self,
        sequences: SequenceModel,
        theme: Theme,
        sizes: Sizes,
        back: Callable[[], None],
        edit: Callable[[], None],
    ) -> None:
        super().__init__()
        self.sequences = sequences
        self._read: Question | None = None  # as the person reads it
        px = sizes.px
        self.list = PickList()
        self.list.setAccessibleName("Sequences")
        self.list.setMinimumHeight(px(90))
        self.list.currentRowChanged.connect(sequences.pick)
        self.steps = AxesStepsList(px)
        self.preview = SetpointPreview(sequences.model.profile, theme, sizes)
        self.note = self._wrapped("said", "warning")
        self.status = self._wrapped("figure", "warning")
        self.outcome = self._wrapped("quiet", "warning")
        self.begin_button = KeyButton("Begin", "begin", theme)
        self.begin_button.setObjectName("apply")
        self.begin_button.clicked.connect(sequences.begin)
        self.pause_button = KeyButton("Pause", "pause", theme)
        self.pause_button.setToolTip("at the next safe point, holding the position")
        self.pause_button.clicked.connect(sequences.pause)
        self.step_button = KeyButton("Step", "one", theme)
        self.step_button.setToolTip("continue to the next safe point")
        self.step_button.clicked.connect(sequences.step)
        self.abort_button = KeyButton("Abort", "end", theme)
        self.abort_button.clicked.connect(lambda: sequences.abort())
        self.times = CountBox(theme, sizes)
        self.times.setRange(1, MOST_TIMES)
        self.times.setSuffix(" ×")
        self.times.setAccessibleName("Times it is performed")
        self.times.setValue(sequences.times)
        self.times.valueChanged.connect(self._set_times)
        self.yes = KeyButton("Yes", "yes", theme)
        self.yes.clicked.connect(lambda: sequences.answer(True, self._read))
        self.no = KeyButton("No", "no", theme)
        self.no.clicked.connect(lambda: sequences.answer(False, self._read))
        self.take_button = KeyButton("Teach", "teach", theme)
        self.take_button.setCheckable(True)
        self.take_button.setToolTip("what you do becomes a sequence file")
        self.take_button.clicked.connect(self._toggle_take)
        self.back_button = KeyButton("Behaviours", "sequences", theme)
        self.back_button.clicked.connect(back)

        self.edit_button = KeyButton("Edit", "edit", theme)
        self.edit_button.clicked.connect(edit)
        head = self._row(px, self.edit_button, None, self.back_button)
        column = QVBoxLayout(self)
        column.setContentsMargins(px(14), px(10), px(14), px(8))
        column.setSpacing(px(7))
        column.addLayout(head)
        column.addWidget(self.list, 2)
        column.addWidget(self.note)
        column.addWidget(self.steps, 3)
        column.addWidget(self.preview, 3)
        column.addWidget(self.status)
        column.addWidget(self.outcome)
        column.addLayout(self._row(px, self.no, self.yes))
        column.addLayout(self._row(px, self.times, self.begin_button))
        column.addLayout(self._row(px, self.pause_button, self.step_button))
        column.addLayout(self._row(px, self.abort_button, self.take_button))

    def _row(self, px: Callable[[float], int], *widgets: QWidget | None) -> QHBoxLayout:
        row = QHBoxLayout()
        row.setSpacing(px(6))
        for widget in widgets:
            if widget is None:
                row.addStretch(1)
            else:
                row.addWidget(widget, 0 if isinstance(widget, QLabel) else 1)
        return row

    def _wrapped(self, calm: str, alarming: str) -> StatusLabel:
        label = StatusLabel(calm, alarming, wrap=True)
        label.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Minimum)
        return label

    def keys(self) -> dict[str, Callable[[], object]]:
        """Return the keys by name while the panel is shown."""
        acts: dict[str, Callable[[], object]] = {
            "begin": self.begin_button.click,
            "pause": self.pause_button.click,
            "one": self.step_button.click,
            "end": self.abort_button.click,
            "teach": self.take_button.click,
        }
        if self.sequences.question is not None:
            acts |= {"yes": self.yes.click, "no": self.no.click}
        return acts

    def open(self) -> None:
        """Reread the folder, and focus the list."""
        sequences = self.sequences
        if not sequences.running:
            sequences.renew()
        self._fill()
        self.list.setFocus(Qt.FocusReason.ShortcutFocusReason)

    def _fill(self) -> None:
        self.list.blockSignals(True)
        self.list.clear()
        self.list.addItems(self.sequences.names)
        self.list.setCurrentRow(self.sequences.chosen)
        self.list.blockSignals(False)

    def _set_times(self, times: int) -> None:
        self.sequences.times = times

    def _toggle_take(self) -> None:
        self.sequences.toggle_take()
        if self.sequences.taken is None:
            self.open()
        self.refresh()

    def refresh(self) -> None:
        sequences = self.sequences
        running, held = sequences.running, sequences.held
        why_not = sequences.why_not_begin
        question = self._read = sequences.question
        # While it runs its notes need the room.
        self.list.setVisible(not (running and (sequences.note or sequences.joint)))
        if self.list.currentRow() != sequences.chosen:  # picked, or dropped, on another axis
            self._fill()
        self.steps.show_plan(sequences.joint, sequences.pacing.number if running else 0)
        self.list.setEnabled(not running)
        self.note.say(sequences.note, False)
        # The steps of all axes need the room of the description.
        self.note.setVisible(bool(sequences.note) and (running or sequences.joint is None))
        self.steps.setToolTip(sequences.note if sequences.joint is not None else "")
        self.times.setEnabled(not running)
        self.begin_button.setText("Continue" if running and held else "Begin")
        self.begin_button.setEnabled(held if running else not why_not)
        self.pause_button.setEnabled(running and not held)
        self.step_button.setEnabled(running)
        self.abort_button.setEnabled(running)
        self.take_button.setEnabled(not sequences.why_not_take)
        self.take_button.setChecked(sequences.taken is not None)
        self.take_button.setText("End and write" if sequences.taken is not None else "Teach")
        for button in (self.no, self.yes):
            button.setVisible(question is not None)
        if question is not None:
            self.status.say(sequences.question_text, True)
        elif sequences.taken is not None:
            count = sequences.taken.count
            self.status.say(f"Teaching: {count} steps so far", True)
        else:
            self.status.say(sequences.words, bool(sequences.problem))
        if sequences.text:
            self.outcome.say(sequences.text, sequences.wrong)
        elif why_not and not running and sequences.sequence is not None:
            self.outcome.say(sequences.model.sentence(why_not), False)
        else:
            self.outcome.say("", False)
        self.preview.show_plan(sequences.plan, sequences.at_s if running else None)
