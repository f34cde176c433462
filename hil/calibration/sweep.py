"""The sensor against the nut: with the output clamped, nut travel is deflection."""

from __future__ import annotations

from collections.abc import Generator

import numpy as np

from hil.calibration.law_for_profile import sensor_law
from hil.calibration.result import SensorLaw
from hil.calibration.settling import SINKS_S, energise, hold_at
from hil.control import ForceCalibration
from hil.core import Apply, PowerOff, Waveform
from hil.procedures import Action, Ask, Pause, Seen, column, send_requests, wait_until_resting
from hil.profile import Profile

# Shares of the limited force, with the seconds for each quarter of the sweep out and back in both
# directions. Half the force first: faults of the springs show there, before they matter.
STAGES = ((0.45, 1.0), (0.9, 2.0))
MOST_APART = 1.33  # motor to springs by the calibration so far, or the other way round


def bring(profile: Profile, output_m: float, speed_m_s: float) -> Generator[Action, Seen, None]:
    """Bring the output to the position for the clamp, then power off again."""
    output = yield from energise()
    yield from hold_at(output_m, output, 1, speed_m_s)
    yield from rest()


def press(profile: Profile, share: float, quarter_s: float) -> Generator[Action, Seen, SensorLaw]:
    """Press and pull with ``share`` of the limited force, out and back.

    Raises:
        FitError: no law follows from it.
    """
    most = share * profile.limits.force.limited
    shape = (0.0, most, 0.0, -most, 0.0)
    table = tuple((quarter_s * i, force) for i, force in enumerate(shape))
    lasts = quarter_s * (len(shape) - 1)
    wave = Waveform(shape="table", of="force", points=table, duration_s=lasts)
    # The rod presses on a clamped part: no load can move.
    yield from send_requests([Apply(behaviour=wave, load_may_move=True)])
    rows = (yield Pause(lasts)).rows
    return sensor_law(
        column(rows, "deflection_counts"),
        column(rows, "nut_position_m"),
        column(rows, "motor_force_N"),
    )


def much_as_so_far(profile: Profile, found: SensorLaw) -> bool:
    """Return whether motor and springs agree well enough to press harder."""
    so_far = ForceCalibration(profile.calibration, profile.sensors.deflection)
    springs = [so_far.force(so_far.deflection(counts)) for counts in found.counts]
    ratio = float(np.polyfit(springs, found.motor_force_N, 1)[0])
    return 1.0 / MOST_APART < ratio < MOST_APART


def rest() -> Generator[Action, Seen, None]:
    """Power off; wait until nothing moves."""
    yield Ask(PowerOff())
    yield from wait_until_resting(SINKS_S)
