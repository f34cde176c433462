"""The top edge: the rig's name, the pages, and the state of connection and timing."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence

from PySide6.QtCore import Qt
from PySide6.QtGui import QFont, QFontMetricsF, QGuiApplication
from PySide6.QtWidgets import QButtonGroup, QHBoxLayout, QLabel, QPushButton, QSizePolicy, QWidget

from ui.dashboard.bench import HealthWord, OperateModel, health, rig_text
from ui.dashboard.spring_button import SpringButton
from ui.dashboard.widgets import KeyButton, Sizes, Theme

NAME_PX = 300  # widest name of a profile


class Header(QWidget):
    """Name of the profile, pages, health as text.

    Args:
        pages: title and key of each.
        show_page: called with the title of a page.
        swap_theme: called by the light/dark button.
        record: called to start or end a run.
        begin_anew: called once another set of springs is chosen: the window closes.
    """

    def __init__(
        self,
        model: OperateModel,
        theme: Theme,
        sizes: Sizes,
        *,
        pages: Sequence[tuple[str, str]],
        show_page: Callable[[str], None],
        swap_theme: Callable[[], None],
        record: Callable[[], None],
        begin_anew: Callable[[], object],
    ) -> None:
        super().__init__()
        self.model = model
        self.theme = theme
        self.setObjectName("header")
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        px = sizes.px
        shown = short_name(model.profile.name, self.font(), sizes)
        name = QLabel(shown)
        name.setObjectName("head")
        rig = QLabel(rig_text(model.profile))
        rig.setObjectName("quiet")
        if sizes.scale < 1.0:
            rig.hide()  # health and control need the room
        row = QHBoxLayout(self)
        row.setContentsMargins(px(20), 0, px(12), 0)
        row.setSpacing(px(10))
        self.springs = SpringButton(model, theme, begin_anew) if model.springs else None
        if self.springs is not None:
            self.springs.setText(f"{shown} ▾")
        name.setToolTip(f"{model.profile.name}\n{rig.text()}")
        row.addWidget(self.springs or name)
        row.addWidget(rig)
        row.addSpacing(px(14))
        self.pages = QButtonGroup(self)
        for i, (word, key) in enumerate(pages):
            button = QPushButton(word)
            button.setObjectName("page")
            button.setCheckable(True)
            button.setChecked(i == 0)
            button.setToolTip(f"Key {key}")
            button.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Expanding)
            button.clicked.connect(lambda _=False, title=word: show_page(title))
            self.pages.addButton(button, i)
            row.addWidget(button)
        self.health = QLabel()
        self.health.setTextFormat(Qt.TextFormat.RichText)
        self.health.setAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        self.health.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        row.addWidget(self.health, 1)
        self.record = KeyButton("Record", "record", theme)
        self.record.setCheckable(True)
        self.record.clicked.connect(lambda: record())
        row.addWidget(self.record)
        other = "Dark" if theme.name == "light" else "Light"
        self.swap = QPushButton(other)
        self.swap.setToolTip("Light or dark, key F9")
        self.swap.clicked.connect(lambda: swap_theme())
        row.addWidget(self.swap)
        self.setFixedHeight(max(px(46), 40))
        self._shown = ""
        self.refresh()

    def refresh(self) -> None:
        """Update the health; trouble is bold, marked and in another colour."""
        theme = self.theme
        if self.springs is not None:
            self.springs.refresh()
        running = self.model.recording_since is not None
        self.record.setChecked(running)
        gone = self.model.recorder_lost
        self.record.setText("NO RECORDER" if gone else "End run" if running else "Record")
        self.record.setEnabled(not self.model.lock_reason)
        parts = []
        for word in self._fitting([*health(self.model), HealthWord(control_text(self.model))]):
            if word.well:
                parts.append(f'<span style="color:{theme.quiet}">{word.text}</span>')
            else:
                parts.append(f'<b style="color:{theme.warning}">▲ {word.text}</b>')
        text = " · ".join(parts)
        if text != self._shown:
            self._shown = text
            self.health.setText(text)
            self.health.setToolTip("\n".join(w.tooltip for w in health(self.model) if w.tooltip))

    def _fitting(self, words: list[HealthWord]) -> list[HealthWord]:
        """Return the texts that fit: calm ones give way first, then length, then the holder."""
        while self._too_wide(words) and any(word.well for word in words[:-1]):
            del words[max(i for i, word in enumerate(words[:-1]) if word.well)]
        if self._too_wide(words):
            words = [dataclasses.replace(word, text=word.brief or word.text) for word in words]
        if self._too_wide(words) and len(words) > 1:
            del words[-1]
        return words

    def _too_wide(self, words: list[HealthWord]) -> bool:
        plain = QFontMetricsF(self.health.font())
        font = QFont(self.health.font())
        font.setBold(True)
        bold = QFontMetricsF(font)
        wide = sum(
            plain.horizontalAdvance(word.text)
            if word.well
            else bold.horizontalAdvance(f"▲ {word.text}")
            for word in words
        )
        wide += plain.horizontalAdvance(" · ") * (len(words) - 1)
        return 0 < self.health.width() < wide


def short_name(name: str, font: QFont, sizes: Sizes) -> str:
    """Return a profile's name, elided where a long one would hide the state of the rig."""
    font = QFont(font)
    font.setPointSizeF(sizes.head_pt)
    font.setWeight(QFont.Weight.DemiBold)
    return QFontMetricsF(font).elidedText(name, Qt.TextElideMode.ElideRight, sizes.px(NAME_PX))


def control_text(model: OperateModel) -> str:
    if model.in_control:
        return "you hold control"
    return f"{model.holder} holds control" if model.holder else "no client holds control"


def default_size() -> tuple[int, int]:
    """Return a window size that fits the screen."""
    screen = QGuiApplication.primaryScreen()
    if screen is None:
        return 1440, 900
    room = screen.availableSize()
    return min(1440, room.width()), min(900, room.height())
