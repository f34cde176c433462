"""Garbage for described boards on a serial port."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from typing import Any

from garbage_common import KINDS, PERIOD_S, Campaign, Result, crc, damaged, likely

from drivers.declared.common.board import Counters
from hil.profile.devices import drive_options
from hil.profile.loader import load_profile


class GarbagePort:
    """A serial port that delivers only damaged bytes."""

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
    name: str,
    options: Any,
    make_codecs: Callable[[Counters], Any],
    make_peer: Any,
    board: Any,
    message: str,
    fields: dict[str, tuple[int, int]],
    fits: Callable[[bytes, tuple[float, ...]], bool],
    count: int,
    seed: int,
) -> Result:
    """Test a board on a serial port; ``fits`` looks for an intact unit with these values in
    bytes."""
    from drivers.declared.common.drive import DeclaredDrive

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

    undisturbed.feed(fresh())  # its first line may complete a damaged one
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
    board.received_s = time.monotonic()
    result.lost_after_s = campaign.until_lost(DeclaredDrive(board, PERIOD_S), options.silence)
    result.lost_by_s = options.silence + 0.05
    return result


def declared_lines(count: int, seed: int) -> Result:
    """Test the shipped line board: CRC-16 in hexadecimal after an asterisk."""
    from functools import partial

    from drivers.declared.serial.line_board import LineBoard
    from drivers.declared.serial.line_codec import board_codec, host_codec

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

    fields = {
        "turns": (-999, 999),
        "speed": (-99, 99),
        "torque": (-9, 9),
        "probe": (0, 4095),
        "flags": (0, 3),
    }
    return serial_board(
        "declared_lines",
        options,
        partial(host_codec, options),
        board_codec,
        LineBoard(options),
        "state",
        fields,
        fits,
        count,
        seed,
    )


def declared_frames(count: int, seed: int) -> Result:
    """Test the shipped frame sensor: sync bytes, length, identifier, CRC-16."""
    import struct
    from functools import partial

    from drivers.declared.serial.frame_board import FrameBoard
    from drivers.declared.serial.frame_codec import board_codec, host_codec

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
        "declared_frames",
        options,
        partial(host_codec, options),
        board_codec,
        FrameBoard(options),
        "sample",
        fields,
        fits,
        count,
        seed,
    )
