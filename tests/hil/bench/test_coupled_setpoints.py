"""Setpoints that follow another axis: bounded as any setpoint; a silent axis stops the follower."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from drivers.simulated.lateness import Lateness
from hil.bench.lockstep import LockstepBench
from hil.core import (
    INDEX,
    Apply,
    AxisSeen,
    Cause,
    Commission,
    ConstantForce,
    Coupling,
    HoldPosition,
    Limit,
    PowerOn,
    SessionCap,
    State,
    VirtualSpring,
)
from hil.profile import load_profile

PROFILE = load_profile("footplate_trainer")
MIDDLE_M = 0.0275
LATE = Lateness(share=0.05, up_to_s=0.004, stale_share=0.5)


class Pair:
    """A bench beside an invented axis ``heel`` that the test moves."""

    def __init__(self, lateness: Lateness | None = None) -> None:
        self.bench = LockstepBench(PROFILE, 1, lateness)
        self.heel = AxisSeen(MIDDLE_M, 0.0)
        self.silent = False
        self.bench.bench.others = {"heel": self.heel}
        self.run(0.3)
        assert self.bench.request(PowerOn(load_supported=True)).accepted
        self.run(0.3)
        self.bench.request(Apply(behaviour=HoldPosition(position_m=MIDDLE_M, speed_m_s=0.06)))
        rows = self.run(1.2)
        self.load_N = float(np.mean(rows[-200:, INDEX["spring_force_N"]]))

    def run(self, seconds: float, moved: Any = None) -> np.ndarray:
        rows = []
        for step in range(round(seconds / self.bench.period_s)):
            if not self.silent:
                self.heel.time_s = self.bench.time_s
            if moved is not None:
                moved(step * self.bench.period_s)
            rows.append(self.bench.step())
        return np.array(rows)

    def follow(self, **values: Any) -> None:
        spring = VirtualSpring(
            rest_m=0.0,
            stiffness_N_m=3e4,
            damping_N_s_m=400.0,
            bias_N=self.load_N,
            coupling=Coupling(**({"axis": "heel"} | values)),
        )
        outcome = self.bench.request(Apply(behaviour=spring))
        assert outcome.accepted, outcome.text


@pytest.mark.parametrize("lateness", [None, LATE], ids=["in time", "late"])
def test_a_rest_position_follows_the_other_axis(lateness: Lateness | None) -> None:
    pair = Pair(lateness)
    pair.follow(ratio=-0.5, offset=1.5 * MIDDLE_M)

    def moved(time_s: float) -> None:
        pair.heel.output_m = MIDDLE_M + 0.01 * math.sin(2 * math.pi * 0.5 * time_s)

    rows = pair.run(2.0, moved)
    assert pair.bench.bench.state is State.RUNNING, pair.bench.bench.cause_text
    rest, out = rows[:, INDEX["rest_position_m"]], rows[:, INDEX["output_position_m"]]
    assert np.ptp(rest) == pytest.approx(0.01, rel=0.02)  # scaled by the ratio
    assert np.corrcoef(rest, out)[0, 1] > 0.99
    assert rest[400] < MIDDLE_M < rest[1400]  # in the opposite direction


def test_a_rest_position_moves_no_faster_than_the_output_may() -> None:
    pair = Pair()
    pair.follow()
    pair.heel.output_m = 0.04  # a jump
    rows = pair.run(0.5)
    rest = rows[:, INDEX["rest_position_m"]]
    fastest = np.max(np.diff(rest)) / pair.bench.period_s
    assert fastest <= PROFILE.limits.speed.limited * 1.001
    assert rest[-1] == pytest.approx(0.04)
    assert pair.bench.bench.state is State.RUNNING, pair.bench.bench.cause_text


def test_it_begins_where_the_output_is() -> None:
    pair = Pair()
    pair.heel.output_m = 0.04
    pair.follow()
    rows = pair.run(0.05)
    assert rows[0, INDEX["rest_position_m"]] == pytest.approx(MIDDLE_M, abs=1e-3)


def test_a_rest_position_stays_inside_the_travel() -> None:
    pair = Pair()
    pair.follow()
    pair.heel.output_m = 1.0
    rows = pair.run(1.0)
    assert rows[-1, INDEX["rest_position_m"]] == PROFILE.limits.travel.upper
    assert int(rows[-1, INDEX["limited"]]) >> Limit.TRAVEL & 1


def test_a_force_follows_within_the_force_limit() -> None:
    pair = Pair()
    pair.heel.force_N = 2.0 * pair.load_N
    force = ConstantForce(
        force_N=0.0, damping_N_s_m=600.0, coupling=Coupling(axis="heel", ratio=0.5)
    )
    outcome = pair.bench.request(Apply(behaviour=force))
    assert not outcome.accepted and "does not hold the load" in outcome.text
    assert pair.bench.request(Apply(behaviour=force, load_may_move=True)).accepted
    rows = pair.run(0.5)
    mean = np.mean(rows[-200:, INDEX["spring_force_N"]])
    assert mean == pytest.approx(pair.load_N, abs=3.0)
    pair.heel.force_N = 1e6
    pair.run(0.1)
    row = pair.run(0.003)[-1]
    assert int(row[INDEX["limited"]]) >> Limit.FORCE & 1
    assert row[INDEX["shaped_force_N"]] <= PROFILE.limits.force.limited


def test_a_silent_axis_stops_the_follower() -> None:
    pair = Pair()
    pair.follow()
    pair.run(0.2)
    pair.silent = True
    rows = pair.run(0.1)
    bench = pair.bench.bench
    assert bench.state is State.STOPPED and bench.cause == Cause.SETPOINT_LATE
    assert "no value of the axis 'heel' for 2" in bench.cause_text
    running = rows[:, INDEX["state"]] == State.RUNNING
    assert 0.015 < np.count_nonzero(running) * pair.bench.period_s <= 0.023  # 20 ms are permitted


def test_a_value_that_is_no_number_stops_the_follower() -> None:
    pair = Pair()
    pair.follow()
    pair.run(0.2)
    pair.heel.output_m = math.nan
    pair.run(0.01)
    assert pair.bench.bench.state is State.STOPPED
    assert "has measured nothing" in pair.bench.bench.cause_text


def test_a_cap_that_comes_meanwhile_holds() -> None:
    pair = Pair()
    pair.follow()
    pair.run(0.2)
    rest_m = pair.run(0.01)[-1, INDEX["rest_position_m"]]
    assert pair.bench.request(SessionCap(speed_m_s=0.05)).accepted
    pair.heel.output_m = 0.04
    rows = pair.run(0.4)
    rest = rows[:, INDEX["rest_position_m"]]
    assert rest[0] == pytest.approx(rest_m, abs=1e-4)  # no jump
    assert np.max(np.diff(rest)) / pair.bench.period_s <= 0.0501


@pytest.mark.parametrize(
    ("axis", "words"), [("hee", "did you mean 'heel'?"), ("arm", "name one of: heel")]
)
def test_an_unknown_axis_is_refused(axis: str, words: str) -> None:
    pair = Pair()
    spring = VirtualSpring(rest_m=0.0, stiffness_N_m=1e4, coupling=Coupling(axis=axis))
    outcome = pair.bench.request(Apply(behaviour=spring))
    assert not outcome.accepted and f"no axis '{axis}'" in outcome.text and words in outcome.text
    assert pair.bench.bench.state is State.RUNNING  # the hold continues


def test_a_single_axis_refuses_it() -> None:
    bench = LockstepBench(PROFILE)
    bench.run(0.3)
    bench.request(PowerOn(load_supported=True))
    bench.run(0.3)
    spring = VirtualSpring(rest_m=0.0, stiffness_N_m=1e4, coupling=Coupling(axis="heel"))
    outcome = bench.request(Apply(behaviour=spring))
    assert not outcome.accepted and "this bench has one axis" in outcome.text


def test_restricted_operation_refuses_it() -> None:
    bench = LockstepBench(PROFILE)
    bench.bench.others = {"heel": AxisSeen(MIDDLE_M, 0.0, 1e9)}
    bench.run(0.3)
    narrow = Commission(
        force_N=100, speed_m_s=0.05, torque_N_m=0.5, closed_loop=True, hold_to_run=False
    )
    assert bench.request(narrow).accepted
    bench.request(PowerOn(load_supported=True))
    bench.run(0.3)
    spring = VirtualSpring(rest_m=0.0, stiffness_N_m=1e4, coupling=Coupling(axis="heel"))
    outcome = bench.request(Apply(behaviour=spring))
    assert not outcome.accepted and "follows no other axis" in outcome.text


@pytest.mark.parametrize("ratio", [10.1, -11.0, math.nan, math.inf])
def test_a_ratio_is_bounded(ratio: float) -> None:
    with pytest.raises(ValidationError):
        Coupling(axis="heel", ratio=ratio)
