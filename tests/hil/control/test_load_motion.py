"""Behaviours that would release the present load are refused until load motion is confirmed."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.bench import LockstepBench
from hil.control import expected_motion
from hil.core import (
    CONFIRM_LOAD_MOTION,
    INDEX,
    Apply,
    Behaviour,
    BehaviourCode,
    ConstantForce,
    Float,
    HoldPosition,
    PowerOn,
    State,
    VirtualSpring,
    Waveform,
)
from hil.profile import load_profile

PROFILE = load_profile("footplate_trainer")
TRAVEL = PROFILE.limits.travel
WEIGHT_N = 7.5 * 9.80665 * 420 / 60 + 38.2  # at the rod, with the bare lever


def powered(mass_kg: float) -> LockstepBench:
    bench = LockstepBench(PROFILE, 3)
    bench.environment.hang(mass_kg)
    bench.run(0.4)
    assert bench.request(PowerOn(load_supported=True)).accepted
    bench.run(0.3)
    assert bench.bench.state is State.STANDBY
    return bench


@pytest.fixture(scope="module")
def holding() -> LockstepBench:
    """Return a bench that holds 7.5 kg at 40 mm."""
    bench = powered(7.5)
    assert bench.request(Apply(behaviour=HoldPosition(position_m=0.040, speed_m_s=0.05))).accepted
    bench.run(2.0)
    return bench


def test_a_held_weight_does_not_fall_without_a_word(holding: LockstepBench) -> None:
    falls: list[Behaviour] = [
        Float(),
        Float(damping_N_s_m=600.0),
        ConstantForce(force_N=100.0),
        VirtualSpring(rest_m=0.0275, stiffness_N_m=5000.0),
        Waveform(shape="step", offset=WEIGHT_N, amplitude=-200.0),
        Waveform(shape="table", points=((0.0, WEIGHT_N), (1.0, 0.0)), duration_s=1.0),
        Waveform(shape="sine", offset=500.0, amplitude=80.0, frequency_Hz=0.2),
        Waveform(shape="sine", of="rest", offset=0.02, amplitude=0.01, stiffness_N_m=5000.0),
    ]
    for behaviour in falls:
        outcome = holding.request(Apply(behaviour=behaviour))
        assert not outcome.accepted, behaviour
        assert outcome.text.startswith("About 7."), outcome.text
        assert "kg will fall to the lower end, at up to" in outcome.text
        assert outcome.text.endswith(CONFIRM_LOAD_MOTION)
    row = holding.run(0.3)[-1]
    assert row[INDEX["behaviour"]] == BehaviourCode.HOLD_POSITION
    assert row[INDEX["output_position_m"]] == pytest.approx(0.040, abs=0.0025)
    # The lever's ratio multiplies the speed limit of the nut.
    assert "at up to 1.75 m/s at the load" in holding.request(Apply(behaviour=Float())).text
    driven = holding.request(Apply(behaviour=ConstantForce(force_N=-300.0)))
    assert "fall to the lower end" in driven.text


def test_what_holds_the_load_is_applied_at_once(holding: LockstepBench) -> None:
    holds: list[Behaviour] = [
        ConstantForce(force_N=WEIGHT_N, damping_N_s_m=600.0),
        HoldPosition(position_m=0.030),
        VirtualSpring(rest_m=0.0275, stiffness_N_m=40e3, bias_N=WEIGHT_N),
        Waveform(shape="sine", offset=WEIGHT_N, amplitude=50.0, frequency_Hz=2.0),
        HoldPosition(position_m=0.040),
    ]
    for behaviour in holds:
        outcome = holding.request(Apply(behaviour=behaviour))
        assert outcome.accepted, (behaviour, outcome.text)
        holding.run(0.3)


def test_confirmed_it_falls_and_unloaded_it_would_rise(holding: LockstepBench) -> None:
    holding.run(1.5)
    assert holding.request(Apply(behaviour=Float(damping_N_s_m=900.0), load_may_move=True)).accepted
    row = holding.run(1.2)[-1]
    assert row[INDEX["output_position_m"]] < 0.030


def test_at_its_lower_end_nothing_can_fall() -> None:
    bench = powered(2.5)
    assert bench.request(Apply(behaviour=Float())).accepted


def test_a_force_far_above_the_load_says_that_it_rises() -> None:
    bench = powered(0.0)
    assert bench.request(Apply(behaviour=HoldPosition(position_m=0.02, speed_m_s=0.05))).accepted
    bench.run(1.5)
    outcome = bench.request(Apply(behaviour=ConstantForce(force_N=300.0)))
    assert not outcome.accepted
    assert outcome.text.startswith("The empty lever will be driven to the upper end")


@given(
    balance=st.floats(-580, 580),
    position=st.floats(TRAVEL.lower, TRAVEL.upper),
    share=st.floats(-0.14, 0.14),
)
def test_near_balance_nothing_is_asked_and_far_from_it_always(
    balance: float, position: float, share: float
) -> None:
    near = ConstantForce(force_N=balance * (1 + share))
    assert expected_motion(near, PROFILE, balance, position) == ""
    room_up = TRAVEL.upper - position > 0.006 and position > TRAVEL.lower
    room_down = position - TRAVEL.lower > 0.006
    step = 0.16 * max(abs(balance), 200.0)
    up = ConstantForce(force_N=balance + step)
    down = ConstantForce(force_N=balance - step)
    assert ("upper end" in expected_motion(up, PROFILE, balance, position)) or not room_up
    assert ("lower end" in expected_motion(down, PROFILE, balance, position)) or not room_down
    hold = HoldPosition(position_m=0.02)
    assert expected_motion(hold, PROFILE, balance, position) == ""


@given(
    rest=st.floats(TRAVEL.lower, TRAVEL.upper),
    stiffness=st.floats(500.0, 60e3),
    bias=st.floats(-580, 580),
    balance=st.floats(0, 580),
)
def test_a_spring_asks_only_if_its_equilibrium_lies_beyond_an_end(
    rest: float, stiffness: float, bias: float, balance: float
) -> None:
    spring = VirtualSpring(rest_m=rest, stiffness_N_m=stiffness, bias_N=bias)
    equilibrium = rest + (bias - balance) / stiffness
    motion = expected_motion(spring, PROFILE, balance, 0.0275)
    if TRAVEL.lower <= equilibrium <= TRAVEL.upper:
        assert motion == ""
    elif motion:
        assert ("lower" in motion) == (equilibrium < TRAVEL.lower)
    assert not math.isnan(equilibrium)
