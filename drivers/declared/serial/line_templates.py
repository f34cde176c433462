"""Parsing and formatting of lines, compiled once for each kind."""

from __future__ import annotations

import math
import re
import string
from collections.abc import Callable, Mapping, Sequence

from drivers.declared.common import checksum
from drivers.declared.serial.line_options import IGNORED, LineCheck, LineOptions, template_fields

# Not more digits than a double needs with an exponent: longer texts are garbage.
NUMBER = rb"[+-]?(?:\d{1,20}(?:\.\d{0,20})?|\.\d{1,20})(?:[eE][+-]?\d{1,2})?"
HEXADECIMAL = rb"(?:0[xX])?[0-9A-Fa-f]{1,16}"
PLAIN = re.compile(rb"\s*" + NUMBER + rb"\s*\Z")
Parse = Callable[[bytes], float]


class LinePattern:
    """Pattern that finds the fields of one kind of line."""

    def __init__(
        self, name: str, names: Sequence[str], expression: bytes, parsers: Sequence[Parse]
    ) -> None:
        self.name = name
        self.names = tuple(names)
        compiled = re.compile(expression)
        self._match = compiled.fullmatch
        # Unnamed groups may lie between named ones.
        places = sorted(compiled.groupindex.values())
        self._pick = [at - 1 for at in places] if len(places) < compiled.groups else None
        if not places:
            self._pick = None
        self._parsers = tuple(parsers)
        self._plain = all(parser is float for parser in parsers)

    def find(self, line: bytes) -> tuple[float, ...] | None:
        """Return the values of the fields, or None: another kind of line, or not numbers."""
        found = self._match(line)
        if found is None:
            return None
        texts: Sequence[bytes] = found.groups()
        if self._pick is not None:
            texts = [texts[at] for at in self._pick]
        try:
            if self._plain:
                return tuple(map(float, texts))
            return tuple([parse(text) for parse, text in zip(self._parsers, texts, strict=True)])
        except (ValueError, TypeError, KeyError, OverflowError):
            return None


class PairsPattern:
    """Pattern of ``name=value`` pairs in any order; other pairs are ignored."""

    def __init__(self, name: str, line: LineOptions) -> None:
        self.name = name
        self.names = line.names
        self._starts = line.starts.encode()
        self._separator = None if line.separator == " " else line.separator.encode()
        self._equals = line.equals.encode()
        wanted = [key for key, field in line.pairs.items() if field != IGNORED]
        self._wanted = {
            key.encode(): (at, _parser(line, line.pairs[key])) for at, key in enumerate(wanted)
        }

    def find(self, line: bytes) -> tuple[float, ...] | None:
        """Find values as :meth:`LinePattern.find`; every declared name must occur exactly once."""
        if not line.startswith(self._starts):
            return None
        values = [math.nan] * len(self._wanted)
        seen = 0
        try:
            for part in line[len(self._starts) :].split(self._separator):
                key, equals, text = part.partition(self._equals)
                entry = self._wanted.get(key.strip())
                if entry is None or not equals:
                    continue
                at, parse = entry
                if values[at] == values[at]:
                    return None  # twice: which of the two?
                values[at] = parse(text)
                seen += 1
        except (ValueError, KeyError, OverflowError):
            return None
        return tuple(values) if seen == len(values) else None


class Template:
    """Writer of lines such as ``T {torque:+.4f}``; values stay until set again."""

    def __init__(self, text: str, words: Mapping[str, Mapping[str, float]] | None = None) -> None:
        self.names = template_fields(text)
        self._at = {name: i for i, name in enumerate(self.names)}
        self._values: list[float | int | str] = [0.0] * len(self.names)
        parts: list[str] = []
        self._whole: set[str] = set()
        for literal, name, spec, _ in string.Formatter().parse(text):
            parts.append(literal.replace("{", "{{").replace("}", "}}"))
            if name is not None:
                parts.append(f"{{{self._at[name]}:{spec}}}")
                if (spec or "")[-1:] in ("d", "x", "X"):
                    self._whole.add(name)
        self._format = "".join(parts).format
        self._words = {
            name: {number: word for word, number in by_word.items()}
            for name, by_word in (words or {}).items()
        }
        for name in self.names:
            self.set(name, 0.0)

    def set(self, name: str, value: float) -> None:
        """Set one value. Raises ``ValueError`` if it is not a finite number."""
        if not math.isfinite(value):
            raise ValueError(f"{name} = {value} is not a finite number")
        written: float | int | str = round(value) if name in self._whole else value
        word = self._words[name].get(value) if name in self._words else None
        self._values[self._at[name]] = written if word is None else _Word(word)

    def build(self) -> bytes:
        """Return the line, without checksum and end."""
        return self._format(*self._values).encode()


class _Word(str):
    """A text in a place with a number format."""

    def __format__(self, _spec: str) -> str:
        return str(self)


