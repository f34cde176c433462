"""Throw every fault that the simulated rig knows into running sessions, and judge by the truth.

    .venv/bin/python tests/campaigns/faults.py --quick --check

A session brings the output of one of three rigs to mid-stroke, applies one of seven behaviours
under one of three loads, or stays in standby or without power, waits for a time drawn by its
seed, and then rehearses a fault, or two within 150 ms; without power it then asks for it. Judged
is what the simulation knows, no sensor: the largest spring force and the speed at which an end is
met, each against the same session with its power removed between the fault and the bench's own
stop (a load that falls or is caught without power is not the bench's doing), the end also against
a bench that brakes a weight or a hand with all the permitted force at once; how long it goes on
once a fault that must stop it is there, or a false figure can be seen; and the name of the stop.
``--session`` runs one again, ``--short FILE`` those that fell short in a run printed with ``--json``.
"""

from __future__ import annotations

import argparse
import copy
import datetime
import itertools
import json
import math
import multiprocessing
import os
import random
import sys
import time
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(1, str(Path(__file__).parents[1] / "benchmarks"))

from fault_rigs import BEHAVIOURS, DE_ENERGISED, LOADS_KG, MIDDLE_M, RIGS, STANDBY, running
from fault_table import FAULTS
from fault_watch import ENERGISED, UNKNOWN_SHARE, Watch
from table import machine

from drivers.compiled import run_the_source
from drivers.simulated.drive_core import FAULT_TEXTS, OVERSPEED
from hil.bench.lockstep import LockstepBench
from hil.bench.rehearsal import KINDS, DisturbanceFault, Rehearsal
from hil.control.power_removal import ALLOWED_S
from hil.core import Cause, Limit, State
from hil.core import Outcome as RequestOutcome
from hil.core.limit_texts import label
from hil.core.requests import Apply, ConstantForce, HoldPosition, PowerOn, Stop

PROCESSES = 2
SEEDS, PAIRS = 3, 2000
QUICK_PAIRS = 60
WORST = 20

PHASE_S = (0.1, 0.6)  # behaviour to fault
PAIR_S = 0.15  # most between the two faults of a pair
WATCHED_S = 1.2  # after the fault
AFTER_S = 0.4  # after the stop
POWERED_S = 0.05  # power asked for to power on
ASKED_AFTER_S = 0.2  # fault to the request to stop, for faults that show only then

MOST_FORCE = 1.05  # of the force limit that trips
END_MM_S = 20.0
MOST_S = 0.101  # and the period in which it is seen
REMOVED_S = ALLOWED_S + 0.02  # wait for the drive, then the drive's own watch (15 ms)
# A weight laid on at rest has moved by 0.3 mm then (1.4 m/s2 at the rod), a count or two.
BRAKED_AFTER_S = 0.02
LOADS = ("hang", "push")  # what gives force and motion of its own, whatever is commanded
ANOTHER_S, MOMENTS = 0.002, 50  # between moments at which power is removed for comparison


@dataclass(frozen=True)
class Session:
    """Which faults, in which behaviour, under which load."""

    faults: tuple[str, ...]
    behaviour: str
    load_kg: float
    seed: int

    @property
    def name(self) -> str:
        return f"{' + '.join(self.faults)}; {self.behaviour}; {self.load_kg:g}; {self.seed}"

    @property
    def rig(self) -> int:
        """Which of the rigs its seed gives it."""
        return (self.seed - 1) % RIGS


@dataclass(frozen=True)
class Outcome:
    """How one session went; all from the fault's moment on.

    Attributes:
        at_s: moment of each fault, from when the behaviour was applied.
        share: largest true spring force, of the limit that trips.
        share_without, end_mm_s, without_mm_s: the same without power, as far as it was needed;
            hardest end met, and that without power.
        braked_mm_s: that of a bench that brakes at once, as far as it was needed.
        stopped_s: fault to stop or true loss of power, NaN if it went on.
        false_s: fault to the moment at which a figure was no longer true, NaN if never.
        false_N: largest mean difference of measured and true spring force before the stop.
        visible_s: for how long a false figure could be seen before the stop.
        unseen_N: largest false force that nothing on the rig showed (see ``fault_watch``).
        cause, text: of the stop; 0 if none. own: the session stops so without a fault.
    """

    session: Session
    at_s: tuple[float, ...]
    share: float
    share_without: float
    end_mm_s: float
    without_mm_s: float
    braked_mm_s: float
    stopped_s: float
    false_s: float
    false_N: float
    visible_s: float
    unseen_N: float
    cause: int
    text: str
    own: bool

    @property
    def stopped(self) -> bool:
        return not math.isnan(self.stopped_s)


