"""Bring up every rig with one mistake, every rig with two, and healthy ones that vary.

    .venv/bin/python tests/campaigns/bringup.py --singles --check

Each is brought up in lockstep by a simulated operator. Figures are the rig's true ones, of the
time with the power stage on. Without --singles, --pairs or --healthy, all three are run.
"""

from __future__ import annotations

import argparse
import itertools
import json
import multiprocessing
import os
import sys
import time
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass
from typing import Any

from drivers.simulated.injected_faults import INJECTED_FAULTS
from hil.bench.facts import drive_facts
from hil.bench.lockstep import LockstepBench
from hil.bringup.procedure import bring_up
from hil.bringup.step import Context, Result, Verdict
from hil.bringup.steps import STEPS
from hil.procedures.lockstep_runner import LockstepRunner
from hil.procedures.operator import SimulatedOperator
from hil.profile.devices import varied_simulation, with_simulated_faults
from hil.profile.loader import load_profile

PROFILE = "footplate_trainer"
FORCE_SHARE = 0.15
END_MM_S = 20.0
HEALTHY = 50
PROCESSES = 2


@dataclass(frozen=True)
class Case:
    """What is wrong with the rig, and by which seed it varies (0: not at all)."""

    injected_faults: tuple[str, ...]
    seed: int = 0


@dataclass(frozen=True)
class Outcome:
    """How its bring-up went."""

    injected_faults: tuple[str, ...]
    seed: int
    found: tuple[str, ...]
    step: str
    verdict: str
    text: str
    force_N: float
    end_mm_s: float
    nut_mm_s: float
    closed_loop: bool
    rig_s: float
    wall_s: float


def run_case(case: Case) -> Outcome:
    began = time.perf_counter()
    profile = with_simulated_faults(load_profile(PROFILE), case.mistakes)
    if case.seed:
        profile = varied_simulation(profile, case.seed)
    bench = LockstepBench(profile, case.seed or 1)
    core = bench.drive.core
    runner = LockstepRunner(bench, operator=SimulatedOperator(bench.environment, core.parameters))
    results: list[Result] = []
    context = Context(profile, drive_facts(bench.drive.capabilities, profile), {}, True)
    text = ""
    try:
        ended = runner.run(
            bring_up(STEPS, context, set(), lambda _step: None, lambda _step, r: results.append(r))
        )
        if ended.how != "finished":
            text = f"{ended.how}: {ended.text}"
    except Exception as error:
        text = f"{type(error).__name__}: {error}"
    bad = [r for r in results if r.verdict is not Verdict.PASS]
    stuck = next((r for r in bad if r.findings), bad[0] if bad else None)
    return Outcome(
        case.mistakes,
        case.seed,
        tuple(dict.fromkeys(f.code for r in results for f in r.findings)),
        "" if stuck is None else stuck.step,
        str(stuck.verdict) if stuck else ("error" if text else "pass"),
        text or ("" if stuck is None else stuck.text),
        core.peak_driven_force_N,
        1e3 * core.peak_end_speed_m_s,
        1e3 * core.peak_speed_m_s,
        any(r.closed_loop for r in results),
        bench.time_s,
        time.perf_counter() - began,
    )


def cases(singles: bool, pairs: bool, healthy: bool) -> Iterator[Case]:
    if singles:
        yield from (Case((code,)) for code in INJECTED_FAULTS)
    if pairs:
        yield from (Case(pair) for pair in itertools.combinations(INJECTED_FAULTS, 2))
    if healthy:
        yield from (Case((), seed) for seed in range(1, HEALTHY + 1))


def shortfalls(outcome: Outcome, most_N: float) -> list[str]:
    """What is not as it must be."""
    short = []
    if outcome.force_N > most_N:
        short.append(f"force {outcome.force_N:.1f} N above {most_N:.1f} N")
    if outcome.end_mm_s > END_MM_S:
        short.append(f"an end met at {outcome.end_mm_s:.1f} mm/s, above {END_MM_S:g} mm/s")
    if outcome.verdict == "error":
        short.append(outcome.text)
    if not outcome.mistakes:
        if outcome.verdict != "pass":
            found = ", ".join(outcome.found) or outcome.text
            short.append(f"false alarm in {outcome.step}: {found}")
        return short
    if outcome.closed_loop:
        short.append("the force loop was closed")
    if outcome.verdict == "pass":
        short.append("not found")
    elif len(outcome.mistakes) == 1 and outcome.found[:1] != outcome.mistakes:
        named = ", ".join(outcome.found) or f"nothing ({outcome.text})"
        short.append(f"named {named} in {outcome.step}")
    return short


def named(outcome: Outcome) -> str:
    return " + ".join(outcome.mistakes) or f"healthy, seed {outcome.seed}"


def row(outcome: Outcome, short: Iterable[str]) -> str:
    found = ", ".join(outcome.found) or "-"
    closed = "yes" if outcome.closed_loop else "no"
    return (
        f"{named(outcome):46.46} {found:40.40} {outcome.step or '-':16} {outcome.force_N:7.1f} "
        f"{outcome.end_mm_s:7.1f} {closed:>6}  {'; '.join(short)}"
    )


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--singles", action="store_true", help="every mistake alone")
    parser.add_argument("--pairs", action="store_true", help="every two mistakes together")
    parser.add_argument("--healthy", action="store_true", help=f"{HEALTHY} healthy rigs")
    parser.add_argument("--check", action="store_true", help="exit 1 naming what falls short")
    parser.add_argument("--json", action="store_true", help="one JSON object as the last line")
    options = parser.parse_args(arguments)
    every = not (options.singles or options.pairs or options.healthy)
    chosen = list(cases(options.singles or every, options.pairs or every, options.healthy or every))
    most_N = FORCE_SHARE * load_profile(PROFILE).limits.force.limited
    began = time.perf_counter()
    print(
        f"{'wrong':46} {'found as':40} {'step':16} {'force N':>7} {'mm/s':>7} {'closed':>6}",
        flush=True,
    )
    outcomes, short = [], {}
    with multiprocessing.get_context("spawn").Pool(PROCESSES, os.nice, (15,)) as pool:
        for outcome in pool.imap(run_case, chosen):
            outcomes.append(outcome)
            missing = shortfalls(outcome, most_N)
            if missing:
                short[named(outcome)] = missing
            print(row(outcome, missing), flush=True)
    data = summary(outcomes, short, time.perf_counter() - began)
    print(
        f"{len(outcomes)} bring-ups, {len(short)} fall short; largest force "
        f"{data['peak_force_N']:.1f} N of {most_N:.1f} N, hardest end "
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
    pairs = [o for o in outcomes if len(o.mistakes) == 2]
    return {
        "bring_ups": len(outcomes),
        "short": short,
        "peak_force_N": max((o.force_N for o in outcomes), default=0.0),
        "peak_end_speed_mm_s": max((o.end_mm_s for o in outcomes), default=0.0),
        "pairs": len(pairs),
        "pairs_named": sum(o.found[:1] != () and o.found[0] in o.mistakes for o in pairs),
        "wall_s": wall_s,
    }


if __name__ == "__main__":
    sys.exit(main())
