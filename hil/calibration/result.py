"""Result of a guided calibration: points with their raw samples, laws, budget, findings."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from drivers.motion import in_words
from hil.calibration.figures import Merit
from hil.calibration.fit_models import Fit
from hil.calibration.loads import Accuracy, Kind
from hil.profile import Calibration, Profile

Array = NDArray[np.float64]
NO_LOAD_SHARE = 0.005  # of the largest load


@dataclass(frozen=True, eq=False)
class CalibrationPoint:
    """One settled reading under one known load.

    Attributes:
        label: label of the load, as shown to the operator: "no load", "2.5 kg", "press 60 N".
        mass_kg: hung. load_N: static force on the rod, + pushes it in.
        u_load_N: standard uncertainty of the load.
        parts: as ``RodLoad.parts``; each acts on all points of a calibration together.
        reading_counts, sd_counts, n: mean, scatter and number of the samples.
        series: number from 1. direction: +1 loads rising, −1 falling.
        approach: +1 came to rest from below (rod extending), −1 from above.
        mounting: number from 1; a new one begins when everything was taken off and put on again.
        output_position_m: position at which it was held.
        motor_force_N: mean of the force by motor torque, friction included.
        settled: slope and scatter had settled in time.
        outlier: set aside by the robust test of its own series; not used for the law.
        rows: the samples, shape (n, len(COLUMNS)).
        wanted_m: setpoint of the output position.
    """

    label: str
    mass_kg: float
    load_N: float
    u_load_N: float
    parts: Mapping[str, float]
    reading_counts: float
    sd_counts: float
    n: int
    series: int
    direction: Literal[-1, 1]
    approach: Literal[-1, 1]
    mounting: int
    output_position_m: float
    motor_force_N: float
    settled: bool = True
    outlier: bool = False
    rows: Array = field(default_factory=lambda: np.empty((0, 0)), repr=False)
    wanted_m: float = math.nan


def unloaded(points: Sequence[CalibrationPoint]) -> NDArray[np.bool_]:
    """Return the mask of the points that were read under no load, shape (n,).

    An unloaded load cell still reads a little.
    """
    loads = np.array([abs(point.load_N) for point in points])
    found: NDArray[np.bool_] = loads <= NO_LOAD_SHARE * loads.max(initial=0.0)
    return found


@dataclass(frozen=True, eq=False)
class SensorLaw:
    """Counts → deflection, against nut travel while the output was held.

    Attributes:
        kind: ``linear`` or ``table``. per_count_m: signed slope through all points.
        u_per_count_m: its standard uncertainty.
        table: (counts from zero, deflection in mm), empty if linear.
        counts, deflection_m: the points, shape (n,). residual_counts: shape (n,).
        motor_force_N: shape (n,), mean of out and back, friction cancelled.
    """

    kind: Literal["linear", "table"]
    per_count_m: float
    u_per_count_m: float
    table: tuple[tuple[float, float], ...]
    counts: Array
    deflection_m: Array
    residual_counts: Array
    motor_force_N: Array


@dataclass(frozen=True, eq=False)
class Budget:
    """Standard uncertainty of force and its components.

    Attributes:
        force_N: shape (m,). components: name → shape (m,), standard uncertainty in N.
        u_N: shape (m,); 2·u is the half width that contains the true force in 95 of 100 cases.
    """

    force_N: Array
    components: Mapping[str, Array]
    u_N: Array

    @property
    def table(self) -> tuple[tuple[float, float], ...]:
        """Rows of (force, standard uncertainty) in N, in the profile's form."""
        return tuple(zip(self.force_N.tolist(), self.u_N.tolist(), strict=True))


@dataclass(frozen=True)
class CalibrationFinding:
    """One finding of a calibration.

    Attributes:
        code: short name. sentence: what is wrong. fix: what to do.
        severity: ``error`` forbids accepting the calibration.
        points: indices into ``CalibrationResult.points`` that show it.
    """

    code: str
    sentence: str
    fix: str
    severity: Literal["error", "warning"] = "error"
    points: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "sentence", in_words(self.sentence))
        object.__setattr__(self, "fix", in_words(self.fix))


@dataclass(frozen=True, eq=False)
class CalibrationResult:
    """A whole calibration, to be accepted or discarded.

    Attributes:
        points: points in the order in which they were taken, outliers included.
        sensor: None if the output was not held. fit: the chosen law, reading against load.
        fits: all laws that could be fitted, by name.
        calibration: ready for the profile, without date and identity; None if no law was found.
        knee_m, u_knee_m: deflection at the knee, NaN without one. dead_zone_m: whole width in
            which springs give no force, 0 if none.
        findings: empty if nothing is wrong.
        loads: their kind.
    """

    profile: Profile
    accuracy: Accuracy
    weights_kg: tuple[float, ...]
    points: tuple[CalibrationPoint, ...]
    sensor: SensorLaw | None
    fit: Fit | None
    fits: Mapping[str, Fit]
    merit: Merit | None
    budget: Budget | None
    calibration: Calibration | None
    knee_m: float
    u_knee_m: float
    dead_zone_m: float
    findings: tuple[CalibrationFinding, ...]
    loads: Kind = "lever"

    @property
    def acceptable(self) -> bool:
        """True if a law was found and no finding forbids its use."""
        return self.calibration is not None and all(f.severity != "error" for f in self.findings)
