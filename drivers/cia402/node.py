"""A simulated drive as a CiA 402 node on a bus, in a process of its own."""

from __future__ import annotations

import contextlib
import ctypes
import gc
import math
import os
import struct
import time
from typing import Any

import can

from drivers.base import DriverError, Mode, PowerRequest, PowerStage
from drivers.can_bus import open_bus
from drivers.cia402 import objects as od
from drivers.cia402.dictionary import Abort, Dictionary, Item, build, clip
from drivers.cia402.options import Cia402Options

IDLE_S = 0.001
LONGEST_STEP_S = 0.02
PRE_OPERATIONAL, OPERATIONAL, STOPPED = 0x7F, 0x05, 0x04


class SimulatedNode:
    """NMT, SDO server, PDOs, heartbeats and the statusword over a ``SimulatedDriveCore``."""

    def __init__(self, bus: can.BusABC, options: Cia402Options, core: Any) -> None:
        self._bus = bus
        self._core = core
        self._node = options.node
        self._options = options
        self._status = 0x0250
        self._level = 0  # 0 switch on disabled, 1 ready, 2 switched on, 3 enabled
        self._last_word = 0
        self._nmt = PRE_OPERATIONAL
        self._d: Dictionary = build(options, core, lambda: self._status)
        self._transmit: list[tuple[int, int, struct.Struct, list[Item]]] = []
        self._receive: dict[int, tuple[int, struct.Struct, list[Item]]] = {}
        self._pending: list[tuple[struct.Struct, list[Item], bytes]] = []
        self._syncs = 0
        self._next_beat_s = 0.0
        self._host_heard_s = 0.0
        self._told_fault = 0
        self._restarts = core.restarts
        self._upload = b""
        self._toggle = 0

    def boot(self) -> None:
        """Boot-up message, then pre-operational."""
        self._d = build(self._options, self._core, lambda: self._status)
        self._nmt = PRE_OPERATIONAL
        self._host_heard_s = 0.0
        self._level = 0
        self._last_word = 0
        self._pending.clear()
        self._send(0x700 + self._node, b"\x00")

    def _send(self, identifier: int, data: bytes) -> None:
        self._bus.send(can.Message(arbitration_id=identifier, is_extended_id=False, data=data))

    # ------------------------------------------------------------------ frames in

    def take(self, message: can.Message) -> None:
        """Act on one frame; ``SYNC`` is handled by ``sync`` after time has been advanced."""
        if message.is_extended_id or message.is_remote_frame:
            return
        identifier, data = message.arbitration_id, bytes(message.data)
        if identifier in self._receive and self._nmt == OPERATIONAL:
            transmission, packing, items = self._receive[identifier]
            if len(data) >= packing.size:
                if transmission <= 240:
                    self._pending.append((packing, items, data))
                else:
                    self._store(packing, items, data)
        elif identifier == 0x600 + self._node and len(data) == 8:
            self._serve_sdo(data)
        elif identifier == 0 and len(data) == 2 and data[1] in (0, self._node):
            self._command_nmt(data[0])
        elif identifier == 0x700 + (self._d.items[od.CONSUMER_HEARTBEAT, 1].value >> 16 & 0x7F):
            self._host_heard_s = time.monotonic()

    def _command_nmt(self, command: int) -> None:
        if command == 0x01:
            self._compile()
            self._nmt = OPERATIONAL
        elif command == 0x02:
            self._leave(STOPPED)
        elif command == 0x80:
            self._leave(PRE_OPERATIONAL)
        elif command in (0x81, 0x82):
            self._core.restart()
            self._restarts = self._core.restarts
            self.boot()

    def _leave(self, nmt: int) -> None:
        if self._nmt == OPERATIONAL:
            self._core.request_power(PowerRequest.OFF)
            self._level = 0
        self._nmt = nmt

    def _compile(self) -> None:
        self._transmit.clear()
        self._receive.clear()
        for n in range(2):
            com, where = od.RPDO_COMMUNICATION + n, od.RPDO_MAPPING + n
            cob = self._d.items[com, 1].value
            if not cob >> 31:
                packing, items = self._mapped(where)
                self._receive[cob & 0x7FF] = (self._d.items[com, 2].value, packing, items)
        for n in range(3):
            com, where = od.TPDO_COMMUNICATION + n, od.TPDO_MAPPING + n
            cob = self._d.items[com, 1].value
            if not cob >> 31:
                packing, items = self._mapped(where)
                self._transmit.append((cob & 0x7FF, self._d.items[com, 2].value, packing, items))

    def _mapped(self, where: int) -> tuple[struct.Struct, list[Item]]:
        items = []
        for i in range(1, self._d.items[where, 0].value + 1):
            word = self._d.items[where, i].value
            items.append(self._d.find(word >> 16, word >> 8 & 0xFF))
        return struct.Struct("<" + "".join(od.FORMATS[item.kind] for item in items)), items

    def _store(self, packing: struct.Struct, items: list[Item], data: bytes) -> None:
        for item, value in zip(items, packing.unpack_from(data), strict=True):
            item.value = value
        self._act()

    # ------------------------------------------------------------------ the drive

    def sync(self) -> None:
        """Transmit what is due, then take over the RPDOs received before this SYNC."""
        if self._nmt != OPERATIONAL:
            return
        self._syncs += 1
        self._follow()
        if not self._core.surroundings.silent:
            for cob, transmission, packing, items in self._transmit:
                if transmission and transmission <= 240 and self._syncs % transmission == 0:
                    self._send(cob, packing.pack(*[clip(i.kind, i.read()) for i in items]))
        for packing, items, data in self._pending:
            self._store(packing, items, data)
        self._pending.clear()

    def _act(self) -> None:
        """Controlword and targets to the firmware (transitions of IEC 61800-7-201)."""
        core, items = self._core, self._d.items
        word = items[od.CONTROL_WORD, 0].value
        rated = core.parameters.rated_torque_N_m
        mode = items[od.MODES_OF_OPERATION, 0].value
        if mode == Mode.TORQUE:
            core.set_target(Mode.TORQUE, items[od.TARGET_TORQUE, 0].value * rated / 1000)
        elif mode == Mode.VELOCITY:
            unit = 2 * math.pi / (
                60
                if self._options.velocity_unit == "rpm"
                else core.parameters.encoder_counts_per_revolution
            )
            core.set_target(Mode.VELOCITY, items[od.TARGET_VELOCITY, 0].value * unit)
        elif mode == Mode.POSITION:
            unit = 2 * math.pi / core.parameters.encoder_counts_per_revolution
            core.set_target(Mode.POSITION, items[od.TARGET_POSITION, 0].value * unit)
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
            if not word & 0x01:
                core.request_power(PowerRequest.OFF)
                self._level = 1
            elif not word & 0x08:
                core.request_power(PowerRequest.OFF)
                self._level = 2 if self._level >= 1 else 0
            elif self._level >= 2:
                core.request_power(PowerRequest.ON)
                self._level = 3
        self._last_word = word

    def _follow(self) -> None:
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
            if self._level == 3:  # power left by itself, after a quick stop
                self._level = 0
            bits = (0x40, 0x21, 0x23)[self._level]
        self._status = 0x0210 | bits

    # ------------------------------------------------------------------ time

    def tick(self) -> None:
        """Heartbeats, EMCY, restarts: whatever does not wait for a SYNC."""
        now = time.monotonic()
        core = self._core
        if core.restarts != self._restarts:
            self._restarts = core.restarts
            self.boot()
            return
        period = self._d.items[od.PRODUCER_HEARTBEAT, 0].value * 1e-3
        consumer = self._d.items[od.CONSUMER_HEARTBEAT, 1].value
        limit = (consumer & 0xFFFF) * 1e-3
        if (
            self._nmt == OPERATIONAL
            and limit > 0
            and self._host_heard_s > 0
            and now - self._host_heard_s > limit
        ):
            core.host_lost()
            self._level = 0
            self._host_heard_s = 0.0
            self._emergency(0x8130)
            self._nmt = PRE_OPERATIONAL
        if core.fault_code != self._told_fault:
            if core.fault_code != 0x8130:
                self._emergency(core.fault_code)
            self._told_fault = core.fault_code
        if period > 0 and now >= self._next_beat_s:
            self._next_beat_s = now + period
            if not core.surroundings.silent:
                self._send(0x700 + self._node, bytes((self._nmt,)))

    def _emergency(self, code: int) -> None:
        self._send(0x80 + self._node, struct.pack("<HB5x", code, 1 if code else 0))

    # ------------------------------------------------------------------ SDO server

    def _serve_sdo(self, data: bytes) -> None:
        command = data[0]
        index, subindex = struct.unpack_from("<HB", data, 1)
        try:
            if command >> 5 == 2:  # initiate upload
                value = self._d.upload(index, subindex)
                head = 0x43 | (4 - len(value)) << 2
                answer = struct.pack("<BHB4s", head, index, subindex, value)
            elif command >> 5 == 1:  # initiate download, expedited only
                if not command & 0x02:
                    raise Abort(0x0504_0001)
                length = 4 - (command >> 2 & 3) if command & 1 else 4
                self._d.download(index, subindex, data[4 : 4 + length])
                if index in (od.CONTROL_WORD, od.MODES_OF_OPERATION):
                    self._act()
                    self._follow()
                answer = struct.pack("<BHB4x", 0x60, index, subindex)
            elif command >> 5 == 4:
                return
            else:
                raise Abort(0x0504_0001)
        except Abort as abort:
            answer = struct.pack("<BHBI", 0x80, index, subindex, abort.code)
        self._send(0x580 + self._node, answer)


