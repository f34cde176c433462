"""Signs of wear that a whole run may show: bandwidth of the force loop, knee of the springs, lost motion.

Each comes from the run's own motion, and only if the run shows it: a changing force setpoint,
springs stretched past their knee, an output that is held while the force acts both ways. They
serve to compare similar runs; ``hil.measure`` gives values with their uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from hil.core import State

Floats = NDArray[np.float64]

COLUMNS = (
    "shaped_force_N",
    "spring_force_N",
    "output_position_m",
)  # in addition to those of ``Signs``
LEAST_SAMPLES = 500
MOST_SAMPLES = 20_000  # of a run: more are thinned out, which changes no fit
LEAST_SLOPE_N_S = 60.0  # root mean square of the slope of the shaped force
SLOPE_SAMPLES = 4  # to either side, of a slope
LAGS_S = (0.0005, 0.5)  # outside is not a lag of a force loop
MOVES_M_S = 0.0005
KNEES = np.linspace(0.2, 0.85, 27)  # tried, as shares of the largest deflection
LEAST_GAIN = 0.3  # of the residual squares of a straight line, the share that a knee must remove
LEAST_BEND = 0.1  # of the stiffer slope
BLOCKED_SHARE = 0.25  # of the deflection's spread: an output that moves less is held
LEAST_STRETCH_M = 1e-4  # standard deviation of the deflection
CLEAR_SHARE = 0.2  # of the largest force: below it the play is traversed


def run_signs(columns: Mapping[str, Floats]) -> dict[str, float]:
    """Return the signs that the columns of a run show, by name; each of shape (n,)."""
    running = columns["state"] == State.RUNNING
    found = {
        "bandwidth_Hz": _bandwidth(columns, running),
        "knee_m": _knee(columns, running),
        "lost_motion_m": _lost_motion(columns, running),
    }
    return {name: value for name, value in found.items() if math.isfinite(value)}


def _bandwidth(columns: Mapping[str, Floats], running: NDArray[np.bool_]) -> float:
    """Return the bandwidth in Hz of a first-order lag, by its lag at slow changes.

    The slope of the shaped force is the instrument, so force noise does not bias the result.
    """
    time, shaped, force = (columns[n] for n in ("time_s", "shaped_force_N", "spring_force_N"))
    n = SLOPE_SAMPLES
    if len(time) < LEAST_SAMPLES + 2 * n:
        return math.nan
    span = time[2 * n :] - time[: -2 * n]
    inside = slice(n, -n)
    whole = running[: -2 * n] & running[inside] & running[2 * n :]
    with np.errstate(invalid="ignore", divide="ignore"):
        slope = (shaped[2 * n :] - shaped[: -2 * n]) / span
        answer = (force[2 * n :] - force[: -2 * n]) / span
    gap = shaped[inside] - force[inside]
    used = whole & np.isfinite(slope) & np.isfinite(answer) & np.isfinite(gap)
    if used.sum() < LEAST_SAMPLES or math.sqrt(np.mean(slope[used] ** 2)) < LEAST_SLOPE_N_S:
        return math.nan
    instrument = slope[used] - slope[used].mean()
    moved = float(instrument @ answer[used])
    lag = float(instrument @ gap[used]) / moved if moved > 0.0 else math.nan
    return 1.0 / (2.0 * math.pi * lag) if LAGS_S[0] < lag < LAGS_S[1] else math.nan


def _knee(columns: Mapping[str, Floats], running: NDArray[np.bool_]) -> float:
    """Return the deflection in m at which the slope of the motor's force changes; NaN if none."""
    speed, x, force = (
        columns[name] for name in ("nut_velocity_m_s", "deflection_m", "motor_force_N")
    )
    used = running & (np.abs(speed) > MOVES_M_S) & np.isfinite(x) & np.isfinite(force)
    x, way, force = (_thinned(values[used]) for values in (x, np.sign(speed), force))
    if len(x) < LEAST_SAMPLES or min((way > 0).sum(), (way < 0).sum()) < LEAST_SAMPLES // 10:
        return math.nan
    size, sense, ones = np.abs(x), np.sign(x), np.ones(len(x))
    straight, _ = _left([x, way, ones], force)
    best, knee = straight, math.nan
    slopes = (0.0, 0.0)
    for share in KNEES:
        at = share * size.max()
        beyond = np.maximum(size - at, 0.0)
        if (beyond > 0.0).sum() < LEAST_SAMPLES // 10:
            continue
        left, solved = _left([sense * np.minimum(size, at), sense * beyond, way, ones], force)
        if left < best:
            best, knee, slopes = left, float(at), (float(solved[0]), float(solved[1]))
    stiffer = max(slopes)
    clear = straight > 0.0 and (straight - best) / straight > LEAST_GAIN
    bent = min(slopes) > 0.0 and abs(slopes[0] - slopes[1]) > LEAST_BEND * stiffer
    return knee if clear and bent else math.nan


def _lost_motion(columns: Mapping[str, Floats], running: NDArray[np.bool_]) -> float:
    """Return the nut travel in m that does not reach the springs when the force reverses."""
    x, output, force = (
        columns[name] for name in ("deflection_m", "output_position_m", "spring_force_N")
    )
    used = running & np.isfinite(x) & np.isfinite(output) & np.isfinite(force)
    x, output, force = (_thinned(values[used]) for values in (x, output, force))
    if len(x) < LEAST_SAMPLES or x.std() < LEAST_STRETCH_M:
        return math.nan
    if output.std() > BLOCKED_SHARE * x.std():
        return math.nan
    # The output's position is the nut's less the deflection: held, it moves only by play and
    # compliance.
    clear = np.abs(force) > CLEAR_SHARE * np.abs(force).max()
    sense = np.sign(force[clear])
    if min((sense > 0).sum(), (sense < 0).sum()) < LEAST_SAMPLES // 10:
        return math.nan
    _, solved = _left([sense, force[clear], np.ones(len(sense))], output[clear])
    return max(0.0, 2.0 * float(solved[0]))


def _left(parts: list[Floats], values: Floats) -> tuple[float, Floats]:
    """Return the residual sum of squares of a fit, and its coefficients."""
    together = np.column_stack(parts)
    solved, *_ = np.linalg.lstsq(together, values, rcond=None)
    rest = values - together @ solved
    return float(rest @ rest), np.asarray(solved, dtype=np.float64)


def _thinned(values: Floats) -> Floats:
    return values[:: max(1, -(-len(values) // MOST_SAMPLES))]
