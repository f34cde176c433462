"""Compare encoding and decoding of one cycle's messages with general libraries, for the declared
boards.

CAN: what the cycle of ``treadle_can`` sends (poll and command) and receives (two messages), its
counters and checksums included. Beside it cantools encodes and decodes the same messages, once
alone and once with the counters kept in plain Python and the checksums made by an independent
package. Lines and frames: one intact message in, one out, beside ``str.split`` with ``float`` and
beside ``struct``, both without checksums. The two of a pair take turns, block by block; beforehand
their results are checked to be equal.
"""

from __future__ import annotations

import gc
import struct
import time
from collections.abc import Callable
from typing import Any

import cantools
import crccheck
from cantools.database.can import Database
from table import Benchmark

from drivers.declared.can.board import CanBoard
from drivers.declared.can.messages import MessageWriter
from drivers.declared.can.options import DeclaredCanOptions
from drivers.declared.common.board import Counters
from drivers.declared.serial import frame_codec, line_codec
from hil.profile.devices import drive_options
from hil.profile.loader import SHIPPED, load_profile

LEAST = 5.0
BLOCK = 500  # cycles of one kind before the other takes its turn
TORQUES = [0.013 * i - 1.2 for i in range(190)]
Cycle = Callable[[int], Any]
Decode = Callable[..., Any]  # a dictionary of floats for the plain messages here
Frames = list[tuple[int, bytearray]]


def timed(kinds: dict[str, Cycle], seconds: float) -> dict[str, list[float]]:
    """Return the seconds that each cycle took, by kind."""
    took: dict[str, list[float]] = {name: [] for name in kinds}
    clock = time.perf_counter
    numbers = dict.fromkeys(kinds, 0)
    until = clock() + seconds
    gc.collect()
    while clock() < until:
        for name, cycle in kinds.items():
            keep = took[name].append
            first = numbers[name]
            numbers[name] = first + BLOCK
            for i in range(first, first + BLOCK):
                began = clock()
                cycle(i)
                keep(clock() - began)
    return took


def ours(board: CanBoard, received: list[Frames]) -> Cycle:
    """Return the board's readers and writers as the cycle uses them."""
    poll = board._writers["ASK"].build
    set_torque, build = board._commands["torque"]
    takes = [[(board._readers[name, False], data) for name, data in some] for some in received]

    def cycle(i: int) -> object:
        asked = poll()
        set_torque(TORQUES[i % 190])
        command = build()
        for take, data in takes[i % 16]:
            take(data, 1.0)
        return asked, command

    return cycle


def database() -> Database:
    """Return the board's messages as cantools reads them."""
    found = cantools.database.load_file(SHIPPED / "drives" / "treadle_board.dbc")
    assert isinstance(found, Database)
    return found


def library(received: list[Frames], values: dict[str, float]) -> Cycle:
    """cantools on the same database."""
    messages = database()
    ask, demand = (messages.get_message_by_name(name).encode for name in ("ASK", "DEMAND"))
    takes: list[list[tuple[Decode, bytearray]]] = [
        [(messages.get_message_by_frame_id(name).decode, data) for name, data in some]
        for some in received
    ]

    def cycle(i: int) -> object:
        asked = ask({"ASK_COUNT": 0})
        command = demand(
            {"DEMAND_TORQUE": TORQUES[i % 190], "DEMAND_COUNT": 0, "DEMAND_CHECK": 0}, strict=False
        )
        for decode, data in takes[i % 16]:
            values.update(decode(data, decode_choices=False))
        return asked, command

    return cycle


def library_checked(received: list[Frames], bad: list[str]) -> Cycle:
    """As :func:`library`, with counters in plain Python and an independent package's CRC."""
    messages = database()
    ask, demand = (messages.get_message_by_name(name).encode for name in ("ASK", "DEMAND"))
    crc = crccheck.crc.Crc8SaeJ1850.calc
    takes: list[list[tuple[Decode, bytearray, bytes, str]]] = [
        [
            (
                messages.get_message_by_frame_id(name).decode,
                data,
                name.to_bytes(2, "big"),
                "MOTION_COUNT" if name == 513 else "PROBE_COUNT",
            )
            for name, data in some
        ]
        for some in received
    ]
    counts = {"DEMAND_COUNT": -1, "MOTION_COUNT": 15, "PROBE_COUNT": 15}
    values: dict[str, float] = {}

    def cycle(i: int) -> object:
        asked = ask({"ASK_COUNT": 0})
        count = counts["DEMAND_COUNT"] = (counts["DEMAND_COUNT"] + 1) % 16
        command = demand(
            {"DEMAND_TORQUE": TORQUES[i % 190], "DEMAND_COUNT": count, "DEMAND_CHECK": 0},
            strict=False,
        )
        command = command[:-1] + bytes((crc(b"\x01\x02" + command[:-1]),))
        for decode, data, head, counter in takes[i % 16]:
            if crc(head + data[:-1]) != data[-1]:
                bad.append("checksum")
                continue
            found = decode(data, decode_choices=False)
            if found[counter] != (counts[counter] + 1) % 16:
                bad.append("counter")
            counts[counter] = found[counter]
            values.update(found)
        return asked, command

    return cycle


def traffic(options: DeclaredCanOptions) -> list[Frames]:
    """Return the messages that a board sends in 16 cycles, with correct counters and checksums."""
    writers = {name: MessageWriter(options.messages[name]) for name in ("MOTION", "PROBE")}
    cycles = []
    for i in range(16):
        for name, values in (
            ("MOTION", {"SHAFT_ANGLE": 3.1 + 0.02 * i, "BOARD_FLAGS": 1, "SHAFT_TORQUE": -0.3}),
            ("PROBE", {"PROBE_COUNTS": 2050 + i, "SHAFT_SPEED": -12.3}),
        ):
            for signal, value in values.items():
                writers[name].set(signal, value)
        frames = [writer.build() for writer in writers.values()]
        cycles.append([(frame.arbitration_id, frame.data) for frame in frames])
    return cycles


