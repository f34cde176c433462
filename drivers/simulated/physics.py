"""Motor, screw, springs, lever, weights and supply, integrated in substeps of 250 µs at most.

Two bodies: the nut (with rotor and screw reflected to it) and the output (lever, pan and
weights, in the lever's angle; or the carriage). Between them the springs. Each substep
drifts half a step, kicks once and drifts again (leapfrog, symplectic for the springs, so
that energy does not grow). Viscous terms are taken at the mean speed; dry friction is solved
as the set-valued law it is (Moreau's time stepping: either the impulse stops the body and it
sticks, or it slips against full friction), which neither creeps nor chatters.
"""

from __future__ import annotations

import enum
import math
from math import cos, exp, expm1, sin, sqrt

from drivers.simulated.parameters import RigParameters
from drivers.simulated.rig_state import RigState
from drivers.simulated.screw_friction import local_friction
from drivers.simulated.turning_hand import TurningHand
from drivers.simulated.warming import warm

LONGEST_SUBSTEP_S = 250e-6
SHORTEST_SUBSTEP_S = 10e-6
IMMOVABLE_N = 1e12
LOWERED_M_S, LOWERED_S = 0.010, 1.5  # a hand that lowers a load
DISCHARGE_S = 0.04  # of the link through its resistor, once parted from the supply; invented


class Winding(enum.IntEnum):
    """State of the windings at the power stage."""

    OPEN = 0  # only the diodes of the bridge may carry current
    DRIVEN = 1
    SHORTED = 2


