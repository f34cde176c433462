"""Lines and frames: round trips, and recovery from garbage."""

from __future__ import annotations

import random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.declared.common.board import Counters
from drivers.declared.serial import frame_codec, line_codec
from drivers.declared.serial.frame_options import DeclaredFramesOptions
from drivers.declared.serial.framing import cobs_decode, cobs_encode
from drivers.declared.serial.line_options import DeclaredLinesOptions

CRC32 = {"width": 32, "polynomial": 0x04C11DB7, "init": 0xFFFFFFFF, "xor_out": 0xFFFFFFFF}
FRAMINGS: dict[str, dict[str, Any]] = {
    "sync": {"sync": [0xA5, 0x5A], "head": ["length", "identifier"], "checksum": CRC32},
    "whole length": {
        "sync": [0x7E],
        "head": ["identifier", "length"],
        "length": {"bytes": 2, "counts": "frame", "order": "big_endian"},
        "checksum": CRC32 | {"order": "big_endian", "covers": [1, -1]},
    },
    "bare sync": {"sync": [1, 2, 3], "checksum": CRC32},
    "cobs": {"cobs": True, "head": ["identifier"], "checksum": CRC32},
    "cobs following": {
        "cobs": True,
        "head": ["length", "identifier"],
        "length": {"counts": "following"},
        "checksum": CRC32,
    },
}


def frames(framing: dict[str, Any]) -> DeclaredFramesOptions:
    named = "identifier" in framing.get("head", ())
    return DeclaredFramesOptions.model_validate(
        {
            "port": {"path": "x"},
            "framing": framing,
            "frames": {
                "sample": {"layout": "<Ihf", "fields": ["stamp", "raw", "warm"], "every": "1 ms"}
                | ({"identifier": 7} if named else {})
            },
            "gives": {"deflection": {"from": "sample.raw"}},
        }
    )


def lines(**changes: object) -> DeclaredLinesOptions:
    return DeclaredLinesOptions.model_validate(
        {
            "port": {"path": "x"},
            "lines": {
                "sample": {
                    "starts": "S",
                    "fields": ["stamp", "raw", "warm"],
                    "every": "1 ms",
                    "written": "S{stamp:d},{raw:d},{warm:.3f}",
                }
            },
            "checksum": CRC32,
            "gives": {"deflection": {"from": "sample.raw"}},
        }
        | changes
    )


class Kind:
    """One framing of the same three numbers."""

    def __init__(self, name: str) -> None:
        self.counters = Counters()
        self.far: line_codec.LineCodec | frame_codec.FrameCodec
        self.near: line_codec.LineCodec | frame_codec.FrameCodec
        if name == "lines":
            self.far = line_codec.board_codec(lines(), Counters())
            self.near = line_codec.host_codec(lines(), self.counters)
            self.near.feed(b"\n")  # ends the partial line that was under way at opening
        else:
            options = frames(FRAMINGS[name])
            self.far = frame_codec.host_codec(options, Counters())
            self.near = frame_codec.host_codec(options, self.counters)

    def write(self, stamp: int, raw: int, warm: float) -> bytes:
        for name, value in (("stamp", stamp), ("raw", raw), ("warm", warm)):
            self.far.set("sample", name, value)
        return self.far.build("sample")


KINDS = [*FRAMINGS, "lines"]
NUMBERS = st.tuples(
    st.integers(0, 2**32 - 1), st.integers(-(2**15), 2**15 - 1), st.integers(-4000, 4000)
)


@given(st.binary(max_size=1200))
def test_stuffing_there_and_back_without_zeros(data: bytes) -> None:
    packet = cobs_encode(data)
    assert 0 not in packet
    assert len(packet) <= len(data) + len(data) // 254 + 1
    assert cobs_decode(packet) == data


@pytest.mark.parametrize(
    ("data", "packet"),
    [
        # Examples by the paper's rules, worked by hand: a code before each run that ends in a zero.
        (b"", b"\x01"),
        (b"\0", b"\x01\x01"),
        (b"\x11\x22\0\x33", b"\x03\x11\x22\x02\x33"),
        (bytes(range(1, 255)), b"\xff" + bytes(range(1, 255))),
        (bytes(range(256)), b"\x01\xff" + bytes(range(1, 255)) + b"\x02\xff"),
    ],
)
def test_stuffing_as_the_rules_have_it(data: bytes, packet: bytes) -> None:
    assert cobs_encode(data) == packet


@given(st.binary(max_size=600))
def test_any_bytes_are_stuffed_or_refused(data: bytes) -> None:
    decoded = cobs_decode(data)
    assert decoded is None or len(decoded) < max(1, len(data))


