"""Judge of the fault campaign: figures compared with the truth, and how much of an error is
observable.

A false force is seen by the motor while the nut moves, but for half of the stated friction. While
it stands, friction carries any difference up to break-away and the screw's loss: within that
bound, computed each cycle from the profile and the true force, nothing on the rig shows it, and
the force that a person feels is the one the springs give. A law that was false before power came,
by up to a fourth, is that of a rig never seen otherwise. A false position is seen by the drive's
velocity; of a motor sensor that froze at rest only torque beyond the same bound tells.
"""

from __future__ import annotations

import math

from drivers.base import PowerStage
from hil.bench.lockstep import LockstepBench
from hil.core import State
from hil.core.samples import INDEX

# Figures must stay within this; a session must not continue beyond it, as a mean over 20 ms.
FALSE_SHARE, FALSE_M, MEAN_S = 0.05, 0.001, 0.020
# The nut shows the force once it has moved so fast for so long; then stated friction may be half
# as much again, as everywhere in supervision.
MOVING_M_S, MOVED_S, FRICTION_TIMES = 0.008, 0.015, 1.5
UNKNOWN_SHARE = 0.25  # of the force, on a rig that has not moved under power yet
ENERGISED = (PowerStage.ON, PowerStage.CHANGING, PowerStage.QUICK_STOP)
SOLID_SHARE = 0.98  # of the deflection at which the coils touch
# Places of the largest force.
POWERED, REMOVED = "under power", "power removed"
SOLID, AT_END = "springs solid", "at an end"


class Watch:
    """Runner of a bench from the fault on; it keeps what the judge needs."""

    def __init__(self, bench: LockstepBench) -> None:
        self.bench = bench
        self.core = bench.drive.core
        self.core.reset_peaks()
        self.began_s = self.now_s + bench.period_s
        self.stopped_s = self.false_s = math.nan
        self.peak, self._peak_N = "", 0.0
        self.borne_N = 0.0  # by the springs at the stop
        self.false_N = self._false_N = self._false_m = 0.0
        self.visible_s = self.unseen_N = self._moved_s = self._sense = 0.0
        self._froze_moving = abs(self.core.physics.nut_velocity_m_s) > MOVING_M_S
        actuator = bench.profile.actuator
        friction, screw = actuator.friction, actuator.transmission
        self._most_N = FALSE_SHARE * bench.profile.limits.force.limited
        self._per_metre = actuator.radians_per_metre
        dry = max(friction.coulomb, friction.breakaway) * self._per_metre
        self._dry_N = FRICTION_TIMES * dry
        self._half_dry_N = (FRICTION_TIMES - 1.0) * dry
        powered = bench.bench.state in (State.STANDBY, State.RUNNING)
        self._unknown_share = 0.0 if powered else UNKNOWN_SHARE
        self._loss = max(1 / screw.efficiency_forward - 1, 1 - screw.efficiency_backward)

    @property
    def now_s(self) -> float:
        """True time: of the rig, not of the host's last wake-up."""
        return self.core.physics.time_s

    def go_on(self, seconds: float) -> None:
        bench = self.bench
        end_s = self.now_s + seconds
        while self.now_s < end_s:
            before = self.now_s
            row = bench.step()
            self.note_peak()
            if math.isnan(self.stopped_s):
                off = self.core.power not in ENERGISED
                if bench.bench.state is State.STOPPED or off:
                    self.stopped_s = self._lost_s(before, off)
                    self.borne_N = self.core.physics.spring_force_N
                    return
                self._hold_against_truth(row, self.now_s - before)

    def fall(self, seconds: float) -> None:
        """Let time pass after the stop."""
        for _ in range(round(seconds / self.bench.period_s)):
            self.bench.step()
            self.note_peak()

    def note_peak(self) -> None:
        """Track where the largest spring force occurred: with or without power, springs solid, at
        an end."""
        core = self.core
        if not core.peak_spring_force_N > self._peak_N:
            return
        self._peak_N = core.peak_spring_force_N
        physics, parameters = core.physics, core.parameters
        powered = core.power in ENERGISED and self.bench.bench.state is not State.STOPPED
        place = [POWERED if powered else REMOVED]
        deflection = abs(physics.nut_position_m - physics.output_position_m)
        if deflection > SOLID_SHARE * parameters.spring_solid_m:
            place.append(SOLID)
        if not 0.0 < physics.output_position_m < parameters.stroke_m:
            place.append(AT_END)
        self.peak = ", ".join(place)

    def _lost_s(self, before_s: float, off: bool) -> float:
        """Return the moment of the stop: in a long cycle the drive's own watch acts within it."""
        watch_s = before_s + self.core.parameters.drive_host_loss_s
        return (watch_s if off and watch_s < self.now_s else self.now_s) - self.began_s

    def _hold_against_truth(self, row: tuple[float, ...], dt: float) -> None:
        physics = self.core.physics
        part = dt / (MEAN_S + dt)
        force = row[INDEX["spring_force_N"]] - physics.spring_force_N
        place = row[INDEX["output_position_m"]] - physics.output_position_m
        self._false_N += part * (force - self._false_N)
        self._false_m += part * (place - self._false_m)
        self.false_N = max(self.false_N, abs(self._false_N))
        false_force, false_place = abs(self._false_N) > self._most_N, abs(self._false_m) > FALSE_M
        if math.isnan(self.false_s) and (false_force or false_place):
            self.false_s = self.now_s - self.began_s
        carried_N = self._carried_N(dt)
        seen = abs(self._false_N) > self._most_N + carried_N
        if false_place and not seen:
            seen = self._place_seen(row[INDEX["spring_force_N"]])
        if seen:
            self.visible_s += dt
        elif false_force:
            self.unseen_N = max(self.unseen_N, abs(self._false_N))

    def _carried_N(self, dt: float) -> float:
        """Return the force difference in N that friction may carry or explain now."""
        speed = self.core.physics.nut_velocity_m_s
        sense = 1.0 if speed > MOVING_M_S else -1.0 if speed < -MOVING_M_S else 0.0
        self._moved_s = self._moved_s + dt if sense and sense == self._sense else 0.0
        self._sense = sense
        force = abs(self.core.physics.spring_force_N)
        unknown = self._unknown_share * force
        if self._moved_s >= MOVED_S:
            return self._half_dry_N + unknown
        return self._dry_N + self._loss * force + unknown

    def _place_seen(self, measured_N: float) -> bool:
        """Return whether the drive or its torque shows that a position is false."""
        if not self.core.environment.disturbances["encoder_frozen"] or self._froze_moving:
            return True
        motor_N = (
            self.core.parameters.torque_constant_N_m_A
            * self.core.physics.current_A
            * self._per_metre
        )
        carried = self._dry_N + self._loss * abs(measured_N)
        return abs(motor_N - measured_N) > carried
