"""Checksums against the catalogue and an independent package; values that do not fit are reported."""

from __future__ import annotations

import crccheck
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from drivers.declared.can.signals import Signal, problems
from drivers.declared.common.checksums import Checksum, checksum
from drivers.transport.board_quantities import Scaling

NINE = b"123456789"


@pytest.mark.parametrize(
    ("declared", "value"),
    [
        # Check values of the CRC catalogue for "123456789".
        (Checksum(width=8, polynomial=0x1D, init=0xFF, xor_out=0xFF), 0x4B),  # SAE J1850
        (Checksum(width=16, polynomial=0x1021, init=0xFFFF), 0x29B1),  # CCITT-FALSE
        (
            Checksum(
                width=32,
                polynomial=0x04C11DB7,
                init=0xFFFFFFFF,
                reflect_in=True,
                reflect_out=True,
                xor_out=0xFFFFFFFF,
            ),
            0xCBF43926,
        ),
        (Checksum(kind="sum", width=8), sum(NINE) % 256),
        (Checksum(kind="sum", width=16), sum(NINE)),
        (Checksum(kind="xor"), 0x31),
        (Checksum(kind="twos_complement"), -sum(NINE) % 256),
    ],
)
def test_catalogue_values(declared: Checksum, value: int) -> None:
    assert checksum(declared)(NINE) == value


@settings(max_examples=200, deadline=None)
@given(
    width=st.sampled_from((8, 16, 24, 32)),
    numbers=st.tuples(*[st.integers(0, 2**32 - 1)] * 3),
    reflect=st.tuples(st.booleans(), st.booleans()),
    covered=st.binary(max_size=20),
    data=st.data(),
)
def test_any_crc_as_an_independent_package_has_it(width, numbers, reflect, covered, data):
    mask = (1 << width) - 1
    polynomial, init, out = (number & mask for number in numbers)
    polynomial = data.draw(st.just(polynomial | 1) | st.sampled_from((0x1021, 0x04C11DB7))) & mask
    declared = Checksum(
        width=width,
        polynomial=polynomial,
        init=init,
        xor_out=out,
        reflect_in=reflect[0],
        reflect_out=reflect[1],
    )
    other = crccheck.crc.Crc(
        width, polynomial, init, reflect_input=reflect[0], reflect_output=reflect[1], xor_output=out
    )
    other.process(covered)
    assert checksum(declared)(covered) == other.final()


@pytest.mark.parametrize(
    "wrong",
    [
        {"polynomial": 0},
        {"polynomial": 0x1FF},
        {"width": 12, "polynomial": 1},
        {"polynomial": 7, "covers": (5, 2)},
        {"kind": "xor", "width": 16},
    ],
)
def test_an_impossible_checksum_is_refused(wrong):
    with pytest.raises(ValidationError):
        Checksum(**wrong)


@pytest.mark.parametrize(
    ("signals", "multiplexer", "word"),
    [
        ({"a": Signal(start=0, bits=9), "b": Signal(start=8, bits=8)}, None, "'a' at bit 8"),
        ({"a": Signal(start=60, bits=8)}, None, "ends at bit 63"),
        ({"a": Signal(start=56, bits=16, order="big_endian")}, None, "ends at bit 63"),
        ({"a": Signal(start=0, bits=8, when=(1,))}, None, "no multiplexer"),
        ({"a": Signal(start=0, bits=8)}, "m", "no signal 'm'"),
    ],
)
def test_a_wrong_layout_is_reported_with_its_fix(signals, multiplexer, word):
    assert any(word in text for text in problems(signals, 8, multiplexer))


def test_multiplexed_signals_may_share_bits():
    signals = {
        "m": Signal(start=0, bits=8),
        "a": Signal(start=8, bits=8, when=0),
        "b": Signal(start=8, bits=16, when=1),
    }
    assert not problems(signals, 8, "m")


@given(st.floats(-1e6, 1e6), st.sampled_from((0.1, -3.0)), st.sampled_from((1, -1)))
def test_scaling_and_back(value, scale, sign):
    scaling = Scaling(scale=scale, offset=4.0, sign=sign)
    assert scaling.from_si(scaling.to_si(value)) == pytest.approx(value, abs=1e-6)


@pytest.mark.parametrize("wrong", [{"scale": 0}, {"sign": 0}, {"sign": 2}, {"scale": float("inf")}])
def test_a_scaling_that_tells_nothing_is_refused(wrong):
    with pytest.raises(ValidationError):
        Scaling(**wrong)
