"""Every limit and cause: how to provoke it on the simulated rig, and the text that reports it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from hil.core.limits import Cause, Limit
from hil.core.requests import Float, HoldPosition
from hil.core.requests import Stop as StopRequest
from tests.hil.supervision.listening_rig import MIDDLE, Rig

# The drive's limits are wider than the profile's, so that the bench acts first.
WIDE = {
    "off_state": "shorted",
    "drive_max_torque_N_m": 3.0,
    "drive_overcurrent_A": 40.0,
    "drive_overspeed_rad_s": 700.0,
}


@dataclass
class Case:
    """One case: ``provoke`` causes it; ``bounds`` are limits that must act before the stop."""

    cause: int
    provoke: Callable[[Rig], object]
    says: str
    change: dict[str, Any] = field(default_factory=dict)
    mass_kg: float = 2.5
    at_m: float | None = MIDDLE
    bounds: tuple[Limit, ...] = ()
    undo: Callable[[Rig], object] = lambda rig: None
    stays_refused: str = ""  # refusal that remains after a reset


def lost(rig: Rig) -> None:
    rig.bench.drive.telemetry.lost = "the adapter was pulled out"


def broken(rig: Rig) -> None:
    def fail(*_: object) -> None:
        raise ZeroDivisionError("a bug")

    rig.bench.bench._active.force = fail  # type: ignore[method-assign]


def ended(cause: Cause) -> Callable[[Rig], object]:
    # The rig host makes this very call; its processes are tested in the live tests.
    return lambda rig: rig.bench.bench.stop(cause)


CASES = {
    "force": Case(
        Limit.FORCE,
        lambda rig: rig.do.push(-40),
        "305 N",
        {"limits__force__limited": 300.0, "limits__force__tripped": 305.0},
        bounds=(Limit.FORCE,),
        undo=lambda rig: rig.do.push(0),
    ),
    "force rate": Case(
        Limit.FORCE_RATE,
        lambda rig: rig.do.push(-100),
        "N/s",
        {"limits__force_rate__tripped": 12000.0},
        mass_kg=0.0,
        bounds=(Limit.FORCE_RATE,),
        undo=lambda rig: rig.do.push(0),
    ),
    "deflection": Case(
        Limit.DEFLECTION,
        lambda rig: rig.do.push(-60),
        "mm",
        {"limits__deflection__limited": 0.003, "limits__deflection__tripped": 0.0031},
        bounds=(Limit.DEFLECTION,),
        undo=lambda rig: rig.do.push(0),
    ),
    "travel, below": Case(
        Limit.TRAVEL,
        lambda rig: rig.do.hang(9.0),
        "lower soft end at 2.0 mm",
        bounds=(Limit.TRAVEL, Limit.FORCE),
    ),
    "travel, above": Case(
        Limit.TRAVEL,
        lambda rig: (rig.apply(Float()), rig.do.push(60)),
        "upper soft end at 53.0 mm",
        # A hand stronger than the rig is permitted to be.
        {
            "limits__speed__tripped": 5.0,
            "limits__force__limited": 300.0,
            "limits__force__tripped": 5000.0,
        },
        mass_kg=0.0,
        bounds=(Limit.TRAVEL,),
        undo=lambda rig: rig.do.push(0),
    ),
    "speed": Case(
        Limit.SPEED,
        lambda rig: (rig.apply(Float()), rig.do.push(60)),
        "beyond ±120 mm/s",
        # A motor too weak to hold the nut back.
        {
            "limits__speed__limited": 0.09,
            "limits__speed__tripped": 0.12,
            "limits__current__limited": 3.0,
            "simulation__actual": WIDE,
        },
        mass_kg=0.0,
        bounds=(Limit.SPEED,),
        undo=lambda rig: rig.do.push(0),
    ),
    "current": Case(
        # The simulated drive never exceeds its commanded torque, so the trip is set below the
        # bound, which no profile may do.
        Limit.CURRENT,
        lambda rig: rig.do.hang(2.5),
        "above 3 A",
        {"limits__current__tripped": 3.0, "simulation__actual": WIDE},
        mass_kg=0.0,
    ),
    "motor heat": Case(
        # With the bound active, heat settles below its trip: put the bound out of reach.
        Limit.MOTOR_HEAT,
        lambda rig: rig.do.hang(2.5),
        "thermal capacity",
        {
            "actuator__motor__thermal_time_constant": 0.4,
            "actuator__motor__continuous_current": 3.0,
            "limits__motor_heat__limited": 2.0,
        },
        mass_kg=0.0,
    ),
    "drive temperature": Case(
        Limit.DRIVE_TEMPERATURE,
        lambda rig: rig.do.disturb("temperature_degC", 86.0),
        "86.0 degC",
        undo=lambda rig: rig.do.disturb("temperature_degC", None),
    ),
    "supply low": Case(
        Limit.SUPPLY_LOW,
        lambda rig: rig.do.disturb("supply_V", 28.0),
        "below 31 V",
        undo=lambda rig: rig.do.disturb("supply_V", None),
    ),
    "supply high": Case(
        Limit.SUPPLY_HIGH,
        lambda rig: rig.do.disturb("supply_V", 43.0),
        "above 42 V",
        undo=lambda rig: rig.do.disturb("supply_V", None),
    ),
    "telemetry age": Case(
        Limit.TELEMETRY_AGE,
        lambda rig: rig.do.disturb("silent", 1),
        "ms old",
        undo=lambda rig: rig.do.disturb("silent", None),
    ),
    "sensor at rail": Case(
        Limit.SENSOR_RAIL,
        lambda rig: rig.do.disturb("deflection_rail", 1),
        "4095 of 0 to 4095 counts",
        {
            "limits__sensor_jump__counts": 5000.0,
            "limits__force__tripped": 5000.0,
            "limits__deflection__tripped": 1.0,
        },
        undo=lambda rig: rig.do.disturb("deflection_rail", None),
    ),
    "sensor jump": Case(
        Limit.SENSOR_JUMP,
        lambda rig: rig.do.disturb("deflection_jump_counts", 300),
        "in one cycle, above 200",
        undo=lambda rig: rig.do.disturb("deflection_jump_counts", None),
    ),
    "loose sensor contact": Case(
        Limit.SENSOR_JUMP,
        lambda rig: rig.do.disturb("deflection_dropout", 0.2),
        "in one cycle, above 200",
        undo=lambda rig: rig.do.disturb("deflection_dropout", None),
    ),
    "sensor frozen": Case(
        Limit.SENSOR_FROZEN,
        lambda rig: (
            rig.do.disturb("deflection_frozen", 1),
            rig.apply(HoldPosition(position_m=0.045)),
        ),
        "did not change by one count",
        undo=lambda rig: rig.do.disturb("deflection_frozen", None),
    ),
    "motor sensor frozen": Case(
        Limit.MOTOR_SENSOR_FROZEN,
        lambda rig: (
            rig.do.disturb("encoder_frozen", 1),
            rig.apply(HoldPosition(position_m=0.045)),
        ),
        "the motor sensor did not change by one count",
        undo=lambda rig: rig.do.disturb("encoder_frozen", None),
        stays_refused="the motor sensor did not change by one count",
    ),
    "slow values silent": Case(
        Limit.TELEMETRY_AGE,
        lambda rig: rig.do.disturb("slow_values_silent", 1),
        "the drive's value of supply, temperature is 41.00 ms old, above 40 ms",
        undo=lambda rig: rig.do.disturb("slow_values_silent", None),
    ),
    "encoder slips": Case(
        Limit.POSITION_FOLLOWING,
        lambda rig: (
            rig.do.disturb("encoder_slipping", 0.5),
            rig.apply(HoldPosition(position_m=0.045)),
        ),
        "the drive's own velocity differ",
        undo=lambda rig: rig.do.disturb("encoder_slipping", None),
        stays_refused="the drive's own velocity differ",
    ),
    "soft springs": Case(
        Limit.DISAGREEMENT,
        lambda rig: rig.do.disturb("spring_factor", 0.5),
        "motor-derived force",
        {"limits__disagreement__tripped": 60.0},
        undo=lambda rig: rig.do.disturb("spring_factor", None),
    ),
    "jammed nut": Case(
        Limit.DISAGREEMENT,
        lambda rig: (rig.do.disturb("jam", 1), rig.apply(HoldPosition(position_m=0.045))),
        "motor-derived force",
        undo=lambda rig: rig.do.disturb("jam", None),
    ),
    "drive fault": Case(
        Limit.DRIVE_FAULT,
        lambda rig: rig.do.disturb("drive_fault", 0x2310),
        "0x2310: drive: motor current too high",
    ),
    "operator": Case(
        Cause.OPERATOR,
        lambda rig: rig.bench.request(StopRequest(cause="pressed by a test")),
        "pressed by a test",
    ),
    "heartbeat late": Case(Cause.HEARTBEAT_LATE, ended(Cause.HEARTBEAT_LATE), "fell silent"),
    "cycle late": Case(Cause.CYCLE_LATE, ended(Cause.CYCLE_LATE), "host was delayed"),
    "host ending": Case(Cause.HOST_ENDING, ended(Cause.HOST_ENDING), "end of the rig host"),
    "exception": Case(Cause.EXCEPTION, broken, "ZeroDivisionError: a bug"),
    "drive lost": Case(
        Cause.DRIVE_LOST,
        lost,
        "the adapter was pulled out",
        undo=lambda rig: setattr(rig.bench.drive.telemetry, "lost", ""),
    ),
    "drive dropped out": Case(
        Cause.DRIVE_DISABLED,
        lambda rig: rig.do.disturb("restart", 1),
        "power stage off",
        stays_refused="counts have restarted",
    ),
    "encoder against the motor": Case(
        Limit.SPEED,
        lambda rig: rig.do.disturb("encoder_reversed", 1),
        "counts have restarted or slipped",
        undo=lambda rig: rig.do.disturb("encoder_reversed", None),
        stays_refused="counts have restarted",
    ),
}
