"""The velocity law keeps the drive's torque within the current limit, and states its drag."""

from __future__ import annotations

import math

import pytest

from hil.control.estimation import Estimator
from hil.control.velocity_controller import GAIN_TIMES, VelocityController
from hil.control.velocity_design import design_velocity
from hil.profile import load_profile

PERIOD = 0.001
PROFILE = load_profile("footplate_velocity")
GAINS = design_velocity(PROFILE, PERIOD, PERIOD)
GEAR = 1 / PROFILE.actuator.radians_per_metre
MOST_N_M = 0.5


def law():
    controller = VelocityController(PROFILE, GAINS)
    estimator = Estimator(PROFILE, PERIOD)
    estimator.reset(0.02, 0.0)
    return controller, estimator


def ask(controller, estimator, force_N, measured=0.0, most=MOST_N_M):
    estimator.update(0.02, 0.0, 0.0, measured, PERIOD)
    return controller.velocity(force_N, estimator, 0.0, most, measured)


def test_a_velocity_adds_no_more_torque_than_the_limit_leaves():
    gain = GAIN_TIMES * GAINS.plant.mass * GAINS.plant.loop_rad_s * GEAR
    controller, estimator = law()
    free = ask(controller, estimator, 500.0, most=math.inf)
    assert not controller.at_torque
    controller, estimator = law()
    held = ask(controller, estimator, 500.0)
    assert 0.0 < held < free and controller.at_torque and controller.saturated
    assert held * gain == pytest.approx(MOST_N_M)


def test_the_torque_that_the_drive_carries_counts():
    controller, estimator = law()
    begun = ask(controller, estimator, 500.0, measured=0.3)
    gain = GAIN_TIMES * GAINS.plant.mass * GAINS.plant.loop_rad_s * GEAR
    beyond_the_nut = begun - estimator.nut_velocity_m_s
    assert beyond_the_nut * gain == pytest.approx(MOST_N_M - 0.3, rel=0.1)
    controller, estimator = law()
    for _ in range(50):
        beyond = ask(controller, estimator, 500.0, measured=2.0)
    assert abs(beyond) * gain < 2 * MOST_N_M


def test_a_small_error_is_not_limited_and_an_unknown_torque_limits_nothing():
    controller, estimator = law()
    ask(controller, estimator, 5.0)
    assert not controller.at_torque and not controller.saturated
    controller, estimator = law()
    ask(controller, estimator, 500.0, measured=math.nan)
    assert not controller.at_torque


def test_the_drag_is_that_of_the_design():
    controller, estimator = law()
    for _ in range(400):
        ask(controller, estimator, 0.0)
    assert controller.drag_N_s_m == pytest.approx(GAINS.drag_N_s_m, rel=0.01)
