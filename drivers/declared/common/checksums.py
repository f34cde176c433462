"""Checksums by their parameters: any CRC of 8 to 32 bits, sums and exclusive or.

A cyclic redundancy check is declared as in catalogues: width, polynomial without its leading term,
initial value, whether bytes and result are reflected, and the final exclusive-or value.
"""

from __future__ import annotations

from binascii import crc32, crc_hqx
from collections.abc import Callable
from functools import reduce
from operator import xor
from typing import Annotated, Literal

from pydantic import Field, model_validator

from drivers.transport import Part

Octets = bytes | bytearray
Check = Callable[[Octets], int]


class Checksum(Part):
    """Checksum, and the bytes it covers.

    ``covers``: first and last byte, counted from 0 and both included; a negative number counts
    from the end. The bytes that carry the checksum itself are left out, wherever they are, unless
    ``itself`` gives their value for the computation.
    """

    kind: Literal["crc", "sum", "xor", "twos_complement"] = "crc"
    width: Annotated[int, Field(ge=8, le=32)] = 8  # bits
    polynomial: Annotated[int, Field(ge=0)] = 0
    init: Annotated[int, Field(ge=0)] = 0
    reflect_in: bool = False
    reflect_out: bool = False
    xor_out: Annotated[int, Field(ge=0)] = 0
    covers: tuple[int, int] = (0, -1)
    itself: Annotated[int, Field(ge=0, le=255)] | None = None

    @model_validator(mode="after")
    def _fits(self) -> Checksum:
        if self.width % 8:
            raise ValueError("width: must be a multiple of 8 bits; write 8, 16, 24 or 32")
        top = 1 << self.width
        for name in ("polynomial", "init", "xor_out"):
            if getattr(self, name) >= top:
                raise ValueError(
                    f"{name}: it does not fit into {self.width} bits; leave out the leading term "
                    "of a polynomial, or correct width"
                )
        if self.kind == "crc" and not self.polynomial:
            raise ValueError(
                "polynomial: a crc needs one that is not 0; see the board's documentation"
            )
        if self.kind == "xor" and self.width != 8:
            raise ValueError("width: xor works on bytes; write 8")
        first, last = self.covers
        if (first >= 0) == (last >= 0) and first > last:
            raise ValueError("covers: the first byte lies after the last; swap the two")
        return self


def checksum(declared: Checksum) -> Check:
    """Return the function that computes it over all given bytes (the caller applies ``covers``)."""
    mask = (1 << declared.width) - 1
    out = declared.xor_out
    if declared.kind == "crc":
        return _crc(declared)
    if declared.kind == "xor":
        return lambda data: reduce(xor, data, declared.init) ^ out
    if declared.kind == "sum":
        return lambda data: ((declared.init + sum(data)) & mask) ^ out
    return lambda data: (-(declared.init + sum(data)) & mask) ^ out


def crc_8(declared: Checksum) -> tuple[list[int], int, list[int]]:
    """Return, for a CRC of 8 bits: table of each step, start value, table of the last step."""
    start = _reflected(declared.init, 8) if declared.reflect_in else declared.init
    table = _table(declared.polynomial, 8, declared.reflect_in)
    finish = _finish(declared)
    return table, start, [finish(value) for value in table] if finish else table


def _finish(declared: Checksum) -> Callable[[int], int] | None:
    """Return the operation on the last value, if any."""
    width, out = declared.width, declared.xor_out
    if declared.reflect_out != declared.reflect_in:
        return lambda value: _reflected(value, width) ^ out
    return (lambda value: value ^ out) if out else None


def _crc(declared: Checksum) -> Check:
    update, finish = _update(declared), _finish(declared)
    return update if finish is None else lambda data: finish(update(data))


def _update(declared: Checksum) -> Check:
    width, mask = declared.width, (1 << declared.width) - 1
    table = _table(declared.polynomial, width, declared.reflect_in)
    start = _reflected(declared.init, width) if declared.reflect_in else declared.init
    # The standard library has compiled versions of two.
    if (width, declared.polynomial, declared.reflect_in) == (16, 0x1021, False):
        return lambda data: crc_hqx(data, start)
    if (width, declared.polynomial, declared.reflect_in) == (32, 0x04C11DB7, True):
        return lambda data: crc32(data, start ^ mask) ^ mask
    if width == 8:

        def crc8(data: Octets) -> int:
            value = start
            for byte in data:
                value = table[value ^ byte]
            return value

        return crc8
    if declared.reflect_in:

        def crc_reflected(data: Octets) -> int:
            value = start
            for byte in data:
                value = table[(value ^ byte) & 0xFF] ^ (value >> 8)
            return value

        return crc_reflected
    top = width - 8

    def crc(data: Octets) -> int:
        value = start
        for byte in data:
            value = table[(value >> top) ^ byte] ^ ((value << 8) & mask)
        return value

    return crc


def _table(polynomial: int, width: int, reflected: bool) -> list[int]:
    mask, top = (1 << width) - 1, 1 << (width - 1)
    if reflected:
        back = _reflected(polynomial, width)
        table = []
        for value in range(256):
            for _ in range(8):
                value = (value >> 1) ^ back if value & 1 else value >> 1
            table.append(value)
        return table
    table = []
    for byte in range(256):
        value = byte << (width - 8)
        for _ in range(8):
            value = ((value << 1) ^ polynomial if value & top else value << 1) & mask
        table.append(value)
    return table


def _reflected(value: int, width: int) -> int:
    return int(f"{value:0{width}b}"[::-1], 2)
