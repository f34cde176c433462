"""Garbage on the wire: random, truncated, spliced and bit-flipped frames and lines, by the million.

For each protocol good units come between bursts of damaged ones. Counted are exceptions, values
that were taken though their checksum (computed here, bit by bit) is wrong, and good units lost
after a burst until one is taken again. A damaged unit whose checksum happens to fit cannot be
told from a good one; those are listed, and must not be more than 2^-width makes likely. At last
nothing but garbage comes for longer than the description allows, and the drive must be lost.

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
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import can

from drivers.declared.board import Counters
from drivers.declared.can_messages import MessageWriter
from drivers.serial_line_bus import SerialLineBus, frame_line
from hil.devices import drive_options
from hil.profile.loader import load_profile

BURST = 8  # damaged units at most in a row
MOST_LOST = 2
PERIOD_S = 0.001
KINDS = ("random", "truncated", "spliced", "flipped")


@dataclass
class Result:
    """What became of one protocol."""

    protocol: str
    damaged: int = 0
    exceptions: int = 0
    wrong_without_checksum: int = 0  # taken although its checksum does not fit
    undetectable: int = 0  # taken, and its checksum fits by chance
    most_undetectable: float = math.inf
    longest_resync: int = 0  # good units until one was taken
    lost_after_s: float = math.nan  # silence told after this long
    lost_by_s: float = math.nan
    seconds: float = 0.0
    first_error: str = ""

    def short(self) -> list[str]:
        """What is not as it should be."""
        found = []
        if self.exceptions:
            found.append(f"{self.exceptions} exceptions, first: {self.first_error}")
        if self.wrong_without_checksum:
            found.append(f"{self.wrong_without_checksum} values taken with a wrong checksum")
        if self.undetectable > self.most_undetectable:
            found.append(
                f"{self.undetectable} damaged ones taken, {self.most_undetectable:.0f} are likely"
            )
        if self.longest_resync > MOST_LOST:
            found.append(f"{self.longest_resync} good ones until one was taken")
        if not self.lost_after_s <= self.lost_by_s:
            found.append(
                f"silence told after {self.lost_after_s:.3f} s, declared {self.lost_by_s:.3f} s"
            )
        return found


def crc(data: bytes, width: int, polynomial: int, init: int, xor_out: int) -> int:
    """A cyclic redundancy check without reflection, bit by bit."""
    register, top, mask = init, 1 << width - 1, (1 << width) - 1
    for byte in data:
        register ^= byte << width - 8
        for _ in range(8):
            register = (register << 1 ^ (polynomial if register & top else 0)) & mask
    return register ^ xor_out


def flipped(data: bytes, draw: random.Random) -> bytes:
    """One to four bits turned over."""
    out = bytearray(data)
    for _ in range(draw.randint(1, 4)):
        if out:
            out[draw.randrange(len(out))] ^= 1 << draw.randrange(8)
    return bytes(out)


def damaged(kind: str, one: bytes, other: bytes, draw: random.Random) -> bytes:
    """Bytes of a unit that is damaged in one of four ways."""
    if kind == "random":
        return draw.randbytes(draw.randrange(1, 2 * len(one) + 2))
    if kind == "truncated":
        return one[: draw.randrange(len(one))]
    if kind == "spliced":
        return one[: draw.randrange(len(one))] + other[draw.randrange(len(other)) :]
    return flipped(one, draw)


class Campaign:
    """Runs bursts against ``feed``, which tells how many units it took and judges them."""

    def __init__(self, name: str, seed: int) -> None:
        self.result = Result(name)
        self.draw = random.Random(seed)

    def guarded(self, function: Callable[..., Any], *arguments: Any) -> Any:
        """The function's answer, or None if it raised."""
        try:
            return function(*arguments)
        except Exception as error:
            self.result.exceptions += 1
            self.result.first_error = (
                self.result.first_error or f"{type(error).__name__}: {error}"
            )
            return None

    def until_lost(self, drive: Any, most_s: float) -> float:
        """Seconds of reading until the drive says that it is lost; infinite if it never does."""
        began = time.monotonic()
        while (now := time.monotonic()) - began < 3 * most_s + 1:
            telemetry = self.guarded(drive.read, now + PERIOD_S)
            if telemetry is None:
                break
            if telemetry.lost:
                return time.monotonic() - began
        return math.inf

    def run(self, count: int, burst: Callable[[int], None], good: Callable[[], bool]) -> None:
        """``burst(n)`` sends n damaged units, ``good()`` one good one: whether it was taken."""
        began = time.monotonic()
        while self.result.damaged < count:
            number = min(self.draw.randint(1, BURST), count - self.result.damaged)
            burst(number)
            self.result.damaged += number
            tries = 1
            while not self.guarded(good) and tries <= 20:
                tries += 1
            self.result.longest_resync = max(self.result.longest_resync, tries)
        self.result.seconds = time.monotonic() - began


