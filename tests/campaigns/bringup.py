"""Bring up rigs with one mistake, rigs with two, and healthy rigs that vary.

    .venv/bin/python tests/campaigns/bringup.py --singles --check
    .venv/bin/python tests/campaigns/bringup.py --quick --check
    .venv/bin/python tests/campaigns/bringup.py --singles --profile footplate_velocity

A simulated operator brings up each rig in lockstep. Figures are the rig's true values while the
power stage is on. Without --singles, --pairs or --healthy, all three are run.
"""

from __future__ import annotations

import argparse
import itertools
import json
import multiprocessing
import os
import random
import sys
import time
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass
from typing import Any

from drivers.simulated.injected_faults import INJECTED_FAULTS, injected_faults_of
from hil.bench.facts import drive_facts
from hil.bench.lockstep import LockstepBench
from hil.bringup.procedure import bring_up
from hil.bringup.step import Context, Result, Step, Verdict
from hil.bringup.steps import STEPS
from hil.procedures.lockstep_runner import LockstepRunner
from hil.procedures.operator import SimulatedOperator
from hil.profile.devices import varied_simulation, with_simulated_faults
from hil.profile.loader import load_profile

PROFILE = "footplate_trainer"
FORCE_SHARE = 0.15  # of the rated force, in every step but the one that reaches it
WORKING = "working_force"
WORKING_SHARE = 1.1  # of the rated force, in that step
END_MM_S = 20.0
HEALTHY = 50
PROCESSES = 2
QUICK_PAIRS, QUICK_HEALTHY = 40, 10


@dataclass(frozen=True)
class Case:
    """Faults of the rig, and the seed by which it varies (0: not at all)."""

    injected_faults: tuple[str, ...]
    seed: int = 0
    profile: str = PROFILE


@dataclass(frozen=True)
class Outcome:
    """Outcome of a bring-up."""

    injected_faults: tuple[str, ...]
    seed: int
    profile: str
    found: tuple[str, ...]
    step: str
    verdict: str
    text: str
    force_N: float  # largest, but for the working force
    working_N: float  # largest in the step that goes up to it
    end_mm_s: float
    nut_mm_s: float
    closed_loop: bool
    rig_s: float
    wall_s: float


def run_case(case: Case) -> Outcome:
    began = time.perf_counter()
    profile = with_simulated_faults(load_profile(case.profile), case.injected_faults)
    if case.seed:
        profile = varied_simulation(profile, case.seed)
    bench = LockstepBench(profile, case.seed or 1)
    core = bench.drive.core
    runner = LockstepRunner(bench, operator=SimulatedOperator(bench.environment, core.parameters))
    results: list[Result] = []
    context = Context(profile, drive_facts(bench.drive.capabilities, profile), {}, True)
    text = ""
    forces: dict[bool, float] = {False: 0.0, True: 0.0}
    ends = 0.0

    def note(step: Step, result: Result | None = None) -> None:
        """Keep the peaks of the earlier steps, or of the step itself."""
        nonlocal ends
        working = result is not None and step.key == WORKING
        forces[working] = max(forces[working], core.peak_driven_force_N)
        ends = max(ends, core.peak_end_speed_m_s)
        if result is not None:
            results.append(result)
        core.reset_peaks()

    try:
        ended = runner.run(bring_up(STEPS, context, set(), note, note))
        if ended.how != "finished":
            text = f"{ended.how}: {ended.text}"
    except Exception as error:
        text = f"{type(error).__name__}: {error}"
    bad = [r for r in results if r.verdict is not Verdict.PASS]
    stuck = next((r for r in bad if r.findings), bad[0] if bad else None)
    return Outcome(
        case.injected_faults,
        case.seed,
        case.profile,
        tuple(dict.fromkeys(f.code for r in results for f in r.findings)),
        "" if stuck is None else stuck.step,
        str(stuck.verdict) if stuck else ("error" if text else "pass"),
        text or ("" if stuck is None else stuck.text),
        forces[False],
        forces[True],
        1e3 * max(ends, core.peak_end_speed_m_s),
        1e3 * core.peak_speed_m_s,
        any(r.closed_loop for r in results),
        bench.time_s,
        time.perf_counter() - began,
    )


def cases(singles: bool, pairs: int, healthy: int, seed: int, profile: str) -> Iterator[Case]:
    """Return the cases of the requested kinds; of the pairs at most so many, drawn by ``seed``."""
    possible = injected_faults_of(load_profile(profile).control.source)
    if singles:
        yield from (Case((code,), 0, profile) for code in possible)
    every = list(itertools.combinations(possible, 2))
    if pairs < len(every):
        every = random.Random(seed).sample(every, pairs)
    yield from (Case(pair, 0, profile) for pair in every)
    yield from (Case((), number, profile) for number in range(1, healthy + 1))


