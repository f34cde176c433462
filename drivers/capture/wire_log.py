"""Record the traffic on the wires of a rig without delaying the cycle, and read it back.

The process of the cycle only packs records into a pipe; ``drivers.capture.wire_log_writer``
writes them: each bus in python-can's own text format (``bus.log``, which other CAN tools also
    read), each serial port as timed text (``serial.log``), and ``wire.jsonl``: the number of frames
    in each cycle, and the requests to the bench in between.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import struct
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import can

HEAD = struct.Struct("<BBHq")  # kind, wire, size of the data, time.monotonic() in us
FRAME = struct.Struct("<IBB")  # identifier and flags, more flags, length
OPENED, CAN_IN, CAN_OUT, BYTES_IN, BYTES_OUT, CYCLE, NOTE, ASKED = range(8)
EXTENDED, REMOTE = 0x8000_0000, 0x4000_0000
FLEXIBLE, SWITCHED, ERROR = 1, 2, 4
INDEX_FILE = "wire.jsonl"
PIPE_BYTES = 1 << 20
MOST_WAITING = 1 << 20
CHUNK = 65536
WRITE_AT = 4096
WRITE_EVERY = 20  # cycles
END_S = 5.0


class WireRecorder:
    """Recorder of the traffic; another process writes the files in ``folder``.

    Attributes:
        lost: records dropped because the writer was too far behind.
    """

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.lost = 0
        self._waiting = bytearray()
        self._handing_on = threading.Lock()
        self._wires = 0
        self._cycles = 0
        self._last_us = round(1e6 * time.monotonic())
        began = time.time() - time.monotonic()
        self._process = subprocess.Popen(
            [sys.executable, "-m", "drivers.capture.wire_log_writer", str(folder), repr(began)],
            stdin=subprocess.PIPE,
            start_new_session=True,
        )
        assert self._process.stdin is not None
        self._pipe = self._process.stdin.fileno()
        with contextlib.suppress(OSError, AttributeError):
            fcntl.fcntl(self._pipe, fcntl.F_SETPIPE_SZ, PIPE_BYTES)
        os.set_blocking(self._pipe, False)

    def tap_bus(self, bus: can.BusABC, name: str) -> None:
        """Note every frame that this bus receives and sends from now on."""
        wire = self._open("can", name)
        receive, send, put = bus.recv, bus.send, self._put

        def recv(timeout: float | None = None) -> can.Message | None:
            frame = receive(timeout)
            if frame is not None:
                put(CAN_IN, wire, _packed(frame), getattr(frame, "received_s", 0.0))
            return frame

        def send_too(msg: can.Message, timeout: float | None = None) -> None:
            # Noted first: another thread may receive the answer before this one continues.
            put(CAN_OUT, wire, _packed(msg))
            send(msg, timeout)

        # On the instance: each interface has its own class.
        for key, function in (("recv", recv), ("send", send_too)):
            setattr(bus, key, function)

    def tap_port(self, port: Any, name: str) -> None:
        """Note every chunk passed by an object with ``read(until_s)`` and ``write(data)``."""
        wire = self._open("serial", name)
        read, write, put = port.read, port.write, self._put

        def read_too(*arguments: Any) -> bytes:
            data: bytes = read(*arguments)
            if data:
                put(BYTES_IN, wire, data)
            return data

        def write_too(data: bytes) -> None:
            put(BYTES_OUT, wire, data)
            write(data)

        for key, function in (("read", read_too), ("write", write_too)):
            setattr(port, key, function)

    def now(self) -> float:
        """Return the time, and record it."""
        self._put(ASKED, 0, b"")
        return self._last_us / 1e6

    def received_at(self, _frame: can.Message | None = None) -> float:
        """Return the time of the last record: right after a reception, that is its time."""
        return self._last_us / 1e6

    def cycle(self, periods: int) -> None:
        """Note the start of a cycle, so many periods after the last; 0: another read."""
        self._put(CYCLE, min(periods, 255), b"")
        self._cycles += 1
        if self._cycles % WRITE_EVERY == 0:
            self.flush()

    def note(self, data: dict[str, Any]) -> None:
        """Note an event of this cycle that is not on any wire."""
        self._put(NOTE, 0, json.dumps(data).encode())

    def flush(self) -> None:
        """Pass on waiting records, as far as possible without blocking."""
        waiting = self._waiting
        if not self._handing_on.acquire(blocking=False):
            return
        try:
            while waiting:
                del waiting[: os.write(self._pipe, bytes(waiting[:CHUNK]))]
        except OSError:
            return  # full, or the writer has exited: the cycle continues
        finally:
            self._handing_on.release()

    def close(self) -> None:
        """Pass on the rest and wait for the files."""
        process = self._process
        if process.stdin is None or process.stdin.closed:
            return
        os.set_blocking(self._pipe, True)
        if self.lost:
            self.note({"lost": self.lost})
        self.flush()
        with contextlib.suppress(OSError):
            process.stdin.close()
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(END_S)

    def _open(self, kind: str, name: str) -> int:
        wire = self._wires
        self._wires += 1
        self._put(OPENED, wire, json.dumps({"kind": kind, "name": name}).encode())
        return wire

    def _put(self, kind: int, wire: int, data: bytes, at_s: float = 0.0) -> None:
        waiting = self._waiting
        self._last_us = at_us = int(1e6 * (at_s or time.monotonic()))
        if len(waiting) > MOST_WAITING or len(data) > 0xFFFF:
            self.lost += 1
            return
        # In one step: while a drive is opened, other threads may receive as well.
        waiting += HEAD.pack(kind, wire, len(data), at_us) + data
        if len(waiting) > WRITE_AT and not self._cycles:
            self.flush()


def _packed(frame: can.Message) -> bytes:
    identifier = frame.arbitration_id
    if frame.is_extended_id:
        identifier |= EXTENDED
    if frame.is_remote_frame:
        identifier |= REMOTE
    flags = 0
    if frame.is_fd or frame.is_error_frame:
        flags = frame.is_fd * FLEXIBLE | frame.bitrate_switch * SWITCHED
        flags |= frame.is_error_frame * ERROR
    return FRAME.pack(identifier, flags, frame.dlc) + frame.data


def unpacked(data: bytes, time_s: float, received: bool, channel: str) -> can.Message:
    """Return the frame of one record."""
    identifier, flags, length = FRAME.unpack_from(data)
    remote = bool(identifier & REMOTE)
    return can.Message(
        timestamp=time_s,
        arbitration_id=identifier & 0x1FFF_FFFF,
        is_extended_id=bool(identifier & EXTENDED),
        is_remote_frame=remote,
        is_error_frame=bool(flags & ERROR),
        channel=channel,
        dlc=length,
        data=None if remote else bytearray(data[FRAME.size :]),
        is_fd=bool(flags & FLEXIBLE),
        bitrate_switch=bool(flags & SWITCHED),
        is_rx=received,
    )
