"""Counting samples that did not arrive, from their cycle numbers."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


class GapCounter:
    """Counter of cycle numbers missing from a stream of rows.

    Attributes:
        lost: samples missing so far, counted from the first row.
    """

    def __init__(self) -> None:
        self.lost = 0
        self._last = -1

    def restart(self) -> None:
        """Start again for another rig host; nothing counts as missing between the two."""
        self._last = -1

    def take(self, cycles: NDArray[np.float64]) -> int:
        """Feed cycle numbers, shape (n,); returns how many were missing before or among them."""
        if not len(cycles):
            return 0
        first, last = int(cycles[0]), int(cycles[-1])
        if self._last >= 0 and first == self._last + 1 and last - first == len(cycles) - 1:
            self._last = last  # the usual case, without arithmetic on the array
            return 0
        steps = np.diff(cycles, prepend=self._last if self._last >= 0 else first - 1)
        missing = int(np.sum(steps[steps > 1] - 1))
        self._last = last
        self.lost += missing
        return missing
