"""The cyclic side of a CiA 402 drive: SYNC out, TPDOs in, RPDO out, heartbeats both ways.

The python-can bus is used directly, by one thread. Only configuration goes through
``canopen``.
"""

from __future__ import annotations

import contextlib
import math
import time
from collections.abc import Sequence
from typing import Final

import can

from drivers.base import (
    Capabilities,
    Command,
    DriverError,
    Mode,
    PowerRequest,
    PowerStage,
    Telemetry,
)
from drivers.capture import wires
from drivers.cia402.configuration import Configurator
from drivers.cia402.mapping import pdos
from drivers.cia402.options import Cia402Options
from drivers.cia402.reception import BOTH, Reception
from drivers.cia402.state_machine import (
    DISABLE_VOLTAGE,
    ENABLE_OPERATION,
    FAULT_RESET,
    SWITCH_ON,
    control_word,
)
from drivers.transport import MOST_WAITING, open_bus

# Looked up once: by its class, a member costs several look-ups in each cycle.
_ON: Final = PowerRequest.ON
_OFF: Final = PowerRequest.OFF
_POWERED: Final = PowerStage.ON
_UNPOWERED: Final = PowerStage.OFF
_TORQUE: Final = Mode.TORQUE

MOST_FRAMES_A_CYCLE: Final = 64  # a babbling node must not block the cycle
FIRST_ANSWER_S: Final = 1.0
CHEAP_LOOK_S: Final = 0.2e-3
LOOKS_AFTER_A_GAP: Final = 10
OPERATIONAL_BEAT: Final = b"\x05"
NMT_START: Final = 0x01
LARGEST: Final = 2**31 - 1
# Exceptions that adapters are known to raise for one damaged frame; the next may be valid.
DAMAGED: Final = (ValueError, IndexError, KeyError)
GONE: Final = (can.CanError, OSError)


