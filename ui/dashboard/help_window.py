"""The manual in a separate window, opened by F1 at the topic of the page."""

from __future__ import annotations

import re
from collections.abc import Callable

from PySide6.QtCore import Qt, QUrl
from PySide6.QtGui import QKeySequence, QShortcut
from PySide6.QtWidgets import (
    QHBoxLayout,
    QLineEdit,
    QListWidget,
    QTextBrowser,
    QVBoxLayout,
    QWidget,
)

from ui.dashboard.widgets import THEMES, Sizes, Theme, style_sheet
from ui.manual import TOPICS, find_topic, page_text, search
from ui.manual.catalogue import FOLDER
from ui.manual.key_table import BY_NAME

MOST_HITS = 60


class HelpWindow(QWidget):
    """Topics on the left, the page on the right, a search above both.

    ``stop`` stops the rig: Esc does so here as in the window of the bench.
    """

    def __init__(self, stop: Callable[[], None]) -> None:
        super().__init__()
        self.setWindowTitle("Manual – Hookeline")
        self.setObjectName("sheet")
        self.resize(1200, 760)
        self.topic = "index"
        self._link_colour = THEMES["light"].measured
        self.entry = QLineEdit()
        self.entry.setPlaceholderText("Search the manual (Ctrl+F)")
        self.entry.setAccessibleName("Search the manual")
        self.list = QListWidget()
        self.list.setFixedWidth(380)
        self.list.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.page = QTextBrowser()
        self.page.setOpenLinks(False)
        self.page.setSearchPaths([str(FOLDER)])
        row = QHBoxLayout()
        row.addWidget(self.list)
        row.addWidget(self.page, 1)
        column = QVBoxLayout(self)
        column.addWidget(self.entry)
        column.addLayout(row, 1)
        self.entry.textChanged.connect(self._fill)
        self.list.currentRowChanged.connect(self._chosen)
        self.page.anchorClicked.connect(self._follow)
        QShortcut(QKeySequence.StandardKey.Find, self).activated.connect(self.entry.setFocus)
        escape = QShortcut(QKeySequence(Qt.Key.Key_Escape), self)
        escape.setAutoRepeat(False)
        escape.activated.connect(stop)
        again = QShortcut(QKeySequence(BY_NAME["help"].key), self)
        again.activated.connect(lambda: self.show_topic("keys"))
        self._names: list[str] = []
        self._fill("")

    def apply_theme(self, theme: Theme, sizes: Sizes) -> None:
        """Take the look of the bench's window."""
        self.setStyleSheet(
            style_sheet(theme, sizes)
            + f"QListWidget, QTextBrowser {{ background: {theme.raised}; color: {theme.ink};"
            f" border: 1px solid {theme.rule}; padding: 6px; }}"
            f"QListWidget::item:selected {{ background: {theme.accent}; color: {theme.on_accent}; }}"
        )
        self._link_colour = theme.measured
        self.show_topic(self.topic)

    def show_topic(self, name: str) -> None:
        """Show the page of this topic.

        Raises:
            ManualError: the manual has no such topic.
        """
        self.topic = name
        self.page.setMarkdown(page_text(find_topic(name)))
        # Links of a Markdown text take the application's colour, which is dark on dark.
        application = self.page.palette().link().color().name()
        html = self.page.toHtml().replace(application, self._link_colour)
        # The text's own font would be smaller than the window's.
        self.page.setHtml(re.sub(r"<body[^>]*>", "<body>", html))

    def _fill(self, word: str) -> None:
        """List all topics, or those that contain ``word`` with the first line that does."""
        word = word.strip()
        if word:
            first = {
                hit.topic.name: f"{hit.topic.title}: {hit.line}" for hit in [*search(word)][::-1]
            }
            shown = list(first.items())[::-1][:MOST_HITS]
        else:
            shown = [(topic.name, topic.title) for topic in TOPICS]
        self.list.blockSignals(True)
        self.list.clear()
        self._names = [name for name, _ in shown]
        self.list.addItems([text for _, text in shown] or ["nothing found"])
        self.list.blockSignals(False)

    def _chosen(self, row: int) -> None:
        if 0 <= row < len(self._names):
            self.show_topic(self._names[row])

    def _follow(self, url: QUrl) -> None:
        name = url.fileName().removesuffix(".md")
        if any(topic.name == name for topic in TOPICS):
            self.show_topic(name)
