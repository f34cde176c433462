"""Listen to a described board on a serial port. Only a poll that is no command is sent."""

from __future__ import annotations

import time
from collections.abc import Callable

from drivers.declared.common import Counters, Sample
from drivers.declared.serial.codec import Codec
from drivers.declared.serial.frame_options import DeclaredFramesOptions
from drivers.declared.serial.line_options import DeclaredLinesOptions
from drivers.declared.serial.message_fields import MessageFields
from drivers.declared.serial.options import SerialOptions
from drivers.transport import GIVEN_UNITS, MessageStats, SerialPort, Undeclared

KEPT_BYTES = 40  # of the last chunk in which something was not understood


class SerialEar:
    """See :class:`drivers.transport.listening.BusMonitor`."""

    def __init__(
        self,
        options: DeclaredLinesOptions | DeclaredFramesOptions,
        make_codec: Callable[[Counters], Codec],
        period_s: float,
    ) -> None:
        self._counters = Counters()
        self._codec = make_codec(self._counters)
        self._port = SerialPort(options.port)
        self._period_s = period_s
        self._next_poll_s = 0.0
        self.undeclared: dict[str, Undeclared] = {}
        lines = isinstance(options, DeclaredLinesOptions)
        ours = _sent(options)
        names = [n for n in options.received() if lines or n in options.used or n not in ours]
        self._messages = {name: _Message(name, options) for name in names}
        self.declared = [message.stats for message in self._messages.values()]
        orders = {taken.target.partition(".")[0] for taken in options.takes.values()}
        for _, steps in options.sequences:
            orders |= {step.send for step in steps if step.send}
        orders |= {options.heartbeat.send} if options.heartbeat else set()
        self._poll = options.poll if options.poll not in orders else None
        rate = 1.0 / period_s
        self.polling = f"the poll '{self._poll}', {rate:g} times a second" if self._poll else ""

    def open(self) -> None:
        """See ``BusMonitor``."""
        self._port.open()

    def turn(self, until_s: float) -> None:
        """See ``BusMonitor``."""
        while (now := time.monotonic()) < until_s:
            wait_until = until_s
            if self._poll is not None:
                if now >= self._next_poll_s:
                    self._next_poll_s = max(self._next_poll_s, now - self._period_s)
                    self._next_poll_s += self._period_s
                    self._port.write(self._codec.build(self._poll))
                wait_until = min(until_s, self._next_poll_s)
            chunk = self._port.read(wait_until)
            if chunk:
                self._take(chunk, time.monotonic())

    def _take(self, chunk: bytes, now_s: float) -> None:
        counters = self._counters
        before = (counters.malformed, counters.checksum_failures, counters.foreign)
        for name, values in self._codec.feed(chunk):
            message = self._messages.get(name)
            if message is not None:
                message.take(values, now_s)
        after = (counters.malformed, counters.checksum_failures, counters.foreign)
        for what, old, new in zip(
            ("not understood", "wrong checksum", "other kind"), before, after, strict=True
        ):
            if new != old:
                seen = self.undeclared.setdefault(what, Undeclared(what))
                seen.count = new
                seen.last = chunk[:KEPT_BYTES]
                seen.size = len(chunk)

    def close(self) -> None:
        """See ``BusMonitor``."""
        self._port.close()


class _Message:
    """One kind of message and its statistics."""

    def __init__(self, name: str, options: DeclaredLinesOptions | DeclaredFramesOptions) -> None:
        if isinstance(options, DeclaredLinesOptions):
            counter = options.lines[name].counter
        else:
            counter = options.frames[name].counter
        every = options.cadence()[name]
        given = {given.source.partition(".")[0] for given in options.gives.values()}
        answers = name in given and options.poll is not None and not options.answered().get(name)
        note = "" if every or answers else "comes only in answer to a message that is not sent here"
        self.stats = MessageStats(name, _what(name, options), every, note=note)
        self._counters = Counters()
        names = options.received()[name]
        self._fields = MessageFields(names, self._counters, counter)
        self._samples: dict[str, tuple[Sample, str]] = {}
        given_fields = {counter.field} if counter else set()
        for quantity, source in options.gives.items():
            message, _, field = source.source.partition(".")
            if message == name:
                self._samples[str(quantity)] = (Sample(), GIVEN_UNITS[str(quantity)])
                self._fields.add(field, self._samples[str(quantity)][0], source)
                given_fields.add(field)
        for field in names:
            if field not in given_fields:
                self._samples[field] = (Sample(), "")
                self._fields.add(field, self._samples[field][0])

    def take(self, values: tuple[float, ...], now_s: float) -> None:
        new = self._fields.take(values, now_s)
        self.stats.troubles = {
            "counter gaps": self._counters.counter_gaps,
            "repeated": self._counters.repeated,
        }
        if new:
            self.stats.received(now_s)
            for label, (sample, unit) in self._samples.items():
                self.stats.values[label] = sample.value, unit


def _sent(options: SerialOptions) -> set[str]:
    names = {taken.target.partition(".")[0] for taken in options.takes.values()}
    names |= {step.send for _, steps in options.sequences for step in steps if step.send}
    names |= {options.heartbeat.send} if options.heartbeat else set()
    return names | ({options.poll} if options.poll else set())


def _what(name: str, options: DeclaredLinesOptions | DeclaredFramesOptions) -> str:
    if isinstance(options, DeclaredLinesOptions):
        return repr(options.lines[name].starts) if options.lines[name].starts else "pattern"
    identifier = options.frames[name].identifier
    return f"frame {identifier}" if identifier is not None else "frame"