class Cia402Drive:
    """See ``drivers.base.Drive``. One thread may use it.

    Attributes:
        foreign: frames of other nodes and unknown ones, ignored.
        malformed: frames of the drive with a wrong length or content, ignored.
    """

    capabilities: Capabilities
    timed_by_wires = True  # a recording also supplies the time

    def __init__(self, options: Cia402Options, period_s: float) -> None:
        self._options = options
        self._period_s = period_s
        self._reception = Reception(options, period_s)
        self.telemetry = self._reception.telemetry
        self._bus: can.BusABC | None = None
        receive, _ = pdos(options)
        self._pack_1 = receive[0].packing.pack
        self._pack_2 = receive[1].packing.pack
        self._sync = _frame(0x80, b"")
        self._rpdo_1 = _frame(receive[0].cob_id, bytes(receive[0].packing.size))
        self._adds_torque = options.torque_offset
        self._rpdo_2 = _frame(receive[1].cob_id, bytes(8))
        self._heartbeat = _frame(0x700 + options.host_node, OPERATIONAL_BEAT)
        # The drive watches the host from its first heartbeat on (CiA 301), so none is sent before
        # the caller is ready to cycle.
        self._next_heartbeat_s = math.inf
        self._heartbeat_on = True
        self._watched_by_commands = options.watch == "rpdo_timer"
        self._last_word = DISABLE_VOLTAGE
        self._most_torque = 0  # units of the wire
        self._came_on = False
        self._gave_up = False  # power was lost although requested
        self._looking_is_cheap = True
        self._looks_due = 0
        self._followers: tuple[Cia402Drive, ...] = ()
        self._is_led = False  # another drive sends the SYNC

    @property
    def foreign(self) -> int:
        return self._reception.foreign

    @property
    def malformed(self) -> int:
        return self._reception.malformed

    def open(self) -> None:
        """Configure the node and wait for its first telemetry.

        Raises:
            DriverError: naming the object or frame, the answer, and the fix.
        """
        o = self._options
        if self._bus is not None:
            raise DriverError("the drive is open already")
        self._bus = open_bus(o.bus.interface, o.bus.channel, o.bus.extra())
        reception = self._reception
        try:
            found = Configurator(self._bus, o, self._period_s).configure()
            reception.start(found.rated_torque_N_m / 1000, found.counts_per_revolution)
            self._most_torque = min(found.max_torque_per_mille, 32767)
            self.capabilities = Capabilities(
                modes=found.modes,
                rated_torque_N_m=found.rated_torque_N_m,
                peak_torque_N_m=found.rated_torque_N_m * found.max_torque_per_mille / 1000,
                torque_resolution_N_m=reception.torque_unit,
                host_loss_s=o.host_loss,
                command_delay_cycles=1.0 if o.rpdo_transmission == "sync" else 0.5,
                identity=found.identity,
                own_limits=found.own_limits,
                adds_torque=o.torque_offset,
                details={
                    "bus": str(self._bus.channel_info),
                    "counts per revolution": f"{found.counts_per_revolution:g}",
                    "drive heartbeat": f"{1e3 * o.drive_heartbeat:g} ms",
                    "host heartbeat": f"{1e3 * o.host_heartbeat:g} ms",
                },
            )
            self._measure_a_look()
            self._await_first()
            reception.watch()
            self._next_heartbeat_s = 0.0
        except BaseException:
            self.close()
            raise

    def _measure_a_look(self) -> None:
        """Measure a poll: some adapters take a whole millisecond to report an empty queue."""
        assert self._bus is not None
        times = []
        for _ in range(3):
            start = time.monotonic()
            with contextlib.suppress(*DAMAGED):
                self._bus.recv(0.0)
            times.append(time.monotonic() - start)
        self._looking_is_cheap = min(times) < CHEAP_LOOK_S

    def _await_first(self) -> None:
        reception = self._reception
        started = time.monotonic()
        give_up = started + FIRST_ANSWER_S
        slow_by = started + 3 * self._options.slow_every * self._period_s
        command = Command()
        while not reception.settled:
            now = time.monotonic()
            if reception.complete and now > slow_by:
                return
            if now > give_up and not reception.complete:
                raise DriverError(
                    f"node {self._options.node} is configured but sends no telemetry after SYNC: "
                    "check that it changed to state Operational and that the PDO COB-IDs are free"
                )
            self.read(now + self._period_s)
            if self.telemetry.lost:
                raise DriverError(self.telemetry.lost)
            if not self._watched_by_commands:
                self.write(command)
            time.sleep(self._period_s / 2)

    def read(self, deadline_s: float) -> Telemetry:
        """Send SYNC, then receive frames until both fast TPDOs are in or the deadline has passed.

        A drive that is led, see :meth:`lead`, only receives: the leader's SYNC was its own.

        Raises:
            DriverError: the drive is not open.
        """
        bus = self._bus
        reception = self._reception
        telemetry = self.telemetry
        if bus is None:
            raise DriverError("the drive is not open")
        monotonic = time.monotonic
        take = reception.take
        try:
            if not self._is_led:
                self._synchronise(bus)
            got = 0
            for _ in range(MOST_FRAMES_A_CYCLE):
                left = deadline_s - monotonic()
                try:
                    message = bus.recv(left if left > 0.0 else 0.0)
                except DAMAGED:
                    reception.malformed += 1
                    continue
                if message is None:
                    break
                got |= take(message)
                if got == BOTH:
                    break
            if got != BOTH:
                self._looks_due = LOOKS_AFTER_A_GAP
        except GONE as error:
            self._bus_gone(error)
        reception.age(wires.now())
        return telemetry

    def _synchronise(self, bus: can.BusABC) -> None:
        """Send SYNC, for those who are led as well, after all earlier frames were received."""
        now = time.monotonic()
        self._before_sync(bus, now)
        for follower in self._followers:
            follower._prepare(now)
        asked_s = wires.now()
        self._reception.asked(asked_s)
        for follower in self._followers:
            follower._reception.asked(asked_s)
        bus.send(self._sync)

    def _prepare(self, now_s: float) -> None:
        """Prepare for the leader's SYNC."""
        if self._bus is None:
            return
        try:
            self._before_sync(self._bus, now_s)
        except GONE as error:
            self._bus_gone(error)

    def _before_sync(self, bus: can.BusABC, now_s: float) -> None:
        """Send a heartbeat if one is due, and discard late frames of the previous cycle.

        Left in the queue they would look like this cycle's answer, and all later ones would be old.
        """
        reception = self._reception
        if now_s >= self._next_heartbeat_s and self._heartbeat_on:
            bus.send(self._heartbeat)
            self._next_heartbeat_s = now_s + self._options.host_heartbeat
        if not (self._looking_is_cheap or self._looks_due > 0):
            return
        self._looks_due -= 1
        for _ in range(MOST_FRAMES_A_CYCLE):
            try:
                late = bus.recv(0.0)
            except DAMAGED:
                reception.malformed += 1
                continue
            if late is None:
                return
            reception.take(late)

    def lead(self, others: Sequence[Cia402Drive]) -> None:
        """See ``drivers.base.SharesSync``."""
        for follower in self._followers:
            follower._is_led = False
        self._followers = tuple(others)
        for follower in self._followers:
            follower._is_led = True
        for drive in (self, *self._followers):
            # Frames from before, of the time in which the others were opened.
            drive._catch_up()

    def _catch_up(self) -> None:
        """Receive all that waits; none of it is the answer to a SYNC of this drive's cycle."""
        for _ in range(MOST_WAITING):
            try:
                frame = self._bus.recv(0.0) if self._bus is not None else None
            except DAMAGED:
                continue
            except GONE as error:
                self._bus_gone(error)
                return
            if frame is None:
                return
            self._reception.take(frame)

    def write(self, command: Command) -> None:
        """Send RPDO 1, and RPDO 2 only in velocity or position mode.

        Once the drive is lost, only OFF is sent until it is reopened. Once it has lost its power or
        is in fault, only OFF is sent for a continuing ON. A change of mode while energised goes
        through "switched on", without power, until the drive shows the new mode.

        Raises:
            DriverError: not open, a target that is not a finite number, or power requested in a
                mode that the drive does not have.
        """
        bus = self._bus
        if bus is None:
            raise DriverError("the drive is not open")
        telemetry = self.telemetry
        mode = command.mode
        if command.power is _ON and mode not in self.capabilities.modes:
            raise DriverError(
                f"node {self._options.node} has no cyclic synchronous {mode.name.lower()} mode: "
                "enable it in the drive, or use another"
            )
        self._heartbeat_on = command.heartbeat
        request = _OFF if telemetry.lost else self._renewed(command.power)
        word = control_word(telemetry.status_word, request, bool(self._last_word & FAULT_RESET))
        if word == ENABLE_OPERATION and telemetry.mode != mode:
            # Never enable in a mode that the drive has not confirmed.
            word = SWITCH_ON
        enabled = word == ENABLE_OPERATION and telemetry.power is _POWERED
        torque = offset = 0
        if mode is _TORQUE:
            torque = self._per_mille("torque", command.torque_N_m, enabled)
        elif self._adds_torque:
            offset = self._per_mille("torque offset", command.torque_offset_N_m, enabled)
        if self._watched_by_commands and not command.heartbeat:
            return  # the command itself satisfies the drive's watch
        try:
            if mode is not _TORQUE:
                self._send_motion(bus, command, enabled)
            self._rpdo_1.data = self._packed(word, mode, torque, offset)
            bus.send(self._rpdo_1)
        except GONE as error:
            self._bus_gone(error)
        self._last_word = word

    def _per_mille(self, name: str, torque_N_m: float, enabled: bool) -> int:
        """Return a torque in units of the wire, within the peak; 0 unless enabled."""
        scaled = torque_N_m / self._reception.torque_unit
        if not math.isfinite(scaled):
            raise DriverError(f"{name} {torque_N_m} is not a finite number")
        most = self._most_torque
        return max(-most, min(most, round(scaled))) if enabled else 0

    def _packed(self, word: int, mode: Mode, torque: int, offset: int) -> bytearray:
        """Return the content of RPDO 1."""
        if self._adds_torque:
            return bytearray(self._pack_1(word, mode, torque, offset))
        return bytearray(self._pack_1(word, mode, torque))

    def _renewed(self, request: PowerRequest) -> PowerRequest:
        """Return the request, but OFF for an ON from before the drive lost its power."""
        stage = self.telemetry.power
        if request is not _ON:
            self._came_on = self._gave_up = False
        elif stage is _POWERED:
            self._came_on = True
        elif stage is PowerStage.FAULT or (self._came_on and stage is _UNPOWERED):
            self._gave_up = True
        return _OFF if self._gave_up else request

    def _send_motion(self, bus: can.BusABC, command: Command, enabled: bool) -> None:
        """Send the targets of RPDO 2: standstill at the present position unless enabled."""
        reception = self._reception
        velocity = command.velocity_rad_s / reception.velocity_unit
        position = command.position_rad / reception.position_unit
        if not math.isfinite(velocity) or not math.isfinite(position):
            raise DriverError(
                f"velocity {command.velocity_rad_s} or position {command.position_rad} is not a "
                "finite number"
            )
        if not enabled:
            velocity = 0.0
            position = self.telemetry.position_rad / reception.position_unit
        self._rpdo_2.data = bytearray(
            self._pack_2(
                max(-LARGEST, min(LARGEST, round(velocity))),
                max(-LARGEST, min(LARGEST, round(position))),
            )
        )
        bus.send(self._rpdo_2)

    def _bus_gone(self, error: Exception) -> None:
        if not self.telemetry.lost:
            self.telemetry.lost = f"the bus was lost: {error}"

    def de_energise(self) -> None:
        """Disable voltage at once, with a SYNC so that a synchronous RPDO takes effect."""
        bus = self._bus
        if bus is None:
            return
        self._last_word = DISABLE_VOLTAGE
        with contextlib.suppress(Exception):
            self._rpdo_1.data = self._packed(DISABLE_VOLTAGE, _TORQUE, 0, 0)
            bus.send(self._rpdo_1)
            bus.send(self._sync)

    def resume_cyclic(self) -> None:
        """See ``drivers.base.ResumesCyclic``: the node is Operational again from the next SYNC."""
        bus = self._bus
        if bus is None:
            raise DriverError("the drive is not open")
        self._last_word = DISABLE_VOLTAGE
        try:
            self._rpdo_1.data = self._packed(DISABLE_VOLTAGE, _TORQUE, 0, 0)
            bus.send(self._heartbeat)
            bus.send(_frame(0, bytes((NMT_START, self._options.node))))
            bus.send(self._rpdo_1)
        except GONE as error:
            self._bus_gone(error)
            return
        self._reception.resume_cyclic()

    def close(self) -> None:
        """De-energise, set the node to Pre-operational, leave the bus."""
        bus = self._bus
        if bus is None:
            return
        self.de_energise()
        with contextlib.suppress(Exception):
            bus.send(_frame(0, bytes((0x80, self._options.node))))
        with contextlib.suppress(Exception):
            bus.shutdown()
        self._bus = None


def _frame(identifier: int, data: bytes) -> can.Message:
    return can.Message(arbitration_id=identifier, is_extended_id=False, data=data)
