"""Run healthy lockstep sessions that vary, and count the false alarms of every watch.

    .venv/bin/python tests/campaigns/healthy_sessions.py --quick --check

A session draws a rig (friction, noise and spring rate off by up to a fifth), a load, three
behaviours, late cycles, and for each behaviour a hand, a weight laid on or taken off, or a blocked
output. None of these is a fault: any stop by a watch over forces, energy or sensors is a false
alarm. Other stops, such as a weight that falls past a soft end, are counted beside them. Exits 1
with ``--check`` on a false alarm.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import random
import sys
import time
from collections import Counter
from dataclasses import dataclass

from drivers.simulated import Lateness
from hil.bench.lockstep import LockstepBench
from hil.core.limit_texts import label
from hil.core.limits import Limit
from hil.core.requests import (
    Apply,
    Behaviour,
    ConstantForce,
    Float,
    HoldPosition,
    PowerOn,
    VirtualSpring,
    Waveform,
)
from hil.core.samples import INDEX, State
from hil.profile.devices import varied_simulation
from hil.profile.following import force_following, setpoint_following
from hil.profile.loader import load_profile
from hil.profile.schema import Profile

PROFILES = ("footplate_trainer", "bench_slide")
SESSIONS, QUICK = 1000, 200
PROCESSES = 2
MOST_LATE_S = 0.005
PEAKED = (Limit.FORCE_FOLLOWING, Limit.SETPOINT_FOLLOWING, Limit.OUTPUT_ENERGY)
WATCHED = (
    *PEAKED,
    Limit.DISAGREEMENT,
    Limit.POSITION_FOLLOWING,
    Limit.MOTOR_SENSOR_FROZEN,
    Limit.SENSOR_FROZEN,
    Limit.SENSOR_JUMP,
    Limit.SENSOR_RAIL,
    Limit.TELEMETRY_AGE,
    Limit.DRIVE_FAULT,
)
PEAKS = ("force_following_N", "setpoint_following_N")
ACTS = ("nothing", "hand, sine", "hand, push", "weight", "output blocked")


@dataclass(frozen=True)
class Session:
    """Outcome of one session.

    Attributes:
        peaks: largest share of each tripped value; for energy, of the value that trips at that
            moment: a blow may bring more than each half of a swing (``OutputEnergy.most_J``).
    """

    profile: str
    seed: int
    steps: tuple[str, ...]
    peaks: tuple[float, ...]
    cause: int
    text: str


def draw_lateness(chance: random.Random, profile: Profile) -> Lateness | None:
    """Return no lateness, single late cycles, or pauses as well, all within the profile's
    tolerance."""
    most = min(profile.limits.most_cycle_late, profile.limits.telemetry_age)
    up_to = min(MOST_LATE_S, 0.8 * most)
    return chance.choice(
        (
            None,
            Lateness(0.01, up_to, device_share=0.1),
            Lateness(0.05, up_to, device_share=0.1),
            Lateness(0.02, 0.2 * most, pause_s=0.6 * most, pause_every_s=1.0),
        )
    )


def draw_behaviour(chance: random.Random, profile: Profile) -> Behaviour:
    """Return any behaviour within the travel."""
    travel = profile.limits.travel
    at = travel.lower + chance.uniform(0.2, 0.8) * (travel.upper - travel.lower)
    force = profile.limits.force.limited
    kind = chance.randrange(6)
    if kind == 0:
        return Float(damping_N_s_m=chance.choice([0.0, 50.0, 200.0]))
    if kind == 1:
        return ConstantForce(
            force_N=chance.uniform(-0.2, 0.7) * force,
            damping_N_s_m=chance.choice([0.0, 100.0, 300.0]),
        )
    if kind == 2:
        return VirtualSpring(
            rest_m=at,
            stiffness_N_m=chance.uniform(1e3, 110e3),
            damping_N_s_m=chance.uniform(0.0, 400.0),
            bias_N=chance.uniform(-0.1, 0.2) * force,
        )
    if kind == 3:
        return HoldPosition(position_m=at, speed_m_s=chance.uniform(0.02, 0.15))
    if kind == 4:
        return Waveform(
            of="rest",
            shape="sine",
            offset=at,
            amplitude=chance.uniform(0.001, 0.01),
            frequency_Hz=chance.uniform(0.2, 2.0),
            duration_s=2.0,
            stiffness_N_m=chance.uniform(1e3, 40e3),
            damping_N_s_m=chance.uniform(0.0, 200.0),
        )
    return Waveform(
        of="force",
        shape=chance.choice(["sine", "step"]),
        offset=chance.uniform(0.0, 0.3) * force,
        amplitude=chance.uniform(0.02, 0.3) * force,
        frequency_Hz=chance.uniform(0.3, 8.0),
        duration_s=2.0,
    )


def run(task: tuple[str, int]) -> Session:
    """Run one session of about 6 s."""
    name, seed = task
    chance = random.Random(seed)
    profile = varied_simulation(load_profile(name), seed)
    bench = LockstepBench(profile, seed=seed, lateness=draw_lateness(chance, profile))
    hands = bench.environment
    hands.hang(chance.choice([0.0, 0.0, 1.0, 2.5, 5.0]))
    bench.run(0.3)
    tripped = force_following(profile).tripped, setpoint_following(profile).tripped
    columns = [INDEX[column] for column in PEAKS]
    peaks = [0.0] * len(PEAKED)
    energy = bench.bench.supervisor.following.energy
    steps: list[str] = []

    def go_on(seconds: float) -> None:
        end = bench.time_s + seconds - 0.5 * bench.period_s
        while bench.time_s < end:
            bench.step()
            for i, (column, most) in enumerate(zip(columns, tripped, strict=True)):
                peaks[i] = max(peaks[i], bench.last_row[column] / most)
            peaks[-1] = max(peaks[-1], energy.energy_J / energy.most_J)

    bench.request(PowerOn(load_supported=True))
    go_on(0.2)
    travel = profile.limits.travel
    middle = 0.5 * (travel.lower + travel.upper)
    bench.request(Apply(behaviour=HoldPosition(position_m=middle, speed_m_s=0.06)))
    go_on(1.5)
    for _ in range(3):
        if bench.bench.state is State.STOPPED:
            break
        behaviour = draw_behaviour(chance, profile)
        accepted = bench.request(Apply(behaviour=behaviour)).accepted
        go_on(0.4)
        act = chance.randrange(len(ACTS))
        if act == 1:
            hands.push(chance.uniform(-30, 30), chance.uniform(0.3, 5.0))
        elif act == 2:
            hands.push(chance.uniform(-40, 40), 0.0, 0.2)
        elif act == 3:
            hands.hang(chance.choice([0.0, 1.0, 2.5, 5.0]))
        elif act == 4:
            hands.hold_output(True)
        go_on(0.7)
        hands.hold_output(False)
        go_on(0.4)
        hands.push(0.0)
        steps.append(f"{type(behaviour).__name__}{'' if accepted else ' (refused)'}, {ACTS[act]}")
    return Session(
        name, seed, tuple(steps), tuple(peaks), bench.bench.cause, bench.bench.cause_text
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--quick", action="store_true", help=f"{QUICK} sessions, not {SESSIONS}")
    parser.add_argument("--count", type=int, default=0, help="this many sessions")
    parser.add_argument(
        "--profiles", nargs="+", default=PROFILES, help="of the rigs; any source of motion"
    )
    parser.add_argument("--first", type=int, default=1, help="seed of the first")
    parser.add_argument("--check", action="store_true", help="exit 1 on a false alarm")
    parser.add_argument("--processes", type=int, default=PROCESSES)
    args = parser.parse_args()
    count = args.count or (QUICK if args.quick else SESSIONS)
    seeds = range(args.first, args.first + count)
    tasks = [(args.profiles[seed % len(args.profiles)], seed) for seed in seeds]
    started = time.monotonic()
    with multiprocessing.Pool(args.processes) as pool:
        sessions = list(pool.imap_unordered(run, tasks, chunksize=4))
    sessions.sort(key=lambda session: session.seed)
    took = time.monotonic() - started

    print(f"{'rig':<20}{'sessions':>9}{'other stops':>12}   largest share of the tripped value")
    print(" " * 41 + "   " + "".join(f"{label(limit):>20}" for limit in PEAKED))
    wrong = [s for s in sessions if s.cause in WATCHED]
    for name in args.profiles:
        of = [s for s in sessions if s.profile == name]
        if not of:
            continue
        others = sum(1 for s in of if s.cause and s.cause not in WATCHED)
        most = [max(s.peaks[i] for s in of) for i in range(len(PEAKED))]
        print(f"{name:<20}{len(of):>9}{others:>12}   " + "".join(f"{m:>20.2f}" for m in most))
    stops = Counter(label(s.cause) for s in sessions if s.cause)
    print("stops: " + (", ".join(f"{n} {what}" for what, n in stops.most_common()) or "none"))
    for s in wrong:
        print(f"FALSE ALARM {s.profile} seed {s.seed}: {'; '.join(s.steps)}: {s.text}")
    print(f"{len(wrong)} false alarms in {count} sessions, {took:.0f} s")
    return 1 if wrong and args.check else 0


if __name__ == "__main__":
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    sys.exit(main())
