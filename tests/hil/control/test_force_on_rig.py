"""The force loop on the simulated rig: friction, screw loss, noise, quantisation, hysteresis."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.control.dry_friction import sine_N
from hil.control.estimation import Estimator
from hil.control.force_controller import ForceController
from hil.control.force_design import design
from hil.profile.loader import load_profile
from hil.supervision.bounds import Bounds
from tests.hil.control.blocked_rig import FORCE, TORQUE, BlockedRig

T = 0.001
PROFILES = {name: load_profile(name) for name in ("footplate_trainer", "bench_slide")}
TRAINER = PROFILES["footplate_trainer"]
STEPS = [("footplate_trainer", level) for level in (-450.0, 60.0, 250.0, 450.0)]
STEPS += [("bench_slide", level) for level in (40.0, -150.0)]


@pytest.mark.parametrize(("name", "asked"), STEPS)
def test_force_steps_and_stands_still(name, asked):
    """On both slopes and signs: small overshoot, steady error within the dead zone, quiet torque."""
    profile = PROFILES[name]
    rig = BlockedRig(profile)
    rows = rig.run(2.0, lambda t: asked if t > 0.3 else 0.0)
    predicted = rig.gains.predicted
    late = rows[-800:]
    error = abs(late[:, FORCE].mean() - asked)
    assert error <= predicted.steady_error_N
    over = np.max(np.abs(rows[:, FORCE])) - abs(asked)
    assert over < (predicted.overshoot + 0.03) * abs(asked) + 3 * predicted.steady_error_N
    assert late[:, TORQUE].std() < 0.014 * profile.actuator.motor.torque_constant * (
        profile.actuator.motor.continuous_current
    )


def test_no_hunting_in_stiction():
    """At one force for twenty seconds, torque does not wander and the nut shows no stick-slip."""
    rows = BlockedRig(TRAINER).run(20.0, lambda t: 200.0)
    breakaway = TRAINER.actuator.friction.breakaway
    assert np.ptp(rows[2000:, TORQUE].reshape(-1, 500).mean(axis=1)) < breakaway
    assert np.ptp(rows[2000:, FORCE].reshape(-1, 500).mean(axis=1)) < 1.0  # N; two counts are 0.9 N


def gain_and_phase(rig: BlockedRig, level: float, amplitude: float, frequency: float) -> complex:
    end = 500 + round(round(frequency) / frequency / T)  # whole periods
    rows = rig.run(end * T, lambda t: level + amplitude * math.sin(2 * math.pi * frequency * t))
    n = np.arange(500, end)
    turn = np.exp(-2j * np.pi * frequency * n * T)
    return 2j * complex(np.mean(rows[n, FORCE] * turn)) / amplitude


@pytest.mark.parametrize(
    ("name", "level", "amplitude", "near"),
    [
        ("footplate_trainer", *sine_N(TRAINER), (25.0 / 26.0, 1.04)),  # at the design point
        ("footplate_trainer", 430.0, 60.0, (0.9, 1.1)),  # beyond the knee
        ("bench_slide", *sine_N(PROFILES["bench_slide"]), (0.96, 1.04)),
    ],
)
def test_bandwidth_is_the_asked_one(name, level, amplitude, near):
    """−3 dB is near ``control.force_bandwidth``, measured by sines on the rig with friction."""
    profile = PROFILES[name]
    gains = design(profile, T, T)
    asked = profile.control.force_bandwidth
    size = [
        abs(gain_and_phase(BlockedRig(profile, gains=gains), level, amplitude, f * asked))
        for f in near
    ]
    assert size[0] > 1 / math.sqrt(2) > size[1]


def test_steps_across_the_knee_stay_tame():
    rig = BlockedRig(TRAINER)
    rows = rig.run(2.0, lambda t: 300.0 if t < 0.8 else 420.0 if t < 1.4 else 300.0)
    after = rows[850:1400, FORCE]
    assert after.max() < 420 + 8 and rows[1450:, FORCE].min() > 300 - 8
    assert after[-200:].mean() == pytest.approx(420, abs=1.5)


def test_saturation_leaves_nothing_behind():
    """After a second at a low torque limit the response equals a fresh step, without windup."""
    rig = BlockedRig(TRAINER)
    rig.limit = 0.25  # N·m, about 130 N
    rows = rig.run(1.3, lambda t: 400.0)
    assert rig.law.saturated and rows[-200:, FORCE].mean() < 200
    assert np.abs(rows[:, TORQUE]).max() <= 0.25
    rig.limit = 2.9
    rows = rig.run(0.8, lambda t: 400.0)
    assert rows[:, FORCE].max() < 400 * (1 + rig.gains.predicted.overshoot + 0.02)
    assert rows[150:, FORCE].min() > 395  # as soon as after a fresh step
    assert rows[-200:, FORCE].mean() == pytest.approx(400, abs=1.5)
    assert not rig.law.saturated


def test_reset_in_force_does_not_jerk():
    """A reset under load is bumpless if it is given the motor's present torque."""
    rig = BlockedRig(TRAINER)
    before = rig.run(1.0, lambda t: 150.0)
    rig.law.reset(float(before[-1, TORQUE]))
    after = rig.run(0.3, lambda t: 150.0)
    assert np.max(np.abs(after[:, TORQUE] - before[-200:, TORQUE].mean())) < 0.12
    assert np.max(np.abs(after[:, FORCE] - 150)) < 8


