"""Several axes in lockstep: one cycle of each in turn, deterministic."""

from __future__ import annotations

from hil.bench.axes import TiedBenches
from hil.bench.lockstep import LockstepBench
from hil.core import Sample
from hil.profile import Axes


class LockstepAxes:
    """The benches of an axes file, each with its simulated rig, at one pace.

    Args:
        axes: with a ``simulation`` part in every profile.
        seed: of every random number; each axis has its own sequence of them.

    Attributes:
        benches: by axis. Do not step them by themselves.
    """

    def __init__(self, axes: Axes, seed: int = 1) -> None:
        self.axes = axes
        self.benches = {
            # Far apart, so that no two axes of neighbouring seeds are alike.
            name: LockstepBench(profile, seed + 1_000_000 * number)
            for number, (name, profile) in enumerate(axes.profiles.items())
        }
        self.tied = TiedBenches({name: one.bench for name, one in self.benches.items()})

    @property
    def time_s(self) -> float:
        return next(iter(self.benches.values())).time_s

    def step(self) -> dict[str, Sample]:
        """Run one cycle of every axis; return its sample rows."""
        self.tied.before()
        rows = {name: one.step() for name, one in self.benches.items()}
        self.tied.after()
        for one in self.benches.values():
            one.collect()
        return rows

    def run(self, seconds: float) -> None:
        """Run for ``seconds``."""
        for _ in range(round(seconds * self.axes.rate_Hz)):
            self.step()
