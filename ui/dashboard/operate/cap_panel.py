"""The session cap: a row at the foot of the Operate page, shown by its key."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import Qt
from PySide6.QtGui import QFontMetricsF
from PySide6.QtWidgets import QLabel, QLineEdit, QSizePolicy

from ui.dashboard.operate.cap_model import ENTRIES, CapModel
from ui.dashboard.operate.foot_row import FootRow
from ui.dashboard.widgets import EnterField, KeyButton, Sizes, Theme


class CapPanel(FootRow):
    """Mirror of the cap model.

    Args:
        back: called when the panel is closed, to give the focus back.
    """

    def __init__(self, cap: CapModel, theme: Theme, sizes: Sizes, back: Callable[[], None]) -> None:
        self.text = QLabel()
        super().__init__(sizes, self.text)
        self.cap, self._back = cap, back
        self.open = False
        px, row = sizes.px, self.row
        self.text.setWordWrap(True)
        self.text.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        self.entries: dict[str, QLineEdit] = {}
        self._shown: dict[str, str] = {}
        for entry in ENTRIES:
            field = EnterField(self.set)
            field.setAlignment(Qt.AlignmentFlag.AlignRight)
            field.setAccessibleName(f"Cap of {entry.label.lower()} in {entry.unit}")
            field.setFixedWidth(
                round(QFontMetricsF(field.font()).horizontalAdvance("00000.0")) + 18
            )
            label = QLabel(entry.label)
            label.setBuddy(field)
            unit = QLabel(entry.unit)
            unit.setObjectName("quiet")
            for part in (label, field, unit):
                row.addWidget(part)
            row.addSpacing(px(8))
            self.entries[entry.name] = field
        self.set_button = KeyButton("Set", "enter", theme)
        self.set_button.clicked.connect(self.set)
        self.no = KeyButton("Leave it", "no", theme)
        self.no.clicked.connect(self.leave)
        self.yes = KeyButton("Widen", "yes", theme)
        self.yes.clicked.connect(self.confirm)
        self.close_button = KeyButton("Close", "limits", theme)
        self.close_button.clicked.connect(self.toggle)
        for button in (self.set_button, self.no, self.yes, self.close_button):
            row.addWidget(button)
        row.addStretch(1)
        self.hide()
        self.refresh()

    def toggle(self) -> None:
        """Show the row with the first value in focus, or hide it."""
        self.open = not self.open
        self.cap.leave()
        self._shown.clear()
        self.refresh()
        if self.open:
            first = self.entries[ENTRIES[0].name]
            first.setFocus()
            first.selectAll()
        else:
            self._back()

    @property
    def asking(self) -> bool:
        """True if a wider cap awaits confirmation."""
        return self.open and self.cap.asking is not None

    def set(self) -> None:
        """Request what is typed."""
        self.cap.ask({name: field.text() for name, field in self.entries.items()})
        self.refresh()
        if self.asking:
            self.no.setFocus()

    def confirm(self) -> None:
        """Widen as requested."""
        self.cap.confirm()
        self._shown.clear()
        self.refresh()

    def leave(self) -> None:
        """Leave the cap as it is, and show it."""
        self.cap.leave()
        self._shown.clear()
        self.refresh()

    def refresh(self) -> None:
        """Show the values in force, unless another is being typed."""
        if self.open != self.isVisibleTo(self.parentWidget() or self):
            self.setVisible(self.open)
        if not self.open:
            return
        cap = self.cap
        for entry in ENTRIES:
            shown = cap.shown(entry)
            if shown != self._shown.get(entry.name):
                self._shown[entry.name] = shown
                self.entries[entry.name].setText(shown)
        own = cap.own
        own_text = ", ".join(f"{e.factor * own[e.name]:.4g} {e.unit}" for e in ENTRIES)
        self.text.setText(cap.text or f"{cap.how}. Without one: {own_text}.")
        name = "warning" if cap.wrong or cap.asking is not None else "quiet"
        if name != self.text.objectName():
            self.text.setObjectName(name)
            self.text.style().unpolish(self.text)
            self.text.style().polish(self.text)
        self.set_button.setVisible(not self.asking)
        self.no.setVisible(self.asking)
        self.yes.setVisible(self.asking)
