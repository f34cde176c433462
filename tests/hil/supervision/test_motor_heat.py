"""Winding and housing of the motor against closed forms, turning, standing and cooling."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.simulated.physics import RigPhysics
from drivers.simulated.warming import warm
from hil.profile import load_profile, rig_parameters
from hil.supervision.motor_heat import MotorHeat

PROFILE = load_profile("footplate_trainer")
MOTOR = PROFILE.actuator.motor
RATED_A = MOTOR.continuous_current
SHARE = MOTOR.housing_share
TURNING_M_S = 0.02


def after(seconds: float, current_A: float, speed_m_s: float, dt_s: float = 0.01) -> MotorHeat:
    heat = MotorHeat(PROFILE)
    for step in range(round(seconds / dt_s)):
        heat.update(current_A, speed_m_s * step * dt_s, dt_s)
    return heat


def risen(seconds: float) -> tuple[float, float]:
    """Return the closed form of both bodies at continuous current, each with its time constant."""
    winding = 1 - math.exp(-seconds / MOTOR.thermal_time_constant)
    return winding, 1 - math.exp(-seconds / MOTOR.housing_time_constant)


@pytest.mark.parametrize("seconds", [20.0, 90.0, 400.0])
def test_turning_it_follows_two_time_constants(seconds: float) -> None:
    heat = after(seconds, RATED_A, TURNING_M_S)
    winding, housing = risen(seconds)
    assert heat.housing == pytest.approx(housing, rel=1e-3)
    assert heat.winding == pytest.approx((1 - SHARE) * winding + SHARE * housing, rel=0.03)
    assert heat.heat == max(heat.winding, heat.housing)


@pytest.mark.parametrize("position_m", [0.0, 0.00037, 0.0121])
def test_at_standstill_one_phase_takes_twice_the_mean(position_m: float) -> None:
    heat = MotorHeat(PROFILE)
    for _ in range(30_000):
        heat.update(RATED_A, position_m, 0.01)
    winding, housing = risen(300.0)
    assert heat.winding == pytest.approx(2 * (1 - SHARE) * winding + SHARE * housing, rel=1e-3)
    assert heat.loss_factor == pytest.approx(2 - SHARE, rel=1e-3)
    # A motor rated at standstill: nothing is doubled.
    motor = MOTOR.model_copy(update={"standstill_factor": 1.0})
    actuator = PROFILE.actuator.model_copy(update={"motor": motor})
    rated = MotorHeat(PROFILE.model_copy(update={"actuator": actuator}))
    for _ in range(30_000):
        rated.update(RATED_A, position_m, 0.01)
    assert rated.winding == pytest.approx((1 - SHARE) * winding + SHARE * housing, rel=1e-3)


def test_a_hot_housing_outlasts_the_winding() -> None:
    heat = MotorHeat(PROFILE)
    heat.begin(1.0, 0.9)
    assert heat.heat == pytest.approx(1.0)
    heat.begin(1.0, 0.9, passed_s=5 * MOTOR.thermal_time_constant)
    kept = 0.9 * math.exp(-5 * MOTOR.thermal_time_constant / MOTOR.housing_time_constant)
    assert heat.housing == heat.heat == pytest.approx(kept)
    heat.begin(1.0, 0.9, passed_s=1e7)
    assert heat.heat < 1e-3


@given(
    winding=st.floats(0, 2),
    housing=st.floats(0, 2),
    passed=st.floats(0, 5000),
    steps=st.lists(
        st.tuples(
            st.floats(allow_nan=True, allow_infinity=True),
            st.floats(allow_nan=True, allow_infinity=True),
            st.floats(0, 2),
        ),
        max_size=20,
    ),
)
def test_whatever_comes_heat_stays_a_number_and_cools_no_faster_than_it_can(
    winding: float, housing: float, passed: float, steps: list[tuple[float, float, float]]
) -> None:
    heat = MotorHeat(PROFILE)
    heat.begin(winding, housing, passed)
    assert heat.housing >= housing * math.exp(-passed / MOTOR.housing_time_constant) - 1e-12
    for current, position, dt in steps:
        heat.update(current, position, dt)
        assert 0.0 <= heat.heat < 1e4
        assert 1.0 <= heat.loss_factor <= 2.0 + 1e-9


def test_late_cycles_change_the_heat_by_less_than_a_thousandth() -> None:
    even = after(30.0, RATED_A, 0.0, 0.001)
    late = MotorHeat(PROFILE)
    time_s, step = 0.0, 0
    while time_s < 30.0:
        dt_s = 0.004 if step % 20 == 0 else 0.001
        late.update(RATED_A, 0.0, dt_s)
        time_s, step = time_s + dt_s, step + 1
    assert late.heat == pytest.approx(even.heat, rel=1e-3)


@pytest.mark.parametrize("speed_m_s", [0.0, 0.02])
def test_the_estimate_follows_the_simulated_winding_standing_and_turning(speed_m_s: float) -> None:
    rig = RigPhysics(rig_parameters(PROFILE))
    heat = MotorHeat(PROFILE)
    for step in range(3000):
        rig.nut_position_m = speed_m_s * 0.01 * step
        warm(rig, (RATED_A / MOTOR.continuous_current) ** 2, 0.01)
        heat.update(RATED_A, rig.nut_position_m, 0.01)
    assert heat.winding == pytest.approx(rig.motor_rise_K / rig.parameters.motor_rise_K, rel=0.02)
