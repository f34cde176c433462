"""Export of the selection to a file, in the format of the file's ending."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from PySide6.QtWidgets import QHBoxLayout, QLabel, QLineEdit, QVBoxLayout, QWidget

from hil.analysis import (
    DATA_ENDINGS,
    FIGURE_ENDINGS,
    Line,
    draw_figure,
    export_table,
    lines_of,
    select,
)
from hil.recorder import RunError
from ui.dashboard.runs.opened import Opened
from ui.dashboard.widgets import Sizes

FIELDS = (("Export to", ""), ("rate (Hz)", "as recorded"), ("width", "single"))


class ExportForm(QWidget):
    """Form for file, rate and width of a figure; Enter in any field writes.

    Args:
        write: called with the file's name, the rate (None: as recorded) and the width.
    """

    def __init__(self, sizes: Sizes, write: Callable[[str, float | None, str], object]) -> None:
        super().__init__()
        self._write = write
        row = QHBoxLayout()
        row.setSpacing(sizes.px(6))
        self.fields: list[QLineEdit] = []
        for word, hint in FIELDS:
            field = QLineEdit()
            field.setPlaceholderText(hint)
            field.setAccessibleName(word)
            field.returnPressed.connect(self.enter)
            self.fields.append(field)
            row.addWidget(QLabel(word))
            row.addWidget(field, 0 if self.fields[1:] else 1)
            if self.fields[1:]:
                field.setFixedWidth(sizes.px(145))
        self.said = QLabel()
        self.said.setObjectName("quiet")
        self.said.setWordWrap(True)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(sizes.px(4))
        column.addLayout(row)
        column.addWidget(self.said)  # next to the fields it would leave no room for the file's name
        self.hide()

    def begin(self, name: str, what: str) -> None:
        """Prompt for a file; ``what`` describes what will be written."""
        if not self.fields[0].text():
            self.fields[0].setText(f"{name}.csv")
        self.said.setText(f"{what}; {' '.join(DATA_ENDINGS + FIGURE_ENDINGS)}")
        self.show()
        self.fields[0].setFocus()
        self.fields[0].selectAll()

    def enter(self) -> None:
        file, rate, width = (field.text().strip() for field in self.fields)
        try:
            rate_hz = float(rate.replace(",", ".")) if rate else None
        except ValueError:
            self.said.setText(f"rate '{rate}' is not a number of Hz")
            return
        self._write(file, rate_hz, width or "single")


def write_selection(
    opened: Opened, file: str, span_s: tuple[float, float], rate_hz: float | None, width: str
) -> str:
    """Write the shown columns of the selection; return what was written, as text.

    Raises:
        RunError: nothing recorded is open, several runs for a data file, or see ``select``,
            ``export_table`` and ``draw_figure``.
    """
    target = Path(file).expanduser()
    runs = opened.runs
    if not runs:
        raise RunError("the live bench is not a run yet; record it (R), then export the run")
    figure = target.suffix in FIGURE_ENDINGS
    if len(runs) > 1 and not figure:
        raise RunError("a data file holds one run; open only one, or choose .svg or .pdf")
    lines: list[Line] = []
    count = 0
    for k, run in enumerate(runs):
        start_s, end_s = (time_s - opened.shifts[k] for time_s in span_s)
        table = select(run, opened.chosen, start_s, end_s, rate_hz)
        count += table.num_rows
        if figure:
            lines += lines_of(table, run.name if len(runs) > 1 else "")
        else:
            export_table(table, target)
    if figure:
        draw_figure(lines, target, width)
    return f"{count} samples in {target}"