def shortfalls(outcome: Outcome, most_N: float) -> list[str]:
    """Return the violations as text."""
    short = []
    if outcome.force_N > most_N:
        short.append(f"force {outcome.force_N:.1f} N above {most_N:.1f} N")
    if outcome.working_N > WORKING_SHARE / FORCE_SHARE * most_N:
        short.append(f"working force {outcome.working_N:.0f} N")
    if outcome.end_mm_s > END_MM_S:
        short.append(f"an end met at {outcome.end_mm_s:.1f} mm/s, above {END_MM_S:g} mm/s")
    if outcome.verdict == "error":
        short.append(outcome.text)
    if not outcome.injected_faults:
        if outcome.verdict != "pass":
            found = ", ".join(outcome.found) or outcome.text
            short.append(f"false alarm in {outcome.step}: {found}")
        return short
    if outcome.closed_loop:
        short.append("the force loop was closed")
    if outcome.verdict == "pass":
        short.append("not found")
    elif len(outcome.injected_faults) == 1 and outcome.found[:1] != names(outcome):
        named = ", ".join(outcome.found) or f"nothing ({outcome.text})"
        short.append(f"named {named} in {outcome.step}")
    return short


def names(outcome: Outcome) -> tuple[str, ...]:
    source = load_profile(outcome.profile).control.source
    return tuple(INJECTED_FAULTS[code].found_over(source) for code in outcome.injected_faults)


def named(outcome: Outcome) -> str:
    return " + ".join(outcome.injected_faults) or f"healthy, seed {outcome.seed}"


def row(outcome: Outcome, short: Iterable[str]) -> str:
    found = ", ".join(outcome.found) or "-"
    closed = "yes" if outcome.closed_loop else "no"
    return (
        f"{named(outcome):46.46} {found:40.40} {outcome.step or '-':16} {outcome.force_N:7.1f} "
        f"{outcome.working_N:7.1f} {outcome.end_mm_s:7.1f} {closed:>6}  {'; '.join(short)}"
    )


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--singles", action="store_true", help="every mistake alone")
    parser.add_argument("--pairs", action="store_true", help="every two mistakes together")
    parser.add_argument("--healthy", action="store_true", help=f"{HEALTHY} healthy rigs")
    parser.add_argument(
        "--quick",
        action="store_true",
        help=f"every mistake alone, {QUICK_PAIRS} pairs, {QUICK_HEALTHY} healthy rigs",
    )
    parser.add_argument("--most-pairs", type=int, help="so many pairs, drawn at random")
    parser.add_argument("--most-healthy", type=int, default=HEALTHY)
    parser.add_argument("--profile", default=PROFILE, help="of the rigs; any source of motion")
    parser.add_argument("--seed", type=int, default=1, help="of the pairs drawn")
    parser.add_argument("--processes", type=int, default=PROCESSES)
    parser.add_argument("--check", action="store_true", help="exit 1 naming what falls short")
    parser.add_argument("--json", action="store_true", help="one JSON object as the last line")
    options = parser.parse_args(arguments)
    every = not (options.singles or options.pairs or options.healthy)
    pairs = len(INJECTED_FAULTS) ** 2 if options.most_pairs is None else options.most_pairs
    healthy = options.most_healthy
    if options.quick:
        pairs, healthy = min(pairs, QUICK_PAIRS), min(healthy, QUICK_HEALTHY)
    chosen = list(
        cases(
            options.singles or every,
            pairs if options.pairs or every else 0,
            healthy if options.healthy or every else 0,
            options.seed,
            options.profile,
        )
    )
    most_N = FORCE_SHARE * load_profile(options.profile).limits.force.limited
    began = time.perf_counter()
    print(
        f"{'wrong':46} {'found as':40} {'step':16} {'force N':>7} {'working':>7} {'mm/s':>7} {'closed':>6}",
        flush=True,
    )
    outcomes, short = [], {}
    with multiprocessing.get_context("spawn").Pool(options.processes, os.nice, (15,)) as pool:
        for outcome in pool.imap(run_case, chosen):
            outcomes.append(outcome)
            missing = shortfalls(outcome, most_N)
            if missing:
                short[named(outcome)] = missing
            print(row(outcome, missing), flush=True)
    data = summary(outcomes, short, time.perf_counter() - began)
    print(
        f"{len(outcomes)} bring-ups, {len(short)} fall short; largest force "
        f"{data['peak_force_N']:.1f} N of {most_N:.1f} N, {data['working_force_N']:.1f} N at the "
        f"working force, hardest end "
        f"{data['peak_end_speed_mm_s']:.1f} of {END_MM_S:g} mm/s; {data['wall_s']:.0f} s; one "
        f"of the two named first in {data['pairs_named']} of {data['pairs']} pairs"
    )
    if options.json:
        print(json.dumps(data | {"outcomes": [asdict(o) for o in outcomes]}))
    if options.check and short:
        for name, missing in short.items():
            print(f"short: {name}: {'; '.join(missing)}", file=sys.stderr)
        return 1
    return 0


def summary(outcomes: list[Outcome], short: dict[str, list[str]], wall_s: float) -> dict[str, Any]:
    pairs = [o for o in outcomes if len(o.injected_faults) == 2]
    return {
        "bring_ups": len(outcomes),
        "short": short,
        "peak_force_N": max((o.force_N for o in outcomes), default=0.0),
        "working_force_N": max((o.working_N for o in outcomes), default=0.0),
        "peak_end_speed_mm_s": max((o.end_mm_s for o in outcomes), default=0.0),
        "pairs": len(pairs),
        "pairs_named": sum(o.found[:1] != () and o.found[0] in names(o) for o in pairs),
        "wall_s": wall_s,
    }


if __name__ == "__main__":
    sys.exit(main())
