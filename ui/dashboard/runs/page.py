"""The Runs page: the list, and next to it or in its place the opened runs."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtWidgets import QHBoxLayout, QLabel, QLineEdit, QVBoxLayout, QWidget

from hil.recorder import RunSummary
from ui.dashboard.bench import Page, PageContext
from ui.dashboard.runs.label_form import LabelForm
from ui.dashboard.runs.model import RunsModel
from ui.dashboard.runs.opened import MOST_OVERLAID, Opened
from ui.dashboard.runs.opened_panel import OpenedPanel
from ui.dashboard.runs.table import LENGTH, RunTable
from ui.dashboard.widgets import KeyButton, bound, shortcut


class SearchLine(QLineEdit):
    """Field that searches while typing; Enter and the down arrow go to the table."""


class RunsPage(Page):
    """List on the left, the opened run on the right; either may fill the page."""

    def __init__(self, place: PageContext) -> None:
        super().__init__()
        self.runs: RunsModel = place.view
        self.theme, self.sizes = theme, sizes = place.theme, place.sizes
        px = sizes.px
        self.table = RunTable(sizes, self.open_row)
        self.search = SearchLine()
        self.search.setPlaceholderText("Search: words, #tag (Ctrl+F)")
        self.search.setAccessibleName("Search the runs")
        self.search.setText(self.runs.search)
        self.search.textChanged.connect(self._find)
        self.search.returnPressed.connect(self.table.setFocus)
        title = QLabel("Runs")
        title.setObjectName("head")
        self.count = QLabel()
        self.count.setObjectName("quiet")
        head = QHBoxLayout()
        head.addWidget(title)
        head.addWidget(self.count)
        head.addWidget(self.search, 1)
        self.text = QLabel()
        self.text.setObjectName("quiet")
        self.text.setWordWrap(True)
        self.form = LabelForm(sizes, self._keep_labels, self.table.setFocus)
        self._acts = (
            ("Open", "enter", self.open_chosen, "Open the chosen run, or all that are joined"),
            ("Overlay", "join", self.join, f"Overlay the run with others, up to {MOST_OVERLAID}"),
            ("Live", "present", self.open_live, "The bench's last ten minutes, live"),
            ("Label", "note", self.begin_label, "Name, tags and note"),
            ("Pin", "keep", self.pin, "At the top of the list, never into the bin"),
            ("Bin", "discard", self.bin, "Move the run into the bin"),
            ("Put back", "put_back", self.put_back, "Restore the last one from the bin"),
            ("Read again", "read_again", self.renew, "Read the folder again"),
        )
        self.buttons: dict[str, KeyButton] = {}
        rows = [QHBoxLayout(), QHBoxLayout()]
        for i, (word, name, act, hint) in enumerate(self._acts):
            button = KeyButton(word, name, theme)
            button.setToolTip(hint)
            button.setStyleSheet(f"padding-left: {px(6)}px; padding-right: {px(6)}px")
            button.clicked.connect(lambda _=False, act=act: act())
            self.buttons[word] = button
            rows[i // 4].addWidget(button)
        self.left = QWidget()
        left = QVBoxLayout(self.left)
        left.setContentsMargins(px(16), px(8), px(10), px(8))
        left.setSpacing(px(6))
        left.addLayout(head)
        left.addWidget(self.table, 1)
        left.addWidget(self.text)
        left.addWidget(self.form)
        for row in rows:
            row.addStretch(1)
            left.addLayout(row)
        self.panel = OpenedPanel(theme, sizes, self.runs, self.toggle_list)
        self.panel.hide()
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(0)
        row.addWidget(self.left, 42)
        row.addWidget(self.panel, 58)
        for name, act in (
            ("search", self.begin_search),
            ("put_back", self.put_back),
            ("read_again", self.renew),
            *self.panel.shortcuts,
        ):
            shortcut(name, self, act)
        self._shown: Opened | None = None
        self._rows: list[RunSummary] | None = None
        self._changes = 0
        self.table.fit()
        self._fill()

    # ------------------------------------------------------------------ acts

    @property
    def chosen(self) -> RunSummary | None:
        """The chosen run of the list."""
        row = self.table.row
        return self.runs.runs[row] if 0 <= row < len(self.runs.runs) else None

    def renew(self) -> None:
        self.runs.renew()

    def open_row(self, row: int) -> None:
        """Open a run; all that are joined, if it is one of them."""
        if not 0 <= row < len(self.runs.runs):
            return
        run = self.runs.runs[row]
        names = self.table.rows.overlaid
        if run.path.name in names and len(names) > 1:
            found = {each.path.name: each for each in self.runs.all}
            self.runs.open(*(found[name] for name in names if name in found))
        else:
            self.runs.open(run)
        self.text.setText(self.runs.text)

    def open_chosen(self) -> None:
        self.open_row(self.table.row)

    def open_live(self) -> None:
        self.runs.open_live()
        self._fill()

    def join(self) -> None:
        """Add the chosen run to the runs to overlay, or remove it."""
        run, names = self.chosen, self.table.rows.overlaid
        if run is None:
            return
        if run.path.name in names:
            names.remove(run.path.name)
        elif len(names) < MOST_OVERLAID:
            names.append(run.path.name)
        else:
            self.runs.text = f"{MOST_OVERLAID} runs are joined; J on one of them removes it."
            self._fill()
            return
        self.runs.text = (
            f"{len(names)} joined; Enter on one of them overlays them."
            if len(names) > 1
            else "One joined; J on another overlays it."
            if names
            else ""
        )
        self._fill()
        self.table.viewport().update()

    def begin_label(self) -> None:
        run = self.chosen
        if self.form.isVisible():
            self.form.close_form()
        elif run is not None:
            self._show_list(True)
            self.form.begin(run)

    def pin(self) -> None:
        run = self.chosen
        if run is not None:
            self.runs.label(run, pinned=not run.pinned)
            self._fill(run.path.name)

    def bin(self) -> None:
        run = self.chosen
        if run is not None:
            self.runs.bin(run)
            self._fill()

    def put_back(self) -> None:
        name = self.runs.binned[-1] if self.runs.binned else ""
        self.runs.put_back()
        self._fill(name)

    def begin_search(self) -> None:
        self._show_list(True)
        self.search.setFocus()
        self.search.selectAll()

    def toggle_list(self) -> None:
        """Give the picture the page, or restore the list."""
        self._show_list(self.left.isHidden())

    def _show_list(self, on: bool) -> None:
        self.left.setVisible(on or self.panel.isHidden())
        (self.table if on else self.panel.picture).setFocus()

    def _find(self, words: str) -> None:
        self.runs.find(words)
        self._fill()

    def _keep_labels(self, run: RunSummary, name: str, tags: tuple[str, ...], note: str) -> str:
        kept = None if note == run.note else note
        changes: dict[str, object] = {"name": name, "tags": tags}
        if kept is not None:
            changes["note"] = kept
        wrong = self.runs.label(run, **changes)
        self._fill(run.path.name)
        return wrong

    # ------------------------------------------------------------------ page

    def keys(self) -> dict[int, Callable[[], object]]:
        acts: dict[str, Callable[[], object]] = {
            "join": self.join,
            "present": self.open_live,
            "note": self.begin_label,
            "keep": self.pin,
            "discard": self.bin,
        }
        return bound(acts | self.panel.keys() if not self.panel.isHidden() else acts)

    def first_focus(self) -> QWidget:
        return self.panel.picture if self.left.isHidden() else self.table

    def shown(self) -> None:
        if self.form.isVisible():
            self.form.close_form()
        self.renew()

    def carry_from(self, old: Page) -> None:
        if isinstance(old, RunsPage):
            self.table.rows.overlaid = old.table.rows.overlaid
            self.table.choose(old.table.row)
            self.panel.carry_from(old.panel)
            if old.left.isHidden():
                self.left.hide()

    def frame(self) -> None:
        self.panel.frame()

    def refresh(self) -> None:
        """Take results of the background; called repeatedly while the page is shown."""
        self.runs.take()
        if self.runs.changes != self._changes:
            self._changes = self.runs.changes
            self._fill()
        self.panel.refresh()

    def _fill(self, choose: str = "") -> None:
        runs = self.runs
        self.text.setText(runs.text)
        self.text.setVisible(bool(runs.text))
        if self._rows is not runs.runs:
            before = self.table.row
            name = choose or (
                self._rows[before].path.name if self._rows and 0 <= before < len(self._rows) else ""
            )
            self._rows = runs.runs
            self.table.rows.show_runs(runs.runs)
            names = [run.path.name for run in runs.runs]
            row = names.index(name) if name in names else min(max(before, 0), len(names) - 1)
            self.table.choose(row)
        found, all_ = len(runs.runs), len(runs.all)
        self.count.setText(f"{found} of {all_}" if found != all_ else f"{all_}")
        self.buttons["Put back"].setEnabled(bool(runs.binned))
        if runs.opened is not None and runs.opened is not self._shown:
            self._shown = runs.opened
            self.panel.show()
            self.table.setColumnHidden(LENGTH, True)  # room for the contents of a run
            self.panel.show_opened(runs.opened)
        elif runs.opened is not None:
            self.panel.renew()
