"""From asked to shaped force: bumpless change of behaviour, rate and caps.

A plain rate limiter lags behind a force that answers motion, and so feeds energy into the
output: a stiff virtual spring struck hard would swing for ever. So what answers motion has
only its slope cut and turns round when the setpoint does (after Rundqwist, "Phase
compensation of rate limiters in unstable aircraft", IEEE CCA 1996, from memory); what is
missing then comes slowly. A jump of the setpoint, which no motion can cause, is ramped.
"""

from __future__ import annotations

from hil.core import Limit
from hil.profile import Profile

IMPOSSIBLE_N = 1e9  # beyond this a force is a mistake, not a wish
BLEND_S = 0.08  # time constant with which the step of a change of behaviour dies away
JUMP_RATES = 2.0  # change of slope from cycle to cycle, in rate limits, that is a jump
SLOW_S = 0.5  # time constant for what was cut off a slope, while slopes are still being cut
CALM_S = 0.1  # without a cut; from then on it comes as quickly as a change of behaviour
# With which a force that a cap imposed dies away once the cap opens; at the rate alone, 500 N that caught a
# light output would go on for 60 ms and throw it back.
RELEASE_S = 0.01
SETTLED_N = 0.5


class Shaper:
    """``shape`` once a cycle; ``limited`` tells which limits trimmed the last one.

    Shaped force = setpoint + four parts that die away: ``_blend`` of a change of
    behaviour, ``_jump`` still to be ramped, ``_forced`` by a cap that brakes, ``_cut`` off slopes.
    """

    def __init__(self, profile: Profile) -> None:
        self._rate = profile.limits.force_rate.limited
        self.limited = 0
        self.start(0.0)

    def start(self, force_N: float) -> None:
        """Begin at ``force_N``, whatever the new behaviour asks for at first."""
        self._shaped = force_N
        self._blend = self._jump = self._forced = self._cut = 0.0
        self._asked = self._slope_N_s = 0.0
        self._calm_s = CALM_S
        self._fresh = True

    def shape(
        self, setpoint_N: float, low_N: float, high_N: float, dt: float, quick: bool = True
    ) -> float:
        """Shaped force in N, never outside [low, high] (``low_N`` ≤ ``high_N``), never NaN.

        ``quick``: what a cap imposed may go quicker than the rate; not where a virtual spring asks, whose
        swing it would feed.

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
        # Caps come last: holding a limit outranks holding a rate. What a cap takes is ramped
        # back when it opens.
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
        """Change of the setpoint in N since the last call, jumps left out and kept for the ramp."""
        if not -IMPOSSIBLE_N < setpoint < IMPOSSIBLE_N:
            return 0.0
        change = 0.0
        if self._fresh:
            self._fresh = False
            self._blend = self._shaped - setpoint
            self._asked = setpoint
        elif dt > 0.0:
            change = setpoint - self._asked
            bend = change - self._slope_N_s * dt
            if -JUMP_RATES * step <= bend <= JUMP_RATES * step:
                self._slope_N_s = change / dt
            else:
                # Go on as before the jump, but no steeper than permitted: held above the
                # rate, a slope would be cut and made good by jumps for ever.
                rate = self._rate
                self._slope_N_s = slope = max(-rate, min(rate, self._slope_N_s))
                self._jump += slope * dt - change
                change = slope * dt
            self._asked = setpoint
        return change

    def _ramp_jump(self, change: float, step: float) -> float:
        """Part in N of what jumped that the rate leaves room for beside ``change``."""
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
        """Part in N of what a cap imposed that goes beside ``change``: at the rate, or quicker.

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
        """Part in N of what the rate cut off before that it leaves room for now."""
        slow = SLOW_S if self._calm_s < CALM_S else BLEND_S
        come = -self._cut * dt / (slow + dt)
        if change + come > step:
            come = step - change
        elif change + come < -step:
            come = -step - change
        self._cut += come
        return come
