"""A finished calibration session made up from a law, without a rig."""

from __future__ import annotations

import numpy as np

from hil.calibration.figures import merit
from hil.calibration.fit_models import fit_law
from hil.calibration.loads import Accuracy, RodLoad, rod_load
from hil.calibration.points import Points
from hil.calibration.result import Budget, CalibrationFinding, CalibrationPoint, CalibrationResult
from hil.control.calibration import ForceCalibration
from hil.core.samples import COLUMNS, INDEX
from hil.profile.loader import load_profile
from hil.profile.schema import TwoSlopes

PROFILE = load_profile("footplate_trainer")
LAW = ForceCalibration(PROFILE.calibration, PROFILE.sensors.deflection)
PER_COUNT = PROFILE.calibration.deflection_per_count
LOADS = (None, 0.0, 2.5, 5.0, 7.5)  # kg; None: the lever is held up


def made_up(
    seed: int = 1,
    zero: float = 2040.0,
    stiffer: float = 1.0,
    findings: tuple[CalibrationFinding, ...] = (),
    raw: bool = True,
) -> CalibrationResult:
    """Return three series up and down, with some hysteresis and noise in the readings."""
    rng = np.random.default_rng(seed)
    points: list[CalibrationPoint] = []
    for series in (1, 2, 3):
        for direction in (1, -1):
            for hung in LOADS[::direction]:
                for approach in (1, -1):
                    mass = hung or 0.0
                    load = rod_load(PROFILE, mass, 0.02)
                    if hung is None:
                        load = RodLoad(0.0, dict.fromkeys(load.parts, 0.0))
                    counts = zero + LAW.deflection_for(load.force_N / stiffer) / PER_COUNT
                    counts += -1.5 * direction + rng.normal(0, 0.2)
                    rows = np.zeros((20 if raw else 0, len(COLUMNS)))
                    rows[:, INDEX["deflection_counts"]] = counts
                    rows[:, INDEX["supply_V"]] = 36.0
                    rows[:, INDEX["drive_temperature_degC"]] = np.nan
                    points.append(
                        CalibrationPoint(
                            "no load" if hung is None else f"{mass:g} kg",
                            mass,
                            load.force_N,
                            load.u_N,
                            load.parts,
                            counts,
                            0.8,
                            400,
                            series,
                            1 if direction > 0 else -1,
                            1 if approach > 0 else -1,
                            1,
                            0.02,
                            load.force_N + 9.0 * approach,
                            rows=rows,
                        )
                    )
    load_N = np.array([p.load_N for p in points])
    reading = np.array([p.reading_counts for p in points])
    table = Points(
        load_N,
        reading,
        series=np.array([p.series for p in points]),
        direction=np.array([p.direction for p in points]),
    )
    fit = fit_law(table, "cubic")
    law = PROFILE.calibration.spring_law
    assert isinstance(law, TwoSlopes)
    grid = np.linspace(0.0, 600.0, 13)
    parts = {"fit": 0.5 + 0.0 * grid, "weights_and_arms": 0.002 * grid}
    budget = Budget(grid, parts, np.hypot(parts["fit"], parts["weights_and_arms"]))
    calibration = PROFILE.calibration.model_copy(
        update={
            "zero": zero,
            "spring_law": law.model_copy(
                update={
                    "inner_rate": law.inner_rate * stiffer,
                    "outer_rate": law.outer_rate * stiffer,
                }
            ),
            "uncertainty_table": budget.table,
            "dated": "",
        }
    )
    return CalibrationResult(
        PROFILE,
        Accuracy(),
        (2.5, 5.0, 7.5),
        tuple(points),
        None,
        fit,
        {"cubic": fit},
        merit(table, fit),
        budget,
        calibration,
        law.knee,
        2e-5,
        0.0,
        findings,
    )
