"""Name, tags and note of a run, typed in place."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtWidgets import QGridLayout, QLabel, QLineEdit, QWidget

from hil.recorder import RunSummary
from ui.dashboard.widgets import Sizes


class LabelForm(QWidget):
    """Form in which Enter in any field keeps all three.

    Args:
        keep: called with the run, name, tags and note; returns '' or what is wrong.
        closed: called when the form has been closed.
    """

    def __init__(
        self,
        sizes: Sizes,
        keep: Callable[[RunSummary, str, tuple[str, ...], str], str],
        closed: Callable[[], object],
    ) -> None:
        super().__init__()
        self._keep = keep
        self._closed = closed
        self.run: RunSummary | None = None
        self.fields: list[QLineEdit] = []
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setVerticalSpacing(sizes.px(4))
        for row, (word, hint) in enumerate(
            (
                ("Name", "empty: the recorded one"),
                ("Tags", "words, such as  stiff spring-3"),
                ("Note", "what a colleague should know about it"),
            )
        ):
            field = QLineEdit()
            field.setPlaceholderText(hint)
            field.setAccessibleName(word)
            field.returnPressed.connect(self.keep)
            self.fields.append(field)
            grid.addWidget(QLabel(word), row, 0)
            grid.addWidget(field, row, 1)
        self.wrong = QLabel()
        self.wrong.setObjectName("quiet")
        self.wrong.setWordWrap(True)
        grid.addWidget(self.wrong, 3, 0, 1, 2)
        self.hide()

    def begin(self, run: RunSummary) -> None:
        self.run = run
        own = run.path.name == f"{run.number:04d}-{run.name}"
        for field, text in zip(
            self.fields, ("" if own else run.name, " ".join(run.tags), run.note), strict=True
        ):
            field.setText(text)
        self.wrong.setText("Enter: keep. Tab: next field. F5: discard changes")
        self.show()
        self.fields[0].setFocus()
        self.fields[0].selectAll()

    def keep(self) -> None:
        if self.run is None:
            return
        name, tags, note = (field.text() for field in self.fields)
        words = tuple(tag.lstrip("#") for tag in tags.replace(",", " ").split())
        wrong = self._keep(self.run, name, words, note)
        if wrong:
            self.wrong.setText(wrong)
        else:
            self.close_form()

    def close_form(self) -> None:
        self.hide()
        self._closed()
