"""CAN messages against a CAN database library and an independent package, bit for bit."""

from __future__ import annotations

import math
import struct
from typing import Any

import cantools.database.can as dbc
import crccheck
import pytest
from cantools.database import conversion
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from drivers.declared.can.message_options import CanMessage
from drivers.declared.can.messages import MessageReader, MessageWriter
from drivers.declared.can.signals import Signal
from drivers.declared.common.board import Counters, Sample
from drivers.transport.board_quantities import Scaling

SCALES = st.sampled_from((1.0, 0.5, 0.001, -2.0, 1.5339808e-3))
WHOLE = st.sampled_from((8, 16, 32, 64))
OFFSETS = st.sampled_from((0.0, 10.0, -0.25))


@st.composite
def messages(draw, lengths=(1, 2, 4, 6, 8, 12, 20, 64)):
    """Draw a message, multiplexed or not, whose signals fit into it."""
    length = draw(st.sampled_from(lengths))
    taken: dict[int, list[tuple[int, ...]]] = {}
    signals: dict[str, Signal] = {}

    def add(name: str, when: tuple[int, ...], most: int, plain: bool = False) -> None:
        bits = min(draw(st.integers(1, most) | WHOLE), most, 8 * length)
        floating = not plain and bits in (16, 32, 64) and draw(st.booleans())
        signal = Signal(
            start=8 * draw(st.integers(0, length - 1)) + draw(st.sampled_from((0, 7, 0, 7, 3))),
            order=draw(st.sampled_from(("little_endian", "big_endian"))),
            bits=bits,
            floating=floating,
            when=when,
            signed=not (plain or floating) and draw(st.booleans()),
            scale=1.0 if plain else draw(SCALES),
            offset=0.0 if plain else draw(OFFSETS),
        )
        places = signal.positions()
        if min(places) < 0 or max(places) >= 8 * length:
            return
        for place in places:
            if any(not when or not old or set(when) & set(old) for old in taken.get(place, ())):
                return
        for place in places:
            taken.setdefault(place, []).append(when)
        signals[name] = signal

    if draw(st.booleans()):
        add("m", (), 8, plain=True)
    multiplexed = "m" in signals
    for i in range(draw(st.integers(1, 7))):
        kinds = draw(st.sets(st.integers(0, 3), max_size=2)) if multiplexed else ()
        most = 1 << signals["m"].bits if multiplexed else 0
        add(f"s{i}", tuple(sorted(kind for kind in kinds if kind < most)), 64)
    assume(signals)
    extended = draw(st.booleans())
    return CanMessage(
        id=draw(st.integers(0, 0x1FFFFFFF if extended else 0x7FF)),
        extended=extended,
        length=length,
        fd=length > 8 or draw(st.booleans()),
        signals=signals,
        multiplexer="m" if multiplexed else None,
    )


def as_library(message: CanMessage) -> dbc.Message:
    return dbc.Message(
        message.id,
        "state",
        message.length,
        [
            dbc.Signal(
                name,
                s.start,
                s.bits,
                byte_order=s.order,
                is_signed=s.signed,
                conversion=conversion.BaseConversion.factory(
                    scale=s.scale, offset=s.offset, is_float=s.floating
                ),
                is_multiplexer=name == message.multiplexer,
                multiplexer_ids=list(s.when) or None,
                multiplexer_signal=message.multiplexer if s.when else None,
            )
            for name, s in message.signals.items()
        ],
        is_extended_frame=message.extended,
        is_fd=message.fd,
        strict=True,
    )


def kinds_of(message: CanMessage) -> list[int]:
    return sorted({kind for signal in message.signals.values() for kind in signal.when})


def decoded(message: CanMessage, wire: bytes | bytearray) -> dict[str, float]:
    """Return what our reader decodes."""
    samples = {name: Sample() for name in message.signals}
    MessageReader(message, Counters(), {}, samples).take(bytes(wire), 0.0)
    return {name: sample.value for name, sample in samples.items() if sample.number}


