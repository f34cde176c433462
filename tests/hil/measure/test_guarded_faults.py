"""A fault in each guarded test: stopped, reported, power off, and ready to be repeated.

The campaign (``tests/campaigns/measure_faults.py``) injects each fault in the middle of each test;
here each test meets one fault, soon after its first measured motion began.
"""

import pytest

from drivers.base import PowerStage
from hil.bench import Rehearsal
from hil.bench.rehearsal import DisturbanceFault, StopButtonFault
from hil.measure import TESTS, finished_runs, measure_in_lockstep
from hil.procedures import lockstep_runner
from hil.profile import load_profile

PROFILE = load_profile("footplate_trainer")
FAULTS = {
    "emergency stop": StopButtonFault(at="0 s", what="emergency_stop"),
    "deflection at its rail": DisturbanceFault(at="0 s", what="deflection_rail"),
    "drive fault": DisturbanceFault(at="0 s", what="drive_fault", value=0x7500),
    "supply too low": DisturbanceFault(at="0 s", what="supply_V", value=24.0),
    "silent drive": DisturbanceFault(at="0 s", what="silent"),
}
# The first motion of these is the move to mid-travel; the others fail in a measured motion.
EARLY_S = {"shock": 2.0, "force_speed": 2.0, "impedance_weights": 2.0, "drift": 2.0}
LATE_S = {"friction": 5.2, "zero_force": 5.8, "springs": 5.4, "resolution": 5.4, "impedance": 6.5}


@pytest.mark.parametrize("number", range(len(TESTS)), ids=[test.key for test in TESTS])
def test_a_fault_stops_the_test_and_leaves_it_to_be_resumed(number, tmp_path, monkeypatch):
    monkeypatch.setattr(lockstep_runner, "AFTER_TRIP_S", 0.1)
    key = TESTS[number].key
    name = list(FAULTS)[number % len(FAULTS)]
    at = EARLY_S.get(key, LATE_S.get(key, 4.2))
    rehearsal = Rehearsal((FAULTS[name].model_copy(update={"at": at}),))
    end, bench = measure_in_lockstep(PROFILE, key, 1, tmp_path / "runs", rehearsal)
    assert end.how == "stopped", end
    assert end.text.startswith("the bench stopped (") and len(end.text) > 40
    assert bench.drive.core.power in (PowerStage.OFF, PowerStage.FAULT)
    assert finished_runs(tmp_path) == {}
