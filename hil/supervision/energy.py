"""Energy that the force loop delivers at the output beyond what its setpoint explains.

A passivity observer in the time domain and a passivity controller (Hannaford and Ryu,
"Time-domain passivity control of haptic interfaces", IEEE Trans. Robotics and Automation
18(1), 2002). A behaviour without damping and lead is a force with a potential, or one that a
program changes: its work is explained. So is the work of a difference that caps and rate limit
explain. What remains is energy from delay, gain or a wrong spring law. Credit is not kept:
energy absorbed earlier explains no swing now. Delivered energy is forgotten slowly, since
sensor errors would accumulate.
"""

from __future__ import annotations

from typing import Final

from hil.profile import Profile, output_energy

SWING_M_S: Final = 0.02  # speed at which the output counts as swinging the other way
# One half swing may be a blow: the loop's lag delivers energy once, and the rest decays. A
# limit cycle delivers as much again. A share between the two, no source; blows of up to 100 N at
# the pan and springs that respond 10 to 40 ms late are distinguished by it in lockstep.
AGAIN: Final = 0.5
LEAST_SHARE: Final = 0.03  # of the tripped energy: half swings that bring less do not count
BLOW_TIMES: Final = 4.0  # times the tripped energy: no single blow brings that
# Half swings that each bring at least this share of the one before: a limit cycle held by the added
# damping, or one still growing. It trips from the limited energy on.
GROWN: Final = 0.9
GROWN_SWINGS: Final = 2
BLOW_SWINGS: Final = 3  # half swings after which a blow has left less than the tripped energy

FORGOTTEN_S: Final = (
    1.0  # above a swing of the slowest virtual spring, below that of a person's motion
)


class OutputEnergy:
    """Passivity observer, with the damping that the controller adds.

    Attributes:
        energy_J: delivered energy that nothing explains.
        most_J: energy that counts as unstable now: more for a blow than for a swing.
        damping_share: share of the largest damping to add, 0 to 1.
        unstable: beyond the tripped energy, and not a single blow; or beyond the limited energy, in
            the third half swing of a swing that grows.
    """

    def __init__(self, profile: Profile) -> None:
        limit = output_energy(profile)
        self.limited_J, self.tripped_J = limit.limited, limit.tripped
        self.reset()

    def reset(self) -> None:
        """Start with no energy delivered."""
        self.energy_J = self.damping_share = 0.0
        self.most_J = BLOW_TIMES * self.tripped_J
        self.unstable = False
        self._side = 0
        self._half_J = self._before_J = 0.0
        self._grown = 0  # half swings in a row that each brought as much again
        self._swings = 0  # half swings since the energy was last within its limited value

    def follow(
        self,
        force_N: float,
        conservative_N: float,
        explained_N: float,
        velocity_m_s: float,
        step: float,
    ) -> None:
        """Take one cycle.

        Args:
            force_N: force on the output.
            conservative_N: setpoint without its damping; of a force that a program changes, what a
                sound loop makes of it.
            explained_N: difference between the two that counts as explained.
            velocity_m_s: velocity of the output.
            step: time since the last sample was taken, s; 0 if no new one arrived.
        """
        speed = velocity_m_s if velocity_m_s >= 0.0 else -velocity_m_s
        power = (force_N - conservative_N) * velocity_m_s - explained_N * speed
        energy = (self.energy_J + power * step) * FORGOTTEN_S / (FORGOTTEN_S + step)
        self.energy_J = 0.0 if energy < 0.0 else energy
        share = (energy - self.limited_J) / (self.tripped_J - self.limited_J)
        self.damping_share = 0.0 if not share > 0.0 else share if share < 1.0 else 1.0
        side = 1 if velocity_m_s > SWING_M_S else -1 if velocity_m_s < -SWING_M_S else self._side
        least = LEAST_SHARE * self.tripped_J
        if side != self._side:
            self._side = side
            grown = self._half_J > least and self._half_J >= GROWN * self._before_J
            self._grown = self._grown + 1 if grown else 0
            self._before_J, self._half_J = self._half_J, 0.0
            self._swings += 1
        self._half_J += power * step
        again = self._before_J > least and self._half_J > AGAIN * self._before_J
        # Written so that NaN trips.
        if energy <= self.limited_J:
            self._swings = 0
        again |= self._swings > BLOW_SWINGS
        most = self.tripped_J * (1.0 if again else BLOW_TIMES)
        if self._grown >= GROWN_SWINGS and self._half_J > least:
            most = self.limited_J
        self.most_J = most
        self.unstable = not energy <= most

    def text(self) -> str:
        """Return the sentence with numbers."""
        return (
            f"unstable: the force loop put {self.energy_J:.2f} J into the output that no setpoint "
            f"explains, beyond {self.tripped_J:.2f} J"
            if self.energy_J > self.tripped_J
            else f"unstable: the output oscillates on energy from the force loop, {self.energy_J:.2f} J "
            f"that no setpoint explains, and each half swing brings as much as the one before"
        )