@pytest.mark.parametrize("name", KINDS)
@settings(max_examples=40, deadline=None)
@given(sent=st.lists(NUMBERS, min_size=1, max_size=6), cut=st.integers(1, 40))
def test_there_and_back_however_the_bytes_are_cut(name, sent, cut) -> None:
    kind = Kind(name)
    wire = b"".join(kind.write(a, b, c / 8) for a, b, c in sent)
    got = [m for i in range(0, len(wire), cut) for m in kind.near.feed(wire[i : i + cut])]
    assert got == [("sample", (a, b, c / 8)) for a, b, c in sent]
    assert (kind.counters.malformed, kind.counters.checksum_failures) == (0, 0)


def damaged(chance: random.Random, packet: bytes) -> bytes:
    """Return random bytes, or the packet cut short, spliced or with flipped bits."""
    way = chance.randrange(5)
    if way == 0:
        return chance.randbytes(chance.randrange(1, 60))
    if way == 1:
        return packet[: chance.randrange(len(packet))]
    if way == 2:
        return packet[: chance.randrange(len(packet))] + packet[chance.randrange(len(packet)) :]
    spoilt = bytearray(packet)
    for _ in range(chance.randrange(1, 4)):
        spoilt[chance.randrange(len(spoilt))] ^= 1 << chance.randrange(8)
    return bytes(spoilt)


@pytest.mark.parametrize("name", KINDS)
def test_garbage_brings_no_wrong_value_and_the_second_good_one_is_taken(name: str) -> None:
    chance = random.Random(name)
    kind = Kind(name)
    number = 0
    true = set()
    for _ in range(2500):
        number += 1
        garbage = damaged(chance, kind.write(number, number % 30000, 1.5))
        true.add((number, number % 30000, 1.5))  # the damaged packet may still be whole
        got = kind.near.feed(garbage)
        wanted = []
        for _ in range(3):
            number += 1
            wanted.append((number, number % 30000, 1.5))
            true.add(wanted[-1])
            got += kind.near.feed(kind.write(*wanted[-1]))
        values = [values for _, values in got]
        assert set(values) <= true
        # Garbage may swallow the first packet after it; all later ones must be found.
        assert values[-2:] == wanted[-2:]
    assert kind.counters.malformed + kind.counters.checksum_failures > 1000


def test_a_line_that_never_ends_does_not_fill_the_memory() -> None:
    kind = Kind("lines")
    for _ in range(1000):
        assert kind.near.feed(b"S1,2" * 100) == []
    assert len(kind.near._rest) <= 160
    assert kind.near.feed(b"\n" + kind.write(1, 2, 0.5)) == [("sample", (1, 2, 0.5))]
    assert kind.counters.malformed == 1


@pytest.mark.parametrize(
    "text",
    [
        b"S1,2",
        b"S1,2,3,4",
        b"S1,nan,3",
        b"S1,inf,3",
        b"S1_0,2,3",
        b"S0x1,2,3",
        b"S1,2,3e999",
        b"S1,,3",
        b"T1,2,3",
        b"S1,2,\xc2\xb2",
        b"S1,2,3\x00",
        b"S" + b"1" * 300 + b",2,3",
        b"S1,2,- 3",
    ],
)
def test_what_is_no_number_is_no_value(text: bytes) -> None:
    counters = Counters()
    codec = line_codec.host_codec(lines(checksum=None), counters)
    assert codec.feed(b"\n" + text + b"\n") == []
    assert counters.malformed == 1
    assert codec.feed(b"S1,2,3\r\n") == [("sample", (1, 2, 3))]


def test_fields_by_name_and_by_pattern_with_prompt_and_echo() -> None:
    options = DeclaredLinesOptions.model_validate(
        {
            "port": {"path": "x"},
            "line_end": "\r",
            "echo": True,
            "prompt": "> ",
            "commands": {"ask": "Q"},
            "poll": "ask",
            "lines": {
                "a": {
                    "starts": "A ",
                    "pairs": {"v": "volts", "st": "state"},
                    "separator": " ",
                    "words": {"state": {"idle": 0, "run": 1}},
                },
                "b": {
                    "pattern": r"(B|C) (?P<x>\S+) (?P<y>0x\S+)",
                    "hexadecimal": ["y"],
                    "written": "B {x:.2f} {y:X}",
                },
                "c": {"fields": ["d", "_", "e"], "separator": " "},
            },
            "gives": {"deflection": {"from": "b.x"}},
        }
    )
    counters = Counters()
    codec = line_codec.host_codec(options, counters)
    assert codec.build("ask") == b"Q\r"
    assert codec.feed(b"Q\r\n> A st=run other=7 v=12.5\r\n> C -1e1 0xFf\r\n1 abc 2\r\n>") == [
        ("a", (12.5, 1.0)),
        ("b", (-10.0, 255.0)),
        ("c", (1.0, 2.0)),
    ]
    assert counters.malformed == 0
    for wrong in (b"A v=1", b"A v=1 st=odd", b"A v=1 v=2 st=run", b"B one 0x1", b"B 1 2"):
        assert codec.feed(wrong + b"\r") == []
    assert counters.malformed == 5
