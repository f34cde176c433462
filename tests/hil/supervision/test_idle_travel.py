"""In standby the nut runs free; an output thrown at an end is stopped by the shorted windings."""

from __future__ import annotations

import pytest

from hil.bench.lockstep import LockstepBench
from hil.core import Limit, State
from hil.core.requests import Apply, HoldPosition, PowerOn, Stop
from hil.profile.schema import Profile

END_M_S = 0.02


def standing_by(profile: Profile, mass_kg: float) -> LockstepBench:
    bench = LockstepBench(profile)
    bench.environment.hang(mass_kg)
    bench.run(0.3)
    assert bench.request(PowerOn(load_supported=True)).accepted
    bench.run(0.2)
    assert bench.bench.state is State.STANDBY
    return bench


@pytest.mark.parametrize(("mass_kg", "push_N"), [(2.5, 40.0), (0.0, 20.0)])
def test_a_hand_does_not_throw_the_output_on_its_end_in_standby(
    footplate: Profile, mass_kg: float, push_N: float
) -> None:
    bench = standing_by(footplate, mass_kg)
    bench.environment.reset_peaks()
    bench.environment.push(push_N)
    bench.run(2.0)
    assert bench.bench.cause == Limit.TRAVEL
    assert "towards the upper soft end" in bench.bench.cause_text
    assert "no force was commanded" in bench.bench.cause_text
    assert bench.environment.state()["peak_end_speed_m_s"] < END_M_S


def test_a_hand_that_places_the_output_gently_stops_nothing(footplate: Profile) -> None:
    bench = standing_by(footplate, 2.5)
    for push_N in (33.0, 22.0, 33.0, 22.0):  # 24.5 N balances the weight
        bench.environment.push(push_N)
        bench.run(0.15)
    assert bench.bench.state is State.STANDBY, bench.bench.cause_text
    assert bench.drive.core.physics.peak_speed_m_s > 0.01


def test_a_rig_that_stands_on_its_end_may_be_lifted_off(footplate: Profile) -> None:
    bench = standing_by(footplate, 7.5)
    hold = HoldPosition(position_m=0.027, speed_m_s=0.06)
    assert bench.request(Apply(behaviour=hold, load_may_move=True)).accepted
    bench.run(1.0)
    assert bench.bench.state is State.RUNNING, bench.bench.cause_text
    assert bench.request(Stop()).accepted
