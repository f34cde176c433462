"""Bits of a CAN frame, held against the published bounds."""

from __future__ import annotations

import pytest

from drivers.can_load import bus_share, cia402_load, worst_frame_bits
from hil.devices import drive_options
from hil.profile.loader import load_profile


def test_eight_bytes_take_135_bits_at_most() -> None:
    # Davis, Burns, Bril, Lukkien 2007: 55 + 10·s bits (11-bit), 80 + 10·s bits (29-bit).
    for size in range(9):
        assert worst_frame_bits(size) == 55 + 10 * size
        assert worst_frame_bits(size, extended=True) == 80 + 10 * size
    assert worst_frame_bits(8) == 135


def test_a_frame_has_no_nine_bytes() -> None:
    with pytest.raises(ValueError, match="not 9"):
        worst_frame_bits(9)


def test_the_share_is_bits_per_second_over_the_rate() -> None:
    assert bus_share([(8, 1000.0), (0, 1000.0)], 1e6) == pytest.approx(0.190)


def test_the_shipped_drive_fits_at_1_kHz() -> None:
    options = drive_options(load_profile("footplate_trainer"))
    share, note = cia402_load(options, 0.001)
    # A cycle: SYNC 55, RPDO of 5 and 8 bytes 105 + 135, TPDO of 8 and 7 bytes 135 + 125 bits.
    # Every tenth: TPDO of 8 and 2 bytes, 135 + 75 bits. Heartbeats of one byte, 65 bits, 50 and
    # 20 a second.
    bits_per_s = 1000 * (55 + 105 + 135 + 135 + 125) + 100 * (135 + 75) + 65 * (50 + 20)
    assert share == pytest.approx(bits_per_s / 1e6)
    assert "1 Mbit/s" in note
    assert cia402_load(options, 0.002)[0] < 0.6 * share
