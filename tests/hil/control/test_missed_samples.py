"""Samples that do not come while the rig moves: no leap in what is estimated from the next."""

from __future__ import annotations

import pytest

from hil.bench.lockstep import LockstepBench
from hil.core.requests import Apply, Commission, Enable, Float, MotorSpeed, PowerOn
from hil.core.samples import INDEX, State
from hil.profile.loader import load_profile

SPEED = INDEX["nut_velocity_m_s"]


@pytest.mark.parametrize("missed", [1, 3, 8])
def test_a_gap_in_the_samples_is_no_sudden_speed(missed: int) -> None:
    bench = LockstepBench(load_profile("footplate_trainer"))
    bench.run(0.4)
    assert bench.request(PowerOn(load_supported=True)).accepted
    bench.run(0.3)
    bench.request(Apply(behaviour=Float(damping_N_s_m=100.0)))
    bench.environment.push(15.0)
    while bench.step()[SPEED] < 0.08:
        pass
    bench.environment.disturb("silent", 1)
    bench.run(missed * bench.period_s)
    bench.environment.disturb("silent", 0)
    for _ in range(20):
        seen = bench.step()[SPEED]
        assert seen == pytest.approx(bench.drive.core.physics.nut_velocity_m_s, abs=0.02)
    assert bench.bench.state is State.RUNNING


def towards_an_end(bench: LockstepBench) -> None:
    """The nut at 8 mm/s inside an envelope that trips at 25 mm/s."""
    bench.run(0.4)
    bench.environment.support_load(True)
    bench.run(0.4)
    asked = Commission(force_N=58.0, speed_m_s=0.02, torque_N_m=0.1)
    assert bench.request(asked).accepted
    bench.request(Enable(held=True))
    assert bench.request(PowerOn(load_supported=True)).accepted
    for _ in range(6):
        bench.request(Enable(held=True))
        bench.run(0.1)
    run = MotorSpeed(speed_m_s=0.008, torque_N_m=0.09, duration_s=9.0, travel_m=0.05, force_N=52.0)
    assert bench.request(Apply(behaviour=run)).accepted
    for _ in range(6):
        bench.request(Enable(held=True))
        bench.run(0.1)
    assert bench.last_row[SPEED] == pytest.approx(0.008, abs=0.003)


@pytest.mark.parametrize("held_up_ms", [2, 7, 40])
def test_an_answer_that_was_held_up_is_no_sudden_speed(held_up_ms: int) -> None:
    """As ``hil.host`` meets it: awake in time, the answer late, and the rig moved on meanwhile."""
    bench = LockstepBench(load_profile("footplate_trainer"))
    towards_an_end(bench)
    period = bench.period_s
    seen = []
    periods_gone = 1
    for held_up_s in [1e-3 * held_up_ms, 0.0] + 5 * [0.0]:
        bench.request(Enable(held=True))
        bench.drive.core.advance(held_up_s)
        telemetry = bench.drive.read()
        row = bench.bench.advance(
            telemetry, periods_gone * period, bench.time_s, answer_s=held_up_s + 0.1 * period
        )
        bench.drive.write(bench.bench.command)
        seen.append(row[SPEED])
        # Woken a period later than it was answered at the earliest.
        periods_gone = 1 + round(held_up_s / period)
    assert bench.bench.state is State.RUNNING
    assert seen == pytest.approx([0.008] * len(seen), abs=0.005)


def test_answers_that_are_always_late_are_used_all_the_same() -> None:
    bench = LockstepBench(load_profile("footplate_trainer"))
    towards_an_end(bench)
    used = set()
    for _ in range(40):
        bench.request(Enable(held=True))
        telemetry = bench.drive.read()
        bench.bench.advance(telemetry, bench.period_s, bench.time_s, answer_s=bench.period_s)
        bench.drive.write(bench.bench.command)
        used.add(bench.bench.estimator.nut_position_m)
    assert len(used) >= 40 // 6
