"""Findings of a bring-up: a code, a sentence, and the fix."""

from __future__ import annotations

from collections.abc import Mapping

from drivers.motion import in_words, restated, unit_text
from hil.bringup.step import Finding

FINDINGS: dict[str, tuple[str, str]] = {
    # drive and bus
    "bus_lossy": (
        "frames are lost on the bus",
        "check termination at both ends (60 ohm between the wires), the shield, the bit rate and "
        "the length of stubs; then repeat",
    ),
    "sample_rate_half": (
        "the drive updates its values less often than the cycle reads them",
        "set the drive to send with every synchronous message (transmission type 1), or lower "
        "control.rate to what the drive can do",
    ),
    "telemetry_stale": (
        "the drive's values arrive late or not at all",
        "check power, wiring, termination and bit rate; raise limits.telemetry_age only if the "
        "drive's own answer time is known to be longer",
    ),
    "bus_overloaded": (
        "the bus is too full in the worst case",
        "raise the bit rate, lower control.rate, or map fewer values",
    ),
    "host_loss_long": (
        "the drive waits too long before it treats the host as lost",
        "shorten the drive's own watch over the host (drive.host_loss)",
    ),
    "heartbeat_ignored": (
        "the drive continues when the host falls silent",
        "set the drive's watch over the host's heartbeat and its reaction; do not power on "
        "before the drive stops by itself",
    ),
    # supply
    "supply_low": (
        "the supply voltage is too low",
        "charge the battery or set the supply; look for thin or loose supply wires",
    ),
    "supply_high": (
        "the supply voltage is too high",
        "lower the supply voltage before anything is energised",
    ),
    "supply_unsteady": (
        "the supply voltage is not steady with nothing running",
        "look for a loose or thin supply wire and for a charger or another load on the supply",
    ),
    "supply_sags": (
        "the supply sags when the power stage comes on",
        "look for a discharged battery, thin wires or a current limit of the supply",
    ),
    "supply_resistance_high": (
        "the supply's resistance is too high: under full power it would fall below limits.supply.low",
        "look for thin or long supply wires, a loose clamp, or a worn battery",
    ),
    "supply_limits_unset": (
        "the supply limits do not enclose the supply",
        "set limits.supply.low and limits.supply.high to either side of the supply's voltage",
    ),
    "regeneration_not_taken": (
        "the supply absorbs no power: braking will raise the voltage until the drive faults",
        "fit a battery or a brake resistor that absorbs the motor's braking power",
    ),
    # deflection sensor
    "deflection_rail": (
        "the deflection reading stays at its top",
        "look for a broken return wire, or a short of the signal to the sensor's supply",
    ),
    "deflection_shorted": (
        "the deflection reading stays at its bottom",
        "look for a short of the signal to ground, or a broken supply wire of the sensor",
    ),
    "deflection_open": (
        "the deflection reading wanders by itself: the input floats",
        "reconnect the sensor's wiper (signal wire)",
    ),
    "deflection_noisy": (
        "the deflection reading is noisy",
        "check the sensor's shield and ground, keep its cable away from the motor's, and look "
        "for a worn track",
    ),
    "deflection_intermittent": (
        "the deflection reading drops out for moments: a loose contact",
        "re-crimp or replace the sensor's connector and cable, and relieve it of strain",
    ),
    "deflection_frozen": (
        "the deflection reading does not change at all: the sensor is not driven",
        "check the converter's setting and the sensor's supply",
    ),
    "channels_swapped": (
        "the deflection reading changes but does not follow the springs: a wrong input is read",
        "swap the two analogue inputs, or map the other one",
    ),
    "deflection_reversed": (
        "the deflection sensor falls when it should rise",
        "swap its end wires or reverse the sign of calibration.deflection_per_count",
    ),
    "deflection_scale_wrong": (
        "the deflection sensor does not show the true deflection",
        "check the sensor's span and its lever, or correct calibration.deflection_per_count and "
        "sensors.deflection.span",
    ),
    "deflection_zero_off": (
        "the deflection reading at no load is far from the stated zero",
        "shift the sensor in its mount, or correct calibration.zero",
    ),
    "deflection_missing_codes": (
        "the deflection reading skips counts",
        "check the converter's number of bits against sensors.deflection.bits, and the track",
    ),
    "deflection_sticks": (
        "the deflection sensor sticks: it follows the springs only after a while",
        "free the sensor's lever or slider, tighten its magnet and its clamp, which may slip; "
        "replace a worn sensor",
    ),
    "deflection_drifts": (
        "the deflection reading drifts while nothing moves",
        "check the sensor's supply and reference voltage, its mount, and sources of heat near it",
    ),
    "deflection_slips": (
        "the deflection sensor slipped in its mount under force",
        "tighten the clamp of the sensor or its magnet, set its zero again and repeat",
    ),
    "deflection_range": (
        "the deflection reading ends before the rated force",
        "check the sensor's span and the length of its magnet or track, and its zero",
    ),
    # springs
    "springs_soft": (
        "the springs are softer than stated",
        "check which springs are fitted, or correct actuator.springs.rate_per_set and the "
        "calibration",
    ),
    "springs_stiff": (
        "the springs are stiffer than stated",
        "check which springs are fitted and that no coils touch, or correct "
        "actuator.springs.rate_per_set and the calibration",
    ),
    "preload_absent": (
        "the springs give no force about the middle: they are not preloaded",
        "tighten the springs until both sets are compressed by actuator.springs.preload",
    ),
    "spring_missing": (
        "the springs work in one direction only: a set is missing or broken",
        "open the actuator and fit the missing set",
    ),
    "springs_bind": (
        "the springs bind before their stated deflection",
        "look for coils that touch and for a guide that catches; fit the springs of the drawing, or "
        "correct actuator.springs.solid_deflection and limits.deflection",
    ),
    "springs_unequal": (
        "one spring set is softer than the other",
        "compare both sets with the drawing: one of the springs is wrong or broken",
    ),
    "preload_low": (
        "the springs are preloaded by less than stated",
        "tighten the springs to actuator.springs.preload, or correct it and calibration.spring_law",
    ),
    "preload_high": (
        "the springs are preloaded by more than stated",
        "slacken the springs to actuator.springs.preload, or correct it and calibration.spring_law",
    ),
    "hysteresis_high": (
        "much of the force is lost between push and release",
        "look for springs that rub on their guide and for a dry screw, or correct "
        "actuator.screw.efficiency_forward and efficiency_backward",
    ),
    "push_ended": (
        "a push against an end ended by itself",
        "look at the plot: force, travel or speed rose faster than the springs explain",
    ),
    # motor and screw
    "encoder_offset": (
        "the motor makes less torque per ampere than stated, in both directions: its commutation "
        "is off",
        "let the drive find its commutation offset again (rotor free, no load); if that changes "
        "nothing, correct actuator.motor.torque_constant",
    ),
    "encoder_slips": (
        "the encoder slips on the shaft, or the coupling behind it does",
        "tighten the clamps of encoder and coupling and mark the shaft; repeat",
    ),
    "current_limited": (
        "the drive gives less current than commanded",
        "raise the drive's own limit of current or torque to limits.current",
    ),
    "lost_motion": (
        "the nut moves but the springs do not: lost motion",
        "tighten nut, coupling and clamps between motor and springs; replace a worn nut",
    ),
    "screw_bent": (
        "the friction rises and falls once a turn: the screw is bent or misaligned",
        "check the run-out of the screw with a dial gauge, and the alignment of its bearings",
    ),
    "guide_rubs": (
        "the output rubs in its guide or pivot",
        "free the pivot or guide, oil it, and look for what touches the output",
    ),
    "reference_wrong": (
        "the rig was not at its lower end when the host started",
        "bring the output to its lower end without power, restart the host and repeat",
    ),
    "encoder_reversed": (
        "the encoder counts backward",
        "swap its tracks (A with B) or its direction in the drive, never the profile's sign "
        "alone; then have the drive find its commutation again",
    ),
    "encoder_counts_wrong": (
        "the encoder's counts per turn differ from those set",
        "correct the counts per turn in the drive and sensors.motor.counts_per_revolution "
        "(lines and counts differ by four); if the count changes with the speed, its clamp "
        "slips: tighten it",
    ),
    "encoder_silent": (
        "the encoder gives no counts when the shaft is turned",
        "check the encoder's supply and cable",
    ),
    "phases_swapped": (
        "two phases of the motor are swapped",
        "swap any two of the motor's three wires",
    ),
    "pole_pairs_wrong": (
        "the drive is set to a different number of pole pairs than the motor has",
        "set the drive to the motor's pole pairs",
    ),
    "commutation_wrong": (
        "the motor does not turn as a correctly commutated one would",
        "check encoder direction, phase order and pole pairs in the drive",
    ),
    "torque_constant_wrong": (
        "the motor's torque per ampere differs from the stated one",
        "correct the torque constant (or rated torque) in the drive and "
        "actuator.motor.torque_constant",
    ),
    "current_not_following": (
        "the motor current does not follow its command",
        "check the phase wires and the drive's current loop",
    ),
    "motion_reversed": (
        "the nut moves against the commanded torque",
        "check sensors.motor.sign, actuator.screw.hand and the phase order",
    ),
    "moves_uncommanded": (
        "the nut moves though no torque is commanded",
        "support the load; check the drive's torque offset and its mode",
    ),
    "no_motion": (
        "the nut does not move under the torque that should move it",
        "look for a brake, a blocked nut, or wrong commutation",
    ),
    "screw_left_handed": (
        "the screw has the opposite hand to the stated one",
        "correct actuator.screw.hand",
    ),
    "screw_lead_wrong": (
        "the screw's lead differs from the stated one",
        "correct actuator.screw.lead",
    ),
    "screw_stiff_spot": (
        "the screw is stiff at one place",
        "clean and oil the screw there; look for a dent, a bent screw or a misaligned guide",
    ),
    "nut_jammed": (
        "the nut is jammed",
        "free it by hand before anything is energised: look for a clamp, a lock or a fallen part",
    ),
    "friction_high": (
        "the friction is far from the stated value",
        "look for misalignment or lack of oil, or correct actuator.friction",
    ),
    "end_stop_inside": (
        "an end is met inside the stroke",
        "remove what is in the way, or correct actuator.stroke and limits.travel",
    ),
    "stroke_long": (
        "the travel is longer than the stroke",
        "fit the missing end stop, or correct actuator.stroke and limits.travel",
    ),
    # stop chain and limits
    "stop_not_wired": (
        "pressing the hard-wired stop has no effect: the supply of the power stage stays on",
        "wire the emergency stop so that it removes the drive's power (ISO 13850); do not "
        "energise without it",
    ),
    "stop_not_released": (
        "the supply of the power stage does not come back after the hard-wired stop",
        "release and re-arm the stop; look at the contactor and its fuse",
    ),
    "stop_starts_motion": (
        "the power stage came back by itself after a stop",
        "the drive must wait to be energised again; correct its restart setting",
    ),
    "software_stop_failed": (
        "a software stop does not remove power",
        "check the drive's answer to its control word; do not continue",
    ),
    "drive_limit_high": (
        "a limit set in the drive itself is above what the profile permits",
        "set the drive's own limit no higher than the profile's",
    ),
    "drive_limit_low": (
        "a limit set in the drive is so low that the bench cannot work within it",
        "raise the drive's own limit, or lower the profile's",
    ),
    "speed_not_following": (
        "the motor's speed does not follow its command",
        "check in the drive the unit of velocity, a limit of speed or torque, and its velocity loop",
    ),
    # the drive's own loop
    "first_motion_violent": (
        "the drive answers the first motion with more current or speed than it takes",
        "check phases, pole pairs and commutation offset in the drive, then the gains of its "
        "velocity and position loop and the units of their targets",
    ),
    "velocity_loop_wrong": (
        "the drive's velocity loop is not the one that the force loop is designed around",
        "tune the drive to control.velocity_loop, or write there what was measured",
    ),
    "velocity_loop_late": (
        "the drive takes up velocity or position later than stated",
        "look for a filter or a ramp of the target in the drive, and switch it off; or write the "
        "delay in control.velocity_loop.delay",
    ),
    "velocity_loop_unclear": (
        "the drive's torque does not follow from its speed as that of a PI loop does",
        "look in the drive for a ramp, a filter or a limit of the target, and switch it off",
    ),
    "position_loop_wrong": (
        "the drive's position loop is not the one that the force loop is designed around",
        "set its gain in the drive to control.position_loop, or write there what was measured",
    ),
    # force loop
    "forces_disagree": (
        "spring force and motor-derived force disagree",
        "check spring calibration, torque constant and screw efficiency",
    ),
    "loop_polarity_wrong": (
        "the spring force falls when the torque rises",
        "check signs of deflection sensor, encoder and screw; never close the loop like this",
    ),
    "loop_margin_low": (
        "the force loop is closer to oscillation than designed",
        "lower control.force_bandwidth; check reflected mass, current loop and delays",
    ),
    "loop_restless": (
        "the closed force loop does not settle",
        "lower control.force_bandwidth; look for play, friction and noise",
    ),
    "temperature_absent": (
        "the temperature that the drive reports cannot be true",
        "connect the temperature sensor and set its type in the drive",
    ),
    "runs_hot": (
        "motor or drive warms faster than it should",
        "check phase wires, brake and cooling, and the temperature sensor",
    ),
    "stopped": ("the bench stopped during the step", "find the cause of the stop first"),
}

UNITS = {
    "percent": "%",
    "ratio": "times",
    "count": "",
    "counts": "counts",
    "Nm": "N·m",
    "Nmm": "N/mm",
}


def finding(
    code: str, *, note: str = "", changes: Mapping[str, str] | None = None, **numbers: float | str
) -> Finding:
    """Return the finding ``code`` with its measured values.

    Args:
        note: added after the sentence if that alone is not enough.
        changes: profile keys that would correct it, with their new values.
        numbers: named ``what_unit``, as ``turned_mm=0.4``; shown in that order.

    Raises:
        KeyError: no such code.
    """
    sentence, fix = FINDINGS[code]
    shown = ", ".join([note] * bool(note) + [_shown(name, n) for name, n in numbers.items()])
    worded = in_words(f"{sentence} ({shown})" if shown else sentence)
    return Finding(code, worded, in_words(fix), dict(changes or {}))


def _shown(name: str, number: float | str) -> str:
    what, _, ending = name.rpartition("_")
    unit = UNITS.get(ending, ending)
    value = number if isinstance(number, str) else f"{restated(number, unit):.4g}"
    return f"{what.replace('_', ' ')} {value}{unit_text(unit)}".strip()
