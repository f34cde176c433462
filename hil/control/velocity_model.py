"""Force loop over a drive that takes velocity or position: discrete model, passivity without delay.

Inside the drive a PI velocity loop turns the nut, K_v·(v_c − v) + K_i·∫(v_c − v) with K_v = m·ω_v and
K_i = K_v·ω_i; around it the host sets v_c from the deflection,

    v_c = P·(δ_d − δ) + ∫ I·(δ_d − δ) + α·v_o,

so that one pair of gains serves both slopes of the spring (Wyeth, ACRA 2006; Vallery, Ekkelenkamp, van
der Kooij and Buss, IROS 2007; both from memory: inner velocity loop, outer force loop).

Passivity (continuous, no delay). With A = m·s² + K_v·s + K_i, B = K_v·s + K_i and Q = (P·s + I)/k, the
output meets F/(−v_o) = ((A − α·B)·s² + B·Q·K)/(s·(A·s²/k + B·Q + s²)) for a virtual stiffness K. At
K = α = 0 its real part has the sign of P·ω_i² + (ω²/ω_v)·(P·(ω_v − ω_i) − I + k/m): a stable loop
without virtual spring is passive if and only if I ≤ P·(ω_v − ω_i) + k/m. With an inner loop without lag
the real part is in proportion to 1 − K/k: the ceiling is the spring's own stiffness. Derived here; the
tests compare both with frequency responses. The inner loop's reduction of the ceiling is computed.
The feed-forward α of the output's velocity v_o takes the share α off the drag k/P; the largest passive α
falls with K, to 0 at the ceiling.

A drive that takes position has a loop of gain ω_p around the velocity loop. Its setpoint is

    x_c = x + v_c/ω_p = x_o + δ_d + (P/ω_p − 1)·(δ_d − δ) + …,

which with P = ω_p is the desired deflection, added to the output's position (Pratt and Williamson,
IROS 1995, from memory). Without delay ω_p·(x_c − x) = v_c: all of the above holds unchanged. The motion
since the sample is missing from x, and the drive goes from one position to the next in a period; the
discrete model includes both.

A drive may add a torque to that of its loop. The share f of the desired force F_d goes there, less what
the drive's integral takes over with its own corner: f·F_d·s/(s + ω_i). At rest nothing is fed forward, so
that neither start, stop nor a lost command is a step of torque. The numerator above gains
f·K·s³/(s + ω_i).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from hil.control.observer_gains import ObserverGains

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
POINTS = 400
NOISE_POINTS = 2000  # evenly spaced
LEAST_WASHOUT_RAD_S = 2 * math.pi  # for a drive without integral; common practice, no source
Washed = TypeVar("Washed", float, Array)
INPUTS = ("reference_m", "velocity_m_s", "acceleration_m_s2", "deflection_noise_m")


@dataclass(frozen=True)
class VelocityPlant:
    """Actuator behind its drive's velocity loop, the output blocked unless it has a mass.

    Attributes:
        mass: mass of rotor, screw and nut at the nut, kg.
        stiffness: stiffness of the spring, N/m.
        period_s: period of the cycle.
        delay_s: delay from a sample to the moment its command acts.
        loop_rad_s: ω_v, crossover of the drive's velocity loop.
        integral_rad_s: ω_i, its integral over its proportional gain.
        viscous: friction of the nut, N·s/m.
        output_mass: kg at the rod; None blocks the output.
        position_1_s: ω_p, gain of the drive's position loop; 0 for a drive that takes velocity.
    """

    mass: float
    stiffness: float
    period_s: float
    delay_s: float
    loop_rad_s: float
    integral_rad_s: float
    viscous: float = 0.0
    output_mass: float | None = None
    position_1_s: float = 0.0

    @property
    def whole(self) -> int:
        """Whole periods in the delay."""
        return math.floor(self.delay_s / self.period_s + 1e-9)

    @property
    def fraction(self) -> float:
        """Rest of the delay, in periods."""
        left = self.delay_s / self.period_s - self.whole
        return left if left > 1e-6 else 0.0

    @property
    def in_flight(self) -> int:
        """Number of commands sent that still act in the next period."""
        return self.whole + (1 if self.fraction else 0) + (1 if self.position_1_s else 0)

    def matrices(self) -> tuple[Array, Array]:
        """Return (A, B), continuous.

        States: δ, nut velocity, the drive's integral in N, output position and velocity;
        inputs: velocity command (position command, if it takes that), acceleration of the output
        from outside.
        """
        gain = self.mass * self.loop_rad_s
        a, b = np.zeros((5, 5)), np.zeros((5, 2))
        a[0, 1], a[0, 4] = 1.0, -1.0
        a[1, :3] = -self.stiffness / self.mass, -(gain + self.viscous) / self.mass, 1 / self.mass
        b[1, 0] = gain / self.mass
        a[2, 1], b[2, 0] = -gain * self.integral_rad_s, gain * self.integral_rad_s
        a[3, 4] = 1.0
        a[4, 0] = self.stiffness / self.output_mass if self.output_mass is not None else 0.0
        b[4, 1] = 1.0
        if self.position_1_s:
            # The velocity setpoint is ω_p·(x_c − x), with x = x_o + δ.
            for row in (1, 2):
                b[row, 0] *= self.position_1_s
                a[row, 0] -= b[row, 0]
                a[row, 3] -= b[row, 0]
        return a, b

    def ramped(self, seconds: float) -> tuple[Array, Array, Array, Array]:
        """Return (Φ, Γ of the command's first value, of its last, Γ of acceleration).

        Over ``seconds`` the command goes evenly from its first value to its last.
        """
        a, b = self.matrices()
        block = np.zeros((8, 8))
        block[:5, :5], block[:5, 5:7] = a, b
        block[5, 7] = 1.0 / seconds
        from scipy.linalg import expm  # slow to load

        e = expm(block * seconds)
        return e[:5, :5], e[:5, 5] - e[:5, 7], e[:5, 7], e[:5, 6]

    def _pieces(self) -> list[tuple[float, dict[int, float], dict[int, float]]]:
        """Return the pieces of a period: seconds, and shares of the commands at its start and end.

        Keys are periods since a command was sent. A velocity is held; between positions the drive
        goes evenly for a period (cyclic synchronous position of CiA 402).
        """
        whole, f, t = self.whole, self.fraction, self.period_s
        if not self.position_1_s:
            old, new = {whole + 1: 1.0}, {whole: 1.0}
            return [(t, new, new)] if not f else [(f * t, old, old), ((1 - f) * t, new, new)]
        if not f:
            return [(t, {whole + 1: 1.0}, {whole: 1.0})]
        between = {whole + 2: f, whole + 1: 1 - f}, {whole + 1: f, whole: 1 - f}
        last = {whole + 1: 1.0}
        return [(f * t, between[0], last), ((1 - f) * t, last, between[1])]

    @cached_property
    def fed_torque(self) -> list[Array]:
        """Γ of the torques fed forward 0, 1 … periods ago, per N at the nut; held for a period."""
        a, _ = self.matrices()
        block = np.zeros((6, 6))
        block[:5, :5], block[1, 5] = a, 1 / self.mass
        from scipy.linalg import expm  # slow to load

        newer = expm(block * (1 - self.fraction) * self.period_s)
        found = [np.zeros(5) for _ in range(self.torques_in_flight + 1)]
        found[self.whole] = newer[:5, 5]
        if self.fraction:
            # The older torque acts first; its effect goes on while the newer one acts.
            older = expm(block * self.fraction * self.period_s)
            found[self.whole + 1] = newer[:5, :5] @ older[:5, 5]
        return found

    @property
    def washout_rad_s(self) -> float:
        """Corner below which the drive's integral carries the force, and nothing is fed forward."""
        return max(self.integral_rad_s, LEAST_WASHOUT_RAD_S)

    @property
    def torques_in_flight(self) -> int:
        """Number of fed torques sent that still act in the next period."""
        return self.whole + (1 if self.fraction else 0)

    @cached_property
    def transition(self) -> tuple[Array, list[Array], Array]:
        """Φ over one period, Γ of the commands of 0, 1, 2 … periods ago, Γ of acceleration."""
        phi, moved = np.eye(5), np.zeros(5)
        gammas = [np.zeros(5) for _ in range(self.in_flight + 1)]
        for seconds, begins, ends in self._pieces():
            step, first, last, outside = self.ramped(seconds)
            phi, moved = step @ phi, step @ moved + outside
            gammas = [step @ gamma for gamma in gammas]
            for shares, gain in ((begins, first), (ends, last)):
                for age, share in shares.items():
                    gammas[age] += share * gain
        return phi, gammas, moved


@dataclass(frozen=True)
class VelocityLaw:
    """Gains of the outer loop.

    Attributes:
        proportional_1_s: P. integral_1_s2: I.
        torque_share: f, of the change of the desired force that is fed forward as torque.
    """

    proportional_1_s: float
    integral_1_s2: float
    torque_share: float = 0.0


@dataclass
class VelocityLoop:
    """Closed loop x[n+1] = A·x[n] + B·input[n], inputs in the order of ``INPUTS``."""

    plant: VelocityPlant
    law: VelocityLaw
    observer: ObserverGains
    virtual_stiffness: float = 0.0
    virtual_damping: float = 0.0
    lead_s: float = 0.0
    feedforward: float = 0.0  # α
    a: Array = field(init=False)
    b: Array = field(init=False)
    outputs: dict[str, Array] = field(init=False)

    def __post_init__(self) -> None:
        p, law, g = self.plant, self.law, self.observer
        count, t, k = p.in_flight, p.period_s, p.stiffness
        names = ["d", "v", "q", *(f"sent{j}" for j in range(count)), "integral"]
        feeds = law.torque_share > 0.0
        if feeds:
            names += ["carried", *(f"fed{j}" for j in range(p.torques_in_flight))]
        if self.estimates_output:
            names += ["xo", "vo", "xo_hat", "vo_hat"]
        rows = np.eye(len(names) + len(INPUTS))
        s = {name: rows[j] for j, name in enumerate([*names, *INPUTS])}
        nothing = np.zeros(len(names) + len(INPUTS))
        for name in ("xo", "vo", "xo_hat", "vo_hat"):
            s.setdefault(name, nothing)
        following: dict[str, Array] = {}
        # hil.control.estimation, as far as the output's velocity goes
        x = s["xo_hat"] + s["vo_hat"] * t
        # Its position is the nut's less the deflection, as that reads.
        error = s["xo"] - s["deflection_noise_m"] - x
        output_velocity = s["vo_hat"] + g.beta / t * error
        following["xo_hat"], following["vo_hat"] = x + g.alpha * error, output_velocity
        rendered = self.virtual_stiffness * (s["xo"] + self.lead_s * output_velocity)
        rendered = rendered + self.virtual_damping * output_velocity
        wanted = s["reference_m"] - rendered / k
        error = wanted - s["d"] - s["deflection_noise_m"]
        following["integral"] = s["integral"] + t * law.integral_1_s2 * error
        command = law.proportional_1_s * error + s["integral"]
        command = command + self.feedforward * output_velocity
        setpoint = command + s["velocity_m_s"]
        if p.position_1_s:
            setpoint = s["xo"] + s["d"] + setpoint / p.position_1_s
        sent = [setpoint, *(s[f"sent{j}"] for j in range(count))]
        for j in range(count):
            following[f"sent{j}"] = sent[j]
        fed: list[Array] = []
        if feeds:
            change, following["carried"] = washed_out(wanted, s["carried"], p.washout_rad_s * t)
            fed = [
                law.torque_share * k * change,
                *(s[f"fed{j}"] for j in range(p.torques_in_flight)),
            ]
            for j in range(p.torques_in_flight):
                following[f"fed{j}"] = fed[j]
        phi, gammas, moved = p.transition
        for row, name in enumerate(("d", "v", "q", "xo", "vo")):
            states = zip(("d", "v", "q", "xo", "vo"), phi[row], strict=True)
            following[name] = sum((share * s[each] for each, share in states), nothing)
            for gamma, each in zip(gammas, sent, strict=True):
                following[name] = following[name] + gamma[row] * each
            for torque, each in zip(p.fed_torque if feeds else (), fed, strict=True):
                following[name] = following[name] + torque[row] * each
            following[name] = following[name] + moved[row] * s["acceleration_m_s2"]
        matrix = np.array([following[name] for name in names])
        self.a, self.b = matrix[:, : len(names)], matrix[:, len(names) :]
        self.outputs = {"deflection": s["d"], "command": command}

    @property
    def estimates_output(self) -> bool:
        """True if the output moves, or its estimated velocity is fed forward though it is blocked."""
        return self.plant.output_mass is not None or self.feedforward != 0.0

    @property
    def stable(self) -> bool:
        """True if all poles are inside the unit circle, except those of an output free to drift."""
        poles = np.linalg.eigvals(self.a)
        if self.estimates_output:
            poles = poles[np.abs(poles - 1) > 1e-5]
        return bool(np.max(np.abs(poles)) < 1 - 1e-9)

    def response(self, output: str, given: str, frequencies_Hz: Array) -> Complex:
        """Return the frequency response from input ``given`` to ``output``."""
        z = np.exp(2j * np.pi * np.atleast_1d(frequencies_Hz) * self.plant.period_s)
        n, column = len(self.a), INPUTS.index(given)
        x = np.linalg.solve(
            z[:, None, None] * np.eye(n) - self.a,
            np.broadcast_to(self.b[:, column, None], (len(z), n, 1)),
        )[:, :, 0]
        row = self.outputs[output]
        return np.asarray(x @ row[:n] + row[n + column], dtype=np.complex128)

    def frequencies(self) -> Array:
        """Return frequencies in Hz from far below the bandwidth to just below half the sampling rate."""
        return np.geomspace(0.3, 0.495 / self.plant.period_s, POINTS)

    def margins(self) -> tuple[float, float]:
        """Return (phase margin in degrees, gain margin) at the command; 0 and 1 if not stable."""
        if not self.stable:
            return 0.0, 1.0
        answer = self.response("command", "velocity_m_s", self.frequencies())
        loop = -answer / (1 + answer)
        size, phase = np.log(np.abs(loop)), np.angle(-loop)
        margin, gain = 180.0, math.inf
        for i in np.nonzero(size[:-1] * size[1:] < 0)[0]:
            share = size[i] / (size[i] - size[i + 1])
            turn = float(np.angle(loop[i + 1] / loop[i]))
            margin = min(margin, abs(math.degrees(phase[i] + share * turn)))
        for i in np.nonzero((loop.imag[:-1] * loop.imag[1:] < 0) & (loop.real[:-1] < 0))[0]:
            share = loop.imag[i] / (loop.imag[i] - loop.imag[i + 1])
            gain = min(gain, math.exp(abs(float(size[i] + share * (size[i + 1] - size[i])))))
        return margin, gain

    def bandwidth_Hz(self) -> float:
        """Return the first −3 dB point of reference to deflection, interpolated."""
        frequencies = self.frequencies()
        size = np.abs(self.response("deflection", "reference_m", frequencies)) * math.sqrt(2)
        below = np.nonzero(size < 1)[0]
        if not len(below) or not below[0]:
            return float(frequencies[-1 if not len(below) else 0])
        i = below[0]
        share = (size[i - 1] - 1) / (size[i - 1] - size[i])
        return float(frequencies[i - 1] + share * (frequencies[i] - frequencies[i - 1]))

    def noise_m(self, deflection_noise_m: float) -> float:
        """Return the standard deviation of the deflection due to its sensor's noise, output blocked."""
        frequencies = np.linspace(0.0, 0.5 / self.plant.period_s, NOISE_POINTS)[1:]
        share = self.response("deflection", "deflection_noise_m", frequencies)
        return deflection_noise_m * math.sqrt(float(np.mean(np.abs(share) ** 2)))

    def step(self, cycles: int) -> Array:
        """Return the deflection after a unit step of the reference."""
        x, found = np.zeros(len(self.a)), np.empty(cycles)
        for i in range(cycles):
            found[i] = x[0]
            x = self.a @ x + self.b[:, 0]
        return found


def washed_out(value: Washed, carried: Washed, corner: float) -> tuple[Washed, Washed]:
    """Return (change to be fed forward, part that the drive's integral carries from now on).

    ``corner`` is that of the drive's integral in radians a period; implicit, stable for any.
    """
    share = corner / (1.0 + corner)
    now = carried + share * (value - carried)
    return value - now, now
