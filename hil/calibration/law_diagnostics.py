"""Diagnosis of the law that a calibration found: findings and fixes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from drivers.motion import FORCE, LENGTH
from hil.calibration.diagnostics import ARM_SHARE_UNSWEPT, second_opinion
from hil.calibration.fit_models import FitError, fit_law
from hil.calibration.loads import rod_load
from hil.calibration.points import Points
from hil.calibration.result import Array, CalibrationFinding, CalibrationResult
from hil.calibration.uncertainty import table_of
from hil.control import ForceCalibration
from hil.profile import Lever

OFFSET_LEAST_N = 2.0
OFFSET_MOST_N = 60.0
OFFSET_SURE = 4.0
PAN_NEAR = 0.35
UNSETTLED_SHARE = 0.2
HIGH = 0.85  # of the limited force: range over which the law is compared with the second opinion
BEYOND_SHARE = 0.10


def judge_result(
    result: CalibrationResult, planned: int, cut_short: bool = False
) -> list[CalibrationFinding]:
    """Judge the law by its residuals.

    Args:
        result: result with the findings so far: weights and arms known to be wrong are not judged
            again through the law.
        planned: loads in one series. cut_short: a stop ended it, so missing loads are not
            reported.
    """
    found: list[CalibrationFinding] = []
    points = result.points
    sound = not any(f.severity == "error" for f in result.findings)
    if result.dead_zone_m > 0.0:
        found.append(
            CalibrationFinding(
                "no_preload",
                f"the springs give no force over {LENGTH(result.dead_zone_m):.2f}{LENGTH} about the middle: "
                "their preload is lost",
                "set the preload again, then calibrate; the law found here bridges the gap",
                "warning",
            )
        )
    elif sound:
        found += _offset(result) or _beyond(result)
    if not cut_short and all(p.direction > 0 for p in points):
        found.append(
            CalibrationFinding(
                "only_rising",
                "all loads were hung in rising order: the difference of falling loads "
                "(reversibility) is not known, and the uncertainty does not include it",
                "also take the weights off one by one and read at each, in every series",
            )
        )
    loads = {p.label for p in points}
    if not cut_short and planned and len(loads) < min(planned, 3):
        found.append(
            CalibrationFinding(
                "too_few",
                f"only {len(loads)} different loads were read",
                "hang more weights: at least three loads and no load",
            )
        )
    if not cut_short and len({p.series for p in points}) < 3:
        found.append(
            CalibrationFinding(
                "few_series",
                "fewer than three series: repeatability is based on few readings",
                "repeat with three series or more",
                "warning",
            )
        )
    loose = [i for i, p in enumerate(points) if not p.settled]
    if len(loose) > UNSETTLED_SHARE * len(points):
        found.append(
            CalibrationFinding(
                "unsettled",
                f"{len(loose)} of {len(points)} readings had not settled",
                "keep hands off the lever, make sure that weights do not swing, and repeat",
                "warning",
                tuple(loose),
            )
        )
    aside = [i for i, p in enumerate(points) if p.outlier]
    if aside:
        found.append(
            CalibrationFinding(
                "outliers",
                f"{len(aside)} of {len(points)} readings were set aside as outliers",
                "check their raw samples; repeat the series if they are real",
                "warning",
                tuple(aside),
            )
        )
    return found


def _offset(result: CalibrationResult) -> list[CalibrationFinding]:
    """Return a finding for a constant force missing or in excess at every load except no load."""
    fit = result.fit
    if fit is None or result.loads != "lever" or not isinstance(result.profile.rig, Lever):
        return []
    table = table_of(result.points)
    if not (np.any(table.load == 0.0) and len({p.label for p in result.points}) >= 4):
        return []
    loaded = (table.load > 0.0).astype(float)

    def squares(offset: float) -> float:
        try:
            moved = fit_law(_moved(table, offset * loaded), fit.law)
        except FitError:
            return float("inf")
        return float(np.sum(moved.residuals**2))

    from scipy.optimize import minimize_scalar  # slow to load

    best = minimize_scalar(
        squares, bounds=(-OFFSET_MOST_N, OFFSET_MOST_N), method="bounded", options={"xatol": 0.02}
    )
    offset, least = float(best.x), float(best.fun)
    variance = least / max(1, table.load.size - fit.coefficients.size - 1)
    bend = (squares(offset + 1.0) + squares(offset - 1.0) - 2 * least) / 2
    u = float(np.sqrt(variance / bend)) if bend > 0 else float("inf")
    own = rod_load(result.profile, 0.0, result.profile.rig.level_position, result.accuracy)
    if abs(offset) < max(OFFSET_LEAST_N, OFFSET_SURE * u, 3.0 * own.u_N):
        return []
    rig = result.profile.rig
    pan = rig.pan_mass * rig.load_arm * rig.gravity / rig.rod_arm
    forgotten = offset < 0 and abs(offset + pan) < PAN_NEAR * pan
    return [
        CalibrationFinding(
            "pan_forgotten" if forgotten else "own_weight",
            f"every load except no load is {FORCE(abs(offset)):.1f}{FORCE} "
            f"{'less' if offset < 0 else 'more'} than computed"
            + (
                f", which is the weight of the pan ({FORCE(pan):.1f}{FORCE} at the rod): it is not hung"
                if forgotten
                else ": the weight of lever and pan differs from the profile"
            ),
            "hang the pan, or write rig.pan_mass: 0 kg if there is none; then repeat"
            if forgotten
            else "weigh lever and pan at the load point, correct rig.lever_mass, rig.lever_centre "
            "and rig.pan_mass, then repeat",
        )
    ]


def _beyond(result: CalibrationResult) -> list[CalibrationFinding]:
    """Judge whether the law holds above the heaviest load, up to the force limit."""
    profile, fit, calibration = result.profile, result.fit, result.calibration
    if fit is None or calibration is None:
        return []
    law = ForceCalibration(calibration, profile.sensors.deflection)
    second = second_opinion(profile, result.sensor)
    heaviest = fit.load_range[1]
    far = HIGH * profile.limits.force.limited
    if heaviest >= far:
        return []
    step = 1.0 if calibration.deflection_per_count > 0 else -1.0
    reading = fit.reading(heaviest)
    top = 2**profile.sensors.deflection.bits
    while second(reading) < far and 0 < reading < top:
        reading += step
    by_law, by_other = law.force(law.deflection(reading)), second(reading)
    share = BEYOND_SHARE if result.sensor is not None else ARM_SHARE_UNSWEPT
    if abs(by_law - by_other) < share * by_other:
        return []
    by = "motor" if result.sensor is not None else "calibration so far"
    return [
        CalibrationFinding(
            "too_few",
            f"above the heaviest load ({FORCE(heaviest):.0f}{FORCE}) this law "
            f"({fit.law.replace('_', ' ')}) is "
            f"wrong: it gives {FORCE(by_law):.0f}{FORCE} where the {by} gives {FORCE(by_other):.0f}{FORCE}",
            f"{'press at more forces' if result.loads == 'cell' else 'hang more weights'}: one law "
            f"over the whole range needs loads up to {FORCE(far):.0f}{FORCE} or more, two of "
            "them beyond the knee",
        )
    ]


def _moved(table: Points, by: Array) -> Points:
    return replace(table, load=table.load + by)
