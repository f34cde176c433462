"""The profile's ``drive:`` mapping for protocol ``declared_lines``."""

from __future__ import annotations

import re
import string
from typing import Annotated, Literal

from pydantic import Field, model_validator

from drivers.declared.common import Checksum
from drivers.declared.serial.options import FieldCounter, SerialOptions, unique
from drivers.quantities import Duration
from drivers.suggest import nearest
from drivers.transport import Part

IGNORED = "_"  # an unused field
# Permitted number formats; never a width from another value.
FORMAT = re.compile(r"[+ -]?0?[0-9]{0,2}(?:\.[0-9]{1,2})?[fgedxX]?")


class LineCheck(Checksum):
    """Checksum of a line in hexadecimal digits after a delimiter.

    It covers the bytes before the delimiter (``covers`` counts among them).
    """

    after: Annotated[str, Field(min_length=1, max_length=4)] = "*"
    on: Literal["both", "sent", "received"] = "both"

    @model_validator(mode="after")
    def _plain(self) -> LineCheck:
        if self.itself is not None:
            raise ValueError(
                "itself: a line's checksum is outside the bytes it covers; leave it out"
            )
        return self


class LineOptions(Part):
    """One kind of line from the board, with one of three ways to find its fields.

    ``starts``: text it begins with. Then ``fields`` by position, ``pairs`` by name (name on the
    line to field), or ``pattern``, a regular expression with a named group for each field.
    ``words``: numbers for texts that may be in a field. ``written``: the line as a template, needed
        only for a simulated board, and only for a pattern.
    """

    starts: Annotated[str, Field(max_length=40)] = ""
    fields: tuple[str, ...] = ()
    pairs: dict[str, str] = {}
    pattern: Annotated[str, Field(max_length=400)] | None = None
    separator: Annotated[str, Field(min_length=1, max_length=4)] = ","
    equals: Annotated[str, Field(min_length=1, max_length=4)] = "="
    hexadecimal: tuple[str, ...] = ()
    words: dict[str, dict[str, float]] = {}
    written: str | None = None
    every: Annotated[Duration, Field(gt=0, le=60)] | None = None
    answers: str | None = None
    counter: FieldCounter | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """Fields in the order in which they are found."""
        if self.pattern is not None:
            return tuple(re.compile(self.pattern).groupindex)
        named = self.pairs.values() if self.pairs else self.fields
        return tuple(name for name in named if name != IGNORED)

    @model_validator(mode="after")
    def _sound(self) -> LineOptions:
        ways = [key for key in ("fields", "pairs", "pattern") if getattr(self, key)]
        if len(ways) > 1:
            raise ValueError(f"{ways[1]}: {ways[0]} is also given; find the fields in one way")
        if not ways and not self.starts:
            raise ValueError(
                "this line cannot be distinguished from others; add 'starts', or fields"
            )
        if self.pattern is not None:
            try:
                compiled = re.compile(self.pattern, re.ASCII)
            except re.error as error:
                raise ValueError(
                    f"pattern: it is not a regular expression: {error}; correct it there"
                ) from None
            if self.starts:
                raise ValueError(
                    "starts: the pattern includes the beginning of the line; leave it out"
                )
            if compiled.match("") and not compiled.groupindex:
                raise ValueError("pattern: it matches an empty line; write a more specific one")
        for text in (self.starts, self.separator, self.equals, *self.pairs, self.pattern or ""):
            _ascii(text)
        names = self.names
        unique(names, ways[0] if ways else "fields")
        known = {*self.hexadecimal, *self.words, *({self.counter.field} if self.counter else ())}
        for name in sorted(known - set(names)):
            raise ValueError(f"no field '{name}'{nearest(name, names)}")
        if self.written is not None:
            for name in template_fields(self.written):
                if name not in names:
                    raise ValueError(f"written: no field '{name}'{nearest(name, names)}")
        return self


