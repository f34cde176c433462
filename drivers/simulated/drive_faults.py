"""Faults that the simulated drive reports."""

from __future__ import annotations

# Error codes of CiA 402 (IEC 61800-7-201) and CiA 301; those marked * from memory.
OVERCURRENT = 0x2310
OVERVOLTAGE = 0x3210
UNDERVOLTAGE = 0x3220
OVERTEMPERATURE = 0x4310
HOST_LOST = 0x8130
OVERSPEED = 0x8400  # *: velocity controller

FAULT_TEXTS: dict[int, str] = {
    OVERCURRENT: "drive: motor current too high",
    OVERVOLTAGE: "drive: DC link voltage too high",
    UNDERVOLTAGE: "drive: DC link voltage too low",
    OVERTEMPERATURE: "drive: too hot",
    HOST_LOST: "drive: the host fell silent",
    OVERSPEED: "drive: motor too fast",
}
