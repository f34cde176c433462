"""Checksums and signals beside the catalogue, independent packages and the DBC library."""

from __future__ import annotations

import math

import cantools.database.can as dbc
import crccheck
import pytest
from cantools.database import conversion
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from drivers.declared.can_signals import Encoder, Signal, decoder, problems
from drivers.declared.checksums import Checksum, checksum
from drivers.declared.quantities import Scaling

NINE = b"123456789"


@pytest.mark.parametrize(
    ("declared", "value"),
    [
        # Check values of the CRC catalogue for "123456789".
        (Checksum(width=8, polynomial=0x1D, init=0xFF, xor_out=0xFF), 0x4B),  # SAE J1850
        (Checksum(width=16, polynomial=0x1021, init=0xFFFF), 0x29B1),  # CCITT, false
        (Checksum(width=32, polynomial=0x04C11DB7, init=0xFFFFFFFF, reflect_in=True,
                  reflect_out=True, xor_out=0xFFFFFFFF), 0xCBF43926),
        (Checksum(kind="sum", width=8), sum(NINE) % 256),
        (Checksum(kind="sum", width=16), sum(NINE)),
        (Checksum(kind="xor"), 0x31),
        (Checksum(kind="twos_complement"), -sum(NINE) % 256),
    ],
)  # fmt: skip
def test_catalogue_values(declared: Checksum, value: int) -> None:
    assert checksum(declared)(NINE) == value


@settings(max_examples=200, deadline=None)
@given(
    width=st.sampled_from((8, 16, 24, 32)),
    numbers=st.tuples(*[st.integers(0, 2**32 - 1)] * 3),
    reflect=st.tuples(st.booleans(), st.booleans()),
    data=st.binary(max_size=20),
)
def test_any_crc_as_an_independent_package_has_it(width, numbers, reflect, data):
    mask = (1 << width) - 1
    polynomial, init, out = (number & mask for number in numbers)
    assume(polynomial)
    declared = Checksum(
        width=width, polynomial=polynomial, init=init, xor_out=out,
        reflect_in=reflect[0], reflect_out=reflect[1],
    )  # fmt: skip
    other = crccheck.crc.Crc(
        width, polynomial, init, reflect_input=reflect[0], reflect_output=reflect[1], xor_output=out
    )
    other.process(data)
    assert checksum(declared)(data) == other.final()


@pytest.mark.parametrize("wrong", [
    {"polynomial": 0}, {"polynomial": 0x1FF}, {"width": 12, "polynomial": 1},
    {"polynomial": 7, "covers": (5, 2)}, {"kind": "xor", "width": 16},
])  # fmt: skip
def test_an_impossible_checksum_is_refused(wrong):
    with pytest.raises(ValidationError):
        Checksum(**wrong)


@st.composite
def layouts(draw):
    """Signals of one message that do not overlap, with the same for the library."""
    length = draw(st.sampled_from((1, 2, 4, 8, 12, 64)))
    free = set(range(8 * length))
    signals = {}
    for i in range(draw(st.integers(1, 6))):
        bits = draw(st.integers(1, min(64, 8 * length)))
        order = draw(st.sampled_from(("little_endian", "big_endian")))
        start = draw(st.integers(0, 8 * length - 1))
        floating = bits in (16, 32, 64) and draw(st.booleans())
        signal = Signal(
            start=start, bits=bits, order=order, floating=floating,
            signed=not floating and draw(st.booleans()),
            scale=draw(st.sampled_from((1.0, 0.5, 0.001, -2.0, 1.5339808e-3))),
            offset=draw(st.sampled_from((0.0, 10.0, -0.25))),
        )  # fmt: skip
        places = set(signal.positions())
        if places <= free and len(places) == bits:
            free -= places
            signals[f"s{i}"] = signal
    assume(signals)
    return length, signals


def as_library(length: int, signals: dict[str, Signal]) -> dbc.Message:
    return dbc.Message(
        0x120, "state", length,
        [
            dbc.Signal(
                name, s.start, s.bits, byte_order=s.order, is_signed=s.signed,
                conversion=conversion.BaseConversion.factory(
                    scale=s.scale, offset=s.offset, is_float=s.floating
                ),
            )
            for name, s in signals.items()
        ],
        is_fd=length > 8, strict=True,
    )  # fmt: skip


@settings(max_examples=200, deadline=None)
@given(layout=layouts(), data=st.data())
def test_decoding_as_the_library_does(layout, data):
    length, signals = layout
    wire = data.draw(st.binary(min_size=length, max_size=length))
    assert not problems(signals, length, None)
    theirs = as_library(length, signals).decode(wire, decode_choices=False)
    for name, value in zip(signals, decoder(signals, length)(wire), strict=True):
        expected = theirs[name]
        assert value == pytest.approx(expected, rel=1e-15, nan_ok=True) or value == expected


@settings(max_examples=200, deadline=None)
@given(layout=layouts(), data=st.data())
def test_encoding_as_the_library_does_bit_for_bit(layout, data):
    length, signals = layout
    message = as_library(length, signals)
    values = {}
    for name, signal in signals.items():
        if signal.floating:
            # In the wire's own units within what 16 bits can say.
            raw = data.draw(st.floats(-60000, 60000, width=16))
            values[name] = raw * signal.scale + signal.offset
        else:
            low, high = signal.raw_range()
            raw = data.draw(st.integers(max(low, -(2**40)), min(high, 2**40)))
            values[name] = raw * signal.scale + signal.offset
    encoder = Encoder(signals, length)
    for name, value in values.items():
        encoder.set(name, value)
    assert encoder.bytes() == message.encode(values, strict=False)


@settings(max_examples=100, deadline=None)
@given(layout=layouts(), value=st.floats(allow_nan=False, allow_infinity=False))
def test_a_value_out_of_range_stays_at_the_end_of_its_range(layout, value):
    length, signals = layout
    name, signal = next(iter(signals.items()))
    encoder = Encoder(signals, length)
    encoder.set(name, value)
    if signal.floating:
        assert math.isfinite(decoder({name: signal}, length)(encoder.bytes())[0])
        return
    back = decoder({name: signal}, length)(encoder.bytes())[0]
    ends = sorted(raw * signal.scale + signal.offset for raw in signal.raw_range())
    wanted = min(max(value, ends[0]), ends[1])
    assert abs(back - wanted) <= 0.5 * abs(signal.scale) + 1e-9 * abs(wanted)


def test_a_value_that_is_no_number_is_refused():
    encoder = Encoder({"a": Signal(start=0, bits=8)}, 1)
    with pytest.raises(ValueError, match="not a number"):
        encoder.set("a", float("nan"))


@pytest.mark.parametrize(
    ("signals", "multiplexer", "word"),
    [
        ({"a": Signal(start=0, bits=9), "b": Signal(start=8, bits=8)}, None, "overlap at bit 8"),
        ({"a": Signal(start=60, bits=8)}, None, "ends at bit 63"),
        ({"a": Signal(start=56, bits=16, order="big_endian")}, None, "ends at bit 63"),
        ({"a": Signal(start=0, bits=8, when=1)}, None, "no multiplexer"),
        ({"a": Signal(start=0, bits=8)}, "m", "is no signal"),
    ],
)
def test_a_wrong_layout_is_told_with_its_mend(signals, multiplexer, word):
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
