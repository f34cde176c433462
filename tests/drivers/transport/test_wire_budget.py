"""Bits of a frame against the published bound and against frames built bit by bit."""

from __future__ import annotations

import math
import random
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.registry import find_protocol
from drivers.transport.wire_budget import (
    Budgeting,
    CanWire,
    WireLoad,
    serial_s,
    worst_fd_bits,
    worst_frame_bits,
)
from hil.profile.devices import drive_options
from hil.profile.loader import examine_profile, load_profile, shipped_profiles

SHIPPED = Path(__file__).parents[3] / "profiles"


def stuffed(bits: list[int]) -> int:
    """Return the number of bits on the wire: a stuff bit follows five equal ones (ISO 11898-1)."""
    sent, run, last = 0, 0, -1
    for bit in bits:
        sent += 1
        run = run + 1 if bit == last else 1
        last = bit
        if run == 5:
            sent, last, run = sent + 1, 1 - bit, 1
    return sent


def crc15(bits: list[int]) -> list[int]:
    """Return the CRC of ISO 11898-1: x^15+x^14+x^10+x^8+x^7+x^4+x^3+1, from 0."""
    register = 0
    for bit in bits:
        top = bit ^ register >> 14
        register = register << 1 & 0x7FFF
        if top:
            register ^= 0x4599
    return [register >> i & 1 for i in range(14, -1, -1)]


def numbered(value: int, bits: int) -> list[int]:
    return [value >> i & 1 for i in range(bits - 1, -1, -1)]


def frame_bits(identifier: int, extended: bool, data: bytes) -> int:
    """Return the bits of a classic data frame on the wire, with three of interframe space."""
    if extended:
        head = [0, *numbered(identifier >> 18, 11), 1, 1, *numbered(identifier & 0x3FFFF, 18)]
        head += [0, 0, 0]
    else:
        head = [0, *numbered(identifier, 11), 0, 0, 0]
    bits = head + numbered(len(data), 4)
    for byte in data:
        bits += numbered(byte, 8)
    return stuffed(bits + crc15(bits)) + 1 + 2 + 7 + 3


def test_eight_bytes_take_135_bits_at_most() -> None:
    # Davis, Burns, Bril, Lukkien 2007: 55 + 10·s bits (11-bit), 80 + 10·s bits (29-bit).
    for size in range(9):
        assert worst_frame_bits(size) == 55 + 10 * size
        assert worst_frame_bits(size, extended=True) == 80 + 10 * size
    assert worst_frame_bits(8) == 135


@given(st.integers(0, 0x1FFFFFFF), st.booleans(), st.binary(max_size=8))
def test_no_frame_is_longer_than_the_bound(identifier: int, extended: bool, data: bytes) -> None:
    identifier &= 0x1FFFFFFF if extended else 0x7FF
    assert frame_bits(identifier, extended, data) <= worst_frame_bits(len(data), extended)


def test_frames_come_near_the_bound() -> None:
    """The bound is tight: frames with long runs of equal bits nearly reach it."""
    generator = random.Random(1)
    most = max(
        frame_bits(
            identifier,
            False,
            bytes(generator.choice((0, 0x1E, 0xC3, 0x0F, 0x87, 0xF0)) for _ in range(8)),
        )
        for identifier in (0x000, 0x078, 0x7C3, 0x787)
        for _ in range(500)
    )
    assert worst_frame_bits(8) - 8 <= most <= worst_frame_bits(8)


def test_the_flexible_frame_agrees_with_the_literature() -> None:
    # Bordoloi, Samii, The frame packing problem for CAN-FD, RTSS 2014 (from memory): 32 bits at the
    # slow rate, 28 + 5·⌈(s − 16)/64⌉ + 10·s at the fast one. Our bound adds the stuff count of ISO
    # 11898-1:2015 (4 bits, one fixed stuff bit) and two further bits.
    for size in (0, 1, 8, 12, 16, 20, 24, 32, 48, 64):
        slow, fast = worst_fd_bits(size)
        published = 28 + 5 * max(0, math.ceil((size - 16) / 64)) + 10 * size
        assert slow == 32
        assert published < fast <= published + 7
        assert worst_fd_bits(size, extended=True)[0] > slow


@pytest.mark.parametrize("size", [-1, 9])
def test_lengths_that_do_not_exist(size: int) -> None:
    with pytest.raises(ValueError, match=str(size)):
        worst_frame_bits(size)
    with pytest.raises(ValueError, match=str(size)):
        worst_fd_bits(size)


