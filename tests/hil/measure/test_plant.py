"""Identification of the plant from synthetic records with known mass and friction."""

import math

import numpy as np
import pytest

from hil.measure import propose
from hil.measure.plant_identification import Motion, command_delay_s, equations, identify, stretches
from hil.profile import load_profile

STIFFNESS, LEVEL_N, LAG_S = 120e3, 180.0, 0.00025
COUNT_M = 0.01 / 4096
PROFILE = load_profile("footplate_trainer")


def record(mass, viscous, dry, frequency_Hz, chance, late=0.0):
    """Return a nut that swings against springs, with its torque, constant within each period."""
    dt = 0.001
    t = np.cumsum(np.r_[0.0, dt + late * chance.uniform(0, dt, 1500)])
    w = 2 * math.pi * frequency_Hz
    amplitude = 5000 / w / STIFFNESS
    x = amplitude * np.sin(w * t)
    v = amplitude * w * np.cos(w * t)
    a = -w * w * x
    force = LEVEL_N + STIFFNESS * x
    gain = np.where(v > 0, 1 / 0.9, 0.82)
    motor = mass * a + viscous * v + dry * np.sign(v) + gain * force
    # Convert the mean over the period before a sample into the value at its end.
    mean = np.r_[motor[0], 0.5 * (motor[1:] + motor[:-1])]
    held = mean.copy()
    for i in range(1, len(t)):
        decay = math.exp(-(t[i] - t[i - 1]) / LAG_S)
        now = (1 - LAG_S / (t[i] - t[i - 1]) * (1 - decay)) / (1 - decay)
        held[i] = (mean[i] - (1 - now) * held[i - 1]) / now
    nut = COUNT_M * np.floor(x / COUNT_M)
    noisy = force + chance.normal(0, 0.5, len(t))
    return Motion(t, nut, v, held, noisy)


def identified(mass, viscous, dry, late=0.0):
    chance = np.random.default_rng(1)
    parts = [
        equations(record(mass, viscous, dry, f, chance, late), 0.008, LAG_S)
        for f in (2.0, 4.0, 7.0, 11.0, 16.0)
    ]
    return identify(np.concatenate([r for r, _ in parts]), np.concatenate([v for _, v in parts]))


@pytest.mark.parametrize(
    ("mass", "viscous", "dry", "late"), [(48, 100, 20, 0), (48, 100, 20, 1), (120, 0, 50, 0)]
)
def test_mass_damping_and_friction_come_out_as_they_went_in(mass, viscous, dry, late):
    found = identified(mass, viscous, dry, late)
    assert found.mass == pytest.approx(mass, rel=0.01)
    assert found.viscous == pytest.approx(viscous, abs=25)
    assert found.dry == pytest.approx(dry, abs=1.0)
    assert found.gain_extending == pytest.approx(1 / 0.9, abs=0.01)
    assert found.gain_retracting == pytest.approx(0.82, abs=0.01)


def test_only_stretches_that_slide_one_way_are_used():
    v = np.array([0, 2, 3, 0, -2, -3, -1, 0.5, 4])
    assert stretches(v, 1.5) == [(1, 3, 1.0), (4, 6, -1.0), (8, 9, 1.0)]


def test_motion_that_tells_nothing_is_refused():
    with pytest.raises(ValueError, match="too few"):
        identify(np.ones((4, 6)), np.ones(4))
    with pytest.raises(ValueError, match="does not separate mass, damping and friction"):
        identify(np.ones((100, 6)), np.ones(100))


@pytest.mark.parametrize("cycles", [1, 2])
def test_delay_is_that_of_the_command(cycles):
    chance = np.random.default_rng(2)
    f = np.arange(1.0, 60.0, 3.0)
    command = chance.normal(size=(4, len(f))) + 1j * chance.normal(size=(4, len(f)))
    z = np.exp(2j * math.pi * f * 0.001)
    decay = math.exp(-0.001 / LAG_S)
    torque = command * z ** -(cycles + 1) * (1 - decay) / (1 - decay / z)
    found = command_delay_s(f, command, torque, 0.001, LAG_S)
    assert found == pytest.approx(1e-3 * cycles, abs=2e-6)


def test_a_heavier_plant_is_proposed_with_what_it_does_to_the_margin():
    actuator = PROFILE.actuator
    proposal = propose(PROFILE, mass_kg=1.4 * actuator.reflected_mass, mass_u95=0.5)
    assert set(proposal.changes) == {"actuator.motor.rotor_inertia"}
    changed = proposal.profile.actuator
    assert changed.reflected_mass == pytest.approx(1.4 * actuator.reflected_mass, rel=1e-4)
    assert proposal.kept.phase_margin_deg < proposal.redesigned.phase_margin_deg + 5
    assert proposal.kept.bandwidth_Hz != pytest.approx(proposal.redesigned.bandwidth_Hz, rel=0.01)


def test_nothing_is_proposed_within_the_uncertainty():
    mass = PROFILE.actuator.reflected_mass
    assert propose(PROFILE, mass_kg=1.01 * mass, mass_u95=0.02 * mass).changes == {}
