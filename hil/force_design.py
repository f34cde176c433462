"""Gains of the force law from the profile's physics, and what the closed loop will do.

Plant with the output blocked: m·δ'' + b·δ' + F(δ) = F_m, with m the reflected mass. The law
(``hil.force_law``) cancels the spring force and places the poles of what remains,
δ'' = ω²·(δ_d − δ) − 2ζω·δ', so that one pair of gains serves both slopes of the spring
(feedback linearisation; Khalil, Nonlinear Systems, 3rd ed., chapter 13). Loop delay, hold and
current-loop lag are in the discrete model on which ω is solved for the asked bandwidth.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import expm
from scipy.optimize import brentq

from hil.profile.schema import Profile, TwoSlopes

CURRENT_LAG_S = 0.00025
FREQUENCIES_HZ = np.geomspace(0.2, 480.0, 1500)


@dataclass(frozen=True)
class ForceGains:
    """Result of the design. ``notice`` is not empty if the asked bandwidth was cut."""

    natural_rad_s: float
    damping_ratio: float
    mass: float
    viscous: float  # N·s/m at the nut
    integral_rad_s: float
    delay_s: float
    predictor: bool
    predicted: Prediction
    notice: str = ""


@dataclass(frozen=True)
class Prediction:
    """Closed loop with blocked output, from the discrete model."""

    bandwidth_Hz: float
    phase_margin_deg: float
    gain_margin: float
    overshoot: float
    natural_rad_s: float


@dataclass(frozen=True)
class Plant:
    """Discrete blocked-output model: states δ, δ', torque lag, and the commands in flight."""

    mass: float
    viscous: float
    stiffness: float
    period_s: float
    delay_cycles: int
    lag_s: float = CURRENT_LAG_S

    def matrices(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """(A, B) of x[n+1] = A·x[n] + B·u[n], u in N at the nut, zero-order hold."""
        k, b, m, lag = self.stiffness, self.viscous, self.mass, self.lag_s
        a = np.array([[0, 1, 0], [-k / m, -b / m, 1 / m], [0, 0, -1 / lag]])
        block = np.zeros((4, 4))
        block[:3, :3] = a
        block[2, 3] = 1 / lag
        e = expm(block * self.period_s)
        n = 3 + self.delay_cycles
        big_a = np.zeros((n, n))
        big_b = np.zeros((n, 1))
        big_a[:3, :3] = e[:3, :3]
        if self.delay_cycles == 0:
            big_b[:3, 0] = e[:3, 3]
        else:
            big_a[:3, 3] = e[:3, 3]
            for i in range(self.delay_cycles - 1):
                big_a[3 + i, 4 + i] = 1.0
            big_b[n - 1, 0] = 1.0
        return big_a, big_b


def feedback_row(
    plant: Plant, natural: float, damping: float, predictor: bool
) -> tuple[NDArray[np.float64], float]:
    """u = r·δ_d − K·x as (K, r) for the law of ``hil.force_law``, integrator left out."""
    n = 3 + plant.delay_cycles
    kd = 2 * damping * natural * plant.mass - plant.viscous
    kx = natural**2 * plant.mass - plant.stiffness
    row = np.zeros(n)
    if predictor and plant.delay_cycles:
        tau = plant.delay_cycles * plant.period_s + plant.lag_s
        # In-flight force acts over the delay: x̂ = Ac(τ)·(δ, δ') + Bc(τ)·mean(u in flight).
        a = np.array([[0, 1], [-plant.stiffness / plant.mass, -plant.viscous / plant.mass]])
        block = np.zeros((3, 3))
        block[:2, :2] = a
        block[1, 2] = 1 / plant.mass
        e = expm(block * tau)
        row[:2] = kx * e[0, :2] + kd * e[1, :2]
        row[3:] = (kx * e[0, 2] + kd * e[1, 2]) / plant.delay_cycles
    else:
        row[0], row[1] = kx, kd
    return row, natural**2 * plant.mass


def predict(plant: Plant, natural: float, damping: float, predictor: bool) -> Prediction:
    """Frequency response of the discrete closed loop; margins at the plant input."""
    a, b = plant.matrices()
    row, reference = feedback_row(plant, natural, damping, predictor)
    n = a.shape[0]
    limit = 0.48 / plant.period_s
    frequencies = FREQUENCIES_HZ[limit > FREQUENCIES_HZ]
    z = np.exp(2j * np.pi * frequencies * plant.period_s)
    eye = np.eye(n)
    resolvent = np.linalg.solve(z[:, None, None] * eye - a, np.broadcast_to(b, (len(z), n, 1)))
    loop: NDArray[np.complex128] = np.asarray(resolvent[:, :, 0] @ row, dtype=np.complex128)
    closed = resolvent[:, 0, 0] * reference / (1 + loop)
    acl = a - b @ row[None, :]
    stable = bool(np.max(np.abs(np.linalg.eigvals(acl))) < 1)
    dc = abs(closed[0])
    below = np.nonzero(np.abs(closed) < dc / math.sqrt(2))[0]
    bandwidth = float(frequencies[below[0]]) if len(below) else float(frequencies[-1])
    margin = _phase_margin(loop) if stable else -180.0
    # Negative-real crossings of the loop above unity count against it as well as below.
    imaginary, real = loop.imag, loop.real
    crossings = np.nonzero((imaginary[:-1] * imaginary[1:] < 0) & (real[:-1] < 0))[0]
    gains = [1 / abs(real[i]) for i in crossings if abs(real[i]) < 1]
    return Prediction(
        bandwidth,
        margin,
        float(min(gains)) if gains else math.inf,
        _overshoot(acl, b, reference) if stable else math.inf,
        natural,
    )


def _phase_margin(loop: NDArray[np.complex128]) -> float:
    magnitude = np.abs(loop)
    crossings = np.nonzero((magnitude[:-1] - 1) * (magnitude[1:] - 1) < 0)[0]
    if not len(crossings):
        return 180.0
    return float(min(abs(np.degrees(np.angle(-loop[i]))) for i in crossings))


def _overshoot(
    acl: NDArray[np.float64], b: NDArray[np.float64], reference: float
) -> float:
    x = np.zeros(acl.shape[0])
    most = last = 0.0
    for _ in range(600):
        x = acl @ x + b[:, 0] * reference
        last = float(x[0])
        most = max(most, last)
    return max(0.0, most / last - 1) if last > 0 else math.inf


def design(profile: Profile, period_s: float, delay_s: float) -> ForceGains:
    """Solve ω for ``control.force_bandwidth``; keep ``control.phase_margin`` if it must yield.

    ``delay_s``: from sample to effective command, whole cycles.
    """
    control = profile.control
    actuator = profile.actuator
    law = profile.calibration.spring_law
    stiffness = (
        law.inner_rate if isinstance(law, TwoSlopes) else abs(law.coefficients[1]) * 1e3
    )
    plant = Plant(
        actuator.reflected_mass,
        actuator.friction.viscous * actuator.radians_per_metre**2,
        stiffness,
        period_s,
        max(0, round(delay_s / period_s)),
    )
    return design_for_plant(
        plant,
        control.force_bandwidth,
        control.phase_margin,
        control.damping_ratio,
        control.predictor,
    )


def design_for_plant(
    plant: Plant, bandwidth_Hz: float, margin_deg: float, damping: float, predictor: bool
) -> ForceGains:
    """The same for a plant given directly."""

    def good(natural: float) -> bool:
        return predict(plant, natural, damping, predictor).phase_margin_deg >= margin_deg

    def miss(natural: float) -> float:
        return predict(plant, natural, damping, predictor).bandwidth_Hz - bandwidth_Hz

    low, high = 0.5 * bandwidth_Hz, 2 * math.pi * bandwidth_Hz * 3
    natural = float(brentq(miss, low, high, xtol=0.05)) if miss(low) < 0 < miss(high) else high
    notice = ""
    if not good(natural):
        lower, upper = 1.0, natural
        for _ in range(30):
            middle = (lower + upper) / 2
            lower, upper = (middle, upper) if good(middle) else (lower, middle)
        natural = lower
    predicted = predict(plant, natural, damping, predictor)
    if predicted.bandwidth_Hz < 0.95 * bandwidth_Hz:
        notice = (
            f"force bandwidth is {predicted.bandwidth_Hz:.0f} Hz, not the asked "
            f"{bandwidth_Hz:.0f} Hz: more would leave less than {margin_deg:.0f}° phase margin; "
            "raise control.rate or shorten the path to the drive"
        )
    return ForceGains(
        natural,
        damping,
        plant.mass,
        plant.viscous,
        natural / 12,
        plant.delay_cycles * plant.period_s,
        predictor,
        predicted,
        notice,
    )
