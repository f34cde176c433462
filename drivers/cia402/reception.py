"""Reception from the drive: frames to telemetry, and a watch over the drive's heartbeat."""

from __future__ import annotations

import math
from typing import Final

import can

from drivers.base import AnswerJudge, PowerStage, QuantityAges, Telemetry
from drivers.capture import wires
from drivers.cia402 import mapping
from drivers.cia402.emergency import text_of
from drivers.cia402.options import Cia402Options
from drivers.cia402.state_machine import STAGE, state_of

# Looked up once: by its class, a member costs several look-ups in each cycle.
_FAULT: Final = PowerStage.FAULT

FAST_1: Final = 1
FAST_2: Final = 2
BOTH: Final = 3
BOOT_UP: Final = 0x00
STOPPED: Final = 0x04
OPERATIONAL: Final = 0x05
PRE_OPERATIONAL: Final = 0x7F
NMT_STATES: Final = {
    BOOT_UP: "boot-up",
    STOPPED: "Stopped",
    OPERATIONAL: "Operational",
    PRE_OPERATIONAL: "Pre-operational",
}
NEVER: Final = -1e9
VOLT: Final = 1e-3

_STAGE_BY_BITS: Final = [PowerStage.UNKNOWN] * 0x80
for _bits in range(0x80):
    _state = state_of(_bits)
    if _state is not None:
        _STAGE_BY_BITS[_bits] = STAGE[_state]


