"""Names near to a mistyped one, for the fix that an error ends with."""

from __future__ import annotations

import difflib
from collections.abc import Iterable


def did_you_mean(name: object, known: Iterable[str], before: str = "") -> str:
    """Return "did you mean ...?" with the one name that is near, '' if none is.

    Args:
        before: stands before it.
    """
    near = difflib.get_close_matches(str(name), list(known), 1)
    return f"{before}did you mean '{near[0]}'?" if near else ""


def nearest(name: str, known: Iterable[str]) -> str:
    """Return "; did you mean ...", or what there is if nothing is near: the fix of a wrong name."""
    names = list(known)
    near = difflib.get_close_matches(name, names, 3, 0.5)
    if near:
        return f"; did you mean {' or '.join(repr(n) for n in near)}?"
    return f"; name one of: {', '.join(names[:12])}" if names else "; there is none: declare it"
