"""True states of a simulated rig, kept with its recorded run, and the figures taken from them."""

from __future__ import annotations

from array import array
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from drivers.base import PowerStage
from hil.bench import LockstepBench
from hil.core import Sample
from hil.measure.characteristic import Floats, RecordedRun

# A true state each cycle at first, each tenth cycle later: an hour takes 30 MB of memory.
DENSE_S, SPARSE = 700.0, 10
TRUE_FILE = "true_states.parquet"
# Recorded columns that true states replace. The force is that of the springs at the true
# deflection: no deflection sensor can show the force of their own friction.
TRUE_STATES = (
    "spring_force_N",
    "deflection_m",
    "output_position_m",
    "output_velocity_m_s",
    "nut_position_m",
    "nut_velocity_m_s",
)
SUPPLY_POWER = "supply_power_W"  # that the drive takes from its DC link; negative: returned
MOTOR_POWER = "motor_power_W"  # at the motor's terminals; not recorded


class ObservedBench(LockstepBench):
    """A lockstep bench that keeps the true states at the moment of each sample.

    Attributes:
        true_states: rows, one after the other: cycle, ``TRUE_STATES``,
            ``MOTOR_POWER``, ``SUPPLY_POWER``.
    """

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.true_states = array("d")
        self._drawn_J = self._drawn_s = 0.0

    def step(self) -> Sample:
        row = super().step()
        if row.time_s > DENSE_S and row.cycle % SPARSE:
            return row
        physics = self.drive.core.physics
        deflection = physics.deflection_m
        self.true_states.extend(
            (
                row.cycle,
                physics.spring_law(deflection),
                deflection,
                physics.output_position_m,
                physics.output_velocity_m_s,
                physics.nut_position_m,
                physics.nut_velocity_m_s,
                self._motor_power_W(),
                self._supply_power_W(),
            )
        )
        return row

    def _motor_power_W(self) -> float:
        core = self.drive.core
        p, physics = core.parameters, core.physics
        if core.power is not PowerStage.ON:
            return 0.0
        current = physics.current_A
        warm = 1 + p.winding_resistance_per_K * physics.winding_mean_K
        back = p.torque_constant_N_m_A * physics.shaft_speed_rad_s
        return float((back + p.winding_resistance_ohm * warm * current) * current)

    def _supply_power_W(self) -> float:
        physics = self.drive.core.physics
        lasted = physics.time_s - self._drawn_s
        power = (physics.drawn_J - self._drawn_J) / lasted if lasted > 0.0 else 0.0
        self._drawn_J, self._drawn_s = physics.drawn_J, physics.time_s
        return float(power)

    def keep(self, folder: Path) -> None:
        """Write the true states into a run's folder."""
        names = ["cycle", *TRUE_STATES, MOTOR_POWER, SUPPLY_POWER]
        table = np.array(self.true_states).reshape(-1, len(names))
        # An interrupted write leaves no partial file under the name that is read.
        part = folder / f".{TRUE_FILE}.part"
        pq.write_table(pa.table({name: table[:, i] for i, name in enumerate(names)}), part)
        part.replace(folder / TRUE_FILE)


class TrueRun:
    """A run with its true states in place of the sensors' readings.

    Attributes:
        true: true values by name, one value for each row of the run; ``MOTOR_POWER`` and ``SUPPLY_POWER``
            among them.
    """

    def __init__(self, run: RecordedRun, folder: Path) -> None:
        self._run = run
        table = pq.read_table(folder / TRUE_FILE)
        cycles = table.column("cycle").to_numpy()
        rows = np.searchsorted(cycles, np.asarray(run.column("cycle"), dtype=float))
        rows = np.minimum(rows, len(cycles) - 1)
        self.true: dict[str, Floats] = {
            name: table.column(name).to_numpy()[rows]
            for name in table.column_names
            if name != "cycle"
        }

    @property
    def events(self) -> list[dict[str, Any]]:
        return self._run.events

    def column(self, name: str) -> Any:
        return self.true[name] if name in self.true else self._run.column(name)
