"""The sequence editor on the Operate page, in place of charts and deck."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QStringListModel, Qt, QTimer
from PySide6.QtGui import QColor, QFont, QFontDatabase, QKeyEvent, QTextCursor, QTextFormat
from PySide6.QtWidgets import (
    QCompleter,
    QHBoxLayout,
    QLabel,
    QPlainTextEdit,
    QSizePolicy,
    QTextEdit,
    QVBoxLayout,
    QWidget,
)

from ui.dashboard.operate.sequence_editor import SequenceEditor
from ui.dashboard.operate.sequence_hints import hint
from ui.dashboard.operate.setpoint_preview import SetpointPreview
from ui.dashboard.widgets import KeyButton, Sizes, StatusLabel, Theme, shortcut

TYPED_MS = 300  # after the last key, before the text is checked
MOST_SHOWN = 4  # problems at once
LIST_PX = 260  # width of the list of words


class SequenceText(QPlainTextEdit):
    """YAML editor with completion (Ctrl+Space); Tab gives two blanks, Enter keeps indentation."""

    def __init__(self, hints: Callable[[str, int], tuple[tuple[str, ...], str]]) -> None:
        super().__init__()
        self._hints = hints
        self.setLineWrapMode(QPlainTextEdit.LineWrapMode.NoWrap)
        self.setAccessibleName("Text of the sequence")
        self._words = QStringListModel(self)
        self.completer = QCompleter(self._words, self)
        self.completer.setWidget(self)
        self.completer.activated.connect(self.complete)

    def offer(self) -> None:
        """Complete the word at the cursor; offer a list if several fit."""
        words, typed = self._hints(self.toPlainText(), self.textCursor().position())
        if len(words) == 1:
            self.complete(words[0])
        elif words:
            self._words.setStringList(list(words))
            self.completer.setCompletionPrefix(typed)
            rect = self.cursorRect()
            rect.setWidth(LIST_PX)
            self.completer.complete(rect)

    def complete(self, word: str) -> None:
        """Replace the typed part of a word by the whole word."""
        _, typed = self._hints(self.toPlainText(), self.textCursor().position())
        cursor = self.textCursor()
        cursor.movePosition(
            QTextCursor.MoveOperation.Left, QTextCursor.MoveMode.KeepAnchor, len(typed)
        )
        cursor.insertText(word)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        key = event.key()
        popup = self.completer.popup()
        if (
            popup is not None
            and popup.isVisible()
            and key in (Qt.Key.Key_Return, Qt.Key.Key_Enter, Qt.Key.Key_Tab)
        ):
            event.ignore()  # the list handles it
        elif key == Qt.Key.Key_Tab:
            self.insertPlainText("  ")
        elif key in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            line = self.textCursor().block().text()
            self.insertPlainText("\n" + line[: len(line) - len(line.lstrip(" "))])
        else:
            super().keyPressEvent(event)


class EditorPanel(QWidget):
    """Mirror of the editor's model.

    Args:
        back: shows the sequences again. saved: called once a file is written.
    """

    def __init__(
        self,
        editor: SequenceEditor,
        theme: Theme,
        sizes: Sizes,
        back: Callable[[], None],
        saved: Callable[[], None],
    ) -> None:
        super().__init__()
        self.editor, self._back, self._saved = editor, back, saved
        self.theme = theme
        px = sizes.px
        self.title = QLabel()
        self.title.setObjectName("head")
        self.save_button = KeyButton("Save", "export", theme)
        self.save_button.clicked.connect(self.save)
        self.complete_button = KeyButton("Complete", "complete", theme)
        self.complete_button.clicked.connect(self.complete)
        self.close_button = KeyButton("Close", "edit", theme)
        self.close_button.clicked.connect(back)
        self.entry = SequenceText(self._hints)
        font = QFontDatabase.systemFont(QFontDatabase.SystemFont.FixedFont)
        font.setPointSizeF(sizes.text_pt)
        font.setStyleHint(QFont.StyleHint.Monospace)
        self.entry.setFont(font)
        look = f"background: {theme.raised}; color: {theme.ink}; border: 1px solid {theme.rule}"
        self.entry.setStyleSheet(look)
        if (popup := self.entry.completer.popup()) is not None:
            popup.setStyleSheet(f"{look}; font-size: {sizes.text_pt}pt")  # a separate window
        self.range = QLabel()
        self.range.setObjectName("quiet")
        self.problems = StatusLabel("quiet", "warning", wrap=True)
        self.problems.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Minimum)
        self.preview = SetpointPreview(editor.profile, theme, sizes)
        head = QHBoxLayout()
        head.addWidget(self.title, 1)
        for button in (self.complete_button, self.save_button, self.close_button):
            head.addWidget(button)
        column = QVBoxLayout(self)
        column.setContentsMargins(px(14), px(8), px(14), px(8))
        column.setSpacing(px(6))
        column.addLayout(head)
        column.addWidget(self.entry, 6)
        column.addWidget(self.range)
        column.addWidget(self.problems)
        column.addWidget(self.preview, 3)
        self._typed = QTimer(self)
        self._typed.setSingleShot(True)
        self._typed.setInterval(TYPED_MS)
        self._typed.timeout.connect(editor.check)
        self.entry.textChanged.connect(self._changed)
        self.entry.cursorPositionChanged.connect(self._moved)
        shortcut("export", self, self.save)
        shortcut("complete", self, self.complete)
        self._marked: dict[int, str] | None = None
        # The deck, whose place it takes, would otherwise become as wide.
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Expanding)

    def _hints(self, text: str, cursor: int) -> tuple[tuple[str, ...], str]:
        found = hint(text, cursor, self.editor.profile)
        return found.words, found.typed

    def show_editor(self) -> None:
        """Show the text of the model; the text has the focus."""
        self.entry.setPlainText(self.editor.text)
        self._typed.stop()
        self._marked = None
        self.refresh()
        self.entry.setFocus()

    def save(self) -> None:
        """Write the file."""
        self.editor.save(self._saved)
        self.refresh()

    def complete(self) -> None:
        """Complete the word at the cursor."""
        self.entry.setFocus()
        self.entry.offer()

    def _changed(self) -> None:
        text = self.entry.toPlainText()
        if text != self.editor.text:
            self.editor.write(text)
            self._typed.start()

    def _moved(self) -> None:
        found = hint(
            self.entry.toPlainText(), self.entry.textCursor().position(), self.editor.profile
        )
        self.range.setText(found.range or ("Ctrl+Space completes" if found.words else " "))

    def refresh(self) -> None:
        """Show what the latest check has found."""
        editor = self.editor
        editor.turn()
        star = " *" if editor.dirty else ""
        self.title.setText(f"{editor.file.name if editor.file else ''}{star}")
        lines = editor.lines
        if editor.said:
            self.problems.say(editor.said, editor.wrong)
        elif lines:
            shown = [f"line {n}: {text}" if n else text for n, text in lines.items()]
            more = len(shown) - MOST_SHOWN
            words = shown[:MOST_SHOWN] + ([f"and {more} more"] if more > 0 else [])
            self.problems.say("\n".join(words), True)
        elif not editor.up_to_date:
            self.problems.say("Checking", False)
        elif editor.checked.limited:
            self.problems.say("\n".join(editor.checked.limited[:MOST_SHOWN]), True)
        else:
            self.problems.say("No errors.", False)
        self.preview.show_plan(editor.checked.plan, None)
        if lines != self._marked:
            self._marked = lines
            self._mark(lines)

    def _mark(self, lines: dict[int, str]) -> None:
        marks = []
        for number, words in lines.items():
            block = self.entry.document().findBlockByNumber(number - 1)
            if number < 1 or not block.isValid():
                continue
            mark = QTextEdit.ExtraSelection()
            mark.format.setBackground(self._tint())
            mark.format.setProperty(QTextFormat.Property.FullWidthSelection, True)
            mark.format.setToolTip(words)
            mark.cursor = QTextCursor(block)
            marks.append(mark)
        self.entry.setExtraSelections(marks)

    def _tint(self) -> QColor:
        colour = QColor(self.theme.warning)
        colour.setAlphaF(0.25)
        return colour
