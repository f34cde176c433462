"""A described board with lines of text."""

from __future__ import annotations

from functools import partial

from drivers.declared.serial.board import SerialBoard
from drivers.declared.serial.line_codec import host_codec
from drivers.declared.serial.line_options import DeclaredLinesOptions


class LineBoard(SerialBoard):
    """See :class:`drivers.declared.common.board.Board`."""

    def __init__(self, options: DeclaredLinesOptions) -> None:
        rolling = {name: line.counter for name, line in options.lines.items()}
        super().__init__(options, partial(host_codec, options), rolling)