def can(bench: Benchmark, seconds: float) -> None:
    """Measure one cycle of the CAN board: with checks, without, and by the library."""
    options = drive_options(load_profile("treadle_can"))
    bare = options.model_copy(
        update={
            "messages": {
                name: message.model_copy(update={"checksum": None, "counter": None})
                for name, message in options.messages.items()
            }
        }
    )
    received = traffic(options)
    board = CanBoard(options)
    bad: list[str] = []
    values: dict[str, float] = {}
    cycles = {
        "CAN cycle, ours": ours(CanBoard(bare), received),
        "CAN cycle, cantools": library(received, values),
        "CAN cycle, ours, checked": ours(board, received),
        "CAN cycle, cantools, checked": library_checked(received, bad),
    }
    for i in range(32):
        asked, command = cycles["CAN cycle, ours, checked"](i)
        cycles["CAN cycle, cantools"](i)
        theirs = cycles["CAN cycle, cantools, checked"](i)
        assert (asked.data, command.data) == theirs
        for quantity, given in options.gives.items():
            message, _, signal = given.source.partition(".")
            if message != "HEALTH":
                assert board.values[quantity].value == values[signal], quantity
    took = timed(cycles, seconds)
    counters = board.counters
    assert not (counters.checksum_failures or counters.counter_gaps or counters.repeated)
    assert not bad
    for name, times in took.items():
        bench.samples(name, times, unit="us", scale=1e6)
    for words, theirs, own, goal in (
        ("cantools to ours, both without checks", "cantools", "ours", LEAST),
        ("cantools to ours, both with checks", "cantools, checked", "ours, checked", LEAST),
        ("cantools without to ours with checks", "cantools", "ours, checked", None),
    ):
        bench.ratio(words, f"CAN cycle, {theirs}", f"CAN cycle, {own}", "median", least=goal)


def lines(bench: Benchmark, seconds: float) -> None:
    """Measure one answer of the line board in, one command out."""
    options = drive_options(load_profile("treadle_lines"))
    counters = Counters()
    host = line_codec.host_codec(options, counters)
    board = line_codec.board_codec(options, Counters())
    host.feed(b"\n")  # the end of a line whose beginning was missed
    answers = []
    for i in range(16):
        for name, value in (
            ("turns", 1.5 + 0.01 * i),
            ("speed", -0.25),
            ("torque", 0.5),
            ("probe", 2050 + i),
            ("flags", 1),
        ):
            board.set("state", name, value)
        answers.append(board.build("state"))

    def ours(i: int) -> tuple[Any, bytes]:
        host.set("demand", "torque", TORQUES[i % 190])
        return host.feed(answers[i % 16])[0][1], host.build("demand")

    def plain(i: int) -> tuple[Any, bytes]:
        text = answers[i % 16].decode().removeprefix("= ").partition("*")[0].split(",")
        values = (*map(float, text[:4]), float(int(text[4], 16)))
        return values, f"m {TORQUES[i % 190]:+.4f}".encode()

    for i in range(32):
        (values, command), (expected, start) = ours(i), plain(i)
        assert values == expected and command.startswith(start)
    pair(bench, "line", ours, plain, seconds, "str.split and float, unchecked")
    assert not counters.malformed and not counters.checksum_failures


def frames(bench: Benchmark, seconds: float) -> None:
    """Measure one frame of the sensor in, and one of the same kind built."""
    options = drive_options(load_profile("treadle_frames")).members["probe"]
    counters = Counters()
    host = frame_codec.host_codec(options, counters)
    board = frame_codec.FrameCodec(options, Counters(), frozenset())
    chunks = []
    for i in range(16):
        for name, value in (("count", i), ("stamp", 1000 * i), ("deflection", 40 - i)):
            board.set("sample", name, value)
        chunks.append(board.build("sample"))
    layout = struct.Struct("<BIh")

    def ours(i: int) -> tuple[Any, bytes]:
        board.set("sample", "deflection", i % 1000)
        return host.feed(chunks[i % 16])[0][1], board.build("sample")

    def plain(i: int) -> tuple[Any, bytes]:
        sent = b"\xa5\x5a\x07\x01" + layout.pack(15, 15000, i % 1000)
        return layout.unpack(chunks[i % 16][4:11]), sent

    for i in range(32):
        (values, sent), (expected, start) = ours(i), plain(i)
        assert values == expected and sent.startswith(start)
    pair(bench, "frame", ours, plain, seconds, "struct, unchecked")
    assert not counters.malformed and not counters.checksum_failures


def pair(
    bench: Benchmark, kind: str, ours: Cycle, plain: Cycle, seconds: float, words: str
) -> None:
    names = (f"{kind} in and out, ours, checked", f"{kind} in and out, {words}")
    took = timed({names[0]: ours, names[1]: plain}, seconds)
    for name in names:
        bench.samples(name, took[name], unit="us", scale=1e6)
    bench.ratio(f"{kind}: ours to {words}", names[0], names[1], "median", most=MOST[kind])


# So that a regression shows; checksum, checks of form and names make up the difference.
MOST = {"line": 8.0, "frame": 30.0}


def main() -> int:
    bench = Benchmark("Messages of declared boards, encode and decode", __doc__)
    options = bench.parse()
    seconds = float(options.seconds or 12.0)
    can(bench, seconds / 2)
    lines(bench, seconds / 4)
    frames(bench, seconds / 4)
    return bench.finish()


if __name__ == "__main__":
    raise SystemExit(main())
