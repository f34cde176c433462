"""Slope of a calibration at a force: a law that can bend is less certain there."""

import numpy as np
import pytest

from hil.control import ForceCalibration
from hil.measure.characteristic import windows
from hil.measure.seen_swing import seen_swing
from hil.measure.slope import bend_share, slope_share
from hil.profile import holding_force, load_profile, rig_parameters
from tests.hil.measure.synthetic import SyntheticRun


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


def test_a_slope_off_by_less_than_the_bend_is_within_the_bands():
    profile = load_profile("bench_slide")
    p, law = (
        rig_parameters(profile),
        ForceCalibration(profile.calibration, profile.sensors.deflection),
    )
    rate = p.spring_rate_push_N_m + p.spring_rate_pull_N_m
    for force_N in (0.0, 60.0, 120.0):
        slope = law.stiffness(law.deflection_for(force_N))
        assert 0.01 < abs(slope / rate - 1) <= bend_share(profile, force_N)
    assert bend_share(load_profile("footplate_trainer"), 120.0) == 0.0


def test_energy_on_the_springs_follows_what_was_recorded_not_the_inverse_of_a_bent_law():
    rate, most_m = 50e3, 0.003
    d = np.concatenate([np.zeros(10), np.linspace(0.0, most_m, 200), np.full(600, 0.5 * most_m)])
    run = SyntheticRun(
        {"time_s": 0.001 * np.arange(len(d)), "spring_force_N": rate * d, "deflection_m": d},
        [("drop", 0, len(d), {})],
    )
    taken, beyond = seen_swing(run, windows(run, "drop")[0]).taken_J()
    assert taken == pytest.approx(0.5 * rate * most_m**2, rel=0.01)
    # At rest half of the peak: the work of the weight is all of that energy.
    assert beyond == pytest.approx(0.0, abs=0.01 * taken)
