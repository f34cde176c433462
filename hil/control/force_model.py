"""Linear, discrete model of the force loop as coded, for design and analysis.

Plant: m·δ'' + b·δ' + k·δ = i, lag·i' = u − i, with u held over a period and delayed. On it
act the same equations as in ``hil.control.estimation`` and ``hil.control.force_controller``,
without dry friction and dead zone. One period is written down once, each signal as its row of
coefficients over states and inputs; the matrices follow from it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from hil.control.observer_gains import CURRENT_LAG_S, ObserverGains

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
LOOP_FREQUENCIES = 400
INPUTS = ("reference_m", "torque_N", "deflection_noise_m", "position_noise_m", "acceleration_m_s2")


@dataclass(frozen=True)
class Plant:
    """The actuator with its output blocked, unless ``output_mass`` is given (kg at the rod).

    ``delay_s`` is the time from a sample to the moment its command acts.
    """

    mass: float
    viscous: float
    stiffness: float
    period_s: float
    delay_s: float
    lag_s: float = CURRENT_LAG_S
    output_mass: float | None = None
    unknown_viscous: float = 0.0  # N·s/m unknown to the law, such as dry friction

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
        """Number of commands sent that have not had their whole period yet."""
        return self.whole + (1 if self.fraction else 0)

    def held(self, seconds: float, stiffness: float | None = None) -> tuple[Array, Array]:
        """Return (Φ, Γ) over ``seconds`` with inputs held (expm).

        States: δ, δ', i, output position and velocity; inputs: command in N, external
        acceleration of the output.
        """
        m, lag = self.mass, self.lag_s
        drag = (self.viscous + self.unknown_viscous) / m
        k = self.stiffness if stiffness is None else stiffness
        moved = k / self.output_mass if self.output_mass is not None else 0.0
        block = np.zeros((7, 7))
        block[0, 1] = 1.0
        block[1, :7] = -k / m - moved, -drag, 1 / m, 0.0, -drag, 0.0, -1.0
        block[2, [2, 5]] = -1 / lag, 1 / lag
        block[3, 4] = 1.0
        block[4, [0, 6]] = moved, 1.0
        from scipy.linalg import expm  # slow to load

        e = expm(block * seconds)
        return e[:5, :5], e[:5, 5:]

    @cached_property
    def transition(self) -> tuple[Array, list[Array], Array]:
        """Φ over one period, Γ of the commands of 0, 1, 2 … periods ago, Γ of acceleration."""
        gammas = [np.zeros(5) for _ in range(self.in_flight + 1)]
        phi, gamma = self.held(self.period_s)
        moved = gamma[:, 1]
        if not self.fraction:
            gammas[self.whole] += gamma[:, 0]
            return phi, gammas, moved
        _, old = self.held(self.fraction * self.period_s)
        after, new = self.held((1 - self.fraction) * self.period_s)
        gammas[self.whole + 1] += after @ old[:, 0]
        gammas[self.whole] += new[:, 0]
        return phi, gammas, moved


@dataclass(frozen=True)
class LawGains:
    """Numbers of the force law.

    Attributes:
        position: N/m on (δ_d − δ). rate: N·s/m on δ'. current: 1, on motor force off balance.
        disturbance_rad_s: bandwidth of the disturbance observer, the law's integral action.
        shaping: share of a change of the reference passed on per period, 1 for all.
        ahead_s: how far the state is predicted, 0 for none.
        phi: (δ, δ', i) then from now, without spring, row by row.
        in_flight: what each command in flight adds to (δ, δ', i) then, youngest first.
    """

    position: float
    rate: float
    current: float
    disturbance_rad_s: float
    shaping: float
    ahead_s: float
    phi: tuple[tuple[float, float, float], ...]
    in_flight: tuple[tuple[float, float, float], ...]


def law_gains(
    plant: Plant,
    natural_rad_s: float,
    damping_ratio: float,
    disturbance_rad_s: float,
    predictor: bool,
    shaping: float = 1.0,
) -> LawGains:
    """Return gains for poles at exp(s·T) of s² + 2ζω·s + ω² = 0, the current's own kept (Ackermann 1972)."""
    t = plant.period_s
    phi, gamma = _blocked(plant, t)
    w, z = natural_rad_s, damping_ratio
    roots = np.roots([1.0, 2 * z * w, w * w])
    poly = np.real(np.poly([*np.exp(roots * t), math.exp(-t / plant.lag_s)]))
    reach = np.column_stack([gamma, phi @ gamma, phi @ phi @ gamma])
    characteristic = phi @ phi @ phi + poly[1] * phi @ phi + poly[2] * phi + poly[3] * np.eye(3)
    gains = np.linalg.solve(reach.T, np.array([0.0, 0.0, 1.0])) @ characteristic
    ahead, commands = np.eye(3), [np.zeros(3) for _ in range(plant.in_flight)]
    if predictor:
        parts = [(plant.whole, plant.fraction * t)] if plant.fraction else []
        parts += [(j, t) for j in range(plant.whole - 1, -1, -1)]
        for j, seconds in parts:
            phi, gamma = _blocked(plant, seconds)
            ahead = phi @ ahead
            commands = [phi @ command for command in commands]
            commands[j] = commands[j] + gamma
    return LawGains(
        float(gains[0]),
        float(gains[1]),
        float(gains[2]),
        disturbance_rad_s,
        shaping,
        plant.delay_s if predictor else 0.0,
        tuple((float(r[0]), float(r[1]), float(r[2])) for r in ahead),
        tuple((float(c[0]), float(c[1]), float(c[2])) for c in commands),
    )


@lru_cache(maxsize=64)
def _blocked(plant: Plant, seconds: float) -> tuple[Array, Array]:
    """Return (Φ, Γ) of (δ, δ', i) without the spring, the output at rest."""
    phi, gamma = replace(plant, unknown_viscous=0.0).held(seconds, stiffness=0.0)
    return phi[:3, :3], gamma[:3, 0]


@dataclass
class Loop:
    """Closed loop x[n+1] = A·x[n] + B·input[n]; inputs in the order of ``INPUTS``.

    Attributes:
        a, b: matrices. names: of the states.
        outputs: rows over (states, inputs): ``deflection``, ``command`` (N at the nut, before
            ``torque_N`` is added to it), ``output_velocity``.
    """

    plant: Plant
    law: LawGains
    observer: ObserverGains
    driven: bool = False  # the output moves by ``acceleration_m_s2``
    virtual_stiffness: float = 0.0
    virtual_damping: float = 0.0
    lead_s: float = 0.0  # lead by output velocity in the virtual spring
    # Plant whose mass and damping the observer and the law assume; None: ``plant``.
    believed: Plant | None = None
    a: Array = field(init=False)
    b: Array = field(init=False)
    names: list[str] = field(init=False)
    outputs: dict[str, Array] = field(init=False)

    def __post_init__(self) -> None:
        p = self.plant
        count = p.in_flight
        names = ["d", "v", "i", *(f"sent{j}" for j in range(count))]
        names += ["x_hat", "v_hat", "d_hat", "torque", "force", "xo_hat", "vo_hat"]
        names += ["current", "mean", *(f"known{j}" for j in range(count)), "momentum", "shaped"]
        moving = self.driven or p.output_mass is not None
        if moving:
            names += ["xo", "vo"]
        n = len(names)
        rows = np.eye(n + len(INPUTS))
        now = {name: rows[j] for j, name in enumerate([*names, *INPUTS])}
        if not moving:
            now["xo"] = now["vo"] = now["acceleration_m_s2"] = np.zeros(n + len(INPUTS))
        following = self._period(now)
        matrix = np.array([following[name] for name in names])
        self.names = names
        self.a, self.b = matrix[:, :n], matrix[:, n:]

    def _period(self, s: dict[str, Array]) -> dict[str, Array]:
        """Return all signals one period later, from the present ones."""
        p, law, g, t = self.plant, self.law, self.observer, self.plant.period_s
        believed = self.believed or p
        m, b, k = believed.mass, believed.viscous, p.stiffness
        following: dict[str, Array] = {}

        # what is measured
        deflection = s["d"] + s["deflection_noise_m"]
        nut = s["d"] + s["xo"] + s["position_noise_m"]
        force = k * deflection

        # hil.control.estimation
        push = g.torque_now * s["i"] + g.torque_before * s["torque"]
        mean_force = 0.5 * (force + s["force"])
        acceleration = (push - mean_force + s["d_hat"] - b * s["v_hat"]) / m
        x = s["x_hat"] + (s["v_hat"] + 0.5 * acceleration * t) * t
        error = nut - x
        velocity = s["v_hat"] + acceleration * t + g.velocity * error
        following["x_hat"] = x + g.position * error
        following["v_hat"] = velocity
        following["d_hat"] = s["d_hat"] + g.disturbance * error
        following["torque"], following["force"] = s["i"], force
        x = s["xo_hat"] + s["vo_hat"] * t
        error = nut - deflection - x
        following["xo_hat"] = x + g.alpha * error
        output_velocity = s["vo_hat"] + g.beta / t * error
        following["vo_hat"] = output_velocity
        rate = velocity - output_velocity

        # hil.control.force_controller
        rendered = self.virtual_stiffness * (nut - deflection + self.lead_s * output_velocity)
        rendered = rendered + self.virtual_damping * output_velocity
        reference = s["reference_m"] - rendered / k
        shaped = s["shaped"] + law.shaping * (reference - s["shaped"])
        following["shaped"] = shaped
        gain = law.disturbance_rad_s * t
        momentum = (
            s["momentum"] + t * (s["mean"] - mean_force - b * velocity) + gain * m * velocity
        ) / (1 + gain)
        following["momentum"] = momentum
        disturbance = law.disturbance_rad_s * (m * velocity - momentum)
        known = [s[f"known{j}"] for j in range(p.in_flight)]
        steady = (disturbance - force - b * output_velocity) / m
        ahead = law.ahead_s
        then = [deflection, rate, s["current"]]
        if ahead:
            then = [
                law.phi[row][0] * deflection
                + law.phi[row][1] * rate
                + law.phi[row][2] * s["current"]
                + sum((c[row] * u for c, u in zip(law.in_flight, known, strict=True)), 0.0 * rate)
                for row in range(3)
            ]
            then[0] = then[0] + 0.5 * ahead * ahead * steady
            then[1] = then[1] + ahead * steady
        spring = force + k * (then[0] - deflection)
        command = (
            spring
            + law.position * (shaped - then[0])
            - law.rate * then[1]
            - law.current * (then[2] - spring)
            - disturbance
            + b * output_velocity
        )
        known = [command, *known]
        for j in range(p.in_flight):
            following[f"known{j}"] = known[j]
        following["mean"], following["current"] = current_model(p, s["current"], known)

        # the plant itself
        sent = [command + s["torque_N"], *(s[f"sent{j}"] for j in range(p.in_flight))]
        for j in range(p.in_flight):
            following[f"sent{j}"] = sent[j]
        phi, gammas, moved = p.transition
        for row, name in enumerate(("d", "v", "i", "xo", "vo")):
            following[name] = (
                phi[row, 0] * s["d"]
                + phi[row, 1] * s["v"]
                + phi[row, 2] * s["i"]
                + phi[row, 3] * s["xo"]
                + phi[row, 4] * s["vo"]
                + moved[row] * s["acceleration_m_s2"]
                + sum((c[row] * u for c, u in zip(gammas, sent, strict=True)), 0.0 * rate)
            )
        self.outputs = {"deflection": s["d"], "command": command, "output_velocity": s["vo"]}
        return following

    @property
    def stable(self) -> bool:
        """True if all poles are inside the unit circle, except those of an output free to drift."""
        poles = np.linalg.eigvals(self.a)
        if self.driven or self.plant.output_mass is not None:
            poles = poles[np.abs(poles - 1) > 1e-5]
        return bool(np.max(np.abs(poles)) < 1 - 1e-9)

    def response(self, output: str, given: str, frequencies_Hz: Array) -> Complex:
        """Return the frequency response from input ``given`` to ``output``."""
        z = np.exp(2j * np.pi * np.atleast_1d(frequencies_Hz) * self.plant.period_s)
        n = len(self.names)
        column = INPUTS.index(given)
        x = np.linalg.solve(
            z[:, None, None] * np.eye(n) - self.a,
            np.broadcast_to(self.b[:, column, None], (len(z), n, 1)),
        )[:, :, 0]
        row = self.outputs[output]
        return np.asarray(x @ row[:n] + row[n + column], dtype=np.complex128)

    def opened(self, frequencies_Hz: Array) -> Complex:
        """Return the loop L broken at the plant's input, with return difference 1 + L."""
        answer = self.response("command", "torque_N", frequencies_Hz)
        return np.asarray(-answer / (1 + answer), dtype=np.complex128)

    def frequencies(self) -> Array:
        """Return frequencies in Hz from far below the bandwidth to just below half the sampling rate."""
        return np.geomspace(0.3, 0.495 / self.plant.period_s, LOOP_FREQUENCIES)

    def margins(self) -> tuple[float, float]:
        """Return (phase margin in degrees, gain margin); 0 and 1 if the loop is not stable.

        The gain margin is the smaller of the factors by which the gain may grow or shrink.
        """
        if not self.stable:
            return 0.0, 1.0
        loop = self.opened(self.frequencies())
        size = np.log(np.abs(loop))
        phase = np.angle(-loop)
        margin, gain = 180.0, math.inf
        for i in np.nonzero(size[:-1] * size[1:] < 0)[0]:
            share = size[i] / (size[i] - size[i + 1])
            turn = float(np.angle(loop[i + 1] / loop[i]))
            margin = min(margin, abs(math.degrees(phase[i] + share * turn)))
        crossing = (loop.imag[:-1] * loop.imag[1:] < 0) & (loop.real[:-1] < 0)
        for i in np.nonzero(crossing)[0]:
            share = loop.imag[i] / (loop.imag[i] - loop.imag[i + 1])
            size_there = abs(float(size[i] + share * (size[i + 1] - size[i])))
            gain = min(gain, math.exp(size_there))
        return margin, gain

    def bandwidth_Hz(self) -> float:
        """Return the first −3 dB point of reference to deflection, interpolated."""
        frequencies = self.frequencies()
        size = np.abs(self.response("deflection", "reference_m", frequencies)) * math.sqrt(2)
        below = np.nonzero(size < 1)[0]
        if not len(below):
            return float(frequencies[-1])
        i = below[0]
        if i == 0:
            return float(frequencies[0])
        share = (size[i - 1] - 1) / (size[i - 1] - size[i])
        return float(frequencies[i - 1] + share * (frequencies[i] - frequencies[i - 1]))

    def delay_s(self) -> float:
        """Return the group delay of reference to deflection at frequency 0: −d(arg H)/dω."""
        n = len(self.names)
        row = self.outputs["deflection"][:n]
        once = np.linalg.solve(np.eye(n) - self.a, self.b[:, 0])
        twice = np.linalg.solve(np.eye(n) - self.a, once)
        return float(self.plant.period_s * (row @ twice) / (row @ once))

    def step(self, cycles: int) -> Array:
        """Return the deflection after a unit step of the reference."""
        x = np.zeros(len(self.names))
        found = np.empty(cycles)
        for i in range(cycles):
            found[i] = x[0]
            x = self.a @ x + self.b[:, 0]
        return found

    def ripple(self, output: str, deflection_noise_m: float, position_noise_m: float) -> float:
        """Return the standard deviation of an output due to sensor noise, at rest."""
        n = len(self.names)
        inputs = self.b[:, 2:4] * np.array([deflection_noise_m, position_noise_m])
        from scipy.linalg import solve_discrete_lyapunov  # slow to load

        covariance = solve_discrete_lyapunov(self.a, inputs @ inputs.T)
        row = self.outputs[output]
        direct = row[n + 2 : n + 4] * np.array([deflection_noise_m, position_noise_m])
        return math.sqrt(max(0.0, float(row[:n] @ covariance @ row[:n] + direct @ direct)))


def current_model(plant: Plant, current: Array, commands: list[Array]) -> tuple[Array, Array]:
    """Return (mean over the coming period, value at its end) of the lagged motor force."""

    def lagged(start: Array, held: Array, seconds: float) -> tuple[Array, Array]:
        decay = math.exp(-seconds / plant.lag_s)
        mean = plant.lag_s / seconds * (1 - decay)
        return held + (start - held) * mean, held + (start - held) * decay

    f, t = plant.fraction, plant.period_s
    if not f:
        return lagged(current, commands[plant.whole], t)
    first, between = lagged(current, commands[plant.whole + 1], f * t)
    second, end = lagged(between, commands[plant.whole], (1 - f) * t)
    return f * first + (1 - f) * second, end
