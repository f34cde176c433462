"""The Bring-up page: the steps, what is to be done now, and what was found."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from PySide6.QtCore import Qt
from PySide6.QtWidgets import (
    QComboBox,
    QHBoxLayout,
    QLabel,
    QSizePolicy,
    QTextBrowser,
    QVBoxLayout,
    QWidget,
)

from hil.bringup import Step
from ui.dashboard.bench import Page, PageContext
from ui.dashboard.bringup.evidence import evidence_html
from ui.dashboard.bringup.model import BringUpModel
from ui.dashboard.bringup.step_list import WORDS, StepList
from ui.dashboard.guided import MOST_OPTIONS, RUNNING, EvidencePlot, PromptPanel, live_plots
from ui.dashboard.widgets import KeyButton, Sizes, Slice, Theme, combo_style

IDLE = (
    "Begin (G) goes through the steps in order. Nothing is energised before what it relies on is "
    "verified, and nothing moves unless you hold the hold-to-run control."
)
LIVE_EVERY = 3  # of the renewals of words
# Heights of what is to be done and of the evidence: while it runs, and once it has ended.
RUNNING_HEIGHTS, BAD_HEIGHTS, GOOD_HEIGHTS = (10, 11), (8, 13), (5, 16)


class BringUpPage(Page):
    """Steps on the left; the step's words, what is asked and the evidence on the right."""

    def __init__(self, place: PageContext) -> None:
        super().__init__()
        self.bringup: BringUpModel = place.view
        self.theme, self.sizes = place.theme, place.sizes
        px = self.sizes.px
        self.steps = StepList(self.bringup, self.theme, self.sizes, self.look_at)
        self.ask = PromptPanel(self.bringup, self.theme, self.sizes, IDLE)
        self.plot = EvidencePlot(self.theme, self.sizes)
        self.live = EvidencePlot(self.theme, self.sizes)  # beside it, while a step runs
        self.plot_number = 0
        self._shown: tuple[object, ...] = ()
        self._renewals = 0
        self._busy = False

        row = QHBoxLayout(self)
        row.setContentsMargins(px(16), px(10), px(16), px(8))
        row.setSpacing(px(16))
        row.addLayout(self._left(), 29)
        row.addLayout(self._right(), 71)
        self.refresh()

    # ------------------------------------------------------------------ building

    def _left(self) -> QVBoxLayout:
        px, theme = self.sizes.px, self.theme
        self.records = QComboBox()
        self.records.setAccessibleName("Record to go on with")
        self.records.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        self.records.setStyleSheet(combo_style(theme, px(3)))
        self.records.activated.connect(self.record_chosen)
        self.begin = KeyButton("Begin", "G", theme)
        self.begin.setObjectName("apply")
        self.begin.clicked.connect(lambda: self.begin_now())
        self.alone_step = KeyButton("This step alone", "O", theme)
        self.alone_step.setToolTip("The step chosen above, after what it needs and is not verified")
        self.alone_step.clicked.connect(lambda: self.begin_one())
        self.end = KeyButton("Break off", "B", theme)
        self.end.setToolTip("Stops the rig; the record is kept")
        self.end.clicked.connect(lambda: self.bringup.break_off())
        self.write = KeyButton("Write values to profile", "W", theme)
        self.write.setToolTip("Measured values that the steps propose; you are asked first")
        self.write.clicked.connect(lambda: self.offer_values())
        self.hands = KeyButton("", "H", theme)
        self.hands.setCheckable(True)
        self.hands.setToolTip("On a simulated rig: watch it go by itself, or answer it yourself")
        self.hands.setVisible(self.bringup.model.simulated)
        self.hands.setChecked(self.bringup.alone)
        self.hands.toggled.connect(self.bringup.set_alone)
        two = QHBoxLayout()
        two.setSpacing(px(8))
        two.addWidget(self.alone_step, 3)
        two.addWidget(self.end, 2)
        column = QVBoxLayout()
        column.setSpacing(px(7))
        column.addWidget(self.steps, 1)
        column.addWidget(self.records)
        column.addWidget(self.begin)
        column.addLayout(two)
        column.addWidget(self.write)
        column.addWidget(self.hands)
        return column

    def _right(self) -> QVBoxLayout:
        px, sizes = self.sizes.px, self.sizes
        self.title = QLabel()
        self.title.setStyleSheet(f"font-size: {sizes.state_pt}pt; font-weight: 700")
        self.standing = QLabel()
        self.standing.setStyleSheet(f"font-size: {sizes.figure_pt}pt; font-weight: 600")
        head = QHBoxLayout()
        head.addWidget(self.title)
        head.addStretch(1)
        head.addWidget(self.standing)
        words = QHBoxLayout()
        words.setSpacing(px(14))
        self.words = []
        for name in ("What will happen", "What could go wrong", "What must be clear"):
            label = _Words(name, self.theme, sizes)
            self.words.append(label)
            words.addWidget(label, 1)
        self.evidence = QTextBrowser()
        self.evidence.setAccessibleName("What the step measured and found")
        self.evidence.setTabChangesFocus(True)
        self.evidence.setStyleSheet(
            f"QTextBrowser {{ background: {self.theme.ground}; border: none; }}"
        )
        self.next_plot = KeyButton("Next plot", "V", self.theme)
        self.next_plot.clicked.connect(self.show_next_plot)
        plots = QVBoxLayout()
        plots.setSpacing(0)
        plots.addWidget(self.plot, 1)
        plots.addWidget(self.next_plot, 0, Qt.AlignmentFlag.AlignRight)
        self.below = below = QHBoxLayout()
        below.setSpacing(px(14))
        below.addLayout(plots, 1)
        below.addWidget(self.evidence, 1)
        below.addWidget(self.live, 1)
        self.heights = column = QVBoxLayout()
        column.setSpacing(px(7))
        column.addLayout(head)
        column.addLayout(words)
        column.addWidget(self.ask)
        column.addLayout(below)
        return column

    # ------------------------------------------------------------------ acts

    def look_at(self, key: str) -> None:
        self.bringup.look_at(key)
        self.plot_number = 0
        self.refresh()

    def show_next_plot(self) -> None:
        self.plot_number += 1
        self._refresh_evidence()

    def begin_now(self) -> None:
        if self.begin.isEnabled():
            self.bringup.begin()
            self.refresh()

    def begin_one(self) -> None:
        if self.alone_step.isEnabled():
            self.bringup.begin(self.bringup.shown.key)
            self.refresh()

    def offer_values(self) -> None:
        self.bringup.offer_values()
        self.refresh()

    def record_chosen(self, index: int) -> None:
        self.bringup.choose(self.records.itemData(index))
        self.refresh()

    def keys(self) -> dict[int, Callable[[], object]]:
        key = Qt.Key
        digits = (key.Key_1, key.Key_2, key.Key_3, key.Key_4, key.Key_5, key.Key_6)[:MOST_OPTIONS]
        acts: dict[int, Callable[[], object]] = {
            digit: partial(self.ask.choose, n) for n, digit in enumerate(digits)
        }
        return acts | {
            key.Key_Return: self.ask.accept,
            key.Key_Enter: self.ask.accept,
            key.Key_X: self.ask.refuse,
            key.Key_G: self.begin_now,
            key.Key_O: self.begin_one,
            key.Key_B: self.bringup.break_off,
            key.Key_H: self.hands.toggle,
            key.Key_V: self.show_next_plot,
            key.Key_W: self.offer_values,
            # Wherever the focus was: the next press holds.
            key.Key_Space: self.ask.hold.setFocus,
        }

    def first_focus(self) -> QWidget:
        return self.ask.hold if self.bringup.hold_text else self.steps

    def shown(self) -> None:
        if not self.bringup.running:
            self.bringup.renew_kept()

    def let_go(self) -> None:
        self.ask.hold.release_all()

    def carry_from(self, old: Page) -> None:
        if isinstance(old, BringUpPage):
            old.let_go()
            self.plot_number = old.plot_number

    # ------------------------------------------------------------------ looks

    def word_slices(self) -> list[Slice]:
        return [self._refresh_words, self.ask.refresh, self._refresh_evidence]

    def refresh(self) -> None:
        for act in self.word_slices():
            act()

    def _refresh_words(self) -> None:
        bringup = self.bringup
        bringup.take()
        self.steps.refresh()
        step = bringup.shown
        state = bringup.state_of(step)
        self.title.setText(f"{bringup.steps.index(step) + 1}  {step.title}")
        power = "under power, hold to run" if step.energises else "power off"
        self.standing.setText(f"{WORDS[state]} · {power}")
        for label, text in zip(self.words, (step.happens, step.wrong, step.clear), strict=True):
            label.say(text)
        may = not bringup.why_not_begin
        self.begin.setText("Begin" if bringup.folder is None else "Go on")
        self.begin.setEnabled(may)
        self.begin.setToolTip(bringup.why_not_begin)
        self.alone_step.setEnabled(may)
        self.end.setEnabled(bringup.running)
        self.write.setVisible(bool(bringup.proposed))
        busy = bringup.running or bringup.question is not None
        if self._busy and not busy and self.isVisible():
            self.steps.setFocus()  # what had it is gone
        self._busy = busy
        heights = BAD_HEIGHTS if bringup.wrong else GOOD_HEIGHTS
        if self._busy:
            heights = RUNNING_HEIGHTS
        for place, share in enumerate(heights, 2):
            self.heights.setStretch(place, share)
        self.hands.setText(f"Simulated hands answer: {'yes' if bringup.alone else 'no'}")
        self.records.setEnabled(not bringup.running)
        self._fill_records()

    def _fill_records(self) -> None:
        bringup = self.bringup
        wanted: list[tuple[str, object]] = [("A new record", None)]
        listed = {kept.folder for kept in bringup.kept}
        if bringup.folder is not None and bringup.folder not in listed:
            wanted.append((f"{bringup.folder.name} (now)", bringup.folder))
        wanted += [(kept.text, kept.folder) for kept in bringup.kept]
        have = [
            (self.records.itemText(i), self.records.itemData(i))
            for i in range(self.records.count())
        ]
        if have != wanted:
            self.records.clear()
            for text, folder in wanted:
                self.records.addItem(text, folder)
        chosen = next((i for i, (_, f) in enumerate(wanted) if f == bringup.folder), 0)
        if self.records.currentIndex() != chosen:
            self.records.setCurrentIndex(chosen)

    def _refresh_evidence(self) -> None:
        bringup = self.bringup
        step = bringup.shown
        live = bringup.current is step
        self.live.setVisible(live)
        self.evidence.setVisible(not live)
        if live:
            self._show_live(step)
            return
        result = bringup.results.get(step.key)
        plots = result.plots if result else []
        # Of a step that found something the last plot shows it.
        first = len(plots) - 1 if result and result.findings else 0
        number = (first + self.plot_number) % len(plots) if plots else 0
        shown = (step.key, result, number, len(plots))
        if shown == self._shown:
            return
        self._shown = shown
        self._plot_visible(bool(plots))
        self.plot.draw(plots[number] if plots else None)
        self.next_plot.setVisible(len(plots) > 1)
        self.next_plot.setText(f"Plot {number + 1} of {len(plots)}: next")
        self.evidence.setHtml(
            evidence_html(result, self.theme, self.sizes) if result else self._unseen(step)
        )

    def _plot_visible(self, visible: bool) -> None:
        self.plot.setVisible(visible)
        self.below.setStretch(0, int(visible))  # or words have the whole width

    def _unseen(self, step: Step) -> str:
        needs = ", ".join(s.title for s in self.bringup.steps if s.key in step.needs)
        return f"<p>Not run yet.{f' First must pass: {needs}.' if needs else ''}</p>"

    def _show_live(self, step: Step) -> None:
        self._renewals += 1
        shown = (step.key, RUNNING)
        if shown != self._shown:
            self._shown = shown
            self._plot_visible(True)
            self.next_plot.setVisible(False)
        elif self._renewals % LIVE_EVERY:
            return
        nut, force = live_plots(self.bringup.live)
        self.plot.draw(nut)
        self.live.draw(force)


class _Words(QLabel):
    """A small heading and a few sentences."""

    def __init__(self, name: str, theme: Theme, sizes: Sizes) -> None:
        super().__init__()
        self._name, self._theme = name, theme
        self._text = ""
        self.setWordWrap(True)
        self.setTextFormat(Qt.TextFormat.RichText)
        self.setAlignment(Qt.AlignmentFlag.AlignTop)
        self.setStyleSheet(f"font-size: {sizes.head_pt}pt")

    def say(self, text: str) -> None:
        if text != self._text:
            self._text = text
            self.setText(f'<span style="color:{self._theme.quiet}">{self._name}</span><br>{text}')