@settings(max_examples=150, deadline=None)
@given(message=messages(), data=st.data())
def test_decoding_as_the_library_does(message, data):
    wire = bytearray(data.draw(st.binary(min_size=message.length, max_size=message.length)))
    if kinds := kinds_of(message):
        kind = data.draw(st.sampled_from(kinds))
        for i, place in enumerate(message.signals["m"].positions()):
            bit = 1 << place % 8
            wire[place // 8] = wire[place // 8] & ~bit | bit * (kind >> i & 1)
    theirs: Any = as_library(message).decode(bytes(wire), decode_choices=False)
    ours = decoded(message, wire)
    if any(not math.isfinite(value) for value in theirs.values()):
        assert ours == {}  # the whole message is refused
        return
    assert ours.keys() == theirs.keys()
    for name, value in ours.items():
        assert value == pytest.approx(theirs[name], rel=1e-15), name


@settings(max_examples=150, deadline=None)
@given(message=messages(), data=st.data())
def test_encoding_as_the_library_does_bit_for_bit(message, data):
    kinds = kinds_of(message)
    kind = data.draw(st.sampled_from(kinds)) if kinds else None
    values = {}
    for name, signal in message.signals.items():
        if signal.when and kind not in signal.when:
            continue
        if signal.floating:
            # In units of the wire, within the range of a 16-bit float.
            raw = data.draw(st.floats(-60000, 60000, width=16))
        else:
            low, high = signal.raw_range()
            raw = data.draw(st.integers(max(low, -(2**40)), min(high, 2**40)))
        values[name] = raw * signal.scale + signal.offset
    if kind is not None:
        values["m"] = kind
    writer, used = MessageWriter(message), MessageWriter(message)
    for name in set(message.signals) - set(values):
        used.set(name, -1.0)  # of signals that share bits, the last one set must be intact
    for name, value in values.items():
        writer.set(name, value)
        used.set(name, value)
    ours = decoded(message, used.build().data)
    assert {name: ours[name] for name in values} == decoded(message, writer.build().data)
    frame = writer.build()
    assert (frame.arbitration_id, frame.is_extended_id) == (message.id, message.extended)
    assert (frame.is_fd, frame.dlc) == (message.fd, message.length)
    assert bytes(frame.data) == as_library(message).encode(values, strict=False)


@settings(max_examples=50, deadline=None)
@given(message=messages(), value=st.floats(allow_nan=False, allow_infinity=False))
def test_a_value_out_of_range_stays_at_the_end_of_its_range(message, value):
    name, signal = next(iter(message.signals.items()))
    writer = MessageWriter(message)
    for kind in signal.when[:1]:
        writer.set("m", kind)
    writer.set(name, value)
    back = decoded(message, writer.build().data)[name]
    if signal.floating:
        assert math.isfinite(back)
        return
    ends = sorted(raw * signal.scale + signal.offset for raw in signal.raw_range())
    wanted = min(max(value, ends[0]), ends[1])
    assert abs(back - wanted) <= 0.5 * abs(signal.scale) + 1e-9 * abs(wanted)


@pytest.mark.parametrize("floating", [False, True])
def test_a_value_that_is_no_number_is_refused(floating):
    one = Signal(start=0, bits=32, floating=floating)
    writer = MessageWriter(CanMessage(id=1, length=4, signals={"a": one}))
    with pytest.raises(ValueError, match=r"N|number"):
        writer.set("a", float("nan"))


def test_a_floating_signal_that_is_not_finite_makes_the_whole_message_unsound():
    signals = {"a": Signal(start=0, bits=32, floating=True), "b": Signal(start=32, bits=8)}
    message = CanMessage(id=1, length=5, signals=signals)
    counters, samples = Counters(), {"a": Sample(), "b": Sample()}
    take = MessageReader(message, counters, {}, samples).take
    assert take(struct.pack("<fB", 2.5, 7), 1.0)
    for value in (math.nan, math.inf, -math.inf):
        assert not take(struct.pack("<fB", value, 9), 2.0)
    assert (samples["a"].value, samples["b"].value, samples["b"].time_s) == (2.5, 7.0, 1.0)
    assert (counters.received, counters.malformed) == (1, 3)


@given(
    value=st.floats(-400, 400), sign=st.sampled_from((1, -1)), offset=st.sampled_from((0.0, 3.0))
)
def test_a_command_in_si_arrives_in_si(value, sign, offset):
    scaling = Scaling(scale=0.25, offset=offset, sign=sign)
    signal = Signal(start=4, bits=20, signed=True, scale=0.01, order="little_endian")
    message = CanMessage(id=1, length=3, signals={"a": signal})
    writer, sample = MessageWriter(message, {"torque": ("a", scaling)}), Sample()
    writer.commands["torque"](value)
    MessageReader(message, Counters(), {"a": [(sample, scaling)]}, {}).take(writer.build().data, 0)
    assert sample.value == pytest.approx(value, abs=0.5 * 0.01 * 0.25 + 1e-9)


@st.composite
def checked(draw):
    """Draw a message with a counter and a checksum of any kind, anywhere in it."""
    message = draw(messages(lengths=(5, 6, 8, 12, 24, 64)))
    length = message.length
    width = draw(st.sampled_from((8, 16, 24, 32)))
    kind = draw(st.sampled_from(("crc", "crc", "sum", "xor", "twos_complement")))
    width = 8 if kind == "xor" else width
    numbers = [draw(st.integers(0, (1 << width) - 1)) for _ in range(3)]
    at = draw(st.integers(0, length - width // 8))
    order = draw(st.sampled_from(("little_endian", "big_endian")))
    counter_at = draw(st.sampled_from([i for i in range(length) if not at <= i < at + width // 8]))
    first = draw(st.integers(0, length - 1))
    last = draw(st.integers(first, length - 1))
    # The message's own signals that do not overlap these two.
    own = {counter_at, *range(at, at + width // 8)}
    signals = {
        name: signal
        for name, signal in message.signals.items()
        if not own & {place // 8 for place in signal.positions()}
    }
    signals = {name: s.model_copy(update={"when": ()}) for name, s in signals.items() if not s.when}
    signals["count"] = Signal(start=8 * counter_at + 2, bits=draw(st.integers(1, 6)))
    signals["check"] = Signal(
        start=8 * at + (7 if order == "big_endian" else 0), bits=width, order=order
    )
    return CanMessage(
        id=message.id,
        extended=message.extended,
        length=length,
        fd=message.fd,
        signals=signals,
        counter={"signal": "count"},
        checksum={
            "signal": "check",
            "kind": kind,
            "width": width,
            "polynomial": numbers[0] | 1,
            "init": numbers[1],
            "xor_out": numbers[2],
            "reflect_in": draw(st.booleans()),
            "reflect_out": draw(st.booleans()),
            "covers": (first, last if draw(st.booleans()) else last - length),
            "itself": draw(st.sampled_from((None, 0, 0xFF))),
            "first_identifier_bytes": draw(st.integers(0, 4)),
        },
    )


def independent(message: CanMessage, wire: bytes) -> int:
    """Return the checksum of a message by plain arithmetic and another package."""
    declared = message.checksum
    last = declared.covers[1] % message.length
    own = {place // 8 for place in message.signals["check"].positions()}
    covered = b"".join(
        bytes((declared.itself,))
        if i in own and declared.itself is not None
        else b""
        if i in own
        else wire[i : i + 1]
        for i in range(declared.covers[0], last + 1)
    )
    identifier = message.id.to_bytes(4, "big")
    covered = identifier[4 - declared.first_identifier_bytes :] + covered
    top = 1 << declared.width
    if declared.kind == "xor":
        value = declared.init
        for byte in covered:
            value ^= byte
        return value ^ declared.xor_out
    if declared.kind != "crc":
        total = declared.init + sum(covered)
        return (total if declared.kind == "sum" else -total) % top ^ declared.xor_out
    crc = crccheck.crc.Crc(
        declared.width,
        declared.polynomial,
        declared.init,
        reflect_input=declared.reflect_in,
        reflect_output=declared.reflect_out,
        xor_output=declared.xor_out,
    )
    crc.process(covered)
    return crc.final()


@settings(max_examples=100, deadline=None)
@given(message=checked(), data=st.data())
def test_counter_and_checksum_as_others_have_them(message, data):
    library = as_library(message)
    writer = MessageWriter(message)
    values = {name: signal.offset for name, signal in message.signals.items()}
    for name, value in values.items():
        writer.set(name, value)
    counters, samples = Counters(), {name: Sample() for name in message.signals}
    take = MessageReader(message, counters, {}, samples).take
    modulo = 1 << message.signals["count"].bits
    for i in range(modulo + 2):
        wire = bytes(writer.build().data)
        values |= {"count": i % modulo, "check": 0}
        values["check"] = independent(message, library.encode(values, strict=False))
        assert wire == library.encode(values, strict=False)
        assert take(wire, float(i))
        # A repeated frame is not taken, nor is one with a flipped bit under the checksum.
        received, repeated = counters.received, counters.repeated
        assert not take(wire, 99.0)
        assert (counters.received, counters.repeated) == (received, repeated + 1)
    if message.checksum.kind != "crc":
        return
    covered = range(message.checksum.covers[0], message.checksum.covers[1] % message.length + 1)
    own = {place // 8 for place in message.signals["check"].positions()}
    wrong = bytearray(writer.build().data)
    at = data.draw(st.sampled_from(sorted({*covered} | own)))
    wrong[at] ^= 1 << data.draw(st.integers(0, 7))
    assert not take(wrong, 99.0)
    assert counters.checksum_failures == 1


def test_a_counter_that_leaps_is_counted_and_taken():
    signals = {"count": Signal(start=0, bits=4)}
    message = CanMessage(id=1, length=1, signals=signals, counter={"signal": "count", "modulo": 10})
    counters = Counters()
    take = MessageReader(message, counters, {}, {}).take
    assert [take(bytes((n,)), 0.0) for n in (7, 8, 9, 0, 1, 1, 3, 2)] == [
        True,
        True,
        True,
        True,
        True,
        False,
        True,
        True,
    ]
    assert (counters.counter_gaps, counters.repeated, counters.received) == (2, 1, 7)
