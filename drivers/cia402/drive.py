"""The cyclic side of a CiA 402 drive: SYNC out, TPDOs in, RPDO out, heartbeats both ways.

The python-can bus is used directly, by one thread. Only configuration goes through
``canopen``.
"""

from __future__ import annotations

import contextlib
import math
import time

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
from drivers.can_bus import open_bus
from drivers.cia402.configuration import Configurator
from drivers.cia402.emergency import text_of
from drivers.cia402.mapping import pdos
from drivers.cia402.options import Cia402Options
from drivers.cia402.state_machine import (
    DISABLE_VOLTAGE,
    ENABLE_OPERATION,
    FAULT_RESET,
    STAGE,
    DriveState,
    control_word,
    state_of,
)

OPERATIONAL = 5
MOST_FRAMES_A_CYCLE = 64  # a babbling node must not hold the cycle
FIRST_ANSWER_S = 1.0


class Cia402Drive:
    """See ``drivers.base.Drive``. ``foreign`` and ``malformed`` count ignored frames."""

    capabilities: Capabilities

    def __init__(self, options: Cia402Options, period_s: float) -> None:
        self._options = options
        self._period_s = period_s
        self.telemetry = Telemetry()
        self.foreign = 0
        self.malformed = 0
        self._bus: can.BusABC | None = None
        receive, transmit = pdos(options)
        self._pack_1 = receive[0].packing.pack
        self._pack_2 = receive[1].packing.pack
        self._id_1, self._id_2, self._id_3 = (pdo.cob_id for pdo in transmit)
        self._packing_1, self._packing_2, self._packing_3 = (pdo.packing for pdo in transmit)
        self._temperature_scale = (
            options.temperature_object.scale if options.temperature_object else math.nan
        )
        self._deflection_scale = options.deflection_object.scale
        self._emcy_id = 0x80 + options.node
        self._heartbeat_id = 0x700 + options.node
        self._sync = can.Message(arbitration_id=0x80, is_extended_id=False, data=b"")
        self._rpdo_1 = can.Message(
            arbitration_id=receive[0].cob_id, is_extended_id=False, data=bytes(5)
        )
        self._rpdo_2 = can.Message(
            arbitration_id=receive[1].cob_id, is_extended_id=False, data=bytes(8)
        )
        self._beat = can.Message(
            arbitration_id=0x700 + options.host_node, is_extended_id=False, data=[OPERATIONAL]
        )
        # The drive watches the host from its first heartbeat on (CiA 301), so none goes out
        # before the caller is ready to cycle.
        self._next_beat_s = math.inf
        self._heard_s = 0.0
        self._sampled_s = -1e9
        self._deflected_s = -1e9
        self._last_word = DISABLE_VOLTAGE
        self._torque_unit = self._position_unit = self._velocity_unit = 1.0

    def open(self) -> None:
        """Configure the node and wait for its first telemetry.

        Raises:
            DriverError: naming the object or frame, what came back, and the mend.
        """
        o = self._options
        self._bus = open_bus(o.bus.interface, o.bus.channel, o.bus.extra())
        try:
            found = Configurator(self._bus, o).configure()
            self._torque_unit = found.rated_torque_N_m / 1000
            self._position_unit = 2 * math.pi / found.counts_per_revolution
            self._velocity_unit = (
                2 * math.pi / 60 if o.velocity_unit == "rpm" else self._position_unit
            )
            modes = frozenset(
                mode for mode in Mode if found.supported_modes >> (int(mode) - 1) & 1
            )
            if Mode.TORQUE not in modes:
                raise DriverError(
                    "the drive does not support cyclic synchronous torque mode (0x6502 bit 9), "
                    "which the force law needs"
                )
            self.capabilities = Capabilities(
                modes=modes,
                rated_torque_N_m=found.rated_torque_N_m,
                peak_torque_N_m=found.rated_torque_N_m * found.max_torque_per_mille / 1000,
                torque_resolution_N_m=self._torque_unit,
                host_loss_s=o.host_loss,
                command_delay_cycles=1.0 if o.rpdo_transmission == "sync" else 0.5,
                identity=found.identity,
            )
            self._await_first()
            self._next_beat_s = 0.0
            self._heard_s = math.inf
        except BaseException:
            self.close()
            raise

    def _await_first(self) -> None:
        give_up = time.monotonic() + FIRST_ANSWER_S
        self._heard_s = time.monotonic()
        command = Command()
        while self._sampled_s < 0 or self._deflected_s < 0:
            now = time.monotonic()
            if now > give_up:
                raise DriverError(
                    f"node {self._options.node} is configured but sends no telemetry after SYNC: "
                    "check that it went to state Operational and that the PDO COB-IDs are free"
                )
            self.read(now + self._period_s)
            if self.telemetry.lost:
                raise DriverError(self.telemetry.lost)
            self.write(command)
            time.sleep(self._period_s / 2)

    def read(self, deadline_s: float) -> Telemetry:
        """SYNC, then frames until both fast TPDOs are in or the deadline has passed."""
        bus = self._bus
        telemetry = self.telemetry
        if bus is None:
            raise DriverError("the drive is not open")
        monotonic = time.monotonic
        now = monotonic()
        if self._heard_s == math.inf:
            self._heard_s = now
        try:
            if now >= self._next_beat_s:
                bus.send(self._beat)
                self._next_beat_s = now + self._options.host_heartbeat
            # What came too late for the cycle before is read off first: left in the queue it
            # would pass for this cycle's answer, and every answer after it would be one old.
            for _ in range(MOST_FRAMES_A_CYCLE):
                late = bus.recv(0.0)
                if late is None:
                    break
                self._take(late)
            bus.send(self._sync)
            got = 0
            for _ in range(MOST_FRAMES_A_CYCLE):
                left = deadline_s - monotonic()
                message = bus.recv(left if left > 0.0 else 0.0)
                if message is None:
                    break
                got |= self._take(message)
                if got == 3:
                    break
        except can.CanError as error:
            telemetry.lost = f"the bus is gone: {error}"
        now = monotonic()
        telemetry.age_s = now - self._sampled_s
        telemetry.deflection_age_s = now - self._deflected_s
        if now - self._heard_s > self._options.drive_loss and not telemetry.lost:
            telemetry.lost = (
                f"no heartbeat of node {self._options.node} for "
                f"{1e3 * self._options.drive_loss:.0f} ms"
            )
        return telemetry

    def _take(self, message: can.Message) -> int:
        """Decode one frame; bit 0: fast TPDO 1 came, bit 1: fast TPDO 2 came."""
        identifier = message.arbitration_id
        data = message.data
        telemetry = self.telemetry
        if message.is_extended_id or message.is_error_frame or message.is_remote_frame:
            self.foreign += 1
            return 0
        if identifier == self._id_1:
            if len(data) != self._packing_1.size:
                self.malformed += 1
                return 0
            status, position, torque = self._packing_1.unpack(data)
            state = state_of(status)
            telemetry.status_word = status
            telemetry.power = STAGE[state] if state is not None else PowerStage.UNKNOWN
            telemetry.position_rad = position * self._position_unit
            telemetry.torque_N_m = torque * self._torque_unit
            if telemetry.power != PowerStage.FAULT:
                telemetry.fault_code = 0
                telemetry.fault_text = ""
            self._sampled_s = telemetry.time_s = time.monotonic()
            telemetry.frames += 1
            return 1
        if identifier == self._id_2:
            if len(data) != self._packing_2.size:
                self.malformed += 1
                return 0
            velocity, deflection, telemetry.mode = self._packing_2.unpack(data)
            telemetry.velocity_rad_s = velocity * self._velocity_unit
            telemetry.deflection_counts = deflection * self._deflection_scale
            self._deflected_s = time.monotonic()
            telemetry.frames += 1
            return 2
        if identifier == self._id_3:
            if len(data) != self._packing_3.size:
                self.malformed += 1
                return 0
            values = self._packing_3.unpack(data)
            telemetry.supply_V = values[0] * 1e-3
            if values[1] and telemetry.power == PowerStage.FAULT:
                self._fault(values[1])
            if len(values) > 2:
                telemetry.temperature_degC = values[2] * self._temperature_scale
        elif identifier == self._emcy_id and len(data) == 8:
            code = data[0] | data[1] << 8
            if code:
                self._fault(code)
        elif identifier == self._heartbeat_id and len(data) == 1:
            self._hear(data[0] & 0x7F)
        else:
            self.foreign += 1
            return 0
        telemetry.frames += 1
        return 0

    def _fault(self, code: int) -> None:
        if code != self.telemetry.fault_code:
            self.telemetry.fault_code = code
            self.telemetry.fault_text = text_of(code)

    def _hear(self, nmt_state: int) -> None:
        self._heard_s = time.monotonic()
        if nmt_state == 0:
            self.telemetry.lost = (
                f"node {self._options.node} restarted: its counts begin anew, so travel is unknown"
            )
        elif nmt_state != OPERATIONAL and self._sampled_s > 0:
            why = self.telemetry.fault_text or "it lost this host's heartbeat or was told to"
            self.telemetry.lost = f"node {self._options.node} left state Operational: {why}"

    def write(self, command: Command) -> None:
        """RPDO 1, and RPDO 2 only when velocity or position is the mode in use."""
        bus = self._bus
        if bus is None:
            raise DriverError("the drive is not open")
        telemetry = self.telemetry
        word = control_word(
            telemetry.status_word, command.power, bool(self._last_word & FAULT_RESET)
        )
        mode = command.mode
        if word == ENABLE_OPERATION and telemetry.mode != mode:
            # Never enable in a mode that the drive has not confirmed.
            word = 0x07
        enabled = state_of(telemetry.status_word) is DriveState.OPERATION_ENABLED
        torque = 0
        if enabled and command.power == PowerRequest.ON and mode is Mode.TORQUE:
            scaled = command.torque_N_m / self._torque_unit
            if not math.isfinite(scaled):
                raise DriverError(f"torque {command.torque_N_m} is not a finite number")
            torque = max(-32768, min(32767, round(scaled)))
        try:
            if mode is not Mode.TORQUE:
                self._send_motion(command, enabled)
            self._rpdo_1.data = bytearray(self._pack_1(word, int(mode), torque))
            bus.send(self._rpdo_1)
        except can.CanError as error:
            telemetry.lost = f"the bus is gone: {error}"
        self._last_word = word

    def _send_motion(self, command: Command, enabled: bool) -> None:
        assert self._bus is not None
        velocity = command.velocity_rad_s / self._velocity_unit if enabled else 0.0
        position = command.position_rad / self._position_unit
        if not enabled:
            position = self.telemetry.position_rad / self._position_unit
        if not math.isfinite(velocity) or not math.isfinite(position):
            raise DriverError("a velocity or position target is not a finite number")
        most = 2**31 - 1
        self._rpdo_2.data = bytearray(
            self._pack_2(
                max(-most, min(most, round(velocity))), max(-most, min(most, round(position)))
            )
        )
        self._bus.send(self._rpdo_2)

    def de_energise(self) -> None:
        """Disable voltage at once, with a SYNC so that a synchronous RPDO takes effect."""
        bus = self._bus
        if bus is None:
            return
        self._last_word = DISABLE_VOLTAGE
        with contextlib.suppress(Exception):
            self._rpdo_1.data = bytearray(self._pack_1(DISABLE_VOLTAGE, int(Mode.TORQUE), 0))
            bus.send(self._rpdo_1)
            bus.send(self._sync)

    def close(self) -> None:
        """De-energise, put the node back to pre-operational, leave the bus."""
        bus = self._bus
        if bus is None:
            return
        self.de_energise()
        with contextlib.suppress(Exception):
            bus.send(
                can.Message(
                    arbitration_id=0, is_extended_id=False, data=[0x80, self._options.node]
                )
            )
        with contextlib.suppress(Exception):
            bus.shutdown()
        self._bus = None
