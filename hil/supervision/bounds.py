"""The limited tier: force and torque that may be commanded in this cycle.

Each cap gives an interval and the limit that it comes from; the narrowest applies. Caps on the
force are in ``force_caps``, caps on the motor torque in ``torque_caps``, the load that the former
allow for in ``carried_load``.
"""

from __future__ import annotations

import math
from typing import Final

from hil.control import Estimator
from hil.core import Limit
from hil.profile import Profile
from hil.supervision.carried_load import CarriedLoad
from hil.supervision.falling_weight import FallingWeight
from hil.supervision.force_caps import FlatCap, SpeedCap, TravelCap
from hil.supervision.torque_caps import CurrentCap, NutSpeedCap, SpringRoomCap, SupplyCap

# Looked up once: by its class, a member costs several look-ups in each cycle.
_CURRENT: Final = Limit.CURRENT
_SUPPLY_LOW: Final = Limit.SUPPLY_LOW
_SPEED: Final = Limit.SPEED
_FORCE: Final = Limit.FORCE
_TRAVEL: Final = Limit.TRAVEL

DAMPING_SHARE: Final = 0.25  # of the force loop's bandwidth


class Bounds:
    """Caps on force and torque; ``update`` every cycle, ``compute`` in those that command a force.

    Attributes:
        torque_limit_N_m: largest motor torque by the current limit, in either direction.
        torque_low_N_m, torque_high_N_m: caps by that limit, supply, nut speed, and room to the
            tripped force if cycles come late; low ≤ high.
        low_torque_limit, high_torque_limit: the ``Limit`` each of the two comes from.
        force_low_N, force_high_N: range of the shaped force, low ≤ high.
        low_limit, high_limit: the ``Limit`` each of the two comes from.
        limited: bit mask of the limits that act.
        load: what the rod carries.
        flat, travel: caps on the force.
    """

    def __init__(self, profile: Profile) -> None:
        self.load = CarriedLoad(profile)
        self._falling = FallingWeight(self.load)
        self.flat = FlatCap(profile)
        self._speed = SpeedCap(profile)
        self.travel = TravelCap(profile)
        self._current = CurrentCap(profile)
        self._supply = SupplyCap(profile)
        self._nut_speed = NutSpeedCap(profile)
        self._spring_room = SpringRoomCap(profile)
        self.use_loop(profile)
        self.reset()

    def use_loop(self, profile: Profile) -> None:
        """Use the bandwidth of the force loop that acts from now on."""
        self._bandwidth = DAMPING_SHARE * 2 * math.pi * profile.control.force_bandwidth

    def use_calibration(self, profile: Profile) -> None:
        """Update the caps that depend on the spring law, which has changed."""
        self.flat.use_calibration(profile)
        self._spring_room.use_calibration(profile)

    def narrow(self, force_N: float, speed_m_s: float) -> None:
        """Limit force and speed to these values from now on, N and m/s."""
        self.flat.narrow(force_N)
        self._speed.narrow(speed_m_s)
        self._nut_speed.narrow(speed_m_s)
        self._spring_room.narrow(force_N)

    def reset(self) -> None:
        """Forget the load, and find the ends from the next position."""
        self.load.reset()
        self._falling.reset()
        self.travel.reset()
        self._current.reset()
        self.torque_limit_N_m = self._current.torque_N_m
        self.torque_low_N_m, self.torque_high_N_m = -self.torque_limit_N_m, self.torque_limit_N_m
        self.low_torque_limit = self.high_torque_limit = _CURRENT
        self.force_low_N, self.force_high_N = self.flat.low_N, self.flat.high_N
        self.low_limit, self.high_limit = self.flat.low_limit, self.flat.high_limit
        self.limited = 0

    def update(self, estimator: Estimator, spring_force_N: float, energised: bool) -> None:
        """Follow the load that the rod balances, and the range of the output."""
        flat = self.flat
        self.load.follow(
            estimator.output_velocity_m_s, spring_force_N, flat.high_N, estimator.step_s
        )
        self._falling.follow(
            estimator.output_velocity_m_s, spring_force_N, flat.high_N, estimator.step_s
        )
        self.travel.follow(estimator, flat.high_N - flat.low_N, energised)

    def swing_m_s2(self, estimator: Estimator, spring_force_N: float) -> float:
        """Return the acceleration of the known load by this force; 0 past a soft end, which may carry it."""
        travel, load = self.travel, self.load
        if not travel.lower_m < estimator.output_position_m < travel.upper_m:
            return 0.0
        return (spring_force_N - load.own_load_N - load.hung_load_N) / load.mass_kg

    def compute(
        self,
        estimator: Estimator,
        spring_force_N: float,
        motor_heat: float,
        temperature_degC: float,
        current_A: float,
        supply_V: float = math.nan,
        loss_factor: float = 1.0,
    ) -> None:
        """Compute the caps of this cycle from the latest ``update``.

        ``supply_V`` is measured by the drive, under load; NaN if it reports none.
        """
        nut_velocity = estimator.nut_velocity_m_s
        self._current.renew(motor_heat, temperature_degC, current_A, loss_factor)
        self._supply.renew(nut_velocity, supply_V)
        self._nut_speed.renew(nut_velocity, spring_force_N, estimator.step_s)
        self._spring_room.renew(estimator, spring_force_N, self._nut_speed.stands_s)
        self._narrow_torque()

        load, flat = self.load, self.flat
        balance = load.balance_N
        if not flat.low_N < balance < flat.high_N:
            # NaN falls through to no load.
            balance = flat.high_N if balance > 0 else flat.low_N if balance < 0 else 0.0
        damping = self._bandwidth * load.effective_mass_kg
        self._speed.renew(nut_velocity, balance, damping)
        self.travel.renew(estimator, load, flat, balance, spring_force_N, damping)
        self._narrow_force(balance)

    def _narrow_torque(self) -> None:
        """Take the narrowest of the caps on the torque."""
        current, supply, speed = self._current, self._supply, self._nut_speed
        high = current.torque_N_m
        low = -high
        high_limit = low_limit = _CURRENT
        # An unknown or NaN supply limits nothing.
        if low <= supply.high_N_m < high:
            high = supply.high_N_m
            high_limit = _SUPPLY_LOW
        if high >= supply.low_N_m > low:
            low = supply.low_N_m
            low_limit = _SUPPLY_LOW
        if speed.high_N_m < high:
            high = speed.high_N_m if speed.high_N_m > low else low
            high_limit = _SPEED
        if speed.low_N_m > low:
            low = speed.low_N_m if speed.low_N_m < high else high
            low_limit = _SPEED
        room = self._spring_room
        if room.high_N_m < high:
            high = room.high_N_m if room.high_N_m > low else low
            high_limit = _FORCE
        if room.low_N_m > low:
            low = room.low_N_m if room.low_N_m < high else high
            low_limit = _FORCE
        self.torque_limit_N_m = current.torque_N_m
        self.limited = current.limited
        self.torque_low_N_m, self.torque_high_N_m = low, high
        self.low_torque_limit, self.high_torque_limit = low_limit, high_limit

    def _narrow_force(self, balance: float) -> None:
        """Take the narrowest of the caps on the force."""
        flat, speed, travel = self.flat, self._speed, self.travel
        high, low = flat.high_N, flat.low_N
        high_limit, low_limit = flat.high_limit, flat.low_limit
        if speed.high_N < high:
            high = speed.high_N
            high_limit = _SPEED
        if speed.low_N > low:
            low = speed.low_N
            low_limit = _SPEED
        # A travel cap outranks a speed cap where the two conflict.
        if travel.high_N < high:
            high = travel.high_N
            high_limit = _TRAVEL
            if low > high:
                low = high
        if travel.low_N > low:
            low = travel.low_N
            low_limit = _TRAVEL
            if high < low:
                high = low
        high += travel.leaving_up.opened_N
        low -= travel.leaving_down.opened_N
        if self._falling.low_N > low:
            low = self._falling.low_N
            low_limit = _TRAVEL
            if high < low:
                high = low

        if high < flat.low_N:
            high = flat.low_N
        elif not high <= flat.high_N:
            high = flat.high_N
        if low > flat.high_N:
            low = flat.high_N
        elif not low >= flat.low_N:
            low = flat.low_N
        if low > high:
            low = high = max(flat.low_N, min(flat.high_N, balance))
        self.force_low_N, self.force_high_N = low, high
        self.low_limit, self.high_limit = low_limit, high_limit

    def note_torque(self, torque_N_m: float) -> None:
        """Add to ``limited`` the limit whose cap a saturated torque has reached."""
        if torque_N_m >= self.torque_high_N_m:
            self.limited |= 1 << self.high_torque_limit
        elif torque_N_m <= self.torque_low_N_m:
            self.limited |= 1 << self.low_torque_limit
        else:  # limited by the drive itself
            self.limited |= 1 << _CURRENT

    def note_shaped(self, force_N: float) -> None:
        """Add to ``limited`` the limits whose caps the shaped force has reached."""
        travel = self.travel
        travel.blocked_up = force_N >= self.force_high_N
        travel.blocked_down = force_N <= self.force_low_N
        if travel.blocked_up:
            self.limited |= 1 << self.high_limit
        if travel.blocked_down:
            self.limited |= 1 << self.low_limit
