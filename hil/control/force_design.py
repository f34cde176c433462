"""Gains of the force law from the profile's physics, and the predicted closed loop.

The law (``hil.control.force_controller``) carries the spring force and places the poles of the rest,
δ'' = ω²·(δ_d − δ) − 2ζω·δ', so that one set of gains serves both slopes of the spring
(feedback linearisation; Khalil, Nonlinear Systems, 3rd ed., chapter 13). ω is solved so that
the discrete model with delay, hold, current lag, observer and integral action
(``hil.control.force_model``) has the required bandwidth, against the friction that the feed-forward
leaves (``hil.control.dry_friction``). Margins are those of the loop broken at the
plant's input, without dry friction, which only adds to them. If the required margin is not
kept, integral action is slowed first, then ω is reduced.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from hil.control.bound_at import bound_at
from hil.control.bracketed_root import bracketed_root
from hil.control.calibration import ForceCalibration, passive_bounds
from hil.control.dry_friction import at_half_power, bandwidth_Hz, left_over_N, sine_N
from hil.control.force_model import LawGains, Loop, Plant, law_gains
from hil.control.observer_gains import ObserverGains, observer_gains
from hil.control.rig_model import moved_mass
from hil.profile import Profile, TwoSlopes

INTEGRAL_SHARES = (0.25, 0.15, 0.1, 0.05)  # of ω, in order of preference
MOST_OVERSHOOT = 0.05  # beyond this the reference is smoothed
# Corners tried for it, as multiples of the required bandwidth.
SMOOTHINGS = (math.inf, 6.0, 4.0, 3.0, 2.0, 1.5, 1.0, 0.7, 0.5, 0.35, 0.25, 0.18, 0.12)
HIGHEST = 0.6 / 2  # of 1/period, rad/s per cycle: beyond it the model is meaningless
SEARCH = 16  # values of ω tried, from high to low
ROUNDS = 8
STEP_S = 0.6
DAMPING_GRID = (0.0, 0.25, 0.5, 0.75, 0.9, 1.0)  # of the stiffest virtual spring
DAMPING_SHARE = 0.6  # of the damping at which the model becomes unstable
BOUND_ROUNDS = 9
DEAD_COUNTS = 1.0  # see ``dead_zone_m``


@dataclass(frozen=True)
class Prediction:
    """Closed loop with the output blocked, from the discrete model, on the stiffest slope.

    Attributes:
        bandwidth_Hz: −3 dB of desired to actual force, for sines of ``control.bandwidth_amplitude``
            against the friction that the feed-forward leaves.
        phase_margin_deg, gain_margin: smallest over the spring's slopes, at the plant input.
        overshoot: overshoot of a step, as a share of it.
        steady_error_N: largest lasting error that the law tolerates: dead zone and one count.
        torque_ripple_N_m: standard deviation of the commanded torque due to sensor noise at rest.
        force_noise_N: that of the spring force, on the slope at rest.
    """

    bandwidth_Hz: float
    phase_margin_deg: float
    gain_margin: float
    overshoot: float
    steady_error_N: float
    torque_ripple_N_m: float
    force_noise_N: float = 0.0


@dataclass(frozen=True)
class ForceGains:
    """Result of the design. ``notice`` is not empty if the required bandwidth was reduced.

    ``lead_s`` is the lag of the force behind its setpoint. A virtual spring must look that
    far ahead: force rendered late feeds energy into the output. ``most_stiffness_N_m`` is the
    largest that it renders on the rig's lightest output, up to the passive bound;
    ``damping_bounds``: (virtual stiffness in N/m, largest virtual damping in N·s/m), rising.
    """

    natural_rad_s: float
    damping_ratio: float
    plant: Plant
    law: LawGains
    predictor: bool
    lead_s: float
    predicted: Prediction
    notice: str = ""
    damping_bounds: tuple[tuple[float, float], ...] = ()
    most_stiffness_N_m: float = math.inf

    def most_damping(self, stiffness_N_m: float) -> float:
        """Return the largest virtual damping in N·s/m next to a virtual stiffness; infinite if unknown."""
        if not self.damping_bounds:
            return math.inf
        return bound_at(stiffness_N_m, self.damping_bounds)


@dataclass(frozen=True)
class ForceSpecification:
    """Specification of the force loop, and its conditions besides the plant.

    Attributes:
        bandwidth_Hz: required −3 dB of desired to actual force, output blocked.
        margin_deg: smallest phase margin at the plant input.
        damping_ratio: damping ratio of the closed-loop poles.
        predictor: the law predicts the state over the delay.
        deflection_noise_m, position_noise_m: standard deviations of one reading.
        lasting_m: error in deflection that the law tolerates.
        torque_per_N: motor torque for a newton at the nut, N·m/N.
        friction_N: left by the feed-forward, met by sines of ``amplitude_N``.
    """

    bandwidth_Hz: float
    margin_deg: float
    damping_ratio: float
    predictor: bool
    deflection_noise_m: float = 0.0
    position_noise_m: float = 0.0
    lasting_m: float = 0.0
    torque_per_N: float = 1.0
    friction_N: float = 0.0
    amplitude_N: float = 1.0


def deflection_noise_m(profile: Profile) -> float:
    """Return the standard deviation of one reading of the deflection: noise, and one count."""
    counts = abs(profile.calibration.deflection_per_count)
    return counts * math.sqrt(profile.sensors.deflection.noise**2 + 1 / 12)


def dead_zone_m(profile: Profile) -> float:
    """Return the error in deflection, in m, that does not act at rest.

    It is noise; acting on it would hunt in stiction forever.
    """
    count = abs(profile.calibration.deflection_per_count)
    return max(DEAD_COUNTS, 0.5 * profile.sensors.deflection.noise) * count


def plants(profile: Profile, period_s: float, delay_s: float) -> list[Plant]:
    """Return the blocked plant on each slope of the spring law, the one at rest first."""
    actuator = profile.actuator
    law = profile.calibration.spring_law
    if isinstance(law, TwoSlopes):
        slopes = [law.inner_rate, law.outer_rate]
    else:
        calibration = ForceCalibration(profile.calibration, profile.sensors.deflection)
        most = profile.limits.deflection.limited
        found = [calibration.stiffness(most * i / 10) for i in range(-10, 11)]
        slopes = [calibration.stiffness(0.0), min(found), max(found)]
    viscous = actuator.friction.viscous * actuator.radians_per_metre**2
    return [
        Plant(
            actuator.reflected_mass,
            viscous,
            max(slope, 1.0),
            period_s,
            delay_s,
            profile.control.current_loop_lag,
        )
        for slope in dict.fromkeys(slopes)
    ]


def design(profile: Profile, period_s: float, delay_s: float) -> ForceGains:
    """Solve ω for ``control.force_bandwidth``; keep ``control.phase_margin`` if ω must be reduced.

    Args:
        period_s: period of the cycle. delay_s: delay from a sample to the moment its command acts.
    """
    choices, observer = plants(profile, period_s, delay_s), observer_gains(profile, period_s)
    gains = design_for_plants(choices, observer, specification_of(profile))
    return with_bounds(profile, choices, observer, gains)


def specification_of(profile: Profile) -> ForceSpecification:
    """Return what a profile requires of its force loop."""
    control, sensors = profile.control, profile.sensors
    counts = abs(profile.calibration.deflection_per_count)
    resolution = profile.actuator.transmission.lead / sensors.motor.counts_per_revolution
    return ForceSpecification(
        bandwidth_Hz=control.force_bandwidth,
        margin_deg=control.phase_margin,
        damping_ratio=control.damping_ratio,
        predictor=control.predictor,
        deflection_noise_m=deflection_noise_m(profile),
        position_noise_m=resolution / math.sqrt(12),
        lasting_m=dead_zone_m(profile) + counts,
        torque_per_N=1 / profile.actuator.radians_per_metre,
        friction_N=left_over_N(profile),
        amplitude_N=sine_N(profile)[1],
    )


def with_bounds(
    profile: Profile, choices: list[Plant], observer: ObserverGains, gains: ForceGains
) -> ForceGains:
    """Return the gains with the virtual stiffness and damping tolerated on the lightest output.

    Below the passive bound a spring is passive without delay, not a cycle later; and damping
    needs the velocity without delay: late, it shakes what it should calm.
    """
    lightest = moved_mass(profile)[0]
    fraction = profile.control.passive_fraction
    plain = [
        Loop(replace(plant, output_mass=lightest), gains.law, observer, lead_s=gains.lead_s)
        for plant in choices
    ]

    def stable(stiffness: float, damping: float) -> bool:
        # Beyond the knee a virtual spring continues with what is passive there.
        return all(
            replace(
                loop,
                virtual_stiffness=min(stiffness, fraction * loop.plant.stiffness),
                virtual_damping=damping,
            ).stable
            for loop in plain
        )

    most = passive_bounds(profile)[0]
    stiffest = highest(lambda stiffness: stable(stiffness, 0.0), most)
    bounds = []
    for share in DAMPING_GRID:
        stiffness = share * stiffest
        damping = highest(partial(stable, stiffness), 20 * lightest / gains.lead_s)
        bounds.append((stiffness, DAMPING_SHARE * damping))
    return replace(gains, damping_bounds=tuple(bounds), most_stiffness_N_m=stiffest)


def highest(good: Callable[[float], bool], most: float) -> float:
    """Return the highest value up to ``most`` that is ``good``, as all below it are."""
    if good(most):
        return most
    low, high = 0.0, most
    for _ in range(BOUND_ROUNDS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if good(middle) else (low, middle)
    return low


def design_for_plants(
    choices: list[Plant], observer: ObserverGains, specification: ForceSpecification
) -> ForceGains:
    """Return the gains for plants given directly: one per slope, differing in stiffness only."""
    task = _Task(choices, observer, specification)
    wanted_Hz, margin_deg = specification.bandwidth_Hz, specification.margin_deg
    for ratio in SMOOTHINGS:
        shaping = task.smoothing(ratio)
        natural = task.solved(INTEGRAL_SHARES[0], shaping)
        if task.overshoot(natural, shaping) <= MOST_OVERSHOOT:
            break
    share = INTEGRAL_SHARES[-1]
    for candidate in INTEGRAL_SHARES:
        natural = task.solved(candidate, shaping)
        if task.margin(natural, candidate) >= margin_deg:
            share = candidate
            break
    else:
        natural = task.yielded(natural, share, margin_deg)
        for ratio in SMOOTHINGS:
            shaping = task.smoothing(ratio)
            if task.overshoot(natural, shaping) <= MOST_OVERSHOOT:
                break
    loops = task.loops(natural, share, shaping)
    predicted = predict(loops, specification, task.overshoot(natural, shaping))
    notice = ""
    fix = "raise control.rate or shorten the path to the drive"
    if predicted.phase_margin_deg < margin_deg - 1:
        notice = (
            f"phase margin is {predicted.phase_margin_deg:.0f}°, not the required "
            f"{margin_deg:.0f}°: at this rate no gains leave more; {fix}"
        )
    elif predicted.bandwidth_Hz < 0.97 * wanted_Hz:
        notice = (
            f"force bandwidth is {predicted.bandwidth_Hz:.0f} Hz, not the required "
            f"{wanted_Hz:.0f} Hz: more would leave less than {margin_deg:.0f}° phase margin; "
            f"{fix}"
        )
    return ForceGains(
        natural,
        specification.damping_ratio,
        choices[0],
        loops[0].law,
        specification.predictor,
        lead_of(loops[0]),
        predicted,
        notice,
    )


def lead_of(loop: Loop) -> float:
    """Return how far ahead a virtual spring must look, s.

    Half a period more than the lag, to err on the dissipative side.
    """
    return loop.delay_s() + 0.5 * loop.plant.period_s


def overshoot(loop: Loop) -> float:
    """Return the overshoot of a step as a share of it; infinite if the loop is not stable."""
    if not loop.stable:
        return math.inf
    answer = loop.step(max(50, round(STEP_S / loop.plant.period_s)))
    return max(0.0, float(np.max(answer)) - 1.0)


def predict(loops: list[Loop], specification: ForceSpecification, overshoot: float) -> Prediction:
    """Return the prediction of the closed loops, one for each slope."""
    margins = [loop.margins() for loop in loops]
    noise_m = specification.deflection_noise_m, specification.position_noise_m
    return Prediction(
        bandwidth_Hz(loops[0], specification.friction_N, specification.amplitude_N),
        min(margin for margin, _ in margins),
        min(gain for _, gain in margins),
        overshoot,
        specification.lasting_m * max(loop.plant.stiffness for loop in loops),
        specification.torque_per_N * loops[0].ripple("command", *noise_m),
        loops[0].plant.stiffness * loops[0].ripple("deflection", *noise_m),
    )


@dataclass(frozen=True)
class _Task:
    plants: list[Plant]
    observer: ObserverGains
    specification: ForceSpecification

    def loops(self, natural: float, share: float, shaping: float) -> list[Loop]:
        law = self.law(natural, share, shaping)
        return [Loop(plant, law, self.observer) for plant in self.plants]

    def law(self, natural: float, share: float, shaping: float) -> LawGains:
        wanted = self.specification
        return law_gains(
            self.plants[0],
            natural,
            wanted.damping_ratio,
            share * natural,
            wanted.predictor,
            shaping,
        )

    def first(self, natural: float, shaping: float) -> Loop:
        """Return the loop on the first plant; the integral's share does not affect the specification."""
        law = self.law(natural, INTEGRAL_SHARES[-1], shaping)
        return Loop(self.plants[0], law, self.observer)

    def smoothing(self, ratio: float) -> float:
        """Return the share passed on per period by a first-order lag at ``ratio`` times the bandwidth."""
        if math.isinf(ratio):
            return 1.0
        corner = ratio * 2 * math.pi * self.specification.bandwidth_Hz
        return 1 - math.exp(-corner * self.plants[0].period_s)

    def margin(self, natural: float, share: float) -> float:
        """Return the smallest phase margin in degrees; smoothing of the reference does not affect it."""
        return min(loop.margins()[0] for loop in self.loops(natural, share, 1.0))

    def yielded(self, natural: float, share: float, margin_deg: float) -> float:
        """Return the highest ω below ``natural`` that keeps the margin, or the one that leaves most."""
        best, most = natural, -1.0
        above = natural
        for below in np.geomspace(natural, 0.1 * natural, SEARCH)[1:]:
            margin = self.margin(float(below), share)
            if margin >= margin_deg:
                low, high = float(below), above
                for _ in range(ROUNDS):
                    middle = 0.5 * (low + high)
                    if self.margin(middle, share) >= margin_deg:
                        low = middle
                    else:
                        high = middle
                return low
            if margin > most:
                best, most = float(below), margin
            above = float(below)
        return best

    def overshoot(self, natural: float, shaping: float) -> float:
        return overshoot(self.first(natural, shaping))

    def solved(self, share: float, shaping: float) -> float:
        """Return ω at which the model has the required bandwidth, or the highest that is stable."""
        wanted = self.specification
        at = np.array([wanted.bandwidth_Hz])

        def miss(natural: float) -> float:
            loop = Loop(self.plants[0], self.law(natural, share, shaping), self.observer)
            if not loop.stable:
                return 1.0
            loop = at_half_power(loop, wanted.friction_N, wanted.amplitude_N, wanted.bandwidth_Hz)
            size = abs(loop.response("deflection", "reference_m", at)[0])
            return float(size) - 1 / math.sqrt(2)

        # The curve is scanned upwards: the solution is where it first passes −3 dB.
        low = 0.2 * wanted.bandwidth_Hz
        highest = HIGHEST * 2 / self.plants[0].period_s
        while low < highest:
            high = 1.25 * low
            if miss(high) >= 0:
                return bracketed_root(miss, low, high, 1e-3 * low)
            low = high
        return low
