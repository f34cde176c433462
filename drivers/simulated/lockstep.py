"""The simulated drive without a wire: one ``read`` is one period, deterministic from a seed."""

from __future__ import annotations

import math
import random
from typing import Any, Final

from drivers.base import (
    AnswerJudge,
    Capabilities,
    Command,
    DriverError,
    Mode,
    PowerRequest,
    QuantityAges,
    Telemetry,
)
from drivers.simulated.drive_core import SimulatedDriveCore
from drivers.simulated.drive_faults import FAULT_TEXTS
from drivers.simulated.lateness import Delay
from drivers.simulated.parameters import RigParameters

SLOW_EVERY: Final = 10  # cycles between slowly sent values
SLOW_VALUES: Final = "supply, temperature"
_MOTOR_FRAME: Final = ("position_rad", "torque_N_m", "power", "fault_code", "fault_text")
_SENSOR_FRAME: Final = ("velocity_rad_s", "deflection_counts", "mode")
_SLOW_FRAME: Final = ("supply_V", "supply_A", "temperature_degC")


class LockstepDrive:
    """A ``drivers.base.Drive`` that advances its rig by one period with every ``read``.

    Timing is that of a drive on synchronous messages: a command written in one cycle is applied at
    the start of the next, together with that cycle's sampling. Values have their resolution on the
    wire: torque in per mille of rated torque, position in counts, velocity in counts per second,
    voltage in millivolts, supply current in 10 mA, temperature in 0.1 K. With ``bus_loss`` or
    ``drive_refresh_every`` in its parameters, frames are lost and values age as on the wire: SYNC,
    two frames of telemetry and the command are lost independently. ``read_late`` is a read in a
    delayed cycle.

    Args:
        parameters: the rig and its drive.
        seed: seed of all its random numbers.
        period_s: cycle period.
        options: options of the represented wire protocol, kept for reference.

    Attributes:
        core: the drive and its rig; ``core.environment`` holds weights, hand, disturbances.
    """

    def __init__(
        self, parameters: RigParameters, seed: int = 1, period_s: float = 0.001, options: Any = None
    ) -> None:
        if not 0 < period_s < math.inf:
            raise DriverError(f"period_s = {period_s}: must be above 0")
        p = parameters
        self.core = SimulatedDriveCore(p, seed)
        self.period_s = period_s
        self.options = options
        self.telemetry = Telemetry()
        self.capabilities = Capabilities(
            modes=frozenset(Mode),
            rated_torque_N_m=p.rated_torque_N_m,
            peak_torque_N_m=min(
                p.drive_max_torque_N_m, p.peak_current_A * p.stated_torque_constant_N_m_A
            ),
            torque_resolution_N_m=p.rated_torque_N_m / 1000,
            host_loss_s=p.drive_host_loss_s,
            command_delay_cycles=1.0,
            identity="simulated rig, lockstep",
            adds_torque=True,
            own_limits={
                "torque_N_m": min(
                    p.drive_max_torque_N_m, p.peak_current_A * p.stated_torque_constant_N_m_A
                ),
                "current_A": p.drive_max_torque_N_m / p.stated_torque_constant_N_m_A,
                "speed_rad_s": p.drive_overspeed_rad_s,
                "supply_high_V": p.drive_overvoltage_V,
                "supply_low_V": p.drive_undervoltage_V,
                "temperature_degC": p.drive_overtemperature_degC,
            },
        )
        self._torque_step = p.rated_torque_N_m / 1000
        self._rad_per_count = 2 * math.pi / p.encoder_counts_per_revolution
        self._waiting = False
        self._power = PowerRequest.OFF
        self._mode = Mode.TORQUE
        self._target = self._offset_N_m = 0.0
        self._cycles = 0
        self._time_s = 0.0
        self._asked_s = 0.0  # of this cycle's SYNC
        self._answers = AnswerJudge()
        self._written_s = 0.0
        self._received_s = -1e9
        self._sensed_s = -1e9
        self._loss = p.bus_loss
        self._impaired = p.bus_loss > 0.0 or p.drive_refresh_every > 1
        self._luck = random.Random(f"bus {seed}")
        self._syncs = 0
        self._ages = QuantityAges({SLOW_VALUES: SLOW_EVERY * period_s}, period_s)
        self._device = Telemetry()  # values of an impaired drive

    def open(self) -> None:
        """Start the drive's watch over the host."""
        self._written_s = self._time_s

    def read(self, deadline_s: float = 0.0) -> Telemetry:
        """Advance one period, sample, then apply the command written before."""
        self.core.advance(self.period_s)
        self._cycles += 1
        self._asked_s = self._time_s = self._cycles * self.period_s
        return self._answer()

    def read_late(self, woke_s: float, delay: Delay) -> Telemetry:
        """Request at ``woke_s``; sample and apply the command then, or ``delay.device_s`` later.

        The host receives the answer another ``delay.answer_s`` later. It knows the time of its
        request and how much later than usual the answer came: the sample was taken in between.
        """
        self._advance_to(woke_s)
        self._cycles += 1
        self._asked_s = woke_s
        self._advance_to(woke_s + delay.device_s)
        telemetry = self._answer(delay.missed)
        self._advance_to(self._time_s + delay.answer_s)
        telemetry.age_s = self._time_s - self._received_s
        telemetry.deflection_age_s = self._time_s - self._sensed_s
        if telemetry.time_s == self._asked_s:
            telemetry.time_error_s = self._answers.error_s(delay.device_s + delay.answer_s)
            telemetry.received_s = self._time_s
        return telemetry

    def _advance_to(self, time_s: float) -> None:
        """Advance to ``time_s``; the drive's watch over its host acts meanwhile."""
        lost_s = self._written_s + self.core.parameters.drive_host_loss_s
        if self._time_s <= lost_s < time_s:
            self.core.advance(lost_s - self._time_s)
            self.core.host_lost()
            self._time_s = lost_s
        self.core.advance(max(0.0, time_s - self._time_s))
        self._time_s = time_s

    def _answer(self, missed: bool = False) -> Telemetry:
        core = self.core
        telemetry = self.telemetry
        disturbances = core.environment.disturbances  # once: each look is a call of Python
        silent, slow_silent = disturbances["silent"], disturbances["slow_values_silent"]
        received = True
        if silent:
            self._waiting = False
        elif missed or core.environment.loses_sample():
            pass
        elif self._impaired:
            received = self._exchange()
        else:
            self._sample(telemetry)
            self._received_s = self._sensed_s = self._asked_s
        telemetry.age_s = self._time_s - self._received_s
        telemetry.deflection_age_s = self._time_s - self._sensed_s
        if not (silent or slow_silent):
            if self._received_s == self._asked_s:
                self._ages.came(SLOW_VALUES, self._asked_s)
            if self._cycles % SLOW_EVERY == 0:
                telemetry.spare_counts = float(core.spare_counts)
                telemetry.digital_inputs = core.digital_inputs
        self._ages.judge(telemetry, self._time_s)
        if self._waiting and received:
            self._waiting = False
            core.set_target(self._mode, self._target)
            core.add_torque(self._offset_N_m)
            core.request_power(self._power)
        if self._time_s - self._written_s > core.parameters.drive_host_loss_s:
            core.host_lost()
        return telemetry

    def write(self, command: Command) -> None:
        """Keep one command for the next period.

        Raises:
            DriverError: a target that is not finite.
        """
        mode = command.mode
        if mode is Mode.TORQUE:
            value, step = command.torque_N_m, self._torque_step
        elif mode is Mode.VELOCITY:
            value, step = command.velocity_rad_s, self._rad_per_count
        else:
            value, step = command.position_rad, self._rad_per_count
        if not math.isfinite(value):
            raise DriverError(f"target {value} for mode {mode.name} is not a finite number")
        offset_N_m = command.torque_offset_N_m
        if not math.isfinite(offset_N_m):
            raise DriverError(f"torque offset {offset_N_m} is not a finite number")
        if not self._loss or not self._lost():
            self._mode = mode
            self._target = round(value / step) * step
            self._offset_N_m = round(offset_N_m / self._torque_step) * self._torque_step
            self._power = command.power
            self._waiting = True
        if command.heartbeat and not self.core.environment.silent:
            self._written_s = self._time_s

    def de_energise(self) -> None:
        """Remove power now and discard the written command."""
        self._waiting = False
        self.core.request_power(PowerRequest.OFF)

    def close(self) -> None:
        """De-energise. May be called twice."""
        self.de_energise()

    def _lost(self) -> bool:
        return self._loss > 0.0 and self._luck.random() < self._loss

    def _exchange(self) -> bool:
        """Run one cycle over a poor bus, or with a slow drive; False if the SYNC was lost."""
        telemetry, device = self.telemetry, self._device
        received = not self._lost()
        if received:
            if self._syncs % self.core.parameters.drive_refresh_every == 0:
                self._sample(device)
            self._syncs += 1
            if not self._lost():
                for name in _MOTOR_FRAME + _SLOW_FRAME:
                    setattr(telemetry, name, getattr(device, name))
                telemetry.frames += 1
                telemetry.time_s = telemetry.received_s = self._received_s = self._asked_s
            if not self._lost():
                for name in _SENSOR_FRAME:
                    setattr(telemetry, name, getattr(device, name))
                telemetry.deflection_time_s = self._sensed_s = self._asked_s
        return received

    def _sample(self, telemetry: Telemetry) -> None:
        core = self.core
        telemetry.time_s = telemetry.deflection_time_s = telemetry.received_s = self._asked_s
        telemetry.time_error_s = 0.0
        telemetry.position_rad = core.position_counts * self._rad_per_count
        telemetry.velocity_rad_s = (
            round(core.velocity_rad_s / self._rad_per_count) * self._rad_per_count
        )
        telemetry.torque_N_m = round(core.torque_N_m / self._torque_step) * self._torque_step
        telemetry.deflection_counts = float(core.deflection_counts)
        if not core.environment.slow_values_silent:
            telemetry.supply_V = round(core.supply_V, 3)
            if core.parameters.supply_current_reported:
                telemetry.supply_A = round(core.supply_A, 2)
            telemetry.temperature_degC = round(core.temperature_degC, 1)
        telemetry.power = core.power
        telemetry.mode = int(core.mode)
        if core.fault_code != telemetry.fault_code:
            code = core.fault_code
            telemetry.fault_code = code
            telemetry.fault_text = FAULT_TEXTS.get(code, f"error {code:#06x}") if code else ""
        telemetry.frames += 1
