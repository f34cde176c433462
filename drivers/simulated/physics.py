"""Motor, screw, springs, lever, weights and supply, integrated in substeps of 250 µs at most.

Two bodies: the nut (with rotor and screw reflected to it) and the output (lever, pan and
weights, in the lever's angle; or the carriage). The springs lie between them. Each substep drifts
half a step, kicks once and drifts again (leapfrog, symplectic for the springs, so that energy does
not grow). Viscous terms are taken at the mean speed; dry friction is solved as a set-valued law
(Moreau's time stepping: either the impulse stops the body and it sticks, or it slips against full
friction), which neither creeps nor chatters.
"""

from __future__ import annotations

import enum
import math
from math import cos, exp, sin, sqrt
from typing import Final

from drivers.simulated.parameters import RigParameters
from drivers.simulated.stepped_rig import SteppedRig
from drivers.simulated.turning_hand import TurningHand
from drivers.simulated.warming import warm

# Of a load lowered by hand.
LOWERED_M_S: Final = 0.010
LOWERED_S: Final = 1.5


class Winding(enum.IntEnum):
    """State of the windings at the power stage."""

    OPEN = 0  # only the diodes of the bridge can conduct
    DRIVEN = 1
    SHORTED = 2


class RigPhysics(SteppedRig):
    """One rig in motion: see :class:`~drivers.simulated.rig_state.RigState` for its state."""

    def __init__(self, parameters: RigParameters) -> None:
        super().__init__(parameters)
        self._turning: TurningHand | None = None
        self._lowered_at_s = math.inf

    # -- actions of the environment ----------------------------------------------------------

    def hang(self, mass_kg: float) -> None:
        """Hang this mass instead of the present one; mass added at rest takes momentum."""
        before = self.output_inertia
        self.hung_mass_kg = mass_kg
        self._rebuild()
        if self.output_inertia > before:
            self.coordinate_rate *= before / self.output_inertia

    def drop(self, mass_kg: float, speed_m_s: float) -> None:
        """Let a falling mass land at the load point instead of the present one, and stay on it.

        Momentum is conserved: the impact is without rebound.
        """
        p = self.parameters
        self.hang(0.0)
        before = self.output_inertia * self.coordinate_rate
        if p.rig == "linear":
            falls = mass_kg * speed_m_s if p.linear_vertical else 0.0
        else:
            falls = mass_kg * speed_m_s * p.load_arm_m * cos(self.coordinate)
        self.hang(mass_kg)
        self.coordinate_rate = (before - falls) / self.output_inertia

    def push(self, force_N: float, frequency_Hz: float, duration_s: float) -> None:
        """Push by hand at the load point, perpendicular to the lever; + in extension."""
        end = self.time_s + duration_s if duration_s > 0 else math.inf
        self._hand = (force_N, 2 * math.pi * frequency_Hz, self.time_s, end)

    def turn(self, distance_m: float, speed_m_s: float, most_N: float) -> None:
        """Move the nut by a hand at the screw, then release; 0 m releases at once."""
        self._turning = TurningHand(
            self.nut_position_m, distance_m, speed_m_s, most_N, self.nut_mass_kg
        )

    @property
    def turning(self) -> bool:
        """True if a hand is at the screw."""
        return self._turning is not None and not self._turning.done

    def support(self, supported: bool) -> None:
        """Put a stand under lever and weights, or lower it by hand, at 10 mm/s at most."""
        lowering = self.supported and not supported
        self.supported = supported
        self._weigh()
        load = abs(self.load_N(self.output_position_m)) if lowering else 0.0
        self._lowering_N_s_m = load / LOWERED_M_S
        self._lowered_at_s = self.time_s + LOWERED_S if lowering else math.inf
        self._rebuild()

    def align(self) -> None:
        """Align the drive's rotor angle at the present position."""
        self.aligned_m = self.nut_position_m
        self._rebuild()

    def rebuild(self) -> None:
        """Apply changed factors (springs, friction, jam, block, support, supply)."""
        self._rebuild()

    # -- integration -------------------------------------------------------------------

    def advance(self, dt_s: float, setpoint_A: float, winding: Winding) -> None:
        """Integrate over ``dt_s`` with one commanded current and winding state."""
        if dt_s <= 0.0:
            return
        count = math.ceil(dt_s / self._longest_s - 1e-9) or 1
        step = dt_s / count
        if step != self._substep_s:
            self._set_substep(step)
        (
            half_step,
            nut_mass,
            force_per_A,
            resistance,
            inductance_2h,
            loop_decay,
            loop_mean,
            winding_decay,
            winding_mean,
            half_backlash,
            rate_1,
            rate_2,
            preload_1,
            preload_2,
            solid_deflection,
            solid_rate,
            presliding,
            hysteresis,
            guide_friction,
            spring_damping,
            coulomb_N,
            stribeck_N,
            per_stribeck,
            stribeck_end,
            loss_forward,
            loss_backward,
            nut_damping,
            local_friction,
            uneven,
            ripple,
            ripple_per_m,
            field_sign,
            field_per_m,
            aligned,
            geometry,
            level_position,
            rod_arm,
            output_inertia,
            moment,
            output_damping,
            output_friction,
            stroke,
            end_rate,
            end_damping,
            hand_arm,
            source_resistance,
            supply_decay,
            takes_regeneration,
            per_capacitance,
            idle_W,
            bleed,
        ) = self._constants
        nut = self.nut_position_m
        nut_speed = self.nut_velocity_m_s
        coordinate = self.coordinate
        rate_of_coordinate = self.coordinate_rate
        current = self.current_A
        link = self.link_V
        source = self.source_V
        slipped = self._slip_m
        last_deflection = self._last_deflection
        time = self.time_s
        amplitude, pulsation, hand_start, hand_end = self._hand
        motor_work = hand_work = source_work = heat = charge = work = 0.0
        rod_per_coordinate = rod_arm
        push = struck = turn = 0.0
        if self._turning is not None:
            turn = self._turn(dt_s, winding)
        if time > self._lowered_at_s:
            self._lowering_N_s_m, self._lowered_at_s = 0.0, math.inf
            self._set_substep(step)
        force_per_A_here = force_per_A
        for _ in range(count):
            nut_speed_before = nut_speed
            rate_before = rate_of_coordinate
            nut += half_step * nut_speed
            coordinate += half_step * rate_of_coordinate
            # geometry: rod position, rod per coordinate, weight
            if geometry == 1:  # sector
                output = level_position + rod_arm * coordinate
                weight = moment * cos(coordinate)
            elif geometry == 0:  # linear
                output = coordinate
                weight = moment
            else:  # pin
                rod_per_coordinate = rod_arm * cos(coordinate)
                output = level_position + rod_arm * sin(coordinate)
                weight = moment * rod_per_coordinate / rod_arm
            output_speed = rate_of_coordinate * rod_per_coordinate
            # springs
            deflection = nut - output
            deflection_rate = nut_speed - output_speed
            if half_backlash:
                if deflection > half_backlash:
                    deflection -= half_backlash
                elif deflection < -half_backlash:
                    deflection += half_backlash
                else:
                    deflection = deflection_rate = 0.0
            pressed_1 = preload_1 + deflection
            pressed_2 = preload_2 - deflection
            spring = rate_1 * pressed_1 if pressed_1 > 0.0 else 0.0
            if pressed_2 > 0.0:
                spring -= rate_2 * pressed_2
            if deflection > solid_deflection:
                spring += solid_rate * (deflection - solid_deflection)
            elif deflection < -solid_deflection:
                spring += solid_rate * (deflection + solid_deflection)
            if presliding:
                slipped += deflection - last_deflection
                last_deflection = deflection
                most_slip = (
                    hysteresis * (spring if spring > 0.0 else -spring) + guide_friction
                ) / presliding
                if slipped > most_slip:
                    slipped = most_slip
                elif slipped < -most_slip:
                    slipped = -most_slip
                spring += presliding * slipped
            spring += spring_damping * deflection_rate
            rod = spring
            # motor current: loop lag, bounded by the link voltage over R and L
            if uneven:
                force_per_A_here = force_per_A * (1.0 + ripple * cos(ripple_per_m * nut))
                if field_sign:
                    force_per_A_here *= field_sign * cos(field_per_m * (nut - aligned))
            emf = force_per_A_here * nut_speed
            # (the mean current is the exact mean of the exponential over the substep)
            if winding == 2:
                settled = -emf / resistance
                next_current = settled + (current - settled) * winding_decay
                mean_current = settled + (current - settled) * winding_mean
            else:
                aim = setpoint_A if winding else 0.0
                next_current = aim + (current - aim) * loop_decay
                mean_current = aim + (current - aim) * loop_mean
                settled = (link - emf) / resistance
                bound = settled + (current - settled) * winding_decay
                if next_current > bound:
                    next_current = bound
                    mean_current = settled + (current - settled) * winding_mean
                else:
                    settled = (-link - emf) / resistance
                    bound = settled + (current - settled) * winding_decay
                    if next_current < bound:
                        next_current = bound
                        mean_current = settled + (current - settled) * winding_mean
            drive = force_per_A_here * mean_current
            # nut: screw loss depends on the direction of power, so on sign of load and motion
            friction = coulomb_N
            if -stribeck_end < nut_speed < stribeck_end:
                part = nut_speed * per_stribeck
                friction += stribeck_N * exp(-part * part)
            if local_friction is not None:
                friction += local_friction(nut)
            if spring >= 0.0:
                resist_up = friction + spring * loss_forward
                resist_down = friction + spring * loss_backward
            else:
                resist_up = friction - spring * loss_backward
                resist_down = friction - spring * loss_forward
            impulse = (nut_mass - nut_damping * half_step) * nut_speed + step * (
                drive - spring + turn
            )
            if impulse > step * resist_up:
                nut_speed = (impulse - step * resist_up) / (nut_mass + nut_damping * half_step)
            elif impulse < -step * resist_down:
                nut_speed = (impulse + step * resist_down) / (nut_mass + nut_damping * half_step)
            else:
                nut_speed = 0.0
            # output
            damping = output_damping
            if output < 0.0:
                if -output_speed > struck:
                    struck = -output_speed
                if end_rate * output + end_damping * output_speed < 0.0:
                    spring -= end_rate * output
                    damping += end_damping
            elif output > stroke:
                if output_speed > struck:
                    struck = output_speed
                over = output - stroke
                if end_rate * over + end_damping * output_speed > 0.0:
                    spring -= end_rate * over
                    damping += end_damping
            force = spring * rod_per_coordinate - weight
            if amplitude:
                if time >= hand_end:
                    amplitude = push = 0.0
                else:
                    push = amplitude * hand_arm
                    if pulsation:
                        push *= sin(pulsation * (time + half_step - hand_start))
                    force += push
            damping *= rod_per_coordinate * rod_per_coordinate * half_step
            impulse = (output_inertia - damping) * rate_of_coordinate + step * force
            if impulse > step * output_friction:
                rate_of_coordinate = (impulse - step * output_friction) / (output_inertia + damping)
            elif impulse < -step * output_friction:
                rate_of_coordinate = (impulse + step * output_friction) / (output_inertia + damping)
            else:
                rate_of_coordinate = 0.0
            nut += half_step * nut_speed
            coordinate += half_step * rate_of_coordinate
            # energy, and supply power in or out
            moved = half_step * (nut_speed_before + nut_speed)
            motor_work += drive * moved
            hand_work += push * half_step * (rate_before + rate_of_coordinate)
            current_square = mean_current * mean_current
            heat += current_square
            drawn = idle_W
            if winding != 2:
                drawn += (
                    resistance * current_square
                    + drive * moved / step
                    + inductance_2h * (next_current * next_current - current * current)
                )
            current = next_current
            taken = drawn / link
            charge += taken
            work += drawn
            if takes_regeneration or link < source:
                settled = source - source_resistance * taken
                after = settled + (link - settled) * supply_decay
                source_work += source * (taken * step + (after - link) / per_capacitance)
            else:
                after = link * link * bleed - 2.0 * drawn * step * per_capacitance
                after = sqrt(after) if after > 1.0 else 1.0
            link = after if after > 1.0 else 1.0
            time += step
        if turn:
            hand_work += turn * (nut - self.nut_position_m)
        if rod < 0.0:
            rod = -rod
        if rod > self.peak_driven_force_N:
            if winding == 1:
                self.peak_driven_force_N = rod
            if rod > self.peak_spring_force_N:
                self.peak_spring_force_N = rod
        speed = nut_speed if nut_speed > 0.0 else -nut_speed
        if speed > self.peak_speed_m_s:
            self.peak_speed_m_s = speed
        if struck > self.peak_end_speed_m_s:
            self.peak_end_speed_m_s = struck
        self.nut_position_m = nut
        self.nut_velocity_m_s = nut_speed
        self.coordinate = coordinate
        self.coordinate_rate = rate_of_coordinate
        self.current_A = current
        self.link_V = link
        self._slip_m = slipped
        self._last_deflection = last_deflection
        self.time_s = time
        self.motor_work_J += motor_work
        self.hand_work_J += hand_work
        self.source_work_J += source_work
        self.drawn_C += charge * step
        self.drawn_J += work * step
        warm(self, heat / count * self._per_continuous_square, dt_s)
        # The winding's resistance follows its temperature slowly: not needed in each advance.
        if abs(self.winding_mean_K - self._resistance_at_K) > 1.0:
            self._set_substep(step)

    # -- inside ------------------------------------------------------------------------

    def _turn(self, dt_s: float, winding: Winding) -> float:
        hand = self._turning
        # The hand releases a screw that the motor may turn.
        if hand is None or hand.done or winding is Winding.DRIVEN:
            self._turning = None
            return 0.0
        return hand.force_N(self.nut_position_m, self.nut_velocity_m_s, dt_s)
