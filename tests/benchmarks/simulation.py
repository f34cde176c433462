"""Measure lockstep seconds simulated per second of computing, beside the physics alone.

A weight is lifted, floated on a constant force and pushed to and fro on a virtual spring, as tests
and a demo in lockstep do. The baseline is the same simulated drive and rig advanced at the same
rate without the bench around it.
"""

from __future__ import annotations

import cProfile
import gc
import pstats
import sys
import time

from table import Benchmark

from drivers.base import Mode, PowerRequest
from hil.bench.lockstep import LockstepBench
from hil.core.requests import Apply, Behaviour, ConstantForce, HoldPosition, PowerOn, VirtualSpring
from hil.core.samples import State
from hil.profile.devices import make_lockstep_drive
from hil.profile.loader import load_profile
from hil.profile.schema import Profile

LEAST = 5.0  # the goal; 10 is the aim
WEIGHT_KG = 2.5
BLOCK_S = 0.25


def session(profile: Profile, seconds: float) -> tuple[list[float], LockstepBench]:
    """Return seconds simulated per second, block by block, of a bench at work."""
    bench = LockstepBench(profile, seed=1)
    bench.environment.hang(WEIGHT_KG)
    bench.run(0.1)
    bench.request(PowerOn(load_supported=True))
    bench.run(0.2)
    middle = profile.actuator.stroke / 2
    parts: tuple[Behaviour, ...] = (
        HoldPosition(position_m=middle),
        ConstantForce(force_N=210.0, damping_N_s_m=600.0),
        VirtualSpring(rest_m=middle, stiffness_N_m=40e3, damping_N_s_m=900.0, bias_N=210.0),
    )
    speeds: list[float] = []
    for number, behaviour in enumerate(parts):
        bench.request(Apply(behaviour=behaviour, load_may_move=True))
        if number == 2:
            bench.environment.push(12.0, 1.0)
        for _ in range(max(1, round(seconds / len(parts) / BLOCK_S))):
            began = time.perf_counter()
            bench.run(BLOCK_S)
            speeds.append(BLOCK_S / (time.perf_counter() - began))
    return speeds, bench


def physics_alone(profile: Profile, seconds: float) -> list[float]:
    """Return the same for the simulated drive and rig without a bench."""
    drive = make_lockstep_drive(profile, 1)
    core = drive.core
    core.environment.hang(WEIGHT_KG)
    period = 1.0 / profile.control.rate
    core.request_power(PowerRequest.ON)
    core.set_target(Mode.TORQUE, 0.3)
    speeds = []
    for _ in range(max(1, round(seconds / BLOCK_S))):
        began = time.perf_counter()
        for _ in range(round(BLOCK_S / period)):
            core.advance(period)
        speeds.append(BLOCK_S / (time.perf_counter() - began))
    return speeds


def main() -> int:
    bench = Benchmark("Lockstep simulation", __doc__)
    bench.parser.add_argument("--profile", default="footplate_trainer")
    bench.parser.add_argument(
        "--hot-spots", action="store_true", help="profile the session instead, and list them"
    )
    options = bench.parse()
    profile = load_profile(options.profile)
    seconds = float(options.seconds or 12.0)
    if options.hot_spots:
        profiler = cProfile.Profile()
        profiler.runcall(session, profile, seconds)
        pstats.Stats(profiler).sort_stats("tottime").print_stats(25)
        return 0

    session(profile, 1.0)  # warm up
    gc.collect()
    # Taken in turn, so a change of the machine's speed meets both.
    with_bench: list[float] = []
    alone: list[float] = []
    for _ in range(3):
        speeds, ran = session(profile, seconds / 3)
        if ran.bench.state is not State.RUNNING:
            print(f"the session was stopped: {ran.bench.cause_text}", file=sys.stderr)
            return 1
        with_bench += speeds
        alone += physics_alone(profile, seconds / 3)

    def overall(values: list[float]) -> float:
        return len(values) / sum(1.0 / value for value in values)

    bench.samples(
        "bench and rig, 1 s of simulation", [1 / v for v in with_bench], unit="ms", scale=1e3
    )
    bench.samples("rig alone, 1 s of simulation", [1 / v for v in alone], unit="ms", scale=1e3)
    bench.ratio(
        "time of bench and rig to rig alone",
        "bench and rig, 1 s of simulation",
        "rig alone, 1 s of simulation",
        "median",
    )
    bench.figure(
        "simulated per second, bench and rig",
        overall(with_bench),
        unit="s/s",
        least=LEAST,
        baseline=f"rig alone {overall(alone):.3g} s/s",
    )
    cost = 1e6 / profile.control.rate * (1 / overall(with_bench) - 1 / overall(alone))
    bench.figure("bench without rig, a cycle", cost, unit="us")
    return bench.finish()


if __name__ == "__main__":
    raise SystemExit(main())
