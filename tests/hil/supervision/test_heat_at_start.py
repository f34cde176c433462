"""Motor heat at the start of a rig host: elapsed time, use that ended without order, clocks."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.bench import LockstepBench
from hil.core import State
from hil.core.requests import Apply, ConstantForce, PowerOn
from hil.profile import load_profile, most_current
from hil.supervision import KeptHeat, Moment, heat_at_start, unknown_heat, winding_degC
from hil.supervision.heat_at_start import wait_s
from hil.supervision.motor_heat import MotorHeat

PROFILE = load_profile("footplate_trainer")
MOTOR = PROFILE.actuator.motor
RATED_A = MOTOR.continuous_current
HEAT = PROFILE.limits.motor_heat
THEN = Moment(1e9, "one", 500.0)
shares = st.floats(0.0, 1.5)
passing = st.floats(0.0, 1e5)


def later(seconds: float, boot: str = "one", set_back_s: float = 0.0) -> Moment:
    return Moment(THEN.wall_s + seconds - set_back_s, boot, THEN.boot_s + seconds)


def kept(winding: float, housing: float, unseen_s: float = 0.0) -> KeptHeat:
    return KeptHeat(winding, housing, THEN, RATED_A, unseen_s)


@given(winding=shares, housing=shares, passed=passing)
def test_after_an_end_in_order_both_bodies_have_cooled(winding, housing, passed):
    found = heat_at_start(PROFILE, kept(winding, housing), later(passed))
    assert found.housing == pytest.approx(
        housing * math.exp(-passed / MOTOR.housing_time_constant), abs=1e-9
    )
    assert found.how == "kept" and found.winding <= max(winding, housing) + 1e-9


def run(heat: MotorHeat, seconds: float, current_A: float) -> None:
    for _ in range(round(seconds / 0.05)):
        heat.update(current_A, 0.0, 0.05)


@given(
    winding=st.floats(0.0, 0.95),
    housing=st.floats(0.0, 0.95),
    used=st.floats(0.0, 10.0),
    current=st.floats(0.0, most_current(PROFILE)),
    idle=st.floats(0.0, 20.0),
)
def test_no_use_that_the_limits_permit_is_hotter_than_what_is_taken(
    winding, housing, used, current, idle
):
    true = MotorHeat(PROFILE)
    true.begin(winding, housing)
    began = kept(true.winding, true.housing, unseen_s=10.0)
    run(true, used, current)
    if true.heat > HEAT.tripped:
        return  # the bench would have stopped earlier
    run(true, 10.0 - used + idle, 0.0)
    found = heat_at_start(PROFILE, began, later(10.0 + idle))
    assert found.how == "unseen"
    assert found.winding >= true.winding - 0.01 and found.housing >= true.housing - 1e-3


@given(winding=shares, housing=shares, passed=passing, unseen=st.floats(0.0, math.inf))
def test_what_is_not_known_never_makes_it_cooler_and_never_hotter_than_the_limit(
    winding, housing, passed, unseen
):
    known = heat_at_start(PROFILE, kept(winding, housing), later(passed))
    found = heat_at_start(PROFILE, kept(winding, housing, unseen), later(passed))
    assert found.housing >= known.housing - 1e-9
    assert found.housing <= max(housing, HEAT.tripped) + 1e-9
    assert found.winding <= max(winding, housing, HEAT.tripped) + 1e-9


def test_a_clock_set_back_means_the_worst_heat_and_a_wait_of_minutes_at_most():
    found = heat_at_start(PROFILE, kept(0.2, 0.1), later(60.0, boot="two", set_back_s=3600.0))
    assert found.how == "unknown" and "clock was set back" in found.text
    assert found.winding == pytest.approx(HEAT.tripped)
    wait = wait_s(PROFILE, found.winding, found.housing)
    assert "power may come on in" in found.text and 0.0 < wait < 150.0
    heat = MotorHeat(PROFILE)
    heat.begin(found.winding, found.housing)
    run(heat, wait, 0.0)
    assert heat.heat <= HEAT.limited + 1e-3


def test_within_one_boot_a_clock_that_is_set_does_no_harm():
    for set_back_s in (7200.0, -7200.0):
        found = heat_at_start(PROFILE, kept(0.8, 0.5), later(60.0, set_back_s=set_back_s))
        assert found.how == "kept"
        assert found.housing == pytest.approx(0.5 * math.exp(-60.0 / MOTOR.housing_time_constant))


def test_a_profile_with_half_the_continuous_current_counts_four_times_the_heat():
    motor = MOTOR.model_copy(update={"continuous_current": 0.5 * RATED_A})
    actuator = PROFILE.actuator.model_copy(update={"motor": motor})
    found = heat_at_start(
        PROFILE.model_copy(update={"actuator": actuator}), kept(0.2, 0.1), later(0.0)
    )
    assert found.housing == pytest.approx(0.4)


def test_the_winding_is_at_the_ambient_temperature_when_cold():
    assert winding_degC(PROFILE, 0.0) == MOTOR.ambient_temperature
    assert winding_degC(PROFILE, 0.5) == MOTOR.ambient_temperature + 0.5 * MOTOR.winding_rise


def working(bench: LockstepBench) -> None:
    bench.run(0.1)
    assert bench.request(PowerOn(load_supported=True)).accepted
    bench.run(0.3)
    assert bench.request(Apply(behaviour=ConstantForce(force_N=300.0), load_may_move=True)).accepted


def test_a_lockstep_bench_restarted_goes_on_with_its_heat_and_one_too_hot_refuses_power():
    first = LockstepBench(PROFILE)
    first.bench.supervisor.heat.begin(0.5, 0.4)
    working(first)
    first.run(0.2)
    assert first.bench.state is State.RUNNING
    before = first.bench.supervisor.heat
    start = heat_at_start(PROFILE, kept(before.winding, before.housing), later(5.0))
    again = LockstepBench(PROFILE)
    again.bench.supervisor.heat.begin(start.winding, start.housing)
    again.run(0.1)
    run(before, 5.1, 0.0)
    assert again.bench.supervisor.motor_heat == pytest.approx(before.heat, rel=0.02)
    hot = unknown_heat(PROFILE, "nothing is known")
    again.bench.supervisor.heat.begin(hot.winding, hot.housing)
    again.run(0.1)
    refused = again.request(PowerOn(load_supported=True))
    assert not refused.accepted and "thermal capacity" in refused.text
    assert again.bench.state is State.DE_ENERGISED
