"""Pages of the window, and their context."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from PySide6.QtWidgets import QWidget

from ui.dashboard.bench.operate_model import OperateModel
from ui.dashboard.bench.session import Session
from ui.dashboard.widgets import Sizes, Slice, Theme


@dataclass(frozen=True)
class PageContext:
    """Context that a page is built with.

    Attributes:
        model: the bench as the window knows it: state, latest row, whether it may act.
        session: takes requests; None for a still picture.
        view: the page's own view model, as its entry made it; None without one.
        runs_directory: where runs are kept, None if not known.
        show_page: shows the page with a given title.
    """

    model: OperateModel
    session: Session | None
    view: Any
    theme: Theme
    sizes: Sizes
    runs_directory: Path | None
    show_page: Callable[[str], None]

    def heartbeat(self) -> None:
        """Send a heartbeat, between the parts of a page that is slow to build."""
        if self.session is not None:
            self.session.heartbeat()


class Page(QWidget):
    """A page; every method may be left as it is."""

    def keys(self) -> dict[int, Callable[[], object]]:
        """Return actions by ``Qt.Key``, for keys that neither focused widget nor window takes."""
        return {}

    def first_focus(self) -> QWidget | None:
        """Return the widget to focus when the page is shown."""
        return None

    def shown(self) -> None:
        """Do what follows from having just been shown."""

    def frame(self) -> None:
        """Redraw what moves, about 25 times a second while shown; less often on a slow computer."""

    def refresh(self) -> None:
        """Update texts and enabled controls, about 10 times a second while shown."""

    def frame_slices(self) -> list[Slice]:
        """Return ``frame`` in parts of a few milliseconds each, with heartbeats in between.

        A part that draws should ``repaint()`` its widget: ``update()`` would gather all parts
        in one long pass.
        """
        return [self.frame]

    def word_slices(self) -> list[Slice]:
        """Return ``refresh`` in parts, likewise."""
        return [self.refresh]

    def let_go(self) -> None:
        """End what lasts only while something is held: the window has lost the keyboard."""

    def carry_from(self, old: Page) -> None:
        """Take over what was set and shown from the page that this one replaces."""


@dataclass(frozen=True)
class PageEntry:
    """One line of ``ui.dashboard.page_entries.PAGES``.

    Attributes:
        title: title on the page's button.
        key: shortcut to it from any page, as ``QKeySequence`` writes it.
        page: makes the widget; called again whenever theme or size changes.
        view: makes the page's view model, once, from the bench's model, the session (or None)
            and the folder of runs (or None).
        help_topic: topic of the manual that F1 opens on this page.
    """

    title: str
    key: str
    page: Callable[[PageContext], Page]
    view: Callable[[OperateModel, Session | None, Path | None], Any] | None = None
    help_topic: str = "index"
