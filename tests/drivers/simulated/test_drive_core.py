from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.base import Mode, PowerRequest, PowerStage
from drivers.simulated import drive_core
from drivers.simulated.drive_core import SimulatedDriveCore
from drivers.simulated.environment import DISTURBANCES
from drivers.simulated.parameters import RigParameters

ENERGISED = (PowerStage.CHANGING, PowerStage.ON, PowerStage.QUICK_STOP)
MIDDLE = RigParameters(
    rig="linear",
    linear_vertical=False,
    carriage_mass_kg=5.0,
    stroke_m=1.0,
    initial_output_m=0.5,
    sensor_noise_counts=0.0,
    spring_damping_N_s_m=500.0,
)
TURN = 2 * math.pi


def run(core: SimulatedDriveCore, seconds: float) -> None:
    for _ in range(round(seconds / 1e-3)):
        core.advance(1e-3)


def energised(parameters: RigParameters = MIDDLE, seed: int = 1) -> SimulatedDriveCore:
    core = SimulatedDriveCore(parameters, seed)
    core.request_power(PowerRequest.ON)
    run(core, 0.02)
    assert core.power is PowerStage.ON
    return core


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
    assert core.torque_N_m == 0.0  # a target from before it was energised is forgotten


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
    # 3000 rad/s² from 60 rad/s: half-way after 10 ms
    assert core.power is PowerStage.QUICK_STOP
    assert 10 < core.velocity_rad_s < 50
    run(core, 0.2)
    assert core.power is PowerStage.OFF
    core.request_power(PowerRequest.ON)
    run(core, 0.1)
    assert core.power is PowerStage.OFF  # a request left standing does nothing


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
    assert core.fault_code == drive_core.OVERCURRENT


def test_an_unaccepted_regeneration_trips_overvoltage():
    core = energised(MIDDLE.but({"supply_takes_regeneration": False, "drive_max_torque_N_m": 0.6}))
    core.set_target(Mode.VELOCITY, 250.0)
    run(core, 0.5)
    core.set_target(Mode.VELOCITY, 0.0)
    run(core, 0.2)
    assert core.fault_code == drive_core.OVERVOLTAGE


def test_host_lost_does_not_fault_a_drive_that_is_off():
    core = SimulatedDriveCore(MIDDLE)
    core.host_lost()
    assert core.power is PowerStage.OFF


def test_a_reversed_encoder_makes_the_speed_loop_run_away_into_its_own_limit():
    core = energised(MIDDLE.but({"encoder_sign": -1.0, "drive_overspeed_rad_s": 150.0}))
    core.set_target(Mode.VELOCITY, 10.0)
    run(core, 1.0)
    assert core.fault_code == drive_core.OVERSPEED


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from([*PowerRequest, "fault", "lost", "restart"]), st.integers(0, 30)),
        max_size=40,
    )
)
def test_power_never_returns_by_itself(asks):
    core = SimulatedDriveCore(MIDDLE)
    allowed = True  # an OFF or CLEAR_FAULT since power was last lost
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


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_deflection_in_counts_is_rounded_and_ends_at_the_rails(sign):
    core = SimulatedDriveCore(MIDDLE.but({"sensor_sign": sign, "sensor_zero_counts": 2000.0}))
    core.environment.disturb("jam", True)
    core.environment.disturb("block", True)
    step = 0.015 / 4096
    for counts in (-700, -1, 0, 1, 300):
        for part in (-0.49, 0.49):
            core.physics.nut_position_m = 0.5 + sign * (counts + part) * step
            core.advance(1e-3)
            assert core.deflection_counts == 2000 + counts
    for counts, rail in ((2200, 4095), (-2100, 0)):
        core.physics.nut_position_m = 0.5 + sign * counts * step
        core.advance(1e-3)
        assert core.deflection_counts == rail


def test_encoder_counts_are_floored_and_start_at_zero_at_power_up():
    core = SimulatedDriveCore(MIDDLE)
    assert core.position_counts == 0
    core.environment.disturb("jam", True)
    for counts, part in ((5, 0.1), (5, 0.9), (-3, 0.5), (40960, 0.5)):
        core.physics.nut_position_m = 0.5 + (counts + part) / 4096 * 0.01
        core.advance(1e-3)
        assert core.position_counts == counts
    core.restart()
    assert core.position_counts == 0
    assert core.restarts == 1


def test_noise_has_its_deviation_and_comes_from_the_seed():
    def readings(seed):
        core = SimulatedDriveCore(MIDDLE.but({"sensor_noise_counts": 3.0}), seed)
        counts = []
        for _ in range(4000):
            core.advance(1e-3)
            counts.append(core.deflection_counts)
        return counts

    first = readings(7)
    assert first == readings(7)
    assert first != readings(8)
    # Rounding adds 1/12 count² (uniform quantisation error).
    assert np.std(first) == pytest.approx(math.sqrt(9 + 1 / 12), rel=0.05)


def test_drift_grows_with_time():
    core = SimulatedDriveCore(MIDDLE.but({"sensor_drift_counts_per_s": 20.0}))
    run(core, 2.0)
    assert core.deflection_counts == pytest.approx(2048 + 40, abs=1)


