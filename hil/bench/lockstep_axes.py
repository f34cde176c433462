"""Several axes in lockstep: deterministic, one cycle of each axis in turn."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from drivers.simulated import Lateness
from hil.bench.axes import TiedBenches
from hil.bench.lockstep import LockstepBench
from hil.bench.rehearsal import Rehearsal
from hil.core import Sample
from hil.profile import Axes


class LockstepAxes:
    """Benches of an axes file in step with each other, each with its simulated rig.

    Args:
        axes: axes with a ``simulation`` part in every profile.
        seed: seed of every random number; each axis has its own sequence of them.
        lateness: lateness of the host of all axes; None for never late.

    Attributes:
        benches: benches by axis. Step them together, by ``step``.
    """

    def __init__(self, axes: Axes, seed: int = 1, lateness: Lateness | None = None) -> None:
        self.axes = axes
        self.benches = {
            # Seeds of the axes lie far apart: otherwise the second axis of seed 1 would equal the
            # first of seed 2. One process runs all axes, so a late cycle is late for each of them.
            name: LockstepBench(profile, seed + 1_000_000 * number, lateness, late_seed=seed)
            for number, (name, profile) in enumerate(axes.profiles.items())
        }
        self.tied = TiedBenches({name: one.bench for name, one in self.benches.items()})

    @property
    def time_s(self) -> float:
        return next(iter(self.benches.values())).time_s

    def rehearse(self, rehearsal: Rehearsal, tell: Callable[[str], None]) -> None:
        """Inject faults, each on its axis; their times count from now."""
        for name, bench in self.benches.items():
            bench.rehearse(rehearsal.of_axis(name), partial(_tell_of, name, tell))

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


def _tell_of(axis: str, tell: Callable[[str], None], text: str) -> None:
    tell(f"{axis}: {text}")
