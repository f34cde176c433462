"""Guard against needless drawing: a widget draws again only what has changed. No Qt."""

from __future__ import annotations

PLAIN = (str, int, float, bool, tuple)


class ChangeGuard:
    """Remembers what was shown last."""

    def __init__(self) -> None:
        self._last: tuple[object, ...] | None = None

    def already(self, *what: object) -> bool:
        """Return whether just this was shown last; if not, it is from now on.

        Texts and numbers are compared by value, all else by being the same thing: arrays in it
        have no one answer to whether they are equal.
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
