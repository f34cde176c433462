"""Zero force from records with a known mass and drag at the hand, and its design."""

import math

import numpy as np
import pytest

from hil.measure import zero_force
from hil.profile import load_profile
from tests.hil.measure.synthetic import SyntheticRun

PROFILE = load_profile("footplate_trainer")
MASS_kg, DAMPING_N_s_m, SWING_M = 12.0, 20.0, 0.004
RATE_Hz = PROFILE.control.rate


def swung(drift_m_s):
    """Return a lever swung by hand at each frequency while it drifts at a constant speed."""
    position, force, marked, begin = [], [], [], 0
    for frequency in zero_force.FREQUENCIES_Hz:
        t = np.arange(round(zero_force.PERIODS / frequency * RATE_Hz)) / RATE_Hz
        w = 2 * math.pi * frequency
        position.append(SWING_M * np.sin(w * t) + drift_m_s * t)
        speed = SWING_M * w * np.cos(w * t) + drift_m_s
        force.append(MASS_kg * SWING_M * w**2 * np.sin(w * t) - DAMPING_N_s_m * speed)
        marked.append(("hand", begin, begin + len(t), {"frequency_Hz": frequency}))
        begin += len(t)
    columns = {
        "time_s": np.arange(begin) / RATE_Hz,
        "output_position_m": np.concatenate(position),
        "output_velocity_m_s": np.gradient(np.concatenate(position), 1 / RATE_Hz),
        "spring_force_N": np.concatenate(force),
    }
    return SyntheticRun(columns, marked)


@pytest.mark.parametrize("drift_m_s", [0.0, 0.01])
def test_a_lever_that_drifts_is_felt_as_heavy_as_one_that_does_not(drift_m_s):
    found = zero_force.TEST.evaluate(swung(drift_m_s), PROFILE).characteristics
    figures = {c.name: c for c in found}
    assert figures["zero_force.apparent_mass"].value == pytest.approx(MASS_kg, rel=0.01)
    assert figures["zero_force.least_damping"].value == pytest.approx(DAMPING_N_s_m, rel=0.02)


def test_the_hand_overcomes_the_friction_of_the_guide():
    slide = load_profile("bench_slide")
    for frequency in zero_force.FREQUENCIES_Hz:
        # It did not move the slide at 0.8 Hz, and a force of nothing was felt.
        assert zero_force._push_N(slide, frequency) > slide.rig.guide_friction


def test_an_output_that_was_hardly_swung_is_no_result():
    run = swung(0.0)
    for name in ("output_position_m", "output_velocity_m_s"):
        run._columns[name] = 0.01 * run._columns[name]
    with pytest.raises(
        ValueError, match=r"swung by 0\.0 mm each way at 0\.8 Hz\. Fix: swing it by"
    ):
        zero_force.TEST.evaluate(run, PROFILE)
