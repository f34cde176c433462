"""Parts of a procedure that hold a load at a position and wait until the reading settles."""

from __future__ import annotations

from collections.abc import Callable, Generator

import numpy as np

from hil.calibration.result import Array
from hil.core import Apply, HoldPosition, PowerOff, PowerOn, State
from hil.procedures import (
    Action,
    Ask,
    Pause,
    ProcedureFailed,
    Seen,
    column,
    send_requests,
    wait_for_state,
    wait_until_resting,
)
from hil.profile import Profile

WINDOW_S = 0.25
LONGEST_SETTLING_S = 4.0
SLOPE_COUNTS_S = 12.0
SCATTER = 2.5  # of the sensor's noise
MOVED_COUNTS = 2.0  # from one window to the next
NOISE_LEAST_COUNTS = 0.6
ABOVE_M = 0.003  # distance above a position from which it is approached
THERE_M = 0.001
STILL_M = 0.0001  # less motion than this in one window is standstill
LATE_S = 5.0
REST_M = 0.001  # inside the soft end: position from which the lever is let down
RESTS_WITHIN_S = 8.0
SINKS_S = 60.0  # longest wait for a load that shorted windings or friction let down slowly
CREEP_S, CREEP_M = 0.3, 1e-5  # more motion than this in this time is creep
SPEED_M_S = 0.03
FULLEST = 1.875  # peak over mean speed of a move that starts and ends smoothly


def energise() -> Generator[Action, Seen, float]:
    """Power on; return the output position in m.

    Raises:
        ProcedureFailed: refused, with the host's reason.
    """
    yield from _stands()
    waited = 0.0
    while True:
        seen = yield Ask(PowerOn(load_supported=True, measures_law=True))
        if seen.accepted:
            break
        if waited >= RESTS_WITHIN_S:
            raise ProcedureFailed(f"power was refused: {seen.text}")
        yield Pause(0.1)  # it still sinks, or swings after manual actions
        waited += 0.1
    yield from wait_for_state(State.STANDBY)
    seen = yield Pause(0.02)
    return float(column(seen.rows, "output_position_m")[-1])


def _stands() -> Generator[Action, Seen, None]:
    """Wait until nothing creeps.

    In Standby no shorted winding brakes: a creeping load would fall past its soft end before it
    is held.
    """
    waited = 0.0
    while waited < SINKS_S:
        seen = yield Pause(CREEP_S)
        waited += CREEP_S
        nut = column(seen.rows, "nut_position_m")
        if nut.size > 1 and abs(nut[-1] - nut[0]) < CREEP_M:
            return


def hold_at(
    goal_m: float, from_m: float, approach: int, speed_m_s: float = SPEED_M_S
) -> Generator[Action, Seen, float]:
    """Move to ``goal_m``, for ``approach`` −1 from above; return the output position then."""
    if approach < 0 and from_m < goal_m + ABOVE_M / 2:
        from_m = yield from _move(goal_m + ABOVE_M, from_m, speed_m_s)
    return (yield from _move(goal_m, from_m, speed_m_s))


def _move(goal_m: float, from_m: float, speed_m_s: float) -> Generator[Action, Seen, float]:
    yield from send_requests(
        [Apply(behaviour=HoldPosition(position_m=goal_m, speed_m_s=speed_m_s))]
    )
    seen = yield Pause(max(0.2, FULLEST * abs(goal_m - from_m) / speed_m_s))
    output = float(column(seen.rows, "output_position_m")[-1])
    waited = 0.0
    while abs(output - goal_m) > THERE_M and waited < LATE_S:
        # A limit may hold a heavy load back; without motion it will not arrive.
        before = output
        seen = yield Pause(WINDOW_S)
        waited += WINDOW_S
        output = float(column(seen.rows, "output_position_m")[-1])
        if abs(output - before) < STILL_M:
            break
    return output


def let_down(
    profile: Profile, from_m: float, speed_m_s: float = SPEED_M_S
) -> Generator[Action, Seen, None]:
    """Lower the output to just inside its soft end, power off, wait until it rests."""
    low = profile.limits.travel.lower + REST_M
    if from_m > low + REST_M:
        yield from _move(low, from_m, speed_m_s)
    yield Ask(PowerOff())
    yield from wait_until_resting(SINKS_S)


def settle(
    profile: Profile, tell: Callable[[float, float], None] = lambda _slope, _scatter: None
) -> Generator[Action, Seen, bool]:
    """Wait until the reading settles; return False if it did not in time.

    Args:
        tell: takes slope in counts/s and scatter in counts of each window.
    """
    noise = noise_counts(profile)
    before, waited = float("nan"), 0.0
    while waited < LONGEST_SETTLING_S:
        seen = yield Pause(WINDOW_S)
        waited += WINDOW_S
        slope, scatter, mean = trend(seen.rows)
        tell(slope, scatter)
        if (
            abs(slope) < SLOPE_COUNTS_S
            and scatter < SCATTER * noise
            and abs(mean - before) < MOVED_COUNTS
        ):
            return True
        before = mean
    return False


def noise_counts(profile: Profile) -> float:
    """Return the sensor's scatter stated in the profile, but at least ``NOISE_LEAST_COUNTS``."""
    return max(profile.sensors.deflection.noise, NOISE_LEAST_COUNTS)


def trend(rows: Array) -> tuple[float, float, float]:
    """Return (slope in counts/s, scatter about it in counts, mean) of the reading.

    Raises:
        ProcedureFailed: no samples arrived.
    """
    counts, time = column(rows, "deflection_counts"), column(rows, "time_s")
    if counts.size < 3:
        raise ProcedureFailed("no samples arrive from the bench: see its last notice")
    slope, start = np.polyfit(time - time[0], counts, 1)
    scatter = float(np.std(counts - start - slope * (time - time[0]), ddof=2))
    return float(slope), scatter, float(counts.mean())
