"""Rows with chosen values, as the rig host sends them."""

from dataclasses import dataclass

import numpy as np

from drivers.base import PowerStage
from hil.core.samples import COLUMNS, INDEX, State


@dataclass
class Rows:
    rows: np.ndarray


def make_rows(count=1000, start_s=0.0, state=State.RUNNING, **values):
    """Return ``count`` rows at 1 kHz; ``values`` are numbers or arrays by column name."""
    rows = np.zeros((count, len(COLUMNS)))
    rows[:, INDEX["time_s"]] = start_s + np.arange(count) / 1000.0
    rows[:, INDEX["cycle"]] = round(1000 * start_s) + np.arange(count)
    rows[:, INDEX["state"]] = state
    powered = state in (State.STANDBY, State.RUNNING)
    rows[:, INDEX["power_stage"]] = PowerStage.ON if powered else PowerStage.OFF
    rows[:, INDEX["supply_V"]] = 36.0
    rows[:, INDEX["output_position_m"]] = 0.03
    rows[:, INDEX["nut_position_m"]] = 0.03
    for name in ("setpoint_force_N", "shaped_force_N", "rest_position_m", "virtual_stiffness_N_m"):
        rows[:, INDEX[name]] = np.nan
    for name, value in values.items():
        rows[:, INDEX[name]] = value
    return Rows(rows)
