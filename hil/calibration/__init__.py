"""Turn sensor counts into newtons: plan, sweep, fit, uncertainty, file, certificate."""

from hil.calibration.archive import keep_calibration
from hil.calibration.calibration_file import (
    FOLDER,
    CalibrationFile,
    CalibrationFileError,
    check_belongs,
    check_samples,
    list_calibrations,
    load_calibration,
)
from hil.calibration.comparison import Comparison, compare
from hil.calibration.drift import (
    NO_LOAD,
    NO_LOAD_S,
    DriftWarning,
    DriftWatch,
    age_warning,
    run_warnings,
)
from hil.calibration.evaluation import evaluate
from hil.calibration.fit_models import LAWS, Fit, FitError, choose_law, fit_law
from hil.calibration.loads import KINDS, Accuracy, Kind, kind_of_loads
from hil.calibration.points import Points, PointsError, read_points
from hil.calibration.profile_part import use_in_profile
from hil.calibration.result import (
    Budget,
    CalibrationFinding,
    CalibrationPoint,
    CalibrationResult,
    SensorLaw,
)
from hil.calibration.session import Options, PlannedLoad, Progress, calibrate, planned_loads
from hil.calibration.settling import SCATTER, SLOPE_COUNTS_S, noise_counts
from hil.calibration.uncertainty import table_of

__all__ = [
    "FOLDER",
    "KINDS",
    "LAWS",
    "NO_LOAD",
    "NO_LOAD_S",
    "SCATTER",
    "SLOPE_COUNTS_S",
    "Accuracy",
    "Budget",
    "CalibrationFile",
    "CalibrationFileError",
    "CalibrationFinding",
    "CalibrationPoint",
    "CalibrationResult",
    "Comparison",
    "DriftWarning",
    "DriftWatch",
    "Fit",
    "FitError",
    "Kind",
    "Options",
    "PlannedLoad",
    "Points",
    "PointsError",
    "Progress",
    "SensorLaw",
    "age_warning",
    "calibrate",
    "check_belongs",
    "check_samples",
    "choose_law",
    "compare",
    "evaluate",
    "fit_law",
    "keep_calibration",
    "kind_of_loads",
    "list_calibrations",
    "load_calibration",
    "noise_counts",
    "planned_loads",
    "read_points",
    "run_warnings",
    "table_of",
    "use_in_profile",
]
