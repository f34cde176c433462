"""The profile: one rig described completely, in SI units once loaded.

Sign convention (everything above ``drivers``): positions grow in the direction in which
the rod extends, deflection is nut position minus output position, and a positive spring
force pushes the output rod out. ``output = nut - deflection``. Of a rotary actuator all of them
are those along the arc of its joint, see :mod:`drivers.motion`.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, ValidationInfo, field_validator
from pydantic_core import PydanticCustomError

from drivers.motion import ARC_RADIUS_M, Motion
from drivers.quantities import (
    Acceleration,
    Duration,
    Force,
    Frequency,
    Length,
    Mass,
    OutputForce,
    OutputStiffness,
    Resistance,
    Torque,
    Travel,
    TravelAcceleration,
    TravelPerCount,
    TravelSpeed,
    Voltage,
)
from drivers.simulated import INJECTED_FAULTS, near_injected_faults
from hil.profile.actuator_schema import AnyActuator, motion_of_actuator
from hil.profile.limit_schema import Limits
from hil.profile.part import Part

Sign = Literal[-1, 1]


class Lever(Part):
    """A lever turned by the rod, level at ``level_position``.

    ``sector``: rod on an arc (x = rod_arm·θ, constant arm); ``pin``: rod pinned and guided
    straight (x = rod_arm·sin θ).
    """

    kind: Literal["lever"]
    rod_arm: Annotated[Length, Field(gt=0)]
    load_arm: Annotated[Length, Field(gt=0)]
    attachment: Literal["sector", "pin"] = "sector"
    level_position: Travel  # output position at which the lever is level
    lever_mass: Annotated[Mass, Field(ge=0)] = 0.0
    lever_centre: Annotated[Length, Field(ge=0)] = 0.0  # centre of mass from the pivot
    pan_mass: Annotated[Mass, Field(ge=0)] = 0.0
    weights: tuple[Mass, ...] = ()
    pivot_friction: Annotated[Torque, Field(ge=0)] = 0.0
    gravity: Annotated[Acceleration, Field(gt=9.7, lt=9.9)] = 9.80665


class Arm(Lever):
    """An arm on the joint itself, level at the angle ``level_position``; weights hang on it."""

    kind: Literal["joint_arm"]  # type: ignore[assignment]
    rod_arm: Annotated[Length, Field(ge=ARC_RADIUS_M, le=ARC_RADIUS_M)] = ARC_RADIUS_M
    attachment: Literal["sector"] = "sector"


class Linear(Part):
    """A guided mass pushed by the rod; weights hang on it against the rod (vertical axis)."""

    kind: Literal["linear"]
    carriage_mass: Annotated[Mass, Field(gt=0)]
    vertical: bool = True
    weights: tuple[Mass, ...] = ()
    guide_friction: Annotated[Force, Field(ge=0)] = 0.0
    gravity: Annotated[Acceleration, Field(gt=9.7, lt=9.9)] = 9.80665


Rig = Annotated[Lever | Linear | Arm, Field(discriminator="kind")]


class DeflectionSensor(Part):
    bits: Annotated[int, Field(ge=6, le=24)] = 12
    span: Annotated[Travel, Field(gt=0)]  # travel that the whole count range covers
    rail_margin: Annotated[int, Field(ge=0)] = 8  # counts from either end treated as "at rail"
    noise: Annotated[float, Field(ge=0)] = 1.0  # counts, standard deviation


class MotorSensor(Part):
    counts_per_revolution: Annotated[int, Field(ge=4)]
    sign: Sign = 1
    # position of the output when the drive is opened: incremental counts restart at 0
    reference: Literal["lower_end_at_start", "absolute"] = "lower_end_at_start"
    absolute_offset: Travel = 0.0  # nut position at zero counts, for ``absolute``


class Sensors(Part):
    deflection: DeflectionSensor
    motor: MotorSensor


class TwoSlopes(Part):
    """Force = inner_rate·δ up to the knee, outer_rate beyond it (symmetric)."""

    kind: Literal["two_slopes"]
    inner_rate: Annotated[OutputStiffness, Field(gt=0)]
    outer_rate: Annotated[OutputStiffness, Field(gt=0)]
    knee: Annotated[Travel, Field(ge=0)]


class Polynomial(Part):
    """Force in N = Σ coefficients[i]·(δ in mm)^i; monotonic over the permitted range."""

    kind: Literal["polynomial"]
    coefficients: Annotated[tuple[float, ...], Field(min_length=2, max_length=8)]


class Calibration(Part):
    zero: float  # counts at no load
    deflection_per_count: TravelPerCount  # signed
    spring_law: Annotated[TwoSlopes | Polynomial, Field(discriminator="kind")]
    # standard uncertainty of force: sqrt(absolute² + (relative·F)²)
    absolute_uncertainty: Annotated[OutputForce, Field(ge=0)] = 2.0
    relative_uncertainty: Annotated[float, Field(ge=0, lt=1)] = 0.01
    # instead of the two: rows of (force in N, standard uncertainty in N), forces rising
    uncertainty_table: tuple[tuple[float, float], ...] = ()
    # instead of deflection_per_count for a nonlinear sensor: rows of (counts from zero, deflection
    # in mm), counts rising, deflection monotonic
    sensor_table: tuple[tuple[float, float], ...] = ()
    dated: str = ""
    # validity; a year is common practice, no source
    valid_months: Annotated[float, Field(gt=0, le=600)] = 12.0
    identity: str = ""  # of the calibration file that it came from

    @field_validator("uncertainty_table", "sensor_table")
    @classmethod
    def _rising(
        cls, table: tuple[tuple[float, float], ...], info: ValidationInfo
    ) -> tuple[tuple[float, float], ...]:
        if not all(math.isfinite(number) for row in table for number in row):
            raise ValueError("every number must be finite")
        if len(table) == 1 or any(not b[0] > a[0] for a, b in pairwise(table)):
            raise ValueError("needs at least two rows, the first column rising from row to row")
        steps = [b[1] - a[1] for a, b in pairwise(table)]
        if info.field_name == "sensor_table" and not (
            all(step > 0 for step in steps) or all(step < 0 for step in steps)
        ):
            raise ValueError("the deflection must rise, or fall, from row to row throughout")
        if info.field_name == "uncertainty_table" and any(row[1] < 0 for row in table):
            raise ValueError("an uncertainty is never below 0")
        return table


class VelocityLoop(Part):
    """Velocity loop inside the drive, as seen by the host; the defaults are invented."""

    bandwidth: Annotated[Frequency, Field(gt=0, le=1000)] = 40.0  # crossover of the loop
    integral_share: Annotated[float, Field(ge=0, le=1)] = 0.2  # K_i/K_v, of the crossover in rad/s
    delay: Annotated[Duration, Field(ge=0, le=0.05)] = 0.0  # in addition to bus and cycle


class PositionLoop(Part):
    """Position loop inside the drive, around its velocity loop; the default is invented."""

    bandwidth: Annotated[Frequency, Field(gt=0, le=1000)] = 8.0  # its gain in 1/s, over 2π


class Control(Part):
    rate: Annotated[Frequency, Field(ge=50, le=5000)] = 1000.0
    force_bandwidth: Annotated[Frequency, Field(gt=0)] = 25.0  # −3 dB, output blocked
    phase_margin: Annotated[float, Field(ge=10, le=80)] = 40.0  # degrees, never below
    damping_ratio: Annotated[float, Field(ge=0.3, le=2)] = 0.8
    friction_compensation: Annotated[float, Field(ge=0, le=1)] = 0.6
    # force amplitude for which force_bandwidth holds: with friction it depends on amplitude
    bandwidth_amplitude: Annotated[OutputForce, Field(gt=0)] | None = None
    # time constant of the drive's current loop; the default is common practice, no source
    current_loop_lag: Annotated[Duration, Field(gt=0, le=0.02)] = 0.00025
    passive_fraction: Annotated[float, Field(gt=0, le=1)] = 0.98  # of the spring's own rate
    over_stiff: Literal["refuse", "bound"] = "refuse"
    predictor: bool = True
    source: Literal["torque", "velocity", "position"] = "torque"  # quantity commanded to the drive
    velocity_loop: VelocityLoop = VelocityLoop()  # of the drive, for velocity and position
    position_loop: PositionLoop = PositionLoop()  # of the drive, for a source of position
    # Share of the desired force's change that is sent as torque beside velocity or position.
    torque_feedforward: Annotated[float, Field(ge=0, le=1)] = 0.0


class Stop(Part):
    """Stop of this rig (IEC 60204-1 categories 0 and 1).

    Drive faults, lost or stale telemetry and exceptions are always category 0.
    """

    category: Literal[0, 1] = 0
    deceleration: Annotated[TravelAcceleration, Field(gt=0)] = 2.0  # of the nut, category 1
    longest: Annotated[Duration, Field(gt=0, le=2)] = 0.5  # then power is removed anyway
    load: str  # as text: behaviour of the load when power is removed, and how to support it


class Mark(Part):
    """A mark on the rig to which the output is moved by hand."""

    position: Travel  # of the output, from its lower end
    name: str = "mark"


class HomeSwitch(Part):
    """A switch near one end of the travel, read by the drive."""

    input: Annotated[int, Field(ge=0, le=31)]  # bit of the drive's digital inputs
    position: Travel  # of the output where it switches, coming from the middle
    active: Literal["high", "low"] = "high"
    side: Literal["lower", "upper"] = "lower"  # it acts from its position to this end


class Reference(Part):
    """Reference seek: finds the zero of positions; defaults follow from the rig."""

    seek_speed: Annotated[TravelSpeed, Field(gt=0)] | None = None  # of the nut
    seek_force: Annotated[OutputForce, Field(gt=0)] | None = (
        None  # rise of the spring force at an end
    )
    mark: Mark | None = None
    home_switch: HomeSwitch | None = None


class Link(Part):
    control_heartbeat: Annotated[Duration, Field(ge=0.02, le=2)] = 0.15


def _known_injected_fault(code: str) -> str:
    if code not in INJECTED_FAULTS:
        raise PydanticCustomError(
            "literal_error", "unknown fault", {"expected": near_injected_faults(code)}
        )
    return code


class Simulation(Part):
    """Differences of the simulated rig from the profile, and its environment.

    ``actual`` overrides fields of the simulated rig's parameters by name (SI numbers);
    ``injected_faults`` are added on top, by their codes in ``drivers.simulated.injected_faults``.
    """

    seed: int = 1
    supply: Annotated[Voltage, Field(gt=0)] = 36.0
    supply_resistance: Annotated[Resistance, Field(ge=0)] = 0.05
    # Live, instead of limits.cycle_late if longer; the simulated drive's own watch is longer still:
    # delays of the rig host also delay its simulated rig.
    held_up: Annotated[Duration, Field(gt=0, le=1)] | None = None
    actual: dict[str, Any] = {}
    injected_faults: tuple[Annotated[str, AfterValidator(_known_injected_fault)], ...] = ()


class Profile(Part):
    name: str
    description: str = ""
    actuator: AnyActuator
    rig: Rig
    drive: dict[str, Any]  # checked by the protocol's own options model
    sensors: Sensors
    calibration: Calibration
    control: Control = Control()
    limits: Limits
    stop: Stop
    reference: Reference = Reference()
    link: Link = Link()
    simulation: Simulation | None = None

    @property
    def motion(self) -> Motion:
        """Kind of motion of the output, which gives every quantity its unit."""
        return motion_of_actuator(self.actuator)
