"""Slope of a calibration at a force: a law that can bend is less certain there."""

import pytest

from hil.control import ForceCalibration
from hil.measure.impedance_weights import slope_share
from hil.profile import holding_force, load_profile, rig_parameters


@pytest.mark.parametrize("mass_kg", [2.0, 5.0, 10.0])
def test_a_polynomial_that_is_within_its_force_is_within_its_slope(mass_kg):
    profile = load_profile("bench_slide")
    p, law = (
        rig_parameters(profile),
        ForceCalibration(profile.calibration, profile.sensors.deflection),
    )
    force_N = holding_force(profile, mass_kg)
    rate = p.spring_rate_push_N_m + p.spring_rate_pull_N_m
    at = force_N / rate  # below the knee
    assert at < p.spring_preload_m
    assert abs(law.force(at) - force_N) <= 2 * profile.calibration.absolute_uncertainty
    off = law.stiffness(at) / rate - 1
    assert abs(off) <= slope_share(profile.calibration, force_N)


def test_two_slopes_bend_nowhere_but_at_their_knee():
    stated = load_profile("footplate_trainer").calibration
    straight = (
        2 * (stated.relative_uncertainty**2 + (stated.absolute_uncertainty / 200) ** 2) ** 0.5
    )
    assert slope_share(stated, 200.0) == pytest.approx(straight)
