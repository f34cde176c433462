"""The behaviour deck: choose, set, apply. Nothing acts on the rig before Apply."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import Qt
from PySide6.QtWidgets import (
    QButtonGroup,
    QFrame,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QScrollArea,
    QVBoxLayout,
    QWidget,
)

from drivers.motion import FORCE, LENGTH
from hil.core import CONFIRM_LOAD_MOTION, Behaviour
from ui.dashboard.bench import EntryError, OperateModel, limited_words
from ui.dashboard.operate.behaviour_rows import BehaviourButton, ChoiceRow, FieldRow
from ui.dashboard.operate.wave_preview import WavePreview
from ui.dashboard.widgets import KeyButton, Sizes, StatusLabel, Theme


class BehaviourDeck(QWidget):
    """Five behaviours, the chosen one's settings, Apply and its outcome.

    Attributes:
        head: title row, with room for widgets of the page.

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
        self.follow_button.setToolTip("Send every change at once while this behaviour is active")
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
        """Show the settings of behaviour ``number`` (1 to 5), without acting on the rig."""
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
            unit = (FORCE if form.choice("of") == "force" else LENGTH).unit
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
        """Return the first entry that cannot be used, as text."""
        return next((row.wrong for row in self.rows if row.wrong), "")

    @property
    def asking(self) -> bool:
        """True if the bench needs confirmation that the load may move."""
        return self.model.refusal.endswith(CONFIRM_LOAD_MOTION)

    def let_move(self) -> None:
        """Apply again: the operator has confirmed that the load may move to an end."""
        if self.asking:
            self._request(load_may_move=True)

    def leave_it(self) -> None:
        """Apply nothing; the active behaviour continues."""
        if self.asking:
            self.model.refusal = ""
            self.refresh()

    def apply(self) -> None:
        """Request the chosen behaviour as set; the deck shows why if it cannot."""
        if not self.asking:  # Enter twice is not an answer to a question
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
                    # Typing is finished: digits choose behaviours again.
                    self.buttons[self.model.chosen - 1].setFocus()
        self.refresh()

    def follow(self) -> None:
        """Send the last change if follow is on; called once a frame."""
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
            text, kind = f"{motion} Keep clear. Let it move?", "warning"
        elif model.refusal:
            text, kind = model.refusal, "warning"
        elif self.wrong():
            text, kind = self.wrong(), "warning"
        elif model.limited and model.powered:
            text, kind = f"Limited by {limited_words(model)}", "warning"
        elif why_not:
            text, kind = model.sentence(why_not), "quiet"
        elif model.follow:
            text, kind = "Following: every change acts at once", "warning"
        else:
            text, kind = "Nothing acts before Apply", "quiet"
        self.message.say(text, kind == "warning")
