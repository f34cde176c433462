"""Comparison of two calibrations of one rig."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hil.calibration.calibration_file import CalibrationFile, CalibrationFileError
from hil.control import ForceCalibration

LOOKS = 41
SOLVE_STEPS = 60
Array = NDArray[np.float64]


@dataclass(frozen=True)
class Comparison:
    """Difference of two calibrations at the readings where the first gives ``force_N``.

    Attributes:
        force_N: shape (n,), by the first, over the range common to both.
        difference_N: shape (n,), second minus first, at the same sensor reading.
        u_N: shape (n,), standard uncertainty of both together, treated as independent. Shared
            inputs (weights, arms) count twice, so it is an overestimate.
        zero_counts: second zero minus first.
        zero_N: the same as a force.
        apart: largest difference in units of the expanded uncertainty (k = 2) there.
    """

    force_N: Array
    difference_N: Array
    u_N: Array
    zero_counts: float
    zero_N: float
    apart: float

    @property
    def agree(self) -> bool:
        """True if the difference stays within k = 2 everywhere."""
        return self.apart <= 1.0

    def as_data(self) -> dict[str, Any]:
        return {
            "force_N": self.force_N.tolist(),
            "difference_N": self.difference_N.tolist(),
            "u_N": self.u_N.tolist(),
            "zero_counts": self.zero_counts,
            "zero_N": self.zero_N,
            "apart": self.apart,
            "agree": self.agree,
        }


def compare(a: CalibrationFile, b: CalibrationFile) -> Comparison:
    """Compare ``b`` with ``a``, force by force.

    Raises:
        CalibrationFileError: of two rigs, or without a common range.
    """
    one, other = a.content.profile, b.content.profile
    if one.name != other.name or one.facts["sensors"] != other.facts["sensors"]:
        raise CalibrationFileError(
            f"'{a.path}' belongs to '{one.name}' and '{b.path}' to '{other.name}', or its sensor "
            "was changed: their readings cannot be compared; name two of one rig"
        )
    first, second = a.law, b.law
    low = max(file.range_N[0] for file in (a, b))
    high = min(file.range_N[1] for file in (a, b))
    if not low < high:
        raise CalibrationFileError(
            f"'{a.path}' and '{b.path}' have no common range of force; name two that overlap"
        )
    forces = np.linspace(low, high, LOOKS)
    there = np.array([second.force(second.deflection(counts_for(first, f))) for f in forces])
    u = np.array([np.hypot(first.u95(f), second.u95(f)) / 2 for f in forces])
    difference = there - forces
    zero = second.zero_counts - first.zero_counts
    with np.errstate(divide="ignore", invalid="ignore"):
        apart = np.where(difference == 0.0, 0.0, np.abs(difference) / (2 * u))
    return Comparison(
        forces,
        difference,
        u,
        zero,
        first.force(first.deflection(second.zero_counts)),
        float(apart.max()),
    )


def counts_for(law: ForceCalibration, force_N: float) -> float:
    """Return the sensor reading in counts at which the law gives ``force_N``."""
    wanted = law.deflection_for(force_N)
    span = 1.5 * abs(wanted / law.per_count) + 1.0
    low, high = law.zero_counts - span, law.zero_counts + span
    # A sensor table may depart from its slope at zero: widen until the deflection is inside.
    for _ in range(SOLVE_STEPS):
        ends = law.deflection(low), law.deflection(high)
        if min(ends) <= wanted <= max(ends):
            break
        low, high = low - span, high + span
        span *= 2
    rising = law.deflection(high) > law.deflection(low)
    for _ in range(SOLVE_STEPS):
        middle = 0.5 * (low + high)
        if (law.deflection(middle) < wanted) == rising:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
