"""Sensors of the simulated drive, and the disturbances of sensors and load."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.base import Mode
from drivers.simulated.drive_core import SimulatedDriveCore
from drivers.simulated.environment import DISTURBANCES
from drivers.simulated.parameters import RigParameters
from tests.drivers.simulated.drive_cores import MIDDLE, energised, run


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
    with pytest.raises(ValueError, match="has no disturbance"):
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
    # 5 kg at 420 mm, rod at 60 mm, x = 0: angle −27.5/60 rad.
    more = 9.80665 * 5.0 * 7.0 * math.cos(0.0275 / 0.06)
    assert rig.state()["load_N"] - empty == pytest.approx(more, rel=1e-3)
    assert rig.state()["mass_kg"] == 5.0
    rig.hang(0.0)
    assert rig.state()["load_N"] == pytest.approx(empty, rel=1e-6)
