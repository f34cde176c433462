"""Wording of every limit and cause: a label, a sentence, and how to correct it."""

from __future__ import annotations

from typing import NamedTuple

from hil.core.limits import Cause, Limit


class Wording(NamedTuple):
    """``label`` two or three words; ``sentence`` what happened; ``fix`` what to do about it."""

    label: str
    sentence: str
    fix: str


WORDING: dict[int, Wording] = {
    Limit.FORCE: Wording(
        "Force",
        "The spring force passed the force limit.",
        "Ask for less force, or take weight off the rig.",
    ),
    Limit.FORCE_RATE: Wording(
        "Force rate",
        "The spring force changed faster than the force rate limit.",
        "Look for a blow, a loose part or an unstable force loop before going on.",
    ),
    Limit.DEFLECTION: Wording(
        "Deflection",
        "The springs gave more than the deflection limit.",
        "Take weight off the rig; check the sensor's zero and the spring law.",
    ),
    Limit.TRAVEL: Wording(
        "Travel",
        "The output went past a soft end of its travel.",
        "Move the output back by hand before energising, and keep the rest position inside.",
    ),
    Limit.SPEED: Wording(
        "Speed",
        "The nut moved faster than the speed limit.",
        "Use more damping or less force; check that the load has not come off.",
    ),
    Limit.CURRENT: Wording(
        "Motor current",
        "The motor current passed its limit.",
        "Check the drive's own current limit and the torque constant in the profile.",
    ),
    Limit.MOTOR_HEAT: Wording(
        "Motor heat",
        "The motor used up its thermal capacity.",
        "Let it cool with power off; take weight off or rest between lifts.",
    ),
    Limit.DRIVE_TEMPERATURE: Wording(
        "Drive temperature",
        "The drive became hotter than its limit.",
        "Let it cool with power off; check its airflow and mounting.",
    ),
    Limit.SUPPLY_LOW: Wording(
        "Supply low",
        "The supply voltage fell below its limit.",
        "Charge the battery; check the supply's current limit, fuse and wiring.",
    ),
    Limit.SUPPLY_HIGH: Wording(
        "Supply high",
        "The supply voltage rose above its limit.",
        "A load driven down feeds energy back: lower it more slowly or fit a brake resistor.",
    ),
    Limit.VIRTUAL_STIFFNESS: Wording(
        "Virtual stiffness",
        "The requested virtual spring is stiffer than the real springs allow.",
        "Ask for less stiffness than the spring's own.",
    ),
    Limit.DAMPING: Wording(
        "Damping",
        "The requested virtual damping is more than the profile permits.",
        "Ask for less damping.",
    ),
    Limit.TELEMETRY_AGE: Wording(
        "Telemetry age",
        "No fresh sample came from the drive in time.",
        "Check the bus wiring, its load and termination; run the host check for this computer.",
    ),
    Limit.SENSOR_RAIL: Wording(
        "Sensor at rail",
        "The deflection sensor stood at the end of its range.",
        "Check its cable and supply; a broken or shorted wire reads so.",
    ),
    Limit.SENSOR_JUMP: Wording(
        "Sensor jump",
        "The deflection sensor jumped from one cycle to the next.",
        "Check its cable, plug and shielding.",
    ),
    Limit.SENSOR_FROZEN: Wording(
        "Sensor frozen",
        "The deflection sensor did not change while the nut moved, or its own noise stopped.",
        "Check that the sensor follows the springs and that its input is the right one.",
    ),
    Limit.MOTOR_SENSOR_FROZEN: Wording(
        "Motor sensor frozen",
        "The motor sensor stood still while the motor's torque strained the springs.",
        "Check the motor sensor's cable, plug and supply before power comes again.",
    ),
    Limit.DISAGREEMENT: Wording(
        "Force disagreement",
        "Spring force and motor-derived force did not agree.",
        "Check the calibration and the torque constant; look for a jam or a slack coupling. A rotor or "
        "friction that is not as stated is found by the test Plant.",
    ),
    Limit.DRIVE_FAULT: Wording(
        "Drive fault",
        "The drive reported a fault.",
        "Correct what the drive names; a reset then clears it.",
    ),
    Limit.FORCE_FOLLOWING: Wording(
        "Force following",
        "The spring force did not follow the shaped force.",
        "Look for a jam, a loose coupling or an unstable force loop; check torque constant, "
        "spring law and the drive's delay.",
    ),
    Limit.SETPOINT_FOLLOWING: Wording(
        "Setpoint following",
        "The shaped force left the setpoint, and no cap explains it.",
        "Keep the run and report it; run the host check for this computer.",
    ),
    Limit.POSITION_FOLLOWING: Wording(
        "Position following",
        "The motor sensor's position and the drive's own velocity did not agree.",
        "Look for an encoder that slips on its shaft or loses counts; check its counts per "
        "revolution in profile and drive.",
    ),
    Limit.OUTPUT_ENERGY: Wording(
        "Unstable",
        "The force loop put energy into the output that no setpoint explains.",
        "Ask for less stiffness or more damping; check spring law, gain and delay of the drive.",
    ),
    Cause.OPERATOR: Wording(
        "Operator", "Somebody pressed stop.", "Reset when the rig may be used again."
    ),
    Cause.HEARTBEAT_LATE: Wording(
        "Heartbeat late",
        "The holder of control fell silent.",
        "Check the program that held control; take control again, then reset.",
    ),
    Cause.EXCEPTION: Wording(
        "Internal error",
        "The rig host met an error of its own and removed power.",
        "Keep the run and report it; restart the rig host.",
    ),
    Cause.DRIVE_LOST: Wording(
        "Drive lost",
        "The drive can no longer be reached.",
        "Check power and bus, then restart the rig host.",
    ),
    Cause.HOST_ENDING: Wording(
        "Host ending", "The end of the rig host was requested.", "Start it again."
    ),
    Cause.HOLD_TO_RUN_RELEASED: Wording(
        "Hold-to-run control",
        "The hold-to-run control was let go.",
        "Reset, hold it again, and power on.",
    ),
    Cause.CONTROL_RELEASED: Wording(
        "Control released",
        "Control was given up while the power stage was on or coming on.",
        "Take control, reset, and power on again.",
    ),
    Cause.SETPOINT_LATE: Wording(
        "Setpoint late",
        "The program that sets the force fell silent.",
        "Find out why it did, or give it a longer gap; then reset.",
    ),
    Cause.CYCLE_LATE: Wording(
        "Cycle late",
        "The rig host was held up; meanwhile the drive followed its last command.",
        "End other programs, run the host check for this computer, then reset.",
    ),
    Cause.DRIVE_DISABLED: Wording(
        "Drive dropped out",
        "The drive switched its power stage off by itself.",
        "Check its enable input and its own limits, then reset.",
    ),
    Cause.POWER_NOT_REMOVED: Wording(
        "POWER IS STILL ON",
        "The drive shows that its power is on though the bench requests none.",
        "Press the emergency stop and part the supply; find out why the drive does not obey.",
    ),
}


def label(code: int) -> str:
    """Two or three words for a ``Limit`` or ``Cause`` code; '' for 0, 'cause N' if unknown."""
    wording = WORDING.get(code)
    if wording is not None:
        return wording.label
    return f"Cause {code}" if code else ""


def sentence(code: int) -> str:
    """Describe the event in one sentence; '' for 0."""
    wording = WORDING.get(code)
    if wording is not None:
        return wording.sentence
    return f"The bench was stopped for cause {code}." if code else ""


def fix(code: int) -> str:
    """Give the fix in one sentence; '' for 0 or an unknown code."""
    wording = WORDING.get(code)
    return wording.fix if wording is not None else ""


def limit_names(mask: int) -> list[str]:
    """Labels of the limits whose bits are set in ``mask`` (column ``limited``)."""
    return [label(limit) for limit in Limit if mask >> limit & 1]
