"""Tare: set, removed, and restored to the value before the last change."""

from __future__ import annotations

from hil.bench import LockstepBench
from hil.core import Apply, HoldPosition, PowerOn, Tare
from hil.profile import load_profile

PROFILE = load_profile("footplate_trainer")


def test_a_tare_is_put_back_and_that_as_well() -> None:
    bench = LockstepBench(PROFILE, 1)
    bench.run(0.3)
    bench.environment.push(-4.0)
    bench.run(0.5)
    assert bench.request(Tare()).accepted
    first = bench.bench.tare_N
    bench.environment.push(-8.0)
    bench.run(0.5)
    assert bench.request(Tare()).accepted
    second = bench.bench.tare_N
    assert first != second
    assert bench.request(Tare(undo=True)).accepted and bench.bench.tare_N == first
    assert bench.request(Tare(undo=True)).accepted and bench.bench.tare_N == second
    assert bench.request(Tare(clear=True)).accepted and bench.bench.tare_N == 0.0
    assert bench.request(Tare(undo=True)).accepted and bench.bench.tare_N == second
    assert bench.events[-1]["tare_N"] == second


def test_no_tare_jumps_under_a_behaviour() -> None:
    bench = LockstepBench(PROFILE, 1)
    bench.run(0.3)
    assert bench.request(Tare()).accepted and bench.request(Tare(clear=True)).accepted
    assert bench.request(PowerOn(load_supported=True)).accepted
    bench.run(0.3)
    bench.request(Apply(behaviour=HoldPosition(position_m=0.01), load_may_move=True))
    bench.run(0.2)
    outcome = bench.request(Tare(undo=True))
    assert not outcome.accepted and bench.bench.tare_N == 0.0
