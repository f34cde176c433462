"""Seek of the position reference: an end of the travel, or a home switch, at low force.

The motor turns the screw at the profile's seek speed. An end is met when the spring force rises
while the output is at rest; an obstacle that
gives way under that force is not an end. The touch is repeated from
the same side, so that its unidirectional repeatability is known: R = 4·s with s the estimator of
the standard deviation of the touched positions (ISO 230-2, from memory).

A stand, a hand or a tight guide may stop the output as an end does. An end is therefore accepted
only if something else confirms it: a reference kept from the last session that expects it there,
or the other end at the distance of the stroke.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Callable
from typing import Final

from drivers.motion import FINE, FORCE, LENGTH, SPEED
from hil.control.commissioning import SPEED_BANDWIDTH_RAD_S, OpenLoop
from hil.control.drive_loop import SpeedByLoop
from hil.control.estimation import Estimator
from hil.control.seek_figures import OVER_LOAD, repeatability, seek_figures
from hil.core import BehaviourCode, SeekReference
from hil.profile import Profile

SWITCH_SPEED_SHARE: Final = 0.5  # of the seek speed: an input that comes every 10 ms, 40 um
BASE_S: Final = 0.25  # filter of the force while nothing is met
FREE_M: Final = 5e-4  # output motion beyond which nothing holds it
STANDS_SHARE: Final = 0.3  # of the seek speed: below it the output counts as at rest
YIELD_M: Final = 1e-4  # an end gives less under the second half of the force's rise
# Standstill at a touch, and its last part, which is averaged.
DWELL_S: Final = 0.30
MEAN_S: Final = 0.15
STILL_M: Final = 1e-4  # range of an output at rest; noise of a coarse sensor is a fifth of it
CLEAR_M: Final = 0.002  # backed off from each touch
SCATTER_M: Final = 2e-4  # of the touches; an end repeats within a tenth of it
# As in the bring-up's travel.
STROKE_OFF_M: Final = 0.001
STROKE_OFF_SHARE: Final = 0.02
KEPT_OFF_M: Final = 0.001  # a kept reference confirms an end this close
BLOCKED_RISE: Final = 0.4  # of the rise that ends a seek: a nut stopped at this has met something
BLOCKED_SHARE: Final = 0.1
BLOCKED_S: Final = 0.4
STARTING_S: Final = 1.0
BEYOND: Final = 1.2  # of the stroke: search range for an end
SWITCH_ROOM_M: Final = 0.003  # beyond its position, by which a home switch must have released
LOAD_SHARE: Final = 0.3  # of the rise: a force that acts while the output moves freely is a load
BALANCES_S: Final = 0.02  # filter of the spring force from which the load is taken


class _Phase(enum.Enum):
    APPROACH = 0
    DWELL = 1
    LEAVE = 2
    RELEASE = 3  # of the home switch
    SET_DOWN = 4  # a load, on the end that carries it


class ReferenceSeek(OpenLoop):
    """One seek, from rest to the reference or to the reason why none was found.

    Attributes:
        ended: ``found`` or ``not_found``; empty while it seeks.
        text: the result as a sentence.
        touches_m: output positions of the touches, in the coordinates of the seek.
        shift_m: offset from these coordinates to positions from the lower end.
        by_switch: whether a home switch is sought.
        confirmed_by: evidence for the end besides the touch.
    """

    code = BehaviourCode.SEEK_REFERENCE

    def __init__(
        self,
        asked: SeekReference,
        profile: Profile,
        estimator: Estimator,
        spring_force_N: float,
        kept: bool,
        switch_acts: Callable[[], bool],
    ) -> None:
        self.ended = self.text = self.confirmed_by = ""
        self.touches_m: list[float] = []
        self.shift_m = 0.0
        self._sought = asked
        self._profile = profile
        self._by_loop = SpeedByLoop(profile)
        self._kept = kept
        self._switch_acts = switch_acts
        self.figures = figures = seek_figures(profile)
        actuator = profile.actuator
        self._stroke = actuator.stroke
        self._per_torque = actuator.radians_per_metre
        self._gain = actuator.reflected_mass * SPEED_BANDWIDTH_RAD_S / self._per_torque
        self._friction = actuator.friction.coulomb
        self._rate = self._gain * SPEED_BANDWIDTH_RAD_S / 4
        self.by_switch = asked.by == "home_switch"
        switch = profile.reference.home_switch
        side = asked.end if switch is None or not self.by_switch else switch.side
        self._sense = -1 if side == "lower" else 1  # of the side sought
        self._speed = figures.speed_m_s * (SWITCH_SPEED_SHARE if self.by_switch else 1.0)
        self._other_m = asked.other_end_m
        self._other = False  # the other end is being sought
        self._integral = 0.0
        self._held_N = self._base_N = spring_force_N
        self._load_N = 0.0
        self._target = 0.0
        self._half_m = math.nan  # output position at half of an end's force
        self._free = False  # the output has moved in this phase
        self._begin(_Phase.APPROACH, self._sense, estimator)
        if self.by_switch and switch_acts():
            self._begin(_Phase.RELEASE, -self._sense, estimator)

    # -- one cycle ---------------------------------------------------------------------

    def torque(self, estimator: Estimator, spring_force_N: float, dt: float, most: float) -> float:
        """Return the motor torque in N·m, profile sign, within ±``most``; 0 once ``ended``."""
        if not self._goes_on(estimator, spring_force_N, dt):
            return 0.0
        step = estimator.step_s
        most = min(most, self.figures.torque_N_m)
        error = self._target - estimator.nut_velocity_m_s
        self._integral = max(-most, min(most, self._integral + self._rate * error * step))
        self._held_N += (spring_force_N - self._held_N) * step / (BALANCES_S + step)
        # The load is held, not the spring force: a drive that makes twice the commanded torque
        # would press harder and harder.
        torque = self._base_N / self._per_torque + self._gain * error + self._integral
        # Pressed springs push the nut off by themselves: its friction is not compensated as well.
        if self._target and self._phase is not _Phase.LEAVE:
            torque += math.copysign(self._friction, self._target)
        return max(-most, min(most, torque))

    def velocity(
        self,
        estimator: Estimator,
        spring_force_N: float,
        dt: float,
        most_N_m: float,
        measured_N_m: float,
    ) -> float:
        """Return the nut velocity in m/s for a drive's own loop; 0 once ``ended``."""
        if not self._goes_on(estimator, spring_force_N, dt):
            return 0.0
        if not math.isfinite(measured_N_m):
            self._fail("the drive no longer reports torque. Fix: check its messages")
            return 0.0
        most = min(most_N_m, self.figures.torque_N_m)
        return self._by_loop.velocity(self._target, most, measured_N_m, estimator)

    def _goes_on(self, estimator: Estimator, spring_force_N: float, dt: float) -> bool:
        if not self.ended:
            self._time += dt
            self._follow(estimator, spring_force_N)
        return not self.ended

    def _follow(self, estimator: Estimator, force_N: float) -> None:
        # Each is written so that NaN ends the motion.
        figures, output = self.figures, estimator.output_position_m
        if not abs(force_N) <= figures.force_N:
            self._fail(
                f"the springs carry {FORCE(force_N):.0f}{FORCE}, above "
                f"{FORCE(figures.force_N):.0f}{FORCE}: a weight acts "
                "on the rod, or the obstacle met is not an end. Fix: take the weights off"
            )
        elif not abs(estimator.nut_velocity_m_s) <= 2.0 * self._speed + 0.005:
            self._fail(
                f"the nut ran at {SPEED(estimator.nut_velocity_m_s):.0f}{SPEED}, setpoint "
                f"{SPEED(self._speed):.1f}{SPEED}: a weight drives it, or the motor sensor counts "
                "the wrong way. Fix: take the weights off; bring the rig up"
            )
        elif not abs(output - self._began_m) <= BEYOND * self._stroke:
            self._fail(
                f"nothing was met over {LENGTH(BEYOND * self._stroke):.0f}{LENGTH}, the stroke is "
                f"{LENGTH(self._stroke):.0f}{LENGTH}. Fix: correct actuator.screw and the motor "
                "sensor's counts"
            )
        elif self._phase is _Phase.DWELL:
            self._dwell(estimator)
        elif self._phase is _Phase.LEAVE:
            self._leave(estimator, output)
        elif self._phase is _Phase.RELEASE:
            self._release(estimator, output)
        else:
            self._approach(estimator, output, force_N)

    def _begin(self, phase: _Phase, sense: int, estimator: Estimator) -> None:
        self._before_dwell_m = self._half_m
        self._phase, self._toward = phase, sense
        self._target = sense * self._speed
        if phase is _Phase.DWELL:
            self._target = 0.0
        self._time = self._still_s = 0.0
        self._began_m = self._released_m = estimator.output_position_m
        self._half_m = math.nan
        self._met_freely = self._free
        self._free = False
        self._sum = self._low = self._high = 0.0
        self._count = 0

    def _approach(self, estimator: Estimator, output: float, force_N: float) -> None:
        figures = self.figures
        if self.by_switch and self._phase is _Phase.APPROACH and self._switch_acts():
            self.touches_m.append(output)
            self._begin(_Phase.RELEASE, -self._sense, estimator)
            return
        free = abs(output - self._began_m) > FREE_M
        if free and not self._free:
            self._free = True
            self._take_load()
        rise = self._toward * (force_N - self._base_N)
        # A rig at rest may first lift its own weight off its support.
        needed = figures.rise_N if free else figures.rise_N + OVER_LOAD * figures.weight_N
        if not rise > 0.5 * needed:
            self._half_m = math.nan
        elif math.isnan(self._half_m):
            self._half_m = output
        stands = abs(estimator.output_velocity_m_s) < STANDS_SHARE * self._speed
        if rise >= needed and stands:
            self._met(estimator)
            return
        if free and not stands:
            step = estimator.step_s
            self._base_N += (force_N - self._base_N) * step / (BASE_S + step)
        if not self._blocked(estimator):
            return
        if rise >= BLOCKED_RISE * needed and stands:
            self._met(estimator)  # with all the torque that is permitted
        elif rise <= -BLOCKED_RISE * needed:
            self._fail(
                f"the spring force reads {FORCE(rise):.0f}{FORCE} where an end would raise it: the "
                "deflection sensor counts the wrong way. Fix: bring the rig up"
            )
        else:
            at = f"the nut stopped at {LENGTH(estimator.nut_position_m):.1f}{LENGTH}"
            self._fail(
                f"{at}, the springs carry {FORCE(rise):.1f}{FORCE} of the "
                f"{FORCE(needed):.0f}{FORCE} that an end gives: "
                "the screw is tight there, or its friction above the profile's. Fix: check the "
                "screw; correct actuator.friction"
            )

    def _met(self, estimator: Estimator) -> None:
        if self._phase is _Phase.SET_DOWN:
            self._finish()
        elif self.by_switch:
            self._fail(
                f"an end was met at {LENGTH(estimator.output_position_m):.1f}{LENGTH} and the home "
                "switch did not act: it is not connected, wired inverted, or its cam is lost. "
                "Fix: move it by hand and watch the input; correct reference.home_switch"
            )
        else:
            self._begin(_Phase.DWELL, self._toward, estimator)

    def _blocked(self, estimator: Estimator) -> bool:
        if self._time > STARTING_S:
            moving = estimator.nut_velocity_m_s * self._toward
            still = moving < BLOCKED_SHARE * self._speed
            self._still_s = self._still_s + estimator.step_s if still else 0.0
        return self._still_s > BLOCKED_S

    def _dwell(self, estimator: Estimator) -> None:
        """Rest at a touch; judge whether the obstacle met rests as well."""
        output = estimator.output_position_m
        if self._time > DWELL_S - MEAN_S and estimator.step_s > 0.0:
            self._low = output if not self._count else min(self._low, output)
            self._high = output if not self._count else max(self._high, output)
            self._sum += output
            self._count += 1
        if self._time < DWELL_S or self._count < 2:
            return
        at = self._sum / self._count
        gave = self._toward * (at - self._before_dwell_m)
        if gave > YIELD_M or self._high - self._low > STILL_M:
            self._fail(
                f"what stopped the output at {LENGTH(at):.1f}{LENGTH} gives way, by "
                f"{LENGTH(max(gave, self._high - self._low)):.2f}{LENGTH}: a hand or a cushion, not an "
                "end. Fix: clear the travel"
            )
            return
        if self._other:
            self._other_m = at
        elif self._met_freely:
            self.touches_m.append(at)  # one that began in contact would have another load
        self._begin(_Phase.LEAVE, -self._toward, estimator)

    def _leave(self, estimator: Estimator, output: float) -> None:
        if self._blocked(estimator):
            self._fail(
                f"the output did not come back from {LENGTH(self._began_m):.1f}{LENGTH}: something "
                "holds it there, or a weight acts on it. Fix: clear the travel, take the weights "
                "off"
            )
            return
        if self._toward * (output - self._began_m) < CLEAR_M:
            return
        self._take_load()
        self._next(estimator)

    def _take_load(self) -> None:
        """Treat the present force as that of the load."""
        # The part that the integral already carries is carried by the base from here on.
        self._integral -= (self._held_N - self._base_N) / self._per_torque
        self._base_N = self._load_N = self._held_N

    def _release(self, estimator: Estimator, output: float) -> None:
        """Leave the home switch until it has released, and a little more."""
        switch = self._profile.reference.home_switch
        assert switch is not None
        gone = self._toward * (output - self._began_m)
        zone = switch.position if switch.side == "lower" else self._stroke - switch.position
        if self._switch_acts():
            self._released_m = output
            if gone > zone + SWITCH_ROOM_M or self._blocked(estimator):
                self._fail(
                    f"the home switch still acts {LENGTH(gone):.1f}{LENGTH} away from its end, it must "
                    f"have released after {LENGTH(zone):.1f}{LENGTH}: wired inverted, or stuck. Fix: "
                    "correct its wiring or reference.home_switch.active"
                )
        elif self._toward * (output - self._released_m) > CLEAR_M:
            self._take_load()
            self._next(estimator)

    def _next(self, estimator: Estimator) -> None:
        """Continue after a touch: once more, to the other end, or to the verdict."""
        sought = self._sought
        if len(self.touches_m) < sought.touches:
            self._begin(_Phase.APPROACH, self._sense, estimator)
            return
        spread = max(self.touches_m) - min(self.touches_m)
        if spread > SCATTER_M:
            self._fail(
                f"the touches lie {LENGTH(spread):.2f}{LENGTH} apart, more than "
                f"{LENGTH(SCATTER_M):.1f}{LENGTH}: "
                "the obstacle met moves, or the motor sensor slips. Fix: clear the travel; check "
                "the sensor's clamp"
            )
            return
        if self._confirm():
            self._set_down(estimator)
        elif not self.ended:
            self._other = True
            self._begin(_Phase.APPROACH, -self._sense, estimator)

    def _confirm(self) -> bool:
        """Return whether another sign confirms the touch; fails if one contradicts it."""
        at = sum(self.touches_m) / len(self.touches_m)
        if self.by_switch:
            switch = self._profile.reference.home_switch
            assert switch is not None
            self.shift_m = switch.position - at
            self.confirmed_by = "it released and acted again at each touch"
            return True
        self.shift_m = (0.0 if self._sense < 0 else self._stroke) - at
        if self._other_m is not None:
            stroke = abs(self._other_m - at)
            allowed = max(STROKE_OFF_M, STROKE_OFF_SHARE * self._stroke)
            if abs(stroke - self._stroke) > allowed:
                self._fail(
                    f"the two ends lie {LENGTH(stroke):.1f}{LENGTH} apart, the stroke is "
                    f"{LENGTH(self._stroke):.1f} ± {LENGTH(allowed):.1f}{LENGTH}: one of them is not an "
                    "end. Fix: clear the travel; measure actuator.stroke"
                )
                return False
            travel = self._profile.limits.travel
            line = travel.upper + travel.tripped_beyond
            if stroke < line <= self._stroke:
                upper = math.floor(10.0 * LENGTH(stroke - travel.tripped_beyond)) / 10.0
                self._fail(
                    f"the two ends lie {LENGTH(stroke):.1f}{LENGTH} apart, the stroke is stated as "
                    f"{LENGTH(self._stroke):.1f}{LENGTH}, and limits.travel trips at "
                    f"{LENGTH(line):.1f}{LENGTH} "
                    "only, past the end that was met. Fix: write actuator.stroke: "
                    f"{LENGTH(stroke):.1f}{LENGTH}, and limits.travel.upper: {upper:.1f}{LENGTH} at most"
                )
                return False
            self.confirmed_by = f"both ends lie {LENGTH(stroke):.2f}{LENGTH} apart"
            return True
        if self._kept and abs(self.shift_m) < KEPT_OFF_M:
            self.confirmed_by = (
                f"the reference known before was {LENGTH(self.shift_m):+.2f}{LENGTH} off"
            )
            return True
        return False

    def _set_down(self, estimator: Estimator) -> None:
        """Let no load fall when the torque ends: bring it to the end that carries it."""
        if abs(self._load_N) < LOAD_SHARE * self.figures.rise_N:
            self._finish()
            return
        self._begin(_Phase.SET_DOWN, -1 if self._load_N > 0.0 else 1, estimator)

    def _finish(self) -> None:
        spread = repeatability(self.touches_m)
        what = "home switch" if self.by_switch else f"{self._sought.end} end"
        self.ended = "found"
        self.text = (
            f"{what} found, {len(self.touches_m)} touches, unidirectional repeatability "
            f"R = 4 s = {FINE(spread):.1f} {FINE.key}; {self.confirmed_by}"
        )

    def _fail(self, why: str) -> None:
        self.ended, self.text = "not_found", f"reference not found: {why}"
