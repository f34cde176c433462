"""Inject every fault that the simulated rig knows into running sessions, and judge by the truth.

    .venv/bin/python tests/campaigns/faults.py --quick --check

A session brings the output of one of three rigs to mid-stroke, applies one of seven behaviours
under one of three loads, or stays in standby or without power, waits for a time drawn by its seed,
and then rehearses a fault, or two within 150 ms; without power it then requests it. The judge uses
the simulation's truth, no sensor: the largest spring force and the speed at which an end is met,
each no more than slightly beyond the same session with its power removed between the fault and the
bench's own stop (a load that falls or is caught without power is not the bench's doing), the end
also compared with a bench that brakes a weight or a hand with all the permitted force at once; how
long it goes on once a fault that must stop it is there, or a false figure can be seen; and the name
of the stop. ``--session`` repeats one, ``--short FILE`` repeats those that fell short in a run
printed with ``--json``.
"""

from __future__ import annotations

import argparse
import datetime
import json
import math
import multiprocessing
import os
import sys
import time
from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(1, str(Path(__file__).parents[1] / "benchmarks"))

import fault_rigs
from fault_judgement import END_MM_S, MOST_FORCE, WORSE_FORCE, WORSE_MM_S, excuse, named, shortfalls
from fault_runs import run
from fault_sessions import Outcome, Session, parsed, sessions, snippet
from fault_table import FAULTS
from table import machine

from drivers.compiled import run_the_source

PROCESSES = 2
SEEDS, PAIRS = 3, 2000
QUICK_PAIRS = 60
WORST = 20


def fell_short(path: Path) -> list[Session]:
    """Return the sessions that fell short in the run whose ``--json`` output ends the file
    ``path``.

    Raises:
        ValueError: it does not, or a name is not known any more. OSError: it cannot be read.
    """
    last = path.read_text().strip().rpartition("\n")[2]
    try:
        names = json.loads(last)["short"]
    except (ValueError, KeyError, TypeError):
        raise ValueError(f"{path}: its last line is not what --json prints") from None
    return [parsed(name) for name in names]


WIDTHS = {
    "fault": 34,
    "sessions": 9,
    "stopped": 8,
    "right": 7,
    "force": 13,
    "end mm/s": 12,
    "stop ms": 10,
    "unseen N": 10,
    "short": 7,
}


def row(name: str, of: list[Outcome]) -> dict[str, str | int]:
    """Return one row of the table, by its columns."""
    stops = [o for o in of if o.stopped]
    hardest = max(of, key=lambda o: o.end_mm_s)
    force = max(of, key=lambda o: o.share)
    forces = f"{force.share:.2f}"
    if not math.isnan(force.share_without):
        forces += f" ({force.share_without:.2f})"
    ends = f"{hardest.end_mm_s:.0f}"
    if not math.isnan(hardest.without_mm_s):
        ends += f" ({hardest.without_mm_s:.0f})"
    worst = f"{1e3 * max(o.stopped_s for o in stops):.0f}" if stops else "-"
    bad = sum(bool(shortfalls(o)) for o in of)
    right, unseen = sum(map(named, stops)), f"{max(o.unseen_N for o in of):.0f}"
    cells = (name, len(of), len(stops), right, forces, ends, worst, unseen, bad)
    return dict(zip(WIDTHS, cells, strict=True))


def rows(outcomes: list[Outcome]) -> list[dict[str, str | int]]:
    """Return a row for each single fault, one for the pairs, one for all; of all, the excused ones
    by reason."""
    single = [o for o in outcomes if len(o.session.faults) == 1]
    by_fault = {name: [o for o in single if o.session.faults == (name,)] for name in FAULTS}
    found = [row(name, of) for name, of in by_fault.items() if of]
    if pairs := [o for o in outcomes if len(o.session.faults) > 1]:
        found.append(row("pairs", pairs))
    found.append(row("all", outcomes))
    why = [excuse(o) for o in outcomes]
    for reason in sorted(set(why) - {""}):
        of = [o for o, w in zip(outcomes, why, strict=True) if w == reason]
        found.append(row(f"excused: {reason}", of))
    return found


