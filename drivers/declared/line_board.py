"""A described board that speaks in lines of text."""

from __future__ import annotations

from functools import partial

from drivers.declared.line_codec import host_codec
from drivers.declared.line_options import DeclaredLinesOptions
from drivers.declared.serial_board import SerialBoard


class LineBoard(SerialBoard):
    """See :class:`drivers.declared.board.Board`."""

    def __init__(self, options: DeclaredLinesOptions) -> None:
        rolling = {name: line.counter for name, line in options.lines.items()}
        super().__init__(options, partial(host_codec, options), rolling)
