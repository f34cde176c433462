"""A described board on a CAN bus."""

from __future__ import annotations

import contextlib
import math
import time
from collections.abc import Mapping

import can

from drivers.base import DriverError
from drivers.capture import wires
from drivers.declared.can.messages import MessageReader, MessageWriter, Output, Take
from drivers.declared.can.options import DeclaredCanOptions
from drivers.declared.common import TORQUE_OFFSET, Counters, Sample, timing_sample
from drivers.transport import Scaling, open_bus

MOST_FRAMES_A_CYCLE = 64  # a babbling node must not block the cycle
GONE = (can.CanError, OSError)
# Exceptions that adapters are known to raise for one damaged frame; the next may be valid.
DAMAGED = (ValueError, IndexError, KeyError)


class CanBoard:
    """See :class:`drivers.declared.common.board.Board`."""

    def __init__(self, options: DeclaredCanOptions) -> None:
        self.options: DeclaredCanOptions = options
        self.gives = frozenset(str(name) for name in options.gives)
        self.takes = frozenset(str(name) for name in options.takes)
        self.values: dict[str, Sample] = {str(name): Sample() for name in options.gives}
        self.counters = Counters()
        self.received_s = time.monotonic()
        self._bus: can.BusABC | None = None
        self._watched: dict[str, Sample] = {}
        self._readers: dict[tuple[int, bool], Take] = {}
        self._writers: dict[str, MessageWriter] = {}
        self._build()
        self._motor = timing_sample(self.values)
        self._seen = 0
        self._commands = {
            quantity: (set_value, writer.build)
            for writer in self._writers.values()
            for quantity, set_value in writer.commands.items()
        }
        self._set_offset = self._commands.get(TORQUE_OFFSET, (None,))[0]

    def _build(self) -> None:
        options = self.options
        outputs: dict[str, dict[str, list[Output]]] = {}
        for quantity, given in options.gives.items():
            message, _, signal = given.source.partition(".")
            entry = outputs.setdefault(message, {}).setdefault(signal, [])
            entry.append((self.values[str(quantity)], given))
        watched: dict[str, dict[str, Sample]] = {}
        sent = set()
        for _, steps in options.sequences:
            for step in steps:
                sent |= {step.send} if step.send else set()
                for name in step.expect:
                    message, dot, signal = name.partition(".")
                    if dot:
                        sample = self._watched.setdefault(name, Sample())
                        watched.setdefault(message, {})[signal] = sample
        for name in {*outputs, *watched}:
            declared = options.messages[name]
            self._readers[declared.id, declared.extended] = MessageReader(
                declared, self.counters, outputs.get(name, {}), watched.get(name, {})
            ).take
        takes: dict[str, dict[str, tuple[str, Scaling]]] = {}
        for command, taken in options.takes.items():
            message, _, signal = taken.target.partition(".")
            takes.setdefault(message, {})[str(command)] = signal, taken
        sent |= set(takes)
        sent |= {options.heartbeat.send} if options.heartbeat else set()
        sent |= {options.poll} if options.poll else set()
        for name in sent:
            self._writers[name] = MessageWriter(options.messages[name], takes.get(name, {}))

    def interval_s(self, quantity: str, period_s: float) -> float:
        """See ``Board``; a multiplexed message comes in parts, one at a time."""
        given = {str(name): given for name, given in self.options.gives.items()}
        message = self.options.messages[given[quantity].source.partition(".")[0]]
        if message.every is None:
            return period_s if self.options.poll else math.inf
        parts = {value for signal in message.signals.values() for value in signal.when}
        return message.every * max(1, len(parts))

    def answers_command(self, quantity: str) -> bool:
        """See ``Board``; a CAN message is sent unasked or after the poll."""
        return False

    def open(self) -> None:
        """See ``Board``."""
        bus = self.options.bus
        self._bus = open_bus(bus.interface, bus.channel, bus.extra())
        self.received_s = time.monotonic()

    def poll(self, until_s: float) -> None:
        """See ``Board``."""
        bus = self._opened()
        monotonic = time.monotonic
        motor = self._motor
        for _ in range(MOST_FRAMES_A_CYCLE):
            # Once this cycle's sample is received, only take waiting frames.
            left = 0.0 if motor.number != self._seen else max(0.0, until_s - monotonic())
            try:
                frame = bus.recv(left)
            except DAMAGED:
                self.counters.malformed += 1
                continue
            except GONE as error:
                raise DriverError(f"the bus was lost: {error}") from error
            if frame is None:
                break
            self._take(frame, wires.received_at(frame))
        self._seen = motor.number

    def _take(self, frame: can.Message, now_s: float) -> None:
        take = self._readers.get((frame.arbitration_id, frame.is_extended_id))
        if take is None or frame.is_remote_frame or frame.is_error_frame:
            self.counters.foreign += 1
        elif take(frame.data, now_s):
            self.received_s = now_s

    def command(self, quantity: str, value: float, torque_offset_N_m: float = 0.0) -> None:
        """See ``Board``."""
        if self._set_offset is not None:
            self._set_offset(torque_offset_N_m)
        set_value, build = self._commands[quantity]
        set_value(value)
        self._send(build())

    def send(self, name: str, values: Mapping[str, float]) -> None:
        """See ``Board``."""
        writer = self._writers[name]
        for signal, value in values.items():
            writer.set(signal, value)
        self._send(writer.build())

    def met(self, name: str, wanted: float) -> bool:
        """See ``Board``."""
        sample = self._watched[name]
        return sample.number > 0 and abs(sample.value - wanted) < 1e-9 * (1.0 + abs(wanted))

    def forget(self, name: str) -> None:
        """See ``Board``."""
        sample = self._watched.get(name)
        if sample is not None:
            sample.number = 0

    def close(self) -> None:
        """See ``Board``."""
        bus, self._bus = self._bus, None
        if bus is not None:
            with contextlib.suppress(Exception):
                bus.shutdown()

    def _send(self, frame: can.Message) -> None:
        try:
            self._opened().send(frame)
        except GONE as error:
            raise DriverError(f"the bus was lost: {error}") from error

    def _opened(self) -> can.BusABC:
        if self._bus is None:
            raise DriverError("the drive is not open")
        return self._bus
