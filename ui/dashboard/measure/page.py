"""The Measure page: the plan, what is to be done now, figures and plots as they come in."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import Qt, QUrl
from PySide6.QtGui import QDesktopServices
from PySide6.QtWidgets import (
    QComboBox,
    QHBoxLayout,
    QLabel,
    QProgressBar,
    QSizePolicy,
    QTextBrowser,
    QVBoxLayout,
    QWidget,
)

from hil.measure import GuardedTest
from ui.dashboard.bench import Page, PageContext
from ui.dashboard.guided import PromptPanel, live_plots
from ui.dashboard.measure.diagram_plot import DiagramPlot
from ui.dashboard.measure.model import MeasureModel
from ui.dashboard.measure.test_list import PlanList, standing
from ui.dashboard.measure.words import duration, figures_html, plan_html
from ui.dashboard.widgets import ChangeGuard, KeyButton, Slice, combo_style

IDLE = (
    "Begin (G) runs the tests that are picked, in order. Nothing moves unless you hold the "
    "hold-to-run control, and power is off between tests."
)
PLOT = 38  # percent of the width; the figures have the rest
LIVE_EVERY = 3  # of the renewals of words
# Heights of what is to be done and of the figures: while it runs, bad news, good news.
RUNNING_HEIGHTS, BAD_HEIGHTS, GOOD_HEIGHTS = (10, 12), (8, 14), (3, 19)


class MeasurePage(Page):
    """Plan on the left; the test's words, what is asked, plot and figures on the right."""

    def __init__(self, place: PageContext) -> None:
        super().__init__()
        self.measuring: MeasureModel = place.view
        self.theme, self.sizes = place.theme, place.sizes
        px = self.sizes.px
        self.plan = PlanList(self.measuring, self.theme, self.sizes, self.look_at)
        self.ask = PromptPanel(self.measuring, self.theme, self.sizes, IDLE)
        self.plot = DiagramPlot(self.theme, self.sizes)
        self.live = DiagramPlot(self.theme, self.sizes)  # beside it, while a test runs
        self.plot_number = 0
        self._shown = ChangeGuard()
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
        self.kept = QComboBox()
        self.kept.setAccessibleName("Measurement to go on with")
        self.kept.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        self.kept.setStyleSheet(combo_style(theme, px(3)))
        self.kept.activated.connect(self.kept_chosen)
        self.begin = KeyButton("Begin", "G", theme)
        self.begin.setObjectName("apply")
        self.begin.clicked.connect(lambda: self.begin_now())
        self.pick = KeyButton("Leave out", "I", theme)
        self.pick.setToolTip("Whether the test chosen above is run; a double click does the same")
        self.pick.clicked.connect(lambda: self.pick_now())
        self.alone_test = KeyButton("This one alone", "O", theme)
        self.alone_test.clicked.connect(lambda: self.begin_one())
        self.end = KeyButton("Break off", "B", theme)
        self.end.setToolTip("Stops the rig; finished tests are kept")
        self.end.clicked.connect(lambda: self.measuring.break_off())
        self.sheet = KeyButton("Open data sheet", "S", theme)
        self.sheet.clicked.connect(lambda: self.open_sheet())
        self.hands = KeyButton("", "H", theme)
        self.hands.setCheckable(True)
        self.hands.setToolTip("On a simulated rig: watch it go by itself, or answer it yourself")
        self.hands.setVisible(self.measuring.model.simulated)
        self.hands.setChecked(self.measuring.alone)
        self.hands.toggled.connect(self.measuring.set_alone)
        column = QVBoxLayout()
        column.setSpacing(px(7))
        column.addWidget(self.plan, 1)
        column.addWidget(self.kept)
        column.addWidget(self.begin)
        for pair in ((self.pick, self.alone_test), (self.end, self.sheet)):
            two = QHBoxLayout()
            two.setSpacing(px(8))
            for button in pair:
                two.addWidget(button, 1)
            column.addLayout(two)
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
        self.words = QLabel()
        self.words.setWordWrap(True)
        self.words.setTextFormat(Qt.TextFormat.RichText)
        self.words.setAlignment(Qt.AlignmentFlag.AlignTop)
        self.words.setStyleSheet(f"font-size: {sizes.head_pt}pt")
        self.progress = QProgressBar()
        self.progress.setAccessibleName("Progress of the tests")
        self.progress.setRange(0, 1000)
        self.progress.setTextVisible(False)
        self.progress.setFixedHeight(px(8))
        self.progress.setStyleSheet(
            f"QProgressBar {{ background: {self.theme.grid}; border: none; }}"
            f"QProgressBar::chunk {{ background: {self.theme.accent}; }}"
        )
        self.left = QLabel()
        self.left.setStyleSheet(f"font-size: {sizes.head_pt}pt")
        time = QHBoxLayout()
        time.setSpacing(px(12))
        time.addWidget(self.progress, 1)
        time.addWidget(self.left)
        self.figures = QTextBrowser()
        self.figures.setAccessibleName("Figures of the test")
        self.figures.setTabChangesFocus(True)
        self.figures.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.figures.setStyleSheet(
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
        below.addLayout(plots, PLOT)
        below.addWidget(self.figures, 100 - PLOT)
        below.addWidget(self.live, PLOT)
        self.heights = column = QVBoxLayout()
        column.setSpacing(px(7))
        column.addLayout(head)
        column.addWidget(self.words)
        column.addLayout(time)
        column.addWidget(self.ask)
        column.addLayout(below)
        return column

    # ------------------------------------------------------------------ acts

    def look_at(self, key: str) -> None:
        self.measuring.look_at(key)
        self.plot_number = 0
        self.refresh()

    def show_next_plot(self) -> None:
        self.plot_number += 1
        self._refresh_figures()

    def begin_now(self) -> None:
        if self.begin.isEnabled():
            self.measuring.begin()
            self.refresh()

    def begin_one(self) -> None:
        if self.alone_test.isEnabled():
            self.measuring.begin(self.measuring.shown.key)
            self.refresh()

    def pick_now(self) -> None:
        self.measuring.pick(self.measuring.shown.key)
        self.refresh()

    def kept_chosen(self, index: int) -> None:
        self.measuring.choose(self.kept.itemData(index))
        self.refresh()

    def open_sheet(self) -> None:
        """Open the data sheet in the program that this computer has for HTML."""
        sheet = self.measuring.sheet
        if sheet is not None and not QDesktopServices.openUrl(
            QUrl.fromLocalFile(str(sheet.resolve()))
        ):
            self.measuring.message = (
                f"Nothing here opens HTML. The data sheet is {sheet.resolve()}."
            )
            self.refresh()

    def keys(self) -> dict[int, Callable[[], object]]:
        key = Qt.Key
        return {
            key.Key_Return: self.ask.accept,
            key.Key_Enter: self.ask.accept,
            key.Key_X: self.ask.refuse,
            key.Key_1: lambda: self.ask.choose(0),
            key.Key_2: lambda: self.ask.choose(1),
            key.Key_G: self.begin_now,
            key.Key_O: self.begin_one,
            key.Key_I: self.pick_now,
            key.Key_B: self.measuring.break_off,
            key.Key_H: self.hands.toggle,
            key.Key_V: self.show_next_plot,
            key.Key_S: self.open_sheet,
            # Wherever the focus was: the next press holds.
            key.Key_Space: self.ask.hold.setFocus,
        }

    def first_focus(self) -> QWidget:
        return self.ask.hold if self.measuring.hold_text else self.plan

    def shown(self) -> None:
        if not self.measuring.running:
            self.measuring.renew_kept()

    def let_go(self) -> None:
        self.ask.hold.release_all()

    def carry_from(self, old: Page) -> None:
        if isinstance(old, MeasurePage):
            old.let_go()
            self.plot_number = old.plot_number
            self.refresh()

    # ------------------------------------------------------------------ looks

    def word_slices(self) -> list[Slice]:
        return [self._refresh_words, self.ask.refresh, self._refresh_figures]

    def refresh(self) -> None:
        for act in self.word_slices():
            act()

    def _refresh_words(self) -> None:
        measuring = self.measuring
        measuring.take()
        self.plan.refresh()
        test = measuring.shown
        self.title.setText(f"{list(measuring.tests).index(test) + 1}  {test.title}")
        self.standing.setText(standing(measuring, test)[1])
        self._say_words(test)
        self._say_time()
        running = measuring.running
        may = not measuring.why_not_begin
        self.begin.setText("Begin" if measuring.folder is None else "Go on")
        self.begin.setEnabled(may and bool(measuring.picked))
        self.begin.setToolTip(measuring.why_not_begin)
        self.alone_test.setEnabled(may)
        self.pick.setEnabled(not running)
        self.pick.setText("Leave out" if test.key in measuring.picked else "Take in")
        self.end.setEnabled(running)
        self.sheet.setEnabled(measuring.sheet is not None)
        self.sheet.setToolTip(str(measuring.sheet or "It is written when the tests end"))
        if self._busy and not running and self.isVisible():
            self.plan.setFocus()  # what had it is gone
        self._busy = running
        heights = BAD_HEIGHTS if measuring.wrong else GOOD_HEIGHTS
        if running:
            heights = RUNNING_HEIGHTS
        for place, share in enumerate(heights, 3):
            self.heights.setStretch(place, share)
        self.hands.setText(f"Simulated hands answer: {'yes' if measuring.alone else 'no'}")
        self.kept.setEnabled(not running)
        self._fill_kept()

    def _say_words(self, test: GuardedTest) -> None:
        quiet = self.theme.quiet
        fitted = ", ".join(test.fitting)
        lasts = duration(test.lasts_s(self.measuring.profile))
        text = (
            f'<span style="color:{quiet}">Purpose:</span> {test.purpose}. '
            f'<span style="color:{quiet}">Risk:</span> {test.risk}<br>'
            f'<span style="color:{quiet}">Must be fitted:</span> {fitted}. '
            f'<span style="color:{quiet}">Takes:</span> {lasts} without hands.'
        )
        if self.words.text() != text:
            self.words.setText(text)

    def _say_time(self) -> None:
        measuring = self.measuring
        left = duration(measuring.left_s)
        share = measuring.share_done
        self.progress.setVisible(share == share)
        if share == share:
            self.progress.setValue(round(1000 * min(max(share, 0.0), 1.0)))
            self.left.setText(f"about {left} left, without hands")
        elif measuring.filing:
            self.left.setText("figures are being made")
        else:
            count = len(measuring.picked)
            self.left.setText(
                f"{count} of {len(measuring.tests)} tests picked, about {left} without hands"
                if count
                else "no test is picked: I takes the one above in"
            )

    def _fill_kept(self) -> None:
        measuring = self.measuring
        wanted: list[tuple[str, object]] = [("A new measurement", None)]
        listed = {kept.folder for kept in measuring.kept}
        if measuring.folder is not None and measuring.folder not in listed:
            wanted.append((f"{measuring.folder.name} (now)", measuring.folder))
        wanted += [(kept.text, kept.folder) for kept in measuring.kept]
        have = [(self.kept.itemText(i), self.kept.itemData(i)) for i in range(self.kept.count())]
        if have != wanted:
            self.kept.clear()
            for text, folder in wanted:
                self.kept.addItem(text, folder)
        chosen = next((i for i, (_, f) in enumerate(wanted) if f == measuring.folder), 0)
        if self.kept.currentIndex() != chosen:
            self.kept.setCurrentIndex(chosen)

    def _refresh_figures(self) -> None:
        measuring = self.measuring
        test = measuring.shown
        live = measuring.current is test
        last = measuring.last_seconds.get(test.key)
        self.live.setVisible(live or last is not None)
        self.figures.setVisible(not live and last is None)
        if live:
            self._show_live(test)
            return
        if last is not None:
            if not self._shown.already(test.key, last):
                self._plot_visible(True)
                self.next_plot.setVisible(False)
                self._draw_live(last)
            return
        result = measuring.results.get(test.key)
        diagrams = result.diagrams if result else ()
        number = self.plot_number % len(diagrams) if diagrams else 0
        picked = tuple(sorted(measuring.picked))
        if self._shown.already(test.key, result, number, picked if result is None else ()):
            return
        self._plot_visible(bool(diagrams))
        self.plot.show_diagram(diagrams[number] if diagrams else None)
        self.next_plot.setVisible(len(diagrams) > 1)
        self.next_plot.setText(f"Plot {number + 1} of {len(diagrams)}: next")
        self.figures.setHtml(
            figures_html(result, self.theme, self.sizes)
            if result
            else plan_html(
                measuring.tests, measuring.picked, measuring.profile, self.theme, self.sizes
            )
        )

    def _plot_visible(self, visible: bool) -> None:
        self.plot.setVisible(visible)
        self.below.setStretch(0, PLOT if visible else 0)  # or words have the whole width

    def _show_live(self, test: GuardedTest) -> None:
        self._renewals += 1
        if not self._shown.already(test.key, "runs now"):
            self._plot_visible(True)
            self.next_plot.setVisible(False)
        elif self._renewals % LIVE_EVERY:
            return
        self._draw_live(list(self.measuring.live))

    def _draw_live(self, rows: list[tuple[float, float, float]]) -> None:
        nut, force = live_plots(rows)
        self.plot.show_live(nut)
        self.live.show_live(force)
