"""Keys by name: codes and texts of ``ui.manual.key_table``."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from PySide6.QtCore import Qt
from PySide6.QtGui import QKeySequence, QShortcut
from PySide6.QtWidgets import QWidget

from ui.manual.key_table import BY_NAME

_CODES = {
    "Enter": (Qt.Key.Key_Return, Qt.Key.Key_Enter),
    "Ins": (Qt.Key.Key_Insert,),
    "Del": (Qt.Key.Key_Delete,),
    "Page up": (Qt.Key.Key_PageUp,),
    "Page down": (Qt.Key.Key_PageDown,),
}


def codes(name: str) -> tuple[Qt.Key, ...]:
    """Return the codes of a key.

    Raises:
        KeyError: no key of this name.
    """
    key = BY_NAME[name].key
    if key in _CODES:
        return _CODES[key]
    return (QKeySequence.fromString(key)[0].key(),)  # type: ignore[index]


def bound(acts: Mapping[str, Callable[[], object]]) -> dict[int, Callable[[], object]]:
    """Return actions by key code, from actions by name."""
    return {int(code): act for name, act in acts.items() for code in codes(name)}


def shortcut(name: str, parent: QWidget, act: Callable[[], object]) -> QShortcut:
    """Make a shortcut within ``parent`` and its children, for a key with a modifier."""
    made = QShortcut(QKeySequence(BY_NAME[name].key), parent)
    made.setContext(Qt.ShortcutContext.WidgetWithChildrenShortcut)
    made.activated.connect(act)
    return made