def test_a_pause_of_the_cycle_is_survived():
    """Cycles 1 to 12 periods apart, as on a busy computer, do not upset the loop."""
    rig = BlockedRig(TRAINER)
    rig.run(0.5, lambda t: 150.0)
    law, estimator, drive = rig.law, rig.estimator, rig.drive
    forces = []
    for i in range(600):
        pause = 12 if i % 200 == 100 else 4 if i % 50 == 25 else 1
        for _ in range(pause):
            telemetry = drive.read()
        nut = telemetry.position_rad / TRAINER.actuator.radians_per_metre
        deflection = rig.calibration.deflection(telemetry.deflection_counts)
        force = rig.calibration.force(deflection)
        estimator.update(nut, deflection, force, telemetry.torque_N_m, pause * T)
        rig._command.torque_N_m = law.torque(150.0, estimator, 2.5)
        drive.write(rig._command)
        forces.append(force)
    assert np.max(np.abs(np.array(forces) - 150)) < 30
    assert np.mean(forces[-100:]) == pytest.approx(150, abs=2)


anything = st.floats(allow_nan=True, allow_infinity=True)
plausible = st.floats(-1, 1)


@settings(deadline=None, max_examples=60)
@given(
    st.lists(
        st.tuples(
            anything | plausible,
            anything | plausible,
            anything | st.floats(-1e3, 1e3),
            anything | plausible,
            anything | st.floats(-2e3, 2e3),
            st.floats(0, 5),
        ),
        min_size=1,
        max_size=8,
    )
)
def test_torque_is_within_its_limit_whatever_is_measured(cycles):
    law, estimator = ForceController(TRAINER, GAINS, T), Estimator(TRAINER, T)
    for nut, deflection, force, torque, asked, limit in cycles:
        estimator.update(nut, deflection, force, torque, T)
        got = law.torque(asked, estimator, limit)
        assert -limit <= got <= limit  # false for NaN
    # The law works again once measurements are valid.
    estimator.reset(0.01, 0.0)
    law.reset()
    for _ in range(5):
        estimator.update(0.01, 0.0, 0.0, 0.0, T)
        assert abs(law.torque(20.0, estimator, 2.0)) < 2.0


GAINS = design(TRAINER, T, T)


def test_friction_is_helped_never_overcome():
    """The feed-forward alone compensates the stated share of dry friction, along the motion."""
    law = ForceController(TRAINER, GAINS, T)
    actuator, control = TRAINER.actuator, TRAINER.control
    coulomb = actuator.friction.coulomb * actuator.radians_per_metre
    for force in (-300.0, 0.0, 300.0):
        for velocity in (-0.05, 0.05):
            law.reset()
            help_N = law._friction(0.0, force, velocity, T)
            driving = force * velocity > 0
            screw = actuator.screw
            loss = 1 / screw.efficiency_forward - 1 if driving else 1 - screw.efficiency_backward
            real = coulomb + loss * abs(force)
            assert help_N * velocity > 0
            assert abs(help_N) == pytest.approx(control.friction_compensation * real)
    law.reset()
    assert law._friction(0.0, 300.0, 0.0, T) == 0.0


@pytest.mark.parametrize("seed", [3, 4])
def test_one_seed_one_run(seed):
    first, second = (BlockedRig(TRAINER, seed).run(0.3, lambda t: 100.0) for _ in range(2))
    assert np.array_equal(first, second)


def test_what_the_supply_cannot_drive_is_not_wound_up():
    """A winding that passes less torque than commanded is not taken for a disturbance.

    The law knows the reachable torque from supply and back-EMF, and returns without an undershoot.
    """
    motor = TRAINER.actuator.motor.model_copy(update={"winding_resistance": 5.0})
    actuator = TRAINER.actuator.model_copy(update={"motor": motor})
    weak = TRAINER.model_copy(update={"actuator": actuator})
    lowest = {}
    for aware in (True, False):
        rig = BlockedRig(weak)
        rig.bounds = Bounds(weak) if aware else None
        rows = rig.run(1.2, lambda t: 500.0)
        assert rows[-200:, FORCE].mean() < 490  # kt·V/R does not reach the setpoint
        if aware:
            stall = motor.torque_constant * 36.0 / motor.winding_resistance
            assert 0.9 * stall < np.max(rows[-200:, TORQUE]) < stall and rig.law.saturated
        rows = rig.run(0.3, lambda t: 100.0)
        lowest[aware] = rows[:, FORCE].min()
        if aware:
            assert np.max(np.abs(rows[80:, FORCE] - 100)) < 5
    assert lowest[True] > lowest[False] + 30
