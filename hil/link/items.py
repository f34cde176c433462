"""Items that a client receives: blocks of samples, events, and answers to what it posted."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, eq=False)
class Block:
    """Consecutive samples.

    Attributes:
        rows: shape (n, number of columns), float64, read-only; see ``hil.core.samples.COLUMNS``.
        host: identifies the rig host process; the next one on the same link has another.
    """

    rows: NDArray[np.float64]
    host: bytes = b""


class Event(dict[str, Any]):
    """Event: a dict with ``kind``, ``time_s``, ``wall`` (ISO 8601) and more."""

    @property
    def kind(self) -> str:
        return str(self.get("kind", ""))


@dataclass(frozen=True)
class Answer:
    """Answer to a posted request; only its sender receives it.

    Attributes:
        number: the one that ``post`` returned.
        accepted: whether the bench does as requested.
        text: the answer, the reason of a refusal, or a note that none came.
        silent: no answer came in time; the request may or may not be carried out.
        data: further values from the rig host.
    """

    number: int
    accepted: bool
    text: str
    silent: bool = False
    data: dict[str, Any] = field(default_factory=dict)
