"""The profile's ``drive:`` mapping for protocol ``declared_frames``."""

from __future__ import annotations

import math
import re
import struct
from typing import Annotated, Literal

from pydantic import Field, model_validator

from drivers.declared.common import Checksum
from drivers.declared.serial.options import FieldCounter, SerialOptions, unique
from drivers.quantities import Duration
from drivers.transport import Part

IGNORED = "_"
Order = Literal["little_endian", "big_endian"]
LAYOUT_CODES = "bBhHiIqQfd?x"
CODE = re.compile(r"([0-9]*)([a-zA-Z?])")
LARGEST_SINGLE = 3.4028234e38


def span(code: str) -> tuple[float, float, bool]:
    """Return the smallest and largest number of a layout code, and whether it is an integer."""
    if code in "fd":
        most = LARGEST_SINGLE if code == "f" else math.inf
        return -most, most, False
    if code == "?":
        return 0, 1, True
    bits = 8 * struct.calcsize("<" + code)
    if code.isupper():
        return 0, (1 << bits) - 1, True
    return -(1 << bits - 1), (1 << bits - 1) - 1, True


class FrameCheck(Checksum):
    """The checksum, the last bytes of a frame.

    ``covers`` counts from the first byte of the frame, sync bytes among them.
    """

    order: Order = "little_endian"

    @model_validator(mode="after")
    def _plain(self) -> FrameCheck:
        if self.itself is not None:
            raise ValueError("itself: a frame's checksum follows the bytes it covers; leave it out")
        return self


class NumberField(Part):
    """A number in the head of each frame."""

    bytes: Annotated[int, Field(ge=1, le=4)] = 1
    order: Order = "little_endian"


class LengthField(NumberField):
    """``counts``: the bytes of the payload alone, all after the length, or of the frame."""

    counts: Literal["payload", "following", "frame"] = "payload"


class Framing(Part):
    """Delimiting of frames in the stream of bytes, and the header before the payload.

    Either ``sync``, bytes that begin each frame, or ``cobs``: frames without zeros, each ended by
    one (consistent overhead byte stuffing, Cheshire and Baker, IEEE/ACM Transactions on Networking
    7, 1999). Then the fields of ``head`` in their order, the payload, and the checksum.
    """

    sync: tuple[Annotated[int, Field(ge=0, le=255)], ...] = ()
    cobs: bool = False
    head: tuple[Literal["length", "identifier"], ...] = ()
    length: LengthField = LengthField()
    identifier: NumberField = NumberField()
    checksum: FrameCheck | None = None

    @model_validator(mode="after")
    def _sound(self) -> Framing:
        if self.cobs == bool(self.sync):
            raise ValueError("name either sync bytes or 'cobs: true'; one of them delimits frames")
        if len(self.sync) > 8:
            raise ValueError("sync: eight bytes are enough")
        unique(self.head, "head")
        for key in ("length", "identifier"):
            if key in self.model_fields_set and key not in self.head:
                raise ValueError(f"{key} is described, but head does not have it; add it there")
        return self

    @property
    def head_size(self) -> int:
        """Bytes between sync and payload."""
        parts = {"length": self.length, "identifier": self.identifier}
        return sum(parts[name].bytes for name in self.head)


class FrameOptions(Part):
    """One kind of frame. ``layout`` is that of Python's struct module, ``<`` or ``>`` first.

    ``fields``: a name for each number of the layout, ``_`` for unused ones.
    """

    identifier: Annotated[int, Field(ge=0)] | None = None
    layout: Annotated[str, Field(max_length=80)]
    fields: tuple[str, ...] = ()
    every: Annotated[Duration, Field(gt=0, le=60)] | None = None
    answers: str | None = None
    counter: FieldCounter | None = None

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(name for name in self.fields if name != IGNORED)

    @property
    def size(self) -> int:
        return struct.calcsize(self.layout)

    @property
    def codes(self) -> str:
        """The layout's code of each number."""
        found = CODE.findall(self.layout)
        return "".join(code * int(count or 1) for count, code in found if code != "x")

    def reach(self, field: str) -> tuple[float, float]:
        """Return the smallest and largest number that a field can hold."""
        low, high, _ = span(self.codes[self.fields.index(field)])
        return low, high

    @model_validator(mode="after")
    def _sound(self) -> FrameOptions:
        if self.layout[:1] not in ("<", ">"):
            raise ValueError(
                "layout must begin with < (little end first) or > (big end first); which of the "
                "two does the board send?"
            )
        wrong = sorted(set(self.layout[1:]) - set(LAYOUT_CODES) - set("0123456789 "))
        if wrong:
            raise ValueError(
                f"layout: '{wrong[0]}' is not a number code; write {' '.join(LAYOUT_CODES)}"
            )
        try:
            count = len(struct.unpack(self.layout, bytes(self.size)))
        except (struct.error, MemoryError, OverflowError) as error:
            raise ValueError(f"layout: {error}; correct it") from None
        if self.size > 1024:
            raise ValueError(f"layout: {self.size} bytes; a frame has at most 1024")
        if count != len(self.fields):
            raise ValueError(
                f"fields: {len(self.fields)} names for the {count} numbers of the layout; name "
                "each, or write _ for an unused one"
            )
        unique(self.names, "fields")
        if self.counter is not None and self.counter.field not in self.names:
            raise ValueError(f"counter: no field '{self.counter.field}'; it must be among fields")
        return self


