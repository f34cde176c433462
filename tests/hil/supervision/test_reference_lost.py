"""Counts of the motor sensor that jump, and late samples of a moving nut."""

from __future__ import annotations

import pytest

from drivers.base import Telemetry
from hil.control import Estimator
from hil.profile import load_profile
from hil.supervision.sensor_watch import SensorWatch

PROFILE = load_profile("footplate_trainer")
PERIOD_S = 1.0 / PROFILE.control.rate
# A nut that sinks at 98 mm/s: a reply 3.7 ms late was requested 0.2 ms after the one before.
TURNED_M, COVERED_S, ERROR_S = 0.00046, 0.0002, 0.0037


def lost(errors_s: tuple[float, float], turned_m: float = TURNED_M) -> str:
    """Return the watch's text after two samples; ``errors_s`` are the errors of their times."""
    watch, estimator = SensorWatch(PROFILE, PERIOD_S), Estimator(PROFILE, PERIOD_S)
    telemetry = Telemetry(age_s=0.0, deflection_age_s=0.0, deflection_counts=2048.0)
    steps = (PERIOD_S, COVERED_S)
    for position_m, step_s, error_s in zip((0.0, turned_m), steps, errors_s, strict=True):
        telemetry.time_s += step_s
        telemetry.deflection_time_s = telemetry.time_s
        telemetry.time_error_s = error_s
        estimator.nut_position_m, estimator.step_s = position_m, step_s
        watch.look(telemetry, estimator)
    return watch.reference_lost


@pytest.mark.parametrize("errors_s", [(0.0, ERROR_S), (ERROR_S, 0.0)])
def test_a_sample_taken_late_is_not_a_jump(errors_s: tuple[float, float]) -> None:
    assert lost(errors_s) == ""


def test_counts_that_jump_lose_the_reference() -> None:
    assert "jumped by 0.5 mm" in lost((0.0, 0.0))
    assert "jumped by 20.0 mm" in lost((0.0, ERROR_S), 0.02)
