"""Steps of the force, the output blocked: rise and overshoot."""

from __future__ import annotations

import math

import numpy as np

from drivers.motion import FORCE
from hil.control import sine_N
from hil.core import Waveform
from hil.measure.characteristic import (
    Characteristic,
    Floats,
    RecordedRun,
    cut,
    jackknife_u95,
    mean_u95,
    windows,
)
from hil.measure.guarded import Part, apply, window
from hil.measure.loop_prediction import DesignedLoop
from hil.measure.predicted_rig import FRICTION_TRIED, half_range, stepped
from hil.profile import Profile

STEPS = 6
STEP_SHARE = 0.4  # of the amplitude for which the bandwidth is specified
STEP_S = 0.3
OVERSHOOT_KNOWN = 5.0  # of a step, in %, expanded: common practice, no source
SETTLED_SHARE = 0.2  # last part of a step's time
SPARE_S = 0.5  # of a table, beyond what is recorded


def up_and_down(
    level: float, step: float, times: int, step_s: float
) -> tuple[tuple[tuple[float, float], ...], float]:
    """Return points (s, N) of steps up and down, so many ``times``, and how long they last in s.

    Args:
        level, step: force before a step up, and the step, N.
        step_s: time at each force, s.
    """
    points = [(0.0, level)]
    for n in range(2 * times):
        before, after = (level, level + step) if n % 2 == 0 else (level + step, level)
        at = (n + 1) * step_s
        points += [(at, before), (at + 1e-6, after)]
    return tuple(points), (2 * times + 1) * step_s


def step_up_and_down(level: float, step: float) -> Part:
    """Step in one table: a change of behaviour would fade the step in."""
    points, lasts = up_and_down(level, step, STEPS, STEP_S)
    yield from apply(Waveform(shape="table", points=points, duration_s=lasts + SPARE_S))
    yield from window("steps", lasts, {"from_N": level, "to_N": level + step})


def step_figures(run: RecordedRun, loop: DesignedLoop, profile: Profile) -> list[Characteristic]:
    answers = []
    period = loop.loop.plant.period_s
    grid = np.arange(0.0, 0.9 * STEP_S, period)
    for part in windows(run, "steps"):
        time_s, force = cut(run, part, "time_s"), cut(run, part, "spring_force_N")
        setpoint = cut(run, part, "setpoint_force_N")
        low, high = part.values["from_N"], part.values["to_N"]
        for edge in np.nonzero(np.abs(np.diff(setpoint)) > 0.5 * (high - low))[0]:
            # Relative to the measured step: otherwise a calibration error within its band shifts
            # the levels, and a creeping force crosses the last one much sooner or later.
            begin, end = (
                _level(time_s, force, int(edge)),
                _level(time_s, force, int(edge), len(grid)),
            )
            share = (force - begin) / (end - begin)
            answers.append(np.interp(time_s[edge] + grid, time_s, share))
    steps = np.array(answers)
    others = [np.mean(np.delete(steps, i, axis=0), axis=0) for i in range(len(steps))]
    step = STEP_SHARE * sine_N(profile)[1]
    expected = [_predicted_step(profile, grid, factor) for factor in (1.0, *FRICTION_TRIED)]
    rises = [1e3 * rise_s(grid, answer) for answer in expected]
    overs = [100 * (float(np.max(answer)) - 1) for answer in expected]
    conditions = f"output blocked, {2 * STEPS} steps of {FORCE(step):.0f}{FORCE} up and down"
    rise = 1e3 * rise_s(grid, np.mean(steps, axis=0))
    left_out = np.array([1e3 * rise_s(grid, mean) for mean in others])
    rise_u95 = math.hypot(jackknife_u95(left_out, rise), 0.5e3 * period)
    # A count is equally coarse in each step: averaging does not reduce its error.
    count_N = abs(profile.calibration.deflection_per_count) * loop.loop.plant.stiffness
    over, over_u95 = mean_u95(100 * (peaks(steps) - 1), 200 * count_N / math.sqrt(12) / step)
    causes = "force rate limit, dry friction"
    return [
        Characteristic(
            "force_response.step_rise",
            "Rise of a force step, 10 to 90 %",
            rise,
            rise_u95,
            "ms",
            rises[0],
            half_range(rises),
            conditions=conditions,
            causes=causes,
        ),
        Characteristic(
            "force_response.step_overshoot",
            "Overshoot of a force step",
            over,
            over_u95,
            "%",
            overs[0],
            math.hypot(OVERSHOOT_KNOWN, half_range(overs)),
            conditions=conditions,
            causes=causes,
        ),
    ]


def _predicted_step(profile: Profile, grid: Floats, friction_factor: float) -> Floats:
    """Return the mean step, as a share of it, that the profile's plant makes with the bench's law.

    In the last part dry friction stops the nut, and the integral has to turn it again: a linear loop
    would rise in two thirds of the time, or in one.
    """
    level, amplitude = sine_N(profile)
    setpoints = [STEP_SHARE * amplitude * (n % 2) for n in range(2 * STEPS + 1)]
    forces = stepped(profile, level, setpoints, STEP_S, friction_factor)
    settled = round(SETTLED_SHARE * forces.shape[1])
    ends = np.mean(forces[:, -settled:], axis=1)
    before = np.column_stack((forces[:-1, -1], forces[1:]))[:, : len(grid)]
    share = (before - ends[:-1, None]) / np.diff(ends)[:, None]
    return np.asarray(np.mean(share, axis=0))


def peaks(steps: Floats) -> Floats:
    """Return the height of each step (n, samples) at the time where the other half peaks.

    At the peak of its own half, its noise would add to the height.
    """
    half = len(steps) // 2
    early, late = (int(np.argmax(np.mean(part, axis=0))) for part in (steps[:half], steps[half:]))
    return np.concatenate((steps[:half, late], steps[half:, early]))


def _level(time_s: Floats, force: Floats, edge: int, after: int = 0) -> float:
    """Return the settled force in N before an edge, or before ``after`` samples past it."""
    until_s = time_s[edge + after]
    settled = (time_s > until_s - SETTLED_SHARE * STEP_S) & (time_s <= until_s)
    return float(np.mean(force[settled]))


def rise_s(time_s: Floats, share: Floats) -> float:
    """Return the rise time from 10 to 90 %, NaN if a level is not reached.

    A level counts as crossed halfway between its first and last crossing: a noisy force that
    creeps towards it crosses it many times, and the first crossing is always too early.
    """
    times = []
    for level in (0.1, 0.9):
        up = np.nonzero((share[:-1] < level) & (share[1:] >= level))[0]
        if not len(up):
            return math.nan
        part = (level - share[up]) / (share[up + 1] - share[up])
        crossed = time_s[up] + part * (time_s[up + 1] - time_s[up])
        times.append(0.5 * float(crossed[0] + crossed[-1]))
    return times[1] - times[0]
