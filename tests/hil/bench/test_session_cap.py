"""Session cap: narrower at any time without a bump, wider only without power, never past the profile."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.simulated.lateness import Lateness
from hil.bench.lockstep import LockstepBench
from hil.core import (
    INDEX,
    Apply,
    Behaviour,
    Commission,
    ConstantForce,
    EndCommission,
    ExternalSetpoint,
    HoldPosition,
    Limit,
    PowerOff,
    PowerOn,
    Request,
    Reset,
    Sample,
    SessionCap,
    Setpoint,
    State,
    Stop,
    VirtualSpring,
    Waveform,
)
from hil.profile import Profile, load_profile

PROFILE = load_profile("footplate_trainer")
OWN = PROFILE.limits
MIDDLE_M = 0.0275
LATE = Lateness(share=0.05, up_to_s=0.004, stale_share=0.5)
BOTH = pytest.mark.parametrize("lateness", [None, LATE], ids=["in time", "late"])


def powered(
    cap: SessionCap | None = None, profile: Profile = PROFILE, lateness: Lateness | None = None
) -> LockstepBench:
    bench = LockstepBench(profile, 1, lateness)
    if cap is not None:
        assert bench.request(cap).accepted
    bench.run(0.3)
    outcome = bench.request(PowerOn(load_supported=True))
    assert outcome.accepted, outcome.text
    bench.run(0.3)
    return bench


def lifted(lateness: Lateness | None = None) -> LockstepBench:
    bench = powered(lateness=lateness)
    bench.request(Apply(behaviour=HoldPosition(position_m=MIDDLE_M, speed_m_s=0.06)))
    bench.run(1.2)
    return bench


def column(rows: list[Sample], name: str) -> np.ndarray:
    return np.array([row[INDEX[name]] for row in rows])


def borne_N(bench: LockstepBench) -> float:
    return float(np.mean(column(bench.run(0.2), "spring_force_N")))


def test_a_cap_at_the_start_narrows_bounds_trips_and_what_may_be_asked_for() -> None:
    bench = powered(SessionCap(force_N=150.0, speed_m_s=0.03))
    limits = bench.bench.profile.limits
    assert (limits.force.limited, limits.force.tripped) == (150.0, 187.5)
    assert (limits.speed.limited, limits.speed.tripped) == (0.03, 0.0375)
    outcome = bench.request(Apply(behaviour=ConstantForce(force_N=300.0), load_may_move=True))
    assert outcome.accepted and "force" in outcome.text
    rows = bench.run(2.0)
    assert np.max(np.abs(column(rows, "spring_force_N"))) < 187.5
    assert np.max(np.abs(column(rows, "nut_velocity_m_s"))) < 0.0375
    assert bench.bench.state is State.RUNNING, bench.bench.cause_text
    names = [name for event in bench.events for name in event.get("limits", [])]
    assert "Speed (session cap)" in names


def test_a_trip_names_the_cap() -> None:
    bench = powered(SessionCap(force_N=150.0))
    bench.request(Apply(behaviour=HoldPosition(position_m=MIDDLE_M), load_may_move=True))
    bench.run(1.2)
    for push in range(0, 700, 7):
        bench.environment.push(-push)
        bench.run(0.001)
    assert bench.bench.cause == Limit.FORCE, bench.bench.cause_text
    assert "188 N" in bench.bench.cause_text
    assert bench.bench.cause_text.endswith("by the session cap of 150 N")


def test_wider_only_without_power_and_when_confirmed() -> None:
    bench = powered(SessionCap(force_N=100.0, speed_m_s=0.05))
    for wider in (SessionCap(force_N=120.0), SessionCap(widen=True)):
        outcome = bench.request(wider)
        assert not outcome.accepted and "power off first" in outcome.text
    assert bench.bench.profile.limits.force.limited == 100.0
    bench.request(PowerOff())
    bench.run(0.3)
    outcome = bench.request(SessionCap(force_N=120.0))
    assert not outcome.accepted and "confirm" in outcome.text
    assert bench.request(SessionCap(force_N=120.0, widen=True)).accepted
    assert bench.bench.profile.limits.force.limited == 120.0
    assert bench.bench.profile.limits.speed == OWN.speed  # left out, so the profile's again
    assert bench.request(SessionCap(force_N=1e6, widen=True)).accepted
    assert bench.bench.profile.limits == OWN
    assert bench.events[-1]["kind"] == "session_cap"


@BOTH
def test_narrowing_while_running_bumps_nothing(lateness: Lateness | None) -> None:
    bench = lifted(lateness)
    load = borne_N(bench)
    behaviour = Waveform(shape="sine", offset=load, amplitude=60.0, frequency_Hz=2.0)
    bench.request(Apply(behaviour=behaviour, load_may_move=True))
    before = bench.run(0.9)
    least = load + 30.0
    assert bench.request(SessionCap(force_N=least, speed_m_s=0.02)).accepted
    after = bench.run(2.0)
    assert bench.bench.state is State.RUNNING, bench.bench.cause_text
    shaped = column(before[-1:] + after, "shaped_force_N")
    most = 2 * np.max(np.abs(np.diff(column(before, "shaped_force_N"))))
    assert np.max(np.abs(np.diff(shaped))) < most
    late = after[1200:]
    assert np.max(column(late, "spring_force_N")) < 1.25 * least
    assert np.max(np.abs(column(late, "nut_velocity_m_s"))) < 0.025
    assert [e["cap"] for e in bench.events if e["kind"] == "session_cap"] == [
        {"force_N": least, "speed_m_s": 0.02}
    ]


def test_a_limit_below_what_the_rod_bears_is_refused() -> None:
    bench = lifted()
    load = borne_N(bench)
    outcome = bench.request(SessionCap(force_N=0.8 * load))
    assert not outcome.accepted
    assert "the rod carries 3" in outcome.text and "Fix:" in outcome.text
    assert bench.bench.profile.limits.force == OWN.force
    assert bench.request(SessionCap(force_N=1.3 * load)).accepted


@BOTH
def test_stiffness_narrowed_while_a_spring_acts(lateness: Lateness | None) -> None:
    bench = lifted(lateness)
    load = borne_N(bench)
    spring = VirtualSpring(rest_m=MIDDLE_M, stiffness_N_m=3e4, damping_N_s_m=300.0, bias_N=load)
    assert bench.request(Apply(behaviour=spring, load_may_move=True)).accepted
    before = bench.run(0.5)
    assert bench.request(SessionCap(stiffness_N_m=8e3)).accepted
    after = bench.run(1.0)
    assert bench.bench.state is State.RUNNING, bench.bench.cause_text
    assert after[-1][INDEX["virtual_stiffness_N_m"]] == pytest.approx(8e3)
    jump = np.max(np.abs(np.diff(column(before[-1:] + after, "shaped_force_N"))))
    assert jump < 10.0
    kinds = [event["kind"] for event in bench.events]
    told = bench.events[kinds.index("session_cap") - 1]
    assert told["behaviour"]["stiffness_N_m"] == pytest.approx(8e3)
    outcome = bench.request(Apply(behaviour=spring, load_may_move=True))
    assert outcome.accepted and outcome.text.endswith("virtual stiffness (session cap)")


def test_a_rig_that_refuses_stiff_springs_names_the_cap() -> None:
    control = PROFILE.control.model_copy(update={"over_stiff": "refuse"})
    bench = powered(SessionCap(stiffness_N_m=8e3), PROFILE.model_copy(update={"control": control}))
    spring = VirtualSpring(rest_m=MIDDLE_M, stiffness_N_m=3e4)
    outcome = bench.request(Apply(behaviour=spring, load_may_move=True))
    assert not outcome.accepted
    assert outcome.text.endswith("above 8.0 N/mm, the session cap; request less")


def test_a_wave_goes_on_in_its_phase() -> None:
    def run(cap: SessionCap | None) -> np.ndarray:
        bench = lifted()
        load = borne_N(bench)
        wave = Waveform(
            shape="sine", of="rest", offset=MIDDLE_M, amplitude=0.004, stiffness_N_m=3e4
        )
        bench.request(Apply(behaviour=wave, load_may_move=True))
        bench.run(0.3)
        if cap is not None:
            assert load < OWN.force.limited
            assert bench.request(cap).accepted
        return column(bench.run(0.4), "rest_position_m")

    assert run(SessionCap(stiffness_N_m=1e4)) == pytest.approx(run(None))


def test_a_program_is_held_to_the_narrower_limits() -> None:
    bench = lifted()
    load = borne_N(bench)
    values: dict[str, Any] = {
        "force_N": load,
        "rest_m": MIDDLE_M,
        "stiffness_N_m": 3e4,
        "damping_N_s_m": 300.0,
    }
    begun = Apply(behaviour=ExternalSetpoint(longest_gap_s=0.5, **values), load_may_move=True)
    assert bench.request(begun).accepted
    bench.run(0.3)
    assert bench.request(SessionCap(stiffness_N_m=1e4)).accepted
    assert bench.run(0.1)[-1][INDEX["virtual_stiffness_N_m"]] == pytest.approx(1e4)
    assert "virtual stiffness" in bench.request(Setpoint(**values)).text
    assert bench.run(0.1)[-1][INDEX["virtual_stiffness_N_m"]] == pytest.approx(1e4)
    assert bench.request(Setpoint(**(values | {"stiffness_N_m": 9e3}))).text == "taken"


def test_the_bandwidth_waits_for_power_to_be_off() -> None:
    bench = powered()
    outcome = bench.request(SessionCap(bandwidth_Hz=5.0))
    assert not outcome.accepted and "power off first" in outcome.text
    bench.request(PowerOff())
    bench.run(0.3)
    assert bench.request(SessionCap(bandwidth_Hz=5.0)).accepted
    assert bench.bench.gains.predicted.bandwidth_Hz == pytest.approx(5.0, rel=0.1)


def lag_s(rows: list[Sample], wave_Hz: float) -> float:
    """Return the lag of the spring force behind the shaped force at this frequency, in s."""
    time = column(rows, "time_s")
    turn = np.exp(-2j * np.pi * wave_Hz * time)
    shaped, force = (
        np.sum((values - values.mean()) * turn)
        for values in (column(rows, "shaped_force_N"), column(rows, "spring_force_N"))
    )
    return float(np.angle(shaped / force)) / (2 * np.pi * wave_Hz)


@BOTH
def test_the_force_loop_is_slowed_while_it_runs_without_a_bump(lateness: Lateness | None) -> None:
    bench = lifted(lateness)
    load = borne_N(bench)
    wave = Waveform(shape="sine", offset=load, amplitude=50.0, frequency_Hz=2.0, duration_s=60)
    assert bench.request(Apply(behaviour=wave, load_may_move=True)).accepted
    bench.run(0.5)
    before = bench.run(1.0)
    designed = bench.bench.gains
    outcome = bench.request(SessionCap(bandwidth_Hz=13.0))
    assert outcome.accepted and "changes to 12.2 Hz" in outcome.text
    during = bench.run(0.6)
    after = bench.run(1.0)
    assert bench.bench.state is State.RUNNING, bench.bench.cause_text
    assert bench.bench.gains.predicted.bandwidth_Hz < 13.0 < designed.predicted.bandwidth_Hz
    assert lag_s(after, 2.0) > lag_s(before, 2.0) + 0.0015
    for name in ("commanded_torque_N_m", "spring_force_N", "nut_velocity_m_s"):
        usual = np.max(np.abs(np.diff(column(before, name))))
        jump = np.max(np.abs(np.diff(column(before[-1:] + during, name))))
        assert jump < 1.5 * usual, name
    [told] = [event for event in bench.events if event["kind"] == "session_cap"]
    assert told["cap"] == {"bandwidth_Hz": 13.0} and "12.2 Hz" in told["text"]
    # Narrower again is accepted, wider is not: that needs power off.
    for wider in (20.0, 13.5):
        assert "power off first" in bench.request(SessionCap(bandwidth_Hz=wider)).text
    assert bench.request(SessionCap(bandwidth_Hz=12.5)).accepted
    assert bench.bench.gains.predicted.bandwidth_Hz == pytest.approx(12.17, abs=0.1)
    assert "below 12.2 Hz" in bench.request(SessionCap(bandwidth_Hz=9.0)).text
    bench.request(PowerOff())
    bench.run(0.3)
    # Without power the loop is designed for exactly this value.
    assert bench.request(SessionCap(bandwidth_Hz=9.0)).accepted
    assert bench.bench.gains.predicted.bandwidth_Hz == pytest.approx(9.0, rel=0.02)


@BOTH
@pytest.mark.parametrize(
    "behaviour",
    [
        HoldPosition(position_m=MIDDLE_M + 0.006, speed_m_s=0.012),
        VirtualSpring(rest_m=MIDDLE_M, stiffness_N_m=1.1e5, bias_N=32.0),
        ExternalSetpoint(rest_m=MIDDLE_M, stiffness_N_m=2e4, force_N=32.0, longest_gap_s=1.0),
    ],
    ids=lambda behaviour: behaviour.kind,
)
def test_what_acts_goes_on_over_a_slower_loop(
    lateness: Lateness | None, behaviour: Behaviour
) -> None:
    bench = lifted(lateness)
    assert bench.request(Apply(behaviour=behaviour, load_may_move=True)).accepted
    before = bench.run(0.35)  # a move is under way
    assert bench.request(SessionCap(bandwidth_Hz=18.0)).accepted
    during = bench.run(0.5)
    assert bench.bench.state is State.RUNNING, bench.bench.cause_text
    # No jump larger than the usual steps from sensor noise.
    usual = np.max(np.abs(np.diff(column(before[-150:], "shaped_force_N"))))
    assert (
        np.max(np.abs(np.diff(column(before[-1:] + during[:20], "shaped_force_N")))) < 1.2 * usual
    )
    assert np.max(np.abs(np.diff(column(before[-1:] + during, "shaped_force_N")))) < 2.0 * usual
    assert bench.bench.gains.most_stiffness_N_m < 9e4
    stiffness = during[-1][INDEX["virtual_stiffness_N_m"]]
    assert stiffness <= bench.bench.gains.most_stiffness_N_m


@BOTH
def test_a_move_goes_on_where_it_is_over_a_slower_loop(lateness: Lateness | None) -> None:
    def path(cap: SessionCap | None) -> np.ndarray:
        bench = lifted(lateness)
        move = HoldPosition(position_m=MIDDLE_M + 0.006, speed_m_s=0.012)
        bench.request(Apply(behaviour=move, load_may_move=True))
        bench.run(0.35)
        if cap is not None:
            assert bench.request(cap).accepted
        return column(bench.run(0.5), "rest_position_m")

    assert path(SessionCap(bandwidth_Hz=18.0)) == pytest.approx(path(None), abs=1e-9)


def test_blows_after_it_are_no_following_error() -> None:
    bench = lifted()
    behaviour = HoldPosition(position_m=MIDDLE_M, speed_m_s=0.05)
    assert bench.request(Apply(behaviour=behaviour, load_may_move=True)).accepted
    assert bench.request(SessionCap(bandwidth_Hz=13.0)).accepted
    for push in (20.0, -10.0, 30.0, 0.0):
        bench.environment.push(push)
        bench.run(0.3)
        assert bench.bench.state is State.RUNNING, (push, bench.bench.cause_text)


def test_a_slower_loop_waits_for_power_to_be_off_where_none_is_designed() -> None:
    bench = powered(profile=load_profile("footplate_velocity"))
    outcome = bench.request(SessionCap(bandwidth_Hz=5.0))
    assert not outcome.accepted and "power off first: below 7.3 Hz" in outcome.text


def test_what_narrows_stops_when_the_limits_are_adopted_anew() -> None:
    bench = powered()
    assert bench.request(SessionCap(force_N=400.0, speed_m_s=0.1, bandwidth_Hz=13.0)).accepted
    bench.request(PowerOff())
    bench.run(0.15)
    envelope = Commission(force_N=50.0, speed_m_s=0.02, torque_N_m=0.5, hold_to_run=False)
    outcome = bench.request(envelope)
    assert outcome.accepted, outcome.text
    designed = bench.bench.gains
    bench.run(1.2)
    limits = bench.bench.profile.limits
    assert bench.bench.supervisor.bounds.flat.high_N <= limits.force.limited
    assert bench.bench.supervisor._force_tripped == limits.force.tripped
    assert bench.bench.force_controller._kp == designed.law.position


def test_a_cap_of_the_force_leaves_the_force_loop_as_it_is() -> None:
    capped, free = powered(SessionCap(force_N=60.0)), powered()
    assert capped.bench.gains == free.bench.gains
    means = []
    for bench in (capped, free):
        bench.request(Apply(behaviour=HoldPosition(position_m=0.006), load_may_move=True))
        bench.run(1.5)
        means.append(np.mean(column(bench.run(0.5), "output_position_m")))
    assert means[0] == pytest.approx(means[1], abs=2e-4)


REQUESTS = st.one_of(
    st.builds(
        SessionCap,
        force_N=st.none() | st.floats(1.0, 2000.0),
        speed_m_s=st.none() | st.floats(1e-3, 2.0),
        stiffness_N_m=st.none() | st.floats(10.0, 1e6),
        widen=st.booleans(),
    ),
    st.builds(
        Commission,
        force_N=st.floats(1.0, 2000.0),
        speed_m_s=st.floats(1e-3, 2.0),
        torque_N_m=st.just(0.5),
        hold_to_run=st.just(False),
    ),
    st.sampled_from([EndCommission(), PowerOn(load_supported=True), PowerOff(), Stop(), Reset()]),
)


@settings(max_examples=12)
@given(asked=st.lists(REQUESTS, max_size=8))
def test_nothing_opens_a_limit_beyond_profile_and_cap(asked: list[Request]) -> None:
    bench = LockstepBench(PROFILE, 1)
    bench.run(0.02)
    for request in asked:
        power = bench.bench.powered
        before = bench.bench.profile.limits.force.limited
        bench.request(request)
        bench.run(0.01)
        cap, limits = bench.bench.cap, bench.bench.profile.limits
        force, speed = cap.force_N or math.inf, cap.speed_m_s or math.inf
        assert limits.force.limited <= min(OWN.force.limited, force)
        assert limits.force.tripped <= OWN.force.tripped
        assert limits.speed.limited <= min(OWN.speed.limited, speed)
        assert limits.speed.tripped <= OWN.speed.tripped
        if power:
            assert limits.force.limited <= before
