"""The Measure page: the plan, what is to be done now, figures and plots as they come in."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import Qt, QUrl
from PySide6.QtGui import QDesktopServices
from PySide6.QtWidgets import QHBoxLayout, QLabel, QProgressBar

from drivers.motion import in_words
from hil.measure import GuardedTest, duration_words
from ui.dashboard.bench import PageContext
from ui.dashboard.guided import GuidedLook, GuidedPage
from ui.dashboard.measure.diagram_plot import DiagramPlot
from ui.dashboard.measure.model import MeasureModel
from ui.dashboard.measure.redesign import PLANT
from ui.dashboard.measure.test_list import PlanList, standing
from ui.dashboard.measure.words import figures_html, plan_html, trial_html
from ui.dashboard.widgets import KeyButton, bound, shortcut

LOOK = GuidedLook(
    idle="Begin (G) runs the selected tests in order. Nothing moves unless you hold the "
    "hold-to-run control, and power is off between tests.",
    kept="Measurement to continue",
    new="A new measurement",
    alone="This one only",
    end="Stops the rig; finished tests are kept",
    evidence="Figures of the test",
    plot=38,
    running=(10, 12),
    bad=(8, 14),
    good=(3, 19),
)


class MeasurePage(GuidedPage):
    """Plan on the left; the test's texts, the prompt, plot and figures on the right."""

    plot: DiagramPlot

    def __init__(self, place: PageContext) -> None:
        super().__init__(place, LOOK, DiagramPlot(place.theme, place.sizes))
        self.measuring: MeasureModel = place.view
        theme, sizes, px = self.theme, self.sizes, self.sizes.px
        self.plan = PlanList(self.measuring, theme, sizes, self.look_at)
        self.pick = KeyButton("Exclude", "leave_out", theme)
        self.pick.setToolTip(
            "Includes or leaves out the test chosen above; a double click does the same"
        )
        self.pick.clicked.connect(lambda: self.pick_now())
        self.sheet = KeyButton("Open data sheet", "report", theme)
        self.sheet.clicked.connect(lambda: self.open_sheet())
        shortcut("report", self, self.open_sheet)
        self.use = KeyButton("Try redesign", "use", theme)
        self.use.clicked.connect(lambda: self.use_now())
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
            f"QProgressBar {{ background: {theme.grid}; border: none; }}"
            f"QProgressBar::chunk {{ background: {theme.accent}; }}"
        )
        self.left = QLabel()
        self.left.setStyleSheet(f"font-size: {sizes.head_pt}pt")
        time = QHBoxLayout()
        time.setSpacing(px(12))
        time.addWidget(self.progress, 1)
        time.addWidget(self.left)
        self.evidence.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        buttons = (
            ((self.pick, 1), (self.alone, 1)),
            ((self.end, 1), (self.sheet, 1)),
            ((self.use, 1),),
        )
        self._lay_out(self.plan, buttons, (self.words, time))
        self.refresh()

    # ------------------------------------------------------------------ acts

    def pick_now(self) -> None:
        self.measuring.pick(self.measuring.shown.key)
        self.refresh()

    def use_now(self) -> None:
        self.measuring.use()
        self.refresh()

    def open_sheet(self) -> None:
        """Open the data sheet in this computer's program for HTML."""
        sheet = self.measuring.sheet
        if sheet is not None and not QDesktopServices.openUrl(
            QUrl.fromLocalFile(str(sheet.resolve()))
        ):
            self.measuring.message = (
                f"No program here opens HTML. The data sheet is {sheet.resolve()}."
            )
            self.refresh()

    def keys(self) -> dict[int, Callable[[], object]]:
        return super().keys() | bound({"leave_out": self.pick_now, "use": self.use_now})

    # ------------------------------------------------------------------ looks

    @property
    def _anything_to_begin(self) -> bool:
        return bool(self.measuring.picked)

    def _refresh_own(self) -> None:
        measuring = self.measuring
        test = measuring.shown
        self.standing.setText(standing(measuring, test)[1])
        self._say_words(test)
        self._say_time()
        self.pick.setEnabled(not measuring.running)
        self.pick.setText("Exclude" if test.key in measuring.picked else "Include")
        redesign = measuring.redesign
        self.use.setVisible(bool(redesign.changes))
        self.use.setEnabled(not measuring.why_not_try)
        self.use.setText("Write redesign to profile" if redesign.accepted else "Try redesign")
        self.use.setToolTip(
            measuring.why_not_try
            or "Runs Force response with the force loop that Plant proposes; then you are asked "
            "whether to write it into the profile"
        )
        self.sheet.setEnabled(measuring.sheet is not None)
        self.sheet.setToolTip(str(measuring.sheet or "It is written when the tests end"))

    def _say_words(self, test: GuardedTest) -> None:
        quiet = self.theme.quiet
        fitted = in_words(", ".join(test.fitting))
        lasts = duration_words(test.lasts_s(self.measuring.profile))
        text = (
            f'<span style="color:{quiet}">Purpose:</span> {in_words(test.purpose)}. '
            f'<span style="color:{quiet}">Risk:</span> {in_words(test.risk)}<br>'
            f'<span style="color:{quiet}">Set-up:</span> {fitted}. '
            f'<span style="color:{quiet}">Duration:</span> {lasts}, plus manual work.'
        )
        if self.words.text() != text:
            self.words.setText(text)

    def _say_time(self) -> None:
        measuring = self.measuring
        left = duration_words(measuring.left_s)
        share = measuring.share_done
        self.progress.setVisible(share == share)
        if share == share:
            self.progress.setValue(round(1000 * min(max(share, 0.0), 1.0)))
            self.left.setText(f"about {left} left, plus manual work")
        elif measuring.filing:
            self.left.setText("computing figures")
        else:
            count = len(measuring.picked)
            self.left.setText(
                f"{count} of {len(measuring.tests)} tests selected, about {left}, plus manual work"
                if count
                else "no test is selected: Include (-) adds the one shown"
            )

    def _last_seconds(self) -> list[tuple[float, float, float]] | None:
        return self.measuring.last_seconds.get(self.measuring.shown.key)

    def _show_found(self) -> None:
        measuring = self.measuring
        test = measuring.shown
        result = measuring.results.get(test.key)
        diagrams = result.diagrams if result else ()
        number = self.plot_number % len(diagrams) if diagrams else 0
        picked = tuple(sorted(measuring.picked))
        tried = measuring.redesign.tried if test.key == PLANT else None
        if self._shown.already(test.key, result, number, picked if result is None else (), tried):
            return
        self._show_plots(number, len(diagrams))
        self.plot.show_diagram(diagrams[number] if diagrams else None)
        trial = "" if tried is None else trial_html(tried.trial, self.theme, self.sizes)
        self.evidence.setHtml(
            trial + figures_html(result, self.theme, self.sizes)
            if result
            else plan_html(
                measuring.tests, measuring.picked, measuring.profile, self.theme, self.sizes
            )
        )
