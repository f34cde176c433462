from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.base import Mode, PowerRequest, PowerStage
from drivers.simulated import drive_faults
from drivers.simulated.drive_core import SimulatedDriveCore
from tests.drivers.simulated.drive_cores import MIDDLE, TURN, energised, run

ENERGISED = (PowerStage.CHANGING, PowerStage.ON, PowerStage.QUICK_STOP)


def test_power_comes_after_its_delay_and_without_torque():
    core = SimulatedDriveCore(MIDDLE)
    core.set_target(Mode.TORQUE, 0.5)
    run(core, 0.01)
    assert core.power is PowerStage.OFF
    core.request_power(PowerRequest.ON)
    assert core.power is PowerStage.CHANGING
    run(core, 0.008)
    assert core.power is PowerStage.CHANGING
    run(core, 0.01)
    assert core.power is PowerStage.ON
    assert core.torque_N_m == 0.0  # a target set before power came on is dropped


def test_torque_arrives_signed_by_polarity_and_limited():
    for polarity in (1.0, -1.0):
        core = energised(MIDDLE.but({"drive_polarity": polarity, "drive_max_torque_N_m": 0.6}))
        core.set_target(Mode.TORQUE, 0.2)
        run(core, 0.01)
        assert core.torque_N_m == pytest.approx(0.2, rel=1e-6)
        assert core.physics.current_A == pytest.approx(polarity * 0.2 / 0.09, rel=1e-6)
        core.set_target(Mode.TORQUE, 5.0)
        run(core, 0.01)
        assert core.torque_N_m == pytest.approx(0.6, rel=1e-6)
        assert core.position_counts > 0
        assert core.velocity_rad_s > 0
        assert math.copysign(1, core.physics.nut_velocity_m_s) == polarity


def test_power_off_removes_torque_at_once_and_leaves_it_off():
    core = energised()
    core.set_target(Mode.TORQUE, 0.5)
    run(core, 0.02)
    core.request_power(PowerRequest.OFF)
    assert core.power is PowerStage.OFF
    run(core, 0.003)
    assert abs(core.torque_N_m) < 1e-4


@pytest.mark.parametrize("target", [20.0, -35.0])
def test_velocity_mode_reaches_its_speed(target):
    core = energised()
    core.set_target(Mode.VELOCITY, target)
    run(core, 0.5)
    assert core.velocity_rad_s == pytest.approx(target, rel=0.01)


@pytest.mark.parametrize("target", [6.0, -15.0])
def test_position_mode_reaches_its_place_and_stays(target):
    core = energised()
    core.set_target(Mode.POSITION, target)
    run(core, 2.0)
    assert core.position_counts / 4096 * TURN == pytest.approx(target, abs=0.02)
    run(core, 0.5)
    assert core.position_counts / 4096 * TURN == pytest.approx(target, abs=0.02)


def test_position_mode_stays_put_when_energised_without_a_target():
    core = energised(MIDDLE.but({"encoder": "absolute", "encoder_zero_m": 0.0}))
    start = core.position_counts
    assert start == pytest.approx(0.5 / 0.01 * 4096, abs=1)
    core.mode = Mode.POSITION
    run(core, 0.3)
    assert abs(core.position_counts - start) <= 2


def test_changing_from_torque_to_velocity_keeps_the_torque():
    core = energised()
    core.set_target(Mode.TORQUE, 0.3)
    run(core, 0.05)
    core.set_target(Mode.VELOCITY, core.velocity_rad_s)
    core.advance(250e-6)
    assert core.torque_N_m == pytest.approx(0.3, abs=0.03)


def test_quick_stop_slows_down_then_removes_power():
    core = energised()
    core.set_target(Mode.VELOCITY, 60.0)
    run(core, 0.5)
    core.request_power(PowerRequest.QUICK_STOP)
    assert core.power is PowerStage.QUICK_STOP
    core.set_target(Mode.VELOCITY, 60.0)
    run(core, 0.01)
    # Deceleration of 3000 rad/s² from 60 rad/s: half-way after 10 ms.
    assert core.power is PowerStage.QUICK_STOP
    assert 10 < core.velocity_rad_s < 50
    run(core, 0.2)
    assert core.power is PowerStage.OFF
    core.request_power(PowerRequest.ON)
    run(core, 0.1)
    assert core.power is PowerStage.OFF  # an old request has no effect


