"""Real rate of a serial port, and how long its adapter holds received bytes back."""

from __future__ import annotations

import fcntl
import struct
from pathlib import Path

TCGETS2 = 0x802C542A  # Linux, asm-generic/ioctls.h; other systems refuse it
TERMIOS2 = struct.Struct("4IB19s2I")  # asm-generic/termbits.h: flags, line, characters, rates
# Both ends together may be off by about half a bit in a character of ten: 5 %. Common practice, no
# source.
MOST_OFF = 0.02
TERMINALS = Path("/sys/class/tty")


def actual_baud(number: int) -> int | None:
    """Return the rate of an open port that its driver has set, in bit/s; None if not reported."""
    try:
        found = TERMIOS2.unpack(fcntl.ioctl(number, TCGETS2, bytes(TERMIOS2.size)))
    except (OSError, struct.error):
        return None
    return int(found[-1]) or None


def wrong_speed(baud: int, actual: int | None) -> str:
    """Return why a port that should run at ``baud`` cannot be used; empty if it can."""
    if actual is None or abs(actual - baud) <= MOST_OFF * baud:
        return ""
    return (
        f"it runs at {actual} baud instead of {baud}: its hardware does not have that rate. "
        "Fix: set a rate that it has, in the board and in the profile"
    )


def held_back_ms(path: str, terminals: Path = TERMINALS) -> float | None:
    """Return how long an adapter collects bytes before it passes them on; None if not reported.

    Opening a port requests the shortest; the system may refuse.
    """
    try:
        timer = terminals / Path(path).resolve().name / "device" / "latency_timer"
        return float(timer.read_text())
    except (OSError, ValueError):
        return None
