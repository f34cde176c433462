"""Cause of an output position that reads outside the mechanical ends.

The output cannot be there: motor sensor, deflection sensor or reference is wrong. This shows
first with the output on its end at power on, since the soft end lies further in.
"""

from __future__ import annotations

import math
from typing import Final

from drivers.motion import LENGTH
from hil.control import Estimator
from hil.core import Limit
from hil.supervision.motor_sensor_watch import MotorSensorWatch
from hil.supervision.position_following import PositionFollowing

OUTSIDE_M: Final = (
    0.0004  # an end of 5 kN/mm gives way by 0.12 mm under 600 N; the rest is the sensors'
)
EXPLAINED_SHARE: Final = 0.5  # of that, by the difference of position and velocity


def outside_stroke(
    estimator: Estimator, stroke_m: float, motor: MotorSensorWatch, position: PositionFollowing
) -> tuple[int, str]:
    """Return the cause for an output past a soft end, and why positions are invalid.

    ``Limit.TRAVEL`` and '' within the mechanical ends.
    """
    at_m = estimator.output_position_m
    outside_m = at_m - stroke_m if at_m > stroke_m else -at_m
    if not OUTSIDE_M < outside_m < math.inf:
        return Limit.TRAVEL, ""
    if motor.likely:
        return Limit.MOTOR_SENSOR_FROZEN, motor.text()
    place = (
        f"the output reads {LENGTH(at_m):.1f}{LENGTH}, outside its mechanical ends at 0 and "
        f"{LENGTH(stroke_m):.0f}{LENGTH}, and"
    )
    if abs(position.error_m) > EXPLAINED_SHARE * outside_m:
        return (
            Limit.POSITION_FOLLOWING,
            f"{place} the motor sensor's change of position and the drive's own velocity differ "
            f"by {LENGTH(abs(position.error_m)):.1f}{LENGTH} of nut travel",
        )
    outward = 1.0 if at_m > stroke_m else -1.0
    if outward * estimator.nut_velocity_m_s > 0.0 > outward * estimator.deflection_m:
        return (
            Limit.SPEED,
            f"{place} the motor sensor counts outward while the springs are loaded inward: its "
            "counts run backwards, have restarted or slipped",
        )
    return (
        Limit.DISAGREEMENT,
        f"{place} the motor sensor follows the drive's velocity: the deflection reads wrong, or "
        "reference or stroke is not as stated",
    )
