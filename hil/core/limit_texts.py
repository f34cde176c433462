"""Wording of every limit and cause: a label, a sentence and the fix."""

from __future__ import annotations

from typing import NamedTuple

from drivers.motion import in_words
from hil.core.limits import Cause, Limit


class Wording(NamedTuple):
    """Texts of a code: ``label``, two or three words; ``sentence``, the event; ``fix``, the remedy."""

    label: str
    sentence: str
    fix: str


WORDING: dict[int, Wording] = {
    Limit.FORCE: Wording(
        "Force",
        "The spring force passed the force limit.",
        "Request less force, or take weight off the rig.",
    ),
    Limit.FORCE_RATE: Wording(
        "Force rate",
        "The spring force changed faster than the force rate limit.",
        "Look for a blow, a loose part or an unstable force loop before continuing.",
    ),
    Limit.DEFLECTION: Wording(
        "Deflection",
        "The spring deflection passed the deflection limit.",
        "Take weight off the rig; check the sensor's zero and the spring law.",
    ),
    Limit.TRAVEL: Wording(
        "Travel",
        "The output went past a soft end of its travel.",
        "Move the output back by hand before power on, and keep the rest position inside.",
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
        "The motor has used up its thermal capacity.",
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
        "Request less stiffness than that of the real springs.",
    ),
    Limit.DAMPING: Wording(
        "Damping",
        "The requested virtual damping is more than the profile permits.",
        "Request less damping.",
    ),
    Limit.TELEMETRY_AGE: Wording(
        "Telemetry age",
        "No fresh sample came from the drive in time.",
        "Check the bus wiring, its load and termination; run the host check for this computer.",
    ),
    Limit.SENSOR_RAIL: Wording(
        "Sensor at rail",
        "The deflection sensor was at the end of its range.",
        "Check its cable and supply; a broken or shorted wire reads like this.",
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
        "The motor sensor did not change while the motor's torque loaded the springs.",
        "Check the motor sensor's cable, plug and supply before the next power on.",
    ),
    Limit.DISAGREEMENT: Wording(
        "Force disagreement",
        "Spring force and motor-derived force did not agree.",
        "Check the calibration and the torque constant; look for a jam or a slack coupling. Use "
        "the test Plant to find a rotor inertia or friction that differs from the profile.",
    ),
    Limit.DRIVE_FAULT: Wording(
        "Drive fault",
        "The drive reported a fault.",
        "Correct the fault that the drive reports; a reset then clears it.",
    ),
    Limit.FORCE_FOLLOWING: Wording(
        "Force following",
        "The spring force did not follow the shaped force.",
        "Look for a jam, a loose coupling or an unstable force loop; check torque constant, "
        "spring law and the drive's delay.",
    ),
    Limit.SETPOINT_FOLLOWING: Wording(
        "Setpoint following",
        "The shaped force departed from the setpoint, and no cap explains it.",
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
        "Request less stiffness or more damping; check spring law, gain and delay of the drive.",
    ),
    Cause.OPERATOR: Wording(
        "Operator", "Stop was pressed.", "Reset when the rig may be used again."
    ),
    Cause.HEARTBEAT_LATE: Wording(
        "Heartbeat late",
        "The holder of control fell silent.",
        "Check the program that held control; take control again, then reset.",
    ),
    Cause.EXCEPTION: Wording(
        "Internal error",
        "The rig host had an internal error and removed power.",
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
        "The hold-to-run control was released.",
        "Reset, hold it again, and power on.",
    ),
    Cause.CONTROL_RELEASED: Wording(
        "Control released",
        "Control was given up while the power stage was on or coming on.",
        "Take control, reset, and power on again.",
    ),
    Cause.OTHER_AXIS: Wording(
        "Other axis",
        "Another axis stopped, and with it every axis of this bench.",
        "See why that axis stopped, then reset every axis.",
    ),
    Cause.SETPOINT_LATE: Wording(
        "Setpoint late",
        "The program that sets the force fell silent.",
        "Find out why, or allow it a longer gap; then reset.",
    ),
    Cause.CYCLE_LATE: Wording(
        "Cycle late",
        "The rig host was delayed; meanwhile the drive followed its last command.",
        "End other programs, run the host check for this computer, then reset.",
    ),
    Cause.DRIVE_DISABLED: Wording(
        "Drive dropped out",
        "The drive switched its power stage off on its own.",
        "Check its enable input and its own limits, then reset.",
    ),
    Cause.POWER_NOT_REMOVED: Wording(
        "POWER IS STILL ON",
        "The drive reports that its power is on although the bench requests none.",
        "Press the emergency stop and disconnect the supply; find out why the drive does not obey.",
    ),
}


def label(code: int) -> str:
    """Return the label of a ``Limit`` or ``Cause`` code; '' for 0, 'Cause N' if unknown."""
    wording = WORDING.get(code)
    if wording is not None:
        return in_words(wording.label)
    return f"Cause {code}" if code else ""


def sentence(code: int) -> str:
    """Return a sentence on the event; '' for 0."""
    wording = WORDING.get(code)
    if wording is not None:
        return in_words(wording.sentence)
    return f"The bench was stopped for cause {code}." if code else ""


def fix(code: int) -> str:
    """Return the fix as a sentence; '' for 0 or an unknown code."""
    wording = WORDING.get(code)
    return in_words(wording.fix) if wording is not None else ""


def limit_names(mask: int) -> list[str]:
    """Return the labels of the limits whose bits are set in ``mask`` (column ``limited``)."""
    return [label(limit) for limit in Limit if mask >> limit & 1]
