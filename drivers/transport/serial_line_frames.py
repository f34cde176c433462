"""Frames as lines of a CAN adapter's text protocol; ``serial_line_bus`` names its letters."""

from __future__ import annotations

from binascii import Error as NoHexadecimal
from binascii import unhexlify

import can

LENGTHS = (*range(9), 12, 16, 20, 24, 32, 48, 64)
CODE_OF = {length: code for code, length in enumerate(LENGTHS)}
LONGEST_LINE = 1 + 8 + 1 + 2 * 64 + 4
# Letter: extended, remote, flexible, switched.
KINDS: dict[int, tuple[bool, bool, bool, bool]] = {
    ord("t"): (False, False, False, False),
    ord("T"): (True, False, False, False),
    ord("r"): (False, True, False, False),
    ord("R"): (True, True, False, False),
    ord("d"): (False, False, True, False),
    ord("D"): (True, False, True, False),
    ord("b"): (False, False, True, True),
    ord("B"): (True, False, True, True),
}


def line_frame(line: bytes, now_s: float) -> can.Message | None:
    """Return the frame of a line (without its CR), or None if it is not a frame.

    Four hexadecimal digits after the data are an adapter's own time stamp and are ignored.
    """
    kind = KINDS.get(line[0])
    if kind is None:
        return None
    extended, remote, flexible, switched = kind
    try:
        # Identifier and length code are 4 or 9 digits: whole bytes, with a 0 before the longer one.
        raw = unhexlify(b"0" + line[1:] if extended else line[1:])
    except NoHexadecimal:
        return None
    head = 5 if extended else 2
    if len(raw) < head:
        return None
    number = int.from_bytes(raw[:head], "big")
    identifier, code = number >> 4, number & 15
    if identifier > (0x1FFF_FFFF if extended else 0x7FF) or (code > 8 and not flexible):
        return None
    length = LENGTHS[code]
    end = head if remote else head + length
    if len(raw) != end and len(raw) != end + 2:
        return None
    return can.Message(
        now_s,
        identifier,
        extended,
        remote,
        dlc=length,
        data=None if remote else bytearray(raw[head:end]),
        is_fd=flexible,
        bitrate_switch=switched,
    )


def frame_line(msg: can.Message) -> bytes:
    """Return the line of a frame, CR included.

    Raises:
        ValueError: an error frame.
    """
    if msg.is_error_frame:
        raise ValueError("serial_line sends no error frames")
    extended = msg.is_extended_id
    if msg.is_fd:
        letter = "b" if msg.bitrate_switch else "d"
        code = CODE_OF.get(len(msg.data))
        if code is None:
            raise ValueError(f"CAN FD has no frame of {len(msg.data)} data bytes")
    else:
        letter = "r" if msg.is_remote_frame else "t"
        code = msg.dlc
    data = "" if msg.is_remote_frame else msg.data.hex()
    if extended:
        text = f"{letter}{msg.arbitration_id:08x}{code:x}{data}\r"
    else:
        text = f"{letter}{msg.arbitration_id:03x}{code:x}{data}\r"
    # Digits are upper case, as adapters write them; 'd' and 'b' would also be digits.
    head = text[0].upper() if extended else text[0]
    return (head + text[1:].upper()).encode()
