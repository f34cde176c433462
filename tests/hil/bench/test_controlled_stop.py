"""Category 1 of IEC 60204-1 on the lockstep rig: brought to rest under power, then power off."""

from __future__ import annotations

import pytest

from drivers.base import PowerRequest
from hil.bench.lockstep import LockstepBench
from hil.core.requests import Apply, HoldPosition, PowerOn, Stop
from hil.core.samples import INDEX, State
from hil.profile.loader import load_profile

TRAINER = load_profile("footplate_trainer")
PROFILE = TRAINER.model_copy(
    update={"stop": TRAINER.stop.model_copy(update={"category": 1, "deceleration": 0.1})}
)


@pytest.fixture
def moving() -> LockstepBench:
    """Half way up at 50 mm/s or so, then asked to stop."""
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
