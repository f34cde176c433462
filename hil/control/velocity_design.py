"""Gains of a velocity-sourced force loop from the profile, and what the closed loop will do.

The proportional gain is solved so that the discrete model (``hil.control.velocity_model``) has the
asked bandwidth with the output blocked, on the slope at rest; the integral is a share of its square,
within the bound of passivity. If the asked margin or the overshoot is not kept, the integral is
slowed first, then the gain cut. Virtual springs are held to the ceiling of passivity and to what the
model bears on the rig's lightest output.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np

from hil.control.calibration import passive_bounds
from hil.control.estimation import observer_gains
from hil.control.force_design import (
    DAMPING_GRID,
    DAMPING_SHARE,
    INTEGRAL_SHARES,
    MOST_OVERSHOOT,
    STEP_S,
    Prediction,
    beside,
    dead_zone_m,
    highest,
    plants,
)
from hil.control.rig_model import moved_mass
from hil.control.velocity_model import (
    VelocityLaw,
    VelocityLoop,
    VelocityPlant,
    most_passive_integral,
    passive_stiffness,
)
from hil.profile import Profile

SLOWEST_SHARE = 0.02  # of the proportional gain's square: slower integral action has no use
SEARCH = 12  # values of the proportional gain tried
ROUNDS = 9
HIGHEST_SHARE = 2.0  # of the inner loop's crossover: beyond it the outer loop outruns the inner
LOWEST_HZ = 0.2


@dataclass(frozen=True)
class VelocityGains:
    """Result of the design; attributes as of ``hil.control.ForceGains`` where the names agree.

    Attributes:
        plant: on the slope at rest.
        law: gains of the outer loop.
        passive_stiffness_N_m: ceiling of virtual stiffness on the slope at rest, in theory.
        drag_N_s_m: apparent damping of the output above the integral's corner, k/P.
    """

    plant: VelocityPlant
    law: VelocityLaw
    predicted: Prediction
    passive_stiffness_N_m: float
    drag_N_s_m: float
    notice: str = ""
    damping_bounds: tuple[tuple[float, float], ...] = ()
    most_stiffness_N_m: float = math.inf
    lead_s: float = field(default=0.0)  # the ceiling is that of a spring asked for where it is

    def most_damping(self, stiffness_N_m: float) -> float:
        """Most virtual damping in N·s/m beside a virtual stiffness; infinite if not known."""
        return beside(self.damping_bounds, stiffness_N_m)


def velocity_plants(profile: Profile, period_s: float, delay_s: float) -> list[VelocityPlant]:
    """Return the plant on each slope of the spring law, the one at rest first.

    ``delay_s`` is from a sample to the moment its command acts; what the drive adds is the profile's.
    """
    inner = profile.control.velocity_loop
    crossover = 2 * math.pi * inner.bandwidth
    return [
        VelocityPlant(
            plant.mass,
            plant.stiffness,
            period_s,
            delay_s + inner.delay,
            crossover,
            inner.integral_share * crossover,
            plant.viscous,
        )
        for plant in plants(profile, period_s, delay_s)
    ]


def design_velocity(profile: Profile, period_s: float, delay_s: float) -> VelocityGains:
    """Solve the outer loop for ``control.force_bandwidth`` and ``control.phase_margin``.

    Args:
        period_s: of the cycle. delay_s: from a sample to the moment its command acts.
    """
    control = profile.control
    choices = velocity_plants(profile, period_s, delay_s)
    observer = observer_gains(profile, period_s)

    def law(proportional: float, share: float) -> VelocityLaw:
        most = min(most_passive_integral(plant, proportional) for plant in choices)
        return VelocityLaw(proportional, min(share * proportional**2, most))

    def loops(proportional: float, share: float) -> list[VelocityLoop]:
        return [VelocityLoop(plant, law(proportional, share), observer) for plant in choices]

    def bandwidth(proportional: float, share: float) -> float:
        loop = loops(proportional, share)[0]
        return loop.bandwidth_Hz() if loop.stable else math.inf

    def good(proportional: float, share: float) -> bool:
        found = loops(proportional, share)
        if min(loop.margins()[0] for loop in found) < control.phase_margin:
            return False
        return _overshoot(found[0]) <= MOST_OVERSHOOT

    share = SLOWEST_SHARE
    proportional = 0.0
    for share in (*INTEGRAL_SHARES, SLOWEST_SHARE):
        proportional = _solved(partial(bandwidth, share=share), control.force_bandwidth, choices[0])
        if good(proportional, share):
            break
    else:
        proportional = highest(partial(good, share=share), proportional)
    best = loops(proportional, share)
    margins = [loop.margins() for loop in best]
    predicted = Prediction(
        best[0].bandwidth_Hz(),
        min(margin for margin, _ in margins),
        min(gain for _, gain in margins),
        _overshoot(best[0]),
        (dead_zone_m(profile) + abs(profile.calibration.deflection_per_count))
        * max(plant.stiffness for plant in choices),
        0.0,
    )
    notice = ""
    if predicted.bandwidth_Hz < 0.97 * control.force_bandwidth:
        notice = (
            f"force bandwidth is {predicted.bandwidth_Hz:.1f} Hz, not the asked "
            f"{control.force_bandwidth:.0f} Hz: more would leave less than "
            f"{control.phase_margin:.0f}° phase margin or overshoot; a faster velocity loop in the "
            "drive, or less delay, gives more"
        )
    gains = VelocityGains(
        choices[0],
        law(proportional, share),
        predicted,
        passive_stiffness(choices[0], law(proportional, share)),
        choices[0].stiffness / proportional,
        notice,
    )
    return _with_bounds(profile, best, gains)


def _with_bounds(profile: Profile, best: list[VelocityLoop], gains: VelocityGains) -> VelocityGains:
    lightest = moved_mass(profile)[0]
    loops = [
        VelocityLoop(replace(loop.plant, output_mass=lightest), loop.law, loop.observer)
        for loop in best
    ]
    ceilings = [passive_stiffness(loop.plant, loop.law) for loop in best]

    def stable(stiffness: float, damping: float) -> bool:
        # Beyond the knee a virtual spring goes on with what is passive there.
        return all(
            replace(loop, virtual_stiffness=min(stiffness, most), virtual_damping=damping).stable
            for loop, most in zip(loops, ceilings, strict=True)
        )

    most = min(passive_bounds(profile)[0], gains.passive_stiffness_N_m)
    stiffest = highest(lambda stiffness: stable(stiffness, 0.0), most)
    bounds = []
    for share in DAMPING_GRID:
        stiffness = share * stiffest
        damping = highest(partial(stable, stiffness), 4.0 * gains.drag_N_s_m)
        bounds.append((stiffness, DAMPING_SHARE * damping))
    return replace(gains, damping_bounds=tuple(bounds), most_stiffness_N_m=stiffest)


def _overshoot(loop: VelocityLoop) -> float:
    if not loop.stable:
        return math.inf
    answer = loop.step(max(50, round(STEP_S / loop.plant.period_s)))
    return max(0.0, float(np.max(answer)) - 1.0)


def _solved(bandwidth: partial[float], asked_Hz: float, plant: VelocityPlant) -> float:
    """Return the proportional gain at which the model has the asked bandwidth, or the highest."""
    low = 2 * math.pi * LOWEST_HZ
    for high in np.geomspace(low, HIGHEST_SHARE * plant.loop_rad_s, SEARCH)[1:]:
        if bandwidth(float(high)) >= asked_Hz:
            for _ in range(ROUNDS):
                middle = math.sqrt(low * high)
                low, high = (low, middle) if bandwidth(middle) >= asked_Hz else (middle, high)
            return float(high)
        low = float(high)
    return low
