"""Faults of the campaign: how each is rehearsed, and which causes name it rightly."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from hil.core import Cause, Limit

# A person, a weight or a wall acts on the rig; no signal is false: any limit really reached is
# right.
BLOW = frozenset(
    (Limit.FORCE, Limit.FORCE_RATE, Limit.DEFLECTION, Limit.TRAVEL, Limit.SPEED, Limit.SUPPLY_HIGH)
)
LATE = frozenset((Cause.CYCLE_LATE, Limit.TELEMETRY_AGE))
# The last torque stands while the host is blind: the blow is real, and so is the drive's own watch.
HELD_UP = LATE | BLOW | {Limit.DRIVE_FAULT}
LOOSE = frozenset((Limit.SENSOR_JUMP, Limit.SENSOR_RAIL))
# The sentence and fix of these three point at spring law, sensor and torque.
LAW = frozenset((Limit.DISAGREEMENT, Limit.FORCE_FOLLOWING, Limit.OUTPUT_ENERGY))
REMOVAL = frozenset((Cause.POWER_NOT_REMOVED,))


@dataclass(frozen=True)
class Fault:
    """One fault.

    Attributes:
        entry: of a rehearsal file, without ``at``.
        causes: those that name it rightly; none for a fault that must be borne.
        at_once: the bench must stop however small the effect so far.
        asks_stop: shows only at power removal; the session requests a stop.
    """

    entry: Mapping[str, Any]
    causes: frozenset[int] = field(default_factory=frozenset)
    at_once: bool = False
    asks_stop: bool = False

    @property
    def over_before_power(self) -> bool:
        """Return whether the fault has passed without trace when power is requested a while
        later."""
        return self.entry["what"] in ("pause", "restart") or "for" in self.entry


def _flag(what: str, value: float = 1.0, lasts: str = "") -> dict[str, Any]:
    entry: dict[str, Any] = {"what": what, "value": value}
    return entry | {"for": lasts} if lasts else entry


def _pause(length_ms: int, stale: float) -> Fault:
    entry = {"what": "pause", "length": f"{length_ms} ms", "stale": stale}
    # The shipped profile tolerates 13 ms (limits.cycle_late), its drive 15 ms.
    return Fault(entry, HELD_UP, at_once=length_ms >= 20)


FAULTS: dict[str, Fault] = {
    "late, 1 % up to 4 ms": Fault({"what": "late", "share": 0.01, "up_to": "4 ms", "stale": 0.5}),
    "late, 5 % up to 5 ms": Fault({"what": "late", "share": 0.05, "up_to": "5 ms", "stale": 0.5}),
    "late, 20 % up to 15 ms": Fault(
        {"what": "late", "share": 0.2, "up_to": "15 ms", "stale": 0.5}, HELD_UP | LAW
    ),
    "samples lost, 5 %": Fault({"what": "lost", "share": 0.05}, LATE),
    "samples lost, half": Fault({"what": "lost", "share": 0.5}, HELD_UP | LAW),
    "samples all lost": Fault(_flag("samples_lost", 1.0), LATE, at_once=True),
    **{
        f"pause {ms} ms, {'old' if stale else 'fresh'} sample": _pause(ms, stale)
        for ms in (1, 3, 10, 20, 50, 80, 100, 200, 500)
        for stale in (0.0, 1.0)
    },
    "pause 20 ms a second": Fault({"what": "pause", "length": "20 ms", "every": "1 s"}, HELD_UP),
    "weight laid on, 5 kg": Fault({"what": "hang", "mass": "5 kg"}, BLOW),
    "weight laid on, 7.5 kg": Fault({"what": "hang", "mass": "7.5 kg"}, BLOW),
    "weight off": Fault({"what": "hang", "mass": "0 kg"}, BLOW),
    "hand, 40 N up": Fault({"what": "push", "force": "40 N"}, BLOW),
    "hand, 40 N down": Fault({"what": "push", "force": "-40 N"}, BLOW),
    "hand, 20 N at 3 Hz": Fault({"what": "push", "force": "20 N", "frequency": "3 Hz"}, BLOW),
    "stiff wall": Fault(_flag("block"), BLOW | {Limit.OUTPUT_ENERGY}),
    "jam": Fault(_flag("jam"), BLOW | LAW),
    "deflection frozen": Fault(
        _flag("deflection_frozen"), frozenset((Limit.SENSOR_FROZEN, Limit.DISAGREEMENT))
    ),
    "deflection at lower rail": Fault(_flag("deflection_rail", -1.0), LOOSE, at_once=True),
    "deflection at upper rail": Fault(_flag("deflection_rail", 1.0), LOOSE, at_once=True),
    "deflection jumps, 300 counts": Fault(
        _flag("deflection_jump_counts", 300.0), LOOSE, at_once=True
    ),
    "deflection jumps, 100 counts": Fault(_flag("deflection_jump_counts", 100.0), LOOSE | LAW),
    "deflection noise, 5 counts": Fault(_flag("deflection_noise_counts", 5.0)),
    "deflection noise, 30 counts": Fault(_flag("deflection_noise_counts", 30.0), LOOSE | LAW),
    "deflection noise, 100 counts": Fault(_flag("deflection_noise_counts", 100.0), LOOSE | LAW),
    "deflection drops out, 5 %": Fault(_flag("deflection_dropout", 0.05), LOOSE),
    "deflection drops out, 30 %": Fault(_flag("deflection_dropout", 0.3), LOOSE),
    "deflection reversed": Fault(_flag("deflection_factor", -1.0), LOOSE | LAW),
    "deflection reads half": Fault(_flag("deflection_factor", 0.5), LOOSE | LAW),
    "deflection reads 1.5 times": Fault(
        _flag("deflection_factor", 1.5), LOOSE | LAW | {Limit.FORCE, Limit.DEFLECTION}
    ),
    "motor sensor frozen": Fault(
        _flag("encoder_frozen"), frozenset((Limit.MOTOR_SENSOR_FROZEN, Limit.DISAGREEMENT))
    ),
    "motor sensor slips, 30 %": Fault(
        _flag("encoder_slipping", 0.3),
        frozenset((Limit.POSITION_FOLLOWING, Limit.MOTOR_SENSOR_FROZEN)) | LAW,
    ),
    # Named by text: the counts have restarted or slipped.
    "motor sensor reversed": Fault(_flag("encoder_reversed"), frozenset((Limit.SPEED,))),
    "springs half as stiff": Fault(_flag("spring_factor", 0.5), LAW | LOOSE | BLOW),
    "springs a fifth softer": Fault(_flag("spring_factor", 0.8), LAW | BLOW),
    "springs a third stiffer": Fault(_flag("spring_factor", 1.3), LAW | BLOW),
    "a fifth of the friction": Fault(_flag("friction_factor", 0.2), LAW),
    "three times the friction": Fault(_flag("friction_factor", 3.0), LAW),
    "supply 28 V": Fault(_flag("supply_V", 28.0), frozenset((Limit.SUPPLY_LOW,))),
    "supply 10 V": Fault(
        _flag("supply_V", 10.0), frozenset((Limit.SUPPLY_LOW, Limit.DRIVE_FAULT)), at_once=True
    ),
    "supply dips to 20 V for 50 ms": Fault(
        _flag("supply_V", 20.0, lasts="50 ms"), frozenset((Limit.SUPPLY_LOW, Limit.DRIVE_FAULT))
    ),
    "supply 45 V": Fault(
        _flag("supply_V", 45.0), frozenset((Limit.SUPPLY_HIGH, Limit.DRIVE_FAULT)), at_once=True
    ),
    "drive at 75 degC": Fault(_flag("temperature_degC", 75.0)),
    "drive at 90 degC": Fault(
        _flag("temperature_degC", 90.0),
        frozenset((Limit.DRIVE_TEMPERATURE, Limit.DRIVE_FAULT)),
        at_once=True,
    ),
    "drive reports overcurrent": Fault(
        _flag("drive_fault", 0x2310), frozenset((Limit.DRIVE_FAULT,)), at_once=True
    ),
    "drive restarts": Fault(
        _flag("restart"), frozenset((Cause.DRIVE_DISABLED, Limit.SPEED)), at_once=True
    ),
    "drive silent": Fault(
        _flag("silent"), frozenset((Limit.TELEMETRY_AGE, Cause.DRIVE_LOST)), at_once=True
    ),
    "slow values silent": Fault(
        _flag("slow_values_silent"), frozenset((Limit.TELEMETRY_AGE,)), at_once=True
    ),
    "drive silent for 10 ms": Fault(_flag("silent", lasts="10 ms"), LATE),
    "power stays on": Fault(_flag("power_stays_on", 1.0), REMOVAL, asks_stop=True),
    "power stays on, watch dead": Fault(_flag("power_stays_on", 2.0), REMOVAL, asks_stop=True),
    "power comes by itself": Fault(_flag("comes_on_by_itself"), REMOVAL, asks_stop=True),
    "emergency stop": Fault(
        {"what": "emergency_stop"}, frozenset((Limit.DRIVE_FAULT, Limit.SUPPLY_LOW)), at_once=True
    ),
}
