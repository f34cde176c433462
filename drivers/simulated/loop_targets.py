"""Targets of a simulated drive's own loops: taken up late, positions interpolated, a torque added."""

from __future__ import annotations

from collections import deque

from drivers.base import Mode


class LoopTargets:
    """Targets of the speed and position loops, in the wire's sense.

    Attributes:
        velocity_rad_s: velocity of the speed loop. torque_N_m: torque added to that of either loop.
    """

    def __init__(self, delay_s: float, interpolation_s: float) -> None:
        self._delay_s = delay_s
        self._interpolation_s = interpolation_s
        self.velocity_rad_s = self.torque_N_m = 0.0
        self._position_rad = self._wanted_rad = 0.0  # the latest; interpolated
        self._interpolating_s = 0.0  # left
        self._coming: deque[tuple[float, Mode, float]] = deque()  # when it is taken up, target
        self._ticked_s = 0.0

    def set(self, mode: Mode, value: float) -> None:
        """Set a velocity or position target, or in mode torque the torque that is added."""
        if self._delay_s > 0.0:
            self._coming.append((self._ticked_s + self._delay_s, mode, value))
        else:
            self._take_up(mode, value)

    def _take_up(self, mode: Mode, value: float) -> None:
        if mode is Mode.TORQUE:
            self.torque_N_m = value
        elif mode is Mode.VELOCITY:
            self.velocity_rad_s = value
        else:
            self._position_rad = value
            self._interpolating_s = self._interpolation_s

    def tick(self, dt_s: float) -> None:
        """Take up what is due after another ``dt_s``."""
        self._ticked_s += dt_s
        while self._coming and self._coming[0][0] <= self._ticked_s + 1e-9:
            _, mode, value = self._coming.popleft()
            self._take_up(mode, value)

    def stay(self, position_rad: float) -> None:
        """Hold the motor at this position until the next target; nothing is added."""
        self._position_rad = self._wanted_rad = position_rad
        self._interpolating_s = self.torque_N_m = 0.0
        self._coming.clear()

    def position(self, dt_s: float) -> float:
        """Interpolate linearly to the latest position, as CiA 402 cyclic synchronous position."""
        wanted, left_s = self._wanted_rad, self._interpolating_s
        if left_s > dt_s:
            self._wanted_rad += (self._position_rad - wanted) * dt_s / left_s
            self._interpolating_s = left_s - dt_s
        else:
            self._wanted_rad = self._position_rad
        return wanted
