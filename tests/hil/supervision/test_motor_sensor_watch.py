"""A motor sensor that freezes under power is detected before the nut runs away; no false trips."""

from __future__ import annotations

import pytest

from drivers.base import PowerRequest
from hil.bench.lockstep import LockstepBench
from hil.core import Limit, State
from hil.core.requests import Apply, ConstantForce, Float, HoldPosition, PowerOn, VirtualSpring
from hil.profile.loader import load_profile

END_SPEED_M_S = 0.02


def powered(profile_name: str, mass_kg: float = 0.0) -> LockstepBench:
    bench = LockstepBench(load_profile(profile_name), 1)
    bench.environment.hang(mass_kg)
    bench.run(0.3)
    assert bench.request(PowerOn(load_supported=True)).accepted
    bench.run(0.4)
    return bench


@pytest.mark.parametrize(
    ("profile_name", "behaviour"),
    [
        ("footplate_trainer", HoldPosition(position_m=0.04, speed_m_s=0.05)),
        ("footplate_trainer", ConstantForce(force_N=150.0)),
        ("bench_slide", ConstantForce(force_N=70.0)),
    ],
)
def test_a_frozen_motor_sensor_stops_the_bench_before_the_nut_runs_away(profile_name, behaviour):
    bench = powered(profile_name)
    assert bench.request(Apply(behaviour=behaviour, load_may_move=True)).accepted
    bench.run(0.4)
    bench.environment.reset_peaks()
    bench.environment.disturb("encoder_frozen", 1)
    bench.run(0.02)
    assert bench.bench.cause == Limit.MOTOR_SENSOR_FROZEN, bench.bench.cause_text
    assert "the motor sensor did not change by one count" in bench.bench.cause_text
    assert bench.bench.command.power == PowerRequest.OFF
    bench.run(0.5)
    true = bench.environment.state()
    assert true["peak_speed_m_s"] < 0.2  # 0.63 without the watch
    assert true["peak_end_speed_m_s"] < END_SPEED_M_S


@pytest.mark.parametrize("profile_name", ["footplate_trainer", "bench_slide"])
def test_a_healthy_rig_gives_no_false_alarm(profile_name):
    bench = powered(profile_name, 3.0)
    stroke = bench.profile.actuator.stroke
    force = bench.profile.limits.force.limited
    for behaviour in (
        HoldPosition(position_m=0.6 * stroke, speed_m_s=0.05),
        Float(),
        VirtualSpring(stiffness_N_m=20000, rest_m=0.5 * stroke),
        ConstantForce(force_N=0.2 * force),
    ):
        assert bench.request(Apply(behaviour=behaviour, load_may_move=True)).accepted
        bench.environment.push(0.03 * force, 2.0, 0.8)
        bench.run(0.8)
        assert bench.bench.state is State.RUNNING, bench.bench.cause_text


def test_a_nut_that_is_held_fast_is_not_taken_for_a_frozen_sensor():
    bench = powered("footplate_trainer")
    assert bench.request(Apply(behaviour=ConstantForce(force_N=150.0))).accepted
    bench.environment.hold_screw(True)
    bench.run(0.6)
    assert bench.bench.cause != Limit.MOTOR_SENSOR_FROZEN
