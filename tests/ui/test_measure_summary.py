"""Summary of a measurement on its page, with the tests that it counts."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from hil.measure import TESTS
from ui.dashboard.measure.words import summary


def results(*keys: str) -> dict[str, Any]:
    one = SimpleNamespace(differs=False, title="Peak force")
    return {key: SimpleNamespace(characteristics=[one]) for key in keys}


def test_a_test_on_request_counts_once_it_has_run() -> None:
    planned = [test.key for test in TESTS if not test.on_request]
    [asked, *_] = [test.key for test in TESTS if test.on_request]
    text, wrong = summary(TESTS, results(*planned), {})
    assert text.startswith(f"{len(planned)} of {len(planned)} tests measured") and not wrong
    text, _ = summary(TESTS, results(*planned, asked), {})
    assert text.startswith(f"{len(planned) + 1} of {len(planned) + 1} tests measured")
