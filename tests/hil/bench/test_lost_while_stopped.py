"""A drive lost while the bench is already stopped is reported once; the first cause stays."""

from __future__ import annotations

from hil.bench.lockstep import LockstepBench
from hil.core import Cause
from hil.core.requests import Reset, Stop
from hil.core.samples import State
from hil.profile.loader import load_profile


def stopped() -> LockstepBench:
    bench = LockstepBench(load_profile("footplate_trainer"), 1)
    bench.run(0.1)
    bench.request(Stop(cause="test"))
    bench.run(0.05)
    assert bench.bench.state is State.STOPPED
    return bench


def losses(bench: LockstepBench) -> list[str]:
    return [
        event["text"]
        for event in bench.events
        if event["kind"] == "notice" and "drive is lost as well" in event["text"]
    ]


def lost(bench: LockstepBench, cycles: int) -> None:
    """Stop in each cycle with the drive lost, as the rig host does."""
    for _ in range(cycles):
        bench.bench.stop(Cause.DRIVE_LOST, "the drive is lost: the bus is gone")
        bench.step()


def test_it_is_reported_once_and_the_first_cause_stays() -> None:
    bench = stopped()
    lost(bench, 50)
    (text,) = losses(bench)
    assert text == "the drive is lost as well, after the stop: the bus is gone"
    assert bench.bench.cause == Cause.OPERATOR
    assert len([event for event in bench.events if event["kind"] == "stop"]) == 1


def test_it_is_reported_again_after_the_next_stop() -> None:
    bench = stopped()
    lost(bench, 5)
    assert bench.request(Reset()).accepted
    bench.request(Stop(cause="test"))
    lost(bench, 5)
    assert len(losses(bench)) == 2


def test_a_loss_that_stopped_the_bench_is_reported_by_the_stop_alone() -> None:
    bench = LockstepBench(load_profile("footplate_trainer"), 1)
    bench.run(0.1)
    lost(bench, 50)
    assert bench.bench.cause == Cause.DRIVE_LOST
    assert losses(bench) == []