class DeclaredLinesOptions(SerialOptions):
    """Options for a board with lines of text.

    ``line_end`` ends sent lines; received ones may end with CR, LF or both, or only with
    ``received_end`` if given. ``echo``: the board repeats lines sent to it. ``prompt``: text that
    it writes before a line when ready for the next.
    """

    protocol: Literal["declared_lines"] = "declared_lines"
    line_end: Annotated[str, Field(min_length=1, max_length=4)] = "\n"
    received_end: Annotated[str, Field(min_length=1, max_length=4)] | None = None
    echo: bool = False
    prompt: Annotated[str, Field(max_length=20)] = ""
    longest: Annotated[int, Field(ge=8, le=4096)] = 160  # bytes of a received line
    checksum: LineCheck | None = None
    commands: dict[str, str] = {}
    lines: dict[str, LineOptions] = {}

    def received(self) -> dict[str, tuple[str, ...]]:
        return {name: line.names for name, line in self.lines.items()}

    def sent(self) -> dict[str, tuple[str, ...]]:
        return {name: template_fields(text) for name, text in self.commands.items()}

    def cadence(self) -> dict[str, float | None]:
        return {name: line.every for name, line in self.lines.items()}

    def answered(self) -> dict[str, str | None]:
        return {name: line.answers for name, line in self.lines.items()}

    @model_validator(mode="after")
    def _whole(self) -> DeclaredLinesOptions:
        for name, text in self.commands.items():
            try:
                template_fields(text)
            except ValueError as error:
                raise ValueError(f"commands.{name}: {error}") from None
        for text in (self.line_end, self.received_end or "", self.prompt):
            _ascii(text)
        if not set(self.line_end) <= set("\r\n;"):
            raise ValueError("line_end: it has other characters; use CR, LF or ';'")
        if self.received_end is not None and not set(self.received_end) <= set("\r\n;>"):
            raise ValueError("received_end: it has other characters; use CR, LF, ';' or '>'")
        starts = [(n, line.starts) for n, line in self.lines.items() if line.pattern is None]
        for i, (name, start) in enumerate(starts):
            for other, second in starts[:i]:
                if (
                    start == second
                    and len(self.lines[name].fields) == len(self.lines[other].fields)
                    and bool(self.lines[name].pairs) == bool(self.lines[other].pairs)
                ):
                    raise ValueError(
                        f"lines.{name}: it looks like '{other}'; give each its own 'starts'"
                    )
        self.check_names()
        return self


def template_fields(text: str) -> tuple[str, ...]:
    """Return the names of the values in a template such as ``T {torque:+.4f}``.

    Raises:
        ValueError: not a template, or not a number format.
    """
    _ascii(text)
    if not text.isprintable() and "\t" not in text:
        raise ValueError("it has control characters; leave them out, 'line_end' ends each line")
    names: list[str] = []
    last_was_value = False
    try:
        parts = list(string.Formatter().parse(text))
    except ValueError as error:
        raise ValueError(
            f"'{text}' is not a template: {error}; write values as {{name:+.4f}}"
        ) from None
    for literal, name, spec, conversion in parts:
        if name is None:
            last_was_value = False
            continue
        if not name.isidentifier():
            raise ValueError(f"'{{{name}}}' is not a name; use letters, digits and _")
        if conversion or FORMAT.fullmatch(spec or "") is None:
            raise ValueError(
                f"'{{{name}:{spec}}}' is not a number format; write it as {{{name}:+.4f}}, "
                "or with d, x, g or e"
            )
        if (spec or "")[-1:] in ("d", "x", "X") and "." in (spec or ""):
            raise ValueError(
                f"'{{{name}:{spec}}}': integers have no decimals; leave out '.' and the digits "
                "after it"
            )
        if last_was_value and not literal:
            raise ValueError(f"'{{{name}}}' directly follows another value; separate the two")
        last_was_value = True
        names.append(name)
    unique(names, f"template '{text}'")
    return tuple(names)


def _ascii(text: str) -> None:
    if not text.isascii():
        raise ValueError(f"'{text}' has non-ASCII characters; use ASCII only")
