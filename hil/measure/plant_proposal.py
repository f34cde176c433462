"""A proposal to redesign the force loop from the plant that was identified."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from hil.control import Loop, bandwidth_Hz, design_over_torque, left_over_N, observer_gains, sine_N
from hil.measure.characteristic import Characteristic
from hil.measure.loop_prediction import COMMAND_DELAY_CYCLES
from hil.profile import Profile

WORTH_SHARE = 0.02  # of the profile's value: a smaller change moves no figure; no source
MASS, FRICTION = "plant.reflected_mass", "plant.dry_friction"


@dataclass(frozen=True)
class LoopFigures:
    """Force loop on the identified plant: −3 dB frequency and least phase margin."""

    bandwidth_Hz: float
    phase_margin_deg: float


@dataclass(frozen=True)
class Proposal:
    """Values of the profile that the measured plant replaces, and their effect on the loop.

    Attributes:
        changes: dotted key to value with unit, as ``write_back`` takes it; empty if the profile
            agrees with the plant within the uncertainty.
        profile: profile with the changes.
        kept: today's gains on the identified plant. redesigned: gains designed for it.
    """

    changes: dict[str, str]
    profile: Profile
    kept: LoopFigures
    redesigned: LoopFigures

    @property
    def sentence(self) -> str:
        if not self.changes:
            return "The identified plant agrees with the profile: no redesign is proposed."
        listed = ", ".join(f"{key}: {value}" for key, value in self.changes.items())
        return (
            f"Redesign proposed ({listed}): force bandwidth {self.kept.bandwidth_Hz:.1f} Hz and "
            f"phase margin {self.kept.phase_margin_deg:.0f}° with today's gains, "
            f"{self.redesigned.bandwidth_Hz:.1f} Hz and {self.redesigned.phase_margin_deg:.0f}° "
            "redesigned."
        )


def propose(
    profile: Profile,
    mass_kg: float = math.nan,
    mass_u95: float = math.nan,
    dry_N_m: float = math.nan,
    dry_u95: float = math.nan,
) -> Proposal:
    """Return the proposal for a measured reflected mass and dry friction, each if known.

    A value is proposed if it differs from the profile's by more than its uncertainty and 2 %.
    Takes about 200 ms; ``proposed_changes`` is fast.
    """
    changes, new = _changed(profile, mass_kg, mass_u95, dry_N_m, dry_u95)
    return Proposal(changes, new, _figures(profile, new), _figures(new, new))


def _changed(
    profile: Profile, mass_kg: float, mass_u95: float, dry_N_m: float, dry_u95: float
) -> tuple[dict[str, str], Profile]:
    actuator = profile.actuator
    changes: dict[str, str] = {}
    motor, friction = actuator.motor, actuator.friction
    if _differs(mass_kg, mass_u95, actuator.reflected_mass) and mass_kg > actuator.nut_mass:
        inertia = _rounded((mass_kg - actuator.nut_mass) / actuator.radians_per_metre**2)
        changes["actuator.motor.rotor_inertia"] = f"{inertia:g} kg*m^2"
        motor = motor.model_copy(update={"rotor_inertia": inertia})
    if _differs(dry_N_m, dry_u95, friction.coulomb) and dry_N_m > 0.0:
        dry = _rounded(dry_N_m)
        changes["actuator.friction.coulomb"] = f"{dry:g} N*m"
        friction = friction.model_copy(update={"coulomb": dry})
        if 0.0 < friction.breakaway < dry:
            changes["actuator.friction.breakaway"] = f"{dry:g} N*m"
            friction = friction.model_copy(update={"breakaway": dry})
    new = profile.model_copy(
        update={"actuator": actuator.model_copy(update={"motor": motor, "friction": friction})}
    )
    return changes, new


def proposal_of(profile: Profile, figures: Sequence[Characteristic]) -> Proposal:
    """Return the proposal from a data sheet's figures; empty without those of the plant."""
    return propose(profile, *_measured(figures))


def proposed_changes(
    profile: Profile, figures: Sequence[Characteristic]
) -> tuple[dict[str, str], Profile]:
    """Return the changes of that proposal and the profile with them, without loop figures."""
    return _changed(profile, *_measured(figures))


def _measured(figures: Sequence[Characteristic]) -> tuple[float, float, float, float]:
    """Return (mass in kg, its u95, dry friction in N·m, its u95), NaN if not measured."""
    by_name = {c.name: c for c in figures}
    mass, dry = by_name.get(MASS), by_name.get(FRICTION)
    return (
        mass.value if mass else math.nan,
        mass.u95 if mass else math.nan,
        1e-3 * dry.value if dry else math.nan,
        1e-3 * dry.u95 if dry else math.nan,
    )


def _rounded(value: float) -> float:
    return float(f"{value:.4g}")


def _differs(value: float, u95: float, stated: float) -> bool:
    return math.isfinite(value) and abs(value - stated) > max(u95, WORTH_SHARE * stated)


def _figures(designed_for: Profile, real: Profile) -> LoopFigures:
    """Return the figures of gains designed for one profile on the plant of the other."""
    period = 1.0 / real.control.rate
    delay = COMMAND_DELAY_CYCLES * period
    gains = design_over_torque(designed_for, period, delay)
    plant = replace(
        gains.plant,
        mass=real.actuator.reflected_mass,
        viscous=real.actuator.friction.viscous * real.actuator.radians_per_metre**2,
    )
    # The observer and the law keep the mass that they were designed for.
    loop = Loop(plant, gains.law, observer_gains(designed_for, period), believed=gains.plant)
    return LoopFigures(bandwidth_Hz(loop, left_over_N(real), sine_N(real)[1]), loop.margins()[0])
