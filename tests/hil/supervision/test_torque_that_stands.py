"""A torque lasts until the next cycle: after late cycles the caps allow for a longer time."""

from __future__ import annotations

import pytest

from hil.control import ForceCalibration
from hil.profile.loader import load_profile
from tests.hil.supervision.test_bounds import Held

PROFILE = load_profile("footplate_trainer")
LIMIT_M_S = PROFILE.limits.speed.limited


def most_speed_m_s(held: Held, nut_m_s: float, stands_s: float) -> float:
    """Return the nut's speed after the lowest permitted torque has lasted so long, springs included."""
    caps = held.at(nut_velocity=nut_m_s)
    force_N = caps.torque_low_N_m * PROFILE.actuator.radians_per_metre - held.load
    return nut_m_s + force_N / PROFILE.actuator.reflected_mass * stands_s


@pytest.mark.parametrize("nut_m_s", [0.0, 0.08, 0.13])
def test_after_a_late_cycle_no_torque_takes_the_nut_past_its_limit_until_the_next(
    nut_m_s: float,
) -> None:
    held = Held(load_N=380.0)
    held.estimator.step_s = 0.0067  # one cycle this late; the next may take 13 ms
    held.at(nut_velocity=nut_m_s)
    held.estimator.step_s = 0.001
    stands_s = PROFILE.limits.most_cycle_late
    assert stands_s == pytest.approx(0.013)
    assert most_speed_m_s(held, nut_m_s, stands_s) > -1.02 * LIMIT_M_S


def most_force_N(held: Held, rate_m_s: float, stands_s: float) -> float:
    """Return the largest spring force if the highest permitted torque lasts so long, then reverses."""
    motor = PROFILE.actuator
    law = ForceCalibration(PROFILE.calibration, PROFILE.sensors.deflection)
    held.estimator.deflection_rate_m_s = rate_m_s
    torque = held.at(nut_velocity=rate_m_s).torque_high_N_m
    deflection, speed, most, step = law.deflection_for(held.load), rate_m_s, held.load, 1e-4
    current = PROFILE.limits.current.limited * motor.motor.torque_constant
    for count in range(400):
        push = (torque if count * step < stands_s else -current) * motor.radians_per_metre
        speed += step * (push - law.force(deflection)) / motor.reflected_mass
        deflection += step * speed
        most = max(most, law.force(deflection))
    return most


@pytest.mark.parametrize(("force_N", "rate_m_s"), [(464.0, 0.11), (520.0, 0.08), (560.0, 0.02)])
def test_after_a_late_cycle_no_torque_strains_the_springs_past_their_limit_until_the_next(
    force_N: float, rate_m_s: float
) -> None:
    # With the caps of prompt cycles, 13 ms of 1.6 N·m on a nut already straining the springs reach
    # 1.11 times the tripped force.
    law = ForceCalibration(PROFILE.calibration, PROFILE.sensors.deflection)
    held = Held(load_N=force_N)
    held.estimator.deflection_m = law.deflection_for(force_N)
    tripped_N = PROFILE.limits.force.tripped
    assert most_force_N(held, rate_m_s, 0.013) > 1.05 * tripped_N
    held.estimator.step_s = 0.0067
    held.at(nut_velocity=rate_m_s)
    held.estimator.step_s = 0.001
    assert most_force_N(held, rate_m_s, 0.013) < 1.01 * tripped_N


def test_cycles_in_time_leave_the_torque_as_it_was() -> None:
    held = Held(load_N=380.0)
    before = held.at(nut_velocity=0.13).torque_low_N_m
    held.estimator.step_s = 0.0035  # twice this is less than the nut's braking time
    held.at(nut_velocity=0.13)
    held.estimator.step_s = 0.001
    assert held.at(nut_velocity=0.13).torque_low_N_m == before


def test_a_late_cycle_is_forgotten() -> None:
    held = Held(load_N=380.0)
    before = held.at(nut_velocity=0.13).torque_low_N_m
    held.estimator.step_s = 0.012
    assert held.at(nut_velocity=0.13).torque_low_N_m > before + 0.1
    held.estimator.step_s = 0.001
    for _ in range(1000):
        held.at(nut_velocity=0.13)
    assert held.at(nut_velocity=0.13).torque_low_N_m == before