def moments(session: Session) -> tuple[float, ...]:
    chance = random.Random(session.name)
    first = round(chance.uniform(*PHASE_S), 3)
    return (first, *(round(first + chance.uniform(0, PAIR_S), 3) for _ in session.faults[1:]))


def entries(session: Session) -> list[dict[str, Any]]:
    """The rehearsal of a session, its times from when the behaviour was applied."""
    return [
        {"at": f"{at:.3f} s", **FAULTS[name].entry}
        for at, name in zip(moments(session), session.faults, strict=True)
    ]


def rehearsal(session: Session) -> Rehearsal:
    kinds = [KINDS.get(entry["what"], DisturbanceFault) for entry in entries(session)]
    return Rehearsal(
        tuple(k.model_validate(e) for k, e in zip(kinds, entries(session), strict=True))
    )


def snippet(session: Session) -> str:
    """The same as YAML, for ``--disturb``."""
    lines = []
    for entry in entries(session):
        keys = ", ".join(f"{key}: {value}" for key, value in entry.items())
        lines.append(f"  - {{{keys}}}")
    return "\n".join(["faults:", *lines])


def run(session: Session) -> Outcome:
    """One session, and beside it what it is held against."""
    at_s = moments(session)
    bench = copy.deepcopy(running(session.behaviour, session.load_kg, session.rig))
    bench.drive.core._random.seed(session.seed)
    bench.rehearse(rehearsal(session), lambda _text: None)
    bench.run(at_s[0] - 0.001)
    before = copy.deepcopy(bench)
    if bench.bench.state is State.STOPPED:
        raise RuntimeError(f"{session.name}: stopped before its fault: {bench.bench.cause_text}")
    asks = any(FAULTS[name].asks_stop for name in session.faults)
    refused = ""
    if session.behaviour == DE_ENERGISED:
        bench.run(ASKED_AFTER_S)
    watch = Watch(bench)
    asked_s = 0.0
    if session.behaviour == DE_ENERGISED:
        at_s = (0.0,) * len(at_s)
        refused = _power_on(watch)
    elif asks:
        watch.go_on(ASKED_AFTER_S)
        asked_s = watch.now_s - watch.began_s
        if not watch.stopped_s <= asked_s:
            bench.request(Stop())
            _until_off(watch)
    else:
        watch.go_on(WATCHED_S)
    bench.run(AFTER_S)
    state = bench.environment.state()
    end, without = 1e3 * state["peak_end_speed_m_s"], math.nan
    tripped = bench.profile.limits.force.tripped
    share, share_without = state["peak_spring_force_N"] / tripped, math.nan
    cause = bench.bench.cause
    if end > END_MM_S or share > MOST_FORCE:
        in_time = watch.stopped_s <= MOST_S or watch.visible_s <= MOST_S
        until_s = watch.stopped_s if in_time and watch.stopped_s < WATCHED_S else 0.0
        share_without, without = _without_power(
            before,
            session.behaviour == DE_ENERGISED,
            bench.time_s - watch.began_s,
            until_s,
            MOST_FORCE if share > MOST_FORCE else 0.0,
            END_MM_S if end > END_MM_S else 0.0,
        )
    braked = math.nan
    loaded = any(FAULTS[name].entry["what"] in LOADS for name in session.faults)
    if end > END_MM_S and not without > END_MM_S and loaded:
        braked = _braked(before, session, bench.time_s - watch.began_s)
    own = False
    if cause and cause not in right_causes(session):
        undisturbed = copy.deepcopy(before)
        undisturbed._rehearser = None
        undisturbed.run(bench.time_s - watch.began_s)
        own = undisturbed.bench.cause == cause
    return Outcome(
        session,
        at_s,
        share,
        share_without,
        end,
        without,
        braked,
        watch.stopped_s - asked_s,
        watch.false_s,
        watch.false_N,
        watch.visible_s,
        watch.unseen_N,
        int(cause),
        bench.bench.cause_text or refused,
        own,
    )