class Reception:
    """Decoder of one frame at a time; never raises.

    Attributes:
        telemetry: refilled in place.
        foreign, malformed: frames ignored, as in ``Cia402Drive``.
        torque_unit, position_unit, velocity_unit: SI per unit on the wire.
    """

    def __init__(self, options: Cia402Options, period_s: float) -> None:
        self.telemetry = Telemetry()
        self.foreign = 0
        self.malformed = 0
        self.torque_unit = self.position_unit = self.velocity_unit = 1.0
        self._options = options
        node = options.node
        _, transmit = mapping.pdos(options)
        self._id_1, self._id_2 = transmit[0].cob_id, transmit[1].cob_id
        packing_1, packing_2 = transmit[0].packing, transmit[1].packing
        self._unpack_1, self._size_1 = packing_1.unpack, packing_1.size
        self._unpack_2, self._size_2 = packing_2.unpack, packing_2.size
        self._mode_is_fast = mapping.MODE in transmit[1].entries
        self._slow = {pdo.cob_id: (pdo.packing, pdo.entries) for pdo in transmit[2:]}
        self._temperature = mapping.temperature(options)
        self._drawn = mapping.supply_current(options)
        self._spare = mapping.spare(options)
        self._inputs = mapping.inputs(options)
        self._spare_scale = options.spare_object.scale if options.spare_object else math.nan
        drawn = options.supply_current_object
        self._drawn_scale = drawn.scale if drawn else math.nan
        self._temperature_scale = (
            options.temperature_object.scale if options.temperature_object else math.nan
        )
        self._deflection_scale = options.deflection_object.scale
        self._emcy_id = 0x80 + node
        self._heartbeat_id = 0x700 + node
        self._sampled_s = NEVER
        self._deflected_s = NEVER
        self._sync_s = NEVER
        self._answers = AnswerJudge()
        self._heartbeat_s = math.inf
        self._watching = False
        self._awaited = set(self._slow)
        self._slow_names = {pdo.cob_id: self._names_of(pdo.entries) for pdo in transmit[2:]}
        self._ages = QuantityAges(
            {
                self._slow_names[pdo.cob_id]: pdo.transmission * period_s  # every n-th SYNC
                for pdo in transmit[2:]
            },
            period_s,
        )

    def _names_of(self, entries: tuple[mapping.Entry, ...]) -> str:
        known = {mapping.SUPPLY: "supply", mapping.ERROR: "fault", mapping.MODE: "mode"}
        if self._drawn is not None:
            known[self._drawn] = "supply current"
        if self._spare is not None:
            known[self._spare] = "spare input"
        if self._inputs is not None:
            known[self._inputs] = "digital inputs"
        return ", ".join(known.get(entry, "temperature") for entry in entries)

    def start(self, torque_unit_N_m: float, counts_per_revolution: float) -> None:
        """Reset; from now on frames come from a configured drive."""
        self.telemetry.forget()
        self.torque_unit = torque_unit_N_m
        self.position_unit = 2 * math.pi / counts_per_revolution
        rpm = self._options.velocity_unit == "rpm"
        self.velocity_unit = 2 * math.pi / 60 if rpm else self.position_unit
        self._sampled_s = self._deflected_s = self._sync_s = NEVER
        self._heartbeat_s = math.inf
        self._watching = False
        self._awaited = set(self._slow)
        self._ages.forget()

    @property
    def complete(self) -> bool:
        """True if each fast TPDO was received."""
        return self._sampled_s > 0 and self._deflected_s > 0

    @property
    def settled(self) -> bool:
        """True if each TPDO was received: before its first, the supply would read as 0 V."""
        return self.complete and not self._awaited

    def resume_cyclic(self) -> None:
        """End a provoked loss; values received before it are discarded."""
        self.telemetry.lost = ""
        self.telemetry.fault_code = 0  # its EMCY concerned that loss; a fault is reported again
        self.telemetry.fault_text = ""
        self._sampled_s = self._deflected_s = NEVER
        self._heartbeat_s = math.inf

    def watch(self) -> None:
        """Watch the drive's heartbeat, from the next call of ``age``."""
        self._watching = True
        self._heartbeat_s = math.inf

    def asked(self, now_s: float) -> None:
        """Note a SYNC: frames received from now on were sampled at ``now_s``."""
        self._sync_s = now_s

    def take(self, message: can.Message) -> int:
        """Decode one frame; return FAST_1 or FAST_2 if it was that TPDO, else 0."""
        identifier = message.arbitration_id
        data = message.data
        if message.is_extended_id or message.is_error_frame or message.is_remote_frame:
            self.foreign += 1
            return 0
        telemetry = self.telemetry
        if identifier == self._id_1:
            if len(data) != self._size_1:
                self.malformed += 1
                return 0
            status, position, torque = self._unpack_1(data)
            power = _STAGE_BY_BITS[status & 0x7F]
            if telemetry.power is _FAULT and power is not _FAULT:
                telemetry.fault_code = 0
                telemetry.fault_text = ""
            telemetry.status_word = status
            telemetry.power = power
            telemetry.position_rad = position * self.position_unit
            telemetry.torque_N_m = torque * self.torque_unit
            # Both PDOs are synchronous (transmission type 1 of CiA 301): the SYNC latches them.
            telemetry.received_s = received = wires.received_at(message)
            self._sampled_s = telemetry.time_s = self._sync_s
            telemetry.time_error_s = self._answers.error_s(received - self._sync_s)
            telemetry.frames += 1
            return FAST_1
        if identifier == self._id_2:
            if len(data) != self._size_2:
                self.malformed += 1
                return 0
            values = self._unpack_2(data)
            telemetry.velocity_rad_s = values[0] * self.velocity_unit
            telemetry.deflection_counts = values[1] * self._deflection_scale
            if self._mode_is_fast:
                telemetry.mode = values[2]
            self._deflected_s = telemetry.deflection_time_s = self._sync_s
            telemetry.frames += 1
            return FAST_2
        self._take_rare(message)
        return 0

    def _take_rare(self, message: can.Message) -> None:
        identifier, data = message.arbitration_id, message.data
        known = True
        if identifier in self._slow:
            known = self._take_slow(identifier, data)
        elif identifier == self._emcy_id:
            known = len(data) == 8
            if known:
                self._hear_emergency(data[0] | data[1] << 8)
        elif identifier == self._heartbeat_id:
            known = len(data) == 1 and data[0] & 0x7F in NMT_STATES
            if known:
                self._hear(data[0] & 0x7F, wires.received_at(message))
        else:
            self.foreign += 1
            return
        if known:
            self.telemetry.frames += 1
        else:
            self.malformed += 1

    def _take_slow(self, identifier: int, data: bytearray) -> bool:
        packing, entries = self._slow[identifier]
        if len(data) != packing.size:
            return False
        self._awaited.discard(identifier)
        self._ages.came(self._slow_names[identifier], self._sync_s)
        telemetry = self.telemetry
        for entry, value in zip(entries, packing.unpack(data), strict=True):
            if entry is mapping.SUPPLY:
                telemetry.supply_V = value * VOLT
            elif entry is mapping.ERROR:
                if value and telemetry.power is _FAULT:
                    self._fault(value)
            elif entry is mapping.MODE:
                telemetry.mode = value
            elif entry == self._inputs:
                telemetry.digital_inputs = value & 0xFFFF_FFFF
            elif entry == self._drawn:
                telemetry.supply_A = value * self._drawn_scale
            elif entry == self._spare:
                telemetry.spare_counts = value * self._spare_scale
            else:
                telemetry.temperature_degC = value * self._temperature_scale
        return True

    def _hear_emergency(self, code: int) -> None:
        """Note an EMCY, which may precede the fault in the statusword; only a reset clears it."""
        if code >> 8 == 0:
            if self.telemetry.power is not _FAULT:
                self.telemetry.fault_code = 0
                self.telemetry.fault_text = ""
        else:
            self._fault(code)

    def _fault(self, code: int) -> None:
        if code != self.telemetry.fault_code:
            self.telemetry.fault_code = code
            self.telemetry.fault_text = text_of(code)

    def _hear(self, nmt_state: int, heartbeat_s: float) -> None:
        self._heartbeat_s = heartbeat_s
        telemetry = self.telemetry
        if telemetry.lost:
            return
        node = self._options.node
        if nmt_state == BOOT_UP:
            telemetry.lost = f"node {node} restarted: its counts restart, so travel is unknown"
        elif nmt_state != OPERATIONAL and self._sampled_s > 0:
            why = telemetry.fault_text or "it lost this host's heartbeat or received a command"
            telemetry.lost = (
                f"node {node} left state Operational for {NMT_STATES[nmt_state]}: {why}"
            )

    def age(self, now_s: float) -> None:
        """Update the ages, and detect a silent drive."""
        telemetry = self.telemetry
        telemetry.age_s = now_s - self._sampled_s
        telemetry.deflection_age_s = now_s - self._deflected_s
        self._ages.judge(telemetry, now_s)
        if not self._watching:
            return
        if self._heartbeat_s == math.inf:
            self._heartbeat_s = now_s
        elif now_s - self._heartbeat_s > self._options.drive_loss and not telemetry.lost:
            telemetry.lost = (
                f"no heartbeat of node {self._options.node} for "
                f"{1e3 * self._options.drive_loss:.0f} ms"
            )
