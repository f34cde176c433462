"""Send garbage on the wire: random, truncated, spliced and bit-flipped frames and lines, by the
million.

For each protocol intact units follow bursts of damaged ones. The campaign counts exceptions, values
accepted with a wrong checksum (computed here, bit by bit), and intact units lost after a burst
until one is accepted. A damaged unit whose checksum happens to fit cannot be told from a good one;
those are listed, and must not be more than 2^-width makes likely. Finally only garbage arrives for
longer than the description allows, and the drive must be reported as lost.

``--count`` damaged units a protocol (default a million); ``--check`` exits 1 naming what fell
short; ``--json`` puts one object on the last line.
"""

from __future__ import annotations

import argparse
import json
import math
import random
import sys
import time
from collections import deque
from collections.abc import Callable
from dataclasses import asdict
from typing import Any

import can
from garbage_common import KINDS, PERIOD_S, Campaign, Result, crc, damaged, likely
from garbage_serial import declared_frames, declared_lines

from drivers.declared.can.messages import MessageWriter
from drivers.transport.serial_line_bus import SerialLineBus
from drivers.transport.serial_line_frames import frame_line
from hil.profile.devices import drive_options
from hil.profile.loader import load_profile


def can_frame(kind: str, one: can.Message, other: can.Message, draw: random.Random) -> can.Message:
    """A frame of which identifier, length or data is damaged."""
    data = damaged(kind, bytes(one.data) or b"\0", bytes(other.data) or b"\0", draw)[:8]
    identifier, extended = one.arbitration_id, one.is_extended_id
    if kind == "random" and draw.random() < 0.7:
        extended = draw.random() < 0.3
        identifier = draw.randrange(1 << (29 if extended else 11))
    elif kind == "flipped" and draw.random() < 0.3:
        identifier ^= 1 << draw.randrange(11)
    remote = draw.random() < 0.02
    return can.Message(
        arbitration_id=identifier,
        is_extended_id=extended,
        is_remote_frame=remote,
        is_error_frame=draw.random() < 0.01,
        dlc=len(data),
        data=None if remote else data,
    )


class GarbageBus(can.BusABC):
    """A bus that carries only damaged frames."""

    def __init__(self, make: Callable[[], can.Message]) -> None:
        super().__init__("garbage")
        self._make = make
        self._left = 5

    def recv(self, timeout: float | None = None) -> can.Message | None:
        self._left -= 1
        if self._left < 0:
            self._left = 5
            time.sleep(min(timeout or 0.0, PERIOD_S))
            return None
        return self._make()

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        pass