def _without_power(
    before: LockstepBench, off: bool, seconds: float, until_s: float, share: float, end_mm_s: float
) -> tuple[float, float]:
    """Largest (share of the force limit that trips, end met in mm/s) if power goes meanwhile.

    Power is removed at the fault, and without a fault at moments from then to the bench's own
    stop: a light nut and a heavy weight in motion are caught by the shorted windings in any phase
    of their swing. A session that began without power (``off``) asks for it there as well: a load
    that was never lifted falls on nothing. Moments are tried until one is beyond both figures given.
    """
    tripped = before.profile.limits.force.tripped
    most_share = most_mm_s = 0.0
    another_s = max(ANOTHER_S, until_s / MOMENTS)
    for count in range(-1, math.ceil(until_s / another_s)):
        stopped = copy.deepcopy(before)
        if count >= 0:
            stopped._rehearser = None
            left_s = count * another_s
            if off:
                stopped.run(ASKED_AFTER_S)
                left_s -= POWERED_S
                _ask_for_power(stopped)
            stopped.run(max(left_s, 0.0))
        core = stopped.drive.core
        core.reset_peaks()
        stopped.request(Stop())
        stopped.run(seconds)
        most_share = max(most_share, core.peak_spring_force_N / tripped)
        most_mm_s = max(most_mm_s, 1e3 * core.peak_end_speed_m_s)
        if most_share > share and most_mm_s > end_mm_s:
            break
    return most_share, most_mm_s


def _braked(before: LockstepBench, session: Session, seconds: float) -> float:
    """Hardest end met in mm/s under all the permitted force against the load.

    What meets an end then, no controller within the force limit holds: 7.5 kg take 561 N of the
    580 N, which leaves 0.05 m/s2 to brake what has fallen while the force came.
    """
    if session.behaviour in (STANDBY, DE_ENERGISED):
        return 0.0  # no force is commanded there
    most_mm_s = 0.0
    for up in (True, False):
        bench = copy.deepcopy(before)
        core = bench.drive.core
        core.reset_peaks()
        bench.run(BRAKED_AFTER_S)
        force = bench.profile.limits.force.limited
        behaviour = ConstantForce(force_N=force if up else -force)
        bench.request(Apply(behaviour=behaviour, load_may_move=True))
        until_s = bench.time_s + seconds
        braking = False
        while bench.time_s < until_s and bench.bench.state is not State.STOPPED:
            bench.step()
            velocity = core.physics.output_velocity_m_s
            away = velocity if up else -velocity
            if braking and away > 0.0:
                break  # it has come to rest: from here it would be driven
            braking |= away < -0.02
        else:
            bench.run(AFTER_S)
        if braking:
            most_mm_s = max(most_mm_s, 1e3 * core.peak_end_speed_m_s)
    return most_mm_s


def _ask_for_power(bench: LockstepBench) -> RequestOutcome:
    """Ask for power and, once it is there, for a move to mid-stroke; the answer."""
    answer = bench.request(PowerOn(load_supported=True))
    if answer.accepted:
        bench.run(POWERED_S)
        if bench.bench.state is State.STANDBY:
            hold = HoldPosition(position_m=MIDDLE_M, speed_m_s=0.06)
            answer = bench.request(Apply(behaviour=hold, load_may_move=True))
    return answer


def _power_on(watch: Watch) -> str:
    """Ask for power and a behaviour with the fault there; the reason if that is refused."""
    bench = watch.bench
    answer = _ask_for_power(bench)
    if answer.accepted and bench.bench.state is not State.STOPPED:
        watch.go_on(WATCHED_S)
        return ""
    watch.stopped_s = 0.0
    return answer.text


