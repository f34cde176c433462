"""Measure varied rigs, and compare each figure of the data sheet with the simulation's truth.

    .venv/bin/python tests/campaigns/measure.py --check

Each rig is drawn from its seed: friction, noise and spring rates off by up to a fifth. Calibration,
drive current, copper resistance and supply meter err within their stated uncertainties. A figure is
good if its stated band covers the truth in 93 to 98 % of the rigs, as far as 50 rigs can show: the
judge uses the confidence interval of the share, and the scatter of the errors where the band may be
too wide. ``--quick`` tries a few rigs. ``--keep DIR`` keeps the runs and a line of figures for each
rig and test: an interrupted campaign continues from them (``--table`` prints the results so far),
and changed figures are computed again from the same runs (``--no-runs``). ``--into FILE`` writes the
table as JSON into FILE, in which the figures of other tests stay: the manual's is
``tests/ui/manual/measured/measure.json``.
"""

from __future__ import annotations

import argparse
import contextlib
import datetime
import json
import math
import multiprocessing
import random
import sys
import tempfile
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parent.parent / "benchmarks"))
from table import machine

from hil.measure import assemble, chosen, finished_runs, measure_in_lockstep
from hil.measure.characteristic import TORQUE_SHARE
from hil.measure.force_speed import SUPPLY_OFFSET_A, SUPPLY_SHARE
from hil.measure.heat import METHOD_SHARE
from hil.profile import Profile, load_profile, rig_parameters, varied_simulation

PROFILE = "footplate_trainer"
LEAST, MOST = 0.93, 0.98
DRIFT_COUNTS = 0.5  # of the deflection sensor in an hour; invented
LINES = "figures.jsonl"  # one line for each rig and test
ENOUGH = 30  # rigs needed to judge a share


def rig(seed: int, name: str = PROFILE, drifts: bool = False) -> Profile:
    """Return a varied rig with a calibration of its own springs, in error within its stated
    uncertainty."""
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
    """Return a rig whose meters, copper and phases err within their stated uncertainties."""
    chance = random.Random(f"meters {seed}")
    p = rig_parameters(profile)
    errors = {
        # The drive reads its current too low or too high.
        "drive_torque_constant_N_m_A": p.torque_constant_N_m_A
        * (1 + chance.gauss(0.0, TORQUE_SHARE / 2)),
        "winding_resistance_per_K": p.winding_resistance_per_K
        * (1 + chance.gauss(0.0, METHOD_SHARE / 2)),
        "standstill_factor": min(
            2.0, p.standstill_factor * (1 + chance.gauss(0, METHOD_SHARE / 2))
        ),
        "supply_current_gain": 1 + chance.gauss(0.0, SUPPLY_SHARE / 2),
        "supply_current_offset_A": chance.gauss(0.0, SUPPLY_OFFSET_A / 2),
    }
    if drifts:  # the other tests are too short for it
        errors["sensor_drift_counts_per_s"] = chance.gauss(0.0, DRIFT_COUNTS / 3600)
    simulation = profile.simulation
    assert simulation is not None
    actual = {**simulation.actual, **errors}
    return profile.model_copy(
        update={"simulation": simulation.model_copy(update={"actual": actual})}
    )


def measured(job: tuple[int, str, Path | None, bool, str]) -> dict[str, Any]:
    """Run one test on one rig, or take its kept run, and return its figures with their truth."""
    seed, key, keep, run, name = job
    profile = rig(seed, name, key == "drift")
    (test,) = chosen([key])
    found: dict[str, Any] = {"seed": seed, "test": key, "figures": {}, "problems": [], "exact": []}
    with contextlib.ExitStack() as stack:
        if keep is None:
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        else:
            folder = keep / f"rig-{seed:03}"
        if run and key not in finished_runs(folder):
            end, _ = measure_in_lockstep(profile, key, seed, folder / "runs" / key)
            if end.how != "finished":
                found["problems"].append(f"{key}: {end.text}")
        if key not in finished_runs(folder):
            return found
        sheet = assemble(folder, [test])
    found["problems"] += [f"{t.test.key}: {t.problem}" for t in sheet.tested if t.problem]
    for c in sheet.characteristics:
        if c.covered is not None:
            found["figures"][c.name] = {"value": c.value, "u95": c.u95, "truth": c.truth}
    found["exact"] = [name for name in test.truth(profile) if name in found["figures"]]
    return found


def kept(keep: Path | None) -> list[dict[str, Any]]:
    """Return the results of an interrupted campaign; an incomplete line is left out."""
    if keep is None or not (keep / LINES).exists():
        return []
    whole = (keep / LINES).read_bytes().rpartition(b"\n")[0]
    return [json.loads(line) for line in whole.splitlines()]