class RigPhysics(RigState):
    """One rig in motion: see :class:`~drivers.simulated.rig_state.RigState` for its state."""

    def __init__(self, parameters: RigParameters) -> None:
        super().__init__(parameters)
        self._substep_s = 0.0
        self._local_friction = local_friction(parameters)
        self._turning: TurningHand | None = None
        self._lowering_N_s_m, self._lowered_at_s = 0.0, math.inf
        self._rebuild()

    # -- what environment do ----------------------------------------------------------

    def hang(self, mass_kg: float) -> None:
        """Hang this mass in place of what hung; mass added at rest takes momentum."""
        before = self.output_inertia
        self.hung_mass_kg = mass_kg
        self._rebuild()
        if self.output_inertia > before:
            self.coordinate_rate *= before / self.output_inertia

    def push(self, force_N: float, frequency_Hz: float, duration_s: float) -> None:
        """Hand at the load point, square to the lever; + in the sense of extension."""
        end = self.time_s + duration_s if duration_s > 0 else math.inf
        self._hand = (force_N, 2 * math.pi * frequency_Hz, self.time_s, end)

    def turn(self, distance_m: float, speed_m_s: float, most_N: float) -> None:
        """A hand at the screw moves the nut so far and lets go; 0 m lets go at once."""
        self._turning = TurningHand(
            self.nut_position_m, distance_m, speed_m_s, most_N, self.nut_mass_kg
        )

    @property
    def turning(self) -> bool:
        """A hand is at the screw."""
        return self._turning is not None and not self._turning.done

    def support(self, supported: bool) -> None:
        """A stand under lever and weights; taken away it is lowered by hand, at 10 mm/s at most."""
        lowering = self.supported and not supported
        self.supported = supported
        self._weigh()
        load = abs(self.load_N(self.output_position_m)) if lowering else 0.0
        self._lowering_N_s_m = load / LOWERED_M_S
        self._lowered_at_s = self.time_s + LOWERED_S if lowering else math.inf
        self._rebuild()

    def align(self) -> None:
        """The drive finds the rotor's angle anew, where it stands."""
        self.aligned_m = self.nut_position_m
        self._rebuild()

    def rebuild(self) -> None:
        """Take over changed factors (springs, friction, jam, block, support, supply)."""
        self._rebuild()

    # -- integration -------------------------------------------------------------------

    def advance(self, dt_s: float, asked_A: float, winding: Winding) -> None:
        """Integrate over ``dt_s`` with one asked current and winding state."""
        if dt_s <= 0.0:
            return
        count = math.ceil(dt_s / self._longest_s - 1e-9) or 1
        h = dt_s / count
        if h != self._substep_s:
            self._set_substep(h)
        (
            h2,
            mn,
            kt,
            resistance,
            inductance_2h,
            decay,
            mean,
            decay_lr,
            mean_lr,
            half_backlash,
            k1,
            k2,
            c1,
            c2,
            solid,
            ks,
            sigma,
            hysteresis,
            guide,
            cs,
            coulomb,
            stribeck_N,
            per_stribeck,
            stribeck_end,
            loss_forward,
            loss_backward,
            bn,
            local,
            uneven,
            ripple,
            ripple_per_m,
            field,
            field_per_m,
            aligned,
            kind,
            level,
            arm,
            mq,
            moment,
            bo,
            friction_q,
            stroke,
            ke,
            ce,
            hand_arm,
            source_R,
            decay_rc,
            takes,
            per_c,
            idle,
            bleed,
        ) = self._constants
        xn = self.nut_position_m
        vn = self.nut_velocity_m_s
        q = self.coordinate
        w = self.coordinate_rate
        i = self.current_A
        link = self.link_V
        source = self.source_V
        slip = self._slip_m
        last_d = self._last_deflection
        time = self.time_s
        amplitude, pulsation, hand_start, hand_end = self._hand
        motor_work = hand_work = source_work = heat = 0.0
        jac = arm
        push = struck = turn = 0.0
        if self._turning is not None:
            turn = self._turn(dt_s, winding)
        if time > self._lowered_at_s:
            self._lowering_N_s_m, self._lowered_at_s = 0.0, math.inf
            self._set_substep(h)
        kt_n = kt
        for _ in range(count):
            v0 = vn
            w0 = w
            xn += h2 * vn
            q += h2 * w
            # geometry: rod position, rod per coordinate, weight
            if kind == 1:  # sector
                x = level + arm * q
                weight = moment * cos(q)
            elif kind == 0:  # linear
                x = q
                weight = moment
            else:  # pin
                jac = arm * cos(q)
                x = level + arm * sin(q)
                weight = moment * jac / arm
            vo = w * jac
            # springs
            d = xn - x
            rate = vn - vo
            if half_backlash:
                if d > half_backlash:
                    d -= half_backlash
                elif d < -half_backlash:
                    d += half_backlash
                else:
                    d = rate = 0.0
            e1 = c1 + d
            e2 = c2 - d
            f = k1 * e1 if e1 > 0.0 else 0.0
            if e2 > 0.0:
                f -= k2 * e2
            if d > solid:
                f += ks * (d - solid)
            elif d < -solid:
                f += ks * (d + solid)
            if sigma:
                slip += d - last_d
                last_d = d
                most = (hysteresis * (f if f > 0.0 else -f) + guide) / sigma
                if slip > most:
                    slip = most
                elif slip < -most:
                    slip = -most
                f += sigma * slip
            f += cs * rate
            rod = f
            # motor current: loop lag, and what the link voltage can force through R and L
            if uneven:
                kt_n = kt * (1.0 + ripple * cos(ripple_per_m * xn))
                if field:
                    kt_n *= field * cos(field_per_m * (xn - aligned))
            emf = kt_n * vn
            # (im is the exact mean of the exponential over the substep)
            if winding == 2:
                settled = -emf / resistance
                i1 = settled + (i - settled) * decay_lr
                im = settled + (i - settled) * mean_lr
            else:
                aim = asked_A if winding else 0.0
                i1 = aim + (i - aim) * decay
                im = aim + (i - aim) * mean
                settled = (link - emf) / resistance
                bound = settled + (i - settled) * decay_lr
                if i1 > bound:
                    i1 = bound
                    im = settled + (i - settled) * mean_lr
                else:
                    settled = (-link - emf) / resistance
                    bound = settled + (i - settled) * decay_lr
                    if i1 < bound:
                        i1 = bound
                        im = settled + (i - settled) * mean_lr
            drive = kt_n * im
            # nut: screw loss depends on the direction of power, so on sign of load and motion
            friction = coulomb
            if -stribeck_end < vn < stribeck_end:
                part = vn * per_stribeck
                friction += stribeck_N * exp(-part * part)
            if local is not None:
                friction += local(xn)
            if f >= 0.0:
                resist_up = friction + f * loss_forward
                resist_down = friction + f * loss_backward
            else:
                resist_up = friction - f * loss_backward
                resist_down = friction - f * loss_forward
            impulse = (mn - bn * h2) * vn + h * (drive - f + turn)
            if impulse > h * resist_up:
                vn = (impulse - h * resist_up) / (mn + bn * h2)
            elif impulse < -h * resist_down:
                vn = (impulse + h * resist_down) / (mn + bn * h2)
            else:
                vn = 0.0
            # output
            damping = bo
            if x < 0.0:
                if -vo > struck:
                    struck = -vo
                if ke * x + ce * vo < 0.0:
                    f -= ke * x
                    damping += ce
            elif x > stroke:
                if vo > struck:
                    struck = vo
                over = x - stroke
                if ke * over + ce * vo > 0.0:
                    f -= ke * over
                    damping += ce
            force = f * jac - weight
            if amplitude:
                if time >= hand_end:
                    amplitude = push = 0.0
                else:
                    push = amplitude * hand_arm
                    if pulsation:
                        push *= sin(pulsation * (time + h2 - hand_start))
                    force += push
            damping *= jac * jac * h2
            impulse = (mq - damping) * w + h * force
            if impulse > h * friction_q:
                w = (impulse - h * friction_q) / (mq + damping)
            elif impulse < -h * friction_q:
                w = (impulse + h * friction_q) / (mq + damping)
            else:
                w = 0.0
            xn += h2 * vn
            q += h2 * w
            # energy, and what the supply gives or takes
            moved = h2 * (v0 + vn)
            motor_work += drive * moved
            hand_work += push * h2 * (w0 + w)
            square = im * im
            heat += square
            drawn = idle
            if winding != 2:
                drawn += resistance * square + drive * moved / h + inductance_2h * (i1 * i1 - i * i)
            i = i1
            taken = drawn / link
            if takes or link < source:
                settled = source - source_R * taken
                after = settled + (link - settled) * decay_rc
                source_work += source * (taken * h + (after - link) / per_c)
            else:
                after = link * link * bleed - 2.0 * drawn * h * per_c
                after = sqrt(after) if after > 1.0 else 1.0
            link = after if after > 1.0 else 1.0
            time += h
        if turn:
            hand_work += turn * (xn - self.nut_position_m)
        if rod < 0.0:
            rod = -rod
        if rod > self.peak_driven_force_N:
            if winding == 1:
                self.peak_driven_force_N = rod
            if rod > self.peak_spring_force_N:
                self.peak_spring_force_N = rod
        speed = vn if vn > 0.0 else -vn
        if speed > self.peak_speed_m_s:
            self.peak_speed_m_s = speed
        if struck > self.peak_end_speed_m_s:
            self.peak_end_speed_m_s = struck
        self.nut_position_m = xn
        self.nut_velocity_m_s = vn
        self.coordinate = q
        self.coordinate_rate = w
        self.current_A = i
        self.link_V = link
        self._slip_m = slip
        self._last_deflection = last_d
        self.time_s = time
        self.motor_work_J += motor_work
        self.hand_work_J += hand_work
        self.source_work_J += source_work
        warm(self, heat / count * self._per_continuous_square, dt_s)
        # The winding's resistance follows its temperature, slowly: no need each advance.
        if abs(self.winding_mean_K - self._resistance_at_K) > 1.0:
            self._set_substep(h)

    # -- inside ------------------------------------------------------------------------

    def _turn(self, dt_s: float, winding: Winding) -> float:
        hand = self._turning
        # Nobody holds a screw that the motor may turn.
        if hand is None or hand.done or winding is Winding.DRIVEN:
            self._turning = None
            return 0.0
        return hand.force_N(self.nut_position_m, self.nut_velocity_m_s, dt_s)

    def _field(self) -> tuple[float, float]:
        """(sign, electrical radians of error per radian of shaft) of the drive's field.

        See ``drivers.simulated.injected_faults``; (0, 0) if the field is always where it should be.
        """
        p = self.parameters
        seen = p.encoder_sign * p.encoder_scale if p.commutation_by_encoder else 1.0
        drives = (p.drive_pole_pairs or p.pole_pairs) * seen
        error = drives + p.pole_pairs if p.phases_swapped else drives - p.pole_pairs
        sign = -1.0 if p.phases_swapped else 1.0
        return (sign, error) if error or sign < 0.0 else (0.0, 0.0)

    def _rebuild(self) -> None:
        """All that depends on weights and factors; the longest substep the stiffest part bears."""
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
        """Constants of the inner loop for a substep length, in the loop's own order."""
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
        self._constants = (
            0.5 * h,
            self.nut_mass_kg,
            p.torque_constant_N_m_A * per_m * (1.0 if error else cos(offset)),
            resistance,
            0.5 * p.winding_inductance_H / h,
            exp(-loop),
            -expm1(-loop) / loop,
            exp(-electric),
            -expm1(-electric) / electric,
            0.5 * p.backlash_m,
            k1,
            k2,
            c1,
            c2,
            p.spring_solid_m,
            p.spring_solid_stiffness_N_m,
            self._presliding_N_m,
            p.spring_hysteresis,
            p.spring_guide_friction_N,
            p.spring_damping_N_s_m,
            IMMOVABLE_N if self.jammed else p.friction_coulomb_N_m * size * self.friction_factor,
            (breakaway - p.friction_coulomb_N_m) * size * self.friction_factor,
            1.0 / p.friction_stribeck_m_s,
            4.0 * p.friction_stribeck_m_s,
            1.0 / p.screw_efficiency_forward - 1.0,
            1.0 - p.screw_efficiency_backward,
            p.friction_viscous_N_m_s * size**2,
            self._local_friction,
            bool(p.torque_ripple or field),
            p.torque_ripple,
            6.0 * p.pole_pairs * per_m,
            field,
            error * per_m,
            self.aligned_m - (offset / (error * per_m) if error else 0.0),
            {"linear": 0, "lever_sector": 1, "lever_pin": 2}[p.rig],
            p.level_position_m,
            1.0 if linear else p.rod_arm_m,
            self.output_inertia,
            self._moment,
            p.output_damping_N_s_m + self._lowering_N_s_m,
            IMMOVABLE_N if self.blocked else friction_q,
            p.stroke_m,
            p.end_stop_stiffness_N_m,
            p.end_stop_damping_N_s_m,
            1.0 if linear else p.load_arm_m,
            p.supply_resistance_ohm,
            exp(-h / rc) if rc else 0.0,
            p.supply_takes_regeneration and not self.disconnected,
            1.0 / p.link_capacitance_F,
            # Parted from its supply, the link discharges itself; the logic is fed elsewhere.
            0.0 if self.disconnected else p.drive_idle_W,
            exp(-2.0 * h / DISCHARGE_S) if self.disconnected else 1.0,
        )