def _until_off(watch: Watch) -> None:
    """After a stop was asked for: until the drive's power is truly off."""
    bench = watch.bench
    for _ in range(round(WATCHED_S / bench.period_s)):
        bench.step()
        if watch.core.power not in ENERGISED:
            watch.stopped_s = watch.now_s - watch.began_s
            return


def right_causes(session: Session) -> frozenset[int]:
    return frozenset().union(*(FAULTS[name].causes for name in session.faults))


def named(outcome: Outcome) -> bool:
    """The stop, if there was one, has a right name, or would have come without the fault."""
    if not outcome.cause:
        return True
    if outcome.cause == Limit.DRIVE_FAULT and FAULT_TEXTS[OVERSPEED] in outcome.text:
        # In standby a hand drives the nut past both limits within a cycle: the same name.
        return Limit.SPEED in right_causes(outcome.session)
    asks = any(FAULTS[name].asks_stop for name in outcome.session.faults)
    if asks and outcome.cause == Cause.OPERATOR:
        # Asked for, and power went before it had to be called still on.
        return outcome.stopped_s < ALLOWED_S
    return outcome.own or outcome.cause in right_causes(outcome.session)


def late(outcome: Outcome) -> list[str]:
    """Whether it goes on too long, from what must stop it or from the first false figure."""
    faults = [FAULTS[name] for name in outcome.session.faults]
    if any(fault.asks_stop for fault in faults):
        if not removable(outcome.session):
            return []
        most_s, since_s = REMOVED_S, 0.0
    else:
        most_s, since_s = MOST_S, math.inf
        off = outcome.session.behaviour == DE_ENERGISED
        for at_s, fault in zip(outcome.at_s, faults, strict=True):
            if fault.at_once and not (off and fault.over_before_power):
                since_s = min(at_s - outcome.at_s[0], since_s)
    short = []
    if since_s < math.inf and not outcome.stopped_s - since_s <= most_s:
        after_ms = 1e3 * (outcome.stopped_s - since_s)
        short.append(f"stops after {after_ms:.0f} ms" if outcome.stopped else "goes on")
    if outcome.visible_s > MOST_S:
        short.append(
            f"{'stops' if outcome.stopped else 'goes on'} with a false figure in sight for "
            f"{1e3 * outcome.visible_s:.0f} ms, {outcome.false_N:.0f} N from the truth"
        )
    return short


def removable(session: Session) -> bool:
    """Whether anything that the host does takes power away: an OFF that is heard, or a watch.

    Otherwise the load falls or is thrown under power until somebody presses the emergency stop,
    and the stop's name alone is judged: it must tell so.
    """
    return not any(FAULTS[name].entry.get("value") == 2.0 for name in session.faults)


def shortfalls(outcome: Outcome) -> list[str]:
    """What is not as it must be."""
    if not removable(outcome.session):
        return [] if named(outcome) else [f"named '{label(outcome.cause)}': {outcome.text}"]
    short = []
    most = MOST_FORCE
    laws = ("spring_factor", "deflection_factor")
    kinds = {FAULTS[name].entry["what"] for name in outcome.session.faults}
    if outcome.session.behaviour == DE_ENERGISED and kinds.intersection(laws):
        # A force limit is no truer than a law that was false before the rig ever moved.
        most /= 1.0 - UNKNOWN_SHARE
    if not outcome.share <= most and not outcome.share_without > MOST_FORCE:
        short.append(
            f"force {100 * outcome.share:.0f} % of the limit that trips, "
            f"{100 * outcome.share_without:.0f} % without power"
        )
    asks = any(FAULTS[name].asks_stop for name in outcome.session.faults)
    # A drive that ignores OFF takes no torque: the nut runs free until its own watch acts, and
    # nothing of the host brakes the load before. That time is judged.
    free = asks and outcome.stopped_s <= REMOVED_S
    held = not max(outcome.without_mm_s, outcome.braked_mm_s) > END_MM_S
    if outcome.end_mm_s > END_MM_S and held and not free:
        short.append(
            f"an end met at {outcome.end_mm_s:.0f} mm/s, {outcome.without_mm_s:.0f} without power"
        )
    short += late(outcome)
    if not named(outcome):
        short.append(f"named '{label(outcome.cause)}': {outcome.text}")
    return short


