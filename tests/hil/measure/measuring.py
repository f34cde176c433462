"""Run one guarded test in lockstep, as the command does."""

from pathlib import Path

from hil.measure import ObservedBench, chosen, measure_all
from hil.procedures import LockstepRunner, SimulatedOperator
from hil.profile import load_profile, profile_to_dict
from hil.recorder import RunWriter

PROFILE = load_profile("footplate_trainer")


def measured(folder: Path, key: str, let_go_s: float | None = None, lateness=None):
    """Run one test as the command does; returns (its end, bench)."""
    bench = ObservedBench(PROFILE, 3, lateness)
    person = SimulatedOperator(bench.environment, bench.drive.core.parameters)
    if let_go_s is not None:
        person.let_go(let_go_s)
    description = {"profile": profile_to_dict(PROFILE), "rate_hz": 1000, "simulated": True}
    ends = []
    (test,) = chosen([key])
    with RunWriter(folder / "runs", test.run_name, description) as writer:
        runner = LockstepRunner(bench, writer, operator=person)
        runner.run(measure_all([test], PROFILE, lambda _t: None, ends.append))
        path = writer.close("done")
    bench.keep(path)
    return ends[0], bench
