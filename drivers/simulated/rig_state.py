"""State of the simulated rig: masses, springs, geometry, energy."""

from __future__ import annotations

import math
from math import cos, sin

from drivers.simulated.parameters import RigParameters


class RigState:
    """One rig at one moment. All attributes are true values, before any sensor.

    Attributes:
        time_s: simulated time.
        nut_position_m, nut_velocity_m_s: nut, rod extension positive.
        coordinate, coordinate_rate: coordinate of the output and its rate: lever angle from
            level (rad) or metres.
        current_A: torque-producing motor current; positive gives positive torque on the shaft.
        link_V: voltage of the drive's DC link; source_V: of the supply behind it.
        motor_rise_K, housing_rise_K, drive_rise_K: above ambient; the first is the winding's
            hottest phase.
        motor_work_J, hand_work_J, source_work_J: energy put in since the start, by shaft
            torque, hands and supply.
        drawn_C, drawn_J: charge and energy that the drive took from its DC link since the start.
        aligned_m: nut position at which the drive found the rotor's angle.
        peak_spring_force_N, peak_speed_m_s, peak_end_speed_m_s: largest since the last
            ``reset_peaks``: force of the springs on the rod, speed of the nut, speed at which
            the output met an end. peak_driven_force_N: of the first, with the power stage on.
    """

    def __init__(self, parameters: RigParameters) -> None:
        p = parameters
        self.parameters = p
        self.time_s = 0.0
        self.nut_velocity_m_s = 0.0
        self.coordinate_rate = 0.0
        self.current_A = 0.0
        self.link_V = p.supply_V
        self.source_V = p.supply_V
        self.motor_rise_K = 0.0
        # Of the winding over the housing: mean of all phases, and the vector of their differences.
        self.mean_over_K = self.cosine_over_K = self.sine_over_K = 0.0
        self.housing_rise_K = 0.0
        self.drive_rise_K = 0.0
        self.motor_work_J = 0.0
        self.hand_work_J = 0.0
        self.source_work_J = 0.0
        self.drawn_C = self.drawn_J = 0.0
        self.hung_mass_kg = p.initial_hung_mass_kg
        self.jammed = p.nut_jammed  # the nut is blocked
        self.blocked = False  # the output is blocked
        self.disconnected = False  # the supply is disconnected from the power stage
        self.supported = False  # a stand carries lever and weights
        self.spring_factor = 1.0
        self.friction_factor = 1.0
        self._hand = (0.0, 0.0, 0.0, math.inf)  # amplitude N, rad/s, start, end
        self._slip_m = 0.0  # presliding of the springs' internal friction
        self.metres_per_radian: float = p.screw_hand * p.screw_lead_m / (2 * math.pi)
        self.nut_mass_kg: float = p.rotor_inertia_kg_m2 / self.metres_per_radian**2 + p.nut_mass_kg
        self.output_inertia: float = 0.0  # kg·m² or kg, in the coordinate
        self._moment: float = 0.0  # N·m with the lever level, or the weight in N
        self.nut_position_m: float = 0.0
        self.coordinate: float = 0.0
        self._weigh()
        self._place()
        self._last_deflection = self.deflection_m
        self.aligned_m = self.nut_position_m
        self.reset_peaks()

    # -- read-outs ---------------------------------------------------------------------

    @property
    def winding_mean_K(self) -> float:
        """Mean rise of all phases, which determines their resistance."""
        return self.housing_rise_K + self.mean_over_K

    @property
    def winding_ohm(self) -> float:
        """Resistance of the winding at its temperature."""
        p = self.parameters
        return p.winding_resistance_ohm * (1 + p.winding_resistance_per_K * self.winding_mean_K)

    @property
    def output_position_m(self) -> float:
        p = self.parameters
        if p.rig == "linear":
            return self.coordinate
        turned = sin(self.coordinate) if p.rig == "lever_pin" else self.coordinate
        return p.level_position_m + p.rod_arm_m * turned

    @property
    def output_velocity_m_s(self) -> float:
        return self.coordinate_rate * self._metres_per_coordinate(self.coordinate)

    @property
    def deflection_m(self) -> float:
        """Compression of the springs: nut minus output, less the backlash."""
        gap = self.nut_position_m - self.output_position_m
        half = 0.5 * self.parameters.backlash_m
        return gap - min(max(gap, -half), half)

    @property
    def spring_force_N(self) -> float:
        """Force on the rod at rest, internal friction of the springs included."""
        return self.spring_law(self.deflection_m) + self._presliding_N_m * self._slip_m

    @property
    def shaft_angle_rad(self) -> float:
        return self.nut_position_m / self.metres_per_radian

    @property
    def shaft_speed_rad_s(self) -> float:
        return self.nut_velocity_m_s / self.metres_per_radian

    @property
    def hand_force_N(self) -> float:
        amplitude, pulsation, start, end = self._hand
        if amplitude == 0.0 or self.time_s >= end:
            return 0.0
        return amplitude * sin(pulsation * (self.time_s - start)) if pulsation else amplitude

    def reset_peaks(self) -> None:
        """Forget the largest force and speeds so far."""
        self.peak_spring_force_N = 0.0
        self.peak_driven_force_N = 0.0
        self.peak_speed_m_s = 0.0
        self.peak_end_speed_m_s = 0.0

    def spring_law(self, deflection_m: float) -> float:
        """Return the force in N of both sets at a deflection: two slopes, knees, solid height.

        Each set only pushes: with compressions c at rest, F = k₁·max(0, c₁ + δ) −
        k₂·max(0, c₂ − δ), so one slope is k₁ + k₂ until a set goes slack.
        """
        k1, k2, c1, c2 = self._springs
        force = k1 * max(0.0, c1 + deflection_m) - k2 * max(0.0, c2 - deflection_m)
        solid = self.parameters.spring_solid_m
        beyond = deflection_m - min(max(deflection_m, -solid), solid)
        return force + self.parameters.spring_solid_stiffness_N_m * beyond

    def load_N(self, output_position_m: float) -> float:
        """Return the weight of lever, pan and weights as a force on the rod, in N (+ = inward)."""
        q = self._coordinate_at(output_position_m)
        return self._weight(q) / self._metres_per_coordinate(q)

    def mechanical_energy_J(self) -> float:
        """Return kinetic, spring, end-stop and potential energy (level, or zero, as datum)."""
        p = self.parameters
        k1, k2, c1, c2 = self._springs
        d = self.deflection_m
        energy: float = 0.5 * self.nut_mass_kg * self.nut_velocity_m_s**2
        energy += 0.5 * self.output_inertia * self.coordinate_rate**2
        energy += 0.5 * k1 * max(0.0, c1 + d) ** 2 + 0.5 * k2 * max(0.0, c2 - d) ** 2
        energy += 0.5 * p.spring_solid_stiffness_N_m * max(0.0, abs(d) - p.spring_solid_m) ** 2
        energy += 0.5 * self._presliding_N_m * self._slip_m**2
        x = self.output_position_m
        energy += 0.5 * p.end_stop_stiffness_N_m * max(0.0, -x, x - p.stroke_m) ** 2
        if p.rig == "linear":
            return energy + self._moment * self.coordinate
        return energy + self._moment * sin(self.coordinate)

    def stored_energy_J(self) -> float:
        """Return mechanical energy plus that of link capacitor and winding inductance."""
        p = self.parameters
        return (
            self.mechanical_energy_J()
            + 0.5 * p.link_capacitance_F * self.link_V**2
            + 0.5 * p.winding_inductance_H * self.current_A**2
        )

    # -- inside ------------------------------------------------------------------------

    def _metres_per_coordinate(self, q: float) -> float:
        p = self.parameters
        if p.rig == "linear":
            return 1.0
        return p.rod_arm_m * cos(q) if p.rig == "lever_pin" else p.rod_arm_m

    def _coordinate_at(self, x: float) -> float:
        p = self.parameters
        if p.rig == "linear":
            return x
        turned = (x - p.level_position_m) / p.rod_arm_m
        return math.asin(turned) if p.rig == "lever_pin" else turned

    def _weight(self, q: float) -> float:
        return self._moment * (1.0 if self.parameters.rig == "linear" else cos(q))

    def _weigh(self) -> None:
        """Compute inertia, weight and springs for the present mass and factors."""
        p = self.parameters
        hung = self.hung_mass_kg
        if p.rig == "linear":
            self.output_inertia = p.carriage_mass_kg + hung
            self._moment = self.output_inertia * p.gravity_m_s2 if p.linear_vertical else 0.0
        else:
            at_load = p.pan_mass_kg + hung
            self.output_inertia = (
                p.lever_inertia_kg_m2
                + p.lever_mass_kg * p.lever_centre_m**2
                + at_load * p.load_arm_m**2
            )
            self._moment = p.gravity_m_s2 * (
                p.lever_mass_kg * p.lever_centre_m + at_load * p.load_arm_m
            )
        if self.supported:
            self._moment = 0.0
        k1 = p.spring_rate_push_N_m * self.spring_factor
        k2 = p.spring_rate_pull_N_m * self.spring_factor
        # The two compressions sum to twice the preload and balance at rest.
        total = k1 + k2
        c1 = 2 * p.spring_preload_m * k2 / total if total else 0.0
        c2 = 2 * p.spring_preload_m * k1 / total if total else 0.0
        self._springs = (k1, k2, c1, c2)
        internal = p.spring_hysteresis > 0 or p.spring_guide_friction_N > 0
        # Presliding ten times stiffer than the springs: microns to the full loop.
        self._presliding_N_m = 10.0 * max(total, 1e4) if internal else 0.0

    def _place(self) -> None:
        """Set the start at rest: on the lower end with slack springs, or held by the springs."""
        p = self.parameters
        x = p.initial_output_m
        load = self.load_N(max(x, 0.0))
        deflection = 0.0
        if x <= 0.0:
            x = -max(load, 0.0) / p.end_stop_stiffness_N_m
        elif load:
            low, high = -2 * p.spring_solid_m, 2 * p.spring_solid_m
            for _ in range(80):
                deflection = 0.5 * (low + high)
                if self.spring_law(deflection) < load:
                    low = deflection
                else:
                    high = deflection
            deflection += math.copysign(0.5 * p.backlash_m, load)
        self.coordinate = self._coordinate_at(x)
        self.nut_position_m = x + deflection
