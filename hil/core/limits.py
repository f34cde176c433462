"""Names and codes of all limits and causes that can keep the bench stopped."""

from __future__ import annotations

import enum


class Limit(enum.IntEnum):
    """A limit of the profile.

    A limit in action is bit ``1 << value`` of column ``limited``; as the cause of a trip it is the
    value of column ``tripped``.
    """

    FORCE = 1
    FORCE_RATE = 2
    DEFLECTION = 3
    TRAVEL = 4
    SPEED = 5
    CURRENT = 6
    MOTOR_HEAT = 7
    DRIVE_TEMPERATURE = 8
    SUPPLY_LOW = 9
    SUPPLY_HIGH = 10
    VIRTUAL_STIFFNESS = 11
    DAMPING = 12
    TELEMETRY_AGE = 13
    SENSOR_RAIL = 14
    SENSOR_JUMP = 15
    SENSOR_FROZEN = 16
    DISAGREEMENT = 17
    DRIVE_FAULT = 18
    FORCE_FOLLOWING = 19
    SETPOINT_FOLLOWING = 20
    POSITION_FOLLOWING = 21
    OUTPUT_ENERGY = 22
    MOTOR_SENSOR_FROZEN = 23


class Cause(enum.IntEnum):
    """Causes of a stop that are not limits; same column, values above every ``Limit``."""

    OPERATOR = 40
    HEARTBEAT_LATE = 41
    EXCEPTION = 42
    DRIVE_LOST = 43
    HOST_ENDING = 44
    DRIVE_DISABLED = 45  # power stage left ON on its own, without a fault
    HOLD_TO_RUN_RELEASED = 46  # the hold-to-run control was released, or its signal was missing
    CYCLE_LATE = 47  # the rig host was delayed; meanwhile the last command held
    POWER_NOT_REMOVED = 48  # the drive reports power although OFF, or nothing, was requested
    SETPOINT_LATE = 49  # a program that sets the force fell silent
    CONTROL_RELEASED = 50  # control ended, or passed on, with the power stage on or coming on
    OTHER_AXIS = 51  # another axis of the same rig host stopped


# Causes after which the drive must not be commanded any more: power is removed at once.
ALWAYS_CATEGORY_0 = frozenset(
    (
        Limit.TELEMETRY_AGE,
        Limit.SENSOR_RAIL,
        Limit.SENSOR_JUMP,
        Limit.SENSOR_FROZEN,
        Limit.MOTOR_SENSOR_FROZEN,
        Limit.DISAGREEMENT,
        Limit.DRIVE_FAULT,
        Limit.FORCE_FOLLOWING,
        Limit.POSITION_FOLLOWING,
        Limit.OUTPUT_ENERGY,
        Cause.EXCEPTION,
        Cause.DRIVE_LOST,
        Cause.DRIVE_DISABLED,
        Cause.CYCLE_LATE,
        Cause.POWER_NOT_REMOVED,
    )
)
# Causes chosen by a person or program; every other one is a trip, kept as its own run.
CHOSEN = frozenset(
    (Cause.OPERATOR, Cause.HOST_ENDING, Cause.HOLD_TO_RUN_RELEASED, Cause.CONTROL_RELEASED)
)
