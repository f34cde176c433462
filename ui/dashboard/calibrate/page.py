"""The Calibrate page: settings, what is to be done now, the outcome, earlier ones."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtWidgets import (
    QButtonGroup,
    QHBoxLayout,
    QLabel,
    QStackedLayout,
    QTextBrowser,
    QVBoxLayout,
    QWidget,
)

from ui.dashboard.bench import Page, PageContext
from ui.dashboard.calibrate.form import OutcomeView, PlanView, SetupForm
from ui.dashboard.calibrate.kept import Kept
from ui.dashboard.calibrate.model import CalibrateModel
from ui.dashboard.calibrate.plots import CalibrationPlot
from ui.dashboard.calibrate.prompt import CalibratePrompt
from ui.dashboard.calibrate.tables import KeptTable, PointsTable
from ui.dashboard.calibrate.words import compared_html, findings_html, kept_html, result_html
from ui.dashboard.guided import HandsButton, TourBar
from ui.dashboard.widgets import ChangeGuard, KeyButton, Slice, bound

POINTS, LAW, EARLIER = range(3)
VIEWS = ("Points", "Law and band", "Earlier ones")
FACES = ("set-up", "running", "result")


class CalibratePage(Page):
    """Form, plan or outcome on the left; large text above points, law or earlier ones."""

    def __init__(self, place: PageContext) -> None:
        super().__init__()
        self.calibrating: CalibrateModel = place.view
        self.theme, self.sizes = place.theme, place.sizes
        px = self.sizes.px
        self.view_number = EARLIER
        self._phase = ""
        self._shown: dict[QTextBrowser, ChangeGuard] = {}
        self._sensor_shown = False
        row = QHBoxLayout(self)
        row.setContentsMargins(px(16), px(10), px(16), px(8))
        row.setSpacing(px(16))
        left = self._left()
        right = self._right(place.heartbeat)
        self.tour = TourBar(
            self.calibrating.tour,
            self,
            {
                "form": (self.form,),
                "begin": (self.begin,),
                "hands": (self.hands,),
                "prompt": (self.ask,),
                "points": (self.below,),
                "outcome": (self.outcome,),
            },
            self.theme,
            self.sizes,
            self.calibrating.model.simulated,
        )
        self._first.addWidget(self.tour.button)
        right.insertWidget(0, self.tour)
        row.addLayout(left, 28)
        row.addLayout(right, 72)
        self.calibrating.kept.renew(self.calibrating.model.profile)
        self.refresh()

    # ------------------------------------------------------------------ building

    def _left(self) -> QVBoxLayout:
        px, theme, sizes = self.sizes.px, self.theme, self.sizes
        calibrating = self.calibrating
        self.form = SetupForm(calibrating, theme, sizes)
        self.plan = PlanView(calibrating, theme, sizes)
        self.outcome = OutcomeView(calibrating, theme, sizes, self.refresh)
        room = QWidget()  # without one, what is added would be a separate window for a moment
        self.faces = QStackedLayout(room)
        for face in (self.form, self.plan, self.outcome):
            self.faces.addWidget(face)
        self.begin = KeyButton("Begin", "begin", theme)
        self.begin.setObjectName("apply")
        self.begin.clicked.connect(lambda: self.begin_now())
        self.end = KeyButton("Abort", "end", theme)
        self.end.setToolTip("Stops the rig and ends; what was measured is not kept")
        self.end.clicked.connect(lambda: calibrating.abort())
        self.hands = HandsButton(calibrating, theme)
        column = QVBoxLayout()
        column.setSpacing(px(7))
        column.addWidget(room, 1)
        self._first = QHBoxLayout()
        self._first.setSpacing(px(8))
        self._first.addWidget(self.begin, 1)
        self._first.addWidget(self.end, 1)
        column.addLayout(self._first)
        column.addWidget(self.hands)
        return column

    def _right(self, heartbeat: Callable[[], None]) -> QVBoxLayout:
        heartbeat()
        px, theme, sizes = self.sizes.px, self.theme, self.sizes
        self.ask = CalibratePrompt(self.calibrating, theme, sizes)
        self.choices = QButtonGroup(self)
        head = QHBoxLayout()
        head.setSpacing(px(8))
        for number, word in enumerate(VIEWS):
            button = KeyButton(word, str(number + 1), theme)
            button.setCheckable(True)
            button.clicked.connect(lambda _=False, n=number: self.show_view(n))
            self.choices.addButton(button, number)
            head.addWidget(button)
        head.addStretch(1)
        self.next_plot = KeyButton("Sensor", "view", theme)
        self.next_plot.clicked.connect(self.swap_plot)
        self.compare = KeyButton("Compare", "join", theme)
        self.compare.setToolTip(
            "With another one, to be chosen next; press again to end the comparison"
        )
        self.compare.clicked.connect(self.compare_now)
        self.use = KeyButton("Use it", "use", theme)
        self.use.clicked.connect(self.use_now)
        self.zero = KeyButton("Check zero", "zero", theme)
        self.zero.setToolTip(
            "With nothing acting on the rod: checks that the reading is still zero"
        )
        self.zero.clicked.connect(lambda: self.calibrating.check_zero())
        for button in (self.next_plot, self.zero, self.compare, self.use):
            head.addWidget(button)
        self.below = below = QWidget()
        self.views = QStackedLayout(below)
        for view in (self._points, self._law, self._earlier):
            heartbeat()
            self.views.addWidget(view())
        column = QVBoxLayout()
        column.setSpacing(px(7))
        column.addWidget(self.ask, 9)
        column.addLayout(head)
        column.addWidget(below, 14)
        return column

    def _beside(self, left: QWidget, right: QWidget, shares: tuple[int, int]) -> QWidget:
        whole = QWidget()
        row = QHBoxLayout(whole)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(self.sizes.px(14))
        row.addWidget(left, shares[0])
        row.addWidget(right, shares[1])
        return whole

    def _points(self) -> QWidget:
        self.points = PointsTable(self.calibrating)
        self.readings = CalibrationPlot(self.theme, self.sizes, legend="left")
        self.residuals = CalibrationPlot(self.theme, self.sizes, legend="")
        self.plots = QWidget()
        column = QVBoxLayout(self.plots)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(0)
        column.addWidget(self.readings, 1)
        column.addWidget(self.residuals, 1)
        return self._beside(self.plots, self.points, (50, 50))

    def _law(self) -> QWidget:
        self.band = CalibrationPlot(self.theme, self.sizes)
        self.law_words = self._browser("Law, band and figures")
        return self._beside(self.band, self.law_words, (50, 50))

    def _earlier(self) -> QWidget:
        self.kept = KeptTable(self.calibrating, self.look_at)
        self.kept_words = self._browser("The calibration chosen")
        self.compared = CalibrationPlot(self.theme, self.sizes, legend="")
        self.compared.hide()
        self.kept_note = QLabel()
        self.kept_note.setObjectName("quiet")
        self.kept_note.setWordWrap(True)
        left, right = QWidget(), QWidget()
        for widget, inside in (
            (left, ((self.kept_note, 0), (self.kept, 1))),
            (right, ((self.compared, 1), (self.kept_words, 1))),
        ):
            column = QVBoxLayout(widget)
            column.setContentsMargins(0, 0, 0, 0)
            column.setSpacing(self.sizes.px(5))
            for part, share in inside:
                column.addWidget(part, share)
        return self._beside(left, right, (56, 44))

    def _browser(self, name: str) -> QTextBrowser:
        browser = QTextBrowser()
        browser.setAccessibleName(name)
        browser.setTabChangesFocus(True)
        browser.setStyleSheet(
            f"QTextBrowser {{ background: {self.theme.ground}; border: none; }}"
            f"QTextBrowser:focus {{ border: 2px solid {self.theme.accent}; }}"
        )
        return browser

    # ------------------------------------------------------------------ acts

    def begin_now(self) -> None:
        if self.begin.isEnabled():
            self.calibrating.begin()
            self.refresh()

    def show_view(self, number: int) -> None:
        self.view_number = number
        self._sensor_shown = False
        self.refresh()

    def swap_plot(self) -> None:
        if self.next_plot.isVisible():
            self._sensor_shown = not self._sensor_shown
            self.refresh()

    def look_at(self, kept: Kept) -> None:
        self.calibrating.kept.look_at(kept)

    def compare_now(self) -> None:
        chosen = self.kept.chosen
        if self.compare.isEnabled() and chosen is not None:
            self.calibrating.kept.compare_with(chosen)
            self.refresh()

    def use_now(self) -> None:
        chosen = self.kept.chosen
        if self.use.isEnabled() and chosen is not None:
            self.calibrating.use_kept(chosen)
            self.refresh()

    def keys(self) -> dict[int, Callable[[], object]]:
        outcome = self.outcome
        return bound(
            {
                "enter": self.ask.accept,
                "cannot": self.ask.refuse,
                "begin": self.begin_now,
                "end": self.calibrating.abort,
                "hands": self.hands.toggle,
                "1": lambda: self.show_view(POINTS),
                "2": lambda: self.show_view(LAW),
                "3": lambda: self.show_view(EARLIER),
                "view": self.swap_plot,
                "other": outcome.next.click,
                "accept": outcome.accept.click,
                "keep": outcome.keep.click,
                "discard": outcome.discard.click,
                "join": self.compare_now,
                "use": self.use_now,
                "zero": self.zero.click,
            }
        )

    def first_focus(self) -> QWidget:
        if self.calibrating.question is not None:
            return self.ask.done
        return (self.kept, self.points, self.outcome.law)[FACES.index(self.calibrating.phase)]

    def shown(self) -> None:
        if not self.calibrating.running:
            self.calibrating.kept.renew(self.calibrating.model.profile)

    def carry_from(self, old: Page) -> None:
        if isinstance(old, CalibratePage):
            self._phase = old._phase
            self.show_view(old.view_number)

    # ------------------------------------------------------------------ looks

    def word_slices(self) -> list[Slice]:
        return [self.tour.refresh, self._refresh_words, self.ask.refresh, self._refresh_view]

    def refresh(self) -> None:
        for act in self.word_slices():
            act()

    def frame(self) -> None:
        if self.calibrating.running:
            self.ask.settling.repaint()

    def _refresh_words(self) -> None:
        calibrating = self.calibrating
        calibrating.take()
        phase = calibrating.phase
        if phase != self._phase:
            self._phase = phase
            self.view_number = (EARLIER, POINTS, LAW)[FACES.index(phase)]
            self.faces.setCurrentIndex(FACES.index(phase))
            if self.isVisible():
                self.first_focus().setFocus()
        (self.form, self.plan, self.outcome)[FACES.index(phase)].refresh()
        self.begin.setVisible(phase == "set-up")
        self.begin.setEnabled(not calibrating.why_not_begin)
        self.begin.setToolTip(calibrating.why_not_begin)
        self.end.setVisible(phase == "running")
        self.hands.setVisible(calibrating.model.simulated and phase != "result")
        self.hands.refresh()

    def _refresh_view(self) -> None:
        number = self.view_number
        self.views.setCurrentIndex(number)
        self.choices.button(number).setChecked(True)
        calibrating = self.calibrating
        result = calibrating.result
        sensor = result.sensor if result is not None else None
        self.next_plot.setVisible(number == LAW and sensor is not None)
        self.next_plot.setText("Band" if self._sensor_shown else "Sensor")
        for button in (self.compare, self.use, self.zero):
            button.setVisible(number == EARLIER)
        (self._refresh_points, self._refresh_law, self._refresh_earlier)[number]()

    def _refresh_points(self) -> None:
        calibrating = self.calibrating
        self.points.refresh()
        points, fit = calibrating.points, calibrating.fit
        self.plots.setVisible(bool(points))
        self.residuals.setVisible(fit is not None)
        self.readings.show_points(points, fit)
        self.residuals.show_residuals(points, calibrating.residuals_N(), fit)

    def _refresh_law(self) -> None:
        result = self.calibrating.result
        if result is None or result.budget is None:
            self.band.show_nothing()
        elif self._sensor_shown and result.sensor is not None:
            self.band.show_sensor(result.sensor)
        else:
            self.band.show_band(result.budget)
        self.band.setVisible(result is not None and result.budget is not None)
        self._say(
            self.law_words,
            (result,),
            lambda: (
                result_html(result, self.theme)
                if result is not None
                else "<p>The law is shown here once all points are taken.</p>"
            ),
        )

    def _refresh_earlier(self) -> None:
        calibrating = self.calibrating
        kept = calibrating.kept
        self.kept.refresh()
        chosen = self.kept.chosen
        note = kept.message or (f"No calibrations in {kept.folder} yet." if not kept.rows else "")
        zero = calibrating.watch.zero_text
        self.kept_note.setText(
            " ".join(part for part in (note, f"Zero: {zero}." if zero else "") if part)
        )
        self.kept_note.setVisible(bool(self.kept_note.text()))
        self.compare.setEnabled(chosen is not None and chosen.file is not None)
        first = kept.first
        again = first is not None and chosen is not None and chosen.path == first.path
        self.compare.setText("End comparison" if again else "Compare")
        self.use.setEnabled(chosen is not None and not calibrating.why_not_use)
        self.use.setToolTip(calibrating.why_not_use)
        self.zero.setEnabled(calibrating.session is not None and not calibrating.model.lock_reason)
        compared = kept.compared
        found = compared.found if compared is not None else None
        self.compared.setVisible(found is not None)
        if found is not None:
            self.compared.show_compared(found)
        drift = tuple(calibrating.model.drift)
        profile = calibrating.model.profile
        self._say(
            self.kept_words,
            (chosen, compared, drift, profile.calibration.identity),
            self._kept_html,
        )

    def _kept_html(self) -> str:
        calibrating = self.calibrating
        compared, chosen = calibrating.kept.compared, self.kept.chosen
        if compared is not None:
            return compared_html(compared, self.theme)
        warned = findings_html(
            ((w.sentence, w.fix, "warning") for w in calibrating.model.drift), self.theme
        )
        if chosen is None:
            named = calibrating.model.profile.calibration
            what = named.identity or f"the profile's own, of {named.dated or 'unknown date'}"
            return f"{warned}<p>In force: {what}.</p>"
        return warned + kept_html(chosen, calibrating.model.profile, self.theme)

    def _say(
        self, browser: QTextBrowser, what: tuple[object, ...], text: Callable[[], str]
    ) -> None:
        if not self._shown.setdefault(browser, ChangeGuard()).already(*what):
            browser.setHtml(text())
