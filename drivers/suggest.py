"""Names similar to a mistyped one, for the fix at the end of an error."""

from __future__ import annotations

import difflib
from collections.abc import Iterable


def did_you_mean(name: object, known: Iterable[str], before: str = "") -> str:
    """Return "did you mean ...?" with the most similar name, '' if none is similar.

    Args:
        before: put before it.
    """
    near = difflib.get_close_matches(str(name), list(known), 1)
    return f"{before}did you mean '{near[0]}'?" if near else ""


def nearest(name: str, known: Iterable[str]) -> str:
    """Return "; did you mean ...", or the known names if none is similar."""
    names = list(known)
    near = difflib.get_close_matches(name, names, 3, 0.5)
    if near:
        return f"; did you mean {' or '.join(repr(n) for n in near)}?"
    return f"; name one of: {', '.join(names[:12])}" if names else "; none is declared: declare it"