def sessions(seeds: int, pairs: int, every: int = 1) -> Iterator[Session]:
    """Every fault in every behaviour under every load, ``every``-th of them; then pairs."""
    places = list(itertools.product(BEHAVIOURS, LOADS_KG))
    count = 0
    for name, seed in itertools.product(FAULTS, range(1, seeds + 1)):
        for behaviour, load in places:
            if behaviour == DE_ENERGISED and FAULTS[name].asks_stop:
                continue  # there is no power to be removed
            count += 1
            if count % every == 0:
                yield Session((name,), behaviour, load, seed)
    chance = random.Random("pairs")
    for seed in range(1, pairs + 1):
        behaviour, load = chance.choice(places)
        pair = tuple(chance.sample(list(FAULTS), 2))
        if behaviour == DE_ENERGISED and any(FAULTS[name].asks_stop for name in pair):
            behaviour = STANDBY
        yield Session(pair, behaviour, load, seed)


def parsed(text: str) -> Session:
    """A session from its name.

    Raises:
        ValueError: not 'fault + fault; behaviour; load in kg; seed', or an unknown name.
    """
    parts = [part.strip() for part in text.split(";")]
    if len(parts) != 4:
        raise ValueError(f"{text!r}: write 'fault + fault; behaviour; load in kg; seed'")
    session = Session(tuple(parts[0].split(" + ")), parts[1], float(parts[2]), int(parts[3]))
    for name in session.faults:
        if name not in FAULTS:
            raise ValueError(f"{name!r} is no fault; these are: {'; '.join(FAULTS)}")
    if session.behaviour not in BEHAVIOURS:
        raise ValueError(f"{session.behaviour!r} is no behaviour; these are: {BEHAVIOURS}")
    return session


def fell_short(path: Path) -> list[Session]:
    """Sessions that fell short in a run whose ``--json`` output ``path`` ends with.

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
    """One row of the table, by its columns."""
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
    """A row for each fault alone, one for the pairs, one for all."""
    single = [o for o in outcomes if len(o.session.faults) == 1]
    by_fault = {name: [o for o in single if o.session.faults == (name,)] for name in FAULTS}
    found = [row(name, of) for name, of in by_fault.items() if of]
    if pairs := [o for o in outcomes if len(o.session.faults) > 1]:
        found.append(row("pairs", pairs))
    return [*found, row("all", outcomes)]


def badness(outcome: Outcome) -> float:
    """Order of the worst: ends first, then force, then what lies longest."""
    excess_end = max(0.0, outcome.end_mm_s - END_MM_S) / END_MM_S
    if outcome.without_mm_s > END_MM_S:
        excess_end = 0.0
    excess = max(0.0, outcome.share - MOST_FORCE)
    if outcome.share_without > MOST_FORCE:
        excess = 0.0
    return 100 * (excess_end + excess) + outcome.false_N


def report(outcomes: list[Outcome], wall_s: float, worst: int = WORST) -> None:
    """Print the table and the worst sessions.

    ``force`` is a share of the limit that trips; in brackets: without power. ``unseen``: largest
    false force that friction carried, so that nothing on the rig could show it.
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
    parser.add_argument("--fault", help="faults whose name holds this, and no pairs")
    parser.add_argument("--session", help="one session by its name, printed in full")
    parser.add_argument("--short", metavar="FILE", type=Path, help="those short in a --json run")
    parser.add_argument("--worst", type=int, default=WORST, help="sessions listed")
    parser.add_argument("--check", action="store_true", help="exit 1 if a session falls short")
    parser.add_argument("--json", action="store_true", help="one JSON object as the last line")
    parser.add_argument("--processes", type=int, default=PROCESSES)
    options = parser.parse_args(arguments)
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
            "wall_s": wall_s,
        }
        print(json.dumps(shown | {"outcomes": [asdict(o) for o in outcomes]}))
    return 1 if short and options.check else 0


if __name__ == "__main__":
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    sys.exit(main())
