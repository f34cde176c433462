"""The hold-to-run control of the page: held by the mouse or Space, released by anything else."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QEvent, Qt
from PySide6.QtGui import QFocusEvent, QHideEvent, QKeyEvent, QMouseEvent
from PySide6.QtWidgets import QPushButton, QSizePolicy

from ui.dashboard.widgets.theme import Sizes, Theme


class HoldButton(QPushButton):
    """Button that calls ``press`` once when pressed and ``let_go`` once when released.

    It is released with the mouse button or the key, and also when the mouse leaves it, it loses
    the focus, its window becomes inactive, or it is hidden or disabled. Key repeat neither presses
    nor releases it.
    """

    def __init__(
        self, theme: Theme, sizes: Sizes, press: Callable[[], None], let_go: Callable[[], None]
    ) -> None:
        super().__init__()
        self._press, self._let_go = press, let_go
        self.held = False
        self._look = ""
        self._theme, self._sizes = theme, sizes
        self.setAccessibleName("Hold to run")
        self.setAccessibleDescription(
            "The rig may move only while this is held, by the mouse or by the space bar."
        )
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setMinimumHeight(sizes.px(74))
        self.show_as("", False)

    def show_as(self, words: str, acts: bool) -> None:
        """Set its text, and whether the rig regards it as held."""
        self.setText(words)
        theme, px = self._theme, self._sizes.px
        ground, ink, edge = (
            (theme.accent, theme.on_accent, theme.ink)
            if acts
            else (theme.raised, theme.ink, theme.accent)
        )
        look = (
            f"QPushButton {{ background: {ground}; color: {ink}; border: {px(4)}px "
            f"{'solid' if acts else 'dashed'} {edge}; border-radius: {px(8)}px; "
            f"font-size: {self._sizes.state_pt}pt; font-weight: 700; }}"
        )
        if look != self._look:  # a style sheet is costly to set
            self._look = look
            self.setStyleSheet(look)

    def release_all(self) -> None:
        """Release it, whatever holds it."""
        if self.held:
            self.held = False
            self.setDown(False)
            self._let_go()

    def _hold(self) -> None:
        if not self.held and self.isEnabled():
            self.held = True
            self.setDown(True)
            self._press()

    def mousePressEvent(self, event: QMouseEvent) -> None:
        if event.button() is Qt.MouseButton.LeftButton:
            self.setFocus(Qt.FocusReason.MouseFocusReason)
            self._hold()
        event.accept()

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        if not self.rect().contains(event.position().toPoint()):
            self.release_all()
        event.accept()

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        if event.button() is Qt.MouseButton.LeftButton:
            self.release_all()
        event.accept()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() == Qt.Key.Key_Space:
            if not event.isAutoRepeat():
                self._hold()
            event.accept()
        else:
            event.ignore()  # other keys answer questions meanwhile

    def keyReleaseEvent(self, event: QKeyEvent) -> None:
        if event.key() == Qt.Key.Key_Space:
            if not event.isAutoRepeat():
                self.release_all()
            event.accept()
        else:
            event.ignore()

    def focusOutEvent(self, event: QFocusEvent) -> None:
        self.release_all()
        super().focusOutEvent(event)

    def hideEvent(self, event: QHideEvent) -> None:
        self.release_all()
        super().hideEvent(event)

    def changeEvent(self, event: QEvent) -> None:
        super().changeEvent(event)
        if event.type() is QEvent.Type.EnabledChange and not self.isEnabled():
            self.release_all()
