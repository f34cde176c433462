"""The simulated rig behind a described frame board."""

from __future__ import annotations

from typing import Any

from drivers.declared.common import Counters
from drivers.declared.serial.frame_codec import board_codec
from drivers.declared.serial.frame_options import DeclaredFramesOptions
from drivers.declared.serial.simulated import SimulatedSerialBoard, simulate_serial


def simulate_frames(options: DeclaredFramesOptions, core: Any, control: Any) -> None:
    """Run the board until ``control.ending``. Raises ``DriverError``: the port cannot be made."""
    rolling = {name: frame.counter for name, frame in options.frames.items()}
    board = SimulatedSerialBoard(options, core, board_codec(options, Counters()), rolling)
    simulate_serial(options, core, control, board)