def badness(outcome: Outcome) -> float:
    """Return the sort key of the worst: ends first, then force, then the longest false figure."""
    ends = (outcome.without_mm_s, outcome.braked_mm_s)
    most_end = max((END_MM_S, *(v + WORSE_MM_S for v in ends if v > END_MM_S)))
    excess_end = max(0.0, outcome.end_mm_s - most_end) / END_MM_S
    most_force = MOST_FORCE
    if outcome.share_without > MOST_FORCE:
        most_force = WORSE_FORCE * outcome.share_without
    excess = max(0.0, outcome.share - most_force)
    return 100 * (excess_end + excess) + outcome.false_N


def report(outcomes: list[Outcome], wall_s: float, worst: int = WORST) -> None:
    """Print the table and the worst sessions.

    ``force`` is a share of the limit that trips; in brackets: without power. ``unseen``: largest
    false force that friction carried, so that nothing on the rig could show it. The last rows are
    sessions whose force or end is beyond what is permitted and that do not fall short, by the reason.
    """
    heads: dict[str, str | int] = {name: name for name in WIDTHS}
    for cells in (heads, *rows(outcomes)):
        first, *others = cells.items()
        print(f"{first[1]:34.34}" + "".join(f"{cell:>{WIDTHS[key]}}" for key, cell in others))
    bad = sorted((o for o in outcomes if shortfalls(o)), key=badness, reverse=True)
    for outcome in bad[:worst]:
        print(f"\n# {outcome.session.name}\n# {'; '.join(shortfalls(outcome))}")
        print(snippet(outcome.session))
    print(f"\n{len(outcomes)} sessions, {len(bad)} fall short, {wall_s:.0f} s")


def _jobs(chosen: Iterable[Session], processes: int) -> list[Outcome]:
    if processes == 1:
        return [run(session) for session in chosen]
    with multiprocessing.get_context("spawn").Pool(processes) as pool:
        return pool.map(run, chosen, chunksize=16)


def main(arguments: list[str] | None = None) -> int:
    if arguments is None:
        run_the_source()  # whole benches are copied
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument(
        "--quick", action="store_true", help=f"a fifth of the sessions, {QUICK_PAIRS} pairs"
    )
    parser.add_argument("--seeds", type=int, default=SEEDS, help="sessions of each kind")
    parser.add_argument("--pairs", type=int, default=PAIRS)
    parser.add_argument(
        "--profile", help="of the rigs, in place of footplate_trainer: one over another source"
    )
    parser.add_argument("--fault", help="faults whose name holds this, and no pairs")
    parser.add_argument("--session", help="one session by its name, printed in full")
    parser.add_argument("--short", metavar="FILE", type=Path, help="those short in a --json run")
    parser.add_argument("--worst", type=int, default=WORST, help="sessions listed")
    parser.add_argument("--check", action="store_true", help="exit 1 if a session falls short")
    parser.add_argument("--json", action="store_true", help="one JSON object as the last line")
    parser.add_argument("--processes", type=int, default=PROCESSES)
    options = parser.parse_args(arguments)
    if options.profile:
        os.environ["FAULT_CAMPAIGN_PROFILE"] = fault_rigs.PROFILE = options.profile
    if options.session or options.short:
        try:
            chosen = fell_short(options.short) if options.short else [parsed(options.session)]
        except (OSError, ValueError) as error:
            parser.error(str(error))
    elif options.quick:
        # 5 divides neither behaviours nor loads, so that each comes with each.
        chosen = list(sessions(1, QUICK_PAIRS, every=5))
    else:
        chosen = list(sessions(options.seeds, options.pairs))
    if options.fault:
        chosen = [s for s in chosen if len(s.faults) == 1 and options.fault in s.faults[0]]
    began = time.perf_counter()
    outcomes = _jobs(chosen, 1 if len(chosen) < 20 else options.processes)
    wall_s = time.perf_counter() - began
    report(outcomes, wall_s, options.worst)
    if options.session and not options.short:
        print(outcomes[0])
    short = {o.session.name: shortfalls(o) for o in outcomes if shortfalls(o)}
    if options.json:
        shown = {
            "machine": machine(),
            "date": datetime.date.today().isoformat(),
            "sessions": len(outcomes),
            "table": rows(outcomes),
            "short": short,
            "fell_short": [f"{name}: {', '.join(found)}" for name, found in short.items()],
            "wall_s": wall_s,
        }
        print(json.dumps(shown | {"outcomes": [asdict(o) for o in outcomes]}))
    return 1 if short and options.check else 0


if __name__ == "__main__":
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    sys.exit(main())
