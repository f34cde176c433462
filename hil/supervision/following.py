"""Following errors of the force, watched as a motion controller watches those of position.

Spring force is compared with a model of the closed loop, shaped force with the setpoint.
Explained differences do not count: a torque at a cap, a force at a cap, a jump that the
rate limit must ramp.
"""

from __future__ import annotations

import math
from typing import Final

from drivers.motion import FORCE
from hil.control import Estimator
from hil.core import Limit
from hil.profile import Profile, force_following, setpoint_following
from hil.supervision.bounds import Bounds
from hil.supervision.energy import OutputEnergy

SWINGS: Final = (
    2  # changes of the saturated side that show an oscillation; one is a blow and its return
)
SWING_PERIODS: Final = 3.0  # of the bandwidth; a longer pause starts a new count
# Time constant with which an explained difference expires. The shaper catches up within
# 0.5 s, but not while the setpoint itself uses up its rate.
EXPLAINED_S: Final = 1.0
RAMPED_S: Final = 0.15  # in which the shaper ramps back most of a gap


class LoopModel:
    """Model of the closed loop: two lags of its bandwidth.

    Attributes:
        lag_s: time constant of each. force_N: modelled spring force; NaN before the start.
    """

    def __init__(self) -> None:
        self.lag_s = 0.0
        self.reset()

    def reset(self) -> None:
        """Wait for a start."""
        self.force_N = self._first_N = math.nan

    def follow(self, force_N: float, start_N: float, step: float) -> None:
        """Follow a force to be given for one sample, ``step`` s after the last; start at ``start_N``."""
        first = self._first_N
        if first != first:
            first = self.force_N = start_N
        blend = step / (self.lag_s + step)
        self._first_N = first = first + blend * (force_N - first)
        self.force_N += blend * (first - self.force_N)


class ForceFollowing:
    """Spring force against shaped force.

    Attributes:
        error_N: mean difference from the loop's model over a period of its bandwidth.
        model: the loop that it compares with.
        drag_N_s_m: drag of a loop over velocity or position, known from its design; else 0.
    """

    def __init__(self, profile: Profile) -> None:
        self.drag_N_s_m = 0.0
        self.model = LoopModel()
        self.use(profile)
        self.reset()

    def use(self, profile: Profile) -> None:
        """Compare with a loop of this bandwidth from now on."""
        limit = force_following(profile)
        self.limited_N, self.tripped_N = limit.limited, limit.tripped
        bandwidth = profile.control.force_bandwidth
        self.model.lag_s = 1.0 / (2 * math.pi * bandwidth)
        self._mean_s = 1.0 / bandwidth
        self._swing_s = SWING_PERIODS / bandwidth

    def reset(self) -> None:
        """Start at the next force."""
        self.error_N = 0.0
        self.model.reset()
        self._side = self._swings = 0
        self._quiet_s = 0.0

    def follow(self, force_N: float, shaped_N: float, side: int, step: float) -> None:
        """Take one cycle.

        Args:
            side: +1 or -1 if the torque is at its upper or lower cap, else 0.
            step: time since the last sample was taken, s; 0 if no new one arrived.
        """
        self.model.follow(shaped_N, force_N, step)
        error = force_N - self.model.force_N
        self._quiet_s += step
        if side:
            if side == -self._side:
                self._swings = self._swings + 1 if self._quiet_s < self._swing_s else 1
                self._quiet_s = 0.0
            self._side = side
        if self._quiet_s > self._swing_s:
            self._swings = 0
            if not side:
                self._side = 0
        # The loop cannot do more while its torque is at a cap, unless it swings between the two.
        if self._side and self._swings < SWINGS:
            return
        size = error if error >= 0.0 else -error
        self.error_N += step / (self._mean_s + step) * (size - self.error_N)

    def text(self) -> str:
        """Return the sentence with numbers."""
        return (
            f"the spring force is {FORCE(self.error_N):.0f}{FORCE} off the shaped force on average, beyond "
            f"{FORCE(self.tripped_N):.0f}{FORCE}, and no cap explains it"
        )


class SetpointFollowing:
    """Shaped force against setpoint.

    Attributes:
        error_N: difference beyond what is explained.
        explained_N: difference that caps, rate limit and change of behaviour explain.
    """

    def __init__(self, profile: Profile) -> None:
        limit = setpoint_following(profile)
        self.limited_N, self.tripped_N = limit.limited, limit.tripped
        self._rate = profile.limits.force_rate.limited
        self.reset()

    def reset(self) -> None:
        """Start at the next setpoint, whatever its distance."""
        self.error_N = self.explained_N = 0.0
        self._last_N = math.nan

    def follow(self, setpoint_N: float, shaped_N: float, at_cap: bool, dt: float) -> None:
        """Take one cycle; ``at_cap``: the shaped force is at a cap."""
        gap = setpoint_N - shaped_N
        gap = gap if gap >= 0.0 else -gap
        if self._last_N != self._last_N:
            self.explained_N = gap
        else:
            change = setpoint_N - self._last_N
            change = change if change >= 0.0 else -change
            beyond = change - self._rate * dt
            left = self.explained_N * EXPLAINED_S / (EXPLAINED_S + dt)
            self.explained_N = left + beyond if beyond > 0.0 else left
        self._last_N = setpoint_N
        if at_cap and gap > self.explained_N:
            self.explained_N = gap
        error = gap - self.explained_N
        self.error_N = error if error > 0.0 else 0.0

    def text(self) -> str:
        """Return the sentence with numbers."""
        return (
            f"the shaped force is {FORCE(self.error_N):.0f}{FORCE} off the setpoint, beyond what caps and "
            f"rate limit explain, above {FORCE(self.tripped_N):.0f}{FORCE}"
        )


