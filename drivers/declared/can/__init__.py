"""Boards described by CAN messages, from a database file or spelled out."""

from drivers.declared.can.options import DeclaredCanOptions

__all__ = ["DeclaredCanOptions"]
