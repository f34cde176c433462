"""Torque feed-forward with velocity and position commands: model, passivity, law, simulated drive."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal

from drivers.base import Mode, PowerStage
from drivers.simulated.drive_core import SimulatedDriveCore
from drivers.simulated.parameters import RigParameters
from hil.control.observer_gains import observer_gains
from hil.control.torque_feedforward import TorqueFeedforward
from hil.control.velocity_design import design_velocity
from hil.control.velocity_model import VelocityLaw, VelocityLoop, VelocityPlant
from hil.control.velocity_passivity import passive_stiffness
from hil.profile import load_profile, rig_parameters

PERIOD = 0.001
LOOP = 2 * math.pi * 40
AT_HZ = np.array([1.0, 5.0, 15.0, 40.0, 120.0])
NAMES = ("footplate_velocity", "footplate_position")


def with_share(name, share):
    profile = load_profile(name)
    control = profile.control.model_copy(update={"torque_feedforward": share})
    drive = {**profile.drive, "torque_offset": True}
    return profile.model_copy(update={"control": control, "drive": drive})


def plant(**more):
    values = {
        "mass": 48.0,
        "stiffness": 120e3,
        "period_s": PERIOD,
        "delay_s": PERIOD,
        "loop_rad_s": LOOP,
        "integral_rad_s": LOOP / 5,
    }
    return VelocityPlant(**{**values, **more})


def observer():
    return observer_gains(load_profile("footplate_trainer"), PERIOD)


@pytest.mark.parametrize("delay", [0, 1, 3])
def test_the_closed_loop_is_that_of_scipys_discretisation(delay):
    p, law = plant(delay_s=delay * PERIOD), VelocityLaw(80.0, 900.0, 0.7)
    a, b = p.matrices()
    inputs = np.column_stack([b[:3, 0], [0.0, 1 / p.mass, 0.0]])
    system = (a[:3, :3], inputs, np.array([[1.0, 0.0, 0.0]]), np.zeros((1, 2)))
    phi, gamma, row, _, _ = signal.cont2discrete(system, PERIOD, method="zoh")
    z = np.exp(2j * np.pi * AT_HZ * PERIOD)
    both = np.array([(row @ np.linalg.solve(each * np.eye(3) - phi, gamma))[0] for each in z])
    by_velocity, by_torque = both.T * z**-delay
    feedback = law.proportional_1_s + law.integral_1_s2 * PERIOD / (z - 1)
    corner = p.integral_rad_s * PERIOD
    carried = corner / (1 + corner) / (z - 1 + corner / (1 + corner))
    washed = (1 - corner / (1 + corner)) * (1 - carried)
    fed = law.torque_share * p.stiffness * washed
    closed = (by_velocity * feedback + by_torque * fed) / (1 + by_velocity * feedback)
    found = VelocityLoop(p, law, observer()).response("deflection", "reference_m", AT_HZ)
    assert found == pytest.approx(closed, rel=1e-6)


def test_a_fraction_of_a_period_of_delay_lies_between_its_neighbours():
    law = VelocityLaw(80.0, 900.0, 1.0)
    found = [
        VelocityLoop(plant(delay_s=d), law, observer()).response("deflection", "reference_m", AT_HZ)
        for d in (0.001, 0.0015, 0.002)
    ]
    assert np.abs(found[1] - 0.5 * (found[0] + found[2])) == pytest.approx(0.0, abs=0.01)


def test_the_passive_ceiling_is_that_of_the_differential_equations():
    p, law = plant(), VelocityLaw(80.0, 90.0, 1.0)
    frequencies = np.geomspace(0.01, 3e5, 3000)
    s = 2j * np.pi * frequencies
    one, none = np.ones_like(s), np.zeros_like(s)
    pi = (law.proportional_1_s + law.integral_1_s2 / s) / p.stiffness
    inner = p.mass * p.loop_rad_s * (1 + p.integral_rad_s / s)

    def least(stiffness):
        fed = law.torque_share * s / (s + p.integral_rad_s) * stiffness / s
        rows = [[p.mass * s + inner, -inner, one], [none, one, pi], [-p.stiffness / s, none, one]]
        right = np.array([-fed, -pi * stiffness / s, -p.stiffness / s])
        z = -np.linalg.solve(np.moveaxis(np.array(rows), 2, 0), right.T[:, :, None])[:, 2, 0]
        return float(np.min(z.real / np.abs(z)))

    ceiling = passive_stiffness(p, law)
    assert 0.3 * p.stiffness < ceiling < p.stiffness
    assert least(0.98 * ceiling) > -1e-6 > least(1.03 * ceiling)


@pytest.mark.parametrize("name", NAMES)
def test_the_design_keeps_margin_and_drag_and_predicts_the_gain(name):
    without, fed = (design_velocity(with_share(name, f), PERIOD, PERIOD) for f in (0.0, 1.0))
    assert without.law.torque_share == 0.0 and fed.law.torque_share == 1.0
    assert fed.law.proportional_1_s == without.law.proportional_1_s
    assert fed.predicted.phase_margin_deg == pytest.approx(without.predicted.phase_margin_deg)
    assert fed.drag_N_s_m == pytest.approx(without.drag_N_s_m, rel=0.02)
    assert fed.predicted.overshoot <= 0.05
    assert fed.predicted.bandwidth_Hz > 1.04 * without.predicted.bandwidth_Hz


def test_a_share_that_would_overshoot_is_reduced():
    # A light nut behind a slow drive loop, which the feed-forward alone would throw.
    profile = with_share("footplate_velocity", 1.0)
    inner = profile.control.velocity_loop.model_copy(update={"bandwidth": 12.0})
    control = profile.control.model_copy(update={"velocity_loop": inner, "force_bandwidth": 8.0})
    gains = design_velocity(profile.model_copy(update={"control": control}), PERIOD, PERIOD)
    assert 0.0 < gains.law.torque_share < 1.0
    assert gains.predicted.overshoot <= 0.051


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("frequency", [3.0, 12.0, 25.0])
def test_the_simulated_drive_answers_as_the_model_does(frequency, name):
    profile = with_share(name, 1.0)
    source = profile.control.source
    mode = Mode[source.upper()]
    position_1_s = 2 * math.pi * profile.control.position_loop.bandwidth
    smooth = {
        "friction_coulomb_N_m": 0.0,
        "friction_breakaway_N_m": 0.0,
        "friction_viscous_N_m_s": 0.0,
        "screw_efficiency_forward": 1.0,
        "screw_efficiency_backward": 1.0,
        "spring_damping_N_s_m": 0.0,
    }
    core = SimulatedDriveCore(rig_parameters(profile).but(smooth))
    core.physics.blocked = True
    core.physics.rebuild()
    core.power, core.mode = PowerStage.ON, mode
    gains = design_velocity(profile, PERIOD, PERIOD)
    law, per_m = gains.law, 2 * math.pi / profile.actuator.screw.lead
    feedforward = TorqueFeedforward(profile, gains)
    rest, size, integral, seen = core.physics.deflection_m, 0.5e-3, 0.0, []
    cycles = round((max(4, 0.4 * frequency) + 4) / frequency / PERIOD)
    for n in range(cycles):
        deflection = core.physics.deflection_m - rest
        wanted = size * math.sin(2 * math.pi * frequency * n * PERIOD)
        command = law.proportional_1_s * (wanted - deflection) + integral
        integral += PERIOD * law.integral_1_s2 * (wanted - deflection)
        seen.append(deflection)
        speed = command * per_m * core.parameters.drive_polarity
        force = gains.plant.stiffness * wanted
        torque = feedforward.torque(force, core.torque_N_m, -9.0, 9.0, PERIOD, True)
        at = core._position_rad()
        core.advance(PERIOD)  # a command acts one period after its sample
        core.set_target(mode, speed if source == "velocity" else at + speed / position_1_s)
        core.add_torque(torque * core.parameters.drive_polarity)
    last = round(4 / frequency / PERIOD)
    angle = 2 * math.pi * frequency * PERIOD * np.arange(cycles)[-last:]
    basis = np.column_stack([np.sin(angle), np.cos(angle), np.ones(last)])
    real, imaginary, _ = np.linalg.lstsq(basis, np.array(seen[-last:]), rcond=None)[0] / size
    loop = VelocityLoop(gains.plant, law, observer_gains(profile, PERIOD))
    expected = loop.response("deflection", "reference_m", np.array([frequency]))[0]
    assert abs(complex(real, imaginary) - expected) < 0.05 * abs(expected)


def made(share=1.0):
    profile = with_share("footplate_velocity", share)
    return TorqueFeedforward(profile, design_velocity(profile, PERIOD, PERIOD, bounds=False))


def feed(law, force_N, measured=0.0, low=-2.0, high=2.0, fresh=True):
    return law.torque(force_N, measured, low, high, PERIOD, fresh)


def test_it_begins_at_nothing_follows_changes_and_forgets_them():
    law = made()
    assert feed(law, 300.0) == 0.0
    stepped = feed(law, 320.0)
    gear = 1 / load_profile("footplate_velocity").actuator.radians_per_metre
    assert 0.9 * 20.0 * gear < stepped < 20.0 * gear
    for _ in range(200):
        last = feed(law, 320.0)
    assert abs(last) < 1e-6
    law.reset()
    assert law.torque_N_m == 0.0 and feed(law, 500.0) == 0.0


def test_an_old_sample_or_a_force_that_is_no_number_feeds_nothing():
    law = made()
    feed(law, 0.0)
    assert feed(law, 50.0) > 0.0
    assert feed(law, 60.0, fresh=False) == 0.0 == law.torque_N_m
    assert feed(law, 60.0) > 0.0
    assert feed(law, math.nan) == 0.0
    assert feed(law, 60.0) == 0.0  # starts anew


def test_the_torque_of_the_drive_is_capped_in_all():
    law = made()
    feed(law, 0.0)
    assert feed(law, 5000.0, measured=0.0, high=1.0) == 1.0
    # The loop itself gives 0.9: with the latest feed-forward 1.9 is measured.
    assert feed(law, 5000.0, measured=1.9, high=1.0) == pytest.approx(0.1)
    # A loop beyond the cap is neither helped nor opposed.
    assert feed(law, 5000.0, measured=1.5, high=1.0) == 0.0
    # A loop that pushes the other way does not raise the cap.
    assert feed(law, 9000.0, measured=-1.5, high=1.0) == 1.0
    assert feed(law, 15000.0, measured=math.nan, high=1.0) == 1.0


def test_a_drive_limits_the_sum_of_its_loop_and_the_torque_that_it_adds():
    core = SimulatedDriveCore(RigParameters())
    core.power, core.mode = PowerStage.ON, Mode.VELOCITY
    core.add_torque(100.0)
    core.advance(0.0002)
    p = core.parameters
    most = min(p.drive_max_torque_N_m, p.peak_current_A * p.stated_torque_constant_N_m_A)
    assert abs(core._setpoint_A) * p.stated_torque_constant_N_m_A <= most + 1e-9
    core.power = PowerStage.OFF
    core.add_torque(100.0)
    core.power = PowerStage.ON
    with pytest.raises(ValueError, match="not a finite number"):
        core.add_torque(math.nan)
