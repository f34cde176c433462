"""One motor, one transmission and one set of springs combined: the resulting actuator."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

from hil.control import MODULATION
from hil.sizing.force_band import ForceBand
from hil.sizing.motor import HeatModel, Supply, Winding, sagged_V, warm_resistance_ohm
from hil.sizing.parts import MotorPart
from hil.sizing.requirements import Phase, Requirements
from hil.sizing.screw import reflected_mass_kg
from hil.sizing.spring import OpposedSets
from hil.sizing.spring_parts import SetPart
from hil.sizing.transmission_parts import TransmissionPart


@dataclass(frozen=True)
class PhaseLoad:
    """Demand of one phase of the duty: at the shaft, on the winding and on the supply."""

    phase: Phase
    torque_N_m: float
    current_A: float
    shaft_rad_s: float
    winding_V: float
    power_W: float  # taken in by the motor; negative if it generates
    copper_W: float
    supply_V: float  # NaN if the supply cannot deliver that power


@dataclass(frozen=True)
class Combination:
    """Parts combined for the requirements."""

    required: Requirements
    motor: MotorPart
    transmission: TransmissionPart
    springs: SetPart

    @property
    def name(self) -> str:
        return f"{self.motor.name}/{self.transmission.name}/{self.springs.name}"

    @property
    def radians_per_metre(self) -> float:
        return 2 * math.pi / self.transmission.lead_m

    @property
    def inertia_kg_m2(self) -> float:
        """Rotor and what turns with it."""
        return self.motor.rotor_inertia + self.transmission.shaft_inertia_kg_m2

    @property
    def mass_kg(self) -> float:
        """Mass of motor and transmission at its output."""
        part = self.transmission
        return reflected_mass_kg(self.inertia_kg_m2, part.lead_m, part.output_mass_kg)

    @property
    def coulomb_N_m(self) -> float:
        return self.motor.coulomb + self.transmission.coulomb

    @cached_property
    def sets(self) -> OpposedSets:
        return self.springs.sets

    @cached_property
    def winding(self) -> Winding:
        """The motor at its rated rise, at which it has least force and speed."""
        warm = warm_resistance_ohm(self.motor.winding_resistance, self.motor.rated_rise_K)
        return Winding(self.motor.torque_constant, warm)

    @cached_property
    def supply(self) -> Supply:
        required = self.required.supply
        return Supply(required.voltage, required.resistance, MODULATION)

    @property
    def heat(self) -> HeatModel:
        motor = self.motor
        return HeatModel(
            motor.continuous_current,
            motor.thermal_time_constant,
            motor.housing_time_constant,
            motor.housing_share,
            motor.standstill_factor,
        )

    @property
    def most_current_A(self) -> float:
        """Of motor and drive."""
        return min(self.motor.peak_current, self.required.drive_current)

    @property
    def standing_current_A(self) -> float:
        """Continuous current at standstill, the hottest phase at its rating."""
        motor = self.motor
        own = (1 - motor.housing_share) * motor.standstill_factor
        return min(
            motor.continuous_current / math.sqrt(own + motor.housing_share), self.most_current_A
        )

    def pushing_torque_N_m(self, force_N: float) -> float:
        """Return the torque that moves a force ahead, T = F·lead/(2π·η) + Coulomb friction."""
        lead, efficiency = self.transmission.lead_m, self.transmission.efficiency_forward
        return force_N * lead / (2 * math.pi * efficiency) + self.coulomb_N_m

    def force_N(self, current_A: float, shaft_rad_s: float = 0.0) -> float:
        """Return the force at the nut while it pushes, less friction and drag."""
        torque = self.motor.torque_constant * current_A - self.coulomb_N_m
        torque -= self.motor.viscous * shaft_rad_s
        return max(0.0, torque) * self.transmission.efficiency_forward * self.radians_per_metre

    # ------------------------------------------------------------------ speed

    def speed_bounds(self, force_N: float) -> dict[str, float]:
        """Return the bounds of the nut's speed in m/s while it pushes with a force."""
        per_metre = self.radians_per_metre
        torque = self.pushing_torque_N_m(force_N)
        enough = torque <= self.motor.torque_constant * self.most_current_A
        supply = self.supply.most_shaft_rad_s(self.winding, torque, self.motor.viscous)
        others = {n: v / per_metre for n, v in self.transmission.speed_bounds.items()}
        return {
            "supply voltage": (supply if enough else 0.0) / per_metre,
            "motor speed": self.motor.most_speed / per_metre,
            **others,
        }

    def speed_m_s(self, force_N: float) -> tuple[float, str]:
        """Return the nut's highest speed while it pushes with a force, and what limits it."""
        return min((speed, name) for name, speed in self.speed_bounds(force_N).items())

    # ------------------------------------------------------------------ duty

    @cached_property
    def loads(self) -> tuple[PhaseLoad, ...]:
        """Demand of each phase of the duty."""
        return tuple(self.load(phase) for phase in self.required.duty)

    def load(self, phase: Phase) -> PhaseLoad:
        """Return the demand of a phase: at rest without friction, the mean over both directions."""
        part, per_metre = self.transmission, self.radians_per_metre
        omega = per_metre * phase.speed
        moved = phase.force / per_metre
        if phase.force * phase.speed > 0:
            moved /= part.efficiency_forward
        elif phase.speed:
            moved *= part.efficiency_backward
        friction = math.copysign(self.coulomb_N_m, phase.speed) if phase.speed else 0.0
        inertial = self.mass_kg * phase.acceleration / per_metre
        torque = moved + friction + self.motor.viscous * omega + inertial
        current = torque / self.motor.torque_constant
        power = self.winding.power_W(current, omega)
        required = self.required.supply
        return PhaseLoad(
            phase,
            torque,
            current,
            omega,
            self.winding.voltage_V(current, omega),
            power,
            self.winding.resistance * current**2,
            sagged_V(required.voltage, required.resistance, power),
        )

    # ------------------------------------------------------------------ force over frequency

    @property
    def spring_N(self) -> float:
        """Largest force that springs and deflection sensor permit."""
        return self.sets.force_N(self.most_deflection_m)

    @property
    def most_deflection_m(self) -> float:
        """Largest deflection: least permitted length of a spring, or the sensor's range."""
        sensor = self.required.deflection_sensor
        half = 0.5 - (1 + sensor.rail_margin) * 2.0**-sensor.bits
        return max(0.0, min(self.sets.most_deflection_m, half * sensor.span))

    def band(self, amplitude_N: float) -> ForceBand:
        """Return the bounds of sines of about this amplitude: the slope in use depends on it."""
        sets, per_metre = self.sets, self.radians_per_metre
        rate = amplitude_N / max(sets.deflection_m(amplitude_N), 1e-12)
        constant = self.motor.torque_constant
        behind = self.supply.behind_ohm(self.winding)
        bounds = self.speed_bounds(0.0)
        fastest = min(v for name, v in bounds.items() if name != "supply voltage")
        efficiency = self.transmission.efficiency_forward
        return ForceBand(
            rate_N_m=rate,
            mass_kg=self.mass_kg,
            viscous_N_s_m=self.motor.viscous * per_metre**2,
            motor_N=self.force_N(self.most_current_A),
            stall_N=MODULATION * self.supply.open_V / behind * constant * per_metre * efficiency,
            free_m_s=MODULATION * self.supply.open_V / (constant * per_metre),
            fastest_m_s=fastest,
            spring_N=self.spring_N,
        )
