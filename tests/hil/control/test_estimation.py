"""Estimates from encoder and deflection sensor, against the rig's true state."""

from __future__ import annotations

import math

import numpy as np
import pytest

from hil.control.estimation import Estimator
from hil.profile.loader import load_profile
from tests.hil.control.blocked_rig import BlockedRig

T = 0.001
TRAINER = load_profile("footplate_trainer")


def follow(asked, seconds: float, blocked: bool = True, name: str = "footplate_trainer"):
    """Return per cycle: true and estimated nut velocity, output velocity; force: true, derived, band."""
    rig = BlockedRig(load_profile(name), blocked=blocked)
    physics = rig.drive.core.physics
    found = []
    for _ in range(round(seconds / T)):
        rig.run(T, asked)
        e = rig.estimator
        found.append(
            (
                physics.nut_velocity_m_s,
                e.nut_velocity_m_s,
                physics.output_velocity_m_s,
                e.output_velocity_m_s,
                physics.spring_force_N,
                e.motor_force_N,
                e.motor_force_band_N,
                physics.deflection_m - e.deflection_m,
            )
        )
    return np.array(found)


@pytest.mark.parametrize("name", ["footplate_trainer", "bench_slide"])
def test_nut_velocity_hardly_lags(name):
    """At 10 Hz the estimate lags by far less than 1 ms, because the observer's model uses the torque."""
    found = follow(lambda t: 60 + 50 * math.sin(2 * math.pi * 10 * t), 0.8, name=name)[200:]
    true, seen = found[:, 0], found[:, 1]
    turn = np.exp(-2j * np.pi * 10 * T * np.arange(len(true)))
    ratio = np.sum(seen * turn) / np.sum(true * turn)
    assert abs(ratio) == pytest.approx(1.0, abs=0.03)
    lag = -np.angle(ratio) / (2 * np.pi * 10)
    assert -0.3e-3 < lag < 0.6e-3
    assert np.sqrt(np.mean((seen - true) ** 2)) < 0.12 * np.sqrt(np.mean(true**2))


def test_standing_still_is_quiet():
    found = follow(lambda t: 100.0, 1.5)[700:]
    assert np.std(found[:, 1]) < 0.3e-3  # m/s
    assert np.std(found[:, 3]) < 0.6e-3


def test_output_velocity_of_a_falling_lever():
    """The output's estimated velocity is right when the lever moves freely from its lower end."""
    found = follow(lambda t: 60.0, 0.6, blocked=False)[60:]
    true, seen = found[:, 2], found[:, 3]
    assert np.max(np.abs(true)) > 0.05
    assert np.sqrt(np.mean((seen - true) ** 2)) < 0.12 * np.max(np.abs(true))


@pytest.mark.parametrize(
    "asked",
    [
        lambda t: 200.0,  # at rest, where stiction hides most
        lambda t: 200 + 150 * math.sin(2 * math.pi * 1.0 * t),
        lambda t: -100 + 80 * math.sin(2 * math.pi * 4.0 * t),
    ],
)
def test_motor_torque_confirms_the_spring_force_within_what_friction_explains(asked):
    found = follow(asked, 1.5)[300:]
    apart = np.abs(found[:, 4] - found[:, 5])
    assert np.mean(apart <= found[:, 6]) > 0.94
    assert np.all(apart <= found[:, 6] + 15)  # N, for the moments around a reversal


def test_moving_the_band_is_narrow():
    """While the nut slips, friction has a known direction and the two forces agree closely."""
    found = follow(lambda t: 50 + 400 * t, 1.0)[300:900]
    assert np.mean(np.abs(found[:, 4] - found[:, 5])) < 10
    assert np.mean(found[:, 6]) < 0.8 * np.mean(follow(lambda t: 250.0, 1.0)[700:, 6])


def test_disturbance_is_friction():
    """In slow, steady motion the force that torque and spring do not explain is dry friction."""
    rig = BlockedRig(TRAINER)
    rig.run(0.4, lambda t: 100.0)
    rig.run(0.5, lambda t: 100 + 400 * (t - 0.4))
    actuator = TRAINER.actuator
    force = rig.drive.core.physics.spring_force_N
    loss = 1 / actuator.screw.efficiency_forward - 1
    friction = 0.032 * actuator.radians_per_metre + force * loss
    assert -rig.estimator.disturbance_N == pytest.approx(friction, rel=0.3)


