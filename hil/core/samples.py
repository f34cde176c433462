"""One row per cycle: the columns sent on the link and recorded in a run.

A row is a :class:`Sample`; its fields are the columns. Codes and counters are
whole numbers held in floats on the link and become integers on disk.
"""

from __future__ import annotations

import enum
import struct
from typing import Annotated, Literal, NamedTuple, get_type_hints

Kind = Literal["float64", "float32", "int64", "int32"]


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
    kind: Kind = "float32"


class Described(NamedTuple):
    """Column without its name."""

    unit: str
    description: str
    kind: Kind = "float32"


class Sample(NamedTuple):
    """Row of one cycle."""

    time_s: Annotated[
        float, Described("s", "time since the rig host started, at the cycle's wake-up", "float64")
    ]
    cycle: Annotated[int, Described("1", "cycle number since the rig host started", "int64")]
    state: Annotated[
        int, Described("1", "0 de-energised, 1 standby, 2 running, 3 stopped", "int32")
    ]
    behaviour: Annotated[
        int,
        Described(
            "1",
            "0 none, 1 float, 2 constant force, 3 virtual spring, "
            "4 hold position, 5 waveform, 6 motor torque, 7 motor speed, 8 seek reference, "
            "9 external setpoint",
            "int32",
        ),
    ]
    setpoint_force_N: Annotated[float, Described("N", "force requested by the behaviour")]
    shaped_force_N: Annotated[
        float, Described("N", "setpoint after rate, limits and bumpless transfer")
    ]
    spring_force_N: Annotated[
        float, Described("N", "force on the output from deflection and calibration")
    ]
    force_u95_N: Annotated[float, Described("N", "expanded uncertainty of spring_force_N, k = 2")]
    motor_force_N: Annotated[
        float, Described("N", "force on the springs derived from motor torque")
    ]
    deflection_counts: Annotated[float, Described("1", "deflection sensor, raw")]
    deflection_m: Annotated[float, Described("m", "nut position minus output position")]
    deflection_rate_m_s: Annotated[float, Described("m/s", "rate of deflection, estimated")]
    output_position_m: Annotated[
        float, Described("m", "rod extension from the lower mechanical end", "float64")
    ]
    output_velocity_m_s: Annotated[float, Described("m/s", "velocity of the output rod, estimated")]
    nut_position_m: Annotated[float, Described("m", "nut travel from the motor sensor", "float64")]
    nut_velocity_m_s: Annotated[float, Described("m/s", "velocity of the nut, estimated")]
    commanded_torque_N_m: Annotated[float, Described("N.m", "motor torque asked for, profile sign")]
    measured_torque_N_m: Annotated[
        float, Described("N.m", "motor torque reported by the drive, profile sign")
    ]
    supply_V: Annotated[float, Described("V", "DC link voltage")]
    supply_A: Annotated[
        float, Described("A", "supply current, - back into it, NaN where the drive reports none")
    ]
    drive_temperature_degC: Annotated[
        float, Described("degC", "drive temperature, NaN if not reported")
    ]
    motor_heat: Annotated[float, Described("1", "share of thermal capacity used, from I2t")]
    rest_position_m: Annotated[
        float,
        Described(
            "m",
            "rest or target position of the behaviour, NaN if none; of an open-loop run what the "
            "drive's own loop is asked for: position, or integral of the velocity",
        ),
    ]
    virtual_stiffness_N_m: Annotated[
        float, Described("N/m", "virtual stiffness in force, NaN if none")
    ]
    limited: Annotated[
        int, Described("1", "bit mask of limits in action, see hil.core.limits", "int32")
    ]
    tripped: Annotated[
        int, Described("1", "code of the cause that keeps the bench stopped, 0 none", "int32")
    ]
    power_stage: Annotated[
        int, Described("1", "drive's power stage, see drivers.base.PowerStage", "int32")
    ]
    fault_code: Annotated[int, Described("1", "drive fault code, 0 none", "int32")]
    status_word: Annotated[int, Described("1", "drive status as on the wire", "int32")]
    telemetry_age_s: Annotated[float, Described("s", "age of the motor sample when it was used")]
    wake_latency_s: Annotated[float, Described("s", "lateness of the cycle's wake-up")]
    work_s: Annotated[float, Described("s", "previous cycle, wake-up to end of work")]
    answer_s: Annotated[float, Described("s", "wake-up to the arrival of the drive's telemetry")]
    force_following_N: Annotated[
        float, Described("N", "mean of spring force against shaped force, unexplained")
    ]
    setpoint_following_N: Annotated[
        float, Described("N", "shaped force against setpoint, unexplained")
    ]
    output_energy_J: Annotated[float, Described("J", "energy put into the output, unexplained")]
    position_following_m: Annotated[
        float, Described("m", "nut travel against the drive's own velocity, NaN if it reports none")
    ]


COLUMNS: tuple[Column, ...] = tuple(
    Column(name, *hint.__metadata__[0])
    for name, hint in get_type_hints(Sample, include_extras=True).items()
)
INDEX: dict[str, int] = {column.name: i for i, column in enumerate(COLUMNS)}
ROW = struct.Struct(f"<{len(COLUMNS)}d")

# Before the first cycle: de-energised, nothing measured.
NO_SAMPLE = Sample._make(0 if column.kind.startswith("int") else float("nan") for column in COLUMNS)
