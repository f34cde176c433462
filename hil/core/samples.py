"""One row per cycle: the columns that travel on the link and end up in a run.

A row is a tuple of ``len(COLUMNS)`` floats in this order; codes and counters are whole
numbers held in floats on the link and become integers on disk.
"""

from __future__ import annotations

import enum
import struct
from typing import Literal, NamedTuple


class State(enum.IntEnum):
    """State of the bench."""

    DE_ENERGISED = 0
    STANDBY = 1
    RUNNING = 2
    STOPPED = 3


class BehaviourCode(enum.IntEnum):
    NONE = 0
    FLOAT = 1
    CONSTANT_FORCE = 2
    VIRTUAL_SPRING = 3
    HOLD_POSITION = 4
    WAVEFORM = 5
    MOTOR_TORQUE = 6
    MOTOR_SPEED = 7
    SEEK_REFERENCE = 8
    EXTERNAL_SETPOINT = 9


class Column(NamedTuple):
    name: str
    unit: str
    description: str
    kind: Literal["float64", "float32", "int64", "int32"] = "float32"


COLUMNS: tuple[Column, ...] = (
    Column("time_s", "s", "time since the rig host started, at the cycle's wake-up", "float64"),
    Column("cycle", "1", "cycle number since the rig host started", "int64"),
    Column("state", "1", "0 de-energised, 1 standby, 2 running, 3 stopped", "int32"),
    Column(
        "behaviour",
        "1",
        "0 none, 1 float, 2 constant force, 3 virtual spring, "
        "4 hold position, 5 waveform, 6 motor torque, 7 motor speed, 8 seek reference, "
        "9 external setpoint",
        "int32",
    ),
    Column("setpoint_force_N", "N", "force that the behaviour requests"),
    Column("shaped_force_N", "N", "setpoint after rate, limits and bumpless transfer"),
    Column("spring_force_N", "N", "force on the output from deflection and calibration"),
    Column("force_u95_N", "N", "expanded uncertainty of spring_force_N, k = 2"),
    Column("motor_force_N", "N", "force on the springs derived from motor torque"),
    Column("deflection_counts", "1", "deflection sensor, raw", "float32"),
    Column("deflection_m", "m", "nut position minus output position"),
    Column("deflection_rate_m_s", "m/s", "rate of deflection, estimated"),
    Column("output_position_m", "m", "rod extension from the lower mechanical end", "float64"),
    Column("output_velocity_m_s", "m/s", "velocity of the output rod, estimated"),
    Column("nut_position_m", "m", "nut travel from the motor sensor", "float64"),
    Column("nut_velocity_m_s", "m/s", "velocity of the nut, estimated"),
    Column("commanded_torque_N_m", "N.m", "motor torque sent to the drive, profile sign"),
    Column("measured_torque_N_m", "N.m", "motor torque reported by the drive, profile sign"),
    Column("supply_V", "V", "DC link voltage"),
    Column("drive_temperature_degC", "degC", "drive temperature, NaN where not reported"),
    Column("motor_heat", "1", "share of thermal capacity used, from I2t"),
    Column("rest_position_m", "m", "rest or target position of the behaviour, NaN if none"),
    Column("virtual_stiffness_N_m", "N/m", "virtual stiffness in force, NaN if none"),
    Column("limited", "1", "bit mask of limits that trim at present, see hil.core.limits", "int32"),
    Column("tripped", "1", "code of the cause that holds the bench stopped, 0 none", "int32"),
    Column("power_stage", "1", "drive's power stage, see drivers.base.PowerStage", "int32"),
    Column("fault_code", "1", "drive fault code, 0 none", "int32"),
    Column("status_word", "1", "drive status as on the wire", "int32"),
    Column("telemetry_age_s", "s", "age of the motor sample when it was used"),
    Column("wake_latency_s", "s", "how late the cycle woke after it was due"),
    Column("work_s", "s", "previous cycle, wake-up to end of work"),
    Column("answer_s", "s", "wake-up to the arrival of the drive's telemetry"),
    Column("force_following_N", "N", "mean of spring force against shaped force, unexplained"),
    Column("setpoint_following_N", "N", "shaped force against setpoint, unexplained"),
    Column("output_energy_J", "J", "energy put into the output, unexplained"),
)

INDEX: dict[str, int] = {column.name: i for i, column in enumerate(COLUMNS)}
ROW = struct.Struct(f"<{len(COLUMNS)}d")
