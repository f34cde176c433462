"""The host's end of every wire, observed and disturbed."""

from __future__ import annotations

import math
import random
import threading
import time
from typing import Any

import can


class Wires:
    """Disturber that takes the place of a recorder of the wires (``drivers.capture.wires``).

    ``noise``: damaged copies follow everything received. ``deaf``: everything received is dropped;
    with both, only damaged data arrives.

    Attributes:
        names: of all wires opened. waits: longest wait that each reception permitted, s. sent:
            messages sent. damaged: number of damaged copies.
        checked: identifiers of CAN messages whose content a checksum guards.
    """

    def __init__(self) -> None:
        self.names: list[str] = []
        self.waits: list[float] = []
        self.sent = 0
        self.damaged = 0
        self.noise = self.deaf = False
        self.checked: frozenset[int] = frozenset()
        self._draw = random.Random(7)
        self._own_thread = threading.get_ident()

    def tap_bus(self, bus: can.BusABC, name: str) -> None:
        """See ``drivers.capture.wire_log.WireRecorder``."""
        if threading.get_ident() != self._own_thread:
            return  # the board's end
        self.names.append(name)
        receive, send = bus.recv, bus.send
        waiting: list[can.Message | None] = []

        def recv(timeout: float | None = None) -> can.Message | None:
            self.waits.append(math.inf if timeout is None else timeout)
            if not waiting:
                frame = receive(timeout)
                if frame is None:
                    return None
                if self.noise:
                    waiting.extend(self._damaged_frame(frame) for _ in range(3))
                if not self.deaf:
                    return frame
                if not self.noise:
                    return None
            self.damaged += 1
            frame = waiting.pop()
            if frame is None:
                raise ValueError("an adapter's reader stumbles over a damaged frame")
            return frame

        def send_too(msg: can.Message, timeout: float | None = None) -> None:
            self.sent += 1
            send(msg, timeout)

        vars(bus).update(recv=recv, send=send_too)

    def tap_port(self, port: Any, name: str) -> None:
        """See ``drivers.capture.wire_log.WireRecorder``."""
        if threading.get_ident() != self._own_thread:
            return
        self.names.append(name)
        read, write = port.read, port.write
        last = [b"?", b"?"]

        def read_too(until_s: float = 0.0) -> bytes:
            self.waits.append(until_s - time.monotonic())
            chunk: bytes = read(until_s)
            if not chunk:
                return b""
            last[:] = [last[1], chunk]
            if not self.noise:
                return b"" if self.deaf else chunk
            if self.deaf:
                # Change every byte: a chunk may hold several units, of which one would stay whole.
                self.damaged += 1
                return bytes(byte ^ self._draw.randrange(1, 256) for byte in chunk)
            return self._damaged_bytes(*last) + chunk + self._damaged_bytes(*last)

        def write_too(data: bytes) -> None:
            self.sent += 1
            write(data)

        vars(port).update(read=read_too, write=write_too)

    def _damaged_frame(self, frame: can.Message) -> can.Message | None:
        """Return the frame damaged: in length, kind, identifier, or bits under a checksum."""
        draw, data = self._draw, bytearray(frame.data)
        identifier, kind = frame.arbitration_id, draw.randrange(6)
        options: dict[str, Any] = {"is_extended_id": frame.is_extended_id}
        if kind == 0:
            return None
        if kind == 1 and identifier in self.checked:
            for _ in range(draw.randint(1, 2)):
                data[draw.randrange(len(data))] ^= 1 << draw.randrange(8)
        elif kind == 2:
            options["is_extended_id"] = not frame.is_extended_id
            identifier = draw.randrange(0x7F0, 0x800) if frame.is_extended_id else identifier
        elif kind == 3:
            options["is_remote_frame"], data = True, bytearray()
        elif kind == 4:
            # An identifier outside the predefined connection set (CiA 301).
            identifier, options["is_extended_id"] = draw.randrange(0x7F0, 0x800), False
        else:
            data = data[: draw.randrange(len(data))] if data else bytearray(b"\x55")
        return can.Message(arbitration_id=identifier, data=data, **options)

    def _damaged_bytes(self, one: bytes, other: bytes) -> bytes:
        draw = self._draw
        self.damaged += 1
        kind = draw.randrange(4)
        if kind == 0:
            return draw.randbytes(draw.randrange(1, 2 * len(one) + 2))
        if kind == 1:
            return one[: draw.randrange(len(one))]
        if kind == 2:
            return one[: draw.randrange(len(one))] + other[draw.randrange(len(other)) :]
        turned = bytearray(one)
        for _ in range(draw.randint(1, 3)):
            turned[draw.randrange(len(turned))] ^= 1 << draw.randrange(8)
        return bytes(turned)
