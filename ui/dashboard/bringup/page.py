"""The Bring-up page: the steps, what is to be done now, and what was found."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QHBoxLayout, QLabel, QWidget

from drivers.motion import in_words
from hil.bringup import Step
from ui.dashboard.bench import PageContext
from ui.dashboard.bringup.evidence import evidence_html
from ui.dashboard.bringup.model import BringUpModel
from ui.dashboard.bringup.step_list import WORDS, StepList
from ui.dashboard.guided import EvidencePlot, GuidedLook, GuidedPage
from ui.dashboard.widgets import KeyButton, Sizes, Theme, bound

LOOK = GuidedLook(
    idle="Begin (G) goes through the steps in order. Power stays off until what it relies on is "
    "verified, and nothing moves unless you hold the hold-to-run control.",
    kept="Record to continue",
    new="A new record",
    alone="This step only",
    end="Stops the rig; the record is kept",
    evidence="What the step measured and found",
    plot=50,
    running=(10, 11),
    bad=(8, 13),
    good=(5, 16),
)


class BringUpPage(GuidedPage):
    """Steps on the left; the step's texts, the prompt and the evidence on the right."""

    def __init__(self, place: PageContext) -> None:
        super().__init__(place, LOOK, EvidencePlot(place.theme, place.sizes))
        self.bringup: BringUpModel = place.view
        theme, sizes = self.theme, self.sizes
        self.steps = StepList(self.bringup, theme, sizes, self.look_at)
        self.alone.setToolTip("The step chosen above, after the unverified ones that it needs")
        self.write = KeyButton("Write values to profile", "use", theme)
        self.write.setToolTip("Measured values that the steps propose; you confirm first")
        self.write.clicked.connect(lambda: self.offer_values())
        self.instructions = QWidget()
        words = QHBoxLayout(self.instructions)
        words.setContentsMargins(0, 0, 0, 0)
        words.setSpacing(sizes.px(14))
        self.words = []
        for name in ("What will happen", "What could go wrong", "What must be clear"):
            label = _Words(name, theme, sizes)
            self.words.append(label)
            words.addWidget(label, 1)
        buttons = (((self.alone, 3), (self.end, 2)), ((self.write, 1),))
        self._lay_out(self.steps, buttons, (self.instructions,))
        self.refresh()

    def offer_values(self) -> None:
        self.bringup.offer_values()
        self.refresh()

    def _more_parts(self) -> dict[str, tuple[QWidget, ...]]:
        return {"words": (self.instructions,)}

    def keys(self) -> dict[int, Callable[[], object]]:
        return super().keys() | bound({"use": self.offer_values})

    # ------------------------------------------------------------------ looks

    def _refresh_own(self) -> None:
        step = self.bringup.shown
        power = "under power, hold to run" if step.energises else "power off"
        self.standing.setText(f"{WORDS[self.bringup.state_of(step)]} · {power}")
        instructions = map(in_words, (step.happens, step.wrong, step.clear))
        for label, text in zip(self.words, instructions, strict=True):
            label.say(text)
        self.write.setVisible(bool(self.bringup.proposed))

    def _show_found(self) -> None:
        step = self.bringup.shown
        result = self.bringup.results.get(step.key)
        plots = result.plots if result else []
        # The last plot of a step shows its finding.
        first = len(plots) - 1 if result and result.findings else 0
        number = (first + self.plot_number) % len(plots) if plots else 0
        if self._shown.already(step.key, result, number, len(plots)):
            return
        self._show_plots(number, len(plots))
        self.plot.draw(plots[number] if plots else None)
        self.evidence.setHtml(
            evidence_html(result, self.theme, self.sizes) if result else self._unseen(step)
        )

    def _unseen(self, step: Step) -> str:
        needs = ", ".join(s.title for s in self.bringup.steps if s.key in step.needs)
        return f"<p>Not run yet.{f' These must pass first: {needs}.' if needs else ''}</p>"


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
