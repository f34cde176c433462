"""Stop category 1 of IEC 60204-1 on the lockstep rig: brought to rest under power, then power off."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.base import PowerRequest
from drivers.simulated import Lateness
from hil.bench.lockstep import LockstepBench
from hil.control import Estimator
from hil.control.controlled_stop import ControlledStop
from hil.core import Limit
from hil.core.requests import Apply, ConstantForce, HoldPosition, PowerOff, PowerOn, Stop
from hil.core.samples import INDEX, State
from hil.profile.loader import load_profile

TRAINER = load_profile("footplate_trainer")
PROFILE = TRAINER.model_copy(
    update={"stop": TRAINER.stop.model_copy(update={"category": 1, "deceleration": 0.1})}
)


@pytest.fixture
def moving() -> LockstepBench:
    """Return a bench on its way up at about 50 mm/s."""
    bench = LockstepBench(PROFILE, 1)
    bench.run(0.1)
    assert bench.request(PowerOn(load_supported=True)).accepted
    bench.run(0.5)
    assert bench.request(Apply(behaviour=HoldPosition(position_m=0.045, speed_m_s=0.06))).accepted
    while bench.last_row[INDEX["output_position_m"]] < 0.02:
        bench.step()
    bench.request(Stop(cause="test"))
    bench.run(0.02)
    assert bench.bench.state is State.STOPPED and bench.bench.controlled_stop.running
    assert bench.bench.command.power == PowerRequest.ON
    return bench


def test_the_nut_is_brought_to_rest_before_power_goes(moving):
    before = abs(moving.last_row[INDEX["nut_velocity_m_s"]])
    for _ in range(round(PROFILE.stop.longest / moving.period_s)):
        row = moving.step()
        if not moving.bench.controlled_stop.running:
            break
    assert moving.bench.command.power == PowerRequest.OFF
    assert abs(row[INDEX["nut_velocity_m_s"]]) < before / 4
    stops = [event for event in moving.events if event["kind"] == "stop"]
    assert [stop["category"] for stop in stops] == [1]


@pytest.mark.parametrize(
    ("name", "value"),
    [("drive_fault", 0x2310), ("deflection_rail", 1), ("deflection_jump_counts", 900)],
)
def test_what_makes_it_wrong_to_drive_on_cuts_it_short(moving, name, value):
    moving.environment.disturb(name, value)
    moving.run(0.01)
    assert moving.bench.command.power == PowerRequest.OFF
    assert moving.bench.command.torque_N_m == 0.0
    assert not moving.bench.controlled_stop.running


@pytest.mark.parametrize("request_", [Stop(cause="again"), PowerOff()], ids=["stop", "power off"])
def test_a_second_stop_or_power_off_cuts_it_short(moving, request_):
    moving.request(request_)
    moving.step()
    assert moving.bench.command.power == PowerRequest.OFF
    assert not moving.bench.controlled_stop.running
    assert "cut short" in [e for e in moving.events if e["kind"] == "notice"][-1]["text"]


def test_another_trip_cuts_it_short(moving):
    moving.bench.stop(Limit.SUPPLY_LOW)
    moving.step()
    assert moving.bench.command.power == PowerRequest.OFF


def test_the_cause_that_began_it_may_go_on_standing():
    bench = LockstepBench(PROFILE, 1)
    bench.run(0.1)
    assert bench.request(PowerOn(load_supported=True)).accepted
    bench.run(0.5)
    bench.bench.stop(Limit.SUPPLY_LOW)
    bench.bench.stop(Limit.SUPPLY_LOW)
    assert bench.bench.controlled_stop.running


def test_a_lost_reference_starts_none():
    bench = LockstepBench(PROFILE, 1)
    bench.run(0.1)
    assert bench.request(PowerOn(load_supported=True)).accepted
    bench.run(0.5)
    bench.drive.core._zero_rad += 60.0
    bench.run(0.01)
    assert bench.bench.supervisor.reference_lost
    assert bench.bench.command.power == PowerRequest.OFF
    assert [e["category"] for e in bench.events if e["kind"] == "stop"] == [0]


def seen(velocity: float) -> Estimator:
    """Return an estimator with the values that the stop reads, set by hand."""
    estimator = Estimator(PROFILE, 0.001)
    estimator.nut_velocity_m_s = velocity
    estimator.output_velocity_m_s = 0.0
    estimator.step_s = 0.001
    return estimator


@given(
    st.floats(-0.3, 0.3),
    st.lists(st.floats(allow_nan=True, allow_infinity=True), min_size=1, max_size=20),
)
def test_whatever_is_seen_the_torque_is_bounded_and_a_faster_nut_ends_it(start, speeds):
    stop = ControlledStop(PROFILE)
    stop.start(start)
    for velocity in speeds:
        if not stop.running:
            break
        torque = stop.torque(seen(velocity), 0.0, 0.001, 0.5)
        assert abs(torque) <= 0.5
        assert torque * velocity <= 0.0 or not stop.running
        if not abs(velocity) <= abs(start) + 2 * stop.faster_m_s:
            assert not stop.running and torque == 0.0


def test_a_speed_or_force_that_is_no_number_gives_no_torque():
    for velocity, force in ((math.nan, 0.0), (0.1, math.nan)):
        stop = ControlledStop(PROFILE)
        stop.start(0.1)
        assert stop.torque(seen(velocity), force, 0.001, 0.5) == 0.0
        assert not stop.running
    stop.start(math.nan)
    assert not stop.running


def test_a_nut_that_goes_on_although_it_is_braked_ends_it():
    stop = ControlledStop(PROFILE)
    stop.start(0.05)
    way = 0.0
    while stop.running:
        stop.torque(seen(0.05), 0.0, 0.001, 0.5)
        way += 0.05 * 0.001
    assert way < stop.way_m(0.05) + 1e-3


def test_a_nut_that_gains_speed_ends_it_within_some_cycles():
    stop = ControlledStop(PROFILE)
    stop.start(0.1)
    for velocity in (0.1, 0.07, 0.04):
        stop.torque(seen(velocity), 0.0, 0.001, 0.5)
    assert stop.running
    for _ in range(3):
        stop.torque(seen(0.04 + 1.5 * stop.faster_m_s), 0.0, 0.001, 0.5)
    assert not stop.running


def stopping(name: str, mass_kg: float, force: bool, seed: int) -> LockstepBench:
    """Return a late bench with category 1 in the middle of a loaded motion."""
    profile = load_profile(name)
    profile = profile.model_copy(
        update={
            "stop": profile.stop.model_copy(update={"category": 1}),
            "limits": profile.limits.model_copy(update={"telemetry_age": 0.02}),
        }
    )
    bench = LockstepBench(profile, seed, Lateness(0.02, 0.004, 0.01, 0.3))
    bench.environment.hang(mass_kg)
    bench.run(0.2)
    assert bench.request(PowerOn(load_supported=True)).accepted
    bench.run(0.3)
    hold = HoldPosition(position_m=0.6 * profile.actuator.stroke, speed_m_s=0.15)
    assert bench.request(Apply(behaviour=hold, load_may_move=True)).accepted
    bench.run(0.2)
    if force:
        pull = ConstantForce(force_N=-0.1 * profile.limits.force.limited)
        assert bench.request(Apply(behaviour=pull, load_may_move=True)).accepted
        bench.run(0.04)
    assert bench.bench.state is State.RUNNING, bench.bench.cause_text
    return bench


@pytest.mark.parametrize("force", [False, True])
@pytest.mark.parametrize("mass_kg", [0.0, 4.0])
@pytest.mark.parametrize("name", ["footplate_trainer", "bench_slide"])
def test_a_healthy_loaded_stop_with_late_cycles_is_brought_to_rest(name, mass_kg, force):
    bench = stopping(name, mass_kg, force, 1)
    bench.request(Stop(cause="test"))
    fastest = abs(bench.last_row[INDEX["nut_velocity_m_s"]])
    while bench.bench.controlled_stop.running:
        bench.step()
    speed = abs(bench.last_row[INDEX["nut_velocity_m_s"]])
    timed_out = bench.bench.controlled_stop._time >= bench.profile.stop.longest
    assert speed < 0.003 or timed_out, (fastest, speed)


@pytest.mark.parametrize("name", ["footplate_trainer", "bench_slide"])
@pytest.mark.parametrize("share", [0.5])
def test_a_false_spring_force_does_not_drive_the_nut_on(name, share, monkeypatch):
    bench = stopping(name, 0.0, False, 1)
    bench.request(Stop(cause="test"))
    bench.run(0.02)
    false_N = share * bench.profile.limits.force.limited
    stop = bench.bench.controlled_stop
    brake = stop.torque
    monkeypatch.setattr(stop, "torque", lambda e, force, *more: brake(e, force + false_N, *more))
    before = abs(bench.environment.state()["nut_velocity_m_s"])
    at = bench.environment.state()["nut_position_m"]
    while stop.running:
        bench.step()
        true = bench.environment.state()
        assert abs(true["nut_velocity_m_s"]) < before + 0.03
    assert bench.bench.command.torque_N_m == 0.0
    assert abs(true["nut_position_m"] - at) < 0.006  # 28 and 34 mm without the bounds