def test_sensor_hysteresis_is_a_play_of_its_width():
    core = SimulatedDriveCore(MIDDLE.but({"sensor_hysteresis_m": 1e-4}))
    core.environment.disturb("jam", True)
    core.environment.disturb("block", True)

    def at(deflection_m):
        core.physics.nut_position_m = 0.5 + deflection_m
        core.advance(1e-3)
        return core.deflection_counts

    at(0.001)
    up = at(0.002)
    at(0.003)
    down = at(0.002)
    assert down - up == pytest.approx(1e-4 / 0.015 * 4096, abs=1)


@pytest.mark.parametrize("rail, counts", [(-1, 0), (1, 4095)])
def test_a_broken_wire_shows_the_rail(rail, counts):
    core = SimulatedDriveCore(MIDDLE)
    core.environment.disturb("deflection_rail", rail)
    core.advance(1e-3)
    assert core.deflection_counts == counts
    core.environment.disturb("deflection_rail", None)
    core.advance(1e-3)
    assert core.deflection_counts == 2048


def test_sensor_faults_act_and_end():
    core = energised()
    rig = core.environment
    core.set_target(Mode.TORQUE, 0.5)
    rig.disturb("block", 1)
    rig.disturb("deflection_frozen", 1)
    run(core, 0.3)
    assert core.deflection_counts == 2048
    rig.disturb("deflection_frozen", 0)
    core.advance(1e-3)
    loaded = core.deflection_counts
    assert loaded > 2300
    rig.disturb("deflection_jump_counts", 300)
    core.advance(1e-3)
    assert core.deflection_counts == pytest.approx(loaded + 300, abs=3)
    rig.disturb("deflection_jump_counts", None)
    rig.disturb("deflection_factor", -1)
    core.advance(1e-3)
    assert core.deflection_counts == pytest.approx(4096 - loaded, abs=3)
    rig.disturb("deflection_factor", None)
    rig.disturb("deflection_dropout", 0.3)
    lost = 0
    for _ in range(1000):
        core.advance(1e-3)
        lost += core.deflection_counts == 0
    assert 230 < lost < 370
    rig.disturb("deflection_dropout", 0)
    rig.disturb("encoder_frozen", 1)
    held = core.position_counts
    core.set_target(Mode.TORQUE, -0.5)
    run(core, 0.1)
    assert core.position_counts == held
    assert core.velocity_rad_s == pytest.approx(0.0, abs=1e-6)


def test_jam_block_and_softer_springs():
    core = energised()
    core.environment.disturb("jam", 1)
    core.set_target(Mode.TORQUE, 2.0)
    run(core, 0.2)
    assert core.physics.nut_position_m == 0.5
    core.set_target(Mode.TORQUE, 0.0)
    core.environment.disturb("spring_factor", 0.5)
    core.environment.push(-60.0)
    run(core, 2.0)
    assert core.physics.deflection_m == pytest.approx(60.0 / 60e3, rel=1e-3)


@settings(max_examples=200)
@given(st.text(max_size=20).filter(lambda text: text not in DISTURBANCES), st.floats())
def test_disturbances_take_known_names_and_finite_numbers(name, value):
    core = SimulatedDriveCore(MIDDLE)
    with pytest.raises(ValueError, match="knows no disturbance"):
        core.environment.disturb(name, value)
    for bad in (math.nan, math.inf):
        with pytest.raises(ValueError, match="jam"):
            core.environment.disturb("jam", bad)


def test_hang_and_push_refuse_what_is_no_mass_or_force():
    rig = SimulatedDriveCore(MIDDLE).environment
    masses: tuple[Any, ...] = (-1.0, math.nan, 1e6, True, "5")
    for mass in masses:
        with pytest.raises(ValueError, match="mass_kg"):
            rig.hang(mass)
    with pytest.raises(ValueError, match="force_N"):
        rig.push(math.inf)
    with pytest.raises(ValueError, match="below 0"):
        rig.push(1.0, -1.0)


def test_a_hand_ends_after_its_duration_and_a_sine_swings():
    core = SimulatedDriveCore(MIDDLE)
    rig = core.environment
    rig.push(30.0, duration_s=0.05)
    run(core, 0.03)
    assert rig.state()["hand_force_N"] == 30.0
    run(core, 0.03)
    assert rig.state()["hand_force_N"] == 0.0
    rig.push(10.0, frequency_Hz=5.0)
    run(core, 0.05)
    assert rig.state()["hand_force_N"] == pytest.approx(10.0, rel=1e-3)
    run(core, 0.1)
    assert rig.state()["hand_force_N"] == pytest.approx(-10.0, rel=1e-3)


def test_weights_come_and_go_and_the_load_follows():
    core = SimulatedDriveCore(RigParameters())
    rig = core.environment
    empty = rig.state()["load_N"]
    rig.hang(5.0)
    # 5 kg on 420 mm over 60 mm, at x = 0: angle −27.5/60 rad
    more = 9.80665 * 5.0 * 7.0 * math.cos(0.0275 / 0.06)
    assert rig.state()["load_N"] - empty == pytest.approx(more, rel=1e-3)
    assert rig.state()["mass_kg"] == 5.0
    rig.hang(0.0)
    assert rig.state()["load_N"] == pytest.approx(empty, rel=1e-6)
