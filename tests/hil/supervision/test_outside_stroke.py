"""Sensors that are wrong at power-on: reported as sensors instead of travel, or power refused."""

from __future__ import annotations

import pytest

from hil.bench.lockstep import LockstepBench
from hil.core import Limit, State
from hil.core.requests import Apply, HoldPosition, PowerOn, Reset
from hil.profile.schema import Profile


@pytest.mark.parametrize(
    ("disturbance", "value", "mass_kg", "cause", "says"),
    [
        ("encoder_frozen", 1.0, 0.0, Limit.MOTOR_SENSOR_FROZEN, "the motor sensor did not change"),
        ("encoder_reversed", 1.0, 0.0, Limit.SPEED, "counts run backwards"),
        ("deflection_factor", 1.5, 7.5, Limit.DISAGREEMENT, "deflection reads wrong"),
        ("encoder_slipping", 0.3, 7.5, Limit.POSITION_FOLLOWING, "outside its mechanical ends"),
    ],
)
def test_a_sensor_that_lies_from_rest_on_the_end_is_named(
    footplate: Profile, disturbance: str, value: float, mass_kg: float, cause: int, says: str
) -> None:
    bench = LockstepBench(footplate)
    bench.environment.hang(mass_kg)
    bench.run(0.4)
    bench.environment.disturb(disturbance, value)
    assert bench.request(PowerOn(load_supported=True)).accepted
    bench.run(0.05)
    hold = HoldPosition(position_m=0.027, speed_m_s=0.06)
    assert bench.request(Apply(behaviour=hold, load_may_move=True)).accepted
    bench.run(0.4)
    assert bench.bench.state is State.STOPPED
    assert bench.bench.cause == cause, bench.bench.cause_text
    assert says in bench.bench.cause_text
    assert bench.bench.supervisor.reference_lost
    assert bench.environment.state()["peak_end_speed_m_s"] < 0.02


def test_a_deflection_that_jumped_without_power_refuses_power_until_it_is_back_or_reset(
    footplate: Profile,
) -> None:
    bench = LockstepBench(footplate)
    bench.run(0.05)
    bench.environment.disturb("deflection_jump_counts", 300.0)
    bench.run(0.05)
    answer = bench.request(PowerOn(load_supported=True))
    assert not answer.accepted
    assert "jumped by" in answer.text and "Then reset" in answer.text
    bench.environment.disturb("deflection_jump_counts", 0.0)
    bench.run(0.05)
    assert not bench.bench.supervisor._sensors.displaced
    bench.environment.disturb("deflection_jump_counts", 300.0)
    bench.run(0.05)
    assert not bench.request(PowerOn(load_supported=True)).accepted
    assert bench.request(Reset()).accepted
    assert bench.request(PowerOn(load_supported=True)).accepted
