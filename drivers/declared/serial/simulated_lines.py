"""The simulated rig behind a described line board."""

from __future__ import annotations

from typing import Any

from drivers.declared.common import Counters
from drivers.declared.serial.line_codec import board_codec
from drivers.declared.serial.line_options import DeclaredLinesOptions
from drivers.declared.serial.simulated import SimulatedSerialBoard, simulate_serial


def simulate_lines(options: DeclaredLinesOptions, core: Any, control: Any) -> None:
    """Run the board until ``control.ending``. Raises ``DriverError``: the port cannot be made."""
    rolling = {name: line.counter for name, line in options.lines.items()}
    board = SimulatedSerialBoard(options, core, board_codec(options, Counters()), rolling)
    board.echo = options.echo
    board.prompt = options.prompt.encode()
    simulate_serial(options, core, control, board)
