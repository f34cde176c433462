"""Samples that do not come while the rig moves: no leap in what is estimated from the next."""

from __future__ import annotations

import pytest

from hil.lockstep import LockstepBench
from hil.profile.loader import load_profile
from hil.requests import Apply, Energise, Float
from hil.samples import INDEX, State

SPEED = INDEX["nut_velocity_m_s"]


@pytest.mark.parametrize("missed", [1, 3, 8])
def test_a_gap_in_the_samples_is_no_sudden_speed(missed: int) -> None:
    bench = LockstepBench(load_profile("footplate_trainer"))
    bench.run(0.4)
    assert bench.request(Energise(load_supported=True)).accepted
    bench.run(0.3)
    bench.request(Apply(behaviour=Float(damping_N_s_m=100.0)))
    bench.surroundings.push(15.0)
    while bench.step()[SPEED] < 0.08:
        pass
    bench.surroundings.disturb("silent", 1)
    bench.run(missed * bench.period_s)
    bench.surroundings.disturb("silent", 0)
    for _ in range(20):
        seen = bench.step()[SPEED]
        assert seen == pytest.approx(bench.drive.core.physics.nut_velocity_m_s, abs=0.02)
    assert bench.bench.state is State.WORKING
