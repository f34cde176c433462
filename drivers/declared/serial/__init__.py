"""Boards described by lines of text or binary frames on a serial port."""

from drivers.declared.serial.options import SerialOptions

__all__ = ["SerialOptions"]