def simulate(options: Cia402Options, core: Any, door: Any) -> None:
    """Run the node until ``door.ending``; physics is paced by real time.

    Raises:
        DriverError: the bus does not open or went away.
    """
    extra = options.bus.extra()
    if options.bus.interface == "local_socket":
        extra["role"] = "hub"
    bus = open_bus(options.bus.interface, options.bus.channel, extra)
    with contextlib.suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(40))
    with contextlib.suppress(OSError, AttributeError):
        # A page fault in the simulated drive looks like a drive that does not answer.
        ctypes.CDLL(None).mlockall(3)
    gc.collect()
    gc.freeze()
    gc.disable()
    node = SimulatedNode(bus, options, core)
    monotonic = time.monotonic
    try:
        node.boot()
        door.ready()
        last = monotonic()
        polled = ticked = 0.0
        while not door.ending:
            message = bus.recv(IDLE_S)
            now = monotonic()
            if message is None:
                _advance(core, now - last)
                last = now
            elif message.arbitration_id == 0x80 and not message.is_extended_id:
                _advance(core, now - last)
                last = now
                node.sync()
            else:
                node.take(message)
                continue
            if now - ticked > 0.002:
                ticked = now
                node.tick()
            if now - polled > 0.01:
                polled = now
                door.poll()
    except can.CanError as error:
        raise DriverError(f"the bus is gone: {error}") from error
    finally:
        bus.shutdown()


def _advance(core: Any, elapsed: float) -> None:
    """Let real time pass; a long pause (a debugger, a sleeping machine) is cut short."""
    if elapsed > 0.0:
        core.advance(min(elapsed, LONGEST_STEP_S))