@pytest.mark.parametrize(
    "provoke, code",
    [
        (lambda c: c.environment.disturb("supply_V", 80.0), 0x3210),
        (lambda c: c.environment.disturb("supply_V", 5.0), 0x3220),
        (lambda c: c.environment.disturb("temperature_degC", 120.0), 0x4310),
        (lambda c: c.environment.disturb("drive_fault", 0x2310), 0x2310),
        (lambda c: c.host_lost(), 0x8130),
        (lambda c: c.set_target(Mode.TORQUE, 0.6), 0x8400),
    ],
)
def test_each_fault_names_itself_removes_power_and_stays_until_cleared(provoke, code):
    core = energised(MIDDLE.but({"drive_overspeed_rad_s": 50.0}))
    provoke(core)
    run(core, 0.6)
    assert core.power is PowerStage.FAULT
    assert core.fault_code == code
    run(core, 0.01)
    assert abs(core.torque_N_m) < 1e-3
    for name in ("supply_V", "temperature_degC"):
        core.environment.disturb(name, None)
    run(core, 0.3)
    for _ in range(50):
        core.request_power(PowerRequest.ON)
        core.advance(1e-3)
    assert core.power is PowerStage.FAULT
    core.request_power(PowerRequest.CLEAR_FAULT)
    run(core, 0.05)
    assert (core.power, core.fault_code) == (PowerStage.OFF, 0)


def test_overcurrent_when_the_winding_carries_too_much():
    core = energised(MIDDLE.but({"drive_overcurrent_A": 6.0}))
    core.set_target(Mode.TORQUE, 0.6)
    run(core, 0.02)
    assert core.fault_code == drive_faults.OVERCURRENT


def test_an_unaccepted_regeneration_trips_overvoltage():
    core = energised(MIDDLE.but({"supply_takes_regeneration": False, "drive_max_torque_N_m": 0.6}))
    core.set_target(Mode.VELOCITY, 250.0)
    run(core, 0.5)
    core.set_target(Mode.VELOCITY, 0.0)
    run(core, 0.2)
    assert core.fault_code == drive_faults.OVERVOLTAGE


def test_host_lost_does_not_fault_a_drive_that_is_off():
    core = SimulatedDriveCore(MIDDLE)
    core.host_lost()
    assert core.power is PowerStage.OFF


def test_a_reversed_encoder_makes_the_speed_loop_run_away_into_its_own_limit():
    core = energised(MIDDLE.but({"encoder_sign": -1.0, "drive_overspeed_rad_s": 150.0}))
    core.set_target(Mode.VELOCITY, 10.0)
    run(core, 1.0)
    assert core.fault_code == drive_faults.OVERSPEED


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from([*PowerRequest, "fault", "lost", "restart"]), st.integers(0, 30)),
        max_size=40,
    )
)
def test_power_never_returns_by_itself(asks):
    core = SimulatedDriveCore(MIDDLE)
    allowed = True  # true after an OFF or CLEAR_FAULT since power was last lost
    for ask, milliseconds in asks:
        before = core.power
        if ask == "fault":
            core.fault(0x2310)
        elif ask == "lost":
            core.host_lost()
        elif ask == "restart":
            core.restart()
            allowed = True
        else:
            core.request_power(ask)
            if ask is PowerRequest.ON and before is PowerStage.OFF and not allowed:
                assert core.power is PowerStage.OFF
            if before is PowerStage.FAULT and ask is not PowerRequest.CLEAR_FAULT:
                assert core.power is PowerStage.FAULT
            if core.power is PowerStage.OFF and ask in (PowerRequest.OFF, PowerRequest.CLEAR_FAULT):
                allowed = allowed or ask is PowerRequest.OFF or before is PowerStage.FAULT
        if core.power in ENERGISED:
            allowed = False
        for _ in range(milliseconds):
            energised_before = core.power in ENERGISED
            core.advance(1e-3)
            assert energised_before or core.power not in ENERGISED
        assert (core.power is PowerStage.FAULT) == (core.fault_code != 0)


def test_targets_must_be_finite_and_time_must_go_forward():
    core = SimulatedDriveCore(MIDDLE)
    for value in (math.nan, math.inf):
        with pytest.raises(ValueError, match="not a finite number"):
            core.set_target(Mode.TORQUE, value)
    for step in (-1e-3, math.nan, math.inf):
        with pytest.raises(ValueError, match="dt_s"):
            core.advance(step)


# -- sensors ---------------------------------------------------------------------------
