"""The simulated rig behind a described CAN board, as a node on a real bus."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Mapping
from typing import Any

import can

from drivers.base import DriverError
from drivers.declared.can.message_options import CanMessage
from drivers.declared.can.messages import MessageReader, MessageWriter
from drivers.declared.can.options import DeclaredCanOptions
from drivers.declared.common import PACE, BoardLogic, Counters, Sample
from drivers.simulated import advance, real_time
from drivers.transport import Scaling, open_bus

Source = tuple[str, str, Scaling]  # quantity, its signal, its scaling

IDLE_S = 0.001
DOOR_S = 0.01


class SimulatedCanBoard:
    """One node: takes frames, answers polls and streams messages."""

    def __init__(self, bus: can.BusABC, options: DeclaredCanOptions, core: Any) -> None:
        self._bus = bus
        self._options = options
        self._core = core
        self._logic = BoardLogic(options, core)
        self._receives = {
            (message.id, message.extended): _Receives(name, message)
            for name, message in options.messages.items()
        }
        sources: dict[str, list[Source]] = {}
        for quantity, given in options.gives.items():
            message, _, signal = given.source.partition(".")
            sources.setdefault(message, []).append((str(quantity), signal, given))
        self._sends = [
            (MessageWriter(message), deque(_turns(message, sources[name])), message.every)
            for name, message in options.messages.items()
            if name in sources
        ]
        self._due = [0.0] * len(self._sends)
        self._replies = {name: MessageWriter(options.messages[name]) for name in options.messages}
        heartbeat = options.heartbeat
        commands = {taken.target.partition(".")[0] for taken in options.takes.values()}
        self._signs_of_life = {heartbeat.send} if heartbeat is not None else commands

    def take(self, frame: can.Message, now_s: float) -> None:
        """Take one frame from the host; the physics is up to date."""
        received = self._receives.get((frame.arbitration_id, frame.is_extended_id))
        if received is None or not received.reader.take(frame.data, now_s):
            return
        name, options, logic = received.name, self._options, self._logic
        if name in self._signs_of_life:
            logic.received(now_s)
        logic.order(name, received.matches)
        for quantity, taken in options.takes.items():
            message, _, signal = taken.target.partition(".")
            if message == name:
                logic.target(str(quantity), taken.to_si(received.values[signal].value))
        self._reply(name, received)
        if options.poll == name:
            self._tell(None)

    def tick(self, now_s: float) -> None:
        """Send streamed messages that are due, and watch over the host."""
        self._logic.watch(now_s)
        self._tell(now_s)

    def _reply(self, name: str, received: _Receives) -> None:
        """Answer a dialogue's step with what it expects beyond the state of the power stage."""
        for _, steps in self._options.sequences:
            for step in steps:
                if step.send != name or not received.matches(step.values):
                    continue
                wanted: dict[str, dict[str, float]] = {}
                for path, value in step.expect.items():
                    message, dot, signal = path.partition(".")
                    if dot:
                        wanted.setdefault(message, {})[signal] = float(value)
                for message, values in wanted.items():
                    writer = self._replies[message]
                    for signal, value in values.items():
                        writer.set(signal, value)
                    self._bus.send(writer.build())

    def _tell(self, now_s: float | None) -> None:
        """Send all answers to a poll (no time given), or the streamed messages that are due."""
        environment = self._core.environment
        if environment.silent:
            return
        partly = environment.slow_values_silent
        for i, (writer, turns, every) in enumerate(self._sends):
            if now_s is None:
                if every is not None:
                    continue
            elif every is None or now_s < self._due[i]:
                continue
            else:
                behind = now_s - self._due[i]
                self._due[i] = self._due[i] + every if behind < every else now_s + every
            # A streamed message sends one part at a time; an answer to a poll sends all parts.
            if now_s is not None:
                turns.rotate(-1)
            for constants, sources in turns if now_s is None else [turns[-1]]:
                moving = any(quantity in PACE for quantity, _, _ in sources)
                if environment.loses_sample() if moving else partly:
                    continue
                for signal, value in constants:
                    writer.set(signal, value)
                for quantity, signal, scaling in sources:
                    writer.set(signal, scaling.from_si(self._logic.reading(quantity)))
                self._bus.send(writer.build())


def _turns(
    message: CanMessage, sources: list[Source]
) -> list[tuple[list[tuple[str, float]], list[Source]]]:
    """Return (constants, quantities) of each frame needed to send all values.

    A multiplexed message needs one frame for each of its parts.
    """
    parts = sorted({message.signals[signal].when[:1] for _, signal, _ in sources} - {()})
    turns = []
    for part in parts or [()]:
        sent = [
            source
            for source in sources
            if not (when := message.signals[source[1]].when) or set(part) & set(when)
        ]
        signal = message.multiplexer
        constant = [(signal, _scaled(message, signal, part[0]))] if part and signal else []
        turns.append((constant, sent))
    return turns


def _scaled(message: CanMessage, signal: str, raw: int) -> float:
    declared = message.signals[signal]
    return raw * declared.scale + declared.offset


class _Receives:
    """One kind of message as received by the board."""

    def __init__(self, name: str, message: CanMessage) -> None:
        self.name = name
        self.values = {signal: Sample() for signal in message.signals}
        self.reader = MessageReader(message, Counters(), {}, self.values)

    def matches(self, values: Mapping[str, float]) -> bool:
        return all(
            abs(self.values[signal].value - value) < 1e-9 * (1.0 + abs(value))
            for signal, value in values.items()
        )


def simulate_can(options: DeclaredCanOptions, core: Any, control: Any) -> None:
    """Run the board until ``control.ending``; physics is paced by real time.

    Raises:
        DriverError: the bus does not open or was lost.
    """
    extra = options.bus.extra()
    if options.bus.interface == "local_socket":
        extra.setdefault("role", "hub")
    bus = open_bus(options.bus.interface, options.bus.channel, extra)
    real_time()
    board = SimulatedCanBoard(bus, options, core)
    streams = [m.every for m in options.messages.values() if m.every is not None]
    idle = min([IDLE_S, *streams]) / 2 if streams else IDLE_S
    try:
        control.ready()
        last = time.monotonic()
        polled = 0.0
        while not control.ending:
            frame = bus.recv(idle)
            now = time.monotonic()
            advance(core, now - last)
            last = now
            if frame is not None:
                board.take(frame, now)
            board.tick(now)
            if now - polled > DOOR_S:
                polled = now
                control.poll()
    except can.CanError as error:
        raise DriverError(f"the bus was lost: {error}") from error
    finally:
        bus.shutdown()
