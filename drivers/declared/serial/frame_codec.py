"""Codec of binary frames on a serial port, for either side."""

from __future__ import annotations

import math
import struct

from drivers.declared.common import Counters
from drivers.declared.serial.codec import Message
from drivers.declared.serial.frame_options import IGNORED, DeclaredFramesOptions, FrameOptions, span
from drivers.declared.serial.framing import Framer


class FrameLayout:
    """One kind of frame: unpacking and packing of its numbers."""

    def __init__(self, name: str, frame: FrameOptions) -> None:
        self.name = name
        packed = struct.Struct(frame.layout)
        self._unpack = packed.unpack
        self._pack = packed.pack
        codes = frame.codes
        self._wanted = [i for i, field in enumerate(frame.fields) if field != IGNORED]
        self._all = len(self._wanted) == len(frame.fields)
        self._floating = any(code in "fd" for code in codes)
        self._places = {field: i for i, field in enumerate(frame.fields) if field != IGNORED}
        self._ranges = [span(code) for code in codes]
        self._values: list[float] = [0] * len(codes)

    def values(self, payload: bytes) -> tuple[float, ...] | None:
        """Return the numbers of the named fields, or None if one is not finite."""
        values: tuple[float, ...] = self._unpack(payload)
        if self._floating and not all(map(math.isfinite, values)):
            return None
        return values if self._all else tuple([values[i] for i in self._wanted])

    def set(self, name: str, value: float) -> None:
        """Set a field, clamped to its range. Raises ``ValueError`` if it is not a finite number."""
        if not math.isfinite(value):
            raise ValueError(f"{name} = {value} is not a finite number")
        at = self._places[name]
        low, high, whole = self._ranges[at]
        held = low if value <= low else high if value >= high else value
        self._values[at] = round(held) if whole else held

    def build(self) -> bytes:
        return self._pack(*self._values)


class FrameCodec:
    """See :class:`drivers.declared.serial.codec.Codec`."""

    def __init__(
        self, options: DeclaredFramesOptions, counters: Counters, incoming: frozenset[str]
    ) -> None:
        self._counters = counters
        self._layouts = {name: FrameLayout(name, f) for name, f in options.frames.items()}
        self._keys = {
            name: -1 - frame.size if frame.identifier is None else frame.identifier
            for name, frame in options.frames.items()
        }
        self._incoming = {self._keys[name]: self._layouts[name] for name in incoming}
        sizes = {self._keys[name]: options.frames[name].size for name in incoming}
        self._framer = Framer(options.framing, sizes, counters)

    def feed(self, chunk: bytes) -> list[Message]:
        """See ``Codec``."""
        messages: list[Message] = []
        for key, payload in self._framer.feed(chunk):
            layout = self._incoming[key]
            values = layout.values(payload)
            if values is None:
                self._counters.malformed += 1
            else:
                messages.append((layout.name, values))
        return messages

    def set(self, message: str, name: str, value: float) -> None:
        """See ``Codec``."""
        self._layouts[message].set(name, value)

    def build(self, message: str) -> bytes:
        """See ``Codec``."""
        return self._framer.build(self._keys[message], self._layouts[message].build())


def host_codec(options: DeclaredFramesOptions, counters: Counters) -> FrameCodec:
    """Return the codec of the host's side."""
    return FrameCodec(options, counters, options.used)


def board_codec(options: DeclaredFramesOptions, counters: Counters) -> FrameCodec:
    """Return the codec of a simulated board."""
    return FrameCodec(options, counters, options.said)
