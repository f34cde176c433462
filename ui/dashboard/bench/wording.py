"""Wording of numbers, times and states on every page."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from hil.core import Apply, BehaviourCode, Request, State

STATE_WORDS = {
    State.DE_ENERGISED: "De-energised",
    State.STANDBY: "Standby",
    State.RUNNING: "Running",
    State.STOPPED: "Stopped",
}
BEHAVIOUR_WORDS = {
    BehaviourCode.NONE: "none",
    BehaviourCode.FLOAT: "Float",
    BehaviourCode.CONSTANT_FORCE: "Constant force",
    BehaviourCode.VIRTUAL_SPRING: "Virtual spring",
    BehaviourCode.HOLD_POSITION: "Hold position",
    BehaviourCode.WAVEFORM: "Waveform",
    BehaviourCode.MOTOR_TORQUE: "Motor torque",
    BehaviourCode.MOTOR_SPEED: "Motor speed",
    BehaviourCode.SEEK_REFERENCE: "Seek reference",
    BehaviourCode.EXTERNAL_SETPOINT: "External setpoint",
}
REQUEST_WORDS = {
    "energise": "power on",
    "power_off": "power off",
    "stop": "stop",
    "reset": "reset",
    "tare": "tare",
    "marker": "mark",
    "start_run": "record",
    "end_run": "end run",
}


def asked_words(request: Request) -> str:
    """Name a request as the screen does."""
    kind = str(request.behaviour.kind if isinstance(request, Apply) else request.kind)
    words = kind.replace("_", " ")
    return words.capitalize() if isinstance(request, Apply) else REQUEST_WORDS.get(kind, words)


def number(value: float, decimals: int) -> str:
    """Format with fixed decimals, a true minus sign, no minus zero; an en dash if unknown."""
    if not math.isfinite(value):
        return "–"
    text = f"{value:.{decimals}f}"
    if float(text) == 0.0:
        text = text.removeprefix("-")
    return text.replace("-", "−")


def two_digits(value: float) -> str:
    """Format with two significant digits, as uncertainties are; whole numbers from 10 on."""
    if not math.isfinite(value):
        return "–"
    if value == 0.0:
        return "0"
    # Rounded first: 9.96 is 10, not 10.0.
    size = math.floor(math.log10(float(f"{abs(value):.1e}")))
    return number(value, max(0, 1 - size))


def duration_text(seconds: float) -> str:
    """Format as hh:mm:ss."""
    whole = max(0, int(seconds))
    return f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def clock_text(event: Mapping[str, Any]) -> str:
    """Return the time of day hh:mm:ss from the event's wall clock, '' if it has none."""
    wall = str(event.get("wall", ""))
    return wall[11:19] if len(wall) >= 19 else ""