def likely(count: int, width: int) -> float:
    """Damaged units that fit their checksum by chance, five standard deviations above."""
    mean = count / 2**width
    return mean + 5 * math.sqrt(mean) + 3


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
        arbitration_id=identifier, is_extended_id=extended, is_remote_frame=remote,
        is_error_frame=draw.random() < 0.01, dlc=len(data), data=None if remote else data,
    )  # fmt: skip


class GarbageBus:
    """A bus on which only damaged frames come."""

    def __init__(self, make: Callable[[], can.Message]) -> None:
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

    def shutdown(self) -> None:
        pass


def declared_can(count: int, seed: int) -> Result:
    """The shipped CAN board: counters and CRC-8 over identifier and data."""
    from drivers.declared.can_board import CanBoard
    from drivers.declared.drive import DeclaredDrive

    campaign = Campaign("declared_can", seed)
    draw, result = campaign.draw, campaign.result
    options = drive_options(load_profile("treadle_can"))
    board = CanBoard(options)
    names = [name for name in ("MOTION", "PROBE") if name in options.messages]
    writers = {name: MessageWriter(options.messages[name]) for name in names}
    checks = {options.messages[name].id: options.messages[name] for name in names}
    by_message: dict[str, list[Any]] = {
        name: [board.values[str(q)] for q, given in options.gives.items()
               if given.source.startswith(name + ".")]
        for name in names
    }  # fmt: skip
    samples = by_message[names[0]]

    def number() -> int:
        return sum(sample.number for part in by_message.values() for sample in part)

    def fresh(name: str) -> can.Message:
        writer = writers[name]
        for signal in options.messages[name].signals:
            writer.set(signal, draw.randint(-3, 3))
        frame = writer.build()
        return can.Message(arbitration_id=frame.arbitration_id, is_extended_id=False,
                           data=bytes(frame.data))  # fmt: skip

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
        return samples[0].number > before

    campaign.run(count, burst, good)
    result.most_undetectable = likely(count, 8)

    def nothing_good() -> can.Message:
        """Up to three bits of a frame turned over, which CRC-8 always finds, or foreign."""
        data = bytearray(last[0].data)
        for bit in draw.sample(range(8 * len(data)), draw.randint(1, 3)):
            data[bit // 8] ^= 1 << bit % 8
        return can.Message(arbitration_id=draw.choice((last[0].arbitration_id, 0x7E0)),
                           is_extended_id=False, data=data)  # fmt: skip

    drive = DeclaredDrive(board, PERIOD_S)
    board._bus = GarbageBus(nothing_good)
    board.heard_s = time.monotonic()
    result.lost_after_s = campaign.until_lost(drive, options.silence)
    result.lost_by_s = options.silence + 0.05
    return result


def cia402(count: int, seed: int) -> Result:
    """PDOs have no checksum of their own: the bus's is all there is. No exception, no jam."""
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
        reception.take(can.Message(arbitration_id=transmit[0].cob_id, is_extended_id=False,
                                   data=packed))  # fmt: skip
        return abs(
            reception.telemetry.position_rad - position * reception.position_unit
        ) < 1e-9 * abs(position) + 1e-9

    campaign.run(count, burst, good)

    def nothing_good() -> can.Message:
        """Its own identifiers with a wrong length, or foreign ones."""
        one = draw.choice(units)
        size = draw.choice([n for n in range(9) if n != len(one.data)])
        return can.Message(arbitration_id=draw.choice((one.arbitration_id, 0x6FF)),
                           is_extended_id=False, data=draw.randbytes(size))  # fmt: skip

    drive._bus = GarbageBus(nothing_good)
    reception.start(1e-3, 4096)
    reception.watch()
    result.lost_after_s = campaign.until_lost(drive, options.drive_loss)
    result.lost_by_s = options.drive_loss + 0.05
    return result


def serial_line(count: int, seed: int) -> Result:
    """Lines of a serial-line adapter; no checksum, so what reads as a frame is one."""
    campaign = Campaign("serial_line", seed)
    draw, result = campaign.draw, campaign.result
    bus = SerialLineBus.__new__(SerialLineBus)
    bus._is_shutdown = True
    bus._frames, bus._rest, bus._skipping = deque(), b"", False
    bus.malformed = bus.refused = bus.acknowledged = 0
    lines = [frame_line(can.Message(arbitration_id=0x185, is_extended_id=extended,
                                    data=draw.randbytes(8))) for extended in (False, True)]
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
    result.lost_after_s = result.lost_by_s = 0.0  # the drive on top of it watches
    return result


class GarbagePort:
    """A serial port on which only damaged bytes come."""

    def __init__(self, make: Callable[[], bytes]) -> None:
        self._make = make
        self._left = 3

    def read(self, until_s: float = 0.0) -> bytes:
        self._left -= 1
        if self._left < 0:
            self._left = 3
            time.sleep(PERIOD_S / 2)
            return b""
        return self._make()

    def write(self, data: bytes) -> None:
        pass

    def open(self) -> None:
        pass

    def close(self) -> None:
        pass


def serial_board(
    name: str, options: Any, make_codecs: Callable[[Counters], Any], make_peer: Any,
    board: Any, message: str, fields: dict[str, tuple[int, int]],
    fits: Callable[[bytes, tuple[float, ...]], bool], count: int, seed: int,
) -> Result:  # fmt: skip
    """A board on a serial port; ``fits`` looks for a sound unit with these values in bytes."""
    from drivers.declared.drive import DeclaredDrive

    campaign = Campaign(name, seed)
    draw, result = campaign.draw, campaign.result
    codec, peer = make_codecs(Counters()), make_peer(options, Counters())
    undisturbed = make_codecs(Counters())

    def fresh() -> bytes:
        for field, (low, high) in fields.items():
            peer.set(message, field, draw.randint(low, high))
        built: bytes = peer.build(message)
        return built

    def values_of(unit: bytes) -> tuple[float, ...]:
        return tuple(undisturbed.feed(unit)[-1][1])

    undisturbed.feed(fresh())  # its first line may be taken for the end of one
    last = [fresh(), fresh()]
    known = deque((values_of(unit) for unit in last), maxlen=2)
    recent: deque[bytes] = deque(maxlen=60)

    def judge(messages: list[Any] | None) -> None:
        for kind, values in messages or ():
            if kind != message or tuple(values) in known:
                continue
            if fits(b"".join(recent), tuple(values)):
                result.undetectable += 1
            else:
                result.wrong_without_checksum += 1

    def burst(size: int) -> None:
        for _ in range(size):
            unit = damaged(draw.choice(KINDS), draw.choice(last), draw.choice(last), draw)
            recent.append(unit)
            judge(campaign.guarded(codec.feed, unit))

    def good() -> bool:
        unit = fresh()
        wanted = values_of(unit)
        last[:] = [last[1], unit]
        known.append(wanted)
        recent.append(unit)
        messages = codec.feed(unit)
        judge(messages)
        return any(kind == message and tuple(values) == wanted for kind, values in messages)

    campaign.run(count, burst, good)
    result.most_undetectable = likely(count, 16)

    def nothing_good() -> bytes:
        unit = bytearray(fresh())
        for bit in draw.sample(range(8 * (len(unit) - 1)), 3):
            unit[bit // 8] ^= 1 << bit % 8
        return bytes(unit)

    board._port = GarbagePort(nothing_good)
    board.heard_s = time.monotonic()
    result.lost_after_s = campaign.until_lost(DeclaredDrive(board, PERIOD_S), options.silence)
    result.lost_by_s = options.silence + 0.05
    return result


def declared_lines(count: int, seed: int) -> Result:
    """The shipped line board: CRC-16 in hexadecimal behind an asterisk."""
    from functools import partial

    from drivers.declared.line_board import LineBoard
    from drivers.declared.line_codec import board_codec, host_codec

    options = drive_options(load_profile("treadle_lines"))

    def fits(stream: bytes, values: tuple[float, ...]) -> bool:
        for line in stream.replace(b"\r", b"\n").split(b"\n"):
            text, star, check = line.strip().rpartition(b"*")
            if star and len(check) == 4:
                try:
                    sound = int(check, 16) == crc(text, 16, 0x1021, 0xFFFF, 0)
                except ValueError:
                    continue
                if sound and b"%d" % int(values[3]) in text:
                    return True
        return False

    fields = {"turns": (-999, 999), "speed": (-99, 99), "torque": (-9, 9), "probe": (0, 4095),
              "flags": (0, 3)}  # fmt: skip
    return serial_board(
        "declared_lines", options, partial(host_codec, options), board_codec, LineBoard(options),
        "state", fields, fits, count, seed,
    )  # fmt: skip


def declared_frames(count: int, seed: int) -> Result:
    """The shipped frame sensor: sync bytes, length, identifier, CRC-16."""
    import struct
    from functools import partial

    from drivers.declared.frame_board import FrameBoard
    from drivers.declared.frame_codec import board_codec, host_codec

    options = drive_options(load_profile("treadle_frames")).members["probe"]
    layout = struct.Struct("<BIh")

    def fits(stream: bytes, values: tuple[float, ...]) -> bool:
        payload = layout.pack(*(int(value) for value in values))
        at = stream.find(payload)
        while at >= 0:
            covered, check = stream[at - 2 : at + layout.size], stream[at + layout.size :][:2]
            if stream[at - 4 : at - 2] == b"\xa5\x5a" and any(
                int.from_bytes(check, order) == crc(covered, 16, 0x1021, 0xFFFF, 0)
                for order in ("little", "big")
            ):
                return True
            at = stream.find(payload, at + 1)
        return False

    fields = {"count": (0, 255), "stamp": (0, 2**32 - 1), "deflection": (-(2**15), 2**15 - 1)}
    return serial_board(
        "declared_frames", options, partial(host_codec, options), board_codec,
        FrameBoard(options), "sample", fields, fits, count, seed,
    )  # fmt: skip


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
    print("| protocol | damaged | exceptions | wrong, checksum wrong | fits by chance | likely at "
          "most | good ones until taken | lost after s | declared s | took s |")  # fmt: skip
    print("|" + "---|" * 10)
    for r in results:
        most = f"{r.most_undetectable:.0f}" if math.isfinite(r.most_undetectable) else "–"
        print(f"| {r.protocol} | {r.damaged} | {r.exceptions} | {r.wrong_without_checksum} | "
              f"{r.undetectable} | {most} | {r.longest_resync} | {r.lost_after_s:.3f} | "
              f"{r.lost_by_s:.3f} | {r.seconds:.1f} |")  # fmt: skip
    short = [f"{r.protocol}: {words}" for r in results for words in r.short()]
    for line in short:
        print(f"falls short: {line}", file=sys.stderr)
    if options.json:
        plain = [
            {k: None if isinstance(v, float) and not math.isfinite(v) else v
             for k, v in asdict(r).items()} for r in results
        ]  # fmt: skip
        print(json.dumps({"results": plain, "short": short}))
    return 1 if options.check and short else 0


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[2]))
    sys.exit(main())