def declared_can(count: int, seed: int) -> Result:
    """Test the shipped CAN board: counters and CRC-8 over identifier and data."""
    from drivers.declared.can.board import CanBoard
    from drivers.declared.common.drive import DeclaredDrive

    campaign = Campaign("declared_can", seed)
    draw, result = campaign.draw, campaign.result
    options = drive_options(load_profile("treadle_can"))
    board = CanBoard(options)
    names = [name for name in ("MOTION", "PROBE") if name in options.messages]
    writers = {name: MessageWriter(options.messages[name]) for name in names}
    checks = {options.messages[name].id: options.messages[name] for name in names}
    by_message: dict[str, list[Any]] = {
        name: [
            board.values[str(q)]
            for q, given in options.gives.items()
            if given.source.startswith(name + ".")
        ]
        for name in names
    }
    samples = by_message[names[0]]

    def number() -> int:
        return sum(sample.number for part in by_message.values() for sample in part)

    def fresh(name: str) -> can.Message:
        writer = writers[name]
        for signal in options.messages[name].signals:
            writer.set(signal, draw.randint(-3, 3))
        frame = writer.build()
        return can.Message(
            arbitration_id=frame.arbitration_id, is_extended_id=False, data=bytes(frame.data)
        )

    last = [fresh(names[0]), fresh(names[1])]

    def burst(size: int) -> None:
        for _ in range(size):
            frame = can_frame(draw.choice(KINDS), draw.choice(last), draw.choice(last), draw)
            before = number()
            campaign.guarded(board._take, frame, time.monotonic())
            if number() == before or bytes(frame.data) in [bytes(f.data) for f in last]:
                continue
            declared = checks.get(frame.arbitration_id)
            if declared is None:
                continue  # HEALTH has no checksum
            own = declared.signals[declared.checksum.signal].positions()[0] // 8
            data = bytes(frame.data)
            covered = declared.id.to_bytes(2, "big") + data[:own] + data[own + 1 :]
            if crc(covered, 8, 0x1D, 0xFF, 0xFF) == data[own]:
                result.undetectable += 1
            else:
                result.wrong_without_checksum += 1

    def good() -> bool:
        last[:] = [fresh(names[0]), fresh(names[1])]
        before = samples[0].number
        for frame in last:
            board._take(frame, time.monotonic())
        return bool(samples[0].number > before)

    campaign.run(count, burst, good)
    result.most_undetectable = likely(count, 8)

    def nothing_good() -> can.Message:
        """Return a frame with up to three bits inverted, which CRC-8 always finds, or a foreign
        frame."""
        data = bytearray(last[0].data)
        for bit in draw.sample(range(8 * len(data)), draw.randint(1, 3)):
            data[bit // 8] ^= 1 << bit % 8
        return can.Message(
            arbitration_id=draw.choice((last[0].arbitration_id, 0x7E0)),
            is_extended_id=False,
            data=data,
        )

    drive = DeclaredDrive(board, PERIOD_S)
    board._bus = GarbageBus(nothing_good)
    board.received_s = time.monotonic()
    result.lost_after_s = campaign.until_lost(drive, options.silence)
    result.lost_by_s = options.silence + 0.05
    return result


def cia402(count: int, seed: int) -> Result:
    """Test PDOs, which have only the bus's checksum: no exception, no jam."""
    from drivers.cia402.drive import Cia402Drive
    from drivers.cia402.mapping import pdos

    campaign = Campaign("cia402", seed)
    draw, result = campaign.draw, campaign.result
    options = drive_options(load_profile("footplate_trainer"))
    drive = Cia402Drive(options, PERIOD_S)
    reception = drive._reception
    reception.start(1e-3, 4096)
    transmit = pdos(options)[1]
    units = [
        can.Message(arbitration_id=pdo.cob_id, is_extended_id=False, data=bytes(pdo.packing.size))
        for pdo in transmit
    ]
    units += [
        can.Message(arbitration_id=0x80 + options.node, is_extended_id=False, data=bytes(8)),
        can.Message(arbitration_id=0x700 + options.node, is_extended_id=False, data=b"\x05"),
    ]
    position = 0

    def burst(size: int) -> None:
        for _ in range(size):
            frame = can_frame(draw.choice(KINDS), draw.choice(units), draw.choice(units), draw)
            campaign.guarded(reception.take, frame)

    def good() -> bool:
        nonlocal position
        position = draw.randint(-(2**31), 2**31 - 1)
        packed = transmit[0].packing.pack(0x237, position, 5)
        reception.take(
            can.Message(arbitration_id=transmit[0].cob_id, is_extended_id=False, data=packed)
        )
        return (
            abs(reception.telemetry.position_rad - position * reception.position_unit)
            < 1e-9 * abs(position) + 1e-9
        )

    campaign.run(count, burst, good)

    def nothing_good() -> can.Message:
        """Return a frame with one of its identifiers and a wrong length, or a foreign one."""
        one = draw.choice(units)
        size = draw.choice([n for n in range(9) if n != len(one.data)])
        return can.Message(
            arbitration_id=draw.choice((one.arbitration_id, 0x6FF)),
            is_extended_id=False,
            data=draw.randbytes(size),
        )

    drive._bus = GarbageBus(nothing_good)
    reception.start(1e-3, 4096)
    reception.watch()
    result.lost_after_s = campaign.until_lost(drive, options.drive_loss)
    result.lost_by_s = options.drive_loss + 0.05
    return result


def serial_line(count: int, seed: int) -> Result:
    """Test lines of a serial-line adapter, which have no checksum: a line that parses as a frame is
    one."""
    campaign = Campaign("serial_line", seed)
    draw, result = campaign.draw, campaign.result
    bus = SerialLineBus.__new__(SerialLineBus)
    bus._is_shutdown = True
    bus._frames, bus._rest, bus._skipping = deque(), b"", False
    bus.malformed = bus.refused = bus.acknowledged = 0
    lines = [
        frame_line(
            can.Message(arbitration_id=0x185, is_extended_id=extended, data=draw.randbytes(8))
        )
        for extended in (False, True)
    ]
    count_up = 0

    def burst(size: int) -> None:
        for _ in range(size):
            unit = damaged(draw.choice(KINDS), draw.choice(lines), draw.choice(lines), draw)
            campaign.guarded(bus._take, unit, 0.0)
        bus._frames.clear()

    def good() -> bool:
        nonlocal count_up
        count_up += 1
        data = count_up.to_bytes(8, "big")
        bus._take(frame_line(can.Message(arbitration_id=0x7AA, is_extended_id=False, data=data)), 0)
        came = [bytes(frame.data) for frame in bus._frames]
        bus._frames.clear()
        return data in came

    campaign.run(count, burst, good)
    result.lost_after_s = result.lost_by_s = 0.0  # the drive above it watches
    return result


PROTOCOLS: dict[str, Callable[[int, int], Result]] = {
    "cia402": cia402,
    "declared_can": declared_can,
    "declared_lines": declared_lines,
    "declared_frames": declared_frames,
    "serial_line": serial_line,
}


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--count", type=int, default=1_000_000, help="damaged units a protocol")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=sorted(PROTOCOLS), action="append")
    parser.add_argument("--check", action="store_true", help="exit 1 naming what falls short")
    parser.add_argument("--json", action="store_true", help="one object on the last line")
    options = parser.parse_args(arguments)
    results = [PROTOCOLS[name](options.count, options.seed) for name in options.only or PROTOCOLS]
    print(
        "| protocol | damaged | exceptions | wrong, checksum wrong | fits by chance | likely at "
        "most | good ones until taken | lost after s | declared s | took s |"
    )
    print("|" + "---|" * 10)
    for r in results:
        most = f"{r.most_undetectable:.0f}" if math.isfinite(r.most_undetectable) else "–"
        print(
            f"| {r.protocol} | {r.damaged} | {r.exceptions} | {r.wrong_without_checksum} | "
            f"{r.undetectable} | {most} | {r.longest_resync} | {r.lost_after_s:.3f} | "
            f"{r.lost_by_s:.3f} | {r.seconds:.1f} |"
        )
    short = [f"{r.protocol}: {words}" for r in results for words in r.short()]
    for line in short:
        print(f"falls short: {line}", file=sys.stderr)
    if options.json:
        plain = [
            {
                k: None if isinstance(v, float) and not math.isfinite(v) else v
                for k, v in asdict(r).items()
            }
            for r in results
        ]
        print(json.dumps({"results": plain, "short": short}))
    return 1 if options.check and short else 0


if __name__ == "__main__":
    sys.exit(main())
