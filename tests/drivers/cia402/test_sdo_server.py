"""The node's SDO server and its rules for PDO records, frame by frame (CiA 301)."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.cia402.dictionary import DEVICE_NAME, Abort, build
from drivers.cia402.options import Cia402Options
from drivers.cia402.sdo_server import SdoServer
from drivers.simulated.drive_core import SimulatedDriveCore
from drivers.simulated.parameters import RigParameters

CORE = SimulatedDriveCore(RigParameters(), 1)


def dictionary():
    return build(Cia402Options(bus={"interface": "local_socket"}, node=5), CORE, lambda: 0)


def aborted(answer):
    assert answer[0] == 0x80
    return struct.unpack_from("<I", answer, 4)[0]


@given(st.lists(st.binary(min_size=8, max_size=8)))
def test_any_request_is_answered_in_eight_bytes_or_not_at_all(requests):
    server = SdoServer(dictionary())
    for request in requests:
        answer = server.answer(request)
        assert answer is None if request[0] >> 5 == 4 else answer and len(answer) == 8


def test_segments_and_their_toggle_bit():
    server = SdoServer(dictionary())
    start = server.answer(struct.pack("<BHB4x", 0x40, 0x1008, 0))
    assert start is not None
    assert start is not None
    assert start[0] == 0x41 and struct.unpack_from("<I", start, 4)[0] == len(DEVICE_NAME)
    first = server.answer(b"\x60" + bytes(7))
    assert first is not None
    assert first is not None
    assert first[0] == 0x00 and first[1:] == DEVICE_NAME[:7]
    assert aborted(server.answer(b"\x60" + bytes(7))) == 0x05030000  # toggle bit not alternated


def test_pdo_records_change_only_while_the_pdo_is_not_valid():
    d = dictionary()
    put = lambda i, s, kind, value: d.download(i, s, struct.pack("<" + kind, value))  # noqa: E731
    put(0x1A00, 1, "I", 0x60410010)
    put(0x1A00, 0, "B", 1)
    put(0x1800, 1, "I", 0x185)
    for index, subindex, kind, value in (
        (0x1A00, 0, "B", 0),
        (0x1A00, 1, "I", 0x60640020),
        (0x1800, 1, "I", 0x186),
    ):
        with pytest.raises(Abort) as abort:
            put(index, subindex, kind, value)
        assert abort.value.code == 0x08000022
    put(0x1800, 1, "I", 0x80000185)
    with pytest.raises(Abort) as abort:  # entries may be written only while their number is 0
        put(0x1A00, 1, "I", 0x60640020)
    assert abort.value.code == 0x08000022


@pytest.mark.parametrize(
    ("mapping", "words", "code"),
    [
        (0x1A00, [0x60790020, 0x60640020, 0x60410010], 0x06040042),  # mapping longer than 64 bits
        (0x1A00, [0x60410008], 0x06040041),  # length differs from the object's
        (0x1A00, [0x60760020], 0x06040041),  # object cannot be mapped
        (0x1600, [0x60410010], 0x06040041),  # read-only object in an RPDO
        (0x1A00, [0x50000010], 0x06020000),  # object does not exist
    ],
)
def test_mappings_that_cannot_be(mapping, words, code):
    d = dictionary()
    with pytest.raises(Abort) as abort:
        for i, word in enumerate(words, 1):
            d.download(mapping, i, struct.pack("<I", word))
        d.download(mapping, 0, bytes([len(words)]))
    assert abort.value.code == code


@pytest.mark.parametrize("kind", [241, 252, 253])
def test_transmission_types_on_remote_request_are_refused(kind):
    with pytest.raises(Abort) as abort:
        dictionary().download(0x1800, 2, bytes([kind]))
    assert abort.value.code == 0x06090030
