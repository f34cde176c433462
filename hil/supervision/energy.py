"""Energy that the force loop puts out at the output beyond what its setpoint explains.

A passivity observer in the time domain and a passivity controller (Hannaford and Ryu,
"Time-domain passivity control of haptic interfaces", IEEE Trans. Robotics and Automation
18(1), 2002). A behaviour without damping and lead is a force with a potential, or one that a
program changes: its work is explained. So is the work of a difference that caps and rate limit
explain. What remains is energy out of delay, gain or a wrong spring law. Credit is not kept:
energy taken in earlier explains no swing now. What was put out is forgotten slowly, since a
sensor's errors would add up in time.
"""

from __future__ import annotations

from hil.profile import Profile, output_energy

FORGOTTEN_S = 1.0  # above a swing of the slowest virtual spring, below that of a person's motion


class OutputEnergy:
    """Passivity observer, and the damping that the controller adds.

    Attributes:
        energy_J: energy put out that nothing explains.
        damping_share: share of the most damping that is to be added, 0 to 1.
    """

    def __init__(self, profile: Profile) -> None:
        limit = output_energy(profile)
        self.limited_J, self.tripped_J = limit.limited, limit.tripped
        self.reset()

    def reset(self) -> None:
        """Begin with nothing put out."""
        self.energy_J = self.damping_share = 0.0

    def follow(
        self,
        force_N: float,
        conservative_N: float,
        explained_N: float,
        velocity_m_s: float,
        dt: float,
    ) -> None:
        """Take one cycle.

        Args:
            force_N: on the output.
            conservative_N: setpoint without its damping.
            explained_N: difference between the two that counts as explained.
            velocity_m_s: of the output.
        """
        speed = velocity_m_s if velocity_m_s >= 0.0 else -velocity_m_s
        power = (force_N - conservative_N) * velocity_m_s - explained_N * speed
        energy = (self.energy_J + power * dt) * FORGOTTEN_S / (FORGOTTEN_S + dt)
        self.energy_J = 0.0 if energy < 0.0 else energy
        share = (energy - self.limited_J) / (self.tripped_J - self.limited_J)
        self.damping_share = 0.0 if not share > 0.0 else share if share < 1.0 else 1.0

    def text(self) -> str:
        """Sentence with numbers."""
        return (
            f"unstable: the force loop put {self.energy_J:.2f} J into the output that no setpoint "
            f"explains, beyond {self.tripped_J:.2f} J"
        )
