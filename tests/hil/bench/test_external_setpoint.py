"""Setpoints from a program: followed, bounded as any behaviour, and a stop when they stay away."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from drivers.base import PowerStage
from drivers.simulated.lateness import Lateness
from hil.bench.lockstep import LockstepBench
from hil.core import (
    INDEX,
    Apply,
    BehaviourCode,
    Cause,
    Commission,
    ConstantForce,
    ExternalSetpoint,
    HoldPosition,
    PowerOn,
    Setpoint,
    State,
)
from hil.profile import Profile, load_profile

PROFILE = load_profile("footplate_trainer")
MIDDLE_M = 0.0275
SPRING: dict[str, Any] = {"stiffness_N_m": 3e4, "rest_m": MIDDLE_M, "damping_N_s_m": 400.0}
LATE = Lateness(share=0.05, up_to_s=0.004, stale_share=0.5)


def lifted(lateness: Lateness | None = None, profile: Profile = PROFILE) -> LockstepBench:
    bench = LockstepBench(profile, 1, lateness)
    bench.run(0.3)
    assert bench.request(PowerOn(load_supported=True)).accepted
    bench.run(0.3)
    bench.request(Apply(behaviour=HoldPosition(position_m=MIDDLE_M, speed_m_s=0.06)))
    bench.run(1.0)
    return bench


def begin(bench: LockstepBench, **values: Any) -> None:
    outcome = bench.request(Apply(behaviour=ExternalSetpoint(**values), load_may_move=True))
    assert outcome.accepted, outcome.text


def balance_N(bench: LockstepBench) -> float:
    return float(np.mean([row[INDEX["spring_force_N"]] for row in bench.run(0.2)]))


@pytest.mark.parametrize("lateness", [None, LATE], ids=["in time", "late"])
def test_a_program_moves_the_rest_of_a_spring(lateness: Lateness | None) -> None:
    bench = lifted(lateness)
    load = balance_N(bench)
    begin(bench, force_N=load, **SPRING)
    out, rest = [], []
    for step in range(2000):
        wanted = MIDDLE_M + 0.005 * math.sin(2 * math.pi * 0.5 * 1e-3 * step)
        if step % 3 == 0:  # the program is slower than the cycle
            asked = Setpoint(force_N=load, **(SPRING | {"rest_m": wanted}))
            assert bench.request(asked).accepted
        row = bench.step()
        out.append(row[INDEX["output_position_m"]])
        rest.append(row[INDEX["rest_position_m"]])
    assert bench.bench.state is State.RUNNING, bench.bench.cause_text
    assert row[INDEX["behaviour"]] == BehaviourCode.EXTERNAL_SETPOINT
    moved = np.array(out) - np.array(rest)
    assert np.ptp(rest) == pytest.approx(0.01, rel=0.02)
    assert np.sqrt(np.mean(moved**2)) < 0.0012


def test_the_rig_stops_when_setpoints_stay_out() -> None:
    bench = lifted()
    begin(bench, force_N=balance_N(bench), longest_gap_s=0.02)
    for _ in range(5):
        bench.run(0.02)  # the longest gap permitted
        assert bench.request(Setpoint(force_N=200.0)).accepted
    bench.run(0.02)
    assert bench.bench.state is State.RUNNING
    bench.run(0.002)
    assert bench.bench.state is State.STOPPED
    assert bench.bench.cause == Cause.SETPOINT_LATE
    assert "no setpoint for 21 ms, longer than 20 ms" in bench.bench.cause_text
    assert not bench.request(Setpoint(force_N=200.0)).accepted
    bench.run(0.05)
    assert bench.drive.core.power is PowerStage.OFF


def test_setpoints_are_trimmed_to_the_limits_and_a_refused_one_is_silence() -> None:
    bench = lifted()
    load = balance_N(bench)
    begin(bench, force_N=load)
    outcome = bench.request(Setpoint(force_N=load, **(SPRING | {"stiffness_N_m": 1e7})))
    assert outcome.accepted and "virtual stiffness" in outcome.text
    row = bench.step()
    assert row[INDEX["virtual_stiffness_N_m"]] < 2e5
    assert bench.request(Setpoint(force_N=1e5)).text == "taken, limited by force"
    bench.request(Setpoint(force_N=load))
    bench.run(0.01)

    refuses = PROFILE.model_copy(
        update={"control": PROFILE.control.model_copy(update={"over_stiff": "refuse"})}
    )
    bench = lifted(profile=refuses)
    begin(bench, force_N=load)
    bench.run(0.03)
    stiff = Setpoint(force_N=load, **(SPRING | {"stiffness_N_m": 1e7}))
    assert "is refused" in bench.request(stiff).text
    bench.run(0.022)
    assert bench.bench.cause == Cause.SETPOINT_LATE


def test_refusals() -> None:
    bench = LockstepBench(PROFILE, 1)
    bench.run(0.1)
    external = Apply(behaviour=ExternalSetpoint(), load_may_move=True)
    assert "power is off" in bench.request(external).text
    assert "no external setpoint is active" in bench.request(Setpoint()).text
    bench.request(Commission(force_N=50.0, speed_m_s=0.01, torque_N_m=0.1, closed_loop=True))
    bench = lifted()
    bench.request(Apply(behaviour=ConstantForce(force_N=200.0)))
    assert "no external setpoint is active" in bench.request(Setpoint()).text
    assert "load_may_move" in bench.request(Apply(behaviour=ExternalSetpoint())).text
    with pytest.raises(ValidationError):
        Setpoint(force_N=math.nan)
    with pytest.raises(ValidationError):
        Setpoint(stiffness_N_m=-1.0)
    with pytest.raises(ValidationError):
        ExternalSetpoint(longest_gap_s=2.0)


def test_no_program_in_restricted_operation() -> None:
    bench = LockstepBench(PROFILE, 1)
    bench.run(0.1)
    narrow = Commission(
        force_N=50.0, speed_m_s=0.01, torque_N_m=0.1, closed_loop=True, hold_to_run=False
    )
    assert bench.request(narrow).accepted
    assert bench.request(PowerOn(load_supported=True)).accepted
    bench.run(0.3)
    external = Apply(behaviour=ExternalSetpoint(), load_may_move=True)
    assert "takes no setpoints from a program" in bench.request(external).text
