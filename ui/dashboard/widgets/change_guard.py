"""Guard against needless redrawing: a widget redraws only what has changed. No Qt."""

from __future__ import annotations

PLAIN = (str, int, float, bool, tuple)


class ChangeGuard:
    """Memory of what was shown last."""

    def __init__(self) -> None:
        self._last: tuple[object, ...] | None = None

    def already(self, *what: object) -> bool:
        """Return whether exactly this was shown last, and remember it.

        Texts and numbers are compared by value, everything else by identity: comparing arrays
        gives no single truth value.
        """
        last, self._last = self._last, what
        return (
            last is not None
            and len(last) == len(what)
            and all(
                a is b or (isinstance(a, PLAIN) and type(a) is type(b) and a == b)
                for a, b in zip(last, what, strict=True)
            )
        )
