"""Signs of wear in the samples of a motion: friction, stiffness, zero.

The motor-derived force, less inertia and the profile's friction, is k·deflection + F·sign of
motion + a constant. In the mean over both directions friction cancels and stiffness shows, so a
motion must run in both directions and load the springs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from hil.core import INDEX, State

MOVES_M_S = 0.002  # below it friction is not sliding friction
LEAST_SAMPLES = 60  # each way
LEAST_SPREAD_M = 3e-5  # standard deviation of the deflection
OLDEST_S = 0.01  # age of a sample of the motor
RESTS_M_S = 0.0005


@dataclass(frozen=True)
class Signs:
    """Signs of wear; NaN where the motion does not show one.

    Attributes:
        friction_N: dry friction beyond the profile's, at the nut.
        stiffness_N_m: stiffness of the springs, from motor and deflection.
        zero_m: deflection at zero motor-derived force.
        noise_counts: standard deviation of the deflection reading at rest, without power.
        winding_share: highest motor heat, as a share of the permitted.
    """

    friction_N: float = math.nan
    stiffness_N_m: float = math.nan
    zero_m: float = math.nan
    noise_counts: float = math.nan
    winding_share: float = math.nan

    def as_data(self) -> dict[str, float]:
        """Return the known signs by name."""
        return {
            field.name: value
            for field in fields(self)
            if math.isfinite(value := getattr(self, field.name))
        }


def signs_of(rows: NDArray[np.float64]) -> Signs:
    """Return the signs of wear in rows (n, columns) of the link."""
    return signs_of_columns({name: rows[:, at] for name, at in INDEX.items()})


def signs_of_columns(columns: dict[str, NDArray[np.float64]]) -> Signs:
    """Return the signs of wear in columns by name, each of shape (n,)."""
    friction, stiffness, zero = _moving(columns)
    noise = _noise(columns)
    heat = columns["motor_heat"]
    known = heat[np.isfinite(heat)]
    return Signs(friction, stiffness, zero, noise, float(known.max()) if len(known) else math.nan)


def _moving(columns: dict[str, NDArray[np.float64]]) -> tuple[float, float, float]:
    speed, deflection = columns["nut_velocity_m_s"], columns["deflection_m"]
    force = columns["motor_force_N"]
    used = (
        (columns["state"] == State.RUNNING)
        & (np.abs(speed) > MOVES_M_S)
        & (columns["telemetry_age_s"] < OLDEST_S)
        & np.isfinite(force)
        & np.isfinite(deflection)
    )
    way = np.sign(speed[used])
    if min((way > 0).sum(), (way < 0).sum()) < LEAST_SAMPLES:
        return math.nan, math.nan, math.nan
    x = deflection[used]
    together = np.column_stack([x, way, np.ones(len(x))])
    solved, *_ = np.linalg.lstsq(together, force[used], rcond=None)
    # The part of the deflection that does not follow the direction determines the stiffness.
    alone = x - together[:, 1:] @ np.linalg.lstsq(together[:, 1:], x, rcond=None)[0]
    if alone.std() < LEAST_SPREAD_M or solved[0] <= 0.0:
        return float(solved[1]), math.nan, math.nan
    return float(solved[1]), float(solved[0]), float(-solved[2] / solved[0])


def _noise(columns: dict[str, NDArray[np.float64]]) -> float:
    rests = (columns["state"] == State.DE_ENERGISED) & (
        np.abs(columns["output_velocity_m_s"]) < RESTS_M_S
    )
    counts = columns["deflection_counts"][rests]
    counts = counts[np.isfinite(counts)]
    if len(counts) < LEAST_SAMPLES:
        return math.nan
    # From one sample to the next: settling loads and jumps between rests do not count.
    step = np.diff(counts)
    step = step[np.abs(step) <= 6.0 * max(float(np.median(np.abs(step))), 1.0)]
    return float(step.std() / math.sqrt(2.0))
