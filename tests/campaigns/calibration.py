"""Calibrate 40 rigs that differ, and compare each new law with the rig's true force.

    .venv/bin/python tests/campaigns/calibration.py --check

Each rig is drawn from its seed: friction, hysteresis, noise, spring rates, preload, sensor zero and
scale as rigs of one drawing differ; arms, weights, angle, gravity and own weight within the
standard uncertainties that the calibration states for them. The procedure knows only the profile.
Check points lie at other loads and positions than the calibration's, approached from below and from
above, and also in pull, with the output clamped, where no weight ever hung. Each is one sample: the
force by the new law against the true spring force.
"""

from __future__ import annotations

import argparse
import functools
import itertools
import json
import math
import multiprocessing
import os
import random
import sys
import time
from collections.abc import Callable, Generator
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from drivers.simulated.parameters import RigParameters
from hil.bench.lockstep import LockstepBench
from hil.calibration.loads import Accuracy
from hil.calibration.result import CalibrationResult
from hil.calibration.session import Options, calibrate
from hil.calibration.settling import energise, hold_at, let_down, settle
from hil.control.calibration import ForceCalibration
from hil.core.requests import Apply, Waveform
from hil.procedures.lockstep_runner import LockstepRunner
from hil.procedures.operator import SimulatedOperator
from hil.procedures.procedure import (
    Action,
    Hand,
    Hang,
    Pause,
    Seen,
    column,
    send_requests,
    wait_until_resting,
)
from hil.profile.devices import rig_parameters, varied_simulation
from hil.profile.loader import load_profile
from hil.profile.schema import Profile

PROFILE = "footplate_trainer"
SEEDS = 40
# The profile's, and one between the two heaviest: a knee far from every load is poorly determined.
WEIGHTS_KG = (2.5, 5.0, 6.25, 7.5)
PROCESSES = 2
LEAST, MOST = 0.93, 0.98
KNEE_MM = 0.1
SENSOR_COUNTS = 1.0
CHECK_MASSES = (0.0, 1.3, 3.1, 4.2, 6.4)
CHECK_SHARES = ((0.22, 1), (0.78, 1), (0.64, -1), (0.33, -1))
CHECK_PULLS = (-60.0, -200.0, -320.0, -430.0, -540.0, -480.0, -380.0, -260.0, -130.0)
PULL_S = 1.0
MOST_ZERO_COUNTS = 30.0
SCALE, RATE, SETS_DIFFER = 0.015, 0.04, 0.007
PRELOAD_M = (0.00285, 0.0035)

Check = tuple[float, float]


@dataclass(frozen=True)
class Outcome:
    """Outcome of one rig's calibration.

    Attributes:
        inside, points: check points in the k = 2 band, and all of them.
        parted: true less read, and half the band's width, both in N, point by point.
        knee_mm: error of the knee. sensor_counts: greatest error of the sensor law.
        widest: largest error in units of the band.
    """

    seed: int
    how: str
    law: str
    inside: int
    points: int
    parted: tuple[tuple[float, float, float], ...]
    knee_mm: float
    sensor_counts: float
    widest: float
    findings: tuple[str, ...]
    rig_s: float
    wall_s: float


def drawn(seed: int, profile: str = PROFILE) -> tuple[Profile, Callable[[float], float]]:
    """Return a profile whose simulated rig differs from it, and the true mass of each weight in
    kg."""
    base = varied_simulation(load_profile(profile), seed)
    chance = random.Random(f"calibration {seed}")
    told, accuracy = rig_parameters(base), Accuracy()
    rate = 60e3 * chance.uniform(1 - RATE, 1 + RATE)
    own = chance.gauss(1.0, accuracy.own_moment)
    actual = {
        "spring_rate_push_N_m": rate * chance.gauss(1.0, SETS_DIFFER),
        "spring_rate_pull_N_m": rate * chance.gauss(1.0, SETS_DIFFER),
        "spring_preload_m": chance.uniform(*PRELOAD_M),
        "sensor_zero_counts": 2048.0 + chance.uniform(-MOST_ZERO_COUNTS, MOST_ZERO_COUNTS),
        "sensor_scale": chance.uniform(1 - SCALE, 1 + SCALE),
        "load_arm_m": told.load_arm_m + chance.gauss(0.0, accuracy.load_arm_m),
        "rod_arm_m": told.rod_arm_m + chance.gauss(0.0, accuracy.rod_arm_m),
        "lever_mass_kg": told.lever_mass_kg * own,
        "pan_mass_kg": told.pan_mass_kg * own,
        "level_position_m": told.level_position_m
        + told.rod_arm_m * chance.gauss(0.0, accuracy.angle_rad),
        "gravity_m_s2": told.gravity_m_s2 * chance.gauss(1.0, accuracy.gravity),
    }
    assert base.simulation is not None
    simulation = base.simulation.model_copy(update={"actual": base.simulation.actual | actual})
    heavier = chance.gauss(1.0, accuracy.weights)
    return base.model_copy(update={"simulation": simulation}), lambda mass: mass * heavier


