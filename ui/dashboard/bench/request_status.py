"""Status of the last request to the bench, in brief."""

from __future__ import annotations

import math

DONE_S = 3.0  # a success is shown this long; a failure until the next request


class RequestStatus:
    """Status line.

    Attributes:
        text: '' when there is nothing to say.
        wrong: the request was not carried out.
    """

    def __init__(self) -> None:
        self.text = ""
        self.wrong = False
        self._until_s = math.inf

    def asked(self, what: str) -> None:
        self._say(f"{what} requested …", False, math.inf)

    def done(self, what: str, now_s: float) -> None:
        self._say(f"{what}: done", False, now_s + DONE_S)

    def failed(self, what: str, why: str) -> None:
        self._say(f"{what}: {why}", True, math.inf)

    def clear(self) -> None:
        self._say("", False, math.inf)

    def fade(self, now_s: float) -> None:
        if now_s > self._until_s:
            self.clear()

    def _say(self, text: str, wrong: bool, until_s: float) -> None:
        self.text, self.wrong, self._until_s = text, wrong, until_s
