"""``python -m drivers.capture.wire_log_writer FOLDER BEGAN``: write the input's records to files.

``BEGAN``: time at which the clock of the records was 0, in s since 1970.
"""

from __future__ import annotations

import json
import os
import signal
import sys
from pathlib import Path
from typing import Any, BinaryIO

import can

from drivers.capture.wire_log import (
    ASKED,
    BYTES_IN,
    BYTES_OUT,
    CAN_IN,
    CAN_OUT,
    CYCLE,
    HEAD,
    INDEX_FILE,
    NOTE,
    OPENED,
    unpacked,
)
from drivers.capture.wire_text import timed_line

CYCLES_A_LINE = 500


class Writer:
    """Writer of records to one file per wire; counts those of each cycle."""

    def __init__(self, folder: Path, began_s: float = 0.0) -> None:
        self._folder = folder
        self._began_s = began_s
        self._now_us = 0
        self._nows: list[list[int]] = [[]]  # of each cycle
        self._received_us: list[int] = []
        self._received: list[list[int]] = []  # of each wire
        self._index = (folder / INDEX_FILE).open("w")
        self._wires: list[Any] = []
        self._names: list[str] = []
        self._counts: list[int] = []
        self._periods = 0  # 0: before the first cycle
        self._cycles: list[list[int]] = []
        self._notes: list[dict[str, Any]] = []

    def take(self, kind: int, wire: int, at_us: int, data: bytes) -> None:
        """Write one record."""
        time_s = self._began_s + at_us / 1e6
        if kind in (CAN_IN, BYTES_IN):
            self._received[wire].append(at_us - self._received_us[wire])
            self._received_us[wire] = at_us
        if kind == ASKED:
            self._nows[-1].append(at_us - self._now_us)
            self._now_us = at_us
        elif kind == CYCLE:
            self._end_cycle()
            self._periods = wire
        elif kind == NOTE:
            self._notes.append(json.loads(data))
        elif kind == OPENED:
            self._open(json.loads(data))
        elif kind in (CAN_IN, CAN_OUT):
            frame = unpacked(data, time_s, kind == CAN_IN, self._names[wire])
            self._wires[wire].on_message_received(frame)
            self._counts[wire] += 1
        elif kind in (BYTES_IN, BYTES_OUT):
            self._wires[wire].write(timed_line(time_s, kind == BYTES_IN, data))
            self._counts[wire] += 1

    def close(self) -> None:
        self._end_cycle()
        self._write_cycles()
        self._index.close()
        for wire in self._wires:
            end = wire.stop if hasattr(wire, "stop") else wire.close
            end()

    def _open(self, described: dict[str, Any]) -> None:
        kind = described["kind"]
        stem = "bus" if kind == "can" else "serial"
        number = sum(name.startswith(stem) for name in self._names) + 1
        name = stem if number == 1 else f"{stem}_{number}"
        path = self._folder / f"{name}.log"
        self._wires.append(can.Logger(str(path)) if kind == "can" else path.open("w"))
        self._names.append(name)
        self._counts.append(0)
        self._received.append([])
        self._received_us.append(0)
        self._line({"wire": name, **described})

    def _end_cycle(self) -> None:
        self._cycles.append([self._periods, *self._counts])
        self._nows.append([])
        self._counts = [0] * len(self._counts)
        if self._notes or len(self._cycles) >= CYCLES_A_LINE:
            self._write_cycles()
        for note in self._notes:
            self._line(note)
        self._notes.clear()

    def _write_cycles(self) -> None:
        if self._cycles:
            times = {"now": self._nows[:-1], "received": self._received}
            self._line({"cycles": self._cycles, **times})
        self._cycles = []
        self._nows = self._nows[-1:]
        self._received = [[] for _ in self._received]

    def _line(self, data: dict[str, Any]) -> None:
        self._index.write(json.dumps(data, separators=(",", ":")) + "\n")


def copy(source: BinaryIO, writer: Writer) -> None:
    """Copy records until the end of ``source``, which may be in the middle of a record."""
    while len(head := source.read(HEAD.size)) == HEAD.size:
        kind, wire, size, at_us = HEAD.unpack(head)
        data = source.read(size)
        if len(data) < size:
            break
        writer.take(kind, wire, at_us, data)


def main() -> int:
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)  # the end of the input ends this process
    os.nice(10)  # the process of the cycle has precedence
    writer = Writer(Path(sys.argv[1]), float(sys.argv[2]))
    try:
        copy(sys.stdin.buffer, writer)
    finally:
        writer.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
