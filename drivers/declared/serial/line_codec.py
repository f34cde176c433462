"""Codec of lines of text on a serial port, for either side."""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from drivers.base import DriverError
from drivers.declared.common import Counters
from drivers.declared.serial.codec import Message
from drivers.declared.serial.line_options import DeclaredLinesOptions, LineCheck
from drivers.declared.serial.line_templates import (
    LinePattern,
    LineSeal,
    PairsPattern,
    Template,
    pattern_of,
    reverse_pattern,
    template_of,
)

ECHOES = 16  # sent lines whose echo may still be pending
GRAPHIC = bytes(range(0x20, 0x7F)) + b"\t"


@dataclass(frozen=True, kw_only=True)
class LineFormat:
    """Lines received and sent by one side of a serial port.

    Attributes:
        patterns: patterns of received lines; the first match is used.
        templates: templates of sent lines, by message.
        received_end: end of a received line; None for any of CR and LF.
        sent_end: end of a sent line.
        longest: characters of a line; a longer one is malformed.
        prompt: written by the other side before a line.
        echo: the other side repeats each line sent to it.
        check_received, check_sent: checksum of lines; None for none.
        skip_first: the first line received may lack its beginning.
    """

    patterns: Sequence[LinePattern | PairsPattern]
    templates: Mapping[str, Template]
    received_end: str | None
    sent_end: str
    longest: int
    prompt: str = ""
    echo: bool = False
    check_received: LineCheck | None = None
    check_sent: LineCheck | None = None
    skip_first: bool = False


class LineCodec:
    """See :class:`drivers.declared.serial.codec.Codec`."""

    def __init__(self, counters: Counters, lines: LineFormat) -> None:
        self._counters = counters
        self._patterns = list(lines.patterns)
        self._templates = dict(lines.templates)
        ends = lines.received_end
        self._split = re.compile(re.escape(ends.encode()) if ends else rb"[\r\n]+").split
        self._end = lines.sent_end.encode()
        self._longest = lines.longest
        self._prompt = lines.prompt.strip().encode()
        self._echoes: deque[bytes] | None = deque(maxlen=ECHOES) if lines.echo else None
        check = lines.check_received
        self._unseal = LineSeal(check).take if check else None
        check = lines.check_sent
        self._seal = LineSeal(check).put if check else None
        self._rest = b""
        self._dropping = lines.skip_first
        self._first = lines.skip_first

    def feed(self, chunk: bytes) -> list[Message]:
        """See ``Codec``."""
        *lines, rest = self._split(self._rest + chunk)
        messages: list[Message] = []
        for line in lines:
            if self._dropping:
                # The end of a line whose beginning was not received or not kept.
                self._dropping = False
                self._counters.malformed += not self._first
                self._first = False
                continue
            message = self._message(line)
            if message is not None:
                messages.append(message)
        if len(rest) > self._longest:
            self._dropping = True
            rest = b""
        self._rest = rest
        return messages

    def _message(self, line: bytes) -> Message | None:
        counters = self._counters
        line = line.strip()
        prompt = self._prompt
        while prompt and line.startswith(prompt):
            line = line[len(prompt) :].lstrip()
        if not line:
            return None
        echoes = self._echoes
        if echoes and line in echoes:
            while echoes.popleft() != line:
                pass
            return None
        if len(line) > self._longest or line.translate(None, GRAPHIC):
            counters.malformed += 1
            return None
        if self._unseal is not None:
            bare = self._unseal(line)
            if bare is None:
                counters.checksum_failures += 1
                return None
            line = bare
        for pattern in self._patterns:
            values = pattern.find(line)
            if values is not None:
                return pattern.name, values
        # Damaged lines, or other lines of the board.
        counters.malformed += 1
        return None

    def set(self, message: str, name: str, value: float) -> None:
        """See ``Codec``."""
        self._templates[message].set(name, value)

    def build(self, message: str) -> bytes:
        """See ``Codec``."""
        line = self._templates[message].build()
        if self._seal is not None:
            line = self._seal(line)
        if self._echoes is not None:
            self._echoes.append(line.strip())
        return line + self._end


def host_codec(options: DeclaredLinesOptions, counters: Counters) -> LineCodec:
    """Return the codec of the host's side."""
    check = options.checksum
    lines = options.lines
    spoken = LineFormat(
        patterns=[pattern_of(name, line) for name, line in lines.items()],
        templates={name: Template(text) for name, text in options.commands.items()},
        received_end=options.received_end,
        sent_end=options.line_end,
        longest=options.longest,
        prompt=options.prompt,
        echo=options.echo,
        check_received=check if check and check.on in ("both", "received") else None,
        check_sent=check if check and check.on in ("both", "sent") else None,
        # A port may be opened in the middle of a line, whose end may look complete.
        skip_first=any(line.every is not None for line in lines.values()),
    )
    return LineCodec(counters, spoken)


def board_codec(options: DeclaredLinesOptions, counters: Counters) -> LineCodec:
    """Return the codec of a simulated board.

    Raises:
        DriverError: a line has no ``written``.
    """
    check = options.checksum
    templates = {}
    for name, line in options.lines.items():
        try:
            templates[name] = Template(template_of(line), line.words)
        except ValueError as error:
            raise DriverError(f"drive.lines.{name}: {error}") from None
    spoken = LineFormat(
        patterns=[reverse_pattern(name, text) for name, text in options.commands.items()],
        templates=templates,
        received_end=options.line_end,
        sent_end=options.received_end or options.line_end,
        longest=max(options.longest, 256),
        check_received=check if check and check.on in ("both", "sent") else None,
        check_sent=check if check and check.on in ("both", "received") else None,
    )
    return LineCodec(counters, spoken)
