"""Common parts of described boards: options, power sequences, checksums, clock."""

from drivers.declared.common.board import (
    PACE,
    TORQUE_OFFSET,
    BoardOptions,
    Counters,
    InputMap,
    OutputMap,
    Sample,
    timing_sample,
)
from drivers.declared.common.checksums import Checksum, checksum, crc_8
from drivers.declared.common.device_clock import DeviceClock
from drivers.declared.common.drive import DeclaredDrive
from drivers.declared.common.simulated_board import BoardLogic

__all__ = [
    "PACE",
    "TORQUE_OFFSET",
    "BoardLogic",
    "BoardOptions",
    "Checksum",
    "Counters",
    "DeclaredDrive",
    "DeviceClock",
    "InputMap",
    "OutputMap",
    "Sample",
    "checksum",
    "crc_8",
    "timing_sample",
]
