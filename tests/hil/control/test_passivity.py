"""The force loop as seen from the output: rendered impedance and coupled stability.

Theory: a virtual stiffness K rendered through a spring k is passive for K ≤ k only (Vallery et al.,
IEEE Robotics & Automation Magazine 15(3), 2008; Tagliamonte and Accoto, Proc. IMechE Part I 228(3),
2014). A port is passive if the real part of its impedance is nowhere negative (Colgate 1988, from
memory).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hil.control import ObserverGains
from hil.control.behaviours import passive_bounds
from hil.control.force_design import ForceGains, design, plants
from hil.control.force_model import Loop, Plant
from hil.control.observer_gains import observer_gains
from hil.control.rig_model import moved_mass
from hil.profile.loader import load_profile

T = 0.001
NAMES = ["footplate_trainer", "bench_slide"]


def case(name: str) -> tuple[ForceGains, list[Plant], ObserverGains]:
    profile = load_profile(name)
    return design(profile, T, T), plants(profile, T, T), observer_gains(profile, T)


def impedance(loop: Loop, frequencies: np.ndarray) -> np.ndarray:
    """Return force over output velocity when the output is moved, in N·s/m."""
    force = loop.plant.stiffness * loop.response("deflection", "acceleration_m_s2", frequencies)
    return -force / loop.response("output_velocity", "acceleration_m_s2", frequencies)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("share", [0.0, 0.25, 0.5, 0.75, 0.9])
def test_springs_below_the_bound_take_energy_out(name, share):
    gains, choices, observer = case(name)
    frequencies = np.geomspace(0.05, 50, 300)
    for plant in choices:
        loop = Loop(
            plant,
            gains.law,
            observer,
            driven=True,
            virtual_stiffness=share * plant.stiffness,
            lead_s=gains.lead_s,
        )
        found = impedance(loop, frequencies)
        assert np.min(found.real) > -1e-6 * plant.stiffness
        # At low frequency the impedance is that of the spring: Z = K/s.
        low = found[0] * 2j * np.pi * frequencies[0]
        assert low.real == pytest.approx(share * plant.stiffness, rel=0.02, abs=100)


@pytest.mark.parametrize("name", NAMES)
def test_springs_above_the_bound_feed_energy_in(name):
    """Activity grows with the excess stiffness: the bound is where theory puts it."""
    gains, choices, observer = case(name)
    frequencies = np.geomspace(0.05, 50, 300)
    for plant in choices:
        least = [
            np.min(
                impedance(
                    Loop(
                        plant,
                        gains.law,
                        observer,
                        driven=True,
                        virtual_stiffness=share * plant.stiffness,
                        lead_s=gains.lead_s,
                    ),
                    frequencies,
                ).real
            )
            / plant.stiffness
            for share in (0.9, 1.1, 1.3)
        ]
        assert least[0] > -1e-6 > -1e-3 > least[1] > least[2]


@pytest.mark.parametrize("name", NAMES)
def test_a_spring_rendered_late_is_not_passive(name):
    """The lead is needed: without it every virtual spring has negative damping K·lag."""
    gains, choices, observer = case(name)
    plant = choices[0]
    stiffness = 0.5 * plant.stiffness
    late = Loop(plant, gains.law, observer, driven=True, virtual_stiffness=stiffness)
    lag = gains.lead_s - 0.5 * T
    found = impedance(late, np.array([0.1]))[0].real
    assert found == pytest.approx(-stiffness * lag, rel=0.05)
    heavy = replace(plant, output_mass=100.0)
    assert not Loop(heavy, gains.law, observer, virtual_stiffness=stiffness).stable
    assert Loop(heavy, gains.law, observer, virtual_stiffness=stiffness, lead_s=gains.lead_s).stable


@pytest.mark.parametrize("name", NAMES)
def test_stable_with_every_mass_that_may_hang_on_it(name):
    """Stable for all permitted stiffness and damping, from the empty rig to far beyond its weights."""
    profile = load_profile(name)
    gains, choices, observer = case(name)
    lightest = moved_mass(profile)[0]
    most = passive_bounds(profile)[0]
    fraction = profile.control.passive_fraction
    for plant in choices:
        for factor in (1.0, 1.5, 3.0, 10.0, 100.0):
            loaded = replace(plant, output_mass=factor * lightest)
            for share in (0.0, 0.3, 0.6, 1.0):
                stiffness = min(share * most, fraction * plant.stiffness)
                for damping in (0.3, 1.0):
                    loop = Loop(
                        loaded,
                        gains.law,
                        observer,
                        virtual_stiffness=stiffness,
                        virtual_damping=damping
                        * min(profile.limits.damping, gains.most_damping(share * most)),
                        lead_s=gains.lead_s,
                    )
                    assert loop.stable, (plant.stiffness, factor, share, damping)


@pytest.mark.parametrize("name", NAMES)
def test_the_damping_bound_is_needed(name):
    """Three times the permitted damping makes the lightest output unstable."""
    gains, choices, observer = case(name)
    lightest = moved_mass(load_profile(name))[0]
    assert not all(
        Loop(
            replace(plant, output_mass=lightest),
            gains.law,
            observer,
            virtual_damping=3.0 * gains.most_damping(0.0),
        ).stable
        for plant in choices
    )
    bounds = gains.damping_bounds
    assert gains.most_damping(1e9) == bounds[-1][1]
    middle = (bounds[0][0] + bounds[1][0]) / 2
    assert gains.most_damping(middle) == pytest.approx((bounds[0][1] + bounds[1][1]) / 2)
