"""A torque stands until the next cycle: where cycles come late, it is one that may stand so long."""

from __future__ import annotations

import pytest

from hil.profile.loader import load_profile
from tests.hil.supervision.test_bounds import Held

PROFILE = load_profile("footplate_trainer")
LIMIT_M_S = PROFILE.limits.speed.limited


def most_speed_m_s(held: Held, nut_m_s: float, stands_s: float) -> float:
    """Speed of the nut once the lowest torque of the caps has stood so long, springs and all."""
    caps = held.at(nut_velocity=nut_m_s)
    force_N = caps.torque_low_N_m * PROFILE.actuator.radians_per_metre - held.load
    return nut_m_s + force_N / PROFILE.actuator.reflected_mass * stands_s


@pytest.mark.parametrize("nut_m_s", [0.0, 0.08, 0.13])
def test_after_a_late_cycle_no_torque_takes_the_nut_past_its_limit_until_the_next(
    nut_m_s: float,
) -> None:
    held = Held(load_N=380.0)
    held.estimator.step_s = 0.0067  # one cycle came so late; the next one may take 13 ms
    held.at(nut_velocity=nut_m_s)
    held.estimator.step_s = 0.001
    stands_s = PROFILE.limits.most_cycle_late
    assert stands_s == pytest.approx(0.013)
    assert most_speed_m_s(held, nut_m_s, stands_s) > -1.02 * LIMIT_M_S


def test_cycles_in_time_leave_the_torque_as_it_was() -> None:
    held = Held(load_N=380.0)
    before = held.at(nut_velocity=0.13).torque_low_N_m
    held.estimator.step_s = 0.0035  # twice this is less than the time in which the nut is braked
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