def go_on(options: argparse.Namespace, keys: tuple[str, ...]) -> list[dict[str, Any]]:
    """Measure the rigs one after the other, and keep each test's figures as soon as they come."""
    seeds = range(options.first, options.first + (6 if options.quick else options.seeds))
    found = kept(options.keep)
    if options.no_runs:  # computed again
        found = [each for each in found if each["seed"] not in seeds or each["test"] not in keys]
    done = {(each["seed"], each["test"]) for each in found}
    jobs = [
        (seed, key, options.keep, not options.no_runs, options.profile)
        for seed in seeds
        for key in keys
        if (seed, key) not in done
    ]
    with contextlib.ExitStack() as stack:
        # A pool of multiprocessing waits forever for a worker that has died.
        spawn = multiprocessing.get_context("spawn")
        pool = stack.enter_context(ProcessPoolExecutor(options.processes, spawn))
        lines = None
        if options.keep is not None:
            options.keep.mkdir(parents=True, exist_ok=True)
            lines = stack.enter_context((options.keep / LINES).open("w"))
            lines.writelines(json.dumps(each) + "\n" for each in found)
        for each in pool.map(measured, jobs):
            found.append(each)
            if lines is not None:
                lines.write(json.dumps(each) + "\n")
                lines.flush()
    return [each for each in found if each["seed"] in seeds and each["test"] in keys]


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
    parser.add_argument("--table", action="store_true", help="what is kept so far, nothing is run")
    parser.add_argument("--into", type=Path, metavar="FILE", help="write the table into this JSON")
    parser.add_argument("--check", action="store_true", help="exit 1 if it does not hold")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    keys = tuple(test.key for test in chosen(options.only))
    return _coverage(options, kept(options.keep) if options.table else go_on(options, keys))


def confidence(covered: int, of: int) -> tuple[float, float]:
    """Return the 95 % confidence interval of the share, from ``covered`` of so many rigs.

    Clopper and Pearson, Biometrika 26, 1934 (from memory).
    """
    from scipy.stats import binomtest  # slow to load

    found = binomtest(covered, of).proportion_ci(0.95, method="exact")
    return float(found.low), float(found.high)


def judged(errors: NDArray[np.float64], shared: bool) -> tuple[str, bool]:
    """Return the remark on errors in bands, and whether the band is wrong.

    All of 50 rigs may well be covered by chance. The scatter shows how much too wide a band is:
    normal errors of 0.43 bands rms are covered in 98 %, of 0.55 in 93 %.
    """
    from scipy.stats import chi2, norm  # slow to load

    covered, of = int(np.sum(np.abs(errors) <= 1)), len(errors)
    if of < ENOUGH:  # no share of so few rigs lies between the two: one miss is permitted
        return ("TOO FEW", True) if covered < of - 1 else ("", False)
    if confidence(covered, of)[1] < LEAST:
        return "TOO FEW", True
    if covered < LEAST * of:
        return "few, by chance", False
    rms_most = math.sqrt(float(np.sum(errors**2)) / chi2.ppf(0.025, of))
    if rms_most < 1 / norm.ppf(0.5 + MOST / 2):
        return ("shares its truth's scatter", False) if shared else ("WIDE", True)
    return "", False


def errors_in_bands(found: Iterable[dict[str, Any]]) -> dict[str, list[float]]:
    """Return the error of each figure of each rig over its stated band, by the figure's name."""
    errors: dict[str, list[float]] = {}
    for each in found:
        for name, c in each["figures"].items():
            error = (c["value"] - c["truth"]) / c["u95"] if c["u95"] else 0.0
            errors.setdefault(name, []).append(error)
    return errors


def coverage_rows(found: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return one row for each figure: rigs, how many its band covers, worst error, verdict."""
    exact = {name for each in found for name in each["exact"]}
    rows = []
    for name, errors in errors_in_bands(found).items():
        # The scatter of the excitation is in both a figure and that of the true states.
        mark, bad = judged(np.array(errors), name not in exact)
        covered = int(sum(abs(e) <= 1 for e in errors))
        low, high = confidence(covered, len(errors))
        worst = max(errors, key=abs)
        rows.append(
            {
                "figure": name,
                "truth": "formula" if name in exact else "true states",
                "rigs": len(errors),
                "covered": covered,
                "covered_%": round(100 * covered / len(errors)),
                "confidence_95": f"{100 * low:.0f} to {100 * high:.0f} %",
                "worst": round(float(worst), 2),
                "rms": round(math.sqrt(float(np.mean(np.square(errors)))), 2),
                "verdict": mark,
                "bad": bad,
            }
        )
    return rows


def merged(before: list[dict[str, Any]], rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the rows before, those of the same figure replaced, and the new ones at the end."""
    left = {row["figure"]: row for row in rows}
    return [left.pop(row["figure"], row) for row in before] + list(left.values())


def _coverage(options: argparse.Namespace, found: list[dict[str, Any]]) -> int:
    for each in found:
        for problem in each["problems"]:
            print(f"rig {each['seed']}: {problem}")
    rows = coverage_rows(found)
    print(f"{'figure':36} rigs  covered  (95 % confidence)  worst  rms error/u95")
    for row in rows:
        print(
            f"{row['figure']:36} {row['rigs']:4}  {row['covered_%']:5} %  ({row['confidence_95']})  "
            f"{row['worst']:8.2f}  {row['rms']:5.2f}  {row['verdict']}"
        )
    problems = [f"rig {each['seed']}: {text}" for each in found for text in each["problems"]]
    if options.json or options.into:
        today = datetime.date.today().isoformat()
        kept = {
            "date": today,
            "machine": machine(),
            "profile": options.profile,
            "rigs": len({each["seed"] for each in found}),
            "table": rows,
            "problems": problems,
        }
        if options.into:
            if options.into.exists():
                before = json.loads(options.into.read_text(encoding="utf-8"))
                kept["table"] = merged(before["table"], rows)
                kept["rigs"] = max(kept["rigs"], before["rigs"])
            text = json.dumps(kept, indent=1, ensure_ascii=False)
            options.into.write_text(text + "\n", encoding="utf-8")
        else:
            print(json.dumps(kept, ensure_ascii=False))
    return int(options.check and bool(problems or any(row["bad"] for row in rows)))


if __name__ == "__main__":
    sys.exit(main())
