"""Slide from one force loop to a slower one under power, over any source of motion."""

from __future__ import annotations

from dataclasses import dataclass

from hil.control.force_design import ForceGains
from hil.control.force_model import LawGains
from hil.control.slower_loop import SLIDE_S, law_between
from hil.control.slower_velocity import velocity_law_between
from hil.control.velocity_design import VelocityGains
from hil.control.velocity_model import VelocityLaw

Law = LawGains | VelocityLaw


@dataclass
class LoopSlide:
    """Slide from one force loop to a slower one of the same source.

    Attributes:
        law, natural_rad_s: present state.
    """

    law: Law
    natural_rad_s: float
    after: ForceGains | VelocityGains

    def __post_init__(self) -> None:
        self._before, self._from_rad_s = self.law, self.natural_rad_s
        self._time_s = 0.0

    def advance(self, dt_s: float) -> None:
        """Advance by ``dt_s``."""
        self._time_s += dt_s
        share = min(1.0, self._time_s / SLIDE_S)
        self.law = _between(self._before, self.after.law, share)
        self.natural_rad_s = self._from_rad_s + share * (
            self.after.natural_rad_s - self._from_rad_s
        )

    @property
    def ended(self) -> bool:
        return self._time_s >= SLIDE_S


def _between(before: Law, after: Law, share: float) -> Law:
    if isinstance(before, LawGains) and isinstance(after, LawGains):
        return law_between(before, after, share)
    assert isinstance(before, VelocityLaw) and isinstance(after, VelocityLaw)
    return velocity_law_between(before, after, share)
