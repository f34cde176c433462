"""Gains of a velocity- or position-sourced force loop from the profile, and its prediction.

The proportional gain is solved so that the discrete model (``hil.control.velocity_model``) has the
required bandwidth with the output blocked, on the slope at rest; the integral is a small share of its
square, within the bound of passivity. If the required margin or the overshoot is not kept, the gain
is reduced. Virtual springs are limited to the ceiling of passivity and to what the model tolerates on
the rig's lightest output.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np

from hil.control.bound_at import bound_at
from hil.control.calibration import passive_bounds
from hil.control.force_design import (
    DAMPING_GRID,
    DAMPING_SHARE,
    MOST_OVERSHOOT,
    STEP_S,
    Prediction,
    dead_zone_m,
    deflection_noise_m,
    highest,
    plants,
)
from hil.control.observer_gains import observer_gains
from hil.control.rig_model import moved_mass
from hil.control.velocity_model import VelocityLaw, VelocityLoop, VelocityPlant
from hil.control.velocity_passivity import (
    most_passive_integral,
    passive_feedforward,
    passive_stiffness,
)
from hil.profile import Profile

# Of the proportional gain's square. At rest the drive's own integral leaves only an offset of its
# velocity; and each share makes a virtual spring softer by as much of the real one, as
# k·(I − ω²)/P² is the reactance that remains.
INTEGRAL_SHARE = 0.002
SEARCH = 12  # values of the proportional gain tried
ROUNDS = 9
# Of the passive feed-forward: the estimate of the output's velocity is late, in theory it is not.
FEED_SHARE = 0.85
MOST_DRAGS = 4.0  # largest virtual damping searched for, in drags of the loop
HIGHEST_SHARE = 2.0  # of the inner loop's crossover: beyond it the outer loop outruns the inner
LOWEST_HZ = 0.2


@dataclass(frozen=True)
class VelocityGains:
    """Result of the design; attributes as of ``hil.control.ForceGains`` where the names agree.

    Attributes:
        plant: plant on the slope at rest.
        law: gains of the outer loop.
        passive_stiffness_N_m: ceiling of virtual stiffness on the slope at rest, in theory.
        passive_share: smallest ceiling over the spring's own stiffness, of all slopes.
        drag_N_s_m: apparent damping of an output that floats, above the integral's corner,
            (1 − α)·k/P.
        feedforward_bounds: (virtual stiffness in N/m, feed-forward α of the output's velocity),
            rising in stiffness.
    """

    plant: VelocityPlant
    law: VelocityLaw
    predicted: Prediction
    passive_stiffness_N_m: float
    passive_share: float
    drag_N_s_m: float
    notice: str = ""
    damping_bounds: tuple[tuple[float, float], ...] = ()
    feedforward_bounds: tuple[tuple[float, float], ...] = ()
    most_stiffness_N_m: float = math.inf
    lead_s: float = field(default=0.0)  # the ceiling is that of a spring computed without lead

    @property
    def natural_rad_s(self) -> float:
        """Crossover of the outer loop, by which loops of one rig are ordered."""
        return self.law.proportional_1_s

    def most_damping(self, stiffness_N_m: float) -> float:
        """Return the largest virtual damping in N·s/m next to a virtual stiffness; infinite if unknown."""
        if not self.damping_bounds:
            return math.inf
        return bound_at(stiffness_N_m, self.damping_bounds)

    def feedforward(self, stiffness_N_m: float) -> float:
        """Return the share of the output's velocity fed forward with a virtual stiffness."""
        if not self.feedforward_bounds:
            return 0.0
        return bound_at(stiffness_N_m, self.feedforward_bounds)


def velocity_plants(profile: Profile, period_s: float, delay_s: float) -> list[VelocityPlant]:
    """Return the plant on each slope of the spring law, the one at rest first.

    ``delay_s`` is from a sample to the moment its command acts; what the drive adds is the profile's.
    """
    control = profile.control
    inner = control.velocity_loop
    crossover = 2 * math.pi * inner.bandwidth
    position = (
        2 * math.pi * control.position_loop.bandwidth if control.source == "position" else 0.0
    )
    return [
        VelocityPlant(
            plant.mass,
            plant.stiffness,
            period_s,
            delay_s + inner.delay,
            crossover,
            inner.integral_share * crossover,
            plant.viscous,
            position_1_s=position,
        )
        for plant in plants(profile, period_s, delay_s)
    ]


def design_velocity(
    profile: Profile, period_s: float, delay_s: float, bounds: bool = True
) -> VelocityGains:
    """Solve the outer loop for ``control.force_bandwidth`` and ``control.phase_margin``.

    Args:
        period_s: period of the cycle. delay_s: delay from a sample to the moment its command acts.
        bounds: also find the bounds of virtual stiffness, damping and feed-forward.
    """
    control = profile.control
    choices = velocity_plants(profile, period_s, delay_s)
    observer = observer_gains(profile, period_s)

    law = partial(law_for, choices)  # margins and drag are those without torque feed-forward

    def loops(proportional: float) -> list[VelocityLoop]:
        return [VelocityLoop(plant, law(proportional), observer) for plant in choices]

    def bandwidth(proportional: float) -> float:
        loop = loops(proportional)[0]
        return loop.bandwidth_Hz() if loop.stable else math.inf

    def good(proportional: float) -> bool:
        found = loops(proportional)
        if min(loop.margins()[0] for loop in found) < control.phase_margin:
            return False
        return _overshoot(found[0]) <= MOST_OVERSHOOT

    proportional = _solved(bandwidth, control.force_bandwidth, choices[0])
    if not good(proportional):
        proportional = highest(good, proportional)
    best = with_torque(loops(proportional), control.torque_feedforward)
    gains = gains_of(profile, best)
    if gains.predicted.bandwidth_Hz < 0.97 * control.force_bandwidth:
        notice = (
            f"force bandwidth is {gains.predicted.bandwidth_Hz:.1f} Hz, not the required "
            f"{control.force_bandwidth:.0f} Hz: more would leave less than "
            f"{control.phase_margin:.0f}° phase margin or overshoot; a faster velocity loop in the "
            "drive, or less delay, gives more"
        )
        gains = replace(gains, notice=notice)
    return with_velocity_bounds(profile, best, gains) if bounds else gains


def with_torque(loops: list[VelocityLoop], share: float) -> list[VelocityLoop]:
    """Return the loops with this share of torque feed-forward, less if they would overshoot."""

    def fed(share: float) -> list[VelocityLoop]:
        law = replace(loops[0].law, torque_share=share)
        return [VelocityLoop(loop.plant, law, loop.observer) for loop in loops]

    if share <= 0.0:
        return loops
    most = max(MOST_OVERSHOOT, _overshoot(loops[0]))
    return fed(highest(lambda share: _overshoot(fed(share)[0]) <= most, share))


def law_for(
    choices: Sequence[VelocityPlant], proportional: float, torque_share: float = 0.0
) -> VelocityLaw:
    """Return the law with this proportional gain in 1/s and the integral that goes with it."""
    most = min(most_passive_integral(plant, proportional) for plant in choices)
    return VelocityLaw(proportional, min(INTEGRAL_SHARE * proportional**2, most), torque_share)


def gains_of(profile: Profile, loops: list[VelocityLoop]) -> VelocityGains:
    """Return the figures of loops with one law, each slope's own, the one at rest first."""
    margins = [loop.margins() for loop in loops]
    first, law = loops[0].plant, loops[0].law
    predicted = Prediction(
        loops[0].bandwidth_Hz(),
        min(margin for margin, _ in margins),
        min(gain for _, gain in margins),
        _overshoot(loops[0]),
        (dead_zone_m(profile) + abs(profile.calibration.deflection_per_count))
        * max(loop.plant.stiffness for loop in loops),
        0.0,
        first.stiffness * loops[0].noise_m(deflection_noise_m(profile)),
    )
    return VelocityGains(
        first,
        law,
        predicted,
        passive_stiffness(first, law),
        min(passive_stiffness(loop.plant, law) / loop.plant.stiffness for loop in loops),
        first.stiffness / law.proportional_1_s,
    )


def with_velocity_bounds(
    profile: Profile, best: list[VelocityLoop], gains: VelocityGains
) -> VelocityGains:
    """Return the gains with the bounds of virtual stiffness, damping and feed-forward."""
    lightest = moved_mass(profile)[0]
    loops = [
        VelocityLoop(replace(loop.plant, output_mass=lightest), loop.law, loop.observer)
        for loop in best
    ]
    ceilings = [passive_stiffness(loop.plant, loop.law) for loop in best]

    def stable(stiffness: float, feedforward: float, damping: float) -> bool:
        # Beyond the knee a virtual spring continues with what is passive there.
        return all(
            replace(
                loop,
                virtual_stiffness=min(stiffness, most),
                virtual_damping=damping,
                feedforward=feedforward,
            ).stable
            for loop, most in zip(loops, ceilings, strict=True)
        )

    most = min(passive_bounds(profile)[0], gains.passive_stiffness_N_m)
    stiffest = highest(lambda stiffness: stable(stiffness, 0.0, 0.0), most)
    dampings, feeds = [], []
    for share in DAMPING_GRID:
        stiffness = share * stiffest
        passive = min(
            passive_feedforward(loop.plant, loop.law, min(stiffness, ceiling))
            for loop, ceiling in zip(best, ceilings, strict=True)
        )
        feed = highest(partial(stable, stiffness, damping=0.0), FEED_SHARE * passive)
        damping = highest(partial(stable, stiffness, feed), MOST_DRAGS * gains.drag_N_s_m)
        dampings.append((stiffness, DAMPING_SHARE * damping))
        feeds.append((stiffness, feed))
    # The output's velocity, which is fed forward, is estimated from the deflection as well.
    fed = replace(best[0], feedforward=feeds[0][1])
    noise_N = fed.plant.stiffness * fed.noise_m(deflection_noise_m(profile))
    return replace(
        gains,
        predicted=replace(gains.predicted, force_noise_N=noise_N),
        damping_bounds=tuple(dampings),
        feedforward_bounds=tuple(feeds),
        most_stiffness_N_m=stiffest,
        drag_N_s_m=(1.0 - feeds[0][1]) * gains.drag_N_s_m,
    )


def _overshoot(loop: VelocityLoop) -> float:
    if not loop.stable:
        return math.inf
    answer = loop.step(max(50, round(STEP_S / loop.plant.period_s)))
    return max(0.0, float(np.max(answer)) - 1.0)


def _solved(bandwidth: Callable[[float], float], asked_Hz: float, plant: VelocityPlant) -> float:
    """Return the proportional gain at which the model has the required bandwidth, or the highest."""
    low = 2 * math.pi * LOWEST_HZ
    for high in np.geomspace(low, HIGHEST_SHARE * plant.loop_rad_s, SEARCH)[1:]:
        if bandwidth(float(high)) >= asked_Hz:
            for _ in range(ROUNDS):
                middle = math.sqrt(low * high)
                low, high = (low, middle) if bandwidth(middle) >= asked_Hz else (middle, high)
            return float(high)
        low = float(high)
    return low
