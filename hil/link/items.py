"""What a client is given: blocks of samples, and events."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, eq=False)
class Block:
    """Consecutive samples.

    Attributes:
        rows: shape (n, number of columns), float64, read-only; see ``hil.samples.COLUMNS``.
        host: tells one rig host process from the next on the same link.
    """

    rows: NDArray[np.float64]
    host: bytes = b""


class Event(dict[str, Any]):
    """What happened: a dict with ``kind``, ``time_s``, ``wall`` (ISO 8601) and more."""

    @property
    def kind(self) -> str:
        return str(self.get("kind", ""))
