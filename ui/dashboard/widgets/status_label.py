"""A text with two styles, calm and alarming. Two labels: a restyled one keeps old margins."""

from __future__ import annotations

from PySide6.QtWidgets import QHBoxLayout, QLabel, QWidget


class StatusLabel(QWidget):
    """Label that shows the text of ``say`` in the style of one of two object names."""

    def __init__(self, calm: str, alarming: str, wrap: bool = False) -> None:
        super().__init__()
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        self._labels = (QLabel(), QLabel())
        for label, name in zip(self._labels, (calm, alarming), strict=True):
            label.setObjectName(name)
            label.setWordWrap(wrap)
            row.addWidget(label)
        self._labels[1].hide()
        self._said = ("", False)

    def say(self, text: str, alarm: bool) -> None:
        if (text, alarm) == self._said:
            return
        self._said = (text, alarm)
        for label, shown in zip(self._labels, (not alarm, alarm), strict=True):
            label.setText(text if shown else "")
            label.setVisible(shown)
        self.setAccessibleName(text)

    def text(self) -> str:
        return self._said[0]
