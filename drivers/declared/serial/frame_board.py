"""A described board with binary frames."""

from __future__ import annotations

from functools import partial

from drivers.declared.serial.board import SerialBoard
from drivers.declared.serial.frame_codec import host_codec
from drivers.declared.serial.frame_options import DeclaredFramesOptions


class FrameBoard(SerialBoard):
    """See :class:`drivers.declared.common.board.Board`."""

    def __init__(self, options: DeclaredFramesOptions) -> None:
        rolling = {name: frame.counter for name, frame in options.frames.items()}
        super().__init__(options, partial(host_codec, options), rolling)
