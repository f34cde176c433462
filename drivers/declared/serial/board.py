"""A described board on a serial port, be it text or binary."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping

from drivers.base import DriverError
from drivers.capture import wires
from drivers.declared.common import TORQUE_OFFSET, Counters, timing_sample
from drivers.declared.serial.codec import Codec
from drivers.declared.serial.message_fields import build_fields
from drivers.declared.serial.options import FieldCounter, SerialOptions
from drivers.transport import SerialPort

MOST_CHUNKS_A_CYCLE = 16  # a babbling board must not block the cycle


class SerialBoard:
    """See :class:`drivers.declared.common.board.Board`.

    ``make_codec`` is called at each opening, to discard data of an earlier connection.
    """

    def __init__(
        self,
        options: SerialOptions,
        make_codec: Callable[[Counters], Codec],
        rolling: dict[str, FieldCounter | None],
    ) -> None:
        self.options: SerialOptions = options
        self.gives = frozenset(str(name) for name in options.gives)
        self.takes = frozenset(str(name) for name in options.takes)
        self.counters = Counters()
        self.received_s = time.monotonic()
        self._make_codec = make_codec
        self._codec = make_codec(self.counters)
        self._port = SerialPort(options.port)
        self._fields, self.values, self._watched = build_fields(options, self.counters, rolling)
        self._motor = timing_sample(self.values)
        self._seen = 0
        self._targets = {
            str(quantity): (*taken.target.partition(".")[::2], taken)
            for quantity, taken in options.takes.items()
        }
        self._offset = self._targets.get(TORQUE_OFFSET)

    def interval_s(self, quantity: str, period_s: float) -> float:
        """See ``Board``; an answer to neither poll nor heartbeat has no known interval."""
        options = self.options
        given = {str(name): given for name, given in options.gives.items()}
        message = given[quantity].source.partition(".")[0]
        every = options.cadence()[message]
        if every is not None:
            return every
        asked = options.answered().get(message) or options.poll
        if asked == options.poll:
            return period_s
        heartbeat = options.heartbeat
        return heartbeat.every if heartbeat is not None and asked == heartbeat.send else math.inf

    def answers_command(self, quantity: str) -> bool:
        """See ``Board``."""
        options = self.options
        given = {str(name): given for name, given in options.gives.items()}
        asked = options.answered().get(given[quantity].source.partition(".")[0])
        return asked in options.commanding and self.interval_s(quantity, 1.0) == math.inf

    def open(self) -> None:
        """See ``Board``."""
        self._codec = self._make_codec(self.counters)
        self._port.open()
        self.received_s = time.monotonic()

    def poll(self, until_s: float) -> None:
        """See ``Board``."""
        port, motor = self._port, self._motor
        for _ in range(MOST_CHUNKS_A_CYCLE):
            # Once this cycle's sample is received, only take waiting data.
            chunk = port.read(until_s if motor.number == self._seen else 0.0)
            if not chunk:
                break
            self.take(chunk, wires.received_at())
        self._seen = motor.number

    def take(self, chunk: bytes, now_s: float) -> None:
        """Take bytes from the board. Never raises."""
        for name, values in self._codec.feed(chunk):
            fields = self._fields.get(name)
            if fields is None:
                self.counters.foreign += 1
            elif fields.take(values, now_s):
                self.received_s = now_s

    def command(self, quantity: str, value: float, torque_offset_N_m: float = 0.0) -> None:
        """See ``Board``."""
        if self._offset is not None:
            message, name, scaling = self._offset
            self._set(message, name, scaling.from_si(torque_offset_N_m))
        message, name, scaling = self._targets[quantity]
        self._set(message, name, scaling.from_si(value))
        self._port.write(self._codec.build(message))

    def send(self, name: str, values: Mapping[str, float]) -> None:
        """See ``Board``."""
        for key, value in values.items():
            self._set(name, key, value)
        self._port.write(self._codec.build(name))

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
        self._port.close()

    def _set(self, message: str, name: str, value: float) -> None:
        try:
            self._codec.set(message, name, value)
        except ValueError as error:
            raise DriverError(f"{self.options.name}: {message}: {error}") from None
