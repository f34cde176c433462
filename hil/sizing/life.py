"""Life of parts that roll: mean load over a duty, and turns up to 10 % failures. All in SI.

A rating states a load and the turns of it that 90 % of the parts survive. Any other load L gives
(rating/L)^p times these turns. Ball screws: p = 3 and a million turns (ISO 3408-5). Gears: their
bearings and teeth fail likewise, and a maker's data state a torque for a speed and a time; p = 10/3
is that of roller bearings (ISO 281), teeth have a larger one (ISO 6336-6 sums their duty in the same
way). Standards from memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

BALL_EXPONENT = 3.0  # ISO 281, ISO 3408-5
ROLLER_EXPONENT = 10.0 / 3.0  # ISO 281
RATED_TURNS = 1e6  # of the dynamic load rating, ISO 3408-5


@dataclass(frozen=True)
class LifeRating:
    """A load in N, the turns of it that 90 % survive, and the exponent of life over load."""

    load_N: float
    turns: float = RATED_TURNS
    exponent: float = BALL_EXPONENT
    source: str = "ISO 3408-5"

    def life_turns(self, load_N: float) -> float:
        """Return L10 = (rating/load)^p of the rated turns; infinite without load."""
        return math.inf if load_N <= 0 else (self.load_N / load_N) ** self.exponent * self.turns

    def equivalent_load_N(self, loads: Sequence[tuple[float, float]]) -> float:
        """Return the mean load (Σ|F|^p·N / ΣN)^(1/p).

        Args:
            loads: (force in N, turns run under it); 0 if nothing turns.
        """
        turns = sum(many for _, many in loads)
        if turns <= 0:
            return 0.0
        p = self.exponent
        return float((sum(abs(force) ** p * many for force, many in loads) / turns) ** (1 / p))
