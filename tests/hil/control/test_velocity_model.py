"""The velocity-sourced loop against scipy's own models, and its passivity against frequency responses."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import signal

from hil.control.observer_gains import observer_gains
from hil.control.velocity_model import VelocityLaw, VelocityLoop, VelocityPlant
from hil.control.velocity_passivity import (
    most_passive_integral,
    passive_feedforward,
    passive_stiffness,
)
from hil.profile import load_profile

PROFILE = load_profile("footplate_trainer")
OBSERVER = observer_gains(PROFILE, 0.001)
LOOP = 2 * math.pi * 40
AT_HZ = np.array([1.0, 5.0, 15.0, 40.0, 120.0])


def plant(**more):
    values = {
        "mass": 48.0,
        "stiffness": 120e3,
        "period_s": 0.001,
        "delay_s": 0.001,
        "loop_rad_s": LOOP,
        "integral_rad_s": LOOP / 5,
    }
    return VelocityPlant(**{**values, **more})


@pytest.mark.parametrize("delay", [0, 1, 3])
def test_the_closed_loop_is_that_of_scipys_discretisation(delay):
    p, law = plant(delay_s=delay * 0.001), VelocityLaw(80.0, 900.0)
    a, b = p.matrices()
    system = (a[:3, :3], b[:3, :1], np.array([[1.0, 0.0, 0.0]]), np.zeros((1, 1)))
    phi, gamma, row, _, _ = signal.cont2discrete(system, p.period_s, method="zoh")
    z = np.exp(2j * np.pi * AT_HZ * p.period_s)
    g = np.array([(row @ np.linalg.solve(each * np.eye(3) - phi, gamma))[0, 0] for each in z])
    g = g * z**-delay
    integral = law.integral_1_s2 * p.period_s / (z - 1)
    feedback = law.proportional_1_s + integral
    closed = g * feedback / (1 + g * feedback)
    found = VelocityLoop(p, law, OBSERVER).response("deflection", "reference_m", AT_HZ)
    assert found == pytest.approx(closed, rel=1e-6)


def test_a_fraction_of_a_period_of_delay_lies_between_its_neighbours():
    law = VelocityLaw(80.0, 900.0)
    margins = [
        VelocityLoop(plant(delay_s=d), law, OBSERVER).margins()[0] for d in (0.001, 0.0015, 0.002)
    ]
    assert margins[0] > margins[1] > margins[2]
    assert margins[1] == pytest.approx(0.5 * (margins[0] + margins[2]), abs=0.1)


def impedance(p, law, stiffness, frequencies):
    """Return F/(−v_o) from the differential equations."""
    s = 2j * np.pi * frequencies
    one, none = np.ones_like(s), np.zeros_like(s)
    pi = (law.proportional_1_s + law.integral_1_s2 / s) / p.stiffness
    inner = p.mass * p.loop_rad_s * (1 + p.integral_rad_s / s)
    # Unknowns: nut velocity, command, force; the output moves at 1 m/s.
    rows = [[p.mass * s + inner, -inner, one], [none, one, pi], [-p.stiffness / s, none, one]]
    right = np.array([none, -pi * stiffness / s, -p.stiffness / s])
    return -np.linalg.solve(np.moveaxis(np.array(rows), 2, 0), right.T[:, :, None])[:, 2, 0]


SWEEP = np.geomspace(0.01, 3e5, 1000)


def least(p, law, stiffness):
    """Return the least real part over magnitude."""
    z = impedance(p, law, stiffness, SWEEP)
    return float(np.min(z.real / np.abs(z)))


@settings(max_examples=25, deadline=None)
@given(
    loop_Hz=st.floats(5, 200),
    share=st.floats(0.02, 0.9),
    proportional=st.floats(5, 300),
    ratio=st.floats(0.05, 3.0),
    stiffness=st.floats(1e4, 1e6),
    mass=st.floats(1, 200),
)
def test_without_virtual_spring_the_integral_has_one_bound(
    loop_Hz, share, proportional, ratio, stiffness, mass
):
    assume(abs(ratio - 1) > 0.05)
    loop = 2 * math.pi * loop_Hz
    p = plant(loop_rad_s=loop, integral_rad_s=share * loop, stiffness=stiffness, mass=mass)
    most = most_passive_integral(p, proportional)
    law = VelocityLaw(proportional, ratio * most)
    z = impedance(p, law, 0.0, SWEEP)
    seen = z.real[np.abs(z.real) > 1e-9 * np.abs(z)]  # larger than the rounding error
    assert np.any(seen < 0.0) == (ratio > 1)
    if ratio > 1:
        assert passive_stiffness(p, law) == 0.0


@pytest.mark.parametrize("loop_Hz", [15, 40, 100])
@pytest.mark.parametrize("share", [0.0, 0.1, 0.25])
def test_the_ceiling_is_where_the_real_part_turns_negative(loop_Hz, share):
    loop = 2 * math.pi * loop_Hz
    p = plant(loop_rad_s=loop, integral_rad_s=loop / 5)
    law = VelocityLaw(60.0, share * 3600.0)
    ceiling = passive_stiffness(p, law)
    assert 0.0 < ceiling <= p.stiffness
    assert least(p, law, 0.98 * ceiling) >= -1e-9
    assert least(p, law, 1.02 * ceiling) < 0.0


def test_less_is_fed_forward_the_stiffer_the_virtual_spring_and_all_of_it_would_be_active():
    p, law = plant(), VelocityLaw(60.0, 10.0)
    ceiling = passive_stiffness(p, law)
    shares = [passive_feedforward(p, law, each * ceiling) for each in (0.0, 0.25, 0.5, 0.75, 0.99)]
    assert shares == sorted(shares, reverse=True) and shares[0] < 1.0 and shares[-1] < 0.02
    for share, each in zip(shares, (0.0, 0.25, 0.5, 0.75), strict=False):
        s = 2j * np.pi * SWEEP
        # α is the share of the output's velocity in the command, through the inner loop B/A.
        b = p.mass * p.loop_rad_s * (s + p.integral_rad_s)
        ratio = b / (p.mass * s**2 + b)
        pi = (law.proportional_1_s + law.integral_1_s2 / s) / p.stiffness
        under = s / p.stiffness + ratio * pi + s / (p.mass * s**2 + b)
        for factor, passive in ((0.95, True), (1.05, False)):
            over = 1 - factor * share * ratio + ratio * pi * each * ceiling / s
            z = over / under
            assert bool(np.min(z.real / np.abs(z)) >= -1e-6) == passive


def test_a_fast_inner_loop_has_the_springs_own_stiffness_for_a_ceiling():
    law = VelocityLaw(60.0, 600.0)
    ceilings = [
        passive_stiffness(plant(loop_rad_s=w, integral_rad_s=0.2 * w), law)
        for w in (50.0, 200.0, 1e3, 1e5)
    ]
    assert ceilings == sorted(ceilings)
    assert ceilings[-1] == pytest.approx(120e3, rel=2e-3)


def test_its_bandwidth_is_near_the_proportional_gain():
    loop = VelocityLoop(plant(loop_rad_s=5e3, integral_rad_s=1.0), VelocityLaw(60.0, 5.0), OBSERVER)
    assert loop.bandwidth_Hz() == pytest.approx(60 / (2 * math.pi), rel=0.2)
    assert loop.stable and loop.step(500)[-1] == pytest.approx(1.0, abs=0.02)
