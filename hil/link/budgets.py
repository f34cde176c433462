"""Budgets of a client's messages; a client that exceeds them is cut off."""

from __future__ import annotations

from dataclasses import dataclass

# A client that waits for each answer sends one message a cycle, 1000 a second.
MESSAGES_PER_S = 2000.0
MESSAGES_AT_ONCE = 2000.0
# Common practice, no source: a program with a mistake gets some answers, a flood does not.
WRONG_PER_S = 10.0
WRONG_AT_ONCE = 100.0
MOST_KEPT = 1024  # clients remembered here; beyond it the oldest is forgotten


@dataclass(slots=True)
class _Left:
    messages: float
    wrong: float
    at_s: float
    cut: bool = False


class Budgets:
    """Messages and mistakes that each client has left, refilled with time.

    Args:
        wrong_per_s: messages not understood, per client.
        wrong_at_once: and in a burst.
    """

    def __init__(
        self, wrong_per_s: float = WRONG_PER_S, wrong_at_once: float = WRONG_AT_ONCE
    ) -> None:
        self._wrong_per_s = wrong_per_s
        self._wrong_at_once = wrong_at_once
        self._left: dict[bytes, _Left] = {}

    def message(self, client: bytes, now_s: float) -> bool:
        """Count one message; False once there are too many."""
        left = self._of(client, now_s)
        left.messages -= 1.0
        return left.messages >= 0.0

    def mistake(self, client: bytes, now_s: float) -> bool:
        """Count one message not understood; False once there are too many."""
        left = self._of(client, now_s)
        left.wrong -= 1.0
        return left.wrong >= 0.0

    def is_cut(self, client: bytes) -> bool:
        left = self._left.get(client)
        return left is not None and left.cut

    def cut(self, client: bytes, now_s: float) -> None:
        """Cut a client off: from now on only its stops are obeyed."""
        self._of(client, now_s).cut = True

    def _of(self, client: bytes, now_s: float) -> _Left:
        left = self._left.get(client)
        if left is None:
            while len(self._left) >= MOST_KEPT:
                del self._left[next(iter(self._left))]
            left = self._left[client] = _Left(MESSAGES_AT_ONCE, self._wrong_at_once, now_s)
            return left
        gone_s = now_s - left.at_s
        if gone_s > 0.0:
            left.messages = min(MESSAGES_AT_ONCE, left.messages + MESSAGES_PER_S * gone_s)
            left.wrong = min(self._wrong_at_once, left.wrong + self._wrong_per_s * gone_s)
            left.at_s = now_s
        return left