class DeclaredFramesOptions(SerialOptions):
    """Options for a board with binary frames. ``frames`` are used in both directions."""

    protocol: Literal["declared_frames"] = "declared_frames"
    framing: Framing
    frames: dict[str, FrameOptions]

    def received(self) -> dict[str, tuple[str, ...]]:
        return {name: frame.names for name, frame in self.frames.items()}

    def sent(self) -> dict[str, tuple[str, ...]]:
        return self.received()

    def cadence(self) -> dict[str, float | None]:
        return {name: frame.every for name, frame in self.frames.items()}

    def answered(self) -> dict[str, str | None]:
        return {name: frame.answers for name, frame in self.frames.items()}

    @property
    def said(self) -> frozenset[str]:
        """Frames that are sent to the board."""
        names = {taken.target.partition(".")[0] for taken in self.takes.values()}
        names |= {step.send for _, steps in self.sequences for step in steps if step.send}
        names |= {self.heartbeat.send} if self.heartbeat else set()
        names |= {self.poll} if self.poll else set()
        return frozenset(names)

    @model_validator(mode="after")
    def _whole(self) -> DeclaredFramesOptions:
        has_identifier = "identifier" in self.framing.head
        most = 1 << 8 * self.framing.identifier.bytes
        for name, frame in self.frames.items():
            if has_identifier and frame.identifier is None:
                raise ValueError(
                    f"frames.{name}: head has an identifier; add 'identifier' with its number"
                )
            if not has_identifier and frame.identifier is not None:
                raise ValueError(
                    f"frames.{name}.identifier: it is not in framing.head; add it there"
                )
            if frame.identifier is not None and frame.identifier >= most:
                raise ValueError(
                    f"frames.{name}.identifier: it does not fit; set framing.identifier.bytes"
                )
            length = self.framing.length
            if "length" in self.framing.head and frame.size + 24 >= 1 << 8 * length.bytes:
                raise ValueError(
                    f"frames.{name}: its length does not fit; set framing.length.bytes"
                )
            self._check_cover(name, frame)
        self.check_names()
        for names in (self.used, self.said):
            self._check_distinct(sorted(names))
        self._check_reach()
        return self

    def command_ends(self, quantity: str) -> tuple[float, float] | None:
        """Return the smallest and largest number that a command's field can hold."""
        for name, taken in self.takes.items():
            if str(name) == quantity:
                frame, _, field = taken.target.partition(".")
                return self.frames[frame].reach(field)
        return None

    def _check_reach(self) -> None:
        """Check that commands and constants fit into the numbers of their frames."""
        for quantity, taken in self.takes.items():
            name, _, field = taken.target.partition(".")
            self.check_command(str(quantity), taken, *self.frames[name].reach(field))
        for sequence, steps in self.sequences:
            for i, step in enumerate(steps):
                for field, value in step.values.items():
                    low, high = self.frames[step.send or ""].reach(field)
                    if not low <= value <= high:
                        raise ValueError(
                            f"sequences.{sequence}[{i}].with.{field}: {value:g} does not fit its "
                            f"number; write {low:g} to {high:g}, or widen the layout"
                        )

    def _check_cover(self, name: str, frame: FrameOptions) -> None:
        framing = self.framing
        if framing.checksum is None:
            return
        size = len(framing.sync) + framing.head_size + frame.size
        whole = size + framing.checksum.width // 8
        first, last = (end + whole if end < 0 else end for end in framing.checksum.covers)
        if not 0 <= first <= last < whole or first >= size:
            raise ValueError(
                f"framing.checksum.covers: it names bytes outside frame '{name}' with {whole}; "
                "write -1 for the last"
            )

    def _check_distinct(self, names: list[str]) -> None:
        by_mark: dict[tuple[int | None, int], str] = {}
        plain = self.framing.sync and not self.framing.head
        for name in names:
            frame = self.frames[name]
            mark = (frame.identifier, 0 if frame.identifier is not None else frame.size)
            if mark in by_mark or (plain and by_mark):
                other = next(iter(by_mark.values())) if plain else by_mark[mark]
                raise ValueError(
                    f"frames.{name}: it cannot be distinguished from '{other}'; give framing.head "
                    "an identifier"
                )
            by_mark[mark] = name