def test_the_data_go_faster_only_where_the_frame_switches() -> None:
    wire = CanWire.of({"bitrate": 500_000, "data_bitrate": 2_000_000})
    slow, fast = worst_fd_bits(64)
    assert wire.frame_s(64, fd=True) == pytest.approx((slow + fast) / 500e3)
    assert wire.frame_s(64, fd=True, switched=True) == pytest.approx(slow / 500e3 + fast / 2e6)
    assert wire.frame_s(8) == pytest.approx(135 / 500e3)


def test_the_fastest_rate_just_reaches_the_refusal() -> None:
    load = WireLoad()
    load.each_cycle(200e-6)
    load.each_cycle(100e-6, every=10)
    load.each(1e-3, 0.02)
    budget = load.budget(0.002, "")
    assert budget.share == pytest.approx(0.05 + 210e-6 / 0.002)
    again = load.budget(1.0 / budget.fastest_rate_hz, "")
    assert again.share == pytest.approx(0.95)
    assert WireLoad().budget(0.001, "").fastest_rate_hz == math.inf
    over = WireLoad()
    over.each(2.0, 1.0)
    assert over.budget(0.001, "").fastest_rate_hz == 0.0


def test_a_serial_line_takes_ten_bits_a_byte() -> None:
    assert serial_s(23, 115200) == pytest.approx(230 / 115200)


def test_the_shipped_drive_fits_at_1_kHz() -> None:
    options = drive_options(load_profile("footplate_trainer"))
    protocol = find_protocol("cia402")
    assert isinstance(protocol, Budgeting)
    (budget,) = protocol.budgets(options, 0.001)
    # Each cycle: SYNC 55, RPDO of 5 and 8 bytes 105 + 135, TPDO of 8 and 7 bytes 135 + 125 bits.
    # Every tenth cycle: TPDO of 8 and 2 bytes, 135 + 75 bits. Heartbeats of one byte, 65 bits, 200
    # and 20 per second.
    bits_per_s = 1000 * (55 + 105 + 135 + 135 + 125) + 100 * (135 + 75) + 65 * (200 + 20)
    assert budget.share == pytest.approx(bits_per_s / 1e6)
    assert "1 Mbit/s" in budget.what
    assert protocol.budgets(options, 0.002)[0].share < 0.6 * budget.share
    assert 1500 < budget.fastest_rate_hz < 1700


def test_every_shipped_protocol_knows_what_it_takes() -> None:
    for name in shipped_profiles():
        profile = load_profile(name)
        protocol = find_protocol(str(profile.drive["protocol"]))
        assert isinstance(protocol, Budgeting)
        for budget in protocol.budgets(drive_options(profile), 1.0 / profile.control.rate):
            assert 0.02 < budget.share < 0.7


def written(tmp_path: Path, bit_rate: int) -> Path:
    text = (SHIPPED / "treadle_can.yaml").read_text()
    drive = (SHIPPED / "drives" / "treadle_can.yaml").read_text()
    dbc = SHIPPED / "drives" / "treadle_board.dbc"
    drive = drive.replace("channel: can.sock", f"channel: can.sock\n  bitrate: {bit_rate}")
    (tmp_path / "board.yaml").write_text(drive.replace("treadle_board.dbc", str(dbc)))
    text = text.replace("drives/treadle_can.yaml", "board.yaml")
    (tmp_path / "rig.yaml").write_text(text)
    return tmp_path / "rig.yaml"


def test_a_wire_too_slow_is_refused_with_the_rate_that_fits(tmp_path: Path) -> None:
    examined = examine_profile(written(tmp_path, 400_000))
    (error,) = examined.errors
    assert error.key == "drive.bus"
    assert error.file.endswith("board.yaml") and error.line > 1
    assert "0.4 Mbit/s" in error.what
    rate = int(error.fix.split("control.rate to ")[1].split()[0])
    slower = (tmp_path / "rig.yaml").read_text() + f"control: {{rate: {rate} Hz}}\n"
    (tmp_path / "slower.yaml").write_text(slower)
    problems = examine_profile(tmp_path / "slower.yaml").problems
    assert not [p for p in problems if p.key == "drive.bus" and p.severity == "error"]
    assert [p for p in problems if p.key == "drive.bus" and p.severity == "warning"]


def test_a_busy_wire_is_warned_of(tmp_path: Path) -> None:
    examined = examine_profile(written(tmp_path, 500_000))
    assert not examined.errors
    assert any("of the wire" in warning.what for warning in examined.warnings)
