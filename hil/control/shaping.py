"""From force setpoint to shaped force: bumpless change of behaviour, rate and caps.

A plain rate limiter lags behind a force that responds to motion, and so feeds energy into the
output: a stiff virtual spring struck hard would oscillate forever. So a response to motion has
only its slope cut and reverses when the setpoint does (after Rundqwist, "Phase
compensation of rate limiters in unstable aircraft", IEEE CCA 1996, from memory); the
missing part then follows slowly. A jump of the setpoint, which no motion can cause, is ramped.
"""

from __future__ import annotations

from typing import Final

from hil.core import Limit
from hil.profile import Profile

IMPOSSIBLE_N: Final = 1e9  # beyond this a force is an error, not a setpoint
BLEND_S: Final = 0.08  # time constant with which the step of a change of behaviour decays
JUMP_RATES: Final = 2.0  # change of slope from cycle to cycle, in rate limits, that is a jump
SLOW_S: Final = 0.5  # time constant for the part cut off a slope, while slopes are still being cut
CALM_S: Final = 0.1  # without a cut; from then on it decays as quickly as a change of behaviour
# Time constant with which a force imposed by a cap decays once the cap opens; at the rate alone, 500 N that
# caught a light output would last for 60 ms and throw it back.
RELEASE_S: Final = 0.01
SETTLED_N: Final = 0.5


class Shaper:
    """Shaper of the force; ``shape`` once a cycle; ``limited`` is the mask of limits that acted last.

    Shaped force = setpoint + four parts that decay: ``_blend`` of a change of behaviour,
    ``_jump`` still to be ramped, ``_forced`` by a cap that brakes, ``_cut`` off slopes.
    """

    def __init__(self, profile: Profile) -> None:
        self._rate = profile.limits.force_rate.limited
        self.limited = 0
        self.start(0.0)

    def start(self, force_N: float) -> None:
        """Start at ``force_N``, whatever the new behaviour's first setpoint."""
        self._shaped = force_N
        self._blend = self._jump = self._forced = self._cut = 0.0
        self._setpoint = self._slope_N_s = 0.0
        self._calm_s = CALM_S
        self._fresh = True

    def shape(
        self, setpoint_N: float, low_N: float, high_N: float, dt: float, quick: bool = True
    ) -> float:
        """Return the shaped force in N, never outside [low, high] (``low_N`` ≤ ``high_N``), never NaN.

        ``quick``: a force imposed by a cap may decay quicker than the rate; not for a virtual spring, whose
        oscillation it would feed.

        ``dt`` is the time since the last call, in s, and may differ from call to call. A
        setpoint no steeper than the rate is followed exactly, whatever the times.
        """
        step = self._rate * dt
        self.limited = 0
        change = self._follow(setpoint_N, step, dt)
        faded = self._blend * dt / (BLEND_S + dt)
        self._blend -= faded
        change -= faded
        if change > step or change < -step:
            within = step if change > 0.0 else -step
            self._cut += within - change
            change = within
            self._calm_s = 0.0
            self.limited = 1 << Limit.FORCE_RATE
        else:
            self._calm_s += dt
        if self._jump != 0.0:
            change += self._ramp_jump(change, step)
        if self._forced != 0.0:
            change += self._release(change, step, setpoint_N, dt, quick)
        if self._cut != 0.0:
            change += self._make_good(change, step, dt)
        wanted = self._shaped + change
        # Caps come last: a limit outranks a rate. The part that a cap takes is ramped back
        # when it opens.
        if wanted > high_N:
            if high_N < 0.0:
                self._forced += high_N - wanted
            else:
                self._jump += high_N - wanted
            wanted = high_N
        elif wanted < low_N:
            if low_N > 0.0:
                self._forced += low_N - wanted
            else:
                self._jump += low_N - wanted
            wanted = low_N
        self._shaped = wanted
        return wanted

    def _follow(self, setpoint: float, step: float, dt: float) -> float:
        """Return the setpoint's change in N since the last call, with jumps kept for the ramp."""
        if not -IMPOSSIBLE_N < setpoint < IMPOSSIBLE_N:
            return 0.0
        change = 0.0
        if self._fresh:
            self._fresh = False
            self._blend = self._shaped - setpoint
            self._setpoint = setpoint
        elif dt > 0.0:
            change = setpoint - self._setpoint
            bend = change - self._slope_N_s * dt
            if -JUMP_RATES * step <= bend <= JUMP_RATES * step:
                self._slope_N_s = change / dt
            else:
                # Continue as before the jump, but no steeper than permitted: held above the
                # rate, a slope would be cut and made up by jumps forever.
                rate = self._rate
                self._slope_N_s = slope = max(-rate, min(rate, self._slope_N_s))
                self._jump += slope * dt - change
                change = slope * dt
            self._setpoint = setpoint
        return change

    def _ramp_jump(self, change: float, step: float) -> float:
        """Return the part in N of the jump that the rate leaves room for next to ``change``."""
        ramped = -self._jump
        if change + ramped > step:
            ramped = step - change
        elif change + ramped < -step:
            ramped = -step - change
        self._jump += ramped
        if not -SETTLED_N <= self._jump <= SETTLED_N:
            self.limited = 1 << Limit.FORCE_RATE
        return ramped

    def _release(
        self, change: float, step: float, setpoint: float, dt: float, quick: bool
    ) -> float:
        """Return the part in N of a cap's force that decays next to ``change``: at the rate, or quicker.

        Quicker only towards less force, and to the setpoint.
        """
        forced, shaped = self._forced, self._shaped
        most = step
        if quick and forced * shaped > 0.0:
            beyond = shaped - setpoint if forced > 0.0 else setpoint - shaped
            imposed = min(abs(forced), abs(shaped), beyond) * dt / (RELEASE_S + dt)
            most = imposed if imposed > step else step
        back = -forced
        if forced > 0.0 and change + back < -most:
            back = min(-most - change, 0.0)
        elif forced < 0.0 and change + back > most:
            back = max(most - change, 0.0)
        self._forced += back
        if not -SETTLED_N <= self._forced <= SETTLED_N:
            self.limited = 1 << Limit.FORCE_RATE
        return back

    def _make_good(self, change: float, step: float, dt: float) -> float:
        """Return the part in N cut off earlier by the rate that it leaves room for now."""
        slow = SLOW_S if self._calm_s < CALM_S else BLEND_S
        come = -self._cut * dt / (slow + dt)
        if change + come > step:
            come = step - change
        elif change + come < -step:
            come = -step - change
        self._cut += come
        return come
