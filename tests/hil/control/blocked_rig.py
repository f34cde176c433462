"""The force loop alone on the simulated rig: output held, no states, no supervision."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from drivers.base import Command, PowerRequest, PowerStage
from drivers.simulated.lockstep import LockstepDrive
from drivers.simulated.parameters import RigParameters
from hil.control.calibration import ForceCalibration
from hil.control.estimation import Estimator
from hil.control.force_controller import ForceController
from hil.control.force_design import ForceGains, design
from hil.profile.devices import rig_parameters
from hil.profile.schema import Profile
from hil.supervision.bounds import Bounds

Array = NDArray[np.float64]
FORCE, TORQUE, NET, RATE = range(4)  # columns of ``BlockedRig.run``


class BlockedRig:
    """Calibration, estimator and force law around a lockstep drive whose output is blocked.

    Args:
        delay_cycles: command delay beyond the drive's own, in whole cycles.
        parameters: rig parameters that replace the profile's.
    """

    def __init__(
        self,
        profile: Profile,
        seed: int = 1,
        delay_cycles: int = 0,
        parameters: RigParameters | None = None,
        gains: ForceGains | None = None,
        blocked: bool = True,
    ) -> None:
        self.profile = profile
        self.period = t = 1 / profile.control.rate
        # Nothing keeps the nut slow here; the drive's own speed limit must not act.
        unguarded = {"drive_overspeed_rad_s": 1e4}
        self.drive = LockstepDrive(parameters or rig_parameters(profile).but(unguarded), seed, t)
        self.drive.open()
        self.drive.core.environment.disturb("block", blocked)
        delay = (self.drive.capabilities.command_delay_cycles + delay_cycles) * t
        self.gains = gains or design(profile, t, delay)
        self.calibration = ForceCalibration(profile.calibration, profile.sensors.deflection)
        self.estimator = Estimator(profile, t)
        self.law = ForceController(profile, self.gains, t)
        motor = profile.actuator.motor
        self.limit = min(
            motor.torque_constant * motor.peak_current, self.drive.capabilities.peak_torque_N_m
        )
        self.bounds: Bounds | None = None  # the source of torque caps for the law
        hand = 1 if profile.actuator.screw.hand == "right" else -1
        self.sign = hand * profile.sensors.motor.sign
        self._waiting = [0.0] * delay_cycles
        self._command = Command(power=PowerRequest.ON)
        self._offset: float | None = None
        self._cycle = 0

    def run(
        self,
        seconds: float,
        asked: Callable[[float], float],
        added: Callable[[float], float] | None = None,
    ) -> Array:
        """Run and return columns: measured spring force (N), torque of the law, torque sent (with
        ``added`` on top), estimated deflection rate. ``asked(t)`` in N, ``added(t)`` in N·m."""
        t, sign = self.period, self.sign
        metres = sign * self.profile.actuator.screw.lead / (2 * math.pi)
        estimator, drive, command = self.estimator, self.drive, self._command
        rows = np.empty((round(seconds / t), 4))
        for row in rows:
            time_s = self._cycle * t
            self._cycle += 1
            telemetry = drive.read()
            deflection = self.calibration.deflection(telemetry.deflection_counts)
            nut = telemetry.position_rad * metres
            if self._offset is None:
                self._offset = deflection - nut
                estimator.reset(deflection, deflection)
            force = self.calibration.force(deflection)
            estimator.update(nut + self._offset, deflection, force, telemetry.torque_N_m * sign, t)
            torque = sent = 0.0
            if telemetry.power == PowerStage.ON:
                low, high = -math.inf, math.inf
                if self.bounds is not None:
                    self.bounds.compute(estimator, force, 0.0, 20.0, 0.0, telemetry.supply_V)
                    low, high = self.bounds.torque_low_N_m, self.bounds.torque_high_N_m
                torque = sent = self.law.torque(asked(time_s), estimator, self.limit, low, high)
                if added is not None:
                    sent += added(time_s)
            self._waiting.append(sent * sign)
            command.torque_N_m = self._waiting.pop(0)
            drive.write(command)
            row[:] = force, torque, sent, estimator.deflection_rate_m_s
        return rows
