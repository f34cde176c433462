"""From asked to shaped force: bumpless change of behaviour, rate and caps."""

from __future__ import annotations

from hil.limits import Limit
from hil.profile.schema import Profile

BLEND_S = 0.08  # time constant with which the step of a change of behaviour dies away


class Shaper:
    """``shape`` once a cycle; ``bounded`` tells which limits trimmed the last one."""

    def __init__(self, profile: Profile) -> None:
        self._rate = profile.limits.force_rate.bounded
        self._shaped = 0.0
        self._offset = 0.0
        self._fresh = True
        self.bounded = 0

    def start(self, force_N: float) -> None:
        """Begin at ``force_N``, whatever the new behaviour asks for at first."""
        self._shaped = force_N
        self._fresh = True

    def shape(self, asked_N: float, low_N: float, high_N: float, dt: float) -> float:
        """Shaped force in N, never outside [low, high] (``low_N`` ≤ ``high_N``)."""
        if self._fresh:
            self._fresh = False
            self._offset = self._shaped - asked_N
        self._offset *= 1.0 - dt / (BLEND_S + dt)
        wanted = asked_N + self._offset
        self.bounded = 0
        step = self._rate * dt
        change = wanted - self._shaped
        if change > step or change < -step:
            wanted = self._shaped + (step if change > 0 else -step)
            self.bounded = 1 << Limit.FORCE_RATE
        # Caps come last: holding a limit outranks holding a rate.
        if wanted > high_N:
            wanted = high_N
        elif wanted < low_N:
            wanted = low_N
        self._shaped = wanted
        return wanted
