"""Restricted operation on the simulated rig: what the drive received, and what moved."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.bench.lockstep import LockstepBench
from hil.control.restricted import WINDOW_M, restricted_profile
from hil.core import Sample
from hil.core.limits import Cause
from hil.core.requests import (
    Apply,
    Commission,
    ConstantForce,
    Enable,
    EndCommission,
    Float,
    MotorSpeed,
    MotorTorque,
    PowerOff,
    PowerOn,
    Reset,
    WithholdHeartbeat,
)
from hil.core.samples import INDEX, State
from hil.profile.loader import load_profile

PROFILE = load_profile("footplate_trainer")
ENVELOPE = Commission(force_N=70.0, speed_m_s=0.03, torque_N_m=0.13)
TORQUE = MotorTorque(
    torque_N_m=0.13, ramp_s=1.0, duration_s=2.0, speed_m_s=0.01, travel_m=0.001, force_N=60.0
)
SPEED = MotorSpeed(speed_m_s=0.02, torque_N_m=0.13, duration_s=3.0, travel_m=0.01, force_N=60.0)


def run(bench: LockstepBench, seconds: float, held: bool = True) -> list[Sample]:
    rows = []
    for _ in range(round(seconds / 0.05)):
        if held:
            bench.request(Enable(held=True))
        rows += bench.run(0.05)
    return rows


def ready() -> LockstepBench:
    bench = LockstepBench(PROFILE)
    bench.run(0.3)
    assert bench.request(ENVELOPE).accepted
    bench.request(Enable(held=True))
    assert bench.request(PowerOn(load_supported=True)).accepted
    run(bench, 0.2)
    assert bench.bench.state is State.STANDBY
    return bench


def column(rows: list[Sample], name: str) -> list[float]:
    return [row[INDEX[name]] for row in rows]


def test_motion_ends_when_the_enabling_control_is_let_go() -> None:
    bench = ready()
    assert bench.request(Apply(behaviour=SPEED)).accepted
    run(bench, 0.3)
    assert abs(bench.last_row[INDEX["nut_velocity_m_s"]]) > 0.002
    bench.request(Enable(held=False))
    assert bench.bench.state is State.STOPPED
    assert bench.bench.cause == Cause.HOLD_TO_RUN_RELEASED
    rows = run(bench, 0.2, held=False)
    assert set(column(rows[3:], "commanded_torque_N_m")) == {0.0}
    assert bench.drive.core.power.name == "OFF"


def test_an_enabling_control_that_falls_silent_counts_as_let_go() -> None:
    bench = ready()
    bench.request(Apply(behaviour=SPEED))
    run(bench, 0.1)
    bench.run(0.16)
    assert bench.bench.state is State.STOPPED
    assert bench.bench.cause == Cause.HOLD_TO_RUN_RELEASED


def test_nothing_is_energised_before_the_enabling_control_is_held() -> None:
    bench = LockstepBench(PROFILE)
    bench.run(0.3)
    bench.request(ENVELOPE)
    outcome = bench.request(PowerOn(load_supported=True))
    assert not outcome.accepted and "hold-to-run" in outcome.text


def test_a_torque_run_ends_at_its_speed_and_gives_no_torque_again() -> None:
    bench = ready()
    bench.request(Apply(behaviour=TORQUE))
    rows = run(bench, 2.5)
    reasons = [e["reason"] for e in bench.events if e["kind"] == "run_ended"]
    assert reasons == ["speed"]
    ended = next(e["cycle"] for e in bench.events if e["kind"] == "run_ended")
    after = [r[INDEX["commanded_torque_N_m"]] for r in rows if r[INDEX["cycle"]] >= ended]
    assert set(after) == {0.0}
    assert max(column(rows, "commanded_torque_N_m")) <= 0.13


def test_a_torque_goes_on_from_the_one_that_acts() -> None:
    bench = ready()
    small = TORQUE.model_copy(update={"torque_N_m": 0.02, "ramp_s": 0.2})
    assert bench.request(Apply(behaviour=small)).accepted
    run(bench, 0.4)
    back = small.model_copy(update={"torque_N_m": -0.02, "ramp_s": 0.4})
    assert bench.request(Apply(behaviour=back)).accepted
    torque = column(run(bench, 0.5), "commanded_torque_N_m")
    steps = [b - a for a, b in zip([0.02, *torque], torque, strict=False)]
    assert max(map(abs, steps)) < 3 * 0.04 / 0.4 * 1e-3
    assert torque[-1] == pytest.approx(-0.02)


def test_a_speed_run_keeps_its_speed_and_ends_at_its_travel() -> None:
    bench = ready()
    bench.request(Apply(behaviour=SPEED))
    before = bench.last_row[INDEX["nut_position_m"]]
    rows = run(bench, 1.4)
    assert [e["reason"] for e in bench.events if e["kind"] == "run_ended"] == ["travel"]
    driven = [row for row in rows if row[INDEX["commanded_torque_N_m"]] != 0.0]
    speeds = [
        row[INDEX["nut_velocity_m_s"]]
        for row in driven
        if row[INDEX["nut_position_m"]] - before > 0.005
    ]
    assert speeds and all(abs(v - 0.02) < 0.006 for v in speeds)


def test_a_speed_run_against_an_end_stops_pushing() -> None:
    bench = ready()
    down = SPEED.model_copy(update={"speed_m_s": -0.01, "force_N": 40.0})
    bench.request(Apply(behaviour=down))
    rows = run(bench, 3.0)
    assert [e["reason"] for e in bench.events if e["kind"] == "run_ended"]
    assert max(map(abs, column(rows, "spring_force_N"))) < 60.0


def test_the_force_loop_stays_open_until_it_is_allowed() -> None:
    bench = ready()
    outcome = bench.request(Apply(behaviour=Float()))
    assert not outcome.accepted and "must stay open" in outcome.text
    bench.request(PowerOff())
    bench.run(0.2)
    assert bench.request(ENVELOPE.model_copy(update={"closed_loop": True})).accepted
    bench.request(Enable(held=True))
    bench.request(PowerOn(load_supported=True))
    run(bench, 0.2)
    assert bench.request(Apply(behaviour=Float())).accepted


def test_open_loop_runs_are_for_restricted_operation_only() -> None:
    bench = LockstepBench(PROFILE)
    bench.run(0.3)
    bench.request(PowerOn(load_supported=True))
    bench.run(0.2)
    outcome = bench.request(Apply(behaviour=TORQUE))
    assert not outcome.accepted and "restricted operation" in outcome.text


@pytest.mark.parametrize("torque", [0.131, -0.131, 5.0])
def test_a_torque_outside_the_envelope_is_refused(torque: float) -> None:
    bench = ready()
    big = TORQUE.model_copy(update={"torque_N_m": torque})
    assert not bench.request(Apply(behaviour=big)).accepted


def test_limits_do_not_change_under_power_and_come_back() -> None:
    bench = ready()
    assert not bench.request(ENVELOPE).accepted
    assert not bench.request(EndCommission()).accepted
    bench.request(PowerOff())
    bench.run(0.2)
    assert bench.bench.profile.limits.force.limited == 70.0
    assert bench.request(EndCommission()).accepted
    assert bench.bench.profile is PROFILE
    assert not bench.bench.hold_to_run.needed


def test_a_drive_that_misses_the_heartbeat_stops_by_itself() -> None:
    bench = ready()
    assert bench.request(WithholdHeartbeat(seconds=0.5)).accepted
    run(bench, 0.5)
    assert bench.bench.state is State.STOPPED
    stop = next(e for e in bench.events if e["kind"] == "stop")
    assert stop["cause"] == "Drive fault" and "0x8130" in stop["detail"]
    # 0x8130 is CiA 301's code for a lost heartbeat.
    run(bench, 0.2)
    assert bench.request(Reset()).accepted
    bench.request(Enable(held=True))
    run(bench, 0.2)
    assert bench.request(PowerOn(load_supported=True)).accepted


@settings(max_examples=60, deadline=None)
@given(
    force=st.floats(1.0, 2000.0),
    speed=st.floats(0.001, 2.0),
    torque=st.floats(0.001, 20.0),
    bandwidth=st.floats(0.0, 100.0),
)
def test_an_envelope_never_widens_a_profile(
    force: float, speed: float, torque: float, bandwidth: float
) -> None:
    envelope = Commission(force_N=force, speed_m_s=speed, torque_N_m=torque, bandwidth_Hz=bandwidth)
    own, narrow = PROFILE.limits, restricted_profile(PROFILE, envelope).limits
    for name in ("force", "speed", "current"):
        before, after = getattr(own, name), getattr(narrow, name)
        assert after.limited <= before.limited
        assert after.limited < after.tripped <= before.tripped
    assert (
        restricted_profile(PROFILE, envelope).control.force_bandwidth
        <= PROFILE.control.force_bandwidth
    )


@pytest.mark.parametrize("force_N", [60.0, -60.0])
def test_a_closed_loop_without_known_ends_stays_near_where_it_began(force_N: float) -> None:
    bench = LockstepBench(PROFILE)
    bench.run(0.3)
    envelope = ENVELOPE.model_copy(update={"closed_loop": True, "force_N": 100.0})
    assert bench.request(envelope).accepted
    began = bench.environment.state()["output_position_m"]
    bench.request(Enable(held=True))
    assert bench.request(PowerOn(load_supported=True)).accepted
    run(bench, 0.3)
    bench.environment.reset_peaks()
    assert bench.request(Apply(behaviour=ConstantForce(force_N=force_N))).accepted
    run(bench, 2.0)
    state = bench.environment.state()
    assert state["peak_end_speed_m_s"] < 0.02
    most = WINDOW_M + PROFILE.limits.travel.tripped_beyond + 0.001
    assert abs(state["output_position_m"] - began) < most
