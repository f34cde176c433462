"""Text of emergency error codes (CiA 301, table of emergency error codes; CiA 402, annex)."""

from __future__ import annotations

CODES: dict[int, str] = {
    0x2310: "continuous over current",
    0x2320: "short circuit or earth leakage",
    0x3210: "DC link over-voltage",
    0x3220: "DC link under-voltage",
    0x4210: "excess temperature of the device",
    0x4310: "excess temperature of the drive",
    0x5441: "contactor",
    0x6320: "parameter error",
    0x7300: "sensor",
    0x7305: "incremental sensor 1",
    0x8110: "CAN overrun, objects lost",
    0x8120: "CAN in error passive mode",
    0x8130: "heartbeat or life guard error: the drive no longer received the host's heartbeat",
    0x8140: "recovered from bus off",
    0x8250: "RPDO timeout: the drive no longer received the host's commands",
    0x8400: "velocity speed controller",
    0x8611: "following error",
}
RANGES: dict[int, str] = {
    0x10: "generic error",
    0x20: "current",
    0x21: "current, device input side",
    0x22: "current inside the device",
    0x23: "current, device output side",
    0x30: "voltage",
    0x31: "mains voltage",
    0x32: "voltage inside the device",
    0x33: "output voltage",
    0x40: "temperature",
    0x41: "ambient temperature",
    0x42: "device temperature",
    0x43: "drive temperature",
    0x50: "device hardware",
    0x60: "device software",
    0x61: "internal software",
    0x62: "user software",
    0x63: "data set",
    0x70: "additional modules",
    0x71: "power section",
    0x72: "measurement circuit",
    0x73: "sensor",
    0x80: "monitoring",
    0x81: "communication",
    0x82: "protocol error",
    0x83: "torque control",
    0x84: "velocity control",
    0x85: "position control",
    0x86: "positioning control",
    0x90: "external error",
    0xF0: "additional functions",
    0xFF: "device specific",
}


def text_of(code: int) -> str:
    """Return the text of an error code, by exact code, then by its range."""
    if code == 0:
        return "no error"
    words = CODES.get(code) or RANGES.get(code >> 8) or RANGES.get(code >> 8 & 0xF0)
    return f"{words or 'unknown error'} ({code:#06x})"
