"""A simulated drive as a CiA 402 node: NMT, heartbeats, EMCY, statusword and controlword."""

from __future__ import annotations

import math
import random
import struct
import time
from typing import Any

import can

from drivers.base import Mode, PowerRequest, PowerStage
from drivers.cia402 import objects as od
from drivers.cia402.dictionary import Dictionary, build, error_register
from drivers.cia402.node_pdos import ReceivePdo, TransmitPdo, compile_pdos
from drivers.cia402.options import Cia402Options
from drivers.cia402.sdo_server import SdoServer
from drivers.transport.local_socket_bus import LocalSocketBus

PRE_OPERATIONAL, OPERATIONAL, STOPPED = 0x7F, 0x05, 0x04
SYNC = 0x80
HEARTBEAT_ERROR = 0x8130
RPDO_TIMEOUT = 0x8250  # CiA 301, from memory
PDO_LENGTH_ERROR = 0x8210  # PDO not processed due to length error
LAST_SYNCHRONOUS = 240
# Statusword bits besides the state
VOLTAGE_ENABLED = 0x0010
REMOTE = 0x0200


class SimulatedNode:
    """NMT, SDO server, PDOs, heartbeats and the statusword over a ``SimulatedDriveCore``."""

    def __init__(self, bus: can.BusABC, options: Cia402Options, core: Any) -> None:
        self._bus = bus
        self._core = core
        self._node = options.node
        self._options = options
        self._level = 0  # 0 switch on disabled, 1 ready, 2 switched on, 3 enabled
        self._last_word = 0
        self._nmt = PRE_OPERATIONAL
        self._d: Dictionary = build(options, core, self._status_word)
        self._sdo = SdoServer(self._d)
        self._transmit: list[TransmitPdo] = []
        self._receive: dict[int, ReceivePdo] = {}
        self._pending: dict[int, bytes] = {}
        self._syncs = 0
        self._next_heartbeat_s = 0.0
        self._heartbeat_s = 0.0
        self._reported_fault = 0
        self._restarts = core.restarts
        self._refresh_every: int = core.parameters.drive_refresh_every
        self._loss: float = core.parameters.bus_loss
        self._luck = random.Random(f"bus {options.node}")

    def boot(self) -> None:
        """Reset all as after power-up: no power, boot-up message, then Pre-operational."""
        self._core.request_power(PowerRequest.OFF)
        self._d = build(self._options, self._core, self._status_word)
        self._sdo = SdoServer(self._d)
        self._nmt = PRE_OPERATIONAL
        self._heartbeat_s = 0.0
        self._level = 0
        self._last_word = 0
        self._reported_fault = self._core.fault_code
        self._transmit.clear()
        self._receive.clear()
        self._pending.clear()
        self._send(0x700 + self._node, b"\x00")

    def _send(self, identifier: int, data: bytes) -> None:
        if not self._core.environment.silent and not self._lost(identifier):
            self._bus.send(can.Message(arbitration_id=identifier, is_extended_id=False, data=data))

    def _send_together(self, messages: list[can.Message]) -> None:
        """Send messages that are all packed, so that they reach the host together."""
        bus = self._bus
        if isinstance(bus, LocalSocketBus):
            bus.send_together(messages)
            return
        for message in messages:
            bus.send(message)

    def _lost(self, identifier: int) -> bool:
        """Return whether a frame of the cyclic exchange is lost, as by a queue overrun.

        NMT and SDO are never lost.
        """
        if not self._loss or identifier == 0 or 0x580 <= identifier < 0x700:
            return False
        return self._luck.random() < self._loss

    # ------------------------------------------------------------------ frames in

    def take(self, message: can.Message) -> None:
        """Act on one frame; ``SYNC`` is handled by ``sync`` after time has been advanced."""
        if message.is_extended_id or message.is_remote_frame:
            return
        identifier, data = message.arbitration_id, bytes(message.data)
        if self._loss and self._lost(identifier):
            return
        pdo = self._receive.get(identifier)
        if pdo is not None and self._nmt == OPERATIONAL:
            self._take_pdo(identifier, pdo, data)
        elif identifier == 0x600 + self._node and len(data) == 8:
            self._take_sdo(data)
        elif identifier == 0 and len(data) == 2 and data[1] in (0, self._node):
            self._command_nmt(data[0])
        elif len(data) == 1 and identifier == 0x700 + (self._consumer() >> 16 & 0x7F):
            self._heartbeat_s = time.monotonic()

    def _consumer(self) -> int:
        return self._d.items[od.CONSUMER_HEARTBEAT, 1].value

    def _take_pdo(self, identifier: int, pdo: ReceivePdo, data: bytes) -> None:
        if len(data) < pdo.packing.size:
            self._emergency(PDO_LENGTH_ERROR)
            return
        pdo.received_s = time.monotonic()
        if pdo.transmission <= LAST_SYNCHRONOUS:
            self._pending[identifier] = data
        else:
            pdo.store(data)
            self._act()

    def _take_sdo(self, data: bytes) -> None:
        if self._nmt == STOPPED:
            return
        answer = self._sdo.answer(data)
        if answer is not None:
            self._send(0x580 + self._node, answer)
        if self._d.pdos_changed and self._nmt == OPERATIONAL:
            self._compile()
        if answer is not None and answer[0] == 0x60:
            index = data[1] | data[2] << 8
            if index in (od.CONTROL_WORD, od.MODES_OF_OPERATION):
                self._act()
            elif index == od.CONSUMER_HEARTBEAT:
                self._heartbeat_s = 0.0  # set again, it starts with the next heartbeat (CiA 301)

    def _command_nmt(self, command: int) -> None:
        if command == 0x01:
            self._compile()
            self._nmt = OPERATIONAL
        elif command == 0x02:
            self._leave(STOPPED)
        elif command == 0x80:
            self._leave(PRE_OPERATIONAL)
        elif command == 0x81:
            self._core.restart()
            self._restarts = self._core.restarts
            self.boot()
        elif command == 0x82:  # communication only: counts and faults stay
            self.boot()

    def _leave(self, nmt: int) -> None:
        if self._nmt == OPERATIONAL:
            self._core.request_power(PowerRequest.OFF)
            self._level = 0
            self._last_word = 0
        self._pending.clear()
        self._nmt = nmt

    def _compile(self) -> None:
        self._receive, self._transmit = compile_pdos(self._d)
        self._pending.clear()
        self._d.pdos_changed = False

    # ------------------------------------------------------------------ the drive

    def sync(self) -> None:
        """Transmit due PDOs, then apply the RPDOs received before this SYNC."""
        if self._nmt != OPERATIONAL or (self._loss and self._lost(SYNC)):
            return
        self._syncs += 1
        environment = self._core.environment
        if not environment.silent and not environment.loses_sample():
            self._send_together(self._due())
        if self._pending:
            for identifier, data in self._pending.items():
                self._receive[identifier].store(data)
            self._pending.clear()
            self._act()

    def _due(self) -> list[can.Message]:
        due = [pdo for pdo in self._transmit if pdo.due_at_sync(self._syncs)]
        if self._core.environment.slow_values_silent:
            due = [pdo for pdo in due if pdo.transmission <= 1]
        if self._refresh_every == 1 and not self._loss:
            return [pdo.pack() for pdo in due]
        if (self._syncs - 1) % self._refresh_every == 0:
            for pdo in self._transmit:
                pdo.pack()
        messages = [pdo.message for pdo in due]
        return [message for message in messages if not self._lost(message.arbitration_id)]

    def _act(self) -> None:
        """Pass controlword and targets to the firmware (transitions of IEC 61800-7-201)."""
        core, items = self._core, self._d.items
        word = items[od.CONTROL_WORD, 0].value
        self._aim(items[od.MODES_OF_OPERATION, 0].value)
        if word & 0x80 and not self._last_word & 0x80:
            core.request_power(PowerRequest.CLEAR_FAULT)
            self._level = 0
        elif not word & 0x02:
            core.request_power(PowerRequest.OFF)
            self._level = 0
        elif not word & 0x04:
            if core.power == PowerStage.ON:
                core.request_power(PowerRequest.QUICK_STOP)
            elif core.power != PowerStage.QUICK_STOP:
                core.request_power(PowerRequest.OFF)
                self._level = 0
        elif core.power in (PowerStage.OFF, PowerStage.CHANGING, PowerStage.ON):
            if core.power == PowerStage.OFF and self._level == 3:
                self._level = 0  # power went off by itself, after a quick stop
            if not word & 0x01:
                core.request_power(PowerRequest.OFF)
                self._level = 1
            elif not word & 0x08:
                core.request_power(PowerRequest.OFF)
                self._level = 2 if self._level >= 1 else 0
            elif self._level == 2:
                # Once: after a restart in another thread, ON repeated would bring power again.
                core.request_power(PowerRequest.ON)
                self._level = 3
        self._last_word = word

    def _aim(self, mode: int) -> None:
        core, items = self._core, self._d.items
        per_count = 2 * math.pi / core.parameters.encoder_counts_per_revolution
        if mode == Mode.TORQUE:
            unit = core.parameters.rated_torque_N_m / 1000
            core.set_target(Mode.TORQUE, items[od.TARGET_TORQUE, 0].value * unit)
        elif mode == Mode.VELOCITY:
            unit = 2 * math.pi / 60 if self._options.velocity_unit == "rpm" else per_count
            core.set_target(Mode.VELOCITY, items[od.TARGET_VELOCITY, 0].value * unit)
        elif mode == Mode.POSITION:
            core.set_target(Mode.POSITION, items[od.TARGET_POSITION, 0].value * per_count)
        if mode != Mode.TORQUE:
            unit = core.parameters.rated_torque_N_m / 1000
            core.add_torque(items[od.TORQUE_OFFSET, 0].value * unit)

    def _status_word(self) -> int:
        """Return the statusword by the present power stage, so that no read is outdated."""
        power = self._core.power
        if power == PowerStage.FAULT:
            self._level = 0
            bits = 0x08
        elif power == PowerStage.QUICK_STOP:
            bits = 0x07
        elif power == PowerStage.ON:
            bits = 0x27
        elif power == PowerStage.CHANGING:
            bits = 0x23
        else:
            if self._level == 3:  # power went off by itself, after a quick stop
                self._level = 0
            bits = (0x40, 0x21, 0x23)[self._level]
        charged = self._core.supply_V >= self._core.parameters.drive_undervoltage_V
        return REMOTE | (VOLTAGE_ENABLED if charged else 0) | bits

    # ------------------------------------------------------------------ time

    def slept(self, seconds: float) -> None:
        """Shift deadlines after a delay of this process: heartbeats may still be queued."""
        if self._heartbeat_s:
            self._heartbeat_s += seconds
        for pdo in self._receive.values():
            if pdo.received_s:
                pdo.received_s += seconds

    def tick(self) -> None:
        """Handle heartbeats, EMCY, restarts and event-driven PDOs, which do not depend on SYNC."""
        now = time.monotonic()
        core = self._core
        if core.restarts != self._restarts:
            self._restarts = core.restarts
            self.boot()
            return
        limit = (self._consumer() & 0xFFFF) * 1e-3
        watching = limit > 0 and core.parameters.drive_watches_host
        if watching and self._heartbeat_s > 0 and now - self._heartbeat_s > limit:
            self._host_lost(HEARTBEAT_ERROR)
        if core.parameters.drive_watches_host:
            for deadline in self._receive.values():
                late = now - deadline.received_s > deadline.deadline_s > 0.0
                if late and deadline.received_s > 0.0:
                    self._host_lost(RPDO_TIMEOUT)
                    break
        if core.fault_code != self._reported_fault:
            self._reported_fault = core.fault_code
            if core.fault_code != HEARTBEAT_ERROR:
                self._emergency(core.fault_code)
        if self._nmt == OPERATIONAL:
            for pdo in self._transmit:
                withheld = core.environment.slow_values_silent
                if pdo.transmission > LAST_SYNCHRONOUS and not withheld and pdo.due_by_event(now):
                    self._send(pdo.message.arbitration_id, bytes(pdo.message.data))
        period = self._d.items[od.PRODUCER_HEARTBEAT, 0].value * 1e-3
        if period > 0 and now >= self._next_heartbeat_s:
            self._next_heartbeat_s = now + period
            self._send(0x700 + self._node, bytes((self._nmt,)))

    def _host_lost(self, code: int) -> None:
        """React to a lost host: EMCY, 0x6007, Pre-operational (CiA 301, default behaviour)."""
        core = self._core
        self._heartbeat_s = 0.0  # watched again from the host's next heartbeat
        for pdo in self._receive.values():
            pdo.received_s = 0.0
        if self._nmt != OPERATIONAL:
            return
        self._emergency(code)
        option = self._d.items[od.ABORT_CONNECTION_OPTION, 0].value
        if option == 1:
            core.host_lost()
        elif option == 2:
            core.request_power(PowerRequest.OFF)
        elif option == 3:
            core.request_power(PowerRequest.QUICK_STOP)
        self._level = 0
        self._last_word = 0
        self._pending.clear()
        self._nmt = PRE_OPERATIONAL

    def _emergency(self, code: int) -> None:
        self._send(0x80 + self._node, struct.pack("<HB5x", code, error_register(code)))
