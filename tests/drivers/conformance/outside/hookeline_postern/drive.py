"""The host's side of the postern board: see ``drivers.base.Drive``."""

from __future__ import annotations

import contextlib
import math
import time

from drivers.base import (
    Capabilities,
    Command,
    DriverError,
    Mode,
    PowerRequest,
    PowerStage,
    Telemetry,
)
from drivers.transport.serial_port import SerialPort
from hookeline_postern import frames
from hookeline_postern.options import PosternOptions

STAGE = {
    frames.IS_OFF: PowerStage.OFF,
    frames.IS_CHANGING: PowerStage.CHANGING,
    frames.IS_ON: PowerStage.ON,
    frames.IS_FAULT: PowerStage.FAULT,
}
FAULT_TEXTS = {
    0x2310: "motor current too high",
    0x3210: "supply too high",
    0x3220: "supply too low",
    0x4310: "board too hot",
    0x8130: "the board no longer heard its host",
}
MOST_CHUNKS = 16  # a board that never stops sending must not hold the cycle
FIRST_ANSWER_S = 1.0
NEVER_S = -1e9


class PosternDrive:
    """The drive; used by one thread."""

    capabilities: Capabilities

    def __init__(self, options: PosternOptions) -> None:
        self.telemetry = Telemetry()
        self._options = options
        self._port = SerialPort(options.port)  # drivers.capture can record this kind
        self._opened = False
        self._begin_anew()

    def _begin_anew(self) -> None:
        self.telemetry.forget()
        self._framer = frames.Framer()
        self._told: tuple[bytes, int, float, float, int] | None = None
        self._number = -1
        self._received_s = self._sampled_s = self._next_heartbeat_s = NEVER_S
        self._heartbeat_on = True
        self._asked = PowerRequest.OFF
        self._knocking = False
        self._refused = False

    # ------------------------------------------------------------------ before and after

    def open(self) -> None:
        """Remove power, set the host-loss time, and wait for a first state."""
        if self._opened:
            raise DriverError("the drive is open already")
        self._begin_anew()
        self._port.open()
        self._opened = True
        try:
            self._send(frames.OFF)
            self._introduce()
            self._await_state()
        except BaseException:
            self.close()
            raise

    def _introduce(self) -> None:
        path, wanted = self._port.path, round(1e3 * self._options.host_loss)
        self._send(frames.INTRODUCE, frames.TERMS.pack(wanted))
        give_up = time.monotonic() + FIRST_ANSWER_S
        while self._told is None:
            if time.monotonic() > give_up:
                raise DriverError(
                    f"the board at {path} does not introduce itself: check its power, its wire "
                    "and drive.port.baud"
                )
            self._take(self._port.read(give_up))
        name, counts, rated, peak, host_loss = self._told
        if host_loss != wanted:
            raise DriverError(
                f"the board at {path} will miss its host after {host_loss} ms and not after "
                f"{wanted} ms: set drive.host_loss to what it takes"
            )
        self._rad_per_count = 2 * math.pi / counts
        self.capabilities = Capabilities(
            modes=frozenset({Mode.TORQUE}),
            rated_torque_N_m=rated,
            peak_torque_N_m=peak,
            torque_resolution_N_m=1e-6,
            host_loss_s=1e-3 * host_loss,
            command_delay_cycles=0.0,  # a command acts as soon as it is received
            identity=name.rstrip(b"\0").decode("ascii", "replace"),
            details={"counts per revolution": str(counts)},
        )

    def _await_state(self) -> None:
        give_up = time.monotonic() + FIRST_ANSWER_S
        while self._number < 0:
            if time.monotonic() > give_up:
                raise DriverError(f"the board at {self._port.path} tells no state")
            self.read(give_up)
            if self.telemetry.lost:
                raise DriverError(self.telemetry.lost)

    def de_energise(self) -> None:
        """See ``drivers.base.Drive``."""
        self._asked = PowerRequest.OFF
        self._knocking = False
        with contextlib.suppress(Exception):
            self._send(frames.OFF)

    def close(self) -> None:
        """See ``drivers.base.Drive``."""
        if self._opened:
            self._opened = False
            self.de_energise()
        self._port.close()

    # ------------------------------------------------------------------ the cycle

    def read(self, deadline_s: float) -> Telemetry:
        """Request the state and wait for it."""
        telemetry = self.telemetry
        try:
            now = time.monotonic()
            if self._heartbeat_on and now >= self._next_heartbeat_s:
                self._next_heartbeat_s = now + self._options.host_heartbeat
                self._send(frames.ALIVE)
            # An answer that came after its own cycle must not pass for this cycle's answer.
            self._collect(0.0)
            self._send(frames.ASK)
            self._collect(deadline_s)
        except DriverError as error:
            telemetry.lost = telemetry.lost or str(error)
        now = time.monotonic()
        telemetry.age_s = telemetry.deflection_age_s = now - self._sampled_s
        if not telemetry.lost and now - self._received_s > self._options.silence:
            telemetry.lost = (
                f"the board at {self._port.path} has been silent for more than "
                f"{1e3 * self._options.silence:g} ms: check its power and its wire"
            )
        return telemetry

    def _collect(self, until_s: float) -> None:
        """Take all bytes received; while no state has come, wait for it until ``until_s``."""
        number = self._number
        for _ in range(MOST_CHUNKS):
            chunk = self._port.read(until_s if self._number == number else 0.0)
            if not chunk:
                return
            self._take(chunk)

    def write(self, command: Command) -> None:
        """See ``drivers.base.Drive``."""
        if not self._opened:
            raise DriverError("the drive is not open")
        telemetry, torque = self.telemetry, command.torque_N_m
        if not math.isfinite(torque):
            raise DriverError(f"torque {torque} is not a finite number")
        if command.mode is not Mode.TORQUE and command.power is PowerRequest.ON:
            raise DriverError(f"the postern board has no {command.mode.name.lower()} mode")
        self._heartbeat_on = command.heartbeat
        request = PowerRequest.OFF if telemetry.lost else command.power
        try:
            self._follow(request)
            if request is PowerRequest.ON and telemetry.power is PowerStage.ON:
                peak = self.capabilities.peak_torque_N_m
                self._send(frames.TORQUE, frames.TARGET.pack(max(-peak, min(peak, torque))))
        except DriverError as error:
            telemetry.lost = telemetry.lost or str(error)
        self._asked = request

    def _follow(self, request: PowerRequest) -> None:
        """Only a new ON requests a challenge: an old one does not restore power that was lost."""
        new = request is not self._asked
        if request is PowerRequest.ON:
            if new and self.telemetry.power is PowerStage.OFF:
                self._knocking, self._refused = True, False
                self._send(frames.KNOCK)
            return
        self._knocking = False
        stage = self.telemetry.power
        if request is PowerRequest.CLEAR_FAULT and stage is PowerStage.FAULT:
            self._send(frames.CLEAR)
        elif new or stage not in (PowerStage.OFF, PowerStage.FAULT):
            self._send(frames.OFF)  # a quick stop as well: the springs bring the rig to rest

    # ------------------------------------------------------------------ the wire

    def _send(self, kind: int, content: bytes = b"") -> None:
        self._port.write(frames.frame(kind, content))

    def _take(self, chunk: bytes) -> None:
        for kind, content in self._framer.feed(chunk):
            self.telemetry.frames += 1
            self._received_s = time.monotonic()
            if kind == frames.STATE:
                self._fill(frames.STATUS.unpack(content))
            elif kind == frames.CHALLENGE and self._knocking:
                self._knocking = False
                challenge = frames.NUMBER.unpack_from(content)[0]
                reply = frames.answer(challenge, self._options.key)
                self._send(frames.UNLOCK, frames.NUMBER.pack(reply))
            elif kind == frames.CHALLENGE:
                self._refused = True
            elif kind == frames.IDENTITY:
                self._told = frames.TOLD.unpack_from(content)

    def _fill(self, values: tuple[float, ...]) -> None:
        stage, number, fault, counts, speed, torque, deflection, supply, tenths = values
        if number == self._number:
            return  # a repeated state
        telemetry = self.telemetry
        self._number = int(number)
        self._sampled_s = telemetry.time_s = telemetry.received_s = self._received_s
        telemetry.deflection_time_s = self._received_s
        telemetry.power = STAGE.get(int(stage), PowerStage.UNKNOWN)
        telemetry.status_word = int(stage)
        telemetry.mode = Mode.TORQUE
        telemetry.position_rad = counts * self._rad_per_count
        telemetry.velocity_rad_s, telemetry.torque_N_m = speed, torque
        telemetry.deflection_counts = deflection
        telemetry.supply_V, telemetry.temperature_degC = supply, 0.1 * tenths
        telemetry.fault_code = int(fault)
        telemetry.fault_text = ""
        if fault:
            telemetry.fault_text = FAULT_TEXTS.get(int(fault), f"code {int(fault):#06x}")
        elif self._refused:
            telemetry.fault_text = "the board does not take the key: correct drive.key"