class RealWeights(LockstepRunner):
    """A person who hangs the weights' true masses."""

    weighs: Callable[[float], float]

    def _hang(self, mass_kg: float) -> bool:
        return super()._hang(self.weighs(mass_kg))


def checks(profile: Profile, bench: LockstepBench) -> Generator[Action, Seen, list[Check]]:
    """Procedure that returns (true force in N, reading in counts) at each check point."""
    found: list[Check] = []
    travel = profile.limits.travel

    def look() -> Generator[Action, Seen, None]:
        yield from settle(profile)
        rows = (yield Pause(0.1)).rows
        true = bench.environment.state()["spring_force_N"]
        found.append((true, float(column(rows, "deflection_counts")[-1])))

    for mass in CHECK_MASSES:
        yield Hang(mass)
        yield from wait_until_resting(6.0)
        output = yield from energise()
        for share, approach in CHECK_SHARES:
            goal = travel.lower + share * (travel.upper - travel.lower)
            output = yield from hold_at(goal, output, approach)
            yield from look()
        yield from let_down(profile, output)
    yield Hang(0.0)
    yield from wait_until_resting(6.0)
    output = yield from energise()
    yield from hold_at(0.5 * (travel.lower + travel.upper), output, 1)
    yield Hand("hold_output", "Clamp the output.")
    for force, before in zip(CHECK_PULLS, (0.0, *CHECK_PULLS), strict=False):
        ramp = Waveform(shape="table", duration_s=60.0, points=((0.0, before), (PULL_S, force)))
        yield from send_requests([Apply(behaviour=ramp, load_may_move=True)])
        yield Pause(PULL_S)
        yield from look()
    return found


def run_seed(profile_name: str, seed: int) -> Outcome:
    began = time.perf_counter()
    profile, weighs = drawn(seed, profile_name)
    bench = LockstepBench(profile, seed)
    parameters: RigParameters = bench.drive.core.parameters
    runner = RealWeights(bench, operator=SimulatedOperator(bench.environment, parameters))
    runner.weighs = weighs
    ended = runner.run(calibrate(profile, Options(weights_kg=WEIGHTS_KG)))
    result: CalibrationResult | None = ended.value
    if result is not None and any(f.code == "on_stop" for f in result.findings):
        # This rig's motor does not lift the heaviest weight everywhere within its limit. Follow the
        # stated fix: leave that weight out, and repeat.
        ended = runner.run(calibrate(profile, Options(weights_kg=WEIGHTS_KG[:-1])))
        result = ended.value
    how = "" if ended.how == "finished" else f"{ended.how}: {ended.text}"
    codes: tuple[str, ...] = ()
    if result is not None:
        codes = tuple(f.code for f in result.findings)
        if not result.acceptable:
            how = "; ".join(f.sentence for f in result.findings) or "no law"
    parted: tuple[tuple[float, float, float], ...] = ()
    law_name, knee_mm, sensor_counts = "-", float("nan"), float("nan")
    if result is not None and result.calibration is not None and result.fit is not None:
        law = ForceCalibration(result.calibration, profile.sensors.deflection)
        law_name = result.fit.law
        knee_mm = 1e3 * abs(result.knee_m - true_knee_m(parameters))
        sensor_counts = sensor_error(parameters, law)
        checked = runner.run(checks(profile, bench))
        how = how or ("" if checked.how == "finished" else f"check {checked.how}: {checked.text}")
        parted = tuple(held_to(law, *check) for check in checked.value or ())
    inside = sum(abs(error) <= band for _, error, band in parted)
    return Outcome(
        seed,
        how,
        law_name,
        inside,
        len(parted),
        parted,
        knee_mm,
        sensor_counts,
        max((abs(error) / band for _, error, band in parted), default=float("nan")),
        codes,
        bench.time_s,
        time.perf_counter() - began,
    )


def held_to(law: ForceCalibration, true: float, counts: float) -> tuple[float, float, float]:
    read = law.force(law.deflection(counts))
    return true, read - true, law.u95(read)


def true_knee_m(p: RigParameters) -> float:
    """Return the deflection at which the set that works in pull goes slack."""
    k1, k2 = p.spring_rate_push_N_m, p.spring_rate_pull_N_m
    return 2 * p.spring_preload_m * k1 / (k1 + k2)


