"""Weights removed or added at once, and power requested while the load still moves."""

from __future__ import annotations

import pytest

from hil.core.limits import Limit
from hil.core.requests import (
    Behaviour,
    ConstantForce,
    Float,
    HoldPosition,
    PowerOff,
    PowerOn,
    VirtualSpring,
)
from hil.core.samples import INDEX, State
from hil.profile.schema import Profile
from tests.hil.supervision.listening_rig import MIDDLE, Rig


def held(profile: Profile, mass_kg: float, at_m: float) -> Rig:
    """Return a rig that holds the weight there, at rest."""
    rig = Rig(profile, mass_kg)
    rig.apply(HoldPosition(position_m=at_m, speed_m_s=0.08))
    rig.run(3.0)
    assert rig.state is State.RUNNING, rig.bench.bench.cause_text
    assert rig.value("output_position_m") == pytest.approx(at_m, abs=0.003)
    rig.limited = 0
    return rig


@pytest.mark.parametrize("at_m", [0.008, MIDDLE, 0.032])
def test_the_heaviest_weight_may_come_off_at_once(footplate: Profile, at_m: float) -> None:
    """The springs throw the light output up; the nut keeps its speed, and the output returns."""
    rig = held(footplate, 7.5, at_m)
    rig.do.hang(0.0)
    fastest = 0.0
    for _ in range(2500):
        row = rig.bench.step()
        rig.limited |= int(row[INDEX["limited"]])
        fastest = max(fastest, abs(row[INDEX["nut_velocity_m_s"]]))
    assert rig.state is State.RUNNING, rig.bench.bench.cause_text
    assert 0.6 * footplate.limits.speed.limited < fastest < 1.05 * footplate.limits.speed.limited
    assert rig.limited >> Limit.SPEED & 1
    assert rig.value("output_position_m") == pytest.approx(at_m, abs=3e-4)


@pytest.mark.parametrize(("before", "after"), [(0.0, 5.0), (2.5, 5.0), (5.0, 7.5)])
def test_a_weight_laid_on_at_once_is_caught_and_lifted_back(
    footplate: Profile, before: float, after: float
) -> None:
    rig = held(footplate, before, MIDDLE)
    rig.do.hang(after)
    rig.run(4.0)
    assert rig.state is State.RUNNING, rig.bench.bench.cause_text
    assert rig.value("output_position_m") == pytest.approx(MIDDLE, abs=3e-4)


def test_five_kilograms_more_at_once_are_caught_with_all_the_force(footplate: Profile) -> None:
    """7.5 kg weigh 561 N at the rod and the force limit is 580 N: 19 N brake 380 kg, which
    is 0.05 m/s², and friction adds as much."""
    rig = held(footplate, 2.5, MIDDLE)
    rig.do.reset_peaks()
    rig.do.hang(7.5)
    rig.run(3.0)
    assert rig.state is State.RUNNING, rig.bench.bench.cause_text
    assert rig.limited >> Limit.FORCE & 1
    assert rig.do.state()["peak_end_speed_m_s"] == 0.0


@pytest.mark.parametrize(
    "behaviour",
    [
        HoldPosition(position_m=MIDDLE, speed_m_s=0.08),
        ConstantForce(force_N=38.0, damping_N_s_m=100.0),
        VirtualSpring(rest_m=MIDDLE, stiffness_N_m=5e3, damping_N_s_m=100.0, bias_N=38.0),
    ],
)
def test_the_heaviest_weight_on_the_empty_lever_is_braked_in_its_free_fall(
    footplate: Profile, behaviour: Behaviour
) -> None:
    """Its fall is as free as a hand moves the lever: braked once known, it meets the end at 77 mm/s."""
    rig = held(footplate, 0.0, MIDDLE)
    rig.apply(behaviour)
    rig.run(0.2)
    rig.do.reset_peaks()
    rig.do.hang(7.5)
    rig.run(1.5)
    state = rig.do.state()
    assert state["peak_end_speed_m_s"] < 0.02
    assert state["peak_spring_force_N"] < footplate.limits.force.tripped


def test_a_hand_that_moves_the_lever_as_a_falling_weight_does_is_hardly_held(
    footplate: Profile,
) -> None:
    """3.5 N at the pan accelerate the lever by gravity over the ratio of its arms."""
    rig = Rig(footplate, 0.0, at_m=MIDDLE)
    rig.apply(ConstantForce(force_N=38.0, damping_N_s_m=100.0))
    rig.run(0.3)
    rig.do.push(-3.5)
    fastest_m_s, most_N = 0.0, 0.0
    for _ in range(300):
        rig.bench.step()
        fastest_m_s = max(fastest_m_s, rig.value("output_velocity_m_s"))
        most_N = max(most_N, rig.value("spring_force_N"))
    assert rig.state is State.RUNNING, rig.bench.bench.cause_text
    assert fastest_m_s < 0.05
    assert most_N < 38.0 + 120.0


@pytest.mark.parametrize("push_N", [40.0, -40.0])
def test_a_hand_that_throws_a_carried_weight_is_braked_before_the_end(
    footplate: Profile, push_N: float
) -> None:
    """The weight's mass counts although a hand lifts or presses it and hides part of its weight."""
    rig = held(footplate, 2.5, MIDDLE)
    force_N = rig.bench.bench.supervisor.balance_N
    rig.apply(ConstantForce(force_N=force_N, damping_N_s_m=100.0))
    rig.run(0.2)
    rig.do.reset_peaks()
    rig.do.push(push_N)
    rig.run(1.0)
    assert rig.state is State.RUNNING, rig.bench.bench.cause_text
    assert rig.do.state()["peak_end_speed_m_s"] == 0.0


def test_no_power_to_a_load_that_still_sinks(footplate: Profile) -> None:
    """Standby holds no load: power now would end in a trip at the lower soft end."""
    rig = held(footplate, 5.0, MIDDLE)
    assert rig.bench.request(PowerOff()).accepted
    rig.run(0.8)
    assert rig.value("output_position_m") > 0.005
    outcome = rig.bench.request(PowerOn(load_supported=True))
    assert not outcome.accepted
    assert "still moves" in outcome.text and "Wait until it rests" in outcome.text
    rig.run(3.0)
    assert rig.bench.request(PowerOn(load_supported=True)).accepted
    rig.run(1.0)
    assert rig.state is State.STANDBY


@pytest.mark.parametrize(
    ("behaviour", "push_N", "most_m_s"),
    # If a cap's force went at the force rate alone: 0.19, 0.21, 0.06 and 0.14 m/s.
    [
        (Float(damping_N_s_m=100.0), -30.0, 0.17),
        (Float(damping_N_s_m=100.0), -40.0, 0.15),
        (ConstantForce(force_N=37.0, damping_N_s_m=100.0), -20.0, 0.03),
        (ConstantForce(force_N=37.0, damping_N_s_m=100.0), -40.0, 0.08),
    ],
)
def test_a_hand_that_pushes_the_empty_lever_down_is_not_thrown_back(
    footplate: Profile, behaviour: Behaviour, push_N: float, most_m_s: float
) -> None:
    rig = Rig(footplate, 0.0, at_m=MIDDLE)
    rig.apply(behaviour)
    rig.run(0.3)
    rig.do.push(push_N)
    rig.do.reset_peaks()
    back = 0.0
    for _ in range(500):
        rig.bench.step()
        back = max(back, rig.bench.drive.core.physics.output_velocity_m_s)
    assert back < most_m_s
    assert rig.state is State.RUNNING, rig.bench.bench.cause_text
    assert rig.do.state()["peak_end_speed_m_s"] == 0.0
