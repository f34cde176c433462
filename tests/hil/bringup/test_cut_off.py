"""A bring-up that is cut off, in each step and in each way: rig safe, record kept, resumable."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
import yaml

from drivers.base import PowerStage
from hil.bench.facts import DriveFacts, drive_facts
from hil.bench.lockstep import LockstepBench
from hil.bringup.procedure import bring_up
from hil.bringup.record import BringUpRecord
from hil.bringup.step import Step
from hil.bringup.steps import STEPS
from hil.core import Sample
from hil.core.samples import INDEX
from hil.procedures.lockstep_runner import LockstepRunner
from hil.procedures.operator import SimulatedOperator
from hil.profile.loader import load_profile

PROFILE = load_profile("footplate_trainer")
FACTS = DriveFacts("a drive", {"firmware": "3"}, {"current_A": 30.0}, 0.1, 1.2, 3.0)
POWER = INDEX["power_stage"]

CUT_OFF = [
    (s, how)
    for s in STEPS
    for how in ("Ctrl-C", "bus lost", "let go")
    if s.energises or how != "let go"
]


@pytest.mark.parametrize(("s", "how"), CUT_OFF, ids=lambda p: getattr(p, "key", p))
def test_cut_off_in_any_step_the_rig_is_safe_and_the_record_kept(
    s: Step, how: str, tmp_path: Path
) -> None:
    bench = LockstepBench(PROFILE)
    person = SimulatedOperator(bench.environment, bench.drive.core.parameters, turns_per_s=2.0)
    left = 50  # cycles; counted with power on in a step that powers on

    def cut_off() -> None:
        if how == "Ctrl-C":
            raise KeyboardInterrupt
        if how == "let go":
            person.let_go()
        else:
            bench.drive.telemetry.lost = "the adapter was pulled out"

    def step_bench(one_cycle: Callable[[], Sample] = bench.step) -> Sample:
        nonlocal left
        row = one_cycle()
        left -= not s.energises or row[POWER] == PowerStage.ON
        if left == 0:
            left = -1
            cut_off()
        return row

    bench.step = step_bench  # type: ignore[method-assign]
    record = BringUpRecord.begin(tmp_path, PROFILE, "x/trainer.yaml", FACTS, STEPS, True)
    before = STEPS[: STEPS.index(s)]
    for entry in record.data["steps"][: len(before)]:
        entry["verdict"] = "pass"
    record.passed |= {step.key for step in before}
    record.known |= {"nut_m_per_turn": PROFILE.actuator.screw.lead, "supply_V": 36.0}
    facts = drive_facts(bench.drive.capabilities, PROFILE)
    context = record.context(PROFILE, facts, True)
    ended = LockstepRunner(bench, operator=person).run(
        record.watch(bring_up([s], context, record.passed, record.on_start, record.on_result))
    )
    record.close()
    assert left < 0, "never cut off"
    assert ended.how == ("interrupted" if how == "Ctrl-C" else ended.how)
    assert bench.last_row[POWER] == PowerStage.OFF
    assert bench.last_row[INDEX["commanded_torque_N_m"]] == 0.0
    assert bench.drive.core.power is PowerStage.OFF
    data = yaml.safe_load((tmp_path / "bringup.yaml").read_text())
    entry = next(e for e in data["steps"] if e["step"] == s.key)
    assert entry["verdict"] in ("not run", "fail") and entry["text"]
    assert (tmp_path / "bringup.html").read_text().rstrip().endswith("</html>")
    again = BringUpRecord.load(tmp_path, PROFILE, STEPS)
    # Resumed at this step, after another check of everything that may have changed meanwhile.
    assert again.to_run() == [x for x in before if x.recheck_on_resume] + list(STEPS[len(before) :])
    again.close()
