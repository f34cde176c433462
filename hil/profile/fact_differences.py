"""Facts of a profile that were kept, beside those of now."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

MOST_NAMED = 3


def fact_differences(then: Mapping[str, Any], now: Mapping[str, Any]) -> str:
    """Return in words where two sets of facts part, at most ``MOST_NAMED`` of them; '' if nowhere."""
    before, after = dict(_flat(then)), dict(_flat(now))
    parted = [
        f"{key} was {before.get(key, 'missing')}, is {after.get(key, 'missing')}"
        for key in {**before, **after}
        if before.get(key) != after.get(key)
    ]
    more = len(parted) - MOST_NAMED
    return "; ".join(parted[:MOST_NAMED]) + (f"; and {more} more" if more > 0 else "")


def _flat(data: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, Any]]:
    for key, value in data.items():
        if isinstance(value, Mapping):
            yield from _flat(value, f"{prefix}{key}.")
        else:
            yield f"{prefix}{key}", value
