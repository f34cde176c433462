"""Notices of limits: when a limit that begins to act is reported."""

from __future__ import annotations

from typing import Final

FORGET_S: Final = 1.0  # after this time without it, a limit's next action is reported again


class LimitNotices:
    """Filter that reports each limit once, however it flickers, until inactive for ``FORGET_S``."""

    def __init__(self) -> None:
        self._reported = 0
        self._quiet_s: dict[int, float] = {}  # per bit that was reported and does not act now

    def new(self, mask: int, dt_s: float) -> int:
        """Return the bits of ``mask``, the limits that act in this cycle, to be reported now."""
        reported = self._reported
        if not mask and not reported:
            return 0
        if mask == reported and not self._quiet_s:
            return 0
        fresh = mask & ~reported
        self._reported = reported = reported | mask
        resting = reported & ~mask
        quiet = {}
        while resting:
            bit = resting & -resting
            resting ^= bit
            waited = self._quiet_s.get(bit, 0.0) + dt_s
            if waited < FORGET_S:
                quiet[bit] = waited
            else:
                self._reported &= ~bit
        self._quiet_s = quiet
        return fresh
