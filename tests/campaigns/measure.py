"""Measure rigs that differ, and hold each figure of the data sheet to the simulation's truth.

    .venv/bin/python tests/campaigns/measure.py --check

Each rig is drawn from its seed: friction, noise and spring rates off by up to a fifth. Its
calibration is that of the rig but for an error within its stated uncertainty, and so are the drive's
current, the copper and the meter of the supply. A figure is good if
its stated band covers the truth in 93 to 98 % of the rigs, as far as 50 rigs can tell: judged is by
the confidence of the share, and by the scatter of the errors where the band may be too wide.
``--quick`` tries a few rigs. ``--keep DIR`` leaves the runs there: a campaign that was cut off goes on
from them, and changed figures are made again from the same runs (``--no-runs``).
"""

from __future__ import annotations

import argparse
import contextlib
import json
import math
import multiprocessing
import random
import sys
import tempfile
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binomtest, chi2, norm

from hil.measure import TESTS, assemble, chosen, finished_runs, measure_in_lockstep
from hil.measure.force_speed import SUPPLY_OFFSET_A, SUPPLY_SHARE
from hil.measure.heat import CURRENT_SHARE, METHOD_SHARE
from hil.profile import Profile, load_profile, rig_parameters, varied_simulation

PROFILE = "footplate_trainer"
LEAST, MOST = 0.93, 0.98
DRIFT_COUNTS = 0.5  # of the deflection sensor in an hour; invented
ENOUGH = 30  # rigs of which a share can be judged


def rig(seed: int, name: str = PROFILE, drifts: bool = False) -> Profile:
    """Return a varied rig with a calibration of its own springs, off by what it states."""
    profile = varied_simulation(load_profile(name), seed)
    p = rig_parameters(profile)
    total = p.spring_rate_push_N_m + p.spring_rate_pull_N_m
    chance = random.Random(f"calibration {seed}")
    stated = profile.calibration
    scale = 1 + chance.gauss(0.0, stated.relative_uncertainty)
    law = stated.spring_law.model_copy(
        update={
            "inner_rate": scale * total,
            "outer_rate": 0.5 * scale * total,
            "knee": p.spring_preload_m,
        }
    )
    off_m = chance.gauss(0.0, stated.absolute_uncertainty) / total
    zero = stated.zero + off_m / stated.deflection_per_count
    calibration = stated.model_copy(update={"spring_law": law, "zero": zero})
    profile = profile.model_copy(update={"calibration": calibration})
    return with_meters(profile, seed, drifts)


def with_meters(profile: Profile, seed: int, drifts: bool) -> Profile:
    """Return a rig whose meters err by what the figures state for them, and copper and phases too."""
    chance = random.Random(f"meters {seed}")
    p = rig_parameters(profile)
    errors = {
        # The drive takes its current for less or more than it is.
        "drive_torque_constant_N_m_A": p.torque_constant_N_m_A
        * (1 + chance.gauss(0.0, CURRENT_SHARE / 2)),
        "winding_resistance_per_K": p.winding_resistance_per_K
        * (1 + chance.gauss(0.0, METHOD_SHARE / 2)),
        "standstill_factor": min(
            2.0, p.standstill_factor * (1 + chance.gauss(0, METHOD_SHARE / 2))
        ),
        "supply_current_gain": 1 + chance.gauss(0.0, SUPPLY_SHARE / 2),
        "supply_current_offset_A": chance.gauss(0.0, SUPPLY_OFFSET_A / 2),
    }
    if drifts:  # the other tests last too short for it
        errors["sensor_drift_counts_per_s"] = chance.gauss(0.0, DRIFT_COUNTS / 3600)
    simulation = profile.simulation
    assert simulation is not None
    actual = {**simulation.actual, **errors}
    return profile.model_copy(
        update={"simulation": simulation.model_copy(update={"actual": actual})}
    )


