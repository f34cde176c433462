"""A page that guides a person: the list, what is to be done now, and what was found."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QHBoxLayout, QLabel, QLayout, QTextBrowser, QVBoxLayout, QWidget

from drivers.motion import in_words
from ui.dashboard.bench import Page, PageContext
from ui.dashboard.guided.evidence_plot import EvidencePlot, live_plots
from ui.dashboard.guided.guided_model import GuidedModel
from ui.dashboard.guided.guided_rows import GuidedRows
from ui.dashboard.guided.hands_button import HandsButton
from ui.dashboard.guided.kept_box import KeptBox
from ui.dashboard.guided.prompt_panel import MOST_OPTIONS, PromptPanel
from ui.dashboard.guided.step_rows import RUNNING
from ui.dashboard.guided.tour_bar import TourBar
from ui.dashboard.widgets import ChangeGuard, KeyButton, Slice, bound

LIVE_EVERY = 3  # of the updates of texts


@dataclass(frozen=True)
class GuidedLook:
    """Texts and shares of a guided page.

    Attributes:
        idle: text while nothing runs and it can begin.
        kept, new: name of the box of kept folders, and its entry for a new one.
        alone: label of the button that begins only the item shown.
        end: tool tip of Abort.
        evidence: name of the findings.
        plot: percent of the width; the evidence has the rest.
        running, bad, good: heights of what is to be done and of the evidence: while it runs, and
            once it has ended, badly or well.
    """

    idle: str
    kept: str
    new: str
    alone: str
    end: str
    evidence: str
    plot: int
    running: tuple[int, int]
    bad: tuple[int, int]
    good: tuple[int, int]


class GuidedPage(Page):
    """The list on the left; texts, prompt, plots and evidence on the right.

    A subclass creates its own widgets, lays all out with ``_lay_out`` and refreshes.

    Args:
        plot: plot of the findings.
    """

    def __init__(self, place: PageContext, look: GuidedLook, plot: EvidencePlot) -> None:
        super().__init__()
        self.guided: GuidedModel[Any] = place.view
        self.theme, self.sizes = place.theme, place.sizes
        theme, sizes = self.theme, self.sizes
        self._look = look
        self.ask = PromptPanel(self.guided, theme, sizes, look.idle)
        self.plot = plot
        self.live = EvidencePlot(theme, sizes)  # next to it, while one runs
        self.plot_number = 0
        self._shown = ChangeGuard()
        self._renewals = 0
        self._busy = False
        self.kept = KeptBox(self.guided, look.kept, look.new, theme, sizes, self.choose)
        self.begin = KeyButton("Begin", "begin", theme)
        self.begin.setObjectName("apply")
        self.begin.clicked.connect(lambda: self.begin_now())
        self.alone = KeyButton(look.alone, "one", theme)
        self.alone.clicked.connect(lambda: self.begin_one())
        self.end = KeyButton("Abort", "end", theme)
        self.end.setToolTip(look.end)
        self.end.clicked.connect(lambda: self.guided.abort())
        self.hands = HandsButton(self.guided, theme)
        self.title = QLabel()
        self.title.setStyleSheet(f"font-size: {sizes.state_pt}pt; font-weight: 700")
        self.standing = QLabel()
        self.standing.setStyleSheet(f"font-size: {sizes.figure_pt}pt; font-weight: 600")
        self.evidence = QTextBrowser()
        self.evidence.setAccessibleName(look.evidence)
        self.evidence.setTabChangesFocus(True)
        self.evidence.setStyleSheet(f"QTextBrowser {{ background: {theme.ground}; border: none; }}")
        self.next_plot = KeyButton("Next plot", "view", theme)
        self.next_plot.clicked.connect(self.show_next_plot)

    # ------------------------------------------------------------------ building

    def _lay_out(
        self,
        rows: GuidedRows,
        buttons: Iterable[Iterable[tuple[QWidget, int]]],
        words: Sequence[QWidget | QLayout],
    ) -> None:
        """Lay out all widgets.

        Args:
            rows: the list.
            buttons: rows of them below Begin, each with its share of the width.
            words: between the title and the prompt.
        """
        px = self.sizes.px
        self._rows = rows
        self.tour = self._tour_bar(rows)
        row = QHBoxLayout(self)
        row.setContentsMargins(px(16), px(10), px(16), px(8))
        row.setSpacing(px(16))
        row.addLayout(self._left(buttons), 29)
        row.addLayout(self._right(words), 71)
        self.hands.setVisible(self.guided.model.simulated)

    def _left(self, buttons: Iterable[Iterable[tuple[QWidget, int]]]) -> QVBoxLayout:
        px = self.sizes.px
        column = QVBoxLayout()
        column.setSpacing(px(7))
        column.addWidget(self._rows, 1)
        column.addWidget(self.kept)
        if self.tour is None:
            column.addWidget(self.begin)
        else:
            first = QHBoxLayout()
            first.setSpacing(px(8))
            first.addWidget(self.begin, 1)
            first.addWidget(self.tour.button)
            column.addLayout(first)
        for few in buttons:
            row = QHBoxLayout()
            row.setSpacing(px(8))
            for button, share in few:
                row.addWidget(button, share)
            column.addLayout(row)
        column.addWidget(self.hands)
        return column

    def _tour_bar(self, rows: GuidedRows) -> TourBar | None:
        """Return the bar of the page's tour, None for a page without one."""
        guided = self.guided
        if guided.tour is None:
            return None
        parts = {
            "list": (rows,),
            "begin": (self.begin,),
            "hands": (self.hands,),
            "standing": (self.standing,),
            "prompt": (self.ask,),
            "hold": (self.ask.hold, self.ask),
            "evidence": (self.evidence, self.live),
            **self._more_parts(),
        }
        return TourBar(guided.tour, self, parts, self.theme, self.sizes, guided.model.simulated)

    def _more_parts(self) -> dict[str, tuple[QWidget, ...]]:
        """Return widgets of the subclass that its tour points at."""
        return {}

    def _right(self, words: Sequence[QWidget | QLayout]) -> QVBoxLayout:
        px, share = self.sizes.px, self._look.plot
        head = QHBoxLayout()
        head.addWidget(self.title)
        head.addStretch(1)
        head.addWidget(self.standing)
        plots = QVBoxLayout()
        plots.setSpacing(0)
        plots.addWidget(self.plot, 1)
        plots.addWidget(self.next_plot, 0, Qt.AlignmentFlag.AlignRight)
        self.below = below = QHBoxLayout()
        below.setSpacing(px(14))
        below.addLayout(plots, share)
        below.addWidget(self.evidence, 100 - share)
        below.addWidget(self.live, share)
        self.heights = column = QVBoxLayout()
        column.setSpacing(px(7))
        if self.tour is not None:
            column.addWidget(self.tour)
        column.addLayout(head)
        for part in words:
            if isinstance(part, QLayout):
                column.addLayout(part)
            else:
                column.addWidget(part)
        column.addWidget(self.ask)
        column.addLayout(below)
        return column

    # ------------------------------------------------------------------ acts

    def look_at(self, key: str) -> None:
        self.guided.look_at(key)
        self.plot_number = 0
        self.refresh()

    def show_next_plot(self) -> None:
        self.plot_number += 1
        self._refresh_evidence()

    def begin_now(self) -> None:
        if self.begin.isEnabled():
            self.guided.begin()
            self.refresh()

    def begin_one(self) -> None:
        if self.alone.isEnabled():
            self.guided.begin(self.guided.shown.key)
            self.refresh()

    def choose(self, folder: Path | None) -> None:
        """Continue this folder, None for a new one."""
        self.guided.choose(folder)
        self.refresh()

    def keys(self) -> dict[int, Callable[[], object]]:
        acts: dict[str, Callable[[], object]] = {
            str(number + 1): partial(self.ask.choose, number) for number in range(MOST_OPTIONS)
        }
        acts |= {
            "enter": self.ask.accept,
            "cannot": self.ask.refuse,
            "begin": self.begin_now,
            "one": self.begin_one,
            "end": self.guided.abort,
            "hands": self.hands.toggle,
            "view": self.show_next_plot,
            # Wherever the focus was: the next press holds.
            "space": self.ask.hold.setFocus,
        }
        return bound(acts)

    def first_focus(self) -> QWidget:
        return self.ask.hold if self.guided.hold_text else self._rows

    def shown(self) -> None:
        if not self.guided.running:
            self.guided.renew_kept()

    def let_go(self) -> None:
        self.ask.hold.release_all()

    def carry_from(self, old: Page) -> None:
        if isinstance(old, GuidedPage):
            old.let_go()
            self.plot_number = old.plot_number
            self.refresh()

    # ------------------------------------------------------------------ looks

    def word_slices(self) -> list[Slice]:
        slices: list[Slice] = [self._refresh_words, self.ask.refresh, self._refresh_evidence]
        return slices if self.tour is None else [self.tour.refresh, *slices]

    def refresh(self) -> None:
        for act in self.word_slices():
            act()

    def _refresh_words(self) -> None:
        guided = self.guided
        guided.take()
        self._rows.refresh()
        shown = guided.shown
        self.title.setText(f"{list(guided.listed).index(shown) + 1}  {in_words(shown.title)}")
        why_not = guided.why_not_begin
        self.begin.setText("Begin" if guided.folder is None else "Continue")
        self.begin.setEnabled(not why_not and self._anything_to_begin)
        self.begin.setToolTip(why_not)
        self.alone.setEnabled(not why_not)
        self._refresh_own()
        self.end.setEnabled(guided.running)
        busy = guided.running or guided.question is not None
        if self._busy and not busy and self.isVisible():
            self._rows.setFocus()  # the widget that had it is hidden
        self._busy = busy
        ended = self._look.bad if guided.wrong else self._look.good
        heights = self._look.running if busy else ended
        for place, share in enumerate(heights, self.heights.indexOf(self.ask)):
            self.heights.setStretch(place, share)
        self.hands.refresh()
        self.kept.refresh()

    @property
    def _anything_to_begin(self) -> bool:
        return True

    def _refresh_own(self) -> None:
        """Update ``standing``, and the widgets of the subclass."""
        raise NotImplementedError

    def _refresh_evidence(self) -> None:
        shown = self.guided.shown
        runs = self.guided.current is shown
        last = None if runs else self._last_seconds()
        self.live.setVisible(runs or last is not None)
        self.evidence.setVisible(not runs and last is None)
        if runs:
            self._show_live(shown.key)
        elif last is not None:
            if not self._shown.already(shown.key, last):
                self._draw_live(last)
        else:
            self._show_found()

    def _last_seconds(self) -> list[tuple[float, float, float]] | None:
        """Return rows like ``live`` for the item shown, to draw in place of evidence."""
        return None

    def _show_found(self) -> None:
        """Show plots and evidence of the item shown."""
        raise NotImplementedError

    def _show_plots(self, number: int, count: int) -> None:
        """Make room for plot ``number`` of ``count``, or for none."""
        self._plot_visible(bool(count))
        self.next_plot.setVisible(count > 1)
        self.next_plot.setText(f"Plot {number + 1} of {count}: next")

    def _plot_visible(self, visible: bool) -> None:
        self.plot.setVisible(visible)
        self.below.setStretch(0, self._look.plot if visible else 0)  # else texts have it all

    def _show_live(self, key: str) -> None:
        self._renewals += 1
        if self._shown.already(key, RUNNING) and self._renewals % LIVE_EVERY:
            return
        self._draw_live(list(self.guided.live))

    def _draw_live(self, rows: list[tuple[float, float, float]]) -> None:
        self._plot_visible(True)
        self.next_plot.setVisible(False)
        nut, force = live_plots(rows)
        self.plot.draw(nut)
        self.live.draw(force)
