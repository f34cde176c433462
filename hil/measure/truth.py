"""True states of a simulated rig beside its recorded run, and the figures taken from them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from hil.bench import LockstepBench
from hil.measure.characteristic import Floats, RecordedRun

TRUE_FILE = "true_states.parquet"
# Recorded columns that true states take the place of. The force is that of the
# springs at the true deflection: what their own friction adds no deflection sensor can show.
TRUE_STATES = (
    "spring_force_N",
    "deflection_m",
    "output_position_m",
    "output_velocity_m_s",
    "nut_position_m",
    "nut_velocity_m_s",
)


class ObservedBench(LockstepBench):
    """A lockstep bench that keeps the true states at the moment of each sample.

    Attributes:
        true_states: one row a cycle, columns in the order of ``TRUE_STATES``.
    """

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.true_states: list[tuple[float, ...]] = []

    def step(self) -> tuple[float, ...]:
        row = super().step()
        physics = self.drive.core.physics
        deflection = physics.deflection_m
        self.true_states.append(
            (
                row[1],
                physics.spring_law(deflection),
                deflection,
                physics.output_position_m,
                physics.output_velocity_m_s,
                physics.nut_position_m,
                physics.nut_velocity_m_s,
            )
        )
        return row

    def keep(self, folder: Path) -> None:
        """Write them beside a run."""
        table = np.array(self.true_states)
        names = ["cycle", *TRUE_STATES]
        pq.write_table(
            pa.table({name: table[:, i] for i, name in enumerate(names)}), folder / TRUE_FILE
        )


class TrueRun:
    """A run with its true states in place of what the sensors made of them."""

    def __init__(self, run: RecordedRun, folder: Path) -> None:
        self._run = run
        table = pq.read_table(folder / TRUE_FILE)
        cycles = table.column("cycle").to_numpy()
        rows = np.searchsorted(cycles, np.asarray(run.column("cycle"), dtype=float))
        self._true: dict[str, Floats] = {
            name: table.column(name).to_numpy()[rows] for name in TRUE_STATES
        }

    @property
    def events(self) -> list[dict[str, Any]]:
        return self._run.events

    def column(self, name: str) -> Any:
        return self._true[name] if name in self._true else self._run.column(name)