def _parser(line: LineOptions, field: str, checked: bool = False) -> Parse:
    """Return the parser of a field's text; ``checked``: the pattern ensures a number."""
    base = _hexadecimal if field in line.hexadecimal else float if checked else _number
    words = {word.encode(): number for word, number in line.words.get(field, {}).items()}
    if not words:
        return base

    def parse(text: bytes) -> float:
        known = words.get(text.strip())
        return base(text) if known is None else known

    return parse


def _number(text: bytes) -> float:
    if PLAIN.match(text) is None:  # float() would accept nan, inf and 1_0
        raise ValueError("not a number")
    return float(text)


def _hexadecimal(text: bytes) -> float:
    if re.fullmatch(HEXADECIMAL, text) is None:
        raise ValueError("not a hexadecimal number")
    return float(int(text, 16))


def pattern_of(name: str, line: LineOptions) -> LinePattern | PairsPattern:
    """Return the pattern that finds the fields of this kind of line."""
    if line.pairs:
        return PairsPattern(name, line)
    if line.pattern is not None:
        return LinePattern(
            name, line.names, line.pattern.encode(), [_parser(line, f) for f in line.names]
        )
    blank = line.separator == " "
    between = rb"[ \t]+" if blank else rb"\s*" + re.escape(line.separator.encode()) + rb"\s*"
    places = []
    names: list[str] = []
    parsers: list[Parse] = []
    for field in line.fields:
        if field == IGNORED:
            other = rb"\S+" if blank else rb"[^" + re.escape(line.separator[:1].encode()) + rb"]*"
            places.append(other)
            continue
        names.append(field)
        parsers.append(_parser(line, field, True))
        words = [re.escape(word.encode()) for word in line.words.get(field, ())]
        number = HEXADECIMAL if field in line.hexadecimal else NUMBER
        places.append(b"(" + b"|".join([*words, number]) + b")")
    start = re.escape(line.starts.encode())
    if places and line.starts:
        start += rb"[ \t]*" if blank else rb"(?:\s*" + re.escape(line.separator.encode()) + rb")?"
        start += b"" if blank else rb"\s*"
    return LinePattern(name, names, start + between.join(places) + rb"\s*", parsers)


def template_of(line: LineOptions) -> str:
    """Return the line as the board writes it, for a simulated one.

    Raises:
        ValueError: it has a pattern, but no ``written``.
    """
    if line.written is not None:
        return line.written
    if line.pattern is not None:
        raise ValueError("written is needed for a simulated board: the line as a template")

    def value(field: str) -> str:
        if field == IGNORED:
            return "0"
        return f"{{{field}:X}}" if field in line.hexadecimal else f"{{{field}:.8g}}"

    def plain(text: str) -> str:
        return text.replace("{", "{{").replace("}", "}}")

    separator = plain(line.separator)
    if line.pairs:
        parts = [f"{plain(k)}{plain(line.equals)}{value(f)}" for k, f in line.pairs.items()]
    else:
        parts = [value(field) for field in line.fields]
    if not line.starts:
        return separator.join(parts)
    behind = "" if line.starts.endswith(line.separator) or line.pairs else separator
    return plain(line.starts) + behind + separator.join(parts) if parts else plain(line.starts)


def reverse_pattern(name: str, text: str) -> LinePattern:
    """Return the pattern for lines written with a template: the board's side."""
    expression = b""
    names: list[str] = []
    parsers: list[Parse] = []
    for literal, field, spec, _ in string.Formatter().parse(text):
        expression += re.escape(literal.encode())
        if field is None:
            continue
        hexadecimal = (spec or "")[-1:] in ("x", "X")
        names.append(field)
        parsers.append(_hexadecimal if hexadecimal else float)
        expression += rb"\s*(" + (HEXADECIMAL if hexadecimal else NUMBER) + b")"
    return LinePattern(name, names, expression, parsers)


class LineSeal:
    """Checksum at the end of a line: appended and removed."""

    def __init__(self, declared: LineCheck) -> None:
        self._after = declared.after.encode()
        self._digits = declared.width // 4
        self._compute = checksum(declared)
        self._first, self._last = declared.covers

    def _value(self, body: bytes) -> int:
        last = self._last + 1
        return self._compute(body[self._first : last if last else len(body)])

    def put(self, body: bytes) -> bytes:
        return body + self._after + f"{self._value(body):0{self._digits}X}".encode()

    def take(self, line: bytes) -> bytes | None:
        """Return the line without its checksum, or None if that is missing or wrong."""
        body, after, digits = line.rpartition(self._after)
        if not after or len(digits) != self._digits:
            return None
        try:
            # int() would also accept "0x1", "+1" and "1_0".
            right = bytes.fromhex(digits.decode()) == self._value(body).to_bytes(
                self._digits // 2, "big"
            )
        except ValueError:
            return None
        return body if right else None
