r"""Serial traffic as timed text, one line a chunk: ``(1700000000.123456) < "T +0.5000\\x0d"``.

``<`` was received from the board, ``>`` sent to it. Between the quotes every byte that is not
printable ASCII is written as ``\\xNN``, as are the backslash itself and the quote.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

_LINE = re.compile(r'\((\d+\.\d+)\) ([<>]) "((?:[^"\\]|\\x[0-9a-f]{2})*)"')
_ESCAPE = re.compile(r"\\x([0-9a-f]{2})")


class WireTextError(ValueError):
    """Error of a line that is not timed text; names the line."""


def timed_line(time_s: float, received: bool, data: bytes) -> str:
    """Return one line, its end included."""
    text = "".join(
        chr(byte) if 32 <= byte < 127 and byte not in b'"\\' else f"\\x{byte:02x}" for byte in data
    )
    return f'({time_s:.6f}) {"<" if received else ">"} "{text}"\n'


def read_timed(lines: Iterable[str]) -> Iterator[tuple[float, bool, bytes]]:
    """Yield (time in s, whether it was received, bytes) of each line.

    Raises:
        WireTextError: a line that is not timed text.
    """
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        match = _LINE.fullmatch(line.strip())
        if match is None:
            raise WireTextError(f"line {number} is not timed serial text")
        text = _ESCAPE.sub(lambda found: chr(int(found[1], 16)), match[3])
        try:
            yield float(match[1]), match[2] == "<", text.encode("latin-1")
        except UnicodeEncodeError:
            raise WireTextError(f"line {number} is not timed serial text") from None
