"""Watch over the spring law against the motor, by what this rig has shown.

While the nut moves, torque less inertia and friction is the spring force. The difference of
the measured force from it is learned: a share of the force (spring rate, torque constant), half
a difference between driving and being driven (the screw's losses), and dry friction. A healthy
rig off by a fifth stays within a few newtons of its own law; a faulty sensor, a broken spring
or a changed torque constant departs from it at once.
"""

from __future__ import annotations

import math
from typing import Final

from drivers.motion import FORCE, LENGTH
from hil.control import Estimator, ForceCalibration
from hil.core import Limit
from hil.profile import Profile

# Standard deviations before anything is learned: of the share, of the difference of both directions,
# of dry friction as a share of the stated one. A rig off by a fifth is healthy.
SHARE: Final = 0.08
WAYS: Final = 0.02
FRICTION: Final = 0.17
# Their drift in a second of motion: temperature, wear; assumptions, no source.
SHARE_PER_S: Final = 0.004
FRICTION_PER_S: Final = 0.05
SIGMAS: Final = 3.0
# Measured in healthy sessions (tests/campaigns/healthy_sessions.py), as shares of the force limit:
# scatter about the learned law, and its largest value once the nut has moved for ``MOVED_S``.
SCATTER_SHARE: Final = 0.012
LEAST_SHARE: Final = 0.05
# A drive's own loop turns each count of its speed into torque, of which one sample a cycle is read: the
# scatter is this many times as large. Measured there as well.
SCATTER_TIMES: Final = {"torque": 1.0, "velocity": 3.0, "position": 5.0}
LEARNED_FROM: Final = 0.5  # of the smallest allowed difference: smaller ones are learned
SCATTER_S: Final = 0.05  # correlation time of the scatter
LAG_S: Final = 0.001  # between spring force and torque as read; measured there as well
# Lag of the motor-derived force: filter and observer of the estimator. The force that it is compared with
# gets the same lag: at 8 kN/s a share of 0.19 differed by 30 N without it, by 5 N with it. Measured there.
FOLLOWS_S: Final = 0.012
# A smaller difference accumulates: its excess over scatter and uncertainty, over time, in force limit times
# seconds (CUSUM, Page 1954, from memory). Healthy sessions reach half of it.
ADDED_UP_S: Final = 0.0003
# Beyond the largest force shown so far, the law is less certain than the calibration states, by this share
# of the excess. From healthy sessions, no source.
BEYOND_SHARE: Final = 0.1
MOVING_M_S: Final = 0.008
MOVED_S: Final = 0.015
# A nut that reverses or is shaken is slow for some milliseconds, in which inertia and a torque unseen
# between two samples look like a wrong force.
STOOD_S: Final = 0.01
LASTING_S: Final = 0.03
# Motion with law and motor in agreement before a difference counts as a change. A rig that has shown none
# may be off by GROSS_TIMES the allowed difference: it is not calibrated yet. An assumption.
SHOWN_S: Final = 0.05
# Beyond this multiple of the allowed difference time counts by its square, up to this weight: a fault
# needs 10 ms to be identified.
GROSS_TIMES: Final = 1.5
MOST_WEIGHT: Final = 3.0
# A deflection sensor that slips or is held in its mount: since the forces last agreed within this share of
# the allowed difference, the nut has moved on, motor force has risen with it by the spring rate, and the
# deflection has not. From trials on the simulated rigs, no source.
AGREED_SHARE: Final = 0.5
LEAST_NUT_M: Final = 3e-4
HELD_SHARE: Final = 0.3
RATES: Final = (0.6, 1.6)
STUCK_FRICTION_TIMES: Final = 1.5  # of the stated break-away friction

Row = tuple[float, float, float]


def _within(value: float, most: float) -> float:
    return most if value > most else -most if value < -most else value