class Following:
    """Both following errors and the energy at the output, in cycles with a closed force loop.

    Attributes:
        limited: bit mask of the limits that act. cause: the ``Limit`` that trips, or 0.
        programmed: True for a force over time, of which nothing responds to position or to a program
            elsewhere.
    """

    def __init__(self, profile: Profile, bounds: Bounds) -> None:
        self._bounds = bounds
        self.force = ForceFollowing(profile)
        self.setpoint = SetpointFollowing(profile)
        self.energy = OutputEnergy(profile)
        self.programmed = False
        self._model = LoopModel()
        self.reset()

    def reset(self) -> None:
        """Start over: the force loop was open."""
        self.force.reset()
        self.setpoint.reset()
        self.energy.reset()
        self._model.reset()
        self._explained_N = 0.0
        self._fresh = True
        self.limited = self.cause = 0

    def change(self, programmed: bool = False) -> None:
        """Start over with the setpoint only: another behaviour sets another force.

        Args:
            programmed: as the attribute.
        """
        self.programmed = programmed
        self.setpoint.reset()
        self._model.reset()
        self._fresh = True

    def follow(
        self,
        estimator: Estimator,
        force_N: float,
        setpoint_N: float,
        potential_N: float,
        shaped_N: float,
        torque_N_m: float,
        saturated: bool,
        dt: float,
    ) -> None:
        """Take one cycle, after its torque is known; all forces without tare.

        Args:
            force_N: spring force.
            potential_N: force of the behaviour without damping and lead.
            saturated: the torque is at a cap.
            dt: time step of the cycle, s, as the shaper uses it.
        """
        bounds = self._bounds
        step = estimator.step_s
        side = 0
        if saturated:
            high = torque_N_m >= bounds.torque_high_N_m
            low = torque_N_m <= bounds.torque_low_N_m
            side = 1 if high or (torque_N_m > 0.0 and not low) else -1
        dragged_N = shaped_N - self.force.drag_N_s_m * estimator.output_velocity_m_s
        self.force.follow(force_N, dragged_N, side, step)
        at_cap = shaped_N >= bounds.force_high_N or shaped_N <= bounds.force_low_N
        self.setpoint.follow(setpoint_N, shaped_N, at_cap, dt)
        expected_N = potential_N
        if self.programmed:
            # The lag behind a force over time does not respond to motion and feeds no limit cycle,
            # but its energy grows with each period of a sine of a few hertz on a light output.
            model = self._model
            model.lag_s = self.force.model.lag_s
            model.follow(potential_N, potential_N, step)
            expected_N = model.force_N
        self.energy.follow(
            force_N,
            expected_N,
            self._work_explained(potential_N, shaped_N, at_cap, dt),
            estimator.output_velocity_m_s,
            step,
        )
        self._judge()

    def _work_explained(
        self, potential_N: float, shaped_N: float, at_cap: bool, dt: float
    ) -> float:
        """Return the difference from the potential's force in N that counts as explained.

        Caps and a new behaviour explain it, and it decays as the shaper ramps it back. The
        rate limit does not: where it delays a response to motion, it feeds a limit cycle.
        """
        gap = potential_N - shaped_N
        gap = gap if gap >= 0.0 else -gap
        left = self._explained_N * RAMPED_S / (RAMPED_S + dt)
        self._explained_N = gap if (at_cap or self._fresh) and gap > left else left
        self._fresh = False
        return self._explained_N

    def _judge(self) -> None:
        """Set ``limited`` and ``cause``; NaN trips."""
        mask = cause = 0
        force, setpoint, energy = self.force, self.setpoint, self.energy
        if not setpoint.error_N <= setpoint.limited_N:
            mask = 1 << Limit.SETPOINT_FOLLOWING
            if not setpoint.error_N <= setpoint.tripped_N:
                cause = Limit.SETPOINT_FOLLOWING
        if not force.error_N <= force.limited_N:
            mask |= 1 << Limit.FORCE_FOLLOWING
            if not force.error_N <= force.tripped_N:
                cause = Limit.FORCE_FOLLOWING
        if not energy.energy_J <= energy.limited_J:
            mask |= 1 << Limit.OUTPUT_ENERGY
            if energy.unstable:
                cause = Limit.OUTPUT_ENERGY
        self.limited, self.cause = mask, cause

    def text(self, cause: int) -> str:
        """Return the sentence with numbers for one of these three causes; '' for any other."""
        if cause == Limit.FORCE_FOLLOWING:
            return self.force.text()
        if cause == Limit.SETPOINT_FOLLOWING:
            return self.setpoint.text()
        return self.energy.text() if cause == Limit.OUTPUT_ENERGY else ""
