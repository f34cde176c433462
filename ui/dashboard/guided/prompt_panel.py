"""Prompt to the person at the rig, in large text, and the ways to answer."""

from __future__ import annotations

import math
from typing import Protocol

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QHBoxLayout, QLabel, QSizePolicy, QVBoxLayout

from ui.dashboard.bench import OperateModel
from ui.dashboard.guided.hand_picture import HandPicture
from ui.dashboard.guided.page_operator import Question
from ui.dashboard.guided.ready_to_begin import why_not_words
from ui.dashboard.guided.typed_number import typed_number
from ui.dashboard.widgets import HoldButton, KeyButton, PromptFrame, Sizes, Theme

MOST_OPTIONS = 6
CANNOT = {"act": "Cannot do it", "read": "Cannot read", "hold": "Not now", "confirm": "Leave it"}
DONE = {"act": "Done", "read": "Enter it", "confirm": "Write it"}


class Asking(Protocol):
    """View model of a page that prompts.

    Attributes:
        model: model of the window.
        alone: simulated hands answer by themselves.
        note: latest note of what runs. message, wrong: text while nothing runs, and whether it is
            bad news.
    """

    model: OperateModel
    alone: bool
    note: str
    message: str
    wrong: bool

    @property
    def running(self) -> bool: ...
    @property
    def question(self) -> Question | None: ...
    @property
    def hold_text(self) -> str: ...
    @property
    def holding(self) -> bool: ...
    @property
    def doing(self) -> str: ...
    @property
    def record_text(self) -> str:
        """Place of the record that ``message`` is about."""

    @property
    def why_not_begin(self) -> str: ...

    def answer(self, value: float | str | bool) -> None: ...
    def grip(self) -> None: ...
    def let_go(self) -> None: ...


class PromptPanel(PromptFrame):
    """Mirror of the model's question. Enter is the answer that continues, X the one that does not.

    Args:
        idle: text while nothing runs, no message is shown and it can begin.
    """

    def __init__(self, asking: Asking, theme: Theme, sizes: Sizes, idle: str) -> None:
        points = (
            0.8 * sizes.large_pt,
            sizes.state_pt,
            sizes.figure_pt,
            sizes.head_pt,
            sizes.text_pt,
        )
        super().__init__(theme, sizes, QLabel(), points)
        self.asking = asking
        self._idle = idle
        px = sizes.px
        # A long path must not widen the window.
        self.head.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        self.text.setWordWrap(True)
        # As tall as there is room: a prompt must not shift the evidence.
        self.text.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Ignored)
        self.hold = HoldButton(theme, sizes, asking.grip, asking.let_go)
        self.entry.setMaximumWidth(px(170))
        self.options = []
        for number in range(MOST_OPTIONS):
            button = KeyButton("", str(number + 1), theme)
            button.clicked.connect(lambda _=False, n=number: self.choose(n))
            self.options.append(button)
        row = self._answers(*self.options)
        row.addWidget(self.wrong)
        row.addStretch(1)
        words = QVBoxLayout()
        words.setSpacing(px(6))
        words.addWidget(self.head)
        words.addWidget(self.text, 1)
        words.addLayout(row)
        self.picture = HandPicture(asking.model.profile.rig, theme, sizes)
        beside = QHBoxLayout()
        beside.setSpacing(px(14))
        beside.addLayout(words, 1)
        beside.addWidget(self.picture)
        column = QVBoxLayout(self)
        column.setContentsMargins(px(16), px(8), px(16), px(10))
        column.setSpacing(px(6))
        column.addLayout(beside, 1)
        column.addWidget(self.hold)
        self._asked: Question | None = None
        self._ask(None, False)
        self.refresh()

    # ------------------------------------------------------------------ acts

    def accept(self) -> None:
        """Answer that it is done, or with the number in the field."""
        question = self._shown_question
        if question is None:
            return
        if question.kind in ("act", "confirm"):
            self.asking.answer(True)
        elif question.kind == "read":
            self._read(question)

    def refuse(self) -> None:
        question = self._shown_question
        if question is not None and question.kind in CANNOT:
            self.asking.answer(math.nan if question.kind == "read" else False)

    def choose(self, number: int) -> None:
        question = self._shown_question
        if question is not None and number < len(question.options):
            self.asking.answer(question.options[number])

    @property
    def _shown_question(self) -> Question | None:
        """Question asked, if it is shown: a key pressed twice must not answer the next one."""
        return self._asked if self._asked is self.asking.question else None

    def _read(self, question: Question) -> None:
        try:
            self.asking.answer(typed_number(question, self.entry.text()))
        except ValueError as error:
            self.mark(str(error))

    # ------------------------------------------------------------------ looks

    def refresh(self) -> None:
        asking = self.asking
        question = asking.question
        wanted = bool(asking.hold_text)
        if wanted:
            acts = asking.holding
            self.hold.show_as(
                "Held: release to stop"
                if acts
                else "Release, then hold again  (Space or mouse)"
                if self.hold.held
                else "Hold to run  (Space or mouse)",
                acts,
            )
        if wanted and not self.hold.isVisibleTo(self):
            self.hold.show()
            self.hold.setFocus()
        elif not wanted and self.hold.isVisibleTo(self):
            self.hold.hide()
        head, text, warn = self._words(question)
        self.head.setText(head)
        if question is not self._asked:
            self._asked = question
            self._ask(question, wanted)
        self.say(text, question is not None, warn)

    def _words(self, question: Question | None) -> tuple[str, str, bool]:
        """Return head line, large text, and whether it is bad news."""
        asking = self.asking
        if question is not None:
            by = " (simulated hands answer)" if asking.alone and asking.running else ""
            if not by and math.isfinite(question.suggestion):
                by = " (filled in: what simulated eyes read)"
            heads = {
                "act": "Do this now",
                "read": "Read this off",
                "choose": "Answer this",
                "hold": "Hold the hold-to-run control",
                "let_go": "Release now",
                "confirm": "Answer this",
            }
            return heads[question.kind] + by, question.text, False
        if asking.running:
            if asking.hold_text:
                return "Runs only while you hold", asking.hold_text, False
            if asking.doing:
                return "Being done by hand", asking.doing, False
            return "Nothing for you to do", asking.note or "Wait: it is measuring.", False
        if asking.message:
            return asking.record_text, asking.message, asking.wrong
        if asking.why_not_begin:
            return "Cannot begin yet", why_not_words(asking.model, asking.why_not_begin), False
        return "Nothing is running", self._idle, False

    def _ask(self, question: Question | None, hold_wanted: bool) -> None:
        self.picture.show_for(question)
        kind = question.kind if question else ""
        options = question.options if question else ()
        self.entry.setVisible(kind == "read")
        self.unit.setVisible(kind == "read")
        self.done.setVisible(kind in DONE)
        self.done.setText(DONE.get(kind, ""))
        self.cannot.setVisible(kind in CANNOT)
        self.cannot.setText(CANNOT.get(kind, ""))
        for number, button in enumerate(self.options):
            button.setVisible(number < len(options))
            button.setText(options[number] if number < len(options) else "")
        # While the hold-to-run control is required the focus stays on it: answers come by key.
        policy = Qt.FocusPolicy.NoFocus if hold_wanted else Qt.FocusPolicy.StrongFocus
        for widget in (self.done, self.cannot, *self.options):
            widget.setFocusPolicy(policy)
        self.mark("")
        if question is None:
            return
        if kind == "read":
            self.ask_number(question.suggestion, question.unit)
        if not hold_wanted and self.isVisible():
            {"read": self.entry, "choose": self.options[0]}.get(kind, self.done).setFocus()
