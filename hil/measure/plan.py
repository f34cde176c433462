"""The tests in the order in which they are run."""

from __future__ import annotations

from collections.abc import Iterable

from hil.measure import (
    drift,
    force_response,
    force_response_free,
    force_speed,
    friction,
    heat,
    impedance,
    impedance_weights,
    plant,
    resolution,
    shock,
    springs,
    zero_force,
)
from hil.measure.guarded import GuardedTest
from hil.profile import Profile

TESTS: tuple[GuardedTest, ...] = (
    plant.TEST,  # first: a rig that is not as stated stops the others
    force_response.BLOCKED,
    springs.TEST,
    resolution.TEST,
    force_response_free.FREE,
    friction.TEST,
    force_speed.TEST,
    zero_force.TEST,
    impedance.TEST,
    shock.TEST,
    heat.TEST,
    impedance_weights.TEST,
    drift.TEST,
)


def tests_length_s(tests: Iterable[GuardedTest], profile: Profile) -> float:
    """Return the duration of tests in s, without manual actions."""
    return sum(test.lasts_s(profile) for test in tests)


def duration_words(seconds: float) -> str:
    """Return a duration as text, such as ``50 s`` or ``3 min``."""
    return f"{max(seconds, 0.0):.0f} s" if seconds < 90 else f"{seconds / 60:.0f} min"


def chosen(keys: list[str]) -> list[GuardedTest]:
    """Return the tests of these keys in the plan's order; without keys, all but those on request.

    Raises:
        ValueError: a key is unknown.
    """
    known = [test.key for test in TESTS]
    wrong = [key for key in keys if key not in known]
    if wrong:
        raise ValueError(f"no test is called '{wrong[0]}'; known: {', '.join(known)}")
    return [test for test in TESTS if test.key in keys or not (keys or test.on_request)]