class SpringLawWatch:
    """Watch over the spring law; one ``look`` a cycle while the bench relies on power.

    Attributes:
        parted_N: measured less expected spring force. allowed_N: explained difference.
        share: excess of the motor's force over the measured one on this rig, as a share.
    """

    def __init__(self, profile: Profile) -> None:
        actuator = profile.actuator
        screw, friction = actuator.transmission, actuator.friction
        self._loss_forward = 1 / screw.efficiency_forward - 1
        self._loss_backward = 1 - screw.efficiency_backward
        per_metre = actuator.radians_per_metre
        self._dry_N = max(friction.coulomb, friction.breakaway) * per_metre
        force = profile.limits.force.limited
        springs = actuator.springs
        self._rates = RATES[0] * springs.rate_per_set, RATES[1] * 2.0 * springs.rate_per_set
        times = SCATTER_TIMES[profile.control.source]
        self._least_N = LEAST_SHARE * force * max(1.0, 0.5 * times)
        self._scatter_N = SCATTER_SHARE * force * times
        self._most_N_s = ADDED_UP_S * force
        self._variance_s = self._scatter_N**2 * SCATTER_S
        self.use_calibration(profile)
        self.reset()

    def use_calibration(self, profile: Profile) -> None:
        """Forget this rig: another calibration is in force."""
        self._stated = ForceCalibration(profile.calibration, profile.sensors.deflection)
        self._forget()

    def _forget(self) -> None:
        self.share = self._ways = self._friction_N = 0.0
        self._shown_s = 0.0
        self._push_N = self._pull_N = 0.0  # largest that agreed in motion
        dry = FRICTION * self._dry_N
        self._rows: tuple[Row, Row, Row] = (
            (SHARE * SHARE, 0.0, 0.0),
            (0.0, WAYS * WAYS, 0.0),
            (0.0, 0.0, dry * dry),
        )

    def reset(self) -> None:
        """Restart the timers; what was learned stays."""
        self.parted_N = 0.0
        self.allowed_N = self._unsure_N = math.inf
        self._sense = self._added_N_s = 0.0
        # Lagged like the motor's force.
        self._force_N, self._way_N, self._turned = math.nan, 0.0, 0.0
        self._moved_s = self._stood_s = self._wrong_s = self._rate_N_s = 0.0
        self._last_N = math.nan
        self._agreed = self._now = (0.0, 0.0, 0.0)  # nut m, deflection m, motor force N

    def take_over(self, before: SpringLawWatch) -> None:
        """Take over what another watch has learned of this rig."""
        self.share, self._ways = before.share, before._ways
        self._friction_N, self._rows = before._friction_N, before._rows
        self._shown_s = before._shown_s
        self._push_N, self._pull_N = before._push_N, before._pull_N

    def look(self, estimator: Estimator, force_N: float) -> int:
        """Take the newest sample, measured force without tare; return 0 or ``Limit.DISAGREEMENT``."""
        dt = estimator.step_s
        if not dt > 0.0:
            return 0
        last, self._last_N = self._last_N, force_N
        self._rate_N_s = abs(force_N - last) / dt if last == last else 0.0
        velocity = estimator.nut_velocity_m_s
        sense = 1.0 if velocity > MOVING_M_S else -1.0 if velocity < -MOVING_M_S else 0.0
        self._moved_s = self._moved_s + dt if sense and sense == self._sense else 0.0
        self._stood_s = 0.0 if sense else self._stood_s + dt
        self._sense = sense
        self._follow(force_N, sense, dt)
        if self._moved_s >= MOVED_S:
            parted = self._moving(estimator, force_N, dt)
        elif self._stood_s >= STOOD_S:
            parted = self._standing(estimator, force_N)
        elif self._shown_s >= SHOWN_S:
            # It reverses: only what no friction in either direction explains.
            before = self.allowed_N
            parted = self._standing(estimator, force_N)
            if not abs(parted) > GROSS_TIMES * self.allowed_N:
                self.allowed_N = before
                return 0
        else:
            return 0
        self.parted_N = parted
        self._now = estimator.nut_position_m, estimator.deflection_m, estimator.motor_force_N
        if abs(parted) < AGREED_SHARE * self.allowed_N:
            self._agreed = self._now
        if self._moved_s >= MOVED_S and self._adds_up(force_N, dt):
            return Limit.DISAGREEMENT
        times = abs(parted) / self.allowed_N
        if times > 1.0:
            self._wrong_s += dt * min(times * times, MOST_WEIGHT) if times > GROSS_TIMES else dt
            known = self._shown_s >= SHOWN_S
            if self._wrong_s >= LASTING_S and (known or (sense and times > GROSS_TIMES)):
                return Limit.DISAGREEMENT
        elif sense:
            self._shown_s += dt
            self._wrong_s = max(0.0, self._wrong_s - dt)
        return 0

    def _follow(self, force: float, sense: float, dt: float) -> None:
        """Lag force, its half in the direction of motion, and direction as the motor's force lags them."""
        way = 0.5 * force * sense if force > 0.0 else -0.5 * force * sense
        if not -1e9 < self._force_N < 1e9:
            self._force_N, self._way_N, self._turned = force, way, sense
        part = dt / (FOLLOWS_S + dt)
        self._force_N += part * (force - self._force_N)
        self._way_N += part * (way - self._way_N)
        self._turned += part * (sense - self._turned)

    def _adds_up(self, force: float, dt: float) -> bool:
        """Return whether the excess over scatter and uncertainty adds up to a change."""
        shown = self._push_N if force > 0.0 else self._pull_N
        size = force if force > 0.0 else -force
        more = size - shown if size > shown else 0.0
        known = self._shown_s >= SHOWN_S
        beyond = self._beyond_shown_N(force)
        unsure = self._unsure_N + beyond if known else GROSS_TIMES * self._unsure_N
        # A law may bend within what its calibration states, and a learned share does not.
        explained = math.hypot(self._scatter_N, self._unsure_N if known else unsure)
        explained += self._stated.u95(force) + beyond
        parted = abs(self.parted_N)
        # However large, it needs ``LASTING_S``: a faulty sensor is identified by then.
        over = min(parted - explained, self._most_N_s / LASTING_S)
        added = self._added_N_s + over * dt
        self._added_N_s = added if added > 0.0 else 0.0
        if parted < explained:
            shown += dt / (SCATTER_S + dt) * more
            if force > 0.0:
                self._push_N = shown
            else:
                self._pull_N = shown
        if added < self._most_N_s or parted < explained:
            return False
        self.allowed_N = explained
        return True

    def _moving(self, estimator: Estimator, force_N: float, dt: float) -> float:
        """Return the difference in N from the learned law, then update the law (Kalman filter)."""
        force, way, sense = self._force_N, self._way_N, self._turned
        (a, b, c), (_, d, e), (_, _, f) = self._rows
        to_share = a * force + b * way + c * sense
        to_ways = b * force + d * way + e * sense
        to_friction = c * force + e * way + f * sense
        spread = force * to_share + way * to_ways + sense * to_friction
        self._unsure_N = unsure = SIGMAS * math.sqrt(spread)
        # A blow changes the force by half within a millisecond, in which torque lags. In quadrature,
        # scatter and uncertainty would stop a healthy slide against a blocked output once in 200
        # sessions; learning uses quadrature, so that a law a fifth softer is not learned.
        self.allowed_N = (
            self._least_N + unsure + LAG_S * self._rate_N_s + self._beyond_shown_N(force_N)
        )
        parted = estimator.motor_force_N - force_N
        parted -= self.share * force + self._ways * way + self._friction_N * sense
        # A change of the law must not be learned before it is detected.
        if abs(parted) < math.hypot(LEARNED_FROM * self._least_N, unsure):
            scale = 1.0 / (spread + self._variance_s / dt)
            gain = parted * scale
            self.share = _within(self.share + to_share * gain, SIGMAS * SHARE)
            self._ways = _within(self._ways + to_ways * gain, SIGMAS * WAYS)
            most = SIGMAS * FRICTION * self._dry_N
            self._friction_N = _within(self._friction_N + to_friction * gain, most)
            wander = SHARE_PER_S * SHARE_PER_S * dt
            dry = FRICTION_PER_S * self._dry_N
            row_a = a - to_share * to_share * scale + wander
            row_d = d - to_ways * to_ways * scale + wander
            row_f = f - to_friction * to_friction * scale + dry * dry * dt
            b -= to_share * to_ways * scale
            c -= to_share * to_friction * scale
            e -= to_ways * to_friction * scale
            self._rows = ((row_a, b, c), (b, row_d, e), (c, e, row_f))
        return parted

    def _standing(self, estimator: Estimator, force: float) -> float:
        """Return the difference in N from the law for a nut whose friction may act in either direction."""
        expected = self.expected_N(force)
        size = expected if expected >= 0.0 else -expected
        net = force - estimator.disturbance_N - expected
        loss = self._loss_forward if net * expected > 0.0 else self._loss_backward
        self.allowed_N = (
            self._least_N
            + STUCK_FRICTION_TIMES * self._dry_N
            + loss * size
            + self.error_N(force)
            + self._beyond_shown_N(force)
        )
        return net

    def _beyond_shown_N(self, force: float) -> float:
        """Return the uncertainty in N of a known law beyond the largest force that it was shown with."""
        shown = self._push_N if force > 0.0 else self._pull_N
        more = (force if force > 0.0 else -force) - shown
        return BEYOND_SHARE * more if more > 0.0 and self._shown_s >= SHOWN_S else 0.0

    def expected_N(self, force_N: float) -> float:
        """Return the spring force as the motor would show it, in N, without friction and losses."""
        return (1.0 + self.share) * force_N

    def error_N(self, force_N: float) -> float:
        """Return the largest error of :meth:`expected_N` in N."""
        return SIGMAS * math.sqrt(self._rows[0][0]) * abs(force_N)

    @property
    def deflection_held(self) -> bool:
        """True if the difference grew as with a deflection sensor that slips or is held."""
        nut, deflection, motor = (n - a for n, a in zip(self._now, self._agreed, strict=True))
        if not abs(nut) > LEAST_NUT_M or not abs(deflection) < HELD_SHARE * abs(nut):
            return False
        # Under a growing load: increased friction also acts against the way back.
        low, high = self._rates
        return motor * self._now[1] > 0.0 and low < motor / nut < high

    def text(self) -> str:
        """Return one sentence with numbers."""
        if self.deflection_held:
            nut, deflection, motor = (n - a for n, a in zip(self._now, self._agreed, strict=True))
            return (
                f"the motor-derived force changed by {FORCE(motor):+.0f}{FORCE} over "
                f"{LENGTH(nut):+.2f}{LENGTH} of nut "
                f"travel, as the springs do, and the deflection by {LENGTH(deflection):+.2f}{LENGTH} only: "
                "the deflection sensor slips in its mount, is held or has reached its end"
            )
        differ = (
            f"spring force and motor-derived force differ by {FORCE(abs(self.parted_N)):.0f}{FORCE}"
        )
        if self._shown_s < SHOWN_S:
            return (
                f"{differ} in the first motion, beyond {FORCE(self.allowed_N):.0f}{FORCE} of friction and "
                "uncertainty: calibration, a sensor, a spring or the torque is not as stated"
            )
        return (
            f"{differ} from what this rig showed before, beyond "
            f"{FORCE(self.allowed_N):.0f}{FORCE} of friction "
            "and uncertainty: a sensor, a spring, the screw or the torque has changed"
        )
