"""A stretch of time in view, and its cursors. No Qt."""

from __future__ import annotations

from abc import ABC, abstractmethod


class TimeView(ABC):
    """Base of what a picture over time shows, of a live bench or of a run.

    Attributes:
        cursors: times in s, at most two.
    """

    def __init__(self) -> None:
        self.cursors: list[float] = []

    @property
    @abstractmethod
    def held(self) -> tuple[float, float]:
        """First and last time held, s."""

    @property
    @abstractmethod
    def seen(self) -> tuple[float, float]:
        """First and last time in view, s."""

    @abstractmethod
    def scroll(self, seconds: float) -> None:
        """Scroll later, or earlier (negative), within the time held."""

    def place_cursor(self, which: int, time_s: float) -> None:
        """Put the first (0) or second (1) cursor; the second alone becomes the first."""
        first_s, last_s = self.held
        time_s = min(max(time_s, first_s), last_s)
        if which == 0 or not self.cursors:
            self.cursors[:1] = [time_s]
        else:
            self.cursors[1:] = [time_s]

    def step_cursors(self) -> None:
        """Step: none → one in the middle → a second at three quarters → none."""
        if len(self.cursors) == 2:
            self.cursors = []
            return
        start_s, end_s = self.seen
        share = 0.75 if self.cursors else 0.5
        self.place_cursor(len(self.cursors), start_s + share * (end_s - start_s))

    def move_cursor(self, by_s: float, second: bool) -> None:
        """Move the first or second cursor; create it if it does not exist."""
        if not self.cursors:
            self.step_cursors()
        elif second and len(self.cursors) == 1:
            self.place_cursor(1, self.cursors[0] + by_s)
        else:
            which = 1 if second else 0
            self.place_cursor(which, self.cursors[which] + by_s)