def test_a_pause_does_not_throw_the_filters():
    """A gap of 50 ms at a steady 0.1 m/s: the speed estimates are right at once after it."""
    estimator = Estimator(TRAINER, T)
    estimator.reset(0.0, 0.0)
    for i in range(300):
        estimator.update(1e-4 * i, 0.0, 0.0, 0.0, T)
    assert estimator.nut_velocity_m_s == pytest.approx(0.1, abs=0.002)
    estimator.update(1e-4 * 349, 0.0, 0.0, 0.0, 50 * T)
    for i in range(350, 380):
        estimator.update(1e-4 * i, 0.0, 0.0, 0.0, T)
        assert estimator.nut_velocity_m_s == pytest.approx(0.1, abs=0.01)
        assert estimator.output_velocity_m_s == pytest.approx(0.1, abs=0.005)


@pytest.mark.parametrize("late_s", [0.002, 0.005])
@pytest.mark.parametrize("commanded_N_m", [-1.0, 0.0, 0.6])
@pytest.mark.parametrize("began_s", [0.05e-3, 0.2e-3, 0.4e-3])
def test_a_torque_read_as_it_changes_acted_only_since_then(late_s, commanded_N_m, began_s):
    """A late cycle's command reaches the drive right before the sample: the nut has not followed it yet."""
    estimator = Estimator(TRAINER, T)
    estimator.reset(0.02, 0.003)
    force = 0.3 * TRAINER.actuator.radians_per_metre
    for _ in range(100):
        estimator.update(0.02, 0.003, force, 0.3, T)
        estimator.command(0.3)
    before = estimator.motor_force_N
    estimator.command(commanded_N_m)
    left = math.exp(-began_s / TRAINER.control.current_loop_lag)
    reading = commanded_N_m + (0.3 - commanded_N_m) * left
    estimator.update(0.02, 0.003, force, reading, late_s)
    # A nut without friction gains 2 mm/s where the torque of -1 N.m acted for 0.3 ms.
    assert abs(estimator.nut_velocity_m_s) < 2.5e-3
    assert estimator.motor_force_N == pytest.approx(before, abs=10)  # N


@pytest.mark.parametrize("late_s", [0.002, 0.005])
def test_a_torque_that_stands_since_the_last_sample_acts_for_the_whole_gap(late_s):
    estimator, unaware = Estimator(TRAINER, T), Estimator(TRAINER, T)
    force = 0.3 * TRAINER.actuator.radians_per_metre
    for one in (estimator, unaware):
        one.reset(0.02, 0.003)
        for _ in range(100):
            one.update(0.02, 0.003, force, 0.3, T)
            one.command(0.3)
    estimator.command(0.1)
    for one in (estimator, unaware):
        one.update(0.02, 0.003, force, 0.1, late_s)
    assert estimator.nut_velocity_m_s == unaware.nut_velocity_m_s < 0.0


def test_a_reading_after_a_lost_sample_shows_no_change_at_its_end():
    """The lost sample's command acted for a period: the reading lies between those before and after."""
    estimator, unaware = Estimator(TRAINER, T), Estimator(TRAINER, T)
    force = 0.3 * TRAINER.actuator.radians_per_metre
    for one in (estimator, unaware):
        one.reset(0.02, 0.003)
        for _ in range(100):
            one.update(0.02, 0.003, force, 0.3, T)
            one.command(0.3)
    for torque in (0.2, -0.5):
        estimator.command(torque)
        estimator.miss()
    for one in (estimator, unaware):
        one.update(0.02, 0.003, force, 0.1, 2 * T)
    assert estimator.nut_velocity_m_s == unaware.nut_velocity_m_s < 0.0


def test_a_drive_that_does_not_give_the_commanded_torque_shows_no_change():
    """At its voltage limit, the reading stays between two commands for good."""
    estimator, unaware = Estimator(TRAINER, T), Estimator(TRAINER, T)
    force = 0.3 * TRAINER.actuator.radians_per_metre
    for one in (estimator, unaware):
        one.reset(0.02, 0.003)
        for _ in range(100):
            one.update(0.02, 0.003, force, 0.3, T)
            one.command(0.4)
    estimator.command(0.6)
    for one in (estimator, unaware):
        one.update(0.02, 0.003, force, 0.5, 0.005)
    assert estimator.nut_velocity_m_s == unaware.nut_velocity_m_s > 0.0


def test_signs_and_reset():
    estimator = Estimator(TRAINER, T)
    estimator.update(0.02, 0.003, 360.0, 0.5, T)
    estimator.reset(0.030, 0.002)
    assert estimator.output_position_m == pytest.approx(0.028)
    assert estimator.nut_velocity_m_s == estimator.deflection_rate_m_s == 0.0
    for i in range(400):  # the nut moves on, the output stands still
        estimator.update(0.030 + 1e-5 * i, 0.002 + 1e-5 * i, 240.0 + i, 0.0, T)
    assert estimator.deflection_rate_m_s == pytest.approx(0.01, abs=0.002)
    assert estimator.output_velocity_m_s == pytest.approx(0.0, abs=1e-6)
