"""The zero of positions on the Operate page: its origin, and three ways to obtain it."""

from __future__ import annotations

from PySide6.QtWidgets import QButtonGroup, QLabel, QSizePolicy, QWidget

from drivers.motion import LENGTH
from ui.dashboard.operate.foot_row import FootRow
from ui.dashboard.operate.zero_model import ZeroModel
from ui.dashboard.widgets import HoldButton, KeyButton, Sizes, Theme


class ZeroPanel(FootRow):
    """Mirror of the zero model; shown while zero is not verified, or by its key.

    Args:
        parent: widget that contains it; without one it would be a separate window.
    """

    def __init__(
        self, zero: ZeroModel, theme: Theme, sizes: Sizes, parent: QWidget | None = None
    ) -> None:
        self.text = QLabel()
        super().__init__(sizes, self.text, parent)
        self.zero = zero
        px, row = sizes.px, self.row
        self.open = False  # by the key
        self.text.setWordWrap(True)
        self.text.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        self.lower_end = KeyButton("It rests on its lower end", "", theme)
        self.lower_end.clicked.connect(lambda: zero.state(mark=False))
        row.addWidget(self.lower_end)
        place = zero.profile.reference.mark
        self.mark: KeyButton | None = None
        if place is not None:
            words = f"It is at {LENGTH(place.position):g}{LENGTH}: {place.name}"
            self.mark = KeyButton(
                f"At {LENGTH(place.position):g}{LENGTH}" if sizes.low else words, "", theme
            )
            self.mark.setToolTip(words)
            self.mark.clicked.connect(lambda: zero.state(mark=True))
            row.addWidget(self.mark)
        row.addSpacing(px(10))
        row.addWidget(QLabel("Seek"))
        self.choices = QButtonGroup(self)
        for number, (name, words) in enumerate(zero.choices):
            button = KeyButton(words, "", theme)
            button.setCheckable(True)
            button.setChecked(name == zero.choice)
            button.clicked.connect(lambda _=False, n=name: self._choose(n))
            self.choices.addButton(button, number)
            row.addWidget(button)
        self.hold = HoldButton(theme, sizes, zero.press, zero.let_go)
        self.hold.setMinimumHeight(px(40))
        row.addWidget(self.hold, 1)
        if sizes.low:  # another line would cover the margins to limits
            row.insertWidget(0, self.text, 1)
        self.refresh()

    def toggle(self) -> None:
        """Show it, or hide it if zero is verified; the hold button gets the focus."""
        self.open = not self.open
        self.refresh()
        if self.isVisible():
            self.hold.setFocus()

    def let_go(self) -> None:
        self.hold.release_all()

    def _choose(self, name: str) -> None:
        if not self.zero.running:
            self.zero.choice = name

    def refresh(self) -> None:
        zero = self.zero
        wanted = self.open or zero.running or not zero.verified
        if wanted != self.isVisibleTo(self.parentWidget() or self):
            self.setVisible(wanted)
        if not wanted:
            return
        why_not = "" if zero.running else zero.why_not
        self.text.setText(zero.text or zero.how)
        self.hold.setToolTip(f"{zero.clear}.")
        self.text.setObjectName("warning" if zero.wrong or not zero.verified else "quiet")
        for button in (self.lower_end, self.mark, *self.choices.buttons()):
            if button is not None:
                button.setEnabled(not zero.running and not why_not)
        self.hold.setEnabled(zero.running or not why_not)
        if why_not:
            words = zero.sentence(why_not)
        elif zero.moving:
            words = "Held"
        else:
            words = "Hold to seek"
        self.hold.show_as(words, zero.moving and zero.held)
