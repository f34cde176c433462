"""Rig with the constants of its inner loop, which depend on weights, factors and substep."""

from __future__ import annotations

import math
from math import cos, exp, expm1
from typing import Final

from drivers.simulated.parameters import RigParameters
from drivers.simulated.rig_state import RigState
from drivers.simulated.screw_friction import local_friction
from drivers.simulated.substep import Substep

LONGEST_SUBSTEP_S: Final = 250e-6
SHORTEST_SUBSTEP_S: Final = 10e-6
IMMOVABLE_N: Final = 1e12
DISCHARGE_S: Final = (
    0.04  # of the link through its resistor, when disconnected from the supply; invented
)


class SteppedRig(RigState):
    """State of a rig, and the constants of a substep of its integration."""

    def __init__(self, parameters: RigParameters) -> None:
        super().__init__(parameters)
        self._substep_s = 0.0
        self._local_friction = local_friction(parameters)
        self._lowering_N_s_m = 0.0
        self._rebuild()

    def _field(self) -> tuple[float, float]:
        """Return (sign, electrical radians of error per radian of shaft) of the drive's field.

        See ``drivers.simulated.injected_faults``; (0, 0) if the field is always right.
        """
        p = self.parameters
        seen = p.encoder_sign * p.encoder_scale if p.commutation_by_encoder else 1.0
        drives = (p.drive_pole_pairs or p.pole_pairs) * seen
        error = drives + p.pole_pairs if p.phases_swapped else drives - p.pole_pairs
        sign = -1.0 if p.phases_swapped else 1.0
        return (sign, error) if error or sign < 0.0 else (0.0, 0.0)

    def _rebuild(self) -> None:
        """Compute all that depends on weights and factors, and the longest stable substep."""
        self._weigh()
        p = self.parameters
        arm = 1.0 if p.rig == "linear" else p.rod_arm_m
        lightest = self.output_inertia / arm**2
        springs = sum(self._springs[:2]) + p.spring_solid_stiffness_N_m
        stiffest = max(springs, p.end_stop_stiffness_N_m) + self._presliding_N_m
        fastest = math.sqrt(stiffest * (1 / lightest + 1 / self.nut_mass_kg))
        damped = p.spring_damping_N_s_m * (1 / lightest + 1 / self.nut_mass_kg)
        longest = min(LONGEST_SUBSTEP_S, 0.35 / fastest, 0.5 / max(damped, 1e-9))
        self._longest_s = max(longest, SHORTEST_SUBSTEP_S)
        self._per_continuous_square = 1.0 / p.continuous_current_A**2
        self._set_substep(self._substep_s or self._longest_s)

    def _set_substep(self, h: float) -> None:
        """Compute the constants of the inner loop for a substep of ``h`` seconds."""
        p = self.parameters
        self._substep_s = h
        per_m = 1.0 / self.metres_per_radian
        size = abs(per_m)
        k1, k2, c1, c2 = self._springs
        self._resistance_at_K = self.winding_mean_K
        warmer = p.winding_resistance_per_K * self._resistance_at_K
        resistance = p.winding_resistance_ohm * (1 + warmer)
        loop = h / p.current_loop_time_constant_s
        electric = h * resistance / p.winding_inductance_H
        breakaway = max(p.friction_breakaway_N_m, p.friction_coulomb_N_m)
        linear = p.rig == "linear"
        friction_q = p.guide_friction_N if linear else p.pivot_friction_N_m
        rc = p.supply_resistance_ohm * p.link_capacitance_F
        field, error = self._field()
        offset = p.commutation_offset_rad
        self._constants = Substep(
            half_step=0.5 * h,
            nut_mass=self.nut_mass_kg,
            force_per_A=p.torque_constant_N_m_A * per_m * (1.0 if error else cos(offset)),
            resistance=resistance,
            inductance_2h=0.5 * p.winding_inductance_H / h,
            loop_decay=exp(-loop),
            loop_mean=-expm1(-loop) / loop,
            winding_decay=exp(-electric),
            winding_mean=-expm1(-electric) / electric,
            half_backlash=0.5 * p.backlash_m,
            rate_1=k1,
            rate_2=k2,
            preload_1=c1,
            preload_2=c2,
            solid_deflection=p.spring_solid_m,
            solid_rate=p.spring_solid_stiffness_N_m,
            presliding=self._presliding_N_m,
            hysteresis=p.spring_hysteresis,
            guide_friction=p.spring_guide_friction_N,
            spring_damping=p.spring_damping_N_s_m,
            coulomb_N=IMMOVABLE_N
            if self.jammed
            else p.friction_coulomb_N_m * size * self.friction_factor,
            stribeck_N=(breakaway - p.friction_coulomb_N_m) * size * self.friction_factor,
            per_stribeck=1.0 / p.friction_stribeck_m_s,
            stribeck_end=4.0 * p.friction_stribeck_m_s,
            loss_forward=1.0 / p.screw_efficiency_forward - 1.0,
            loss_backward=1.0 - p.screw_efficiency_backward,
            nut_damping=p.friction_viscous_N_m_s * size**2,
            local_friction=self._local_friction,
            uneven=bool(p.torque_ripple or field),
            ripple=p.torque_ripple,
            ripple_per_m=6.0 * p.pole_pairs * per_m,
            field_sign=field,
            field_per_m=error * per_m,
            aligned=self.aligned_m - (offset / (error * per_m) if error else 0.0),
            geometry={"linear": 0, "lever_sector": 1, "lever_pin": 2}[p.rig],
            level_position=p.level_position_m,
            rod_arm=1.0 if linear else p.rod_arm_m,
            output_inertia=self.output_inertia,
            moment=self._moment,
            output_damping=p.output_damping_N_s_m + self._lowering_N_s_m,
            output_friction=IMMOVABLE_N if self.blocked else friction_q,
            stroke=p.stroke_m,
            end_rate=p.end_stop_stiffness_N_m,
            end_damping=p.end_stop_damping_N_s_m,
            hand_arm=1.0 if linear else p.load_arm_m,
            source_resistance=p.supply_resistance_ohm,
            supply_decay=exp(-h / rc) if rc else 0.0,
            takes_regeneration=p.supply_takes_regeneration and not self.disconnected,
            per_capacitance=1.0 / p.link_capacitance_F,
            # When disconnected, the link discharges; the logic has another supply.
            idle_W=0.0 if self.disconnected else p.drive_idle_W,
            bleed=exp(-2.0 * h / DISCHARGE_S) if self.disconnected else 1.0,
        )
