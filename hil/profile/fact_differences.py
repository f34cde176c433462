"""Stored facts of a profile compared with its current ones."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

MOST_NAMED = 3


def fact_differences(then: Mapping[str, Any], now: Mapping[str, Any]) -> str:
    """Return the differences of two sets of facts as text, at most ``MOST_NAMED``; '' if none."""
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