def sensor_error(p: RigParameters, law: ForceCalibration) -> float:
    """Return the greatest error in counts over the range of the loads, from the law's zero."""
    per_m = p.sensor_sign * math.ldexp(p.sensor_scale, int(p.sensor_bits)) / p.sensor_span_m
    reached: list[float] = np.linspace(-0.006, 0.006, 25).tolist()
    return max(
        abs(per_m * x - (law.deflection(law.zero_counts + per_m * x) * per_m)) for x in reached
    )


def shortfalls(outcome: Outcome) -> list[str]:
    """Return the violations of one rig as text."""
    short = []
    if outcome.how:
        short.append(outcome.how)
    if not outcome.knee_mm <= KNEE_MM:
        short.append(f"knee {outcome.knee_mm:.3f} mm off, more than {KNEE_MM:g}")
    if not outcome.sensor_counts <= SENSOR_COUNTS:
        short.append(f"sensor law {outcome.sensor_counts:.2f} counts off")
    return short


def row(outcome: Outcome, short: list[str]) -> str:
    bands = [band for _, _, band in outcome.parted]
    return (
        f"{outcome.seed:4} {outcome.law:10} {outcome.inside:4}/{outcome.points:<4} "
        f"{outcome.widest:6.2f} {min(bands, default=0):6.2f} {max(bands, default=0):6.2f} "
        f"{outcome.knee_mm:8.3f} {outcome.sensor_counts:8.3f} {outcome.wall_s:6.1f}  "
        f"{'; '.join(short)}"
    )


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--profile", default=PROFILE, help="of the rigs; any source of motion")
    parser.add_argument("--seeds", type=int, default=SEEDS)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--check", action="store_true", help="exit 1 naming what falls short")
    parser.add_argument("--json", action="store_true", help="one JSON object as the last line")
    options = parser.parse_args(arguments)
    began = time.perf_counter()
    print(
        "seed law        inside  widest  band N (least, most)  knee mm   counts   wall", flush=True
    )
    outcomes, short = [], {}
    seeds = range(options.first, options.first + options.seeds)
    with multiprocessing.get_context("spawn").Pool(PROCESSES, os.nice, (15,)) as pool:
        for outcome in pool.imap(functools.partial(run_seed, options.profile), seeds):
            outcomes.append(outcome)
            missing = shortfalls(outcome)
            if missing:
                short[f"seed {outcome.seed}"] = missing
            print(row(outcome, missing), flush=True)
    data = summary(outcomes, time.perf_counter() - began)
    if not LEAST <= data["share_inside"] <= MOST:
        short["all"] = [
            f"{100 * data['share_inside']:.1f} % of check points inside k = 2, wanted "
            f"{100 * LEAST:.0f} to {100 * MOST:.0f} %"
        ]
    print(
        f"{data['inside']} of {data['points']} check points inside k = 2: "
        f"{100 * data['share_inside']:.1f} %; error over band rms {data['rms']:.2f}; knee at "
        f"most {data['knee_mm']:.3f} mm off, sensor law {data['sensor_counts']:.2f} counts; "
        f"{data['wall_s']:.0f} s"
    )
    for low, high, share, count in data["by_force"]:
        print(f"  {low:4.0f} to {high:4.0f} N: {100 * share:5.1f} % of {count}")
    if options.json:
        print(json.dumps(data | {"short": short, "outcomes": [asdict(o) for o in outcomes]}))
    if options.check and short:
        for name, missing in short.items():
            print(f"short: {name}: {'; '.join(missing)}", file=sys.stderr)
        return 1
    return 0


def summary(outcomes: list[Outcome], wall_s: float) -> dict[str, Any]:
    every = np.array([point for o in outcomes for point in o.parted]).reshape(-1, 3)
    inside = np.abs(every[:, 1]) <= every[:, 2]
    edges = (-600.0, -450.0, -350.0, -250.0, -100.0, 0.0, 100.0, 250.0, 350.0, 450.0, 600.0)
    by_force = []
    for low, high in itertools.pairwise(edges):
        mine = (every[:, 0] >= low) & (every[:, 0] < high)
        if mine.any():
            by_force.append((low, high, float(inside[mine].mean()), int(mine.sum())))
    return {
        "rigs": len(outcomes),
        "points": len(every),
        "inside": int(inside.sum()),
        "share_inside": float(inside.mean()) if len(every) else 0.0,
        "rms": float(np.sqrt(np.mean((2 * every[:, 1] / every[:, 2]) ** 2))) if len(every) else 0,
        "by_force": by_force,
        "knee_mm": max((o.knee_mm for o in outcomes), default=0.0),
        "sensor_counts": max((o.sensor_counts for o in outcomes), default=0.0),
        "wall_s": wall_s,
    }


if __name__ == "__main__":
    sys.exit(main())
