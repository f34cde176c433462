"""Inject each fault of the fault campaign into the middle of each guarded test.

    .venv/bin/python tests/campaigns/measure_faults.py --check

A test runs in lockstep to its middle and on to the next moment with a behaviour under power; there
the process is forked, and each child injects one fault. The judge checks that the test stops, or
bears a fault that may be borne; that its end says why and what to do; that the rig ends without
power; that its run counts as no result; and that the same bench resumes the test without the fault
until it moves: after a reset and, if the fault has cost the reference, after the output was turned
onto its end by hand and stated. In *Shock* power is off throughout: a fault need not stop it.
``--quick`` injects a few faults into one test.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import math
import os
import pickle
import sys
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

from fault_table import FAULTS, Fault

from drivers.base import PowerStage
from hil.bench import LockstepBench, Rehearsal
from hil.bench.referencing import LOST
from hil.bench.rehearsal import KINDS, DisturbanceFault
from hil.core import Cause, ConfirmReference, EndCommission, Reset, Sample, State
from hil.measure import TESTS, GuardedTest, measure_all
from hil.procedures import Hand, LockstepRunner, SimulatedOperator
from hil.profile import load_profile

PROFILE = "footplate_trainer"
WATCHED_S = 6.0  # after the fault: one that has not stopped the test by then is borne
GONE_S = WATCHED_S + 0.5  # after this time the fault is gone
LONGEST_S = 30.0  # into a test: the middle of the hold in Heat is like its beginning
BEYOND_END_M = 0.001  # the nut is turned on so far: the springs press the output onto its end
REFERENCED_M = 0.0003
AGAIN_S = 0.3  # of motion, when it is resumed
WITHOUT_POWER = ("shock", "drift")
QUICK_TEST = "force_response_free"
QUICK = ("deflection at upper rail", "drive silent", "deflection noise, 5 counts")


@dataclass
class Outcome:
    """Course of one test after a fault.

    Attributes:
        how, text: of the test's end; ``borne`` if it went on.
        cause: of the bench's stop, in words.
        referenced: the bench's answer to a stated position, if the fault had cost the reference.
        again: outcome of the resumption: ``moves``, or the text of the refusal. problems: the
        violations.
    """

    test: str
    fault: str
    how: str = ""
    text: str = ""
    cause: str = ""
    referenced: str = ""
    again: str = ""
    problems: list[str] = field(default_factory=list)


class _Enough(BaseException):
    """No further observation is needed."""


class _Broken(LockstepBench):
    """A bench that forks a child for each fault in the middle of its work.

    Attributes:
        outcomes: of the children, in the parent.
        outcome: of this child; None in the parent.
    """

    def __init__(self, test: GuardedTest, faults: list[str], processes: int) -> None:
        profile = load_profile(PROFILE)
        super().__init__(profile, 1)
        self.test, self.faults, self.processes = test, faults, processes
        self.middle_s = min(0.5 * test.lasts_s(profile), LONGEST_S)
        self.outcomes: list[Outcome] = []
        self.outcome: Outcome | None = None
        self.again = False
        self._until_s = 0.0
        self._moved = 0

    def step(self) -> Sample:
        row = super().step()
        if self.outcome is None:
            if self.outcomes:
                return row  # the parent is done: its runner only ends its own steps
            moving = self.bench.state is State.RUNNING or self.test.key in WITHOUT_POWER
            if self.time_s >= self.middle_s and moving:
                self._fork()
        elif self.again:
            self._moved += self.bench.state is State.RUNNING
            if self._moved * self.period_s > AGAIN_S:
                raise _Enough
        elif self.bench.state is State.STOPPED:
            self._until_s = math.inf
        elif self.time_s > self._until_s:
            self._until_s = math.inf
            raise _Enough
        return row

    def _fork(self) -> None:
        """Children continue from here; the parent collects their results and ends."""
        running: list[tuple[int, int]] = []
        for name in self.faults:
            if len(running) == self.processes:
                self._gather(*running.pop(0))
            read, write = os.pipe()
            child = os.fork()
            if child == 0:
                os.close(read)
                self._pipe = write
                self._throw(name)
                return
            os.close(write)
            running.append((child, read))
        for one in running:
            self._gather(*one)
        raise _Enough

    def _gather(self, child: int, read: int) -> None:
        with os.fdopen(read, "rb") as pipe:
            told = pipe.read()
        os.waitpid(child, 0)
        if not told:
            raise RuntimeError(f"{self.test.key}: a child has died")
        self.outcomes.append(pickle.loads(told))

    def _throw(self, name: str) -> None:
        self.outcome = Outcome(self.test.key, name)
        entry = dict(FAULTS[name].entry)
        kind = KINDS.get(entry["what"], DisturbanceFault)
        thrown = kind.model_validate({"at": "0 s", "for": f"{GONE_S} s", **entry})
        self.rehearse(Rehearsal((thrown,)), lambda _text: None)
        self._until_s = self.time_s + WATCHED_S

    def tell(self) -> None:
        """Send this child's results and end it."""
        with os.fdopen(self._pipe, "wb") as pipe:
            pickle.dump(self.outcome, pipe)
        os._exit(0)


