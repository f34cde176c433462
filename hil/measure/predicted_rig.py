"""The bench's own force law, cycle by cycle, on the plant that the profile states."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from hil.control import Estimator, ForceCalibration, ForceController, Shaper, design_over_torque
from hil.measure.characteristic import Floats
from hil.measure.guarded import middle_m
from hil.measure.loop_prediction import COMMAND_DELAY_CYCLES, FRICTION_KNOWN
from hil.profile import Profile
from hil.supervision import Bounds

NORMAL_degC = 25.0  # of the drive, which then limits nothing
SUBSTEPS = 4  # of a cycle: springs and nut swing below a tenth of the rate of these
FRICTION_TRIED = (1 - FRICTION_KNOWN, 1 + FRICTION_KNOWN)
SEED = 1  # of the noise: equal profiles give equal predictions


def level(_position_m: float) -> float:
    """Return the share of a weight that acts on a level rig: all of it."""
    return 1.0


@dataclass(frozen=True)
class Load:
    """Moving parts at the rod: mass in kg, weight in N, dry friction of the rig in N.

    ``tilt`` returns the share of the weight that acts at a position of the output in m.
    """

    mass_kg: float
    weight_N: float = 0.0
    friction_N: float = 0.0
    tilt: Callable[[float], float] = level


class PredictedRig:
    """Estimator, force law and caps as on the bench; nut, springs and output.

    The nut meets Coulomb and Stribeck friction, the screw's losses, and viscous friction of the
    profile. Nothing is fitted to a rig. The motor force follows its command a cycle late, through
    the lag of the current loop.

    Args:
        load: None for an output that is blocked.
        force_N: of the springs at the start, where everything is at rest.
        friction_factor: factor on friction and losses of the plant, unknown to the law.
        noise: the law sees noise and quantisation of the deflection sensor.
        caps: apply the caps of travel and speed; without them, only the force and torque limits act.

    Attributes:
        output_m, output_m_s, nut_m, nut_m_s: of the plant. force_N: of the springs, true.
        measured_N: of the springs, as the sensor shows it. torque_N_m: of the motor.
    """

    def __init__(
        self,
        profile: Profile,
        load: Load | None,
        force_N: float,
        output_m: float,
        friction_factor: float = 1.0,
        noise: bool = False,
        caps: bool = False,
    ) -> None:
        actuator = profile.actuator
        screw, friction = actuator.transmission, actuator.friction
        self.period_s = 1.0 / profile.control.rate
        gains = design_over_torque(profile, self.period_s, COMMAND_DELAY_CYCLES * self.period_s)
        self._law = ForceCalibration(profile.calibration, profile.sensors.deflection)
        self._controller = ForceController(profile, gains, self.period_s)
        self._estimator = Estimator(profile, self.period_s)
        self._shaper, self._bounds = Shaper(profile), Bounds(profile)
        self._capped = caps
        self._load = load
        self._per_metre = actuator.radians_per_metre
        self._mass = actuator.reflected_mass
        self._viscous = friction.viscous * self._per_metre**2
        self._coulomb = friction_factor * friction.coulomb * self._per_metre
        breakaway = friction_factor * friction.breakaway * self._per_metre
        self._stribeck = max(0.0, breakaway - self._coulomb)
        self._stribeck_speed = friction.stribeck_speed
        self._loss_forward = friction_factor * (1 / screw.efficiency_forward - 1)
        self._loss_backward = friction_factor * (1 - screw.efficiency_backward)
        self._decay = math.exp(-self.period_s / SUBSTEPS / profile.control.current_loop_lag)
        self._count = abs(profile.calibration.deflection_per_count)
        self._noise = profile.sensors.deflection.noise
        self._chance = random.Random(SEED) if noise else None

        deflection = self._law.deflection_for(force_N)
        self.output_m, self.nut_m = output_m, output_m + deflection
        self.output_m_s = self.nut_m_s = 0.0
        self.force_N = self.measured_N = force_N
        self.torque_N_m = force_N / self._per_metre
        self._sent = self._current = force_N
        self._estimator.reset(self.nut_m, deflection)
        self._controller.reset(self.torque_N_m)
        self._shaper.start(force_N)

    def step(
        self, setpoint: Callable[[float, float], float], hand_N: float = 0.0, spring: bool = False
    ) -> None:
        """Run one cycle.

        Args:
            setpoint: force in N for the output's position in m and its velocity in m/s, as estimated.
            hand_N: force of a hand at the rod.
            spring: the setpoint is that of a virtual spring.
        """
        deflection = self._seen(self.nut_m - self.output_m)
        self.measured_N = self._law.force(deflection)
        seen = self._estimator
        seen.update(self.nut_m, deflection, self.measured_N, self.torque_N_m, self.period_s)
        bounds = self._bounds
        if self._capped:
            bounds.update(seen, self.measured_N, energised=True)
            bounds.compute(seen, self.measured_N, 0.0, NORMAL_degC, 0.0)
        shaped = self._shaper.shape(
            setpoint(seen.output_position_m, seen.output_velocity_m_s),
            bounds.force_low_N,
            bounds.force_high_N,
            self.period_s,
            quick=not spring,
        )
        bounds.note_shaped(shaped)
        torque = self._controller.torque(
            shaped, seen, bounds.torque_limit_N_m, bounds.torque_low_N_m, bounds.torque_high_N_m
        )
        for _ in range(SUBSTEPS):
            self._advance(self.period_s / SUBSTEPS, hand_N)
        self._sent = torque * self._per_metre

    def _seen(self, deflection_m: float) -> float:
        if self._chance is None:
            return deflection_m
        counts = deflection_m / self._count + self._chance.gauss(0.0, self._noise)
        return self._count * round(counts)

    def _advance(self, dt: float, hand_N: float) -> None:
        self._current = self._sent + (self._current - self._sent) * self._decay
        self.force_N = force = self._law.force(self.nut_m - self.output_m)
        pushed = self._current - force - self._viscous * self.nut_m_s
        free = self.nut_m_s + dt * pushed / self._mass
        slow = abs(self.nut_m_s) / self._stribeck_speed
        dry = self._coulomb + self._stribeck * math.exp(-slow * slow)
        dry += (self._loss_forward if free * force > 0.0 else self._loss_backward) * abs(force)
        self.nut_m_s = _slowed(free, dt * dry / self._mass)
        self.nut_m += dt * self.nut_m_s
        load = self._load
        if load is not None:
            pushed = force + hand_N - load.weight_N * load.tilt(self.output_m)
            free = self.output_m_s + dt * pushed / load.mass_kg
            self.output_m_s = _slowed(free, dt * load.friction_N / load.mass_kg)
            self.output_m += dt * self.output_m_s
        self.torque_N_m = self._current / self._per_metre


def _slowed(speed: float, by: float) -> float:
    """Return a speed after dry friction, which stops but does not reverse it."""
    return math.copysign(max(abs(speed) - by, 0.0), speed)


def constant(force_N: float) -> Callable[[float, float], float]:
    """Return the setpoint of a constant force."""
    return lambda _position, _velocity: force_N


def stepped(
    profile: Profile,
    level_N: float,
    steps_N: Sequence[float],
    lasts_s: float,
    friction_factor: float,
) -> Floats:
    """Return the force that the sensor shows, the output blocked, a row for each setpoint.

    Args:
        level_N: at rest before the first row.
        steps_N: setpoints one after the other, as differences from ``level_N``.
        lasts_s: time of each.
    """
    rig = PredictedRig(profile, None, level_N, middle_m(profile), friction_factor, noise=True)
    rows = np.empty((len(steps_N), round(lasts_s / rig.period_s)))
    for row, step in zip(rows, steps_N, strict=True):
        setpoint = constant(level_N + step)
        for i in range(len(row)):
            rig.step(setpoint)
            row[i] = rig.measured_N
    return rows


def half_range(values: list[float]) -> float:
    """Return half of the interval that the values cover (JCGM 100:2008, 4.3.8)."""
    return 0.5 * (max(values) - min(values))
