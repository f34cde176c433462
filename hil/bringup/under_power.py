"""Common parts of the steps under power: gentle figures, and runs that end by themselves.

No weight acts on the rod in any of them, so a torque that just overcomes friction is enough, and a
drive that makes twice the commanded torque still stays within the force permitted here.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Generator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from drivers.motion import LENGTH
from hil.bringup.step import Context, Result, Trace
from hil.control import ForceCalibration
from hil.core import Apply, Commission, MotorSpeed, MotorTorque, PowerOff
from hil.procedures import (
    Action,
    Ask,
    Hand,
    Pause,
    ProcedureFailed,
    RequireHoldToRun,
    Seen,
    column,
    no_rows,
    restart,
)
from hil.profile import Profile

Rows = NDArray[np.float64]
Floats = NDArray[np.float64]
Part = Generator[Action, Seen, "RunData"]

# Of the rated force. At an end the nut's own momentum adds to the force at which a run ends; the
# envelope's trip, a quarter above its limit, stays below 15 %.
END_SHARE = 0.05
LEAVE_SHARE = 0.09  # springs pressed at an end may hold more force than it took to find it
ENVELOPE_SHARE = 0.10
MOMENTUM_SHARE = 0.04  # spring force from the nut's momentum
FASTEST_M_S = 0.008  # towards an end: the output may swing at twice that, below 20 mm/s
FIRST_TORQUE = 1.8  # of the break-away torque: a screw a fifth stiffer than stated still turns
SEEKING = 1.2
TOUCH_SHARE = 0.012
LEAST_SHARE = 0.02  # of the rated torque, where the profile states no friction
PLOT_POINTS = 400
PRESSED_ROWS = 50  # the last of a run: nut and springs have come to rest
SUPPORT = (
    "Take the weights off, and balance the output (a counterweight, a spring balance, or the "
    "rod uncoupled from it), so that no weight acts on the rod and it is free to move over the "
    "whole stroke. Leave it like this until the bring-up is over."
)


@dataclass(frozen=True)
class Gentle:
    """Torques, forces and speeds for one profile; all positive, SI.

    Attributes:
        per_torque: N of the nut per N·m of the motor without losses, 2π/lead.
        breakaway_N_m: as stated in the profile, or its substitute.
        torque_N_m: enough to move; speed_m_s: slow enough to meet an end.
        end_N, leave_N, envelope_N: spring forces that end a run at an end, one that leaves an
            end, and any.
        rate_N_m: rate of the springs at rest.
    """

    profile: Profile
    per_torque: float
    breakaway_N_m: float
    torque_N_m: float
    speed_m_s: float
    end_N: float
    leave_N: float
    envelope_N: float
    rate_N_m: float

    @property
    def seeking_N_m(self) -> float:
        """Torque for seeking an end: enough to press the springs reliably."""
        return SEEKING * self.torque_N_m

    @property
    def touch_N(self) -> float:
        """Spring force that only an end gives an output on which no weight acts."""
        return TOUCH_SHARE * self.profile.limits.force.limited

    @property
    def stroke_m(self) -> float:
        return self.profile.actuator.stroke

    @property
    def by_loop(self) -> bool:
        """True if torques come from a velocity loop inside the drive."""
        return self.profile.control.source != "torque"

    @property
    def lead_m(self) -> float:
        return self.profile.actuator.transmission.lead

    def envelope(self, torque_N_m: float, speed_m_s: float) -> Commission:
        return Commission(
            force_N=self.envelope_N,
            speed_m_s=min(speed_m_s, self.profile.limits.speed.limited),
            torque_N_m=torque_N_m,
        )


def gentle(profile: Profile) -> Gentle:
    actuator = profile.actuator
    per_torque = actuator.radians_per_metre
    rated = profile.limits.force.limited
    rated_torque = actuator.motor.torque_constant * actuator.motor.continuous_current
    friction = actuator.friction
    breakaway = max(friction.breakaway, friction.coulomb, LEAST_SHARE * rated_torque)
    rate = ForceCalibration(profile.calibration, profile.sensors.deflection).stiffness(0.0)
    # A mass m stopped by a spring k from speed v presses it with v·√(k·m).
    slow = MOMENTUM_SHARE * rated / math.sqrt(rate * actuator.reflected_mass)
    return Gentle(
        profile,
        per_torque,
        breakaway,
        FIRST_TORQUE * breakaway,
        min(FASTEST_M_S, slow),
        END_SHARE * rated,
        LEAVE_SHARE * rated,
        ENVELOPE_SHARE * rated,
        rate,
    )


@dataclass
class RunData:
    """One run: its rows and why it ended (as ``hil.control.commissioning.OpenLoop.ended``)."""

    rows: Rows = field(default_factory=no_rows)
    reason: str = ""

    def of(self, name: str) -> Floats:
        return column(self.rows, name)

    @property
    def moved_m(self) -> float:
        """Travel from the first row to the last, signed."""
        nut = self.of("nut_position_m")
        return float(nut[-1] - nut[0]) if len(nut) else 0.0

    @property
    def pressed_N(self) -> float:
        """Magnitude of the spring force at its end, without noise."""
        force = self.of("spring_force_N")[-PRESSED_ROWS:]
        return abs(float(np.median(force))) if len(force) else 0.0

    @property
    def force_N(self) -> float:
        """Largest spring force by magnitude, signed."""
        force = self.of("spring_force_N")
        return float(force[np.argmax(np.abs(force))]) if len(force) else 0.0


def power_up(envelope: Commission, text: str) -> Generator[Action, Seen, None]:
    """Power on with no weight on the rod, within the envelope, hold-to-run control held.

    Raises:
        ProcedureFailed: one of them is refused; power then stays off.
    """
    yield Hand("support_load", SUPPORT)
    yield from restart(envelope, text)


def power_down() -> Generator[Action, Seen, None]:
    """Power off and release the hold-to-run control: hands may touch the machine."""
    yield RequireHoldToRun(False)
    yield Ask(PowerOff())
    yield Pause(0.1)


def run(behaviour: MotorTorque | MotorSpeed, settle_s: float = 0.1) -> Part:
    """Apply an open-loop run; wait until it has ended, and ``settle_s`` more.

    Raises:
        ProcedureFailed: it is refused.
    """
    seen = yield Ask(Apply(behaviour=behaviour))
    if not seen.accepted:
        raise ProcedureFailed(f"the run was refused: {seen.text}")
    parts, reason, waited = [seen.rows], run_ended(seen), 0.0
    while not reason and waited < behaviour.duration_s + 0.5:
        seen = yield Pause(0.02)
        waited += 0.02
        parts.append(seen.rows)
        reason = run_ended(seen)
    seen = yield Pause(settle_s)
    parts.append(seen.rows)
    return RunData(np.concatenate(parts), reason)


def run_ended(seen: Seen) -> str:
    """Return why an open-loop run has ended, '' while it continues."""
    reasons = [str(e.get("reason", "")) for e in seen.events if e["kind"] == "run_ended"]
    return reasons[-1] if reasons else ""


def watch(seconds: float) -> Part:
    """Observe the rig while nothing is commanded."""
    seen = yield Pause(seconds)
    return RunData(seen.rows)


def seek_end(g: Gentle, sense: int) -> Part:
    """Move towards an end until the springs indicate it, or something else ends the run.

    Springs still pressed at the other end may at first hold more than that force.
    """
    seen = yield Pause(0.05)
    pressed = abs(float(np.median(column(seen.rows, "spring_force_N"))))
    leave = MotorSpeed(
        speed_m_s=sense * g.speed_m_s,
        torque_N_m=g.seeking_N_m,
        duration_s=4.0,
        travel_m=min(0.04 * g.stroke_m, 0.002),
        force_N=g.envelope_N if pressed > 0.5 * g.end_N else g.end_N,
    )
    first = yield from run(leave, 0.02)
    if first.reason != "travel":
        return first
    length = 1.2 * g.stroke_m
    sweep = leave.model_copy(
        update={"travel_m": length, "force_N": g.end_N, "duration_s": length / g.speed_m_s + 2.0}
    )
    second = yield from run(sweep, 0.3)
    return RunData(np.concatenate([first.rows, second.rows]), second.reason)


def go_to(g: Gentle, nut_m: float) -> Part:
    """Move the nut slowly to about ``nut_m``; springs may be pressed as it leaves an end.

    Raises:
        ProcedureFailed: the nut did not get there.
    """
    seen = yield Pause(0.05)
    away = nut_m - float(column(seen.rows, "nut_position_m")[-1])
    if abs(away) < 1e-4:
        return RunData(seen.rows, "travel")
    behaviour = MotorSpeed(
        speed_m_s=math.copysign(g.speed_m_s, away),
        torque_N_m=g.seeking_N_m,
        duration_s=abs(away) / g.speed_m_s + 3.0,
        travel_m=abs(away),
        force_N=g.envelope_N,
    )
    ran = yield from run(behaviour)
    if ran.reason != "travel":
        raise ProcedureFailed(
            f"the nut stopped on its way to {LENGTH(nut_m):.0f}{LENGTH} ({ran.reason}): repeat travel"
        )
    return ran


def findings_as_text(
    part: Callable[[Context], Generator[Action, Seen, Result]],
) -> Callable[[Context], Generator[Action, Seen, Result]]:
    """Decorate a step so that its findings, if any, become its text."""

    @functools.wraps(part)
    def run_and_state(context: Context) -> Generator[Action, Seen, Result]:
        result = yield from part(context)
        if result.findings:
            result.text = "; ".join(found.sentence for found in result.findings)
        return result

    return run_and_state


def trace(label: str, x: Floats, y: Floats) -> Trace:
    """Return a line of a plot with no more points than a page shows."""
    step = max(1, len(x) // PLOT_POINTS)
    return Trace(label, np.asarray(x[::step], dtype=float), np.asarray(y[::step], dtype=float))


def millimetres(metres: float) -> str:
    return f"{LENGTH(metres):.2f}{LENGTH}"


def after(context: Context, name: str, default: float) -> float:
    """Return the value measured by an earlier step, or ``default`` if there is none."""
    value = context.known.get(name, math.nan)
    return value if math.isfinite(value) else default
