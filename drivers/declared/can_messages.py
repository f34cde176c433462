"""Reader and writer of one described CAN message, compiled once."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import can

from drivers.declared.board import Counters, Sample
from drivers.declared.can_options import CanMessage
from drivers.declared.can_signals import Decode, Encoder, Signal, decoder
from drivers.declared.checksums import checksum
from drivers.declared.quantities import Scaling

Output = tuple[Sample, Scaling]
Target = tuple[Sample, float, float]  # scale and offset, sign included
Verify = Callable[[bytes], int]


class MessageReader:
    """Takes in one kind of message: length, checksum, counter, then its signals.

    Args:
        outputs: what is wanted of it: signal name to sample and scaling.
        watched: samples of signals that a dialogue may look at, in the board's own units.
    """

    def __init__(
        self,
        message: CanMessage,
        counters: Counters,
        outputs: Mapping[str, list[Output]],
        watched: Mapping[str, Sample],
    ) -> None:
        self._length = message.length
        self._counters = counters
        self._check = _check(message) if message.checksum is not None else None
        self._check_of: Decode = _nothing
        if message.checksum is not None:
            own = message.checksum.signal
            self._check_of = decoder({own: _bare(message, own)}, message.length)
        rolling = message.counter
        self._count_of = None
        self._modulo = 0
        self._last: int | None = None
        if rolling is not None:
            bare = _bare(message, rolling.signal)
            self._count_of = decoder({rolling.signal: bare}, message.length)
            self._modulo = rolling.modulo or 1 << bare.bits
        wanted = [*outputs, *(name for name in watched if name not in outputs)]
        self._multiplexer = None
        if message.multiplexer is not None:
            bare = _bare(message, message.multiplexer)
            self._multiplexer = decoder({message.multiplexer: bare}, message.length)
        # One decoder for each value of the multiplexer; None stands for what is always there.
        self._decoders: dict[int | None, tuple[Decode, list[list[Target]]]] = {}
        kinds = {message.signals[name].when for name in wanted} | {None}
        for kind in kinds:
            names = [n for n in wanted if message.signals[n].when in (None, kind)]
            if names:
                targets = [
                    [(sample, s.sign * s.scale, s.sign * s.offset)
                     for sample, s in outputs.get(name, [])]
                    + ([(watched[name], 1.0, 0.0)] if name in watched else [])
                    for name in names
                ]  # fmt: skip
                signals = {name: message.signals[name] for name in names}
                self._decoders[kind] = (decoder(signals, message.length), targets)

    def take(self, data: bytes, now_s: float) -> bool:
        """Whether it was sound and new; then the samples have its values."""
        counters = self._counters
        if len(data) != self._length:
            counters.malformed += 1
            return False
        if self._check is not None and self._check(data) != self._check_of(data)[0]:
            counters.checksum_failures += 1
            return False
        if self._count_of is not None:
            count = int(self._count_of(data)[0])
            last, self._last = self._last, count
            if count == last:
                # The sender repeats itself: what it says is as old as the first time.
                counters.repeated += 1
                return False
            if last is not None and count != (last + 1) % self._modulo:
                counters.counter_gaps += 1
        kind = None
        if self._multiplexer is not None:
            kind = int(self._multiplexer(data)[0])
            if kind not in self._decoders:
                kind = None
        found = self._decoders.get(kind)
        if found is not None:
            decode, targets = found
            for value, places in zip(decode(data), targets, strict=True):
                for sample, scale, offset in places:
                    sample.value = value * scale + offset
                    sample.time_s = now_s
                    sample.number += 1
        counters.received += 1
        return True


class MessageWriter:
    """Builds one kind of message: values, then counter, then checksum."""

    def __init__(self, message: CanMessage) -> None:
        self._message = message
        self._encoder = Encoder(message.signals, message.length)
        for name, value in message.values.items():
            self._encoder.set(name, value)
        self._check = _check(message) if message.checksum is not None else None
        self._modulo = 0
        self._count = -1
        if message.counter is not None:
            bits = message.signals[message.counter.signal].bits
            self._modulo = message.counter.modulo or 1 << bits
        self.frame = can.Message(
            arbitration_id=message.id,
            is_extended_id=message.extended,
            is_fd=message.fd,
            data=bytes(message.length),
        )

    def set(self, name: str, value: float) -> None:
        """One signal in the board's own units; it stays until set again."""
        self._encoder.set(name, value)

    def build(self) -> can.Message:
        """The message as it is to be sent now; the same object every time."""
        message, encoder = self._message, self._encoder
        if message.counter is not None:
            self._count = (self._count + 1) % self._modulo
            encoder.set_raw(message.counter.signal, self._count)
        data = encoder.bytes()
        if self._check is not None and message.checksum is not None:
            encoder.set_raw(message.checksum.signal, self._check(data))
            data = encoder.bytes()
        self.frame.data = bytearray(data)
        return self.frame


def _bare(message: CanMessage, name: str) -> Signal:
    """A signal as it is on the wire, a whole number."""
    return message.signals[name].model_copy(update={"scale": 1.0, "offset": 0.0})


def _nothing(_data: bytes) -> tuple[float, ...]:
    return (0.0,)


def _check(message: CanMessage) -> Verify:
    """Checksum over the covered bytes of a whole message, its own bytes left out."""
    declared = message.checksum
    assert declared is not None
    first, last = (end + message.length if end < 0 else end for end in declared.covers)
    own = {bit // 8 for bit in message.signals[declared.signal].positions()}
    head = message.id.to_bytes(4, "big")[4 - declared.first_identifier_bytes :]
    head = head if declared.first_identifier_bytes else b""
    compute = checksum(declared)
    inside = sorted(own & set(range(first, last + 1)))
    if not inside:
        if not head:
            return lambda data: compute(data[first : last + 1])
        return lambda data: compute(head + data[first : last + 1])
    low, high = inside[0], inside[-1]
    filler = b"" if declared.itself is None else bytes((declared.itself,)) * (high - low + 1)
    return lambda data: compute(
        head + data[first:low] + filler + data[high + 1 : last + 1]
    )
