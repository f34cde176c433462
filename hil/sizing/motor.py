"""Motor and supply: current, voltage, speed at a force, heat over a duty. All in SI.

The motor is the equivalent direct-current machine that the simulated rig has: T = kt·I and
V = R·I + kt·ω. The voltage across the inductance is left out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

COPPER_PER_K = 0.0039  # change of resistance about 20 °C, from memory
HOTTEST_K = 300.0  # a rise beyond which the winding is destroyed and no balance is sought


@dataclass(frozen=True)
class Winding:
    """Torque constant in N·m/A and resistance in ohm at the winding's temperature."""

    torque_constant: float
    resistance: float

    def voltage_V(self, current_A: float, shaft_rad_s: float) -> float:
        """Return R·I + kt·ω."""
        return self.resistance * current_A + self.torque_constant * shaft_rad_s

    def power_W(self, current_A: float, shaft_rad_s: float) -> float:
        """Return the power taken in, I·V; negative if the motor generates."""
        return current_A * self.voltage_V(current_A, shaft_rad_s)


def warm_resistance_ohm(cold_ohm: float, rise_K: float) -> float:
    """Return R·(1 + α·ΔT) of copper."""
    return cold_ohm * (1 + COPPER_PER_K * rise_K)


def settled_rise_K(rated_rise_K: float, loss_share: float) -> float:
    """Return the winding's settled rise; its resistance, and so its loss, grows with it.

    Args:
        rated_rise_K: temperature rise at continuous current, with the resistance that it has then.
        loss_share: (I_rms/I_cont)². Infinite if no balance exists.
    """
    # ΔT = ΔT_r·s·(1 + α·ΔT)/(1 + α·ΔT_r), solved for ΔT.
    share = rated_rise_K * loss_share / (1 + COPPER_PER_K * rated_rise_K)
    left = 1 - COPPER_PER_K * share
    rise = share / left if left > 0 else math.inf
    return rise if rise < HOTTEST_K else math.inf


def sagged_V(open_V: float, resistance_ohm: float, power_W: float) -> float:
    """Return the supply's voltage under a power, V² − V₀·V + R·P = 0; NaN if impossible."""
    root = open_V**2 - 4 * resistance_ohm * power_W
    return 0.5 * (open_V + math.sqrt(root)) if root >= 0 else math.nan


@dataclass(frozen=True)
class Supply:
    """Open voltage, resistance behind it, and the share of it that reaches the winding."""

    open_V: float
    resistance_ohm: float
    modulation: float

    def most_current_A(self, winding: Winding, shaft_rad_s: float) -> float:
        """Return the current that it drives at a speed, in the sense of that speed, at least 0.

        At full modulation m it delivers m·I and so is at V₀ − R_s·m·I; m times that, less the
        motor's own voltage, drives the current through the winding.
        """
        left = self.modulation * self.open_V - winding.torque_constant * shaft_rad_s
        return max(0.0, left / self.behind_ohm(winding))

    def behind_ohm(self, winding: Winding) -> float:
        """Return the resistance that the winding's current sees, R + m²·R_s."""
        return winding.resistance + self.modulation**2 * self.resistance_ohm

    def most_shaft_rad_s(self, winding: Winding, torque_N_m: float, viscous: float) -> float:
        """Return the speed at which it still drives a torque and its drag, at least 0.

        Args:
            viscous: drag at the shaft in N·m·s/rad, in addition to ``torque_N_m``.
        """
        behind, constant = self.behind_ohm(winding), winding.torque_constant
        left = self.modulation * self.open_V - behind * torque_N_m / constant
        return max(0.0, left / (constant + behind * viscous / constant))


@dataclass(frozen=True)
class HeatModel:
    """Two bodies, the winding on the housing, as shares of the rated rise (IEC 60255-149).

    ``standstill`` is the loss of the hottest phase over the mean at standstill.
    """

    continuous_A: float
    winding_s: float
    housing_s: float
    housing_share: float
    standstill: float = 2.0

    def warmest(self, duty: Sequence[tuple[float, float, bool]]) -> float:
        """Return the winding's highest share over a duty that repeats forever.

        Args:
            duty: (duration in s, current in A, standing still). Within a phase a body with time
                constant τ goes as x + (loss − x)·(1 − e^(−t/τ)); the periodic start follows.
        """
        losses = [
            (t, (current / self.continuous_A) ** 2, still) for t, current, still in duty if t > 0
        ]
        hot = [(t, loss * (self.standstill if still else 1.0)) for t, loss, still in losses]
        housing = _periodic([(t, loss) for t, loss, _ in losses], self.housing_s)
        winding = _periodic(hot, self.winding_s)
        share = self.housing_share
        return max(
            ((1 - share) * own + share * body for own, body in zip(winding, housing, strict=True)),
            default=0.0,
        )


def _periodic(losses: Sequence[tuple[float, float]], constant_s: float) -> list[float]:
    """Return the value at the end of each phase of a duty that repeats forever."""
    kept = math.exp(-sum(t for t, _ in losses) / constant_s)
    value = 0.0
    for t, loss in losses:
        value = loss + (value - loss) * math.exp(-t / constant_s)
    value /= 1 - kept if kept < 1 else 1.0
    ends = []
    for t, loss in losses:
        value = loss + (value - loss) * math.exp(-t / constant_s)
        ends.append(value)
    return ends


def rms(duty: Sequence[tuple[float, float]]) -> float:
    """Return √(Σx²·t/Σt) of (duration, x); 0 for no duration."""
    total = sum(t for t, _ in duty)
    return math.sqrt(sum(x * x * t for t, x in duty) / total) if total > 0 else 0.0
