"""One guarded test on its own simulated rig, as fast as possible."""

from __future__ import annotations

from pathlib import Path

from drivers.simulated import Lateness
from hil.bench import EPOCH, Rehearsal
from hil.measure.guarded import EndOfTest, measure_all
from hil.measure.plan import chosen
from hil.measure.truth import ObservedBench
from hil.procedures import LoadCell, LockstepRunner, SimulatedOperator
from hil.profile import Profile, profile_to_dict
from hil.recorder import RunWriter


def measure_in_lockstep(
    profile: Profile,
    key: str,
    seed: int,
    runs: Path,
    rehearsal: Rehearsal | None = None,
    lateness: Lateness | None = None,
    let_go_s: float | None = None,
) -> tuple[EndOfTest, ObservedBench]:
    """Run a test and write its run, with the true states, to the directory ``runs``.

    Args:
        profile: profile with its simulation.
        key: key of the test.
        seed: seed of the rig and of its meters; equal seeds give equal runs.
        runs: directory of the run's folder.
        rehearsal: faults to inject. lateness: of the cycles.
        let_go_s: time at which the simulated operator releases the hold-to-run control.

    Raises:
        ValueError: no such test.
        RunError: the run cannot be written.
    """
    (test,) = chosen([key])
    bench = ObservedBench(profile, seed, lateness)
    if rehearsal is not None:
        bench.rehearse(rehearsal, lambda _text: None)
    person = SimulatedOperator(
        bench.environment, bench.drive.core.parameters, cell=LoadCell(seed=seed)
    )
    if let_go_s is not None:
        person.let_go(let_go_s)
    writer = RunWriter(
        runs,
        test.run_name,
        {
            "profile": profile_to_dict(profile),
            "rate_hz": profile.control.rate,
            "simulated": True,
            "drive": bench.drive.capabilities.identity,
        },
        note=f"lockstep, seed {seed}",
        started=EPOCH.isoformat(timespec="milliseconds"),
    )
    ends: list[EndOfTest] = []
    with writer:
        runner = LockstepRunner(bench, writer, operator=person)
        ended = runner.run(measure_all([test], profile, lambda _test: None, ends.append))
        path = writer.close(ended.text)
    if path is not None:
        bench.keep(path)
    return ends[0] if ends else EndOfTest(key, "failed", ended.text), bench
