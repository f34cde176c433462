"""Ages of quantities that arrive at their own intervals."""

from __future__ import annotations

import math

from hypothesis import given
from hypothesis import strategies as st

from drivers.base import LEAST_AGE_LIMIT_S, MISSED_INTERVALS, QuantityAges, Telemetry

PERIOD_S = 0.001


def run(ages: QuantityAges, telemetry: Telemetry, start: int, cycles: int) -> int:
    """Judge ages in each cycle from ``start`` on; return the first cycle with a silent quantity, or
    0."""
    for cycle in range(start, start + cycles):
        ages.judge(telemetry, cycle * PERIOD_S)
        if telemetry.silent_name:
            return cycle
    return 0


@given(st.integers(1, 100))
def test_a_quantity_is_silent_beyond_its_limit_and_not_before(interval: int) -> None:
    ages, telemetry = QuantityAges({"status": interval * PERIOD_S}, PERIOD_S), Telemetry()
    for value in range(3):
        ages.came("status", value * interval * PERIOD_S)
        assert not run(ages, telemetry, value * interval, interval)
    limit_s = max(MISSED_INTERVALS * interval * PERIOD_S, LEAST_AGE_LIMIT_S)
    silent = run(ages, telemetry, 3 * interval, 10 * interval + 100)
    assert telemetry.silent_name == "status" and telemetry.silent_limit_s == limit_s
    assert 0 <= silent * PERIOD_S - 2 * interval * PERIOD_S - limit_s < 2.5 * PERIOD_S
    ages.came("status", silent * PERIOD_S)
    ages.judge(telemetry, silent * PERIOD_S)
    assert telemetry.silent_name == ""


def test_a_host_that_was_held_up_calls_nothing_silent() -> None:
    ages, telemetry = QuantityAges({"supply": 0.01}, PERIOD_S), Telemetry()
    ages.came("supply", 0.0)
    ages.judge(telemetry, 0.0)
    for cycle in range(9):
        ages.judge(telemetry, 0.5 + cycle * PERIOD_S)
        assert telemetry.silent_name == ""
    ages.came("supply", 0.509)
    assert not run(ages, telemetry, 510, 30)


def test_what_is_furthest_beyond_its_limit_is_named() -> None:
    ages = QuantityAges({"supply": 0.01, "status": 0.02, "event": math.inf}, PERIOD_S)
    telemetry = Telemetry()
    for name in ("supply", "status", "event"):
        ages.came(name, 0.0)
    run(ages, telemetry, 0, 200)
    for cycle in range(41, 300):
        ages.judge(telemetry, cycle * PERIOD_S)
    assert telemetry.silent_name == "supply"
    ages.came("supply", 0.3)
    ages.judge(telemetry, 0.3)
    assert telemetry.silent_name == "status" and telemetry.silent_limit_s == 0.08


def test_a_repeated_sample_is_as_old_as_the_first() -> None:
    ages, telemetry = QuantityAges({"fault": 0.001}, PERIOD_S), Telemetry()
    for cycle in range(60):
        ages.came("fault", 0.0)
        ages.judge(telemetry, cycle * PERIOD_S)
    assert telemetry.silent_name == "fault"


def test_what_never_came_is_reported_as_such_and_forgotten_again() -> None:
    ages, telemetry = QuantityAges({"fault": 0.001}, PERIOD_S), Telemetry()
    assert run(ages, telemetry, 0, 100) and telemetry.silent_age_s > 1e6
    ages.forget()
    ages.judge(telemetry, 0.1)
    assert telemetry.silent_name == ""