def measured(job: tuple[int, tuple[str, ...], Path | None, bool, str]) -> dict[str, Any]:
    seed, keys, keep, run, name = job
    profile = rig(seed, name, keys == ("drift",))
    found: dict[str, Any] = {"seed": seed, "figures": {}, "problems": [], "exact": []}
    with contextlib.ExitStack() as stack:
        if keep is None:
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        else:
            folder = keep / f"rig-{seed:03}"
        done = finished_runs(folder)
        for key in keys if run else ():
            if key in done:
                continue
            end, _ = measure_in_lockstep(profile, key, seed, folder / "runs" / key)
            if end.how != "finished":
                found["problems"].append(f"{key}: {end.text}")
        if not set(keys) & set(finished_runs(folder)):
            return found
        sheet = assemble(folder, [test for test in TESTS if test.key in keys])
    found["problems"] += [f"{t.test.key}: {t.problem}" for t in sheet.tested if t.problem]
    for c in sheet.characteristics:
        if c.covered is not None:
            found["figures"][c.name] = (c.value - c.truth) / c.u95 if c.u95 else 0.0
    for test in TESTS:
        found["exact"] += [name for name in test.truth(profile) if name in found["figures"]]
    return found


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--profile", default=PROFILE, help="shipped name or file")
    parser.add_argument("--seeds", type=int, default=50)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--only", action="append", default=[], help="test")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--quick", action="store_true", help="six rigs")
    parser.add_argument("--keep", type=Path, metavar="DIR", help="leave the runs, go on from them")
    parser.add_argument("--no-runs", action="store_true", help="figures of the kept runs alone")
    parser.add_argument("--check", action="store_true", help="exit 1 if it does not hold")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    keys = tuple(test.key for test in chosen(options.only))
    with multiprocessing.get_context("spawn").Pool(options.processes) as pool:
        seeds = range(options.first, options.first + (6 if options.quick else options.seeds))
        jobs = [(seed, keys, options.keep, not options.no_runs, options.profile) for seed in seeds]
        return _coverage(options, pool.imap(measured, jobs))


def confidence(covered: int, of: int) -> tuple[float, float]:
    """Return the shares that ``covered`` of so many rigs leave possible, at 95 %.

    Clopper and Pearson, Biometrika 26, 1934 (from memory).
    """
    found = binomtest(covered, of).proportion_ci(0.95, method="exact")
    return float(found.low), float(found.high)


def judged(errors: NDArray[np.float64], shared: bool) -> tuple[str, bool]:
    """Return what is to be said of errors in bands, and whether the band is wrong.

    Of 50 rigs all may well be covered by chance. How much too wide a band is their scatter tells:
    normal errors of 0.43 bands rms are covered in 98 %, of 0.55 in 93 %.
    """
    covered, of = int(np.sum(np.abs(errors) <= 1)), len(errors)
    if of < ENOUGH:  # no share between the two is possible: one miss may be
        return ("TOO FEW", True) if covered < of - 1 else ("", False)
    if confidence(covered, of)[1] < LEAST:
        return "TOO FEW", True
    if covered < LEAST * of:
        return "few, by chance", False
    rms_most = math.sqrt(float(np.sum(errors**2)) / chi2.ppf(0.025, of))
    if rms_most < 1 / norm.ppf(0.5 + MOST / 2):
        return ("shares its truth's scatter", False) if shared else ("WIDE", True)
    return "", False


def _coverage(options: argparse.Namespace, coming: Iterable[dict[str, Any]]) -> int:
    found = list(coming)
    errors: dict[str, list[float]] = {}
    for rig_found in found:
        for name, error in rig_found["figures"].items():
            errors.setdefault(name, []).append(error)
        for problem in rig_found["problems"]:
            print(f"rig {rig_found['seed']}: {problem}")
    wrong = []
    print(f"{'figure':36} rigs  covered  (95 % confidence)  worst  rms error/u95")
    for name, each in errors.items():
        # The scatter of the excitation is in both a figure and that of the true states.
        shared = not any(name in rig_found["exact"] for rig_found in found)
        mark, bad = judged(np.array(each), shared)
        if bad:
            wrong.append(name)
        covered = sum(abs(e) <= 1 for e in each)
        low, high = confidence(covered, len(each))
        worst, rms = max(each, key=abs), math.sqrt(float(np.mean(np.square(each))))
        print(
            f"{name:36} {len(each):4}  {100 * covered / len(each):5.0f} %  ({100 * low:.0f} to "
            f"{100 * high:.0f} %)  {worst:8.2f}  {rms:5.2f}  {mark}"
        )
    if options.json:
        print(json.dumps(found))
    return int(options.check and bool(wrong or any(r["problems"] for r in found)))


if __name__ == "__main__":
    sys.exit(main())