def broken(test: GuardedTest, faults: list[str], processes: int) -> list[Outcome]:
    """Return the course of a test after each fault."""
    bench = _Broken(test, faults, processes)
    try:
        ends: list[Any] = []
        with contextlib.suppress(_Enough):
            _runner(bench).run(measure_all([test], bench.profile, lambda _t: None, ends.append))
        if bench.outcome is not None:
            _judge(bench, bench.outcome, FAULTS[bench.outcome.fault], ends)
    except Exception as error:
        if bench.outcome is None:
            raise
        bench.outcome.problems.append(f"{type(error).__name__}: {error}")
    finally:
        if bench.outcome is not None:
            bench.tell()
    return bench.outcomes


def _runner(bench: LockstepBench) -> LockstepRunner:
    return LockstepRunner(
        bench, operator=SimulatedOperator(bench.environment, bench.drive.core.parameters)
    )


def _judge(bench: _Broken, outcome: Outcome, fault: Fault, ends: list[Any]) -> None:
    problems = outcome.problems
    bench._until_s = math.inf
    outcome.how = ends[0].how if ends else "borne"
    outcome.text = ends[0].text if ends else ""
    stops = [e for e in bench.events if e["kind"] == "stop"]
    outcome.cause = str(stops[0]["cause"]) if stops else ""
    powerless = outcome.test in WITHOUT_POWER
    if outcome.how in ("borne", "finished"):
        if fault.at_once and not powerless:
            problems.append("went on")
    elif not fault.causes:
        problems.append("stopped by what must be borne")
    if outcome.how in ("stopped", "failed") and len(outcome.text) < 40:
        problems.append("not told")
    done = any(e["kind"] == "marker" and e["text"] == "finished" for e in bench.events)
    if outcome.how in ("stopped", "failed") and done:
        problems.append("counts as done")
    stays_on = fault.asks_stop and str(fault.entry["what"]) == "power_stays_on"
    core = bench.drive.core
    if core.power not in (PowerStage.OFF, PowerStage.FAULT):
        if not stays_on:
            problems.append(f"power stage {core.power.name}")
        elif stops and stops[-1]["code"] != Cause.POWER_NOT_REMOVED:
            problems.append("power that stays is not told")
    _take_up(bench, outcome)


def _take_up(bench: _Broken, outcome: Outcome) -> None:
    """Resume after the fault: the person frees the rig, resets, references if necessary, and begins
    again."""
    while bench._rehearser is not None and bench._rehearser.next_s < math.inf:
        bench.step()
    bench.environment.hang(0.0)
    bench.environment.push(0.0)
    person = SimulatedOperator(bench.environment, bench.drive.core.parameters)
    person._hands.hold_output(False)
    person._hands.hold_screw(False)
    bench.run(1.5)
    bench.request(Reset())
    bench.request(EndCommission())  # the rig host does so when the requesting client is gone
    bench.run(0.5)
    if bench.bench.reference == LOST:
        _reference(bench, person, outcome)
    bench.again = True
    bench.events.clear()  # a runner takes existing ones for new
    ends: list[Any] = []
    try:
        _runner(bench).run(measure_all([bench.test], bench.profile, lambda _t: None, ends.append))
    except _Enough:
        outcome.again = "moves"
        return
    if ends and ends[0].how == "finished":
        outcome.again = "moves"
        return
    outcome.again = ends[0].text if ends else "nothing"
    outcome.problems.append("not taken up again")


def _reference(bench: _Broken, person: SimulatedOperator, outcome: Outcome) -> None:
    """Bring the output to its lower end by hand, and state that, as ``hookeline reference`` does."""
    screw = bench.profile.actuator.transmission
    back = bench.drive.core.physics.output_position_m + BEYOND_END_M
    turns = -back / screw.lead * (1 if screw.hand == "right" else -1)
    bench.run(person.act(Hand("turn_screw", "Turn the output back onto its lower end.", turns)))
    bench.run(1.0)
    answer = bench.request(ConfirmReference())
    outcome.referenced = answer.text
    off_m = bench.bench.estimator.output_position_m - bench.drive.core.physics.output_position_m
    if not answer.accepted or abs(off_m) > REFERENCED_M:
        outcome.problems.append(f"referenced {1e3 * off_m:+.2f} mm off")


def every(keys: list[str], faults: list[str], processes: int) -> Iterator[Outcome]:
    for test in TESTS:
        if test.key in keys or not (keys or test.on_request):
            yield from broken(test, faults, processes)


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", action="append", default=[], help="test")
    parser.add_argument("--fault", action="append", default=[], help="fault")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--quick", action="store_true", help="few faults, one test")
    parser.add_argument("--check", action="store_true", help="exit 1 if one falls short")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args(arguments)
    keys = options.only or ([QUICK_TEST] if options.quick else [])
    faults = options.fault or list(QUICK if options.quick else FAULTS)
    found = []
    for outcome in every(keys, faults, options.processes):
        found.append(outcome)
        told = "; ".join(outcome.problems)
        print(
            f"{outcome.test:20} {outcome.fault:32} {outcome.how:8} {outcome.cause:28} {told}",
            flush=True,
        )
        if outcome.problems:
            told = f"    referenced: {outcome.referenced}\n" if outcome.referenced else ""
            print(f"    {outcome.text}\n{told}    again: {outcome.again}", flush=True)
    short = [o for o in found if o.problems]
    stopped = sum(o.how == "stopped" for o in found)
    print(
        f"{len(found)} faults, {stopped} stopped a test, "
        f"{sum(o.again == 'moves' for o in found)} taken up again, {len(short)} fall short"
    )
    if options.json:
        print(json.dumps([asdict(o) for o in found]))
    return int(options.check and bool(short))


if __name__ == "__main__":
    sys.exit(main())
